"""What the propellant of a waste would have been good for: time to hover where the flight lands, and delta-v kept to the end.

With kg of propellant more aboard than the mass m, kg, of the craft then: delta-v = exhaust speed x ln(1 + propellant / m), and that over the pull of gravity is how long it hovers. That the
craft would have had to carry what it did not waste is left out: a few hundredths of it at the most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analyser.findings import Estimate, Findings, LegAudit, Margin
from analyser.fitting.burns import AuditedBurn
from analyser.flight import World

_NO_PROPELLANT = "what it cost in propellant is not known"
_DROPPED = "the stage that burnt it was dropped"


@dataclass(frozen=True)
class Worth:
    """What propellant kept would have allowed later: ``hover`` s over the body ``over`` ("": the flight lands no more on the engine), ``kept`` m/s at the flight's end."""

    hover: Estimate
    over: str
    kept: Estimate


def worth_of(propellant: Estimate, last: int, findings: Findings, audited: list[AuditedBurn], world: World) -> Worth:
    """What propellant would have been worth, had it not been wasted by burn ``last`` or before.

    Parameters
    ----------
    propellant : Estimate
        kg.
    last : int
        The last of the burns that wasted it.
    findings : Findings
        With burns and transitions.
    audited : list of AuditedBurn
    world : World
    """
    landing = next((number for number in range(last, len(audited)) if audited[number].burn.kind == "landing"), None)
    over = audited[landing].burn.body if landing is not None else ""
    if not propellant.known:
        reason = propellant.reason or _NO_PROPELLANT
        return Worth(Estimate.unknown("s", reason), over, Estimate.unknown("m/s", reason))
    if landing is None:
        hover = Estimate.unknown("s", "the flight does not land on the engine after it")
    else:
        hover = _later(propellant, last, landing, findings, audited, "s", world[over].surface_gravity)
    return Worth(hover, over, _later(propellant, last, len(audited) - 1, findings, audited, "m/s", 1.0))


def with_worth(legs: tuple[LegAudit, ...], findings: Findings, audited: list[AuditedBurn], world: World) -> tuple[LegAudit, ...]:
    """Legs with what their wastes would have bought."""
    found = []
    for leg in legs:
        if leg.flown and leg.burns:
            worth = worth_of(leg.waste_propellant, max(leg.burns), findings, audited, world)
            leg = replace(leg, hover=worth.hover, hover_over=worth.over, kept=worth.kept)
        found.append(leg)
    return tuple(found)


def margin_left(margins: tuple[Margin, ...]) -> float:
    """The margin after the last burn, m/s: what was left over the least that the rest of the plan needed; nan where it is not known."""
    known = [item.margin.value for item in margins if item.margin.known]
    return known[-1] if known else math.nan


def _later(propellant: Estimate, last: int, then: int, findings: Findings, audited, unit: str, over: float) -> Estimate:
    """Delta-v, divided by ``over``, of propellant kept from burn ``last`` to the end of burn ``then``."""
    start, end = audited[last].burn.cutoff.value, audited[then].burn.cutoff.value
    if any(change.kind == "staging" and not change.met.value < start and not change.met.value > end for change in findings.transitions):
        return Estimate.unknown(unit, _DROPPED)
    mass, exhaust = audited[then].mass_after, audited[then].exhaust_speed
    if not (math.isfinite(mass) and math.isfinite(exhaust)):
        return Estimate.unknown(unit, "the craft's mass then is not known")
    value, low, high = (exhaust / over * math.log1p(max(part / mass, -0.9)) for part in (propellant.value, propellant.low, propellant.high))
    return Estimate(value, propellant.sigma * exhaust / over / (mass + propellant.value), low, high, unit)
