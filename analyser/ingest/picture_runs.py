"""A clock that was set back in the middle of the screenshots: found by the order of their files, without any orbit.

A clock of which digits were lost or misread in several screenshots falls back as well. What could be that is no restart: the clock's order is then kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analyser.flight import TEXTS
from analyser.ingest.restarts import find_restarts, longest_rising, runs_of

if TYPE_CHECKING:
    from analyser.ingest.screenshots import Value

_IN_ORDER = 0.8  # share of a run's clocks that must rise in the order of the files: else that order is no order
_LEADING = 3600.0, 1000.0  # s; what the leading digits count in, of a clock with fields and of plain seconds
_DENSE = 0.25  # of that: from longer steps on, a fall that leading digits would explain may well be a restart
_LONGEST = 1.5  # of the longest step from screenshot to screenshot, that one may be longer
_LEAST_SHORTER = 6  # screenshots with fewer digits than before that make a restart, rather than digits lost
_SLOWER = 0.1  # of the pace before: slower is a field that was lost


def screenshot_runs(values: Sequence["Value"], stamps: Sequence[int] | None = None) -> dict[int, int]:
    """The run of the clock that each screenshot belongs to; empty where the clock was not set back.

    Parameters
    ----------
    values : sequence of Value
        As read, not weighed against each other yet. Their ``row`` is the place of the file in the order given.
    stamps : sequence of int, optional
        Time of each file, in any unit, [row]: the second order that is tried.

    Returns
    -------
    dict of int to int
        From the screenshot's place to its run, 0 being the first; of every screenshot with a value, in the order that told it.
    """
    certain = [value for value in values if value.status == "read" and math.isfinite(value.value)]
    clocks = {value.row: value for value in certain if value.column == "met"}
    rows = sorted({value.row for value in values})
    orders = [rows] if stamps is None else [rows, sorted(rows, key=lambda row: stamps[row])]
    for order in orders:
        read = [row for row in order if row in clocks]
        starts = _starts([clocks[row] for row in read], _gauges(certain, read))
        if starts:
            likely = {value.row: value.reading.best.value for value in values if value.column == "met" and value.reading.best}
            marks = {_first(order, read[start], clocks[read[start - 1]], likely) for start in starts}
            return dict(zip(order, np.cumsum([row in marks for row in order]).tolist()))
    return {}


def _first(order: Sequence[int], start: int, last: "Value", likely: dict[int, float]) -> int:
    """The first screenshot of a run of which ``start`` is the first that is certain: those right before whose clock, as far as seen, fell back too are of it."""
    place = order.index(start)
    while order[place - 1] != last.row and likely.get(order[place - 1], math.inf) < last.value:
        place -= 1
    return order[place]


def _gauges(certain: Sequence["Value"], rows: Sequence[int]) -> dict[tuple[str, str], np.ndarray]:
    """What each gauge showed in each of ``rows``, nan where it was not read; by column and name."""
    place = {row: index for index, row in enumerate(rows)}
    found: dict[tuple[str, str], np.ndarray] = {}
    for value in certain:
        if value.column not in ("met", *TEXTS) and value.row in place:
            found.setdefault((value.column, value.gauge.name), np.full(len(rows), math.nan))[place[value.row]] = value.value
    return found


def _starts(clocks: Sequence["Value"], gauges: dict[tuple[str, str], np.ndarray]) -> list[int]:
    """Positions at which the clock starts again; none where any of them may be something else."""
    times = np.array([value.value for value in clocks])
    propellant = next((gauge for (column, _), gauge in gauges.items() if column.startswith("propellant")), None)
    starts = find_restarts(times, list(gauges.values()), propellant)
    run = runs_of(starts, len(times))
    parts = [[value for value, own in zip(clocks, run) if own == number] for number in range(len(starts) + 1)]
    rising = [[part[index] for index in longest_rising([value.value for value in part])] for part in parts]
    if any(len(kept) < _IN_ORDER * len(part) for kept, part in zip(rising, parts)):
        return []
    return [] if any(_digits_lost(before, after) for before, after in zip(rising, rising[1:])) else starts


def _digits_lost(before: Sequence["Value"], after: Sequence["Value"]) -> bool:
    """Whether a clock that falls back from one run to the next may only have lost digits, or had its leading ones misread."""
    last, first = before[-1], after[0]
    fall = last.value - first.value
    if any(later.value > last.value and later.value - earlier.value > fall / 2 for earlier, later in zip(after, after[1:])):
        return True  # it leaps to where it would have been
    fewer = _digits(first) < _digits(last)
    steps, later = (np.diff([value.value for value in part]) for part in (before, after))
    pace, slower = float(np.median(steps)), float(np.median(later))
    if fewer and (len(after) < _LEAST_SHORTER or slower < _SLOWER * pace):
        return True
    unit = _LEADING[0 if ":" in last.reading.raw or "h" in last.reading.raw else 1]
    longest = _LONGEST * float(max(steps.max(), later.max())) * max(1, first.row - last.row)
    return pace < _DENSE * unit and -fall % unit <= min(longest, _DENSE * unit)


def _digits(value: "Value") -> int:
    return sum(character.isdigit() for character in value.reading.raw)
