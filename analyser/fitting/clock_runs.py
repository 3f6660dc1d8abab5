"""How long a clock stood that was set back in flight, where the coast it was set back in tells it.

Before and after, the same orbit was read: its two passages through periapsis, each on its own run of the clock, are one and the same, or whole
revolutions apart.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.findings import Estimate
from analyser.fitting.intervals import describe
from analyser.fitting.observations import observe
from analyser.fitting.orbit import fit_coast
from analyser.fitting.panel_rows import PanelRows, invariant_shift
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.segments import burning, steady
from analyser.flight import World
from analyser.units import format_met

_SAME = 4.5  # standard deviations within which two rows are of one orbit
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
        place = f"line {table['row'].iloc[start]}" if "row" in table else f"row {start + 1}"
        if tie is None:
            open_at.append(start)
            remarks.append(f"{place}: how long the clock stood before it started again can't be told, as no orbit was read both before and after: times from there on are the earliest possible")
            continue
        delay, spread, period = tie
        met[start:] += delay
        sigma[list(after)] = np.hypot(sigma[list(after)], _SLACK * spread * math.sqrt(len(after)))
        again = f", or whole revolutions of {period:.0f} s more" if math.isfinite(period) else ""
        remarks.append(f"{place}: the orbit read before and after says that this is MET {format_met(met[start])} +/- {1.96 * spread:.0f} s{again}; lines from there on are counted so")
    return table.assign(met=met, met_sigma=sigma), frozenset(open_at), tuple(remarks)


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
    if not all(fit.determined for fit in fits):
        return None
    first, second = (describe(fit) for fit in fits)
    if not all(_agree(first[name], second[name]) for name in ("energy", "angular_momentum")):
        return None
    passages = first["periapsis_time"], second["periapsis_time"]
    if not all(item.known for item in passages):
        return None
    delay = passages[0].value - passages[1].value
    spread = math.hypot(passages[0].sigma, passages[1].sigma)
    better = min((item["period"] for item in (first, second)), key=lambda item: item.sigma if item.known else math.inf)
    gap = float(table["met"].iloc[after[0]] - table["met"].iloc[before[-1]])
    if not better.known:
        return (delay, spread, math.inf) if gap + delay >= -2 * spread else None
    turns = math.ceil((-gap - delay - 2 * spread) / better.value)
    spread = math.hypot(spread, turns * better.sigma)
    return (delay + turns * better.value, spread, better.value) if spread < better.value / 8 else None


def _agree(one: Estimate, other: Estimate) -> bool:
    return abs(one.value - other.value) < _SAME * math.hypot(one.sigma, other.sigma)
