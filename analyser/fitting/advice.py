"""What to do otherwise next time: every waste of some size turned into one sentence, with its number and its place.

The causes are found burn by burn (:mod:`analyser.fitting.faults`, :mod:`analyser.fitting.ground_faults`) and leg by leg
(:mod:`analyser.fitting.detours`). No sentence below 3 m/s or within what is not known; the costs told of a leg never add up to more than its waste.
"""

from __future__ import annotations

import math
from dataclasses import replace

from analyser.findings import Advice, Findings, LegAudit
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.detours import detours
from analyser.fitting.faults import Fault, burn_faults, span
from analyser.fitting.ground_faults import landing_faults, liftoff_faults
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Craft

_DEAR = 25.0  # m/s: from here on it is told what the waste would have bought
_TAKES_ALL = ("wrong way", "overshoot")  # these explain the burn in full


def advise(
    findings: Findings, arcs: list[FittedArc], audited: list[AuditedBurn], craft: Craft | None, rows: PanelRows | None = None
) -> tuple[Advice, ...]:
    """Sentences on the wastes of a flight, dearest first; a waste within its own uncertainty gets none.

    Parameters
    ----------
    findings : Findings
        With legs; its own advice is not looked at.
    arcs, audited : the fitted arcs and the audited burns.
    craft : Craft or None
    rows : PanelRows, optional
        The readings: without them throttle and hovering can't be told.
    """
    said: list[Advice] = []
    for leg in findings.legs:
        said += [_advice(leg.name, fault, audited, findings, arcs) for fault in _of_leg(leg, arcs, audited, craft, rows)]
    legless = set(range(len(audited))) - {number for leg in findings.legs for number in leg.burns}
    for number in sorted(legless):
        faults = [fault for fault in _of_burn(number, audited, arcs, craft, rows) if fault.matters]
        said += [_advice("", fault, audited, findings, arcs) for fault in faults]
    return tuple(sorted(said, key=lambda item: -item.cost))


def _of_leg(leg: LegAudit, arcs, audited, craft, rows) -> list[Fault]:
    """The faults of a leg that are worth a sentence, adding up to its waste at the most."""
    lost = detours(leg.burns, audited, arcs)
    takes_all = {fault.burn: fault for fault in lost if fault.cause in _TAKES_ALL and fault.matters}
    # what is burnt back after an overshoot is told with the overshoot
    told = set(takes_all) | {number + 1 for number, fault in takes_all.items() if fault.cause == "overshoot"}
    found: list[Fault] = []
    for number in leg.burns:
        own = [] if number in told else _of_burn(number, audited, arcs, craft, rows, leg)
        found += _merged([fault for fault in lost if fault.burn == number], own)
    found = sorted((fault for fault in found if fault.matters), key=lambda fault: -fault.cost)
    left = leg.waste.value if leg.waste.known else math.inf
    kept = []
    for fault in found:
        fault = replace(fault, cost=min(fault.cost, left))
        if fault.matters:
            kept.append(fault)
            left -= fault.cost
    return kept


def _merged(lost: list[Fault], own: list[Fault]) -> list[Fault]:
    """What a burn brought about later belongs to its own dearest fault, where it has one."""
    blamed = max((fault for fault in own if fault.matters), key=lambda fault: fault.cost, default=None)
    if blamed is None:
        return lost + own
    extra = [fault for fault in lost if fault.rest and fault.matters]
    if not extra:
        return lost + own
    cost, sigma = blamed.cost + sum(fault.cost for fault in extra), math.hypot(blamed.sigma, *(fault.sigma for fault in extra))
    together = replace(blamed, cost=cost, sigma=sigma, sentence=blamed.sentence.replace("{cost}", "{cost} with " + extra[0].rest))
    return [fault for fault in lost if fault not in extra] + [together if fault is blamed else fault for fault in own]


def _of_burn(number: int, audited, arcs, craft, rows, leg: LegAudit | None = None) -> list[Fault]:
    item = audited[number]
    if item.burn.kind == "landing":
        return landing_faults(number, item, arcs, craft, rows)
    if item.burn.kind == "liftoff":
        last = arcs[audited[leg.burns[-1]].burn.after] if leg else arcs[item.burn.after]
        needed = leg.needed.value if leg else item.burn.needed.value
        return liftoff_faults(number, item, arcs, craft, rows, last, needed)
    return burn_faults(number, item, arcs, audited, craft, rows)


def _advice(leg: str, fault: Fault, audited: list[AuditedBurn], findings: Findings, arcs) -> Advice:
    item = audited[fault.burn]
    kilograms = _kilograms(fault.cost, item)
    sentence = fault.sentence.replace("{cost}", f"{fault.cost:.0f} m/s")
    if fault.cost >= _DEAR:
        sentence += _bought(fault.cost, kilograms, item, findings, arcs)
    return Advice(leg, f"{leg}: {sentence}" if leg else sentence[0].upper() + sentence[1:], fault.cost, kilograms, fault.cause)


def _kilograms(cost: float, item: AuditedBurn) -> float:
    """Propellant that a waste cost, burnt at the end of a burn, kg."""
    if not (math.isfinite(item.mass_after) and math.isfinite(item.exhaust_speed)):
        return math.nan
    return item.mass_after * math.expm1(cost / item.exhaust_speed)


def _bought(cost: float, kilograms: float, item: AuditedBurn, findings: Findings, arcs: list[FittedArc]) -> str:
    """What the propellant of a waste would have been good for: hovering where the flight lands, and a part of the margin of the plan."""
    if not math.isfinite(kilograms):
        return ""
    parts = []
    landing = next((other for other in findings.burns if other.kind == "landing"), None)
    if landing is not None:
        body = arcs[landing.before].body
        parts.append(f"{span(cost / body.surface_gravity)} of hovering over {body.name}")
    ideal = findings.ideal
    if ideal is not None and math.isfinite(ideal.margin) and ideal.margin > 0:
        parts.append(f"{100 * kilograms / ideal.margin:.0f} % of what the ideal plan leaves in the tanks")
    return f" ({kilograms:.0f} kg: {', or '.join(parts)}.)" if parts else ""
