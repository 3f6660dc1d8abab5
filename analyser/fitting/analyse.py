"""From readings to findings: the whole of the fitting stage, in order."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np

from analyser.findings import BestReading, Burn, Estimate, Findings, IdealPlan, Landing, Transition
from analyser.fitting.advice import advise
from analyser.fitting.arcs import FittedArc
from analyser.fitting.ascents import find_ascents
from analyser.fitting.aside import as_read, screened, set_aside_readings
from analyser.fitting.bought import with_worth
from analyser.fitting.burns import AuditedBurn, audit_burn
from analyser.fitting.chain import Chain
from analyser.fitting.descents import find_descents
from analyser.fitting.entries import find_entries
from analyser.fitting.gauge_errors import widened
from analyser.fitting.ideal import plan_mission
from analyser.fitting.joint import Gap, Joint, refine
from analyser.fitting.landings import liftoff, touchdown
from analyser.fitting.out_of_turn import retold
from analyser.fitting.planes import lay, plane_remarks, settle, turned_by_burn
from analyser.fitting.margins import margins_over_time
from analyser.fitting.legs import audit_leg, goal_served, leg_spans, sum_legs
from analyser.fitting.intervals import describe
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.next_reading import best_next_reading
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.tracks import fit_table, sample_track
from analyser.fitting.understood import understand
from analyser.flight import Flight

CAUTION = (
    "For simulated flight and training only: not for navigating or operating real craft, "
    "which is for licensed crews, approved procedures and local rules."
)
_TURNED = 4.0  # standard deviations beyond which two planes differ


def fit_flight(flight: Flight, joined: bool = True, judged: bool = True) -> Findings:
    """Reconstruct a flight from its readings.

    Finds the coasts and the burns between them, fits an orbit to each coast, audits every burn and every leg of the
    plan, and says what could not be known.

    Parameters
    ----------
    flight : Flight
        World, readings, and where there are any craft and plan. Nothing is read from disk.
    joined : bool
        Whether the coasts are joined by the burns between them to one estimate; otherwise each stands on its own readings.
    judged : bool
        Whether what was flown is held against the plan and the least that was needed; otherwise the findings hold the arcs, the burns and the changes of body alone, at a
        fraction of the cost.

    Returns
    -------
    Findings
        Complete: quantities that the readings don't determine are nan with a reason.

    Notes
    -----
    Two-body motion about one body at a time (patched conics), in the plane of the orbit: altitude, speed and vertical
    speed show nothing else. Where latitude and longitude were read, each coast's plane is found too, and burns are
    audited in space. Drag acts only below the top of the air, where no orbit is fitted.
    """
    table, world, craft = flight.readings.table, flight.world, flight.craft
    remarks = list(flight.readings.remarks)
    memory = PoweredMemory()
    ideal = _ideal(flight, remarks, memory) if judged else None
    if not len(table):
        remarks.append("no readings: nothing could be fitted")
        return _empty(ideal, remarks)
    written, known = flight, understand(flight)
    flight, rows, propellant, chain, gauge_errors = known.flight, known.rows, known.propellant, known.chain, known.gauge_errors
    table = flight.readings.table
    remarks += known.taken
    underway = [*known.misplaced, *screened(chain, rows, flight)]
    laid, planes = lay(chain, table)
    joint = refine(laid, _gaps(chain, laid, rows, propellant, known.open_at) if joined else [], rows, propellant, world)
    arcs = [_described(widened(arc, gauge_errors) if gauge_errors else arc) for arc in joint.arcs]
    settle(arcs, planes)
    remarks += joint.remarks
    spans = leg_spans(flight.plan, world, arcs) if flight.plan is not None else []
    audited, transitions = _links(chain, arcs, rows, propellant, joint, spans)
    transitions = tuple(sorted([*transitions, *_stagings(propellant, rows)], key=lambda item: item.met.value))
    public = tuple(arc.to_arc() for arc in arcs)
    if not judged:
        return replace(_empty(None, remarks), arcs=public, burns=tuple(item.burn for item in audited), transitions=transitions)
    landings = _landings(chain, arcs, rows, propellant)
    flown = [audit_leg(span, world, craft, arcs, audited, ideal) for span in spans]
    legs = tuple(leg.audit for leg in flown)
    burns = tuple(_named(item.burn, number, legs) for number, item in enumerate(audited))
    set_aside = retold(table, as_read(set_aside_readings(chain, rows, propellant, flight, underway, planes), written, known.turned))
    remarks += _unknowns(flight, chain, arcs, rows) + plane_remarks(table, arcs, planes)
    climbs = find_ascents(arcs, audited, legs, rows, propellant, memory)
    findings = Findings(
        arcs=public, burns=burns, legs=legs, transitions=transitions,
        landings=landings, set_aside=set_aside, advice=(), remarks=tuple(dict.fromkeys(remarks)), ideal=ideal,
        track=sample_track(arcs, audited, rows), fit=fit_table(chain, table, rows, set_aside),
        entries=find_entries(arcs, chain.between, rows, audited, propellant, landings), ascents=tuple(climb.ascent for climb in climbs),
        descents=find_descents(arcs, audited, legs, rows, propellant, memory), sums=sum_legs(flown),
        taken=(*written.readings.remarks, *known.taken),
    )  # fmt: skip
    findings = replace(findings, legs=with_worth(legs, findings, audited, world))
    margins = cache(lambda: margins_over_time(flight, findings, memory))
    advice = advise(findings, arcs, audited, craft, rows, memory, climbs, world, margins)
    return replace(findings, advice=advice, margins=margins())


def _ideal(flight: Flight, remarks: list[str], memory: PoweredMemory) -> IdealPlan | None:
    if flight.plan is None:
        remarks.append("no plan was given: burns are audited, but there are no legs to hold them against")
        return None
    # what the plan is held to, not to be flown any more: no numerical check
    return plan_mission(flight.plan, flight.world, flight.craft, memory=memory, check=False)


def _empty(ideal, remarks) -> Findings:
    import pandas as pd

    return Findings((), (), (), (), (), (), (), tuple(remarks), ideal, pd.DataFrame(), pd.DataFrame())


def _described(arc: FittedArc) -> FittedArc:
    if arc.kind == "coast":
        # in place: samples drawn together with those of other arcs stay with it
        object.__setattr__(arc, "estimates", describe(arc.fit, arc.body))
        best = best_next_reading(arc.fit)
        object.__setattr__(arc, "next_reading", BestReading(best.column, best.met, best.sigma, best.before, best.after, str(best)))
        object.__setattr__(arc, "remarks", (*arc.remarks, str(best)))
    return arc


def _gaps(chain: Chain, arcs: list[FittedArc], rows: PanelRows, propellant: PropellantHistory, open_at: frozenset[int]) -> list[Gap]:
    """The burns that join two coasts about one body or a coast and the ground, and the unpowered changes of body between two coasts.

    Nothing joins what an unknown time lies between (``open_at``)."""
    found = []
    for first, second in zip(arcs, arcs[1:]):
        inside = chain.between[second.index]
        if any(row in chain.air for row in inside) or first.kind == second.kind == "landed":
            continue
        if any(first.rows[-1] < row <= second.rows[0] for row in open_at):
            continue
        if "landed" in (first.kind, second.kind):
            if first.body.name == second.body.name:
                found.append(Gap(first.index, second.index, inside, _propellant_edges(first, second, inside, propellant)))
            continue
        edges = _propellant_edges(first, second, inside, propellant)
        if _burnt(first, second, inside, edges, chain, rows, propellant) == (first.body.name == second.body.name):
            turned = first.body.name == second.body.name and turned_by_burn(first, second) > _TURNED
            found.append(Gap(first.index, second.index, inside, edges, turned))
    return found


def _links(chain: Chain, arcs: list[FittedArc], rows: PanelRows, propellant: PropellantHistory, joint: Joint, spans=()):
    """What joins each arc to the next: a burn, or a change of body, or a fall through air (or both)."""
    audited: list[AuditedBurn] = []
    transitions: list[Transition] = []
    for first, second in zip(arcs, arcs[1:]):
        inside = chain.between[second.index]
        edges = _propellant_edges(first, second, inside, propellant)
        if first.body.name != second.body.name:
            transitions.append(_change_of_body(first, second, rows, inside))
        if _burnt(first, second, inside, edges, chain, rows, propellant):
            audited.append(audit_burn(first, second, inside, rows, propellant, edges, goal_served(spans, first.index, second.index), joint.burns.get(second.index)))
    return audited, transitions


def _propellant_edges(first, second, inside, propellant: PropellantHistory):
    """Rows whose propellant reading holds just before and just after what lies between two arcs."""
    before, after = propellant.known(first.rows), propellant.known(second.rows)
    return (before[-1] if before else None), (after[0] if after else None)


def _burnt(first, second, inside, edges, chain: Chain, rows: PanelRows, propellant: PropellantHistory) -> bool:
    """Whether there was a burn between two arcs."""
    throttled = any(rows.value["throttle"][row] > 0.005 for row in inside)
    if None not in edges:
        fell = propellant.fell(*edges)
        if fell > 3.5:
            return True
        if math.isfinite(fell) and not throttled:
            return first.body.name == second.body.name and first.kind == second.kind == "coast" and not any(row in chain.air for row in inside)
    if throttled or any(rows.says(row, "ignition", "liftoff") for row in (first.rows[-1], *inside)):
        return True
    if first.body.name != second.body.name or (inside and all(row in chain.air for row in inside)):
        return False
    return True


def _change_of_body(first: FittedArc, second: FittedArc, rows: PanelRows, inside) -> Transition:
    """Where the craft crossed the edge of a sphere of influence, between the last reading about one body and the first about the next."""
    low, high = first.end, second.start
    moon = second if second.body.parent == first.body.name else first
    reach = moon.body.sphere_of_influence
    met = Estimate((low + high) / 2, (high - low) / math.sqrt(12), low, high, "s")
    if math.isfinite(reach) and moon.kind == "coast":
        grid = np.linspace(low - 1.0, high + 1.0, 257)
        crossing = np.array([_crossing(grid, radius, reach) for radius in moon.sampled_radii(grid)])
        best = _crossing(grid, np.asarray(moon.at(grid)[0]), reach)
        good = crossing[np.isfinite(crossing)]
        if math.isfinite(best) and len(good) > 0.9 * len(crossing):
            spread = max(float(np.std(good)), 0.5)
            met = Estimate(best, spread, max(best - 1.96 * spread, low), min(best + 1.96 * spread, high), "s")
    return Transition(met, "sphere of influence", first.body.name, second.body.name, "the altimeter's reference changed")


def _crossing(grid: np.ndarray, radius: np.ndarray, reach: float) -> float:
    sign = np.sign(radius - reach)
    change = np.flatnonzero(sign[1:] * sign[:-1] <= 0)
    if not len(change):
        return math.nan
    k = int(change[0])
    part = (reach - radius[k]) / (radius[k + 1] - radius[k]) if radius[k + 1] != radius[k] else 0.5
    return float(grid[k] + part * (grid[k + 1] - grid[k]))


def _stagings(propellant: PropellantHistory, rows: PanelRows) -> list[Transition]:
    found = []
    for before, after, old, new in propellant.stagings:
        low, high = float(rows.met[before]), float(rows.met[after])
        stages = propellant.craft.stages
        found.append(Transition(Estimate((low + high) / 2, (high - low) / math.sqrt(12), low, high, "s"), "staging", stages[old].name, stages[new].name))
    return found


def _landings(chain: Chain, arcs: list[FittedArc], rows: PanelRows, propellant: PropellantHistory) -> tuple[Landing, ...]:
    found: list[Landing] = []
    for arc in arcs:
        if arc.kind != "landed":
            continue
        descent = (arcs[arc.index - 1].rows if arc.index else ()) + chain.between[arc.index]
        if any(not rows.standing[row] for row in descent):
            found.append(touchdown(arc, descent, rows, propellant, _thrust_to_mass(descent, propellant)))
        if arc.index < len(arcs) - 1:
            found.append(liftoff(arc, chain.between[arc.index + 1] + arcs[arc.index + 1].rows, rows, propellant))
    return tuple(found)


def _thrust_to_mass(descent, propellant: PropellantHistory) -> float:
    known = propellant.known(descent)
    if not known or propellant.firing(known[-1]) is None:
        return math.nan
    return propellant.firing(known[-1]).thrust / propellant.mass(known[-1])


def _named(burn: Burn, number: int, legs) -> Burn:
    owner = next((leg.name for leg in legs if number in leg.burns), "")
    return replace(burn, leg=owner)


def _unknowns(flight: Flight, chain: Chain, arcs: list[FittedArc], rows: PanelRows) -> list[str]:
    """What could not be known, in words."""
    found = []
    if flight.craft is None:
        found.append("no craft file: masses are unknown, so propellant can't be turned into speed")
    for number, arc in enumerate(arcs):
        if arc.kind == "coast" and len(arc.rows) == 1:
            found.append(f"the orbit at MET {arc.start:.0f} s about {arc.body.name} rests on one reading: a slip in it would not show")
    lost = [row for part in chain.between for row in part if not rows.in_air[row]]
    if not arcs:
        found.append("no coast could be fitted: at least altitude, speed and vertical speed of one moment, or several moments of a coast, are needed")
    elif lost and len(lost) > len(rows) / 2:
        found.append("most readings belong to no coast")
    return found


__all__ = ["CAUTION", "fit_flight"]
