"""A panel file's text from the gauges proposed for it: what is known as lines, what a person must add as comments."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analyser.flight import TEXTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyser.ingest.proposals import Proposal

HEAD = """\
# Proposed from the reference screenshot: check each gauge against the picture. What stands behind # needs you.
# A gauge that nobody needs may be deleted.
reference = "reference.png"
"""


def to_toml(found: "Sequence[Proposal]") -> str:
    """The panel file's text."""
    parts = [HEAD]
    if any(re.search(r"\d,\d{1,2}$", each.text) for each in found) and not any(re.search(r"\d\.\d", each.text) for each in found):
        parts.append('decimal = ","\n')
    for each, name, lacking in zip(found, names(found), missing(found)):
        said = "".join(letter if letter.isprintable() else "?" for letter in f"{each.label} {each.text}").strip()
        rows = [f"[gauges.{name}]" + (f"  # says: {said}" if said else ""), *_rows(each, name)[0]]
        if lacking:
            rows = [f"# to complete: {'; '.join(lacking)}", *(f"# {row}" for row in rows)]
        parts.append("\n" + "\n".join(rows) + "\n")
    return "".join(parts)


def missing(found: "Sequence[Proposal]") -> list[list[str]]:
    """What a person must add to each gauge, in words; nothing where it can be used as it is."""
    lacking = []
    for place, each in enumerate(found):
        twice = each.kind != "lamp" and each.reads and any((other.reads, other.kind) == (each.reads, each.kind) for other in found[:place])
        lacking.append(_rows(each, "")[1] + ([f"another {each.kind} above reads {each.reads} already"] if twice else []))
    return lacking


def names(found: "Sequence[Proposal]") -> list[str]:
    """A name for each gauge, no two alike."""
    made: list[str] = []
    for each in found:
        base = re.sub(r"\W+", "_", each.label.casefold(), flags=re.ASCII).strip("_") if each.kind == "lamp" else ""
        base = base or each.reads or each.kind
        taken = sum(re.fullmatch(rf"{re.escape(base)}(_\d+)?", name) is not None for name in made)
        made.append(base if not taken else f"{base}_{taken + 1}")
    return made


def lamp_word(each: "Proposal") -> str:
    """What is noted while a lamp is lit: the word on it."""
    return "".join(letter for letter in each.label.casefold() if letter.isalnum() or letter in " -").strip()


def _rows(each: "Proposal", name: str) -> tuple[list[str], list[str]]:
    """The lines of a gauge, and what is missing in them."""
    left, top, right, bottom = each.box
    missing = []
    rows = [f'kind = "{each.kind}"']
    if each.kind == "attitude":
        rows.append('reads = ["pitch", "roll"]')
    elif each.kind == "lamp":
        rows += ['reads = "note"  # or "event", where it marks a moment of the flight', f'on = "{lamp_word(each) or name}"  # what is noted while it is lit; it must be off on the reference picture']
    else:
        rows.append(f'reads = "{each.reads or "WHICH COLUMN?"}"')
        if not each.reads:
            missing.append("which column it reads")
    rows.append(f"corners = [[{left}, {top}], [{right}, {top}], [{right}, {bottom}], [{left}, {bottom}]]")
    if each.units:
        rows.append("units = [" + ", ".join(f'"{unit}"' for unit in each.units) + "]")
    elif each.unit:
        rows.append(f'unit = "{each.unit}"')
    elif each.kind in ("readout", "drum", "dial", "tape") and each.reads not in ("met", *TEXTS):
        rows.append('unit = "WHICH UNIT?"')
        missing.append("in which unit")
    if each.kind in ("dial", "tape"):
        what = "needle angle clockwise from up" if each.kind == "dial" else "place from 0 to 1 along it"
        if each.scale:
            rows.append(f"scale = [{', '.join(f'[{_short(place)}, {_short(value)}]' for place, value in each.scale)}]  # {what}, value: from its numbers")
            missing += [f"what its mark at {_short(place)} deg says (between two marks values run straight)" for place in each.unread]
        else:
            rows.append(f"scale = {'[[-135, 0], [135, 100]]' if each.kind == 'dial' else '[[0, 0], [1, 100]]'}  # {what}, value")
            missing.append("its scale, whose numbers can't be read")
    if each.wheels:
        rows.append(f"digits = {each.wheels}")
    return rows, missing


def _short(number: float) -> str:
    return f"{round(number, 4) + 0.0:.10g}"
