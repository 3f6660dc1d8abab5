"""A card to keep beside the screen, as text for a terminal and as a page to print."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from analyser.estimate import plain
from analyser.reporting.phrases import duration

CAUTION = "For simulated flight and training; not for navigating or operating a real craft, which is for licensed crews, approved procedures and local rules."


def card_tables(card, ideal=None) -> list[dict[str, Any]]:
    """The card's tables as text: each a title, notes, a head and rows.

    Parameters
    ----------
    card : analyser.fitting.cockpit_card.Card
    ideal : analyser.findings.IdealPlan, optional
        For the legs of the plan.
    """
    tables = [_speeds(card), _reach(card)]
    if card.braking:
        tables.append(_braking(card))
    if ideal is not None:
        tables.append(_legs(ideal))
    if card.windows:
        tables.append(_windows(card))
    return [{**table, "wide": len(table["head"]) > 5, "words": _words(table["rows"])} for table in tables]


def _words(rows: list[list[str]]) -> set[int]:
    """Columns that hold words, not numbers."""
    return {index for row in rows for index, cell in enumerate(row) if cell[:1].isalpha()}


def _speeds(card) -> dict[str, Any]:
    rows = [[_km(row.altitude), f"{row.circular_speed:.1f}", f"{row.escape_speed:.1f}", duration(row.period)] for row in card.rows]
    return {"title": "Circular orbit and escape", "head": ["altitude km", "circular m/s", "escape m/s", "period"], "rows": rows,
            "notes": [_claim("rows", card.worst["altitude"])]}  # fmt: skip


def _reach(card) -> dict[str, Any]:
    rows = [[_km(row.altitude), *(f"{speed:.1f}" if math.isfinite(speed) else "-" for speed in row.reach)] for row in card.rows]
    rows = [row for row in rows if any(cell != "-" for cell in row[1:])]
    notes = [_claim("rows", card.worst["altitude"]), _claim("columns", card.worst["apoapsis"])]
    return {"title": "Speed needed here, along the horizon, for an apoapsis of ... km (m/s)", "head": ["altitude km", *map(_km, card.apoapsides)],
            "rows": rows, "notes": notes}  # fmt: skip


def _braking(card) -> dict[str, Any]:
    head = ["falling m/s", *(f"{column.throttle:.0%} {column.propellant:.0f} kg" for column in card.columns)]
    rows = [[f"{row.speed:.0f}", *(_height(height) for height in row.heights)] for row in card.braking]
    notes = [f"{card.craft}, straight down, by throttle and propellant left: the last moment, in m over the ground; begin before it.",
             _claim("rows", card.worst["braking"])]  # fmt: skip
    return {"title": "Height at which to begin braking", "head": head, "rows": rows, "notes": notes}


def _legs(ideal) -> dict[str, Any]:
    rows = []
    for leg in ideal.legs:
        kilograms = f"{leg.propellant:.0f}" if math.isfinite(leg.propellant) else "-"
        rows.append([leg.name, leg.goal, f"{leg.delta_v:.0f}", kilograms, duration(leg.duration) if leg.duration > 0 else "-"])
    notes = [f"Least delta-v in all: {ideal.delta_v:.0f} m/s" + (f"; {ideal.margin:.0f} kg left at the end." if math.isfinite(ideal.margin) else ".")]
    return {"title": f"Plan: {ideal.name}", "head": ["leg", "goal", "m/s", "kg", "takes"], "rows": rows, "notes": notes}


def _windows(card) -> dict[str, Any]:
    rows = [[one.body, f"{math.degrees(one.lead):.0f}", f"{one.delta_v:.1f}", duration(one.duration), duration(one.every)] for one in card.windows]
    altitude = _km(card.windows[0].altitude)
    notes = []
    if not all(one.homeward for one in card.windows):
        notes.append("Burn prograde when the body is that far ahead of you, seen from the centre.")
    for one in card.windows:
        if one.homeward:
            notes.append(f"To {one.body}: burn prograde when the direction against {card.body.name}'s motion is that far ahead of you. Patched conics; where both bodies pull all the way it takes some per cent more.")
    return {"title": f"Transfer windows from a circular orbit at {altitude} km", "head": ["to", "ahead by deg", "m/s", "takes", "again after"],
            "rows": rows, "notes": notes}  # fmt: skip


def _claim(what: str, worst: float) -> str:
    if worst >= 0.01:
        return f"Don't read between {what}: a straight line errs up to {worst:.0%} there."
    return f"Between {what} read in a straight line: that errs by less than 1 % (at most {max(worst, 0.0005):.1%})."


def _km(metres: float) -> str:
    return f"{metres / 1e3:.6g}"


def _height(metres: float) -> str:
    if math.isnan(metres):
        return "-"
    return f"{metres:.2f}" if metres < 10 else f"{metres:.1f}" if metres < 100 else f"{metres:.0f}"


def card_text(card, ideal=None) -> str:
    """The card for a terminal of 80 columns."""
    lines = [_title(card), ""]
    for table in card_tables(card, ideal):
        lines += [table["title"], *_columns(table["head"], table["rows"]), *(part for note in table["notes"] for part in _wrapped(note)), ""]
    lines += [part for remark in card.remarks for part in _wrapped(remark)]
    return "\n".join([*lines, *_wrapped(CAUTION)])


def _title(card) -> str:
    body = card.body
    return f"{body.name}: radius {body.radius / 1e3:.6g} km, gravity at the ground {body.surface_gravity:.3g} m/s2" + (
        f", air up to {body.air_top / 1e3:g} km" if body.air_top > 0 else ", no air"
    )


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, 80)


def _columns(head: list[str], rows: list[list[str]]) -> list[str]:
    widths = [max(len(row[index]) for row in [head, *rows]) for index in range(len(head))]
    narrow = sum(widths) + 2 * len(widths) > 80
    if narrow:  # a long heading goes on two lines
        tops = [word.rsplit(" ", 1)[0] if " " in word else "" for word in head]
        heads = [word.rsplit(" ", 1)[-1] for word in head]
        widths = [max(len(row[index]) for row in [tops, heads, *rows]) for index in range(len(head))]
        shown = [tops, heads, *rows]
    else:
        shown = [head, *rows]
    words = _words(rows)
    lines = []
    for row in shown:
        cells = [cell.ljust(width) if index in words else cell.rjust(width) for index, (cell, width) in enumerate(zip(row, widths, strict=True))]
        lines.append("  ".join(cells).rstrip()[:80])
    return lines


def card_html(card, ideal=None) -> str:
    """The card as one page to print, complete in itself; every name in it is escaped."""
    import jinja2

    environment = jinja2.Environment(loader=jinja2.PackageLoader("analyser.reporting"), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("card.html").render(
        body=card.body, title=_title(card), tables=card_tables(card, ideal), remarks=card.remarks, caution=CAUTION, craft=card.craft
    )


def write_card(card, folder: str | Path, ideal=None) -> Path:
    """Write ``card-BODY.html`` into ``folder``, whole or not at all.

    Raises
    ------
    OutputError
        It can't be written.
    """
    from analyser.files import write_atomically

    name = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in card.body.name)
    return write_atomically(Path(folder) / f"card-{name}.html", card_html(card, ideal))


def card_dict(card, ideal=None) -> dict[str, Any]:
    """The machine's version, SI."""
    found = plain(card)
    found["body"] = card.body.name
    return {**found, "plan": plain(ideal) if ideal is not None else None}
