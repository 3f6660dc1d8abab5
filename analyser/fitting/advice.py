"""What to do otherwise next time: every waste of some size turned into one sentence, with its number and its place.

The causes are found burn by burn (:mod:`analyser.fitting.burn_faults`, :mod:`analyser.fitting.ground_faults`) and leg by leg
(:mod:`analyser.fitting.detours`). No sentence below 3 m/s or within what is not known; the costs told of a leg never add up to more than its waste.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from analyser.findings import Advice, Estimate, Findings, LegAudit, Margin
from analyser.fitting.arcs import FittedArc
from analyser.fitting.ascents import FlownAscent
from analyser.fitting.bought import margin_left, worth_of
from analyser.fitting.burn_faults import burn_faults
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.detours import courses, detours
from analyser.fitting.faults import Course, Fault, span
from analyser.fitting.flown_again import cost_of_detour
from analyser.fitting.ground_faults import landing_faults, liftoff_faults, stopped_high
from analyser.fitting.late_braking import late_braking
from analyser.fitting.launch_faults import launch_faults
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.powered_memory import PoweredMemory
from analyser.flight import Craft, World

_DEAR = 25.0  # m/s: from here on it is told what the waste would have bought


def advise(
    findings: Findings, arcs: list[FittedArc], audited: list[AuditedBurn], craft: Craft | None, rows: PanelRows | None = None,
    memory: PoweredMemory | None = None, climbs: Sequence[FlownAscent] = (), world: World | None = None,
    margins: Callable[[], tuple[Margin, ...]] = tuple,
) -> tuple[Advice, ...]:
    """Sentences on the wastes of a flight, dearest first; a waste within its own uncertainty gets none.

    Parameters
    ----------
    findings : Findings
        With legs; its own advice and margins are not looked at.
    arcs, audited : the fitted arcs and the audited burns.
    craft : Craft or None
    rows : PanelRows, optional
        The readings: without them throttle and hovering can't be told.
    memory : PoweredMemory, optional
        Landings and lift-offs solved already, for the flight's ideal plan say: neighbouring ones are solved sooner.
    climbs : sequence of FlownAscent
        The launches through air among the burns, judged as a whole.
    world : World, optional
        Without it the sentences do not tell what a waste would have bought.
    margins : callable
        Gives the margin over time. Asked once every fault is found: that leaves landings solved in ``memory`` that the margin is carried over from.
    """
    memory = memory or PoweredMemory()
    # speed left at the ground was missing, not wasted: it stands beside the legs' wastes, and says how that landing was braked
    hard = [late_braking(number, audited, arcs, craft, rows, findings.landings) for number, item in enumerate(audited) if item.burn.kind == "landing"]
    late = {fault.burn: fault for fault in hard if fault is not None}
    found = [(leg.name, fault) for leg in findings.legs for fault in _of_leg(leg, arcs, audited, craft, rows, memory, climbs)]
    legless = set(range(len(audited))) - {number for leg in findings.legs for number in leg.burns}
    alone = [fault for number in sorted(legless) for fault in _of_burn(number, audited, arcs, craft, rows, memory) if fault.matters]
    found += [("", fault) for fault in _with_climbs(alone, climbs, legless)]
    left = margin_left(margins())
    said = [_advice(leg, fault, audited, findings, world, left) for leg, fault in found if not (fault.cause == "braking" and fault.burn in late)]
    owner = {number: leg.name for leg in findings.legs for number in leg.burns}
    said += [replace(_advice(owner.get(fault.burn, ""), fault, audited, findings, None, left), propellant=math.nan) for fault in late.values()]
    return tuple(sorted(said, key=lambda item: -item.cost))


def _of_leg(leg: LegAudit, arcs, audited, craft, rows, memory, climbs) -> list[Fault]:
    """The faults of a leg that are worth a sentence, adding up to its waste at the most."""
    course = courses(leg.burns, audited, arcs)
    lost = [fault for fault in detours(leg.burns, audited, arcs, course) if fault.matters]
    # a burn the wrong way, or what is burnt back after an overshoot, is told with that
    told = {fault.burn for fault in lost if fault.cause == "wrong way"} | {fault.burn + 1 for fault in lost if fault.cause == "overshoot"}
    found = [fault for fault in lost if fault.burn not in told or fault.cause == "wrong way"]
    for number in leg.burns:  # braking that stopped high, and the landing from there, are one fault
        high = stopped_high(number, audited, arcs, craft, rows, memory) if audited[number].burn.kind == "landing" else None
        if high is not None and high.matters:
            told |= {number - 1, number}
            found = [fault for fault in found if fault.burn not in (number - 1, number)] + [high]
    for number in leg.burns:
        if number in told:
            continue
        # what an overshoot left is told: the burn itself is judged by what it did
        own = course.get(number) if not any(fault.burn == number for fault in found) else None
        found += [fault for fault in _of_burn(number, audited, arcs, craft, rows, memory, leg, own) if fault.matters]
    found = _with_climbs([_in_full(fault, found, leg.burns, arcs, audited, craft, rows, course) for fault in found], climbs, leg.burns)
    found.sort(key=lambda fault: -fault.cost)
    left = leg.waste.value if leg.waste.known else math.inf
    kept = []
    for fault in found:
        fault = replace(fault, cost=min(fault.cost, left))
        if fault.matters:
            kept.append(fault)
            left -= fault.cost
    return kept


def _with_climbs(found: list[Fault], climbs: Sequence[FlownAscent], burns) -> list[Fault]:
    """The faults with those of the launches among ``burns``. How steep a launch was is told with it, not with the burn at its top."""
    for climb in (climb for climb in climbs if climb.burn in burns and climb.ascent.waste.known):
        found = [fault for fault in found if fault.cause != "steep climb" or fault.burn not in climb.ascent.burns]
        elsewhere = math.fsum(fault.cost for fault in found if fault.burn in climb.ascent.burns)
        found += [fault for fault in launch_faults(climb, elsewhere) if fault.matters]
    return found


def _in_full(fault: Fault, found: list[Fault], burns, arcs, audited, craft, rows, course) -> Fault:
    """A burn the wrong way with what it cost the next one, as far as that has no faults of its own."""
    following = next((number for number in burns if number > fault.burn), None)
    if fault.cause != "wrong way" or following not in course or fault.burn not in course or course[fault.burn].final:
        return fault
    if audited[following].burn.before != audited[fault.burn].burn.after:
        return fault
    cost = cost_of_detour(fault.burn, following, arcs, audited, craft, rows, course) - sum(other.cost for other in found if other.burn == following)
    return replace(fault, cost=cost) if cost > fault.cost else fault


def _of_burn(number: int, audited, arcs, craft, rows, memory, leg: LegAudit | None = None, course: Course | None = None) -> list[Fault]:
    item = audited[number]
    if item.burn.kind == "landing":
        return landing_faults(number, item, arcs, craft, rows, memory)
    if item.burn.kind == "liftoff":
        last = arcs[audited[leg.burns[-1]].burn.after] if leg else arcs[item.burn.after]
        needed = leg.needed.value if leg else item.burn.needed.value
        return liftoff_faults(number, item, arcs, craft, rows, last, needed, memory)
    return burn_faults(number, arcs, audited, craft, rows, course)


def _advice(leg: str, fault: Fault, audited: list[AuditedBurn], findings: Findings, world: World | None, left: float) -> Advice:
    item = audited[fault.burn]
    kilograms = _kilograms(fault.cost, item)
    bought = _bought(kilograms, fault.burn, audited, findings, world, left) if fault.cost >= _DEAR and world is not None else ""
    sentence = fault.sentence.replace("{cost}", f"{fault.cost:.0f} m/s{bought}")
    return Advice(leg, f"{leg}: {sentence}" if leg else sentence[0].upper() + sentence[1:], fault.cost, kilograms, fault.cause)


def _kilograms(cost: float, item: AuditedBurn) -> float:
    """Propellant that a waste cost, burnt at the end of a burn, kg."""
    if not (math.isfinite(item.mass_after) and math.isfinite(item.exhaust_speed)):
        return math.nan
    return item.mass_after * math.expm1(cost / item.exhaust_speed)


def _bought(kilograms: float, burn: int, audited: list[AuditedBurn], findings: Findings, world: World, left: float) -> str:
    """What the propellant of a waste would have been good for: hovering where the flight lands after it, and delta-v kept to the end."""
    if not math.isfinite(kilograms):
        return ""
    worth = worth_of(Estimate.of(kilograms, 0.0, "kg"), burn, findings, audited, world)
    parts = [f"{span(worth.hover.value)} of hovering over {worth.over}"] if worth.hover.known else []
    if worth.kept.known:
        beside = f", where the margin was {left:.0f} m/s" if math.isfinite(left) else ""
        parts.append(f"{worth.kept.value:.0f} m/s more at the end{beside}")
    return f" ({kilograms:.0f} kg: {', or '.join(parts)})" if parts else ""
