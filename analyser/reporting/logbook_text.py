"""The logbook on the terminal: its attempts in a list, and one with all its revisions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from analyser.attempts import Attempt
from analyser.estimate import Estimate, plain
from analyser.reporting.content import INTERVALS, Table
from analyser.reporting.phrases import figure, plain_number
from analyser.reporting.tables import NOTHING
from analyser.reporting.text import join_lines, set_table, wrapped

__all__ = ["attempt_dict", "attempt_text", "attempts_dict", "attempts_text"]

_FIGURES = (
    ("spent", "delta-v spent", "m/s"), ("waste", "delta-v wasted", "m/s"), ("burn_loss", "burn loss", "m/s"), ("placement_loss", "placement loss", "m/s"),
    ("correction_loss", "correction loss", "m/s"), ("waste_propellant", "propellant wasted", "kg"), ("propellant_left", "propellant left", "kg"),
    ("touchdown_vertical_speed", "vertical speed at touchdown", "m/s"), ("reading_to_burn", "last reading to burn", "s"),
)  # fmt: skip
_MOST_NAME = 24  # characters of a name in the list


def attempts_text(attempts: Sequence[Attempt], total: int, deleted: bool = False) -> str:
    """The list, 80 columns; ``total`` is how many there are with those not shown."""
    what = f"{'deleted ' if deleted else ''}attempt{'s' if total != 1 else ''}"
    if not attempts:
        return f"no {what}\n"
    rows = [
        (
            f"{item.id}", item.name if len(item.name) <= _MOST_NAME else item.name[: _MOST_NAME - 1] + "\u2026", item.date or NOTHING, item.pilot or NOTHING,
            item.plan or NOTHING, _whole(item.figures["spent"][0]), _whole(item.figures["waste"][0]),
        )
        for item in attempts
    ]  # fmt: skip
    caption = f"{len(attempts)} {what}" if len(attempts) == total else f"The last {len(attempts)} of {total} {what}"
    return join_lines(set_table(Table(caption, ("", "attempt", "date", "pilot", "plan", "spent, m/s", "wasted, m/s"), tuple(rows), frozenset({5, 6}))))


def attempt_text(shown: Attempt, revisions: Sequence[Attempt], inputs: str) -> str:
    """One attempt: what was flown, how its figures stood in every revision, the legs and habits of the one shown.

    Parameters
    ----------
    shown : Attempt
    revisions : sequence of Attempt
        All of its revisions, oldest first.
    inputs : str
        In words: whether the files are still those that were recorded.
    """
    lines = [*wrapped(f"Attempt {shown.id}: {shown.name}")]
    about = (
        ("pilot", shown.pilot), ("date", shown.date), ("plan", shown.plan), ("craft", shown.craft), ("world", shown.world), ("folder", shown.folder),
        ("debrief", f"{shown.report}/debrief.html" if shown.report else ""), ("inputs", inputs), ("deleted", shown.deleted or ""),
    )  # fmt: skip
    lines += [line for label, value in about if value for line in wrapped(f"{label}: {value}", "    ", first="  ")]
    rows = [
        (f"{item.revision}{' (shown)' if item.revision == shown.revision and len(revisions) > 1 else ''}", item.recorded[:16].replace("T", " "),
         item.analyser_version, f"{item.readings}", _whole(item.figures["spent"][0]), _whole(item.figures["waste"][0]))
        for item in revisions
    ]  # fmt: skip
    heads = ("revision", "recorded (UTC)", "analyser", "moments", "spent, m/s", "wasted, m/s")
    lines += ["", *set_table(Table("Revisions, oldest first", heads, tuple(rows), frozenset({3, 4, 5})))]
    figures = [(label, _estimate(*shown.figures[key], unit)) for key, label, unit in _FIGURES if math.isfinite(shown.figures[key][0])]
    if figures:
        lines += ["", *set_table(Table("Figures of the whole flight", ("figure", "value"), tuple(figures), frozenset({1})))]
    legs = [
        (leg["name"], "yes" if leg["flown"] else "no", *(_pair(leg, key) for key in ("spent", "needed", "waste", "planned", "still_needed")))
        for leg in shown.legs
    ]
    if legs:
        heads = ("leg", "flown", "spent, m/s", "least needed", "wasted", "planned", "still needed")
        lines += ["", *set_table(Table("Legs", heads, tuple(legs), frozenset({2, 3, 4, 5, 6})))]
    if shown.habits:
        lines += ["", "What cost most:"]
        for number, habit in enumerate(shown.habits[:5], 1):
            lines += wrapped(f"{number}. {habit['sentence']}", "   ", first="")
    return join_lines([*lines, "", INTERVALS])


def attempts_dict(attempts: Sequence[Attempt]) -> list[dict[str, Any]]:
    """Plain data of a list, SI, nan as null."""
    return [attempt_dict(item) for item in attempts]


def attempt_dict(item: Attempt, revisions: Sequence[Attempt] = ()) -> dict[str, Any]:
    """Plain data of one attempt, SI, nan as null; with ``revisions``, how the figures stood in each."""
    found = plain(item)
    found["figures"] = {name: {"value": plain(value), "sigma": plain(sigma)} for name, (value, sigma) in item.figures.items()}
    found["inputs"] = [{"name": name, "size": size, "sha256": mark} for name, size, mark in item.inputs]
    if revisions:
        keys = ("revision", "recorded", "analyser_version", "fingerprint", "figures")
        found["revisions"] = [{key: value for key, value in attempt_dict(each).items() if key in keys} for each in revisions]
    return found


def _whole(value: float) -> str:
    return plain_number(value, 0) if math.isfinite(value) else NOTHING


def _pair(leg: dict[str, Any], key: str) -> str:
    return NOTHING if leg[key] is None else plain_number(leg[key], 1)


def _estimate(value: float, sigma: float, unit: str) -> str:
    return figure(Estimate.of(value, sigma, unit) if math.isfinite(sigma) else Estimate(value, unit=unit))
