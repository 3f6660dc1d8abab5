"""The flight as a chain of arcs: the first partition mended by the orbits themselves.

Coasts that one orbit explains are joined, rows that a neighbouring orbit explains are given to it, a coast that no one
orbit explains is split. What lies between two arcs is a burn, a change of reference body, or flight through air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyser.fitting.arcs import FittedArc, ground_arc
from analyser.fitting.coast_fits import AGREES, CoastFits
from analyser.fitting.constancy import constancy
from analyser.fitting.orbit import CoastFit
from analyser.fitting.pairs import pair_misfit
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.segments import BREAK_COST, STEADY_COST, THROTTLE_OPEN, Stretch, burning, first_partition, steady, surely_coasting
from analyser.flight import World

_ENOUGH = 600  # rows of a coast among which the places of a split are sought


@dataclass(frozen=True)
class Chain:
    """Arcs in order and the rows between them: ``between[i]`` are those before arc i, ``between[-1]`` those after the last."""

    arcs: tuple[FittedArc, ...]
    between: tuple[tuple[int, ...], ...]
    air: frozenset[int]
    fits: dict[int, CoastFit]


def build_chain(table: pd.DataFrame, rows: PanelRows, propellant: PropellantHistory, world: World) -> Chain:
    """Find the arcs of a flight and fit them.

    Parameters
    ----------
    table : DataFrame
        Readings.table.
    rows, propellant : the same readings as arrays, and the sorted propellant gauge.
    world : World
    """
    fitter = CoastFits(table, rows, world)
    stretches = first_partition(rows, propellant, pair_misfit(rows, world))
    for _ in range(4):  # each pass can open the way for another; a few settle it
        before = [(stretch.kind, stretch.rows) for stretch in stretches]
        stretches = _merge(stretches, rows, propellant, fitter)
        stretches = _attach(stretches, rows, propellant, fitter)
        stretches = _split(stretches, rows, propellant, fitter)
        if [(stretch.kind, stretch.rows) for stretch in stretches] == before:
            break
    return _assemble(stretches, rows, world, fitter)


def _no_burn_between(first: Stretch, second: Stretch, middle: tuple[int, ...], rows: PanelRows, propellant: PropellantHistory) -> bool:
    """Whether nothing but the motion could speak for a burn between two coasts."""
    if any(burning(rows, row) for row in (*first.rows[-1:], *middle, *second.rows[:1])):
        return False
    known_before, known_after = propellant.known(first.rows), propellant.known(second.rows)
    if known_before and known_after and steady(propellant, known_before[-1], known_after[0]) is False:
        return False
    marks = any(rows.says(row, "ignition", "liftoff") for row in (first.rows[-1], *middle))
    return not (marks or any(rows.says(row, "cutoff") for row in (*middle, second.rows[0])))


def _merge(stretches: list[Stretch], rows: PanelRows, propellant: PropellantHistory, fitter: CoastFits) -> list[Stretch]:
    """Join neighbouring coasts (and what lies between) that one orbit explains."""
    done: list[Stretch] = []
    pending = list(stretches)
    while pending:
        current = pending.pop(0)
        partner = 0 if pending and pending[0].kind == "coast" else 1 if len(pending) > 1 and pending[0].kind == "powered" else None
        if current.kind == "coast" and partner is not None and pending[partner].kind == "coast" and pending[partner].body == current.body:
            following = pending[partner]
            middle = pending[0].rows if partner else ()
            if len(middle) <= 3 and _no_burn_between(current, following, middle, rows, propellant) and (
                _lone_and_steady(current, following, propellant) or _out_of_turn(current, following, propellant) or _may_be_one(current, following, fitter)
            ):
                joined = Stretch("coast", current.body, current.rows + middle + following.rows)
                apart = fitter.cost(current) + fitter.cost(following) + BREAK_COST * (1 + bool(middle))
                if _steady_across(current, following, propellant) or _out_of_turn(current, following, propellant):
                    apart += STEADY_COST
                if fitter.agree(current, following) or fitter.cost(joined) <= apart:
                    pending[: partner + 1] = []
                    pending.insert(0, joined)
                    continue
        done.append(current)
    return done


def _may_be_one(first: Stretch, second: Stretch, fitter: CoastFits) -> bool:
    """Whether the orbit of the better read of two coasts explains most of the other: cheap, before both are fitted as one."""
    better, other = (first, second) if len(first.rows) >= len(second.rows) else (second, first)
    fit = fitter.robust(better)
    if fit is None or not fit.determined:
        return True
    off = fitter.disagreement(fit, other.rows)
    return not len(off) or np.mean(off < 6.0) >= 0.5


def _lone_and_steady(first: Stretch, second: Stretch, propellant: PropellantHistory) -> bool:
    """Whether one of two coasts is a row or two and no propellant was used: several slips in one row, or a row repeated, look like an orbit of their own."""
    return min(len(first.rows), len(second.rows)) <= 2 and _steady_across(first, second, propellant)


def _out_of_turn(first: Stretch, second: Stretch, propellant: PropellantHistory) -> bool:
    """Whether one of two coasts is a single row whose propellant does not fall in with its neighbours': by a slip of the clock it stands where it does not belong."""
    lone = min(first.rows, second.rows, key=len)
    return len(lone) == 1 and lone[0] in propellant.set_aside


def _steady_across(first: Stretch, second: Stretch, propellant: PropellantHistory) -> bool:
    before, after = propellant.known(first.rows), propellant.known(second.rows)
    return bool(before and after and steady(propellant, before[-1], after[0]))


def _attach(stretches: list[Stretch], rows: PanelRows, propellant: PropellantHistory, fitter: CoastFits) -> list[Stretch]:
    """Give edge rows of powered stretches to the coast beside them where its orbit explains most of their values."""
    stretches = list(stretches)
    for position in range(len(stretches)):
        for side in (-1, 1):
            if stretches[position].kind != "powered":
                continue
            neighbour = position + side
            if not (0 <= neighbour < len(stretches)) or stretches[neighbour].kind != "coast" or stretches[neighbour].body != stretches[position].body:
                continue
            coast, powered = stretches[neighbour], stretches[position]
            fit = fitter.robust(coast)
            if fit is None or not fit.determined or len(coast.rows) < 2:
                continue
            taken: list[int] = []
            for row in powered.rows if side < 0 else reversed(powered.rows):
                if not _belongs(fitter, fit, row, coast, side, rows, propellant):
                    break
                taken.append(row)
            if taken:
                left = tuple(row for row in powered.rows if row not in taken)
                stretches[neighbour] = replace(coast, rows=tuple(sorted((*coast.rows, *taken))))
                stretches[position] = replace(powered, rows=left)
    return [stretch for stretch in stretches if stretch.rows]


def _belongs(fitter: CoastFits, fit: CoastFit, row: int, coast: Stretch, side: int, rows: PanelRows, propellant: PropellantHistory) -> bool:
    if burning(rows, row) or (rows.says(row, "cutoff") if side < 0 else rows.says(row, "ignition", "liftoff")):
        return False
    known = propellant.known(coast.rows)
    if known and math.isfinite(propellant.propellant[row]):
        edge = (known[-1], row) if side < 0 else (row, known[0])
        if steady(propellant, *edge) is False:
            return False
    off = fitter.disagreement(fit, (row,))
    good = int(np.sum(off < AGREES))
    if len(off) > 0 and good == len(off):
        return True
    # beside a burn a row that agrees in part was mostly taken under thrust; only where the gauges say that nothing burnt, or a simple slip explains it, is it a slip
    shut = rows.value["throttle"][row] <= THROTTLE_OPEN or propellant.stayed(row)
    return good >= 2 and good >= 0.6 * len(off) and (bool(shut) or fitter.slipped(fit, row))


def _split(stretches: list[Stretch], rows: PanelRows, propellant: PropellantHistory, fitter: CoastFits) -> list[Stretch]:
    """Split coasts that one orbit explains badly."""
    done: list[Stretch] = []
    pending = list(stretches)
    while pending:
        stretch = pending.pop(0)
        count = len(stretch.rows)
        whole = fitter.cost(stretch) if stretch.kind == "coast" and count > 3 else 0.0
        if whole <= BREAK_COST + 3 * count:
            done.append(stretch)
            continue
        best, where = math.inf, 0
        for cut in _likely_cuts(stretch, rows):
            parts = replace(stretch, rows=stretch.rows[:cut]), replace(stretch, rows=stretch.rows[cut:])
            price = sum(fitter.cost(part) for part in parts) + BREAK_COST + STEADY_COST * _steady_across(*parts, propellant)
            if price < best:
                best, where = price, cut
        if best < whole - 1.0:
            parts = stretch.rows[:where], stretch.rows[where:]
            lone = [len(part) == 1 and not surely_coasting(rows, part[0]) for part in parts]
            pending[:0] = [replace(stretch, kind="powered" if alone else "coast", rows=part) for part, alone in zip(parts, lone)]
        else:
            done.append(stretch)
    return done


def _likely_cuts(stretch: Stretch, rows: PanelRows) -> list[int]:
    """The places where a split is worth fitting both parts: those that leave energy and angular momentum most constant on either side."""
    # of very many rows some tell where as well as all
    step = max(1, len(stretch.rows) // _ENOUGH)
    some = stretch.rows[::step]
    every = range(1, len(some), max(1, len(some) // 60))
    price = {cut * step: constancy(rows, some[:cut]) + constancy(rows, some[cut:]) for cut in every}
    return sorted(price, key=price.get)[:3]


def _assemble(stretches: list[Stretch], rows: PanelRows, world: World, fitter: CoastFits) -> Chain:
    arcs: list[FittedArc] = []
    between: list[tuple[int, ...]] = []
    loose: list[int] = []
    air: set[int] = set()
    fits: dict[int, CoastFit] = {}
    for stretch in stretches:
        if stretch.kind == "air":
            air.update(stretch.rows)
        arc = _arc(len(arcs), stretch, rows, world, fitter, fits) if stretch.kind in ("coast", "landed") else None
        if arc is None:
            loose.extend(stretch.rows)
            continue
        between.append(tuple(loose))
        loose = []
        arcs.append(arc)
    between.append(tuple(loose))
    return Chain(tuple(arcs), tuple(between), frozenset(air), fits)


def _arc(index: int, stretch: Stretch, rows: PanelRows, world: World, fitter: CoastFits, fits: dict) -> FittedArc | None:
    body = world[stretch.body]
    met = rows.met[list(stretch.rows)]
    if stretch.kind == "landed":
        heights = rows.value["altitude"][list(stretch.rows)]
        known = np.isfinite(heights)
        height = float(np.median(heights[known])) if known.any() else 0.0
        sigma = float(np.nanmin(rows.sigma["altitude"][list(stretch.rows)])) if known.any() else 1000.0
        return ground_arc(index, body, stretch.rows, met, body.radius + height, sigma)
    fit = fitter.robust(stretch)
    if fit is None or not fit.determined or not np.all(np.isfinite(fit.covariance)):
        return None
    fits[index] = fit
    slipped = {item.position for item in fit.set_aside if item.column == "met"}
    clocked = tuple(row for row in stretch.rows if row not in slipped) or stretch.rows
    # a slipped clock that one simple slip explains still bounds the arc, at the time that was meant
    mended = {item.position for item in fit.set_aside if item.column == "met" and item.suggestion}
    counted = mended.union(clocked)
    times = [float(met) for met, row in zip(fit.observations.met, fit.observations.positions) if int(row) in counted]
    start, end = (min(times), max(times)) if times else (float(met[0]), float(met[-1]))
    return FittedArc(
        index, "coast", body, stretch.rows, start, end, fit.epoch, fit.state, fit.covariance, clocked, fit,
        remarks=tuple(fit.remarks),
    )  # fmt: skip
