"""A burn flown again along the motion, lit at another time or at another throttle: what it would have wasted."""

from __future__ import annotations

import math

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burn_impulse import transfer_limits
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Course, Engine, engine_of
from analyser.fitting.finite import burn_to_energy
from analyser.fitting.transfer import least_delta_v
from analyser.flight import Body


class Again:
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


def cost_of_detour(number: int, following: int, arcs, audited: list[AuditedBurn], craft, rows, course: dict[int, Course]) -> float:
    """What burn ``number`` and the one ``following`` it spent, over the second alone, flown along the motion at its own time and throttle from
    the orbit before the first, m/s; nan where that can't be reckoned."""
    first, second = audited[number], audited[following]
    engine = engine_of(second, craft, rows)
    if engine is None or second.burn.kind != "orbit" or not (first.burn.spent.known and second.burn.spent.known):
        return math.nan
    stand = course[following]
    again = Again(arcs[first.burn.before], arcs[second.burn.after], engine, Course(course[number].before, stand.after, stand.last, stand.final))
    throttle = engine.throttle if math.isfinite(engine.throttle) else 1.0
    waste = first.burn.spent.value + second.burn.spent.value + stand.after - course[number].before
    return waste - again.at(second.burn.ignition.value, throttle)
