"""Clocks that were set back or jumped in flight: by how much, where the coast in which they did tells it.

Before and after, the same orbit was read: its two passages through periapsis, each on its own run of the clock, are one and the same, or whole
revolutions apart.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.chain import Chain
from analyser.fitting.intervals import describe
from analyser.fitting.observations import observe
from analyser.fitting.orbit import CoastFit, fit_coast
from analyser.fitting.panel_rows import PanelRows, invariant_shift
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.segments import burning, steady
from analyser.flight import World
from analyser.units import format_met

_SAME = 4.5  # standard deviations within which two rows are of one orbit
_MINUTE = 60.0  # s
_TURNS = 3  # revolutions that a jump of the clock may be off by
_SLACK = 3.0  # times its own standard deviation that what ties two runs may move: it was found from the very rows that it ties


def settle_clock_runs(table: pd.DataFrame, rows: PanelRows, propellant: PropellantHistory, world: World) -> tuple[pd.DataFrame, frozenset[int], tuple[str, ...]]:
    """Times on one clock as far as the orbits say.

    Parameters
    ----------
    table : DataFrame (n rows)
        Readings.table; where it has no column ``clock_run`` there is nothing to do.
    rows, propellant : the same readings as arrays, and the sorted propellant gauge.
    world : World

    Returns
    -------
    table : DataFrame (n rows)
        With ``met`` (and ``met_sigma`` of the rows that the tie was found from) as they stand now.
    open_at : frozenset of int
        Positions of first rows of runs that begin an unknown time after the row before.
    remarks : tuple of str
    """
    if "clock_run" not in table:
        return table, frozenset(), ()
    run = table["clock_run"].to_numpy(int)
    met, sigma = table["met"].to_numpy(float).copy(), table["met_sigma"].to_numpy(float).copy()
    open_at, remarks = [], []
    for start in (np.flatnonzero(np.diff(run)) + 1).tolist():
        before, after = _coast(rows, propellant, start - 1, -1), _coast(rows, propellant, start, 1)
        tie = _tie(table.assign(met=met), rows, propellant, world, before, after) if before and after else None
        place = _place(table, start)
        if tie is None:
            open_at.append(start)
            remarks.append(f"{place}: how long the clock stood before it started again can't be told, as no orbit was read both before and after: times from there on are the earliest possible")
            continue
        delay, spread, period = tie
        met[start:] += delay
        sigma[list(after)] = np.hypot(sigma[list(after)], _SLACK * spread * math.sqrt(len(after)))
        again = f", or whole revolutions of {period:.0f} s more" if math.isfinite(period) else ""
        remarks.append(f"{place}: the orbit read before and after says that this is MET {format_met(met[start])} +/- {1.96 * spread:.0f} s{again}; readings from there on are counted so")
    return table.assign(met=met, met_sigma=sigma), frozenset(open_at), tuple(remarks)


def _place(table: pd.DataFrame, row: int) -> str:
    """How a person finds a row: the name of its screenshot, or its line."""
    if "row" not in table:
        return f"row {row + 1}"
    source = table["source"].iloc[row] if "source" in table else ""
    return source if source and (table["source"] == source).sum() == 1 else f"line {table['row'].iloc[row]}"


def _coast(rows: PanelRows, propellant: PropellantHistory, start: int, step: int) -> list[int]:
    """Rows from ``start`` on (backward for step -1) that are of one orbit, a slip here and there left in."""
    body, run, found, missed = rows.body[start], [], [], 0
    places = range(start, len(rows)) if step > 0 else range(start, -1, -1)
    for row in places:
        if rows.body[row] != body or rows.standing[row] or rows.in_air[row] or burning(rows, row):
            break
        if run and math.isfinite(propellant.propellant[row]):
            known = propellant.known(sorted(run))
            if known and steady(propellant, *sorted((known[-1 if step > 0 else 0], row))) is False:
                break
        run.append(row)
    # the row that most others agree with stands for the orbit
    head = run[:8]
    shifts = {row: [invariant_shift(rows, row, other) for other in head if other != row] for row in head}
    anchor = max(head, key=lambda row: sum(shift < _SAME for shift in shifts[row]), default=None)
    for row in run:
        shift = invariant_shift(rows, row, anchor) if row != anchor else 0.0
        missed = missed + 1 if shift >= _SAME else 0
        if missed > 1:
            return sorted(found[:-1])
        found.append(row)
    return sorted(found)


def _tie(table: pd.DataFrame, rows: PanelRows, propellant: PropellantHistory, world: World, before: list[int], after: list[int]) -> tuple[float, float, float] | None:
    """Seconds to add to the later run, their standard deviation, and the period (inf: none); None where the two are not of one orbit."""
    if rows.body[before[0]] != rows.body[after[0]]:
        return None
    known = propellant.known(before), propellant.known(after)
    if all(known) and steady(propellant, known[0][-1], known[1][0]) is False:
        return None
    fits = [fit_coast(observe(table, world[rows.body[before[0]]], part)) for part in (before, after)]
    shift = _shift(*fits)
    if shift is None:
        return None
    delay, spread, period = shift
    gap = float(table["met"].iloc[after[0]] - table["met"].iloc[before[-1]])
    if period is None:
        return (delay, spread, math.inf) if gap + delay >= -2 * spread else None
    turns = math.ceil((-gap - delay - 2 * spread) / period.value)
    spread = math.hypot(spread, turns * period.sigma)
    return (delay + turns * period.value, spread, period.value) if spread < period.value / 8 else None


def _shift(before: CoastFit, after: CoastFit) -> tuple[float, float, Estimate | None] | None:
    """Seconds that bring the periapsis passage of one fit to that of another of the same orbit, their standard deviation, and the period; None where the orbits differ or
    show no passage."""
    if not (before.determined and after.determined):
        return None
    first, second = describe(before), describe(after)
    passages = first["periapsis_time"], second["periapsis_time"]
    if not all(_agree(first[name], second[name]) for name in ("energy", "angular_momentum")) or not all(item.known for item in passages):
        return None
    better = min((item["period"] for item in (first, second)), key=lambda item: item.sigma if item.known else math.inf)
    return passages[0].value - passages[1].value, math.hypot(passages[0].sigma, passages[1].sigma), better if better.known else None


def mend_jumps(table: pd.DataFrame, rows: PanelRows, propellant: PropellantHistory, chain: Chain) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Times as they run on where the clock jumped by a whole number of minutes in the middle of a coast: without a change of orbit, and without any propellant used.

    Returns the table (as :func:`settle_clock_runs` does) and remarks; without a jump the very table that was handed in.
    """
    met, sigma = table["met"].to_numpy(float).copy(), table["met_sigma"].to_numpy(float).copy()
    remarks = []
    for first, second in zip(chain.arcs, chain.arcs[1:]):
        jump = _jump(first, second, rows, propellant, chain)
        if jump is None:
            continue
        delay, spread, _ = jump
        start = _first_of_jump(first, second, chain, jump)
        met[start:] += delay
        after = [row for row in second.rows if row >= start]
        sigma[after] = np.hypot(sigma[after], _SLACK * spread * math.sqrt(len(after)))
        place = _place(table, start)
        remarks.append(
            f"{place}: the clock jumped by {-delay / 60:+.0f} min in the middle of a coast (same orbit, no propellant used): readings from there on are counted {abs(delay):.0f} s "
            f"{'later' if delay > 0 else 'earlier'}"
        )
    return (table.assign(met=met, met_sigma=sigma), tuple(remarks)) if remarks else (table, ())


def _jump(first: FittedArc, second: FittedArc, rows: PanelRows, propellant: PropellantHistory, chain: Chain) -> tuple[float, float, float] | None:
    """Seconds to add to the rows of a coast that goes on with the one before but for the clock, their standard deviation, and the period (inf: none)."""
    if first.kind != "coast" or second.kind != "coast" or first.body.name != second.body.name or min(len(first.rows), len(second.rows)) < 2:
        return None
    known = propellant.known(first.rows), propellant.known(second.rows)
    if not all(known) or not steady(propellant, known[0][-1], known[1][0]) or any(burning(rows, row) for row in chain.between[second.index]):
        return None
    shift = _shift(chain.fits[first.index], chain.fits[second.index])
    if shift is None or shift[1] > _MINUTE / 8:
        return None
    delay, spread, period = shift
    gap = second.start - first.end
    turns = range(-_TURNS, _TURNS + 1) if period is not None else (0,)
    tries = [(delay + n * (period.value if n else 0.0), math.hypot(spread, n * (period.sigma if n else 0.0))) for n in turns]
    if any(abs(time) < _SAME * doubt + 0.5 for time, doubt in tries):
        return None  # the clock as read fits: whole revolutions that come near whole minutes are no jump
    whole = [(time, doubt) for time, doubt in tries if abs(time - _MINUTE * round(time / _MINUTE)) < 3.0 * doubt + 0.5 and round(time / _MINUTE) and gap + time > 0 and doubt < _MINUTE / 8]
    # whole hours before whole minutes, then the smallest
    best = min(whole, key=lambda item: (round(item[0] / _MINUTE) % 60 != 0, abs(item[0])), default=None)
    return None if best is None else (_MINUTE * round(best[0] / _MINUTE), best[1], math.inf if period is None else period.value)


def _first_of_jump(first: FittedArc, second: FittedArc, chain: Chain, jump: tuple[float, float, float]) -> int:
    """Row at which the clock jumped: the last rows of the coast before may have been taken for slips of the clock, by the jump or whole revolutions more."""
    delay, spread, period = jump
    slipped = {item.position: item.expected - item.value for item in chain.fits[first.index].set_aside if item.column == "met"}
    start = min((*chain.between[second.index], second.rows[0]))
    while start - 1 in slipped:
        off = slipped[start - 1] - delay
        off -= period * round(off / period) if math.isfinite(period) else 0.0
        if not abs(off) < 3.0 * spread + 5.0:
            break
        start -= 1
    return start


def _agree(one: Estimate, other: Estimate) -> bool:
    return abs(one.value - other.value) < _SAME * math.hypot(one.sigma, other.sigma)
