"""Gauges that are off: a zero that is wrong, a gauge read some seconds before or after the clock, a speed written under another speed's name.

Such an error spoils every reading of a gauge alike, so that the orbits of all coasts disagree with that gauge. It is looked for only where they do,
and believed only where one and the same error mends most coasts: the readings must demand it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyser.fitting.arcs import FittedArc
from analyser.fitting.chain import Chain
from analyser.fitting.conic import propagate_jacobian
from analyser.fitting.gauge_corrections import GaugeError
from analyser.fitting.leastsquares import minimise
from analyser.fitting.observations import CHANNELS, SPEED, SURFACE, Observations, Whitening, observe, predict
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.segments import burning, steady
from analyser.fitting.starts import best_guesses
from analyser.flight import World

_DEMANDED = 40.0  # by how much an error must lower the capped chi-square of the coasts
_CAP = 25.0  # what one reading may cost
_VISIBLE = 3.0  # sigmas of a reading: an error below about one digit is not looked for
_MOST = 3  # errors of one panel
_FEWEST_ROWS, _FEWEST_VALUES = 4, 10  # of a coast that can tell
_RUNS, _ROWS = 8, 24  # coasts, and rows of each, that are looked at: an error that shows in no so many is not demanded
_LEFT = 2.5  # capped chi-square a reading that may be left
_MENDED = 0.7  # of the coasts that can tell
_TAKEN_FOR = {"speed": "surface_speed", "surface_speed": "speed"}


@dataclass(frozen=True)
class _Run:
    """Rows of one undisturbed coast as observations, and the state that fits them under what is believed so far."""

    seen: Observations
    epoch: float
    state: np.ndarray
    cost: float
    used: np.ndarray


def suspicious(chain: Chain, propellant: PropellantHistory) -> bool:
    """Whether the coasts as found speak for a gauge that is off: cheap, for every flight."""
    fits = list(chain.fits.values())
    if not fits:
        return False
    present = np.sum([fit.observations.present.sum(axis=0) for fit in fits], axis=0)
    refused = np.zeros(len(CHANNELS))
    for fit in fits:
        for item in (*fit.set_aside, *fit.doubtful):
            if item.column in CHANNELS:
                refused[CHANNELS.index(item.column)] += 1
    if ((present >= 6) & (refused >= 0.25 * present)).any():
        return True
    chi2, dof = sum(fit.chi2 for fit in fits), sum(fit.dof for fit in fits)
    if dof and chi2 > dof + 3.0 * math.sqrt(2.0 * dof):
        return True
    return any(
        first.kind == second.kind == "coast" and first.body.name == second.body.name and _quiet_between(first.rows[-1:], second.rows[:1], propellant)
        for first, second in zip(chain.arcs, chain.arcs[1:])
    )


def _quiet_between(before, after, propellant: PropellantHistory) -> bool:
    known = propellant.known(before), propellant.known(after)
    return bool(known[0] and known[1] and steady(propellant, known[0][-1], known[1][0]))


def find_gauge_errors(table: pd.DataFrame, rows: PanelRows, propellant: PropellantHistory, chain: Chain, world: World) -> tuple[GaugeError, ...]:
    """The errors of gauges that the coasts demand, most important first; none where the readings agree.

    Parameters
    ----------
    table : DataFrame
        Readings.table.
    rows, propellant, chain
        The same readings, as arrays and as first partitioned.
    world : World
    """
    if not suspicious(chain, propellant):
        return ()
    longest = sorted(quiet_runs(rows, propellant, chain), key=lambda run: -len(run[1]))[:_RUNS]
    runs = [run for run in (_begun(observe(table, world[body], _thinned(places))) for body, places in longest) if run is not None]
    found: list[GaugeError] = []
    while runs and len(found) < _MOST:
        tried = [error for error in (_try(kind, channel, runs, rows) for kind, channel in _candidates(runs, found)) if error is not None]
        best = max(tried, key=lambda item: item[0].gain, default=None)
        if best is None:
            break
        found.append(best[0])
        runs = best[1]
    # What is left must look like readings: an error that only makes a bad fit less bad explains nothing.
    left, values = sum(run.cost for run in runs), sum(int(run.seen.present.sum()) for run in runs)
    return tuple(found) if left <= _LEFT * values else ()


def _thinned(places: list[int]) -> list[int]:
    if len(places) <= _ROWS:
        return places
    return [places[k] for k in np.unique(np.linspace(0, len(places) - 1, _ROWS).round().astype(int))]


def quiet_runs(rows: PanelRows, propellant: PropellantHistory, chain: Chain):
    """Rows between which nothing can have burnt, by propellant and throttle, or where neither was read by the coasts as found: (body, positions)."""
    arc_of = {row: arc.index for arc in chain.arcs if arc.kind == "coast" for row in arc.rows}
    run: list[int] = []
    for row in range(len(rows) + 1):
        if run and (row == len(rows) or not _goes_on(rows, propellant, arc_of, run[-1], row)):
            if len(run) >= _FEWEST_ROWS:
                yield str(rows.body[run[0]]), run
            run = []
        if row < len(rows) and not (rows.standing[row] or rows.in_air[row] or burning(rows, row)):
            run.append(row)


def _goes_on(rows: PanelRows, propellant: PropellantHistory, arc_of: dict[int, int], before: int, row: int) -> bool:
    if before != row - 1 or rows.body[row] != rows.body[before] or rows.standing[row] or rows.in_air[row] or burning(rows, row):
        return False
    if rows.says(before, "ignition", "liftoff") or rows.says(row, "cutoff"):
        return False
    stayed = steady(propellant, before, row)
    if stayed is None:
        return before in arc_of and arc_of.get(row) == arc_of[before]
    return stayed


def _candidates(runs: list[_Run], found: list[GaugeError]):
    told = {(error.kind, error.column) for error in found}
    read = np.sum([run.seen.present.sum(axis=0) for run in runs], axis=0) >= 6
    for channel in np.flatnonzero(read):
        name = CHANNELS[channel]
        if name in _TAKEN_FOR and ("name", name) not in told and not found:
            yield "name", channel
        for kind in ("zero", "lag"):
            if (kind, name) not in told:
                yield kind, channel


def _begun(seen: Observations) -> _Run | None:
    if len(seen) < _FEWEST_ROWS or seen.present.sum() < _FEWEST_VALUES:
        return None
    epoch = float(np.mean(seen.met))
    best = None
    for sense in (1.0, -1.0) if seen.present[:, SURFACE].any() else (1.0,):
        turned = dataclasses.replace(seen, rotation_sense=sense)
        for start in best_guesses(turned, epoch, turned.present, count=2, rows=8):
            run = _fitted(turned, epoch, start)
            if run is not None and (best is None or run.cost < best.cost):
                best = run
    return best


def _model(seen: Observations, epoch: float, state, kind: str, channel: int, value: float):
    """What the panel shows, (n, 6), its derivatives by state and by the error (n, 6, 4), and its rates (n, 6)."""
    states, to_state, motion = propagate_jacobian(seen.body.mu, state, seen.met - epoch)
    values, to_values = predict(seen, states)
    jacobian, rates = to_values @ to_state, np.einsum("ijk,ik->ij", to_values, motion)
    by_error = np.zeros_like(values)
    if kind == "zero":
        values = values.copy()
        values[:, channel] += value
        by_error[:, channel] = 1.0
    elif kind == "lag":
        later, to_later, moving = propagate_jacobian(seen.body.mu, state, seen.met - epoch + value)
        shown, to_shown = predict(seen, later)
        values, rates = values.copy(), rates.copy()
        values[:, channel], jacobian[:, channel] = shown[:, channel], (to_shown @ to_later)[:, channel]
        rates[:, channel] = by_error[:, channel] = np.einsum("ik,ik->i", to_shown[:, channel], moving)
    return values, np.concatenate([jacobian, by_error[:, :, None]], axis=2), rates


def _solved(seen: Observations, epoch: float, start, kind: str, channel: int, value: float, free: bool):
    """State (and error, where ``free``) by robust least squares: (x (4,), covariance of x, capped chi-square, readings used); None where it fails."""
    used = seen.present
    readings = np.where(used, seen.values, 0.0)
    outside = np.full(int(used.sum()), np.nan), np.zeros((int(used.sum()), 4 if free else 3))

    def function(x):
        if not (x[0] > 0 and x[2] > 0 and np.isfinite(x).all()):
            return outside
        values, jacobian, rates = _model(seen, epoch, x[:3], kind, channel, x[3] if free else value)
        whitening = Whitening.of(seen, rates, used)
        both = whitening(np.concatenate([np.where(used, np.nan_to_num(values) - readings, 0.0)[:, :, None], np.where(used[:, :, None], np.nan_to_num(jacobian), 0.0)], axis=2))[used]
        return both[:, 0], both[:, 1 : 5 if free else 4]

    first = [*start, value][: 4 if free else 3]
    try:
        # Huber's loss finds the valley, Tukey's leaves the slips out.
        rough = minimise(function, first, loss="huber", threshold=2.0, tolerance=1e-12, enough=1e-3, iterations=30)
        solution = minimise(function, rough.x, loss="tukey", threshold=6.0, tolerance=1e-12, enough=1e-4, iterations=30)
    except (ValueError, np.linalg.LinAlgError):
        return None
    x = np.append(solution.x, [] if free else [value])
    return x, solution.covariance, float(np.minimum(solution.residuals**2, _CAP).sum()), solution


def _fitted(seen: Observations, epoch: float, start) -> _Run | None:
    """From a start that outliers may have spoilt: Huber's loss would keep them, so the best of two robust tries."""
    done = _solved(seen, epoch, start, "", 0, 0.0, False)
    if done is None or not np.isfinite(done[0][:3]).all():
        return None
    return _Run(seen, epoch, done[0][:3], done[2], seen.present)


def _try(kind: str, channel: int, runs: list[_Run], rows: PanelRows) -> tuple[GaugeError, list[_Run]] | None:
    """An error of one gauge common to all coasts, and the coasts with it taken out; None where they don't demand it."""
    name = CHANNELS[channel]
    if kind == "name":
        return _renamed(name, channel, runs)
    values, sigmas, starts = [], [], []
    for run in runs:
        starts.append(([run.state], run.cost))
        if run.seen.present[:, channel].sum() < 3:
            continue
        start = _without(run, channel)
        done = _solved(run.seen, run.epoch, start, kind, channel, _guess(run, start, kind, channel), True)
        if done is None or not np.isfinite(done[1]).all():
            continue
        starts[-1] = ([run.state, done[0][:3]], min(run.cost, done[2]))
        values.append(done[0][3])
        sigmas.append(math.sqrt(done[1][3, 3]) * _repeats(run.seen.values[:, channel]))
    if not values:
        return None
    value, sigma = _common(np.array(values), np.array(sigmas))
    if not abs(value) > 5.0 * sigma:
        return None
    if sum(cost for _, cost in starts) > sum(run.cost for run in runs) - _DEMANDED:
        return None
    after, mended, told = [], 0, 0
    for run, (states, _) in zip(runs, starts, strict=True):
        taken_out = _taken_out(run, states, kind, channel, value)
        if taken_out is None:
            return None
        after.append(taken_out)
        visible = _visible(run, kind, channel, value)
        told += visible
        mended += visible and taken_out.cost < run.cost
    gain = sum(run.cost for run in runs) - sum(run.cost for run in after)
    if gain < _DEMANDED or not told or mended < _MENDED * told:
        return None
    return GaugeError(kind, name, value, sigma, gain=gain, coasts=told), after


def _without(run: _Run, channel: int) -> np.ndarray:
    """The state that fits all gauges but one."""
    values = run.seen.values.copy()
    values[:, channel] = np.nan
    others = dataclasses.replace(run.seen, values=values)
    if (others.present.sum(axis=0) > 0).sum() < 2:
        return run.state
    states = best_guesses(others, run.epoch, others.present, count=1, rows=8)
    done = [found for found in (_solved(others, run.epoch, state, "", 0, 0.0, False) for state in states) if found is not None]
    return min(done, key=lambda found: found[2])[0][:3] if done else run.state


def _guess(run: _Run, state: np.ndarray, kind: str, channel: int) -> float:
    """Where to begin: what the gauge shows too much by the coast as fitted without it, or how late that would be."""
    values, _, rates = _model(run.seen, run.epoch, state, "", 0, 0.0)
    off = run.seen.values[:, channel] - values[:, channel]
    if kind == "lag":
        with np.errstate(divide="ignore", invalid="ignore"):
            off = np.where(np.abs(rates[:, channel]) > 0.1 * np.abs(rates[:, channel]).max(), off / rates[:, channel], np.nan)
    known = off[np.isfinite(off)]
    return float(np.median(known)) if len(known) else 0.0


def _repeats(values: np.ndarray) -> float:
    """By how much readings that stand still say less than their number: while a gauge shows the same digits it repeats one rounding error."""
    shown = values[np.isfinite(values)]
    return math.sqrt(len(shown) / (1 + np.count_nonzero(np.diff(shown))))


def _common(values: np.ndarray, sigmas: np.ndarray) -> tuple[float, float]:
    """The value that most coasts agree on: weighted mean of those near the weighted median, its sigma widened where they scatter."""
    weights = 1.0 / np.square(sigmas)
    order = np.argsort(values)
    middle = values[order][np.searchsorted(np.cumsum(weights[order]), 0.5 * weights.sum())]
    near = np.abs(values - middle) < 5.0 * np.hypot(sigmas, 1.0 / math.sqrt(weights.sum()))
    mean = float(np.average(values[near], weights=weights[near]))
    spread = math.sqrt(1.0 / weights[near].sum())
    if near.sum() > 1:
        spread *= math.sqrt(max(1.0, float((weights[near] * (values[near] - mean) ** 2).sum()) / (near.sum() - 1)))
    return mean, spread


def _visible(run: _Run, kind: str, channel: int, value: float) -> bool:
    """Whether an error of that size shows on the gauge's digits in a coast."""
    read = run.seen.present[:, channel]
    if not read.any():
        return False
    if kind == "zero":
        change = np.full(int(read.sum()), abs(value))
    else:
        change = np.abs(_shift(run, kind, channel, value)[read])
    return bool(np.median(change / run.seen.sigmas[read, channel]) > _VISIBLE)


def _shift(run: _Run, kind: str, channel: int, value: float) -> np.ndarray:
    """How much the error adds to each reading of the gauge, (n,)."""
    plain = _model(run.seen, run.epoch, run.state, "", 0, 0.0)[0][:, channel]
    return _model(run.seen, run.epoch, run.state, kind, channel, value)[0][:, channel] - plain


def _taken_out(run: _Run, states: list[np.ndarray], kind: str, channel: int, value: float) -> _Run | None:
    """The coast with the error taken out of its readings, fitted from the best of some states."""
    if kind == "zero":
        shifted = run.seen.values.copy()
        shifted[:, channel] -= value
        states = [*states, *best_guesses(dataclasses.replace(run.seen, values=shifted), run.epoch, run.seen.present, count=1, rows=8)]
    tried = [found for found in (_solved(run.seen, run.epoch, state, kind, channel, value, False) for state in states) if found is not None]
    if not tried:
        return None
    done = min(tried, key=lambda found: found[2])
    settled = dataclasses.replace(run, state=done[0][:3])
    values = run.seen.values.copy()
    values[:, channel] -= _shift(settled, kind, channel, value)
    return _Run(dataclasses.replace(run.seen, values=values), run.epoch, done[0][:3], done[2], run.used)


def _renamed(name: str, channel: int, runs: list[_Run]) -> tuple[GaugeError, list[_Run]] | None:
    """The column as the speed in the other axes (and, where both were read, the two exchanged)."""
    other = CHANNELS.index(_TAKEN_FOR[name])
    after, told, mended = [], 0, 0
    for run in runs:
        values, sigmas = run.seen.values.copy(), run.seen.sigmas.copy()
        values[:, [channel, other]], sigmas[:, [channel, other]] = values[:, [other, channel]], sigmas[:, [other, channel]]
        over = np.isfinite(values[:, SURFACE]) & ~np.isfinite(values[:, SPEED])
        seen = Observations(run.seen.body, run.seen.positions, run.seen.met, run.seen.met_sigma, values, sigmas, over)
        renamed = _begun(seen)
        if renamed is None:
            return None
        after.append(renamed)
        turning = abs(run.seen.body.rotation_rate) * run.state[0]
        if turning > _VISIBLE * float(np.nanmedian(run.seen.sigmas[:, channel])):
            told += 1
            mended += renamed.cost < run.cost
    gain = sum(run.cost for run in runs) - sum(run.cost for run in after)
    if gain < _DEMANDED or not told or mended < told:
        return None
    return GaugeError("name", name, other=_TAKEN_FOR[name], gain=gain, coasts=told), after


def widened(arc: FittedArc, errors: tuple[GaugeError, ...]) -> FittedArc:
    """An arc whose covariance holds what the errors' own uncertainty, shared by all its readings, leaves open."""
    if arc.kind != "coast" or arc.fit is None or not arc.fit.determined:
        return arc
    extra = np.zeros((3, 3))
    for error in errors:
        if error.kind == "name" or not error.sigma:
            continue
        fit = arc.fit
        channel = CHANNELS.index(error.column)
        _, jacobian, rates = _model(fit.observations, fit.epoch, fit.state, error.kind, channel, 0.0)
        whitening = Whitening.of(fit.observations, rates, fit.used)
        both = whitening(np.where(fit.used[:, :, None], np.nan_to_num(jacobian), 0.0)).reshape(-1, 4)
        moved = fit.covariance @ (both[:, :3].T @ both[:, 3]) / fit.scale**2
        extra += np.outer(moved, moved) * error.sigma**2
    if not extra.any():
        return arc
    fit = dataclasses.replace(arc.fit, covariance=arc.fit.covariance + extra)
    return dataclasses.replace(arc, fit=fit, covariance=arc.covariance + extra)
