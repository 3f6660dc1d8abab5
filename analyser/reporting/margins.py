"""The margin over time: what was in the tanks after each burn against the least that the rest of the plan would have cost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Findings, Margin
from analyser.reporting.content import Picture, Section, Table
from analyser.reporting.phrases import clock, figure, plain_number, say_plainly
from analyser.reporting.tables import NOTHING, _largest, shared_units

TITLE = "The margin over time"
ALT = "The delta-v in the tanks after each burn, and the least the rest of the plan needed; the figures are in the table of margins."
CAPTION = (
    "Upper line: what the propellant was still worth. Lower line: the least that the rest of the plan would have cost from the orbit then flown. "
    "Between them the margin, hatched where it was missing."
)


@dataclass(frozen=True)
class MarginSteps:
    """One step a moment, m/s: in the tanks and needed; nan where unknown."""

    labels: tuple[str, ...]
    available: np.ndarray
    needed: np.ndarray


def margin_steps(findings: Findings) -> MarginSteps | None:
    """The picture's numbers; None with fewer than two moments known."""
    items = [item for item in findings.margins if item.margin.known]
    if len(items) < 2:
        return None
    return MarginSteps(
        tuple("start" if item.burn is None else f"B{item.burn + 1}" for item in items),
        np.array([item.available.value for item in items]), np.array([item.needed.value for item in items]),
    )  # fmt: skip


def margin_table(findings: Findings) -> Table | None:
    """One row a moment."""
    if not any(item.margin.known for item in findings.margins):
        return None
    like = _largest([item.available for item in findings.margins])
    headers = ["after", "from MET", "about", "still to fly", "propellant", "in the tanks", "rest at the least", "margin", "least good to", "goal met but for"]
    rows = [
        [
            _moment(item), clock(item.met), item.body, _legs(item), figure(item.propellant), figure(item.available, like=like),
            figure(item.needed, like=like), figure(item.margin, like=like), _plus_minus(item.doubt), _short(item.goal_slack),
        ]
        for item in findings.margins
    ]  # fmt: skip
    notes = [
        "Rest at the least: from the orbit flown then, the legs still to fly flown without loss. What the margin falls by from one row to the next is what was "
        "spent in between without bringing the end nearer."
    ]
    if any(row[8] != NOTHING for row in rows):
        notes.append("Least good to: how far the least itself may be off, landings and lift-offs being carried over from one mass of the craft to another.")
    if any(row[9] != NOTHING for row in rows):
        notes.append(
            "Goal met but for: a goal that was come near to counts as reached; this much more would have met it in full, and by so much the margin may seem to rise there."
        )
    return shared_units(headers, rows, TITLE, set(range(4, len(headers))), notes=tuple(notes))


def margin_section(findings: Findings, picture: Picture | None) -> Section | None:
    """The section of the debrief, or None where there is nothing to show."""
    table = margin_table(findings)
    if table is None:
        return None
    return Section("margin", TITLE, (margin_sentence(findings),), (picture,) if picture else (), (table,))


def margin_sentence(findings: Findings) -> str:
    """Whether the propellant was enough, and where most of the margin went."""
    known = [item for item in findings.margins if item.margin.known]
    short = next((item for item in known if item.margin.high < 0), None)
    falls = [(first.margin.value - second.margin.value, second) for first, second in zip(known, known[1:])]
    fall, worst = max(falls, key=lambda pair: pair[0], default=(math.nan, None))
    said = (
        f"From {_name(short)} on the propellant was no longer enough to fly the rest of the plan even without loss."
        if short else f"The propellant was enough for the rest of the plan at every moment; the least margin was {say_plainly(min(i.margin.value for i in known), 'm/s')}."
    )  # fmt: skip
    if worst is not None and fall > 1.0:
        said += f" The margin fell most, by {say_plainly(fall, 'm/s')}, up to {_name(worst)}."
    return said


def _moment(item: Margin) -> str:
    return "start" if item.burn is None else f"burn {item.burn + 1}"


def _plus_minus(doubt: float) -> str:
    return f"± {plain_number(doubt, 2 if doubt < 1 else 1)} m/s" if doubt >= 0.005 else NOTHING


def _short(slack: float) -> str:
    return f"{plain_number(slack, 2 if slack < 1 else 1)} m/s" if slack >= 0.005 else NOTHING


def _name(item: Margin) -> str:
    return "the start" if item.burn is None else f"the end of burn {item.burn + 1}"


def _legs(item: Margin) -> str:
    if not item.legs:
        return "nothing"
    return item.legs[0] if len(item.legs) == 1 else f"{item.legs[0]} to {item.legs[-1]}"
