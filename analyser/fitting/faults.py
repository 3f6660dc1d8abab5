"""What was wrong with one burn in orbit, each cause with its own cost.

A burn along the motion is flown again, each time with one thing less at fault, to the energy that it reached:

    as it should have been flown   full throttle, half of it before and half after the apsis
    low throttle                   the same at the throttle read
    early, late                    the same lit when it was lit
    as it was flown                what still remains was thrust not along the motion

Each of these wastes something against the least delta-v into the orbit it ends in; the differences between neighbours are the costs
of the causes and add up to what the burn wasted beyond what this craft must. A burn across the motion (a correction of the pass) is held against
the same change made elsewhere on the same coast.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn, impulse_at, transfer_limits
from analyser.fitting.finite import burn_to_energy
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.transfer import apsides, least_delta_v
from analyser.flight import Body, Craft, Stage

_ACROSS = math.radians(50.0)  # from here on a burn was meant across the motion
_AIMED = math.radians(5.0)  # a burn within this of the motion was well aimed
_OPEN = 0.9  # a throttle above this is called full
_WORTH_SAYING = 3.0  # m/s


@dataclass(frozen=True)
class Fault:
    """One thing done otherwise than it should have been. ``cost`` and ``sigma`` in m/s; ``sentence`` leaves the cost to be put in at {cost}."""

    burn: int
    cause: str
    cost: float
    sigma: float
    sentence: str

    @property
    def matters(self) -> bool:
        """Worth a sentence: above 3 m/s, and known to be there."""
        return math.isfinite(self.cost) and self.cost > _WORTH_SAYING and self.cost > 2 * self.sigma


@dataclass(frozen=True)
class Engine:
    """What pushes in a burn: mass at ignition, kg, full thrust, N, exhaust speed, m/s, and the part of the thrust used (nan: unknown)."""

    mass: float
    thrust: float
    exhaust_speed: float
    throttle: float


def engine_of(item: AuditedBurn, craft: Craft | None, rows: PanelRows | None) -> Engine | None:
    """The engine of a burn: of the craft file, else one that gives what was spent in the time it took; None where neither tells."""
    stage = _stage(item, craft)
    if stage is not None and math.isfinite(stage.thrust):
        throttle = math.nan
        if rows is not None:
            read = rows.value["throttle"][list(item.burn.rows)]
            read = read[read > 0.005]
            throttle = float(np.mean(read)) if len(read) else math.nan
        if math.isnan(throttle) and item.burn.propellant.known and item.times.duration > 0:
            # no throttle was read: what was burnt, over the longest and the shortest time it may have taken
            lengths = item.times.cutoff_samples - item.times.ignition_samples
            part = item.burn.propellant.value / stage.mass_flow / np.maximum(np.quantile(lengths, [0.05, 0.5]), 1e-3)
            throttle = float(np.clip(part[1], 0.02, 1.0)) if part[0] < _OPEN else 1.0
        return Engine(item.mass_before, stage.thrust, stage.exhaust_speed, throttle)
    if item.burn.spent.known and item.times.duration > 0:
        return Engine(1.0, item.burn.spent.value / item.times.duration, 1e7, math.nan)
    return None


def _stage(item: AuditedBurn, craft: Craft | None) -> Stage | None:
    if craft is None or not math.isfinite(item.mass_before):
        return None
    for index, stage in enumerate(craft.stages):
        empty = craft.mass(index, 0.0)
        if abs(stage.exhaust_speed - item.exhaust_speed) < 1e-6 and empty * 0.999 <= item.mass_after <= item.mass_before <= (empty + stage.propellant) * 1.001:
            return stage
    return None


@dataclass(frozen=True)
class Course:
    """Where a burn stands in its leg: the least delta-v, m/s, to the leg's ``last`` orbit about this body from before it and from after it.
    For the last burn of a leg ``after`` is 0 and what it did is what was wanted."""

    before: float
    after: float
    last: FittedArc
    final: bool


def burn_faults(
    number: int, arcs: list[FittedArc], audited: list[AuditedBurn], craft: Craft | None, rows: PanelRows | None, course: Course | None = None
) -> list[Fault]:
    """The faults of burn ``number``, which lies between two coasts about one body; empty for any other burn, and where spent is unknown.

    With its ``course``, what the burn left to be corrected afterwards counts as its own.
    """
    item = audited[number]
    before, after = arcs[item.burn.before], arcs[item.burn.after]
    if item.burn.kind != "orbit" or before.body.name != after.body.name or not item.burn.needed.known:
        return []
    course = course or Course(item.burn.needed.value, 0.0, after, True)
    angle = off_motion(before, after, item.times.middle)
    since = _free_since(number, audited, before)
    head = f"the burn at {when(item.burn.ignition.value)} "
    if item.burn.net.known and _ACROSS < abs(angle) < math.pi - _ACROSS:
        return _across(number, item, before, after, since, head)
    if item.burn.spent_from == "orbits":
        return []
    # where a burn is to bring the craft to another body, that body's place says when it must be, and that the instruments don't show
    bound = after.index + 1 < len(arcs) and arcs[after.index + 1].body.name != after.body.name
    choices = [] if bound else passages(before, item.times.middle, since)
    return _along(number, item, before, after, choices, head, engine_of(item, craft, rows), angle, course)


def cost_of_detour(number: int, following: int, arcs, audited: list[AuditedBurn], craft, rows, course: dict[int, Course]) -> float:
    """What burn ``number`` and the one ``following`` it spent, over the second alone, flown along the motion at its own time and throttle from
    the orbit before the first, m/s; nan where that can't be reckoned."""
    first, second = audited[number], audited[following]
    engine = engine_of(second, craft, rows)
    if engine is None or second.burn.kind != "orbit" or not (first.burn.spent.known and second.burn.spent.known):
        return math.nan
    stand = course[following]
    again = _Again(arcs[first.burn.before], arcs[second.burn.after], engine, Course(course[number].before, stand.after, stand.last, stand.final))
    throttle = engine.throttle if math.isfinite(engine.throttle) else 1.0
    waste = first.burn.spent.value + second.burn.spent.value + stand.after - course[number].before
    return waste - again.at(second.burn.ignition.value, throttle)


def off_motion(before: FittedArc, after: FittedArc, met: float) -> float:
    """Angle between the change of velocity at a time and the motion before it, rad, -pi..pi; positive: outward."""
    first, second = before.at(met), after.at(met)
    change = float(second[1] - first[1]), float(second[2] - first[2])
    climb, level = float(first[1]), float(first[2])
    return math.atan2(change[0] * level - change[1] * climb, change[0] * climb + change[1] * level)


def _free_since(number: int, audited: list[AuditedBurn], before: FittedArc) -> float:
    """MET from which the craft was coasting; -inf where nothing says when that began."""
    earlier = audited[number - 1] if number else None
    if earlier is not None and earlier.burn.after == before.index:
        return earlier.times.cutoff.value
    return before.start if before.index else -math.inf


def passages(before: FittedArc, met: float, since: float) -> list[tuple[float, str]]:
    """Apsides that the pilot could have used: on the coast before the burn, at most half a turn back, or within half a turn ahead; above ground and air."""
    body = before.body
    state = [float(part) for part in before.at(met)]
    shape = conic.shape(body.mu, *state)
    low, high, period = float(shape.periapsis_radius), float(shape.apoapsis_radius), float(shape.period)
    if shape.eccentricity < 1e-6:
        return []
    periapsis = met - float(shape.time_since_periapsis)
    found = [(periapsis, "periapsis")]
    if math.isfinite(period):
        found += [(periapsis + k * period, "periapsis") for k in (-1, 1)] + [(periapsis + k * period / 2, "apoapsis") for k in (-1, 1)]
    reach = period / 2 if math.isfinite(period) else math.inf
    floor, ceiling = body.radius + body.air_top, body.sphere_of_influence
    return [
        (time, name) for time, name in found
        if max(since, met - reach) <= time <= met + reach and floor < (low if name == "periapsis" else high) < ceiling
    ]  # fmt: skip


def _along(number, item: AuditedBurn, before, after, choices, head, engine: Engine | None, angle: float, course: Course) -> list[Fault]:
    burn = item.burn
    waste = burn.spent.value - burn.needed.value if course.final else burn.spent.value + course.after - course.before
    spread = item.spent - item.needed
    sigma = float(np.nanstd(spread)) if len(spread) > 1 else burn.spent.sigma
    if engine is None or not max(waste, 0.0) > _WORTH_SAYING:
        return []
    throttle = engine.throttle if math.isfinite(engine.throttle) else 1.0
    ignition = burn.ignition.value
    again = _Again(before, after, engine, course)
    as_lit, doubt = again.at(ignition, throttle), 0.0
    apsis = _apsis(before, after, choices)
    if not math.isfinite(as_lit):
        return []
    if apsis is None:
        best, at_throttle = as_lit, as_lit
        if throttle < _OPEN:
            best = min(as_lit, again.about(item.times.middle, 1.0))
    else:
        time, name = apsis
        # a long burn spends more than the impulse it stands for: half of that comes sooner still
        leads = [again.lead(time, throttle, after.energy), again.lead_of(burn.spent.value / 2, throttle)]
        centred = [again.at(time - lead, throttle) for lead in leads]
        best_time = time - leads[int(np.argmin(np.where(np.isfinite(centred), centred, np.inf)))]
        at_throttle = min([value for value in (*centred, again.about(time, throttle), as_lit) if math.isfinite(value)])
        best = min(again.about(time, 1.0), at_throttle) if throttle < _OPEN else at_throttle
        passage = sigma_of(before, "periapsis_time")
        doubt_time = math.hypot(burn.ignition.sigma, passage if math.isfinite(passage) else 0.0)
        around = np.array([again.at(ignition + sign * doubt_time, throttle) for sign in (-1, 1)])
        doubt = float(np.max(np.abs(np.where(np.isfinite(around), around, as_lit) - as_lit)))
    parts = {"low throttle": at_throttle - best, "place": as_lit - at_throttle, "off-axis": waste - as_lit}
    parts = _within(parts, waste - best)
    left = "" if course.final or course.after < _WORTH_SAYING else f"; with the {course.after:.0f} m/s that it left to be corrected"
    found = []
    if throttle < _OPEN:
        sentence = (
            head + f"ran at {100 * throttle:.0f} % throttle for {span(item.times.duration)}: open it fully, and light it "
            f"{span(again.lead(item.times.middle, 1.0, after.energy))} before the best point: {{cost}}."
        )
        found.append(Fault(number, "low throttle", parts["low throttle"], min(sigma, 0.5 * parts["low throttle"]), sentence))
    # a difference of time that a pilot could neither see nor mend is no fault of timing
    if apsis is not None and abs(ignition - best_time) > max(1.5, 0.03 * item.times.duration):
        late = ignition > best_time
        there = f"{'after' if time < ignition else 'before'} it" if abs(time - ignition) >= 0.5 else "at it"
        flown = there if there == "at it" else f"{span(time - ignition)} {there}"
        sentence = (
            head + f"at {kilometres(before, item.times.middle)} came too {'late' if late else 'early'}: start {offset(time - best_time, name)} instead of "
            f"{flown}{left}: {{cost}}."
        )
        found.append(Fault(number, "late" if late else "early", parts["place"], doubt, sentence))
    found.append(_off_axis(number, item, parts["off-axis"], math.hypot(sigma, doubt), head, angle, course, again.own(ignition, throttle)))
    return found


def _off_axis(number, item: AuditedBurn, cost: float, sigma: float, head: str, angle: float, course: Course, flown_well: float) -> Fault:
    """What remains: thrust not along the motion; or, where the burn itself was well aimed, too much or too little of it."""
    burn = item.burn
    if burn.wrong_way.known and burn.wrong_way.value > 0.3 * max(cost, _WORTH_SAYING) and burn.wrong_way.value > 2 * burn.wrong_way.sigma:
        sentence = head + f"pushed the wrong way for {burn.wrong_way.value:.0f} m/s of it: check the attitude before opening the throttle: {{cost}}."
        return Fault(number, "wrong way", cost, sigma, sentence)
    prograde = abs(angle) < math.pi / 2
    own = min(max(burn.spent.value - burn.needed.value - flown_well, 0.0), burn.spent.value)
    in_plane = angle if prograde else math.remainder(math.pi - angle, 2 * math.pi)
    off = max(math.acos(1 - own / burn.spent.value), abs(in_plane) if burn.net.known else 0.0)
    left = "" if course.final or course.after < _WORTH_SAYING else f"; with the {course.after:.0f} m/s that it left to be corrected"
    if not course.final and own < max(_WORTH_SAYING, 2 * sigma) and off < _AIMED:
        sentence = head + f"left {course.after:.0f} m/s to be corrected; from where it began {course.before:.0f} m/s would have done: {{cost}}."
        return Fault(number, "corrections", cost, sigma, sentence)
    side = f" {'outward' if in_plane > 0 else 'inward'} of" if abs(in_plane) > 0.6 * off else " off"
    along = "prograde" if prograde else "retrograde"
    sentence = head + f"was as if {math.degrees(off):.0f} degrees{side} {along} throughout: hold the nose on {along}{left}: {{cost}}."
    return Fault(number, "off-axis", cost, sigma, sentence)


def _within(parts: dict[str, float], whole: float) -> dict[str, float]:
    """Parts of at least 0 that add up to no more than the whole."""
    parts = {name: max(value, 0.0) for name, value in parts.items()}
    total, whole = sum(parts.values()), max(whole, 0.0)
    return {name: value * min(1.0, whole / total) if total > 0 else 0.0 for name, value in parts.items()}


def _apsis(before: FittedArc, after: FittedArc, choices) -> tuple[float, str] | None:
    """The passage at which a push along the motion to the energy after comes nearest to the angular momentum after."""
    mu, best = before.body.mu, None
    for time, name in choices:
        radius, _, level = (float(part) for part in before.at(time))
        square = 2 * (after.energy + mu / radius)
        if square <= 0:
            continue
        miss = abs(math.copysign(radius * math.sqrt(square), level) - after.momentum)
        if best is None or miss < best[0] * (1 - 1e-9):
            best = (miss, time, name)
    return best[1:] if best else None


class _Again:
    """The burn flown again along the motion, lit at other times and at other throttles: what it wastes, m/s."""

    def __init__(self, before: FittedArc, after: FittedArc, engine: Engine, course: Course):
        self.before, self.after, self.engine, self.course = before, after, engine, course
        self.limits = transfer_limits(before, course.last)

    def at(self, ignition: float, throttle: float, energy: float | None = None) -> float:
        """To the energy that was reached, or another, m^2/s^2; with what remains to be done in the leg after it."""
        flown = self._flown(ignition, throttle, self.after.energy if energy is None else energy)
        if self.course.final or not math.isfinite(flown.delta_v):
            return self._of(flown)
        last = self.course.last
        rest = least_delta_v(last.body.mu, flown.energy, flown.angular_momentum, last.energy, last.momentum, **self.limits)
        return flown.delta_v + float(rest) - self.course.before

    def own(self, ignition: float, throttle: float) -> float:
        """The same of the burn alone, whatever comes after."""
        return self._of(self._flown(ignition, throttle, self.after.energy))

    def about(self, met: float, throttle: float) -> float:
        """Half before, half after a time; to the energy that was reached or to that of the leg's end, whichever wastes less."""
        energies = {self.after.energy} if self.course.final or self.course.last.kind != "coast" else {self.after.energy, self.course.last.energy}
        tried = [self.at(met - self.lead(met, throttle, energy), throttle, energy) for energy in energies]
        return min((value for value in tried if math.isfinite(value)), default=math.inf)

    def _flown(self, ignition: float, throttle: float, energy: float):
        state = (float(part) for part in self.before.at(ignition))
        return burn_to_energy(self.before.body.mu, *state, energy, self.engine.mass, self.engine.thrust * throttle, self.engine.exhaust_speed)

    def _of(self, flown) -> float:
        if not math.isfinite(flown.delta_v):
            return math.nan
        return flown.delta_v - needed(self.before.body, (self.before.energy, self.before.momentum), (flown.energy, flown.angular_momentum))

    def lead(self, met: float, throttle: float, energy: float) -> float:
        """Seconds from ignition to the moment when half of the delta-v is spent, for the burn about a time."""
        mu = self.before.body.mu
        radius, climb, level = (float(part) for part in self.before.at(met))
        return self.lead_of(abs(math.sqrt(max(2 * (energy + mu / radius), 0.0)) - math.hypot(climb, level)) / 2, throttle)

    def lead_of(self, delta_v: float, throttle: float) -> float:
        """Seconds in which the engine gives this from ignition on."""
        engine = self.engine
        return engine.mass * -math.expm1(-delta_v / engine.exhaust_speed) * engine.exhaust_speed / (engine.thrust * throttle)


def needed(body: Body, first: tuple[float, float], second: tuple[float, float]) -> float:
    """Least delta-v between two orbits (energy, angular momentum), impulses above the ground and inside the sphere of influence, m/s."""
    return float(least_delta_v(body.mu, *first, *second, radius_min=body.radius, radius_max=body.sphere_of_influence))


def _across(number, item: AuditedBurn, before, after, since, head) -> list[Fault]:
    """A push across the motion against the same change made elsewhere on the same coast."""
    burn, body = item.burn, before.body
    met = item.times.middle
    found = []
    if burn.spent_from != "orbits" and burn.burn_loss.known:
        loss = burn.burn_loss
        ratio = min(burn.net.value / burn.spent.value, 1.0) if burn.spent.value > 0 else 1.0
        sentence = (
            head + f"spent {burn.spent.value:.0f} m/s for a change of {burn.net.value:.0f} m/s, as if {math.degrees(math.acos(ratio)):.0f} degrees off "
            "throughout: hold the nose on the change wanted: {cost}."
        )
        found.append(Fault(number, "off-axis", loss.value, loss.sigma, sentence))
    times = _window(before, met, since)
    here = float(_net_at(before, after, np.array([met]))[0])
    costs = _net_at(before, after, times)
    if not np.isfinite(costs).any() or not math.isfinite(here):
        return found
    k = int(np.nanargmin(costs))
    best, time = float(costs[k]), float(times[k])
    saved = min(here - best, burn.placement_loss.value)
    name = next((name for moment, name in passages(before, met, since) if abs(moment - time) < 0.01 * max(np.ptp(times), 1.0)), "")
    arrival = k == 0 and before.index and math.isfinite(since)
    place = f"at {name}" if name else f"on arrival in the sphere of influence of {body.name}" if arrival and not name and body.parent and before.start == since else ""
    if not place:
        place = f"{span(met - time)} {'earlier' if time < met else 'later'}, at {kilometres(before, time)},"
    sentence = head + f"at {kilometres(before, met)} changed the path for {here:.0f} m/s: the same correction made {place} would have cost {best:.0f} m/s: {{cost}}."
    cause = "late" if time < met else "early"
    found.append(Fault(number, cause, saved, burn.placement_loss.sigma, sentence))
    return found


def _window(before: FittedArc, met: float, since: float) -> np.ndarray:
    """Times on the coast before a burn (at most half a turn back) and until the next apsis, or half a turn, after it, above ground and air."""
    body = before.body
    shape = conic.shape(body.mu, *(float(part) for part in before.at(met)))
    period = float(shape.period)
    reach = period / 2 if math.isfinite(period) else max(abs(float(shape.time_since_periapsis)), 1.0)
    start = max(since, met - reach) if math.isfinite(since) else met - reach
    # not past the next apsis: what comes after it is another pass
    ahead = [time - met for time, _ in passages(before, met, -math.inf) if time > met + 1.0]
    times = np.linspace(min(start, met), met + min([reach, *ahead]), 401)
    radius = before.at(times)[0]
    return times[(radius > body.radius + body.air_top) & (radius < body.sphere_of_influence)]


def _net_at(before: FittedArc, after: FittedArc, times: np.ndarray) -> np.ndarray:
    """The one impulse into an orbit of the energy and angular momentum after, at times on the coast before; nan where that orbit isn't so low or high."""
    mu = before.body.mu
    radius, climb, _ = before.at(times)
    low, high = (float(part) for part in apsides(mu, after.energy, after.momentum))
    orbits = (before.energy, before.momentum), (after.energy, after.momentum)
    up = np.minimum(impulse_at(mu, *orbits, radius, climb >= 0, True), impulse_at(mu, *orbits, radius, climb >= 0, False))
    return np.where((radius >= low * (1 - 1e-3)) & (radius <= high * (1 + 1e-3)), up, np.nan)


def sigma_of(arc: FittedArc, name: str) -> float:
    """The sigma of a published figure of an arc, nan where it has none."""
    found = (arc.estimates or {}).get(name)
    return found.sigma if found is not None and found.known else math.nan


def kilometres(arc: FittedArc, met: float) -> str:
    """Altitude on an arc at a time, in words."""
    return f"{(float(arc.at(met)[0]) - arc.body.radius) / 1e3:.0f} km"


def offset(lead: float, name: str) -> str:
    """A lead over an apsis in words: "22 s before periapsis"."""
    return f"at {name}" if abs(lead) < 0.5 else f"{span(lead)} {'before' if lead > 0 else 'after'} {name}"


def when(seconds: float) -> str:
    """Elapsed time as the panel's clock shows it."""
    from analyser.units import format_met

    return format_met(round(seconds))


def span(seconds: float) -> str:
    """A length of time in words."""
    seconds = abs(seconds)
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
