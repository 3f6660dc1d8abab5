"""Landings on the engine in a debrief: what the descent cost against the least, and moment by moment how late full thrust could have begun."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Descent, DescentMoment, Findings
from analyser.reporting.content import Picture, Section, Table
from analyser.reporting.phrases import UNKNOWN, clock, duration, figure, plain_number, say_plainly

TITLE = "Descent"
ALT = "Height over the ground against speed over the ground in the descent, and the height that stopping at full thrust takes from each speed; the figures are in the table."
CAPTION = (
    "Line and dots: the descent as read, from left to right. Dashed: the height that a stop at full thrust would have taken from there. What lies between the two was in hand; where they "
    "meet was the last moment to brake."
)
_LEAST = 3.0  # m: heights below are not drawn


@dataclass(frozen=True)
class DescentScene:
    """Curves of (speed over the ground m/s, height m): as read, and the height that a full-thrust stop takes; both heights at least 3 m."""

    title: str
    flown: np.ndarray
    needed: np.ndarray


def descent_scene(descent: Descent) -> DescentScene | None:
    """What to draw of a descent; None with too few readings."""
    moments = [one for one in descent.moments if one.height >= _LEAST]
    if len(moments) < 3:
        return None
    flown = np.array([(one.speed, one.height) for one in moments])
    needed = np.array([(one.speed, max(one.height - one.spare, _LEAST)) for one in moments if math.isfinite(one.spare)]).reshape(-1, 2)
    return DescentScene(descent.body, flown, needed)


def descent_section(findings: Findings, pictures: tuple[Picture, ...]) -> Section | None:
    """The section of the debrief, or None without a landing on the engine."""
    if not findings.descents:
        return None
    said = [sentence for descent in findings.descents for sentence in descent_sentences(descent)]
    return Section("descent", TITLE, tuple(said), pictures, tuple(moments_table(descent) for descent in findings.descents if descent.moments))


def descent_sentences(descent: Descent) -> list[str]:
    """A descent told in a few sentences."""
    if not descent.cost.known:
        return [f"What the descent to {descent.body} cost is not known: {descent.cost.reason}."]
    head = f"From the last orbit clear of the ground the descent to {descent.body} took {figure(descent.cost)}"
    if not math.isfinite(descent.best):
        said = [f"{head}. It can't be held against the least that this craft could do: {descent.reason}."]
    else:
        said = [
            f"{head}; the least for this craft's thrust is {say_plainly(descent.best, 'm/s')}, and {say_plainly(descent.bound, 'm/s')} with impulses: "
            f"{figure(descent.waste)} more than the least."
        ]
    early = _most_in_hand(descent)
    if early is not None:
        said.append(
            f"At {clock(early.met)}, {say_plainly(early.height, 'm')} up and sinking at {say_plainly(early.sink, 'm/s')}, the engine could have rested for {duration(early.wait)} more: "
            f"begun {say_plainly(early.braking_height, 'm')} over the ground, full thrust would still have stopped it at the ground."
        )
    if math.isfinite(descent.slow_height):
        said.append(
            f"The last {say_plainly(descent.slow_height, 'm')} took {duration(descent.slow_time)}: straight down at that constant rate of "
            f"{say_plainly(descent.slow_height / descent.slow_time, 'm/s')} costs {say_plainly(descent.slow_at_rate, 'm/s')}, falling and stopping at full thrust as late as it can be "
            f"{say_plainly(descent.slow_least, 'm/s')}."
        )
    return said


def _most_in_hand(descent: Descent) -> DescentMoment | None:
    """The moment at which most height was in hand, of those that fall towards the ground."""
    falling = [one for one in descent.moments if one.wait > 1.0 and math.isfinite(one.braking_height)]
    return max(falling, key=lambda one: one.spare, default=None)


def moments_table(descent: Descent) -> Table:
    """One row a moment of the last burn."""
    rows = tuple(
        (
            clock(one.met), say_plainly(one.height, "m"), plain_number(one.speed, 1), plain_number(one.sink, 1),
            UNKNOWN if not math.isfinite(one.spare) else say_plainly(one.spare, "m"), *_late(one),
        )
        for one in descent.moments
    )  # fmt: skip
    return Table(
        f"The last burn of the descent to {descent.body}, moment by moment",
        ("at", "height", "over the ground, m/s", "sinking, m/s", "full thrust from there stops it at", "could have waited", "to brake at"),
        rows, frozenset(range(1, 7)),
        notes=(
            "Heights over the landing place, on a smooth ground. Full thrust straight against the motion over the ground; mountains and a margin of height ask for an earlier start. "
            "Could have waited: with the engine off, until the last moment at which full thrust still stops it; to brake at: its height then.",
        ),
    )  # fmt: skip


def _late(one: DescentMoment) -> tuple[str, str]:
    if math.isfinite(one.braking_height):
        return duration(one.wait), say_plainly(one.braking_height, "m")
    return ("too late", "–") if one.spare < 0 else ("it would not come down", "–")
