"""An ideal leg being written: where it begins, its burns in order, the tanks as they go down."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from analyser.findings import IdealBurn, IdealPath
from analyser.fitting import goals
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import Transfer, apsides, orbit_of_apsides
from analyser.flight import Body


@dataclass(frozen=True)
class Place:
    """Where a leg begins or ends: an orbit about a body, or the ground (then the orbit is that of a craft at rest there).

    ``energy`` in m^2/s^2; ``angular_momentum`` in m^2/s, positive in the sense of the body's rotation and its moons' motion. ``met``: when, s,
    where that is known. How the orbit lies, rad, nan where it is not known: ``inclination``, ``node`` (longitude of the ascending node), ``argument`` (of
    periapsis).
    """

    body: str
    energy: float
    angular_momentum: float
    landed: bool = False
    met: float = math.nan
    inclination: float = math.nan
    node: float = math.nan
    argument: float = math.nan

    @classmethod
    def on(cls, body: Body, met: float = math.nan) -> "Place":
        """At rest on the equator of a body."""
        return cls(body.name, *goals.resting(body), True, met)

    @classmethod
    def around(cls, body: Body, periapsis_altitude: float, apoapsis_altitude: float, met: float = math.nan) -> "Place":
        """In the orbit with these apsis altitudes, m."""
        orbit = orbit_of_apsides(body.mu, body.radius + periapsis_altitude, body.radius + apoapsis_altitude)
        return cls(body.name, float(orbit[0]), float(orbit[1]), False, met)

    @property
    def orbit(self) -> tuple[float, float]:
        """(energy, angular momentum)."""
        return self.energy, self.angular_momentum


@dataclass
class Draft:
    """A leg being written: burns are added in order, the tanks go down with them."""

    tanks: Tanks
    burns: list
    remarks: list
    duration: float = 0.0
    check: bool = False
    memory: PoweredMemory | None = None
    paths: list = field(default_factory=list)
    doubt: float = 0.0  # m/s
    anytime: bool = False  # a moon whose distance changes is met where that costs least

    def path(self, body: Body, energy: float, angular_momentum: float, part: str = "whole") -> None:
        """A coast of the leg, for who draws it."""
        found = IdealPath(body.name, float(energy), float(angular_momentum), part)
        if not self.paths or replace(self.paths[-1], part=part) != found:
            self.paths.append(found)

    def burn(self, what: str, body: Body, radius: float, delta_v: float, met: float, before: float, after: float, least: float = math.nan) -> None:
        self.tanks, propellant, duration = self.tanks.spend(delta_v)
        self.burns.append(IdealBurn(what, body.name, radius - body.radius, delta_v, met, propellant, duration, before, after))

    def lengthy(self, body: Body, radius: float, before: float, after: float, tanks: Tanks) -> None:
        """Say what a long burn at an apsis costs over its impulse, and when to light it; ``tanks`` as they were before it."""
        from analyser.fitting.finite import best_lead

        duration = self.burns[-1].duration
        if not self.check or not duration * before / radius > 0.1 or self.tanks.stage != tanks.stage:
            return
        flown = best_lead(body.mu, radius, before, after**2 / 2 - body.mu / radius, tanks.mass, tanks.thrust, tanks.exhaust_speed)
        if math.isfinite(flown.delta_v):
            self.burns[-1] = replace(self.burns[-1], lead=flown.lead)
            self.remarks.append(
                f"the burn takes {flown.duration:.0f} s: light it {flown.lead:.0f} s before its place and hold it along the motion;"
                f" that costs {max(flown.delta_v - abs(after - before), 0):.1f} m/s more than at one stroke"
            )

    def transfer(self, body: Body, found: Transfer, start: float = 0.0) -> None:
        """Burns of an impulsive transfer about one body."""
        for number, impulse in enumerate(found.impulses):
            met, tanks = start + (found.duration if number else 0.0), self.tanks
            self.burn(f"{impulse.direction}{where_words(impulse.place)}", body, impulse.radius, impulse.delta_v, met, impulse.speed_before, impulse.speed_after)
            if abs(impulse.radial) < 1e-6 * impulse.delta_v and impulse.radius > body.radius * (1 + 1e-9) and impulse.radial_before < 1e-3:
                self.lengthy(body, impulse.radius, impulse.speed_before, impulse.speed_after, tanks)
        self.duration = start + (found.duration if math.isfinite(found.duration) else 0.0)


def where_words(place: str) -> str:
    return {"anywhere": ", anywhere on the circle", "on the way": ", on the way"}.get(place, f" at {place}")


def is_round(body: Body, place: Place) -> bool:
    low, high = apsides(body.mu, *place.orbit)
    return bool(high < low * (1 + 1e-5))


def lowest_impulse(body: Body, *orbits) -> float:
    """Least radius, m, for impulses between orbits (energy, angular momentum) and for apsides passed between them: the top of the air where all of
    them come above it, else the ground."""
    top = body.radius + body.air_top
    return top if all(float(apsides(body.mu, *orbit)[1]) > top for orbit in orbits) else body.radius
