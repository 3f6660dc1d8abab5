"""Answers: pages from templates, JSON, and what went wrong in one sentence."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from analyser.errors import AnalyserError, InputError, OutputError
from analyser.page.guard import REPORT_POLICY

if TYPE_CHECKING:
    from jinja2 import Environment

STATIC = Path(__file__).parent / "static"
TEMPLATES = Path(__file__).parent / "templates"


def page(template: str, status: int = 200, **values: Any) -> Response:
    """A page of ours; everything put into it is escaped."""
    text = _environment().get_template(template).render(**values)
    return Response(text, status, media_type="text/html")


def report(html: str | bytes) -> Response:
    """A report written as one file: its styles stand inside it, so it is shown without script and without our origin."""
    return Response(html, media_type="text/html", headers={"content-security-policy": REPORT_POLICY})


def plain(found: Any, status: int = 200) -> Response:
    """Strict JSON."""
    return Response(json.dumps(found, ensure_ascii=False, allow_nan=False).encode(), status, media_type="application/json")


def trouble(request: Request, error: Exception) -> Response:
    """What a person can mend, as JSON to a script and as a page to a person."""
    status = 404 if str(error).startswith("there is no") else 500 if isinstance(error, OutputError) else 400
    if request.url.path.startswith("/api/"):
        return plain({"problem": str(error)}, status)
    return page("trouble.html", status, problem=str(error), here="")


async def given(request: Request) -> dict[str, Any]:
    """The JSON object that a script sent.

    Raises
    ------
    InputError
        It is none.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        raise InputError("JSON is wanted here")
    try:
        found = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise InputError("this is no JSON") from error
    if not isinstance(found, dict):
        raise InputError("an object is wanted here")
    return found


def text_of(found: dict[str, Any], key: str, most: int = 500) -> str:
    """A text among what was sent.

    Raises
    ------
    InputError
        It is missing, no text, or too long.
    """
    value = found.get(key)
    if not isinstance(value, str) or len(value) > most:
        raise InputError(f"{key!r} must be a text of at most {most} characters")
    return value


def number_of(found: dict[str, Any], key: str) -> int:
    """A whole number among what was sent; raises as :func:`text_of`."""
    value = found.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 10**9:
        raise InputError(f"{key!r} must be a whole number")
    return value


def query_number(request: Request, key: str, otherwise: int) -> int:
    """A whole number in the address."""
    text = request.query_params.get(key, "")
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else otherwise


@lru_cache(maxsize=1)
def _environment() -> "Environment":
    from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PackageLoader, StrictUndefined

    from analyser import __version__
    from analyser.reporting.content import CAUTION
    from analyser.reporting.phrases import plain_number
    from analyser.reporting.tables import NO_FIGURE

    loader = ChoiceLoader([FileSystemLoader(TEMPLATES), PackageLoader("analyser.reporting")])
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.globals.update(caution=CAUTION, version=__version__, quiet=NO_FIGURE)
    environment.filters["number"] = lambda value, decimals=0: "" if value != value else plain_number(value, decimals)
    return environment


__all__ = ["AnalyserError", "STATIC", "given", "number_of", "page", "plain", "query_number", "report", "text_of", "trouble"]
