"""Pages: one file each, nothing loaded from outside, no script; everything a flight says is escaped."""

from __future__ import annotations

import base64
from functools import lru_cache
from typing import TYPE_CHECKING

from analyser.reporting.content import Debrief
from analyser.reporting.tables import NO_FIGURE

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["debrief_html", "render"]

def debrief_html(debrief: Debrief) -> str:
    """A debrief as one self-contained page."""
    return render("debrief.html", debrief=debrief)


def render(template: str, **values: object) -> str:
    """A template of this package with the shared style sheet and ``values``."""
    environment = _environment()
    style = environment.loader.get_source(environment, "style.css")[0]
    return environment.get_template(template).render(style=style, quiet=NO_FIGURE, **values)


@lru_cache(maxsize=1)
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    # autoescape for every template, whatever its name: the texts come from files that others wrote
    environment = Environment(
        loader=PackageLoader("analyser.reporting"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode("ascii")
    environment.tests["panel"] = lambda key: key.startswith("orbits-")
    return environment
