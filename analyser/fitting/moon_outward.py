"""Legs from an orbit about a planet to its moon, and the free return (see :mod:`analyser.fitting.moon_patch`)."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from analyser.fitting.leaving import Leaving
from analyser.fitting.moon_patch import PSI, Crossing, MoonPlace, angle_out, into_moon, onward, refined, roots
from analyser.fitting.transfer import apsides, time_from_periapsis
from analyser.flight import Body


def to_moon(
    planet: Body, moon: Body, orbit, periapsis: float, then: Callable | None = None, *, place: MoonPlace | None = None, sense: int = 0
) -> Crossing | None:
    """Cheapest leg from an orbit about the planet to a pass of the moon at a wanted periapsis.

    Parameters
    ----------
    planet, moon : Body
    orbit : (energy, angular momentum)
        About the planet, in the moon's plane, apse line free; burns anywhere on it above the ground.
    periapsis : float
        Wanted closest radius from the moon's centre, m.
    then : callable, optional
        (moon energies, moon angular momenta) -> delta-v, m/s, of what is to be done at the moon: counted in choosing the leg.
    place : MoonPlace, optional
        Where the moon is on arrival; by default at its mean distance (for a moon on a circle there is no other).
    sense : int
        1 to pass the moon as it goes round the planet, -1 the other way, 0 whichever is cheaper.

    Returns
    -------
    Crossing or None
        None where no such leg exists.
    """
    place = place or MoonPlace.usual(moon, planet)
    leaving = Leaving(planet, orbit)
    best = None
    for radius, before in leaving.starts:
        search = Outward(planet, moon, radius, before, leaving, periapsis, then, place)
        found = search.best(sense)
        if found is not None and (best is None or found[0] < best[0]):
            best = (*found, search)
    if best is None:
        return None
    return best[-1].crossing(*best[1:-1])


class Outward:
    """Legs to the moon on orbits with an apsis at one radius: speed there and ``psi`` to choose, periapsis at the moon given."""

    def __init__(self, planet, moon, radius, before, leaving: Leaving, periapsis, then, place):
        self.planet, self.moon, self.radius, self.before, self.leaving = planet, moon, radius, before, leaving
        self.periapsis, self.place, self.edge, self.turned = periapsis, place, moon.sphere_of_influence, leaving.sense
        self.then = then or (lambda energy, h: np.zeros_like(energy))
        near, far = place.distance - self.edge, place.distance * 1.05 + self.edge

        def speed(other):
            """Speed at this radius of the orbit whose other apsis is there."""
            return math.sqrt(2 * planet.mu * other / (radius * (radius + other)))

        if radius < near:
            self.least = speed(near)
            self.most = max(speed(far), 1.02 * self.least)
        else:  # down to the moon, or from as far out as it
            self.least = speed(planet.radius)
            self.most = speed(place.distance + self.edge) if radius > place.distance + self.edge else 1.05 * math.sqrt(2 * planet.mu / radius)

    def orbit(self, speed):
        return speed**2 / 2 - self.planet.mu / self.radius, self.turned * speed * self.radius

    def leave(self, speed):
        """Delta-v, m/s, into the orbits of these speeds at the apsis."""
        return self.leaving.along(self.radius, self.before, *self.orbit(np.asarray(speed, float)))

    def state(self, speed, psi, leg):
        return into_moon(self.planet.mu, self.moon.mu, self.edge, self.place, *self.orbit(speed), psi, leg)

    def error(self, speed, psi, leg, sense):
        """Angular momentum at the moon less the one that passes at the wanted periapsis; and whether the craft is coming in."""
        return self.off(self.state(speed, psi, leg), sense)

    def off(self, state, sense):
        """As :meth:`error`, from the state at the edge."""
        energy, h, radial = state
        return h - sense * self.periapsis * np.sqrt(2 * np.maximum(energy + self.moon.mu / self.periapsis, 0)), radial < 0

    def best(self, sense):
        """(total delta-v, speed, psi, leg, sense) of the best leg; legs are outward or inward at the edge, and pass the moon either way."""
        speeds = self.least + (self.most - self.least) * np.linspace(0, 1, 80)[:, None] ** 2
        leave = self.leave(speeds[:, 0])
        starts = []
        for leg in (1, -1):
            edge = self.state(speeds, PSI[None, :], leg)
            for way in (1, -1) if not sense else (sense,):
                values, inward = self.off(edge, way)
                row, column, part = roots(values, inward & np.isfinite(values))
                if not row.size:
                    continue
                psi = PSI[column] + part * (PSI[1] - PSI[0])
                speed = speeds[row, 0]
                energy, h, _ = self.state(speed, psi, leg)
                total = leave[row] + self.then(energy, h)
                if not np.isfinite(total).any():
                    continue
                at = int(np.nanargmin(total))
                starts.append((float(total[at]), float(speed[at]), float(psi[at]), leg, way))
        # the grid tells the kinds apart to far better than a metre per second or they are as good as equal: the best two are refined
        refined_ = [self.refine(*start[1:], speeds[:, 0]) for start in sorted(starts)[:2]]
        return min(refined_, default=None)

    def refine(self, speed, psi, leg, sense, speeds):
        def values(v, q):
            found, inward = self.error(v, q, leg, sense)
            return np.where(inward, found, np.nan)

        def total(v, q):
            energy, h, _ = self.state(v, q, leg)
            return self.leave(v) + self.then(energy, h)

        at = int(np.argmin(np.abs(speeds - speed)))
        low, high = float(speeds[max(at - 1, 0)]), float(speeds[min(at + 1, speeds.size - 1)])
        options = [refined(values, total, psi, low, high)]
        if low < self.before < high:  # on the way already: no burn at all is a kink of the cost
            options += [refined(values, total, psi, self.before, self.before * (1 + 1e-12))]
        return (*min(options), leg, sense)

    def crossing(self, speed, psi, leg, sense):
        mu = self.planet.mu
        orbit = tuple(map(float, self.orbit(speed)))
        energy, h, radial = map(float, self.state(speed, psi, leg))
        x, y = self.place.distance + self.edge * math.cos(psi), self.edge * math.sin(psi)
        radius, beta = math.hypot(x, y), math.atan2(y, x)
        burns = self.leaving.burns(self.radius, self.before, *orbit)
        burn = burns.impulses[-1] if burns.impulses else None
        start = burn.radius if burn else self.radius
        time, swept = onward(mu, *orbit, start, radius, leg)
        moon_then = self.place.turned(-time)
        after = float(time_from_periapsis(self.moon.mu, energy, h, self.edge))
        phase = math.remainder(self.turned * swept - beta - (self.place.true_anomaly - moon_then), 2 * math.pi)
        return Crossing(
            burns.delta_v, start, burn.speed_before if burn else self.before, burn.speed_after if burn else self.before, orbit, (energy, h),
            math.sqrt(2 * (energy + self.moon.mu / self.edge)), time, after, phase, psi, leg > 0, float(apsides(self.moon.mu, energy, h)[0]),
            burns.impulses, burns.duration, moon_then,
        )  # fmt: skip


def free_return(planet: Body, moon: Body, orbit, periapsis: float) -> Crossing | None:
    """A leg to the moon that, untouched, comes back to the height it left from.

    The pass is behind the moon and against its way round the planet, its closest point on the line from the planet through the moon: then
    the way home mirrors the way out. Parameters as in :func:`to_moon`; the moon on its mean circle. None where there is none: the moon's pull is then too
    weak or too strong to turn the craft so.
    """
    from scipy.optimize import brentq

    place = MoonPlace.mean(moon, planet)
    leaving = Leaving(planet, orbit)
    radius, before = min((start for start in leaving.starts if math.isfinite(start[1])), default=(math.nan, math.nan))
    if not radius < place.distance - moon.sphere_of_influence:
        return None
    search = Outward(planet, moon, radius, before, leaving, periapsis, None, place)
    rate, sense = place.transverse / place.distance, -1
    step = PSI[1] - PSI[0]

    def root(v, near):
        grid = near + np.linspace(-20 * step, 20 * step, 161)
        values, inward = search.error(v, grid, 1, sense)
        values = np.where(inward, values, np.nan)
        _, column, _ = roots(values[None], np.isfinite(values)[None])
        if not column.size:
            return math.nan
        k = column[int(np.argmin(np.abs(grid[column] - near)))]
        return brentq(lambda q: float(search.error(v, q, 1, sense)[0]), float(grid[k]), float(grid[k + 1]), xtol=1e-12)

    def askew(v, q):
        """Angle of the closest point from the line through planet and moon at that moment, rad."""
        energy, h, _ = (float(x) for x in search.state(v, q, 1))
        swept = sense * angle_out(moon.mu, energy, h, float(apsides(moon.mu, energy, h)[0]), search.edge, 1)
        return math.remainder(q + swept - rate * float(time_from_periapsis(moon.mu, energy, h, search.edge)), 2 * math.pi)

    speeds = search.least + (search.most * 1.01 - search.least) * np.linspace(0, 1, 160)
    values, inward = search.error(speeds[:, None], PSI[None, :], 1, sense)
    row, column, part = roots(values, inward & np.isfinite(values))
    before: list[tuple[float, float, float]] = []
    for k, v in enumerate(speeds):
        here = [(v, q, askew(v, q)) for q in (PSI[column] + part * step)[row == k]]
        for v1, q1, a1 in here:
            for v0, q0, a0 in before:
                if abs(q1 - q0) < 12 * step and a0 * a1 < 0 and abs(a1 - a0) < 1.0:
                    found = brentq(lambda v: askew(v, root(v, q0 + (q1 - q0) * (v - v0) / (v1 - v0))), v0, v1, xtol=1e-9)
                    return search.crossing(found, root(found, q0 + (q1 - q0) * (found - v0) / (v1 - v0)), 1, sense)
        before = here
    return None
