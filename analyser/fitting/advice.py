"""What to do otherwise next time: every waste of some size turned into a sentence."""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Advice, Findings, LegAudit
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.transfer import apsides, least_transfer, time_from_periapsis
from analyser.flight import Craft

_WORTH_SAYING = 3.0  # m/s


def advise(findings: Findings, arcs: list[FittedArc], audited: list[AuditedBurn], craft: Craft | None) -> tuple[Advice, ...]:
    """Sentences on the wastes of a flight, dearest first; a waste within its own uncertainty gets none."""
    found: list[Advice] = []
    groups = findings.legs or ()
    for leg in groups:
        found += _correction(leg, arcs, audited)
        for number in leg.burns:
            found += _placement(leg.name, number, arcs, audited) + _burn(leg, number, audited, findings)
    if not groups:
        for number in range(len(audited)):
            found += _placement("", number, arcs, audited) + _burn(None, number, audited, findings)
    return tuple(sorted(found, key=lambda item: -item.cost))


def _matters(estimate) -> bool:
    return estimate.known and estimate.value > _WORTH_SAYING and estimate.value > 2 * estimate.sigma


def _kilograms(cost: float, item: AuditedBurn) -> float:
    """Propellant that a waste cost, burnt at the end of a burn, kg."""
    if not (math.isfinite(item.mass_after) and math.isfinite(item.exhaust_speed)):
        return math.nan
    return item.mass_after * math.expm1(cost / item.exhaust_speed)


def _when(seconds: float) -> str:
    """Elapsed time as the panel's clock shows it."""
    from analyser.units import format_met

    return format_met(round(seconds))


def _span(seconds: float) -> str:
    return f"{abs(seconds):.0f} s" if abs(seconds) < 120 else f"{abs(seconds) / 60:.1f} min"


def _correction(leg: LegAudit, arcs: list[FittedArc], audited: list[AuditedBurn]) -> list[Advice]:
    """Overshoot and coming back, wrong way first."""
    loss = leg.correction_loss
    if not _matters(loss) or len(leg.burns) < 2:
        return []
    items = [audited[number] for number in leg.burns]
    changes = [_energy_change(item, arcs) for item in items]
    total = sum(changes)
    against = [k for k, change in enumerate(changes) if change * total < 0 and items[k].burn.needed.value > max(_WORTH_SAYING, 0.2 * loss.value)]
    when = _when(items[0].burn.ignition.value)
    cost, kilograms = loss.value, _kilograms(loss.value, items[-1])
    if against and against[0] == 0:
        lost = items[0].burn.spent.value
        sentence = (
            f"{leg.name}: the first burn ({when}) went the wrong way ({items[0].burn.direction}, {lost:.0f} m/s) and had to be taken back: "
            f"check the nose against the direction wanted before ignition; that saves {cost:.0f} m/s."
        )
        return [Advice(leg.name, sentence, cost, kilograms, "wrong way")]
    if against:
        k = against[0]
        back = items[k].burn
        sentence = (
            f"{leg.name}: the goal was overshot and {back.spent.value:.0f} m/s burnt back at {_when(back.ignition.value)}: "
            f"cut off earlier, the last part at low throttle; that saves {cost:.0f} m/s."
        )
        return [Advice(leg.name, sentence, cost, kilograms, "overshoot")]
    if items[0].burn.kind == "liftoff":
        sentence = f"{leg.name}: the climb was too steep to be an orbit's beginning, so that the next burn had to do most of it: {cost:.0f} m/s; pitch over sooner and lower."
        return [Advice(leg.name, sentence, cost, kilograms, "steep climb")]
    sentence = f"{leg.name}: {len(items)} burns did what fewer could have done: {cost:.0f} m/s went into going round about."
    return [Advice(leg.name, sentence, cost, kilograms, "corrections")]


def _energy_change(item: AuditedBurn, arcs: list[FittedArc]) -> float:
    before, after = arcs[item.burn.before], arcs[item.burn.after]
    return after.energy - before.energy if before.body.name == after.body.name else 0.0


def _placement(leg: str, number: int, arcs: list[FittedArc], audited: list[AuditedBurn]) -> list[Advice]:
    """The right change made at the wrong place."""
    item = audited[number]
    burn = item.burn
    if not _matters(burn.placement_loss):
        return []
    before, after = arcs[burn.before], arcs[burn.after]
    best = least_transfer(before.body.mu, before.energy, before.momentum, after.energy, after.momentum, radius_max=before.body.sphere_of_influence)
    cost = burn.placement_loss.value
    where = f"at {(float(before.at(item.times.middle)[0]) - before.body.radius) / 1e3:.0f} km"
    sentence = f"{leg + ': ' if leg else ''}the burn at {_when(burn.ignition.value)} {where} was in the wrong place: "
    cause = "placement"
    if best.impulses:
        first = max(best.impulses, key=lambda impulse: impulse.delta_v)
        offset = _offset(before, item.times.middle, first.radius)
        spot = first.place if first.place in ("periapsis", "apoapsis") else f"{(first.radius - before.body.radius) / 1e3:.0f} km"
        if first.place in ("periapsis", "apoapsis") and math.isfinite(offset):
            cause = "late" if offset > 0 else "early"
            length = item.times.duration
            lead = f"start {_span(length / 2)} before {first.place} instead of {_span(offset - length / 2)} {'after' if offset - length / 2 > 0 else 'before'} it"
        else:
            lead = f"burn at {spot}"
        parts = " and ".join(f"{impulse.delta_v:.0f} m/s at {(impulse.radius - before.body.radius) / 1e3:.0f} km" for impulse in best.impulses)
        sentence += f"{lead} ({parts} would have done): {cost:.0f} m/s."
    else:
        sentence += f"{cost:.0f} m/s."
    return [Advice(leg, sentence, cost, _kilograms(cost, item), cause)]


def _offset(arc: FittedArc, met: float, radius: float) -> float:
    """Seconds by which a moment lies after the arc's nearest passage of an apsis at ``radius``; nan where there is none."""
    low, high = (float(part) for part in apsides(arc.body.mu, arc.energy, arc.momentum))
    r, climb, _ = (float(part) for part in arc.at(met))
    since = float(time_from_periapsis(arc.body.mu, arc.energy, arc.momentum, np.clip(r, low, high)))
    since = since if climb >= 0 else -since
    if abs(radius - low) < 1e-3 * low:
        return since
    if not math.isfinite(high):
        return math.nan
    half = float(time_from_periapsis(arc.body.mu, arc.energy, arc.momentum, high))
    return since - half if since >= 0 else since + half


def _burn(leg: LegAudit | None, number: int, audited: list[AuditedBurn], findings: Findings) -> list[Advice]:
    """Thrust not along the change, or over too long a time."""
    item = audited[number]
    burn = item.burn
    if not _matters(burn.burn_loss) or burn.spent_from == "orbits":
        return []
    name = leg.name if leg else ""
    head = f"{name + ': ' if name else ''}the burn at {_when(burn.ignition.value)} "
    if burn.kind in ("landing", "liftoff"):
        return _ground_burn(leg, item, head)
    cost = burn.burn_loss.value
    ratio = min(burn.net.value / burn.spent.value, 1.0) if burn.net.known and burn.spent.value > 0 else math.nan
    gravity, steering = burn.gravity_loss, burn.steering_loss
    if burn.wrong_way.known and burn.wrong_way.value > 0.3 * cost and _matters(burn.wrong_way):
        sentence = head + f"began against the direction wanted: check the attitude before opening the throttle; {cost:.0f} m/s."
        return [Advice(name, sentence, cost, _kilograms(cost, item), "wrong way")]
    if math.isfinite(ratio) and cost > 0.02 * burn.spent.value:
        sentence = (
            head + f"spent {burn.spent.value:.0f} m/s for a change of {burn.net.value:.0f} m/s: as if {math.degrees(math.acos(ratio)):.0f} degrees off "
            f"the change wanted throughout; hold the nose on it (and burn shorter and harder where the throttle allows): {cost:.0f} m/s."
        )
        return [Advice(name, sentence, cost, _kilograms(cost, item), "off-axis")]
    if gravity.known and gravity.value > (steering.value if steering.known else 0):
        sentence = head + f"was long ({_span(item.times.duration)}): {gravity.value:.0f} m/s went into gravity; burn at full throttle, half before and half after the best point."
        return [Advice(name, sentence, cost, _kilograms(cost, item), "long burn")]
    return []


def _ground_burn(leg: LegAudit | None, item: AuditedBurn, head: str) -> list[Advice]:
    """A descent or an ascent: held against the least that this craft can do, where the plan gives it."""
    burn = item.burn
    planned = leg.planned.value if leg and leg.planned.known else math.nan
    least = max(planned, burn.needed.value) if math.isfinite(planned) and len(leg.burns) == 1 else burn.needed.value
    cost = burn.spent.value - least
    if cost < _WORTH_SAYING:
        return []
    name = leg.name if leg else ""
    against = "the least this craft can do" if least == planned else "the impulsive bound"
    long = _span(item.times.duration)
    if burn.kind == "landing":
        sentence = head + f"took {long} and {burn.spent.value:.0f} m/s, {cost:.0f} m/s over {against}: brake later and harder; a long descent on the engine pays gravity all the way."
    else:
        sentence = head + f"took {long} and {burn.spent.value:.0f} m/s, {cost:.0f} m/s over {against}: full throttle, pitch over as soon as the ground is clear."
    return [Advice(name, sentence, cost, _kilograms(cost, item), "braking" if burn.kind == "landing" else "ascent")]
