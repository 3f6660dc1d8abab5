"""Legs home from an orbit about a moon to its planet (see :mod:`analyser.fitting.moon_patch`)."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from analyser.fitting.leaving import Leaving
from analyser.fitting.moon_patch import PSI, Crossing, MoonPlace, into_planet, onward, refined, roots
from analyser.fitting.transfer import apsides, time_from_periapsis
from analyser.flight import Body


def from_moon(
    planet: Body, moon: Body, orbit, periapsis: float, then: Callable | None = None, *, place: MoonPlace | None = None
) -> Crossing | None:
    """Cheapest leg from an orbit about the moon to a wanted periapsis about the planet.

    Parameters as in :func:`to_moon`; ``orbit`` is about the moon, ``periapsis`` the radius from the planet's centre, ``then`` is handed planet energies
    and angular momenta. The craft leaves the sphere of influence against the moon's motion when that is cheapest, as it is for a periapsis low
    over the planet.
    """
    place = place or MoonPlace.usual(moon, planet)
    leaving = Leaving(moon, orbit)
    best = None
    for radius, before in leaving.starts:
        search = Homeward(planet, moon, radius, before, leaving, periapsis, then, place)
        found = search.best()
        if found is not None and (best is None or found[0] < best[0]):
            best = (*found, search)
    return None if best is None else best[-1].crossing(*best[1:-1])


class Homeward:
    """Legs from the moon on orbits with an apsis at one radius: speed there and ``psi`` to choose, the planet's periapsis given."""

    def __init__(self, planet, moon, radius, before, leaving: Leaving, periapsis, then, place):
        self.planet, self.moon, self.radius, self.before, self.leaving = planet, moon, radius, before, leaving
        self.periapsis, self.place, self.edge, self.turned = periapsis, place, moon.sphere_of_influence, leaving.sense
        self.then = then or (lambda energy, h: np.zeros_like(energy))
        self.least = math.sqrt(2 * moon.mu * self.edge / (radius * (radius + self.edge))) * (1 + 1e-9)
        fast = 2.5 * place.transverse + math.sqrt(2 * planet.mu / place.distance)
        self.most = math.sqrt(fast**2 + 2 * moon.mu / radius)

    def orbit(self, speed):
        return speed**2 / 2 - self.moon.mu / self.radius, self.turned * speed * self.radius

    def state(self, speed, psi):
        return into_planet(self.planet.mu, self.moon.mu, self.edge, self.place, *self.orbit(speed), psi)

    def height(self, speed, psi):
        """Periapsis about the planet less the one wanted, m; nan where the craft has left the planet for good without passing it."""
        energy, h, radial = self.state(speed, psi)
        p = h * h / self.planet.mu
        low = p / (1 + np.sqrt(np.maximum(1 + 2 * energy * p / self.planet.mu, 0)))
        return np.where((energy < 0) | (radial < 0), low - self.periapsis, np.nan)

    def leave(self, speed):
        """Delta-v, m/s, into the orbits of these speeds at the apsis."""
        return self.leaving.along(self.radius, self.before, *self.orbit(np.asarray(speed, float)))

    def best(self):
        # the speed at the edge, not after the burn, is spread evenly: the burn hardly tells 1 m/s at the edge from 100
        slow = np.linspace(0, 1, 240) ** 2 * math.sqrt(self.most**2 - self.least**2)
        speeds = np.hypot(self.least, slow)
        values = self.height(speeds[:, None], PSI[None, :])
        row, column, part = roots(values, np.isfinite(values))
        if not row.size:
            return None
        psi = PSI[column] + part * (PSI[1] - PSI[0])
        total = self.leave(speeds)[row] + self.then(*self.state(speeds[row], psi)[:2])
        at = int(np.nanargmin(total))
        return self.refine(speeds, int(row[at]), float(psi[at]))

    def refine(self, speeds, row, psi):
        def total(v, q):
            return self.leave(v) + self.then(*self.state(v, q)[:2])

        low, high = float(speeds[max(row - 1, 0)]), float(speeds[min(row + 1, speeds.size - 1)])
        options = [refined(self.height, total, psi, low, high)]
        if low < self.before < high:  # on the way already: no burn at all is a kink of the cost
            options += [refined(self.height, total, psi, self.before, self.before * (1 + 1e-12))]
        return min(options)

    def crossing(self, speed, psi):
        orbit = tuple(map(float, self.orbit(speed)))
        energy, h, radial = map(float, self.state(speed, psi))
        x, y = self.place.distance + self.edge * math.cos(psi), self.edge * math.sin(psi)
        radius = math.hypot(x, y)
        burns = self.leaving.burns(self.radius, self.before, *orbit)
        burn = burns.impulses[-1] if burns.impulses else None
        start = burn.radius if burn else self.radius
        time, swept = onward(self.moon.mu, *orbit, start, self.edge, 1)
        out = float(time_from_periapsis(self.planet.mu, energy, h, radius))
        if radial < 0:
            after = out
        else:
            after = 2 * math.pi * math.sqrt((self.planet.mu / (-2 * energy)) ** 3 / self.planet.mu) - out if energy < 0 else math.nan
        return Crossing(
            burns.delta_v, start, burn.speed_before if burn else self.before, burn.speed_after if burn else self.before, (energy, h), orbit,
            math.sqrt(2 * (orbit[0] + self.moon.mu / self.edge)), time, after, math.remainder(psi - self.turned * swept, 2 * math.pi), psi, radial > 0,
            float(apsides(self.moon.mu, *orbit)[0]), burns.impulses, burns.duration, self.place.turned(-time), False,
        )  # fmt: skip
