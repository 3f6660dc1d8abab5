"""Landings on the engine without air as flown, against the least that this craft can do, against impulses, and moment by moment against full thrust begun
as late as it still stops.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Descent, DescentMoment, Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.braking_heights import braking_heights, constant_rate_delta_v
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Engine, engine_of
from analyser.fitting.flown_cost import leg_of, spent_together
from analyser.fitting.letting_down import let_down
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.transfer import apsides


def find_descents(
    arcs: list[FittedArc], audited: list[AuditedBurn], legs, rows: PanelRows, propellant: PropellantHistory, memory: PoweredMemory | None = None
) -> tuple[Descent, ...]:
    """The landings on the engine about bodies without air; parameters as :func:`analyser.fitting.ascents.find_ascents`, whose ``memory`` holds landings too."""
    memory = memory or PoweredMemory()
    return tuple(
        _descent(number, arcs, audited, legs, rows, propellant, memory)
        for number, item in enumerate(audited)
        if item.burn.kind == "landing" and arcs[item.burn.after].body.air_top <= 0 and arcs[item.burn.before].body.name == arcs[item.burn.after].body.name
    )


def _descent(number: int, arcs, audited, legs, rows, propellant, memory) -> Descent:
    item = audited[number]
    ground, body = arcs[item.burn.after], arcs[item.burn.after].body
    first = _first(number, arcs, audited)
    burns = tuple(range(first, number + 1))
    orbit = arcs[audited[first].burn.before]
    leg, cost = leg_of(number, legs), spent_together(burns, audited)
    engine = engine_of(audited[first], propellant.craft, rows)
    reason = _unjudged(orbit, engine, cost)
    best = bound = math.nan
    if not reason:
        solved = memory.exactly("descent", body, float(ground.state[0]), (orbit.energy, orbit.momentum), engine.mass, engine.thrust, engine.exhaust_speed)
        best, bound, reason = solved.delta_v, solved.bound, solved.reason
    waste = Estimate.of(cost.value - best, cost.sigma, "m/s") if math.isfinite(best) else Estimate.unknown("m/s", reason)
    own = engine_of(item, propellant.craft, rows)
    low = let_down(item, ground, own, rows, memory) if own is not None else None
    slow = low is not None and math.isfinite(low.height) and low.time > 0
    rate = low.height / low.time if slow else math.nan
    return Descent(
        body=body.name, leg=leg.name if leg else "", burns=burns, orbit=audited[first].burn.before, cost=cost, best=best, bound=bound, waste=waste,
        slow_height=low.height if slow else math.nan, slow_time=low.time if slow else math.nan,
        slow_at_rate=constant_rate_delta_v(body.mu, float(ground.state[0]), low.height, rate) if slow else math.nan,
        slow_least=low.least if slow else math.nan, moments=_moments(item, arcs, rows, propellant, engine), reason=reason,
    )  # fmt: skip


def _first(number: int, arcs, audited) -> int:
    """The burn that left the last orbit clear of the ground: landings brake in several burns, and fall in between."""
    while number and audited[number - 1].burn.after == audited[number].burn.before and audited[number - 1].burn.kind == "orbit":
        fall = arcs[audited[number].burn.before]
        body = arcs[audited[number - 1].burn.before].body
        if fall.kind != "coast" or fall.body.name != body.name or arcs[audited[number - 1].burn.before].kind != "coast" or _clear(fall):
            break
        number -= 1
    return number


def _clear(arc: FittedArc) -> bool:
    """Whether a coast stays above the ground."""
    return float(apsides(arc.body.mu, arc.energy, arc.momentum)[0]) > arc.body.radius


def _unjudged(orbit: FittedArc, engine: Engine | None, cost: Estimate) -> str:
    if not cost.known:
        return cost.reason
    if orbit.kind != "coast":
        return "no orbit was read before it"
    if engine is None or not engine.mass > 1.0:
        return "the craft file, or a propellant reading, is missing: thrust and mass are unknown"
    return ""


def _moments(item: AuditedBurn, arcs, rows: PanelRows, propellant: PropellantHistory, engine: Engine | None) -> tuple[DescentMoment, ...]:
    """Ignition, and each reading of the braking: how high, how fast, and how late full thrust could have begun from there."""
    before, ground = arcs[item.burn.before], arcs[item.burn.after]
    if engine is None or not engine.mass > 1.0 or before.kind != "coast":
        return ()
    body, floor = ground.body, float(ground.state[0])
    ignition, cutoff = item.times.ignition.value, item.times.cutoff.value
    read = [row for row in item.burn.rows if ignition < rows.met[row] < cutoff and math.isfinite(rows.radius[row] + rows.vertical[row] + rows.speed[row])]
    across = np.sqrt(np.maximum(rows.speed[read] ** 2 - rows.vertical[read] ** 2, 0.0))
    start = [float(part) for part in before.at(ignition)]
    met = np.array([ignition, *rows.met[read]])
    state = np.array([[start[0], *rows.radius[read]], [start[1], *rows.vertical[read]], [abs(start[2]), *across]])
    mass = _masses(item, met, read, propellant)
    told = braking_heights(body.mu, floor, state, engine.thrust, engine.exhaust_speed, mass, body.rotation_rate)
    over = np.hypot(state[1], state[2] - body.rotation_rate * state[0])
    return tuple(
        DescentMoment(float(met[k]), float(state[0, k] - floor), float(over[k]), float(-state[1, k]), float(told.spare[k]) if math.isfinite(told.spare[k]) else math.nan,
                      float(told.wait[k]), float(told.height[k]))
        for k in range(len(met)) if state[0, k] > floor
    )  # fmt: skip


def _masses(item: AuditedBurn, met: np.ndarray, read: list[int], propellant: PropellantHistory) -> np.ndarray:
    """Mass at ignition and at each row, kg: as read, else drawn straight between what was."""
    known = [(item.times.ignition.value, item.mass_before), (item.times.cutoff.value, item.mass_after)]
    known += [(float(met[1 + place]), propellant.mass(row)) for place, row in enumerate(read) if math.isfinite(propellant.mass(row))]
    known.sort()
    return np.interp(met, [moment for moment, _ in known], [mass for _, mass in known])
