"""What the tanks still allow as a flight goes on: the rest of the plan at its least, from each orbit flown, against the propellant then.

The rest is planned as :func:`analyser.fitting.ideal.plan_mission` plans a whole flight, from the orbit that the readings show and the propellant that
the gauge shows. The legs still to fly are those after the last leg whose goal was reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.errors import InputError
from analyser.findings import Arc, Estimate, Findings, IdealPlan, Margin
from analyser.fitting.ideal import Place, Rest as Least, Tanks, plan_mission
from analyser.fitting.legs import leg_spans
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.propellant import PropellantHistory, propellant_history
from analyser.flight import Body, Craft, Flight, Plan, World
from analyser.units import format_met

NO_CRAFT = "no craft file: what the propellant is worth is not known"


@dataclass(frozen=True)
class Rest:
    """A flight planned anew from one of its moments.

    Attributes
    ----------
    met : float
        The moment, s.
    arc : int
        Index of the arc it lies on.
    plan : Plan
        The legs that were still to fly.
    ideal : IdealPlan
        Their least; its ``margin`` is the propellant left at the end, kg, negative where it was not enough.
    margin : Margin
        Delta-v in the tanks, needed, and what is left, with intervals.
    """

    met: float
    arc: int
    plan: Plan
    ideal: IdealPlan
    margin: Margin


@dataclass(frozen=True)
class _Shape:
    """An arc as :func:`analyser.fitting.legs.leg_spans` looks at it."""

    kind: str
    body: Body
    energy: float
    momentum: float
    estimates: dict[str, Estimate]


def replan(flight: Flight, findings: Findings, met: float) -> Rest:
    """Plan the rest of a flown flight from a moment of it.

    Parameters
    ----------
    flight : Flight
        With a plan and a craft.
    findings : Findings
        Of :func:`analyser.fitting.fit_flight` for it.
    met : float
        The moment, s.

    Returns
    -------
    Rest

    Raises
    ------
    InputError
        No plan or craft, no orbit at that moment (outside the flight, in a burn, in the air), no propellant reading, or nothing left to fly.

    Notes
    -----
    As in every ideal leg the place on the orbit is free: a craft that has just passed the periapsis where a burn is cheapest waits for the next.
    """
    if flight.plan is None:
        raise InputError("the flight names no plan, so there is no rest of it to fly. add plan = \"...\" to its flight.toml", flight.folder)
    if flight.craft is None or not flight.craft.stages:
        raise InputError(f"{NO_CRAFT}. add craft = \"...\" to its flight.toml", flight.folder)
    index = arc_at(findings, met)
    history = propellant_history(flight.readings.table, flight.craft)
    tanks, spread = _tanks(findings, history, flight.craft, index)
    if math.isnan(tanks.propellant):
        raise InputError(f"no propellant was read between the burns around MET {format_met(met)}, so what was left then is not known", flight.folder)
    rest = replace(flight.plan, legs=flight.plan.legs[_done(flight.plan, flight.world, findings.arcs)[index] :])
    if not rest.legs:
        raise InputError(f"every leg of the plan was flown by MET {format_met(met)}: nothing is left to plan", flight.folder)
    place = _place(findings.arcs[index], flight.world, met)
    ideal = plan_mission(rest, flight.world, flight.craft, start=place, departure=met, tanks=tanks)
    margin = _margin(findings, flight.world, index, met, rest, tanks, spread, ideal.delta_v)
    return Rest(met, index, rest, ideal, margin)


def arc_at(findings: Findings, met: float) -> int:
    """Index of the arc on which a flight was at ``met`` (s).

    Raises
    ------
    InputError
        Outside the flight, during a burn, or in the air between two arcs.
    """
    arcs = findings.arcs
    if not arcs:
        raise InputError("no orbit could be fitted to this flight's readings, so nothing can be planned from it")
    first = min([arcs[0].start, *(burn.ignition.value for burn in findings.burns if burn.ignition.known)])
    last = max([arcs[-1].end, *(burn.cutoff.value for burn in findings.burns if burn.cutoff.known)])
    if not first <= met <= last:
        raise InputError(f"MET {format_met(met)} is outside the flight, whose readings tell it from {format_met(first)} to {format_met(last)}")
    for number, burn in enumerate(findings.burns, 1):
        if burn.ignition.known and burn.cutoff.known and burn.ignition.value < met < burn.cutoff.value:
            raise InputError(
                f"MET {format_met(met)} is in burn {number}, which lasted from {format_met(burn.ignition.value)} to {format_met(burn.cutoff.value)}; "
                "name a moment before or after it"
            )
    for index, arc in enumerate(arcs):
        if arc.start <= met <= arc.end:
            return index
    after = next((index for index, arc in enumerate(arcs) if arc.start > met), len(arcs))
    before = after - 1
    if before < 0:
        return 0
    if after == len(arcs):
        return before
    joined = [burn for burn in findings.burns if burn.before == before and burn.after == after]
    if joined:
        return before if met <= joined[0].ignition.value else after
    if arcs[before].body == arcs[after].body:
        raise InputError(
            f"at MET {format_met(met)} the craft was on no orbit: between {format_met(arcs[before].end)} and {format_met(arcs[after].start)} "
            "there was air or ground; name a moment before or after"
        )
    crossing = next((t.met.value for t in findings.transitions if t.kind == "sphere of influence" and arcs[before].end <= t.met.value <= arcs[after].start), met)
    return before if met <= crossing else after


def margins_over_time(flight: Flight, findings: Findings, memory: PoweredMemory | None = None) -> tuple[Margin, ...]:
    """The margin at the start and after each burn: delta-v in the tanks less the least that the rest of the plan would have cost.

    Parameters
    ----------
    flight, findings : Flight, Findings
    memory : PoweredMemory, optional
        Landings and lift-offs solved already, for the flight's ideal plan say.

    Returns
    -------
    tuple of Margin
        In order of time; empty without plan or craft. Legs that begin in the ideal end of the leg before are reckoned once, landings and lift-offs carried
        over from one mass to another (:mod:`analyser.fitting.powered_memory`).
    """
    plan, craft, world = flight.plan, flight.craft, flight.world
    if plan is None or craft is None or not craft.stages or not findings.arcs:
        return ()
    history = propellant_history(flight.readings.table, craft)
    done = _done(plan, world, findings.arcs)
    rest = Least(world, memory or PoweredMemory())
    found, reached = [], 0
    for index in _moments(findings):
        arc = findings.arcs[index]
        tanks, spread = _tanks(findings, history, craft, index)
        legs, place = plan.legs[done[index] :], _place(arc, world, arc.start)
        (needed, doubt), slack = rest.least(legs, place, tanks), 0.0
        if not place.landed and done[index] > reached:
            # a goal counts as reached when it was come near to: to meet it in full first may cost more
            full, _ = rest.least(plan.legs[done[index] - 1 :], place, tanks)
            slack = max(full - needed, 0.0) if math.isfinite(full) else 0.0
        reached = done[index]
        margin = _margin(findings, world, index, arc.start, replace(plan, legs=legs), tanks, spread, needed)
        found.append(replace(margin, doubt=doubt, goal_slack=slack))
    return tuple(found)


def _moments(findings: Findings) -> list[int]:
    """Arcs that begin the flight or follow a burn."""
    after = {burn.after for burn in findings.burns if burn.after is not None}
    return [index for index in range(len(findings.arcs)) if index == 0 or index in after]


def _done(plan: Plan, world: World, arcs: tuple[Arc, ...]) -> list[int]:
    """For each arc how many legs of the plan were done when it began."""
    shapes = [_Shape(arc.kind, world[arc.body], *_orbit(arc, world), {"inclination": arc.inclination}) for arc in arcs]
    spans = leg_spans(plan, world, shapes)
    return [max((number + 1 for number, span in enumerate(spans) if span.reached and span.last <= index), default=0) for index in range(len(arcs))]


def _orbit(arc: Arc, world: World) -> tuple[float, float]:
    radius, radial, transverse = (float(part) for part in arc.state)
    return (radial**2 + transverse**2) / 2 - world[arc.body].mu / radius, radius * transverse


def _place(arc: Arc, world: World, met: float) -> Place:
    if arc.kind == "landed":
        return Place.on(world[arc.body], met)
    angles = (angle.value if angle.known else math.nan for angle in (arc.inclination, arc.ascending_node_longitude, arc.argument_of_periapsis))
    return Place(arc.body, *_orbit(arc, world), False, met, *angles)


def _tanks(findings: Findings, history: PropellantHistory, craft: Craft, index: int) -> tuple[Tanks, float]:
    """The tanks on an arc and the standard deviation of the propellant, kg: read anywhere between the burns around it."""
    burnt = {burn.after for burn in findings.burns}
    first, last = index, index
    while first > 0 and first not in burnt:
        first -= 1
    while last + 1 < len(findings.arcs) and last + 1 not in burnt:
        last += 1
    rows = [row for arc in findings.arcs[first : last + 1] for row in arc.rows]
    known = history.known(rows)
    if not known:
        return Tanks(craft, 0, math.nan), math.nan
    best = min(known, key=lambda row: history.sigma[row])
    stage = max(int(history.stage[best]), 0)
    return Tanks(craft, stage, float(history.propellant[best])), float(history.sigma[best])


def _margin(findings: Findings, world: World, index: int, met: float, rest: Plan, tanks: Tanks, spread: float, needed: float) -> Margin:
    """Put a moment's figures together.

    The interval of what is needed is of first order: an error of the orbit's energy costs that error over the speed where speed buys most.
    """
    arc = findings.arcs[index]
    number = next((place for place, burn in enumerate(findings.burns) if burn.after == index), None)
    held = tanks.delta_v
    why = next((reason for bad, reason in ((math.isnan(tanks.propellant), "no propellant was read between the burns around it"),
                                           (math.isnan(held), tanks.missing or "the craft's masses are not known")) if bad), "")  # fmt: skip
    slope = tanks.exhaust_speed / tanks.mass if not why else math.nan
    available = Estimate.unknown("m/s", why) if why else Estimate.of(held, slope * spread, "m/s")
    cost = Estimate.unknown("m/s", "the rest of the plan has no ideal from this orbit") if math.isnan(needed) else Estimate.of(needed, _energy_cost(arc, world, rest), "m/s")
    if why or not cost.known:
        left = Estimate.unknown("m/s", why or cost.reason)
    else:
        left = Estimate.of(held - needed, math.hypot(available.sigma, cost.sigma), "m/s")
    mass = Estimate.unknown("kg", why) if math.isnan(tanks.propellant) else Estimate.of(tanks.remaining, spread, "kg")
    return Margin(met, index, number, arc.body, tuple(leg.name for leg in rest.legs), mass, available, cost, left)


def _energy_cost(arc: Arc, world: World, rest: Plan) -> float:
    if not rest.legs or arc.kind == "landed" or arc.covariance is None or arc.state is None:
        return 0.0
    from analyser.fitting.transfer import apsides

    body = world[arc.body]
    radius, radial, transverse = (float(part) for part in arc.state)
    energy, momentum = _orbit(arc, world)
    slope = np.array([body.mu / radius**2, radial, transverse])
    sigma = math.sqrt(max(float(slope @ arc.covariance @ slope), 0.0))
    low = max(float(apsides(body.mu, energy, momentum)[0]), body.radius)
    return sigma / math.sqrt(2 * (energy + body.mu / low))
