"""The legs of a plan in the flight as flown: which burns served which goal, and what each leg wasted.

    spent - needed_leg  =  sum(spent - net) + sum(net - needed) + (sum(needed) - needed_leg)
                            burn loss          placement loss      correction loss

``needed_leg`` is the least delta-v from the orbit the leg started in to the orbit it ended in; where a leg passes from one body to
another, the sum of that about each body in which it burnt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Estimate, IdealPlan, LegAudit, LegSums
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burn_impulse import needed_impulses, transfer_limits
from analyser.fitting.burns import TOGETHER, AuditedBurn
from analyser.fitting.leg_end import known_angle, miss, still_needed, tilts_of
from analyser.fitting.lying_arcs import counts_beyond_tilt, needed_as_lying, not_shown
from analyser.fitting.sampling import estimate
from analyser.fitting.transfer import apsides, least_delta_v
from analyser.flight import Craft, Goal, Leg, Plan, World

_SKIP = 6.0  # cost of a leg that was not flown, in circular speeds
_ZERO = np.zeros(1)


@dataclass(frozen=True)
class Span:
    """A leg as flown: from arc ``first`` to arc ``last`` (indices); ``reached`` says whether its goal was."""

    leg: Leg
    first: int
    last: int
    reached: bool


def leg_spans(plan: Plan, world: World, arcs: list[FittedArc]) -> list[Span]:
    """Where each leg of the plan ends in the flown arcs: the course that lies nearest to all goals, in order.

    A leg that no arc comes near to is "not reached"; the last burns of a flight that ended early go to the first such leg.
    """
    legs, count = plan.legs, len(arcs)
    if not arcs:
        return [Span(leg, 0, 0, False) for leg in legs]
    price = np.array([[_distance(legs, number, world, arcs, last) for last in range(count)] for number in range(len(legs))])
    best = np.full((len(legs) + 1, count), np.inf)
    came = np.zeros((len(legs) + 1, count, 2), dtype=int)
    best[0, 0] = 0.0
    # a flight may begin with a coast or two before the first leg's burn (a sphere of influence, a lone reading)
    for number in range(1, len(legs) + 1):
        for last in range(count):
            for first in range(last + 1):
                if best[number - 1, first] + price[number - 1, last] < best[number, last] and last > first:
                    best[number, last], came[number, last] = best[number - 1, first] + price[number - 1, last], (first, 1)
            if best[number - 1, last] + _SKIP < best[number, last]:
                best[number, last], came[number, last] = best[number - 1, last] + _SKIP, (last, 0)
    last = int(np.argmin(best[-1] + 1e-9 * np.arange(count)[::-1]))
    spans: list[Span] = []
    for number in range(len(legs), 0, -1):
        first, reached = (int(part) for part in came[number, last])
        spans.append(Span(legs[number - 1], first, last, bool(reached)))
        last = first
    spans.reverse()
    return _rest(spans, count)


def _rest(spans: list[Span], count: int) -> list[Span]:
    """Arcs after the last goal reached belong to the next leg, begun but not finished."""
    reached = [number for number, span in enumerate(spans) if span.reached]
    end = spans[reached[-1]].last if reached else 0
    following = reached[-1] + 1 if reached else 0
    if end < count - 1 and following < len(spans):
        spans[following] = Span(spans[following].leg, end, count - 1, False)
    return spans


def _distance(legs: tuple[Leg, ...], number: int, world: World, arcs: list[FittedArc], last: int) -> float:
    """How far an arc is from a leg's goal, roughly in circular speeds there; inf where it can't be its end."""
    goal, arc = legs[number].goal, arcs[last]
    if goal.kind == "landed":
        return 0.0 if arc.kind == "landed" and arc.body.name == goal.body else math.inf
    if arc.kind != "coast":
        return math.inf
    if goal.kind == "escape":
        free = arc.energy >= 0 if arc.body.name == goal.body else world[goal.body].parent == arc.body.name
        return 0.0 if free else math.inf
    if arc.body.name != goal.body:
        return math.inf
    price = _apart(goal, arc)
    if goal.kind == "periapsis" and arc.energy < 0:
        # an arrival is unbound until the leg after it captures
        following = legs[number + 1].goal if number + 1 < len(legs) else None
        captures = following is not None and following.kind == "orbit" and following.body == goal.body
        return price + (1.0 if captures else 0.0)
    return price


def _apart(goal: Goal, arc: FittedArc) -> float:
    """How far an orbit's apsides are from a goal's. Moving one apsis by a part x of the orbit's size costs about x / 4 of the
    circular speed: near enough to tell arcs apart, without solving for the transfer."""
    low, high = (float(part) for part in apsides(arc.body.mu, arc.energy, arc.momentum))
    radius = arc.body.radius
    price = abs(math.log(low / (radius + goal.periapsis))) / 4
    if goal.kind == "orbit":
        # unbound: as if the apoapsis were ten times as far as wanted, and more with the excess
        wanted = radius + goal.apoapsis
        price += abs(math.log(high / wanted)) / 4 if math.isfinite(high) else math.log(10.0) / 4 + arc.energy * wanted / arc.body.mu
    tilt = known_angle(arc, "inclination")
    if math.isfinite(goal.inclination) and tilt is not None:
        price += 2 * abs(math.sin((tilt.value - goal.inclination) / 2))
    return price


def wants_plane(goal: Goal) -> bool:
    """Whether a goal names an inclination."""
    return math.isfinite(goal.inclination)


def goal_served(spans: list[Span], first: int, second: int) -> Goal | None:
    """The goal of the leg to which what lies between two arcs (indices) belongs, where it says how its orbit is to lie."""
    return next((span.leg.goal for span in spans if span.first <= first and second <= span.last and span.leg.goal.lying), None)


def _tilt_between(first: FittedArc, last: FittedArc):
    """Square of the change of inclination, best and samples, rad^2; None where one of the two is not known."""
    if first.plane is None or last.plane is None:
        return None
    best = math.acos(max(-1.0, min(1.0, last.plane.rotation[2, 2]))) - math.acos(max(-1.0, min(1.0, first.plane.rotation[2, 2])))
    samples = tilts_of(last) - tilts_of(first)
    noise = float(np.var(samples))
    return max(best**2 - noise, 0.0), np.maximum(samples**2 - 2 * noise, 0.0)


@dataclass(frozen=True)
class AuditedLeg:
    """A leg with samples (K,) of its figures by name, drawn together with those of the other legs; (1,) where nothing was burnt, none where it was not flown."""

    audit: LegAudit
    samples: dict[str, np.ndarray]


def audit_leg(
    span: Span, world: World, craft: Craft | None, arcs: list[FittedArc], audited: list[AuditedBurn], ideal: IdealPlan | None
) -> AuditedLeg:
    """Add a leg's burns up and hold them against the plan.

    The three losses add to ``spent - needed`` exactly, sample by sample.
    """
    own = [number for number, item in enumerate(audited) if span.first <= item.burn.before and item.burn.after <= span.last]
    burns = [audited[number] for number in own]
    goal = span.leg.goal
    planned = ideal.leg(span.leg.name) if ideal else None
    flown = span.last > span.first and (span.reached or bool(burns))
    why = "the leg was not flown"
    if not flown:
        unknown = Estimate.unknown("m/s", why)
        missed = LegAudit(
            span.leg.name, str(goal), False, (), math.nan, math.nan, unknown, unknown, unknown, unknown, unknown, unknown,
            Estimate.unknown("kg", why), _planned(planned), _planned_propellant(planned), Estimate.unknown("kg", why),
            unknown, {}, (),
        )  # fmt: skip
        return AuditedLeg(missed, {})
    first, last = arcs[span.first], arcs[span.last]
    needed_best, needed = needed_between(arcs, burns, span)
    spent = sum((item.spent for item in burns), _ZERO)
    spent_best = sum(item.burn.spent.value for item in burns)
    together = [item for item in burns if not item.burn.net.known]
    burn_loss = sum((item.spent - (item.needed if item in together else item.net) for item in burns), _ZERO)
    burn_best = sum(item.burn.burn_loss.value for item in burns)
    placement = sum((item.net - item.needed for item in burns if item not in together), _ZERO)
    placement_best = sum(item.burn.placement_loss.value for item in burns if item not in together)
    each_needed = sum((item.needed for item in burns), _ZERO)
    each_best = sum(item.burn.needed.value for item in burns)
    waste_best = spent_best - needed_best
    reason = next((item.burn.spent.reason or item.burn.needed.reason for item in burns if not (item.burn.spent.known and item.burn.needed.known)), "")
    placement_estimate = (
        Estimate.unknown("m/s", TOGETHER) if burns and len(together) == len(burns) else _sum(placement_best, placement, reason)
    )
    kilograms, kilogram_samples = _in_propellant(waste_best, spent - needed, burns)
    remarks = []
    if burns and together and len(together) < len(burns):
        remarks.append("the placement loss of " + _these(own, burns, together) + " is within the burn loss")
    remarks += _plane_remarks(goal, first, last)
    if not span.reached:
        remarks.append("the leg was begun but its goal was not reached")
    audit = LegAudit(
        name=span.leg.name, goal=str(goal), flown=True, burns=tuple(own), start=first.end, end=last.start,
        spent=_sum(spent_best, spent, reason), needed=_sum(needed_best, needed, reason),
        burn_loss=_sum(burn_best, burn_loss, reason), placement_loss=placement_estimate,
        correction_loss=_sum(each_best - needed_best, each_needed - needed, reason),
        waste=_sum(waste_best, spent - needed, reason), waste_propellant=kilograms,
        planned=_planned(planned), planned_propellant=_planned_propellant(planned), propellant=_propellant(burns),
        still_needed=still_needed(goal, world, last), miss=miss(goal, world, last), remarks=tuple(remarks),
        out_of_plane_loss=_out_of_plane(burns),
    )  # fmt: skip
    return AuditedLeg(audit, {
        "spent": spent, "needed": needed, "burn_loss": burn_loss, "placement_loss": placement, "correction_loss": each_needed - needed,
        "waste": spent - needed, "waste_propellant": kilogram_samples,
    })  # fmt: skip


def sum_legs(legs: list[AuditedLeg]) -> LegSums | None:
    """The figures of the legs flown added up, sample by sample: what one leg's last reading says too much, the next one's says too little. None where no leg was flown."""
    flown = [leg for leg in legs if leg.audit.flown]
    return LegSums(**{name: _added(flown, name) for name in flown[0].samples}) if flown else None


def _added(legs: list[AuditedLeg], name: str) -> Estimate:
    parts = [getattr(leg.audit, name) for leg in legs]
    missing = [part for part in parts if not part.known]
    if missing:
        return Estimate.unknown(parts[0].unit, f"not known for {len(missing)} of {len(parts)}: {missing[0].reason or 'the readings leave it open'}")
    best, samples = math.fsum(part.value for part in parts), sum((leg.samples[name] for leg in legs), _ZERO)
    return Estimate.of(best, 0.0, parts[0].unit) if len(samples) == 1 else estimate(best, samples, parts[0].unit)


def _plane_remarks(goal: Goal, first: FittedArc, last: FittedArc) -> list[str]:
    missing = not_shown(goal, first, last)
    if not missing or "landed" in (first.kind, last.kind):
        return []
    return [f"the goal names {' and '.join(missing)}, but the readings don't show the plane: the turn is counted neither in what was needed nor in what is still needed"]


def _out_of_plane(burns: list[AuditedBurn]) -> Estimate:
    """What the burns of a leg spent on turning the plane that its goal did not want."""
    parts = [item.burn.out_of_plane_loss for item in burns]
    reason = next((part.reason for part in parts if not part.known), "")
    if reason or not parts:
        return Estimate.unknown("m/s", reason or "no burn belongs to the leg")
    best = sum(part.value for part in parts)
    # each lies at or above nought: the spreads upwards and downwards add by themselves
    low, high = (math.sqrt(sum((end(part) - part.value) ** 2 for part in parts)) for end in (lambda part: part.low, lambda part: part.high))
    return Estimate(best, math.sqrt(sum(part.sigma**2 for part in parts)), max(best - low, 0.0), best + high, "m/s")


def _these(own, burns, together) -> str:
    numbers = [str(number + 1) for number, item in zip(own, burns) if item in together]
    return ("burn " if len(numbers) == 1 else "burns ") + ", ".join(numbers)


def needed_between(arcs: list[FittedArc], burns: list[AuditedBurn], span: Span) -> tuple[float, np.ndarray]:
    """Least delta-v from a leg's first orbit to its last, summed over the bodies about which it burnt: best and samples."""
    best, samples = 0.0, _ZERO
    run_start = span.first
    for index in range(span.first, span.last + 1):
        ends = index == span.last or arcs[index + 1].body.name != arcs[index].body.name
        if not ends:
            continue
        inside = [item for item in burns if run_start <= item.burn.before and item.burn.after <= index]
        if inside:
            alone = len(inside) == 1 and (inside[0].burn.before, inside[0].burn.after) == (run_start, index) and inside[0].burn.needed.known
            goal = span.leg.goal
            first, last = arcs[run_start], arcs[index]
            lying = not alone and counts_beyond_tilt(goal, first, last)
            tilt = _tilt_between(first, last) if wants_plane(goal) else None
            if alone:
                part, spread = inside[0].burn.needed.value, inside[0].needed
            else:
                part, spread = needed_as_lying(first, last, goal, transfer_limits(first, last)) if lying else needed_impulses(first, last, tilt)
            if tilt is not None and not (alone or lying) and all(item.burn.needed.known for item in inside):
                # only the change of inclination is asked for, and the noise in it counts in each: what the burns needed one by one is one way more
                part, spread = min(part, sum(item.burn.needed.value for item in inside)), np.fmin(spread, sum(item.needed for item in inside))
            best, samples = best + part, samples + spread
        run_start = index + 1
    return best, samples


def needed_arcs(first: FittedArc, last: FittedArc) -> float:
    """Least delta-v between two arcs about one body, m/s."""
    if first.kind == last.kind == "landed":
        return 0.0
    return float(least_delta_v(first.body.mu, first.energy, first.momentum, last.energy, last.momentum, **transfer_limits(first, last)))


def _sum(best: float, samples: np.ndarray, reason: str) -> Estimate:
    if len(samples) == 1 and math.isfinite(best):  # no burn: nothing spent, nothing needed
        return Estimate.of(best, 0.0, "m/s")
    return estimate(best, samples, "m/s", reason)


def _planned(leg) -> Estimate:
    return Estimate.of(leg.delta_v, 0.0, "m/s") if leg and math.isfinite(leg.delta_v) else Estimate.unknown("m/s", "no ideal for this leg")


def _planned_propellant(leg) -> Estimate:
    return Estimate.of(leg.propellant, 0.0, "kg") if leg and math.isfinite(leg.propellant) else Estimate.unknown("kg", "no ideal propellant for this leg")


def _propellant(burns: list[AuditedBurn]) -> Estimate:
    if any(not item.burn.propellant.known for item in burns):
        return Estimate.unknown("kg", "propellant was not read around every burn")
    return Estimate.of(
        sum(item.burn.propellant.value for item in burns), math.sqrt(sum(item.burn.propellant.sigma**2 for item in burns)), "kg"
    )


def _in_propellant(waste: float, samples: np.ndarray, burns: list[AuditedBurn]) -> tuple[Estimate, np.ndarray]:
    """Propellant that the waste cost, and its samples: what the leg used less what its need alone would have used from the same mass."""
    masses = [item.mass_before for item in burns if math.isfinite(item.mass_before)]
    ends = [item.mass_after for item in burns if math.isfinite(item.mass_after)]
    exhaust = [item.exhaust_speed for item in burns if math.isfinite(item.exhaust_speed)]
    if not burns:
        return Estimate.of(0.0, 0.0, "kg"), _ZERO
    if not (masses and ends and exhaust) or not math.isfinite(waste):
        return Estimate.unknown("kg", "needs the craft's masses and specific impulse, and propellant readings around the burns"), _ZERO
    # the mass that would have been left, had the waste not been burnt: m_end exp(waste / exhaust speed)
    ratio = np.clip(np.append(samples, waste) / exhaust[-1], -20.0, 20.0)
    kilograms = ends[-1] * np.expm1(ratio)
    return estimate(float(kilograms[-1]), kilograms[:-1], "kg"), kilograms[:-1]
