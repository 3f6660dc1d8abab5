"""Legs between a planet and its moon by patched conics, both ways.

Inside the moon's sphere of influence only the moon pulls, outside only the planet; at its edge position and
velocity are handed over. Everything is in the moon's plane. A leg is described where it crosses the edge: by ``psi``, the
angle of the crossing seen from the moon, counted from the direction away from the planet towards the moon's
motion. From there both conics follow in closed form, so no time of flight has to be solved for: the burn's place follows from it
(the phase), not the other way round.

Burns are along the motion at an apsis of the orbit left: with the apse line free that is where the
primer vector is longest (see :mod:`analyser.fitting.transfer`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analyser.fitting.transfer import apsides, speeds_at, time_from_periapsis
from analyser.flight import Body

_PSI = np.linspace(-math.pi, math.pi, 541)


@dataclass(frozen=True)
class Crossing:
    """A leg through the edge of a moon's sphere of influence; energies m^2/s^2, angular momenta m^2/s (positive: as the moon goes round).

    Attributes
    ----------
    delta_v : float
        Of the burn that begins the leg, m/s; ``burn_radius`` (m), ``speed_before`` and ``speed_after`` (m/s) tell it.
    planet_orbit, moon_orbit : (energy, angular momentum)
        The conic about the planet and the one about the moon.
    edge_speed : float
        Speed with respect to the moon at the edge, m/s.
    time_before, time_after : float
        Seconds from the burn to the edge, and from the edge to the periapsis aimed for.
    phase : float
        Outward leg: how far the moon is ahead of the burn's place at the burn, rad, seen from the planet. Homeward leg: how far round the moon the burn's
        place is from the point farthest from the planet at the time the craft leaves the sphere, rad, in the moon's sense.
    psi : float
        Where the edge is crossed, rad (see the module).
    outbound : bool
        Whether the craft is moving away from the planet there.
    moon_periapsis : float
        Closest radius to the moon's centre on the conic about it, m.
    """

    delta_v: float
    burn_radius: float
    speed_before: float
    speed_after: float
    planet_orbit: tuple[float, float]
    moon_orbit: tuple[float, float]
    edge_speed: float
    time_before: float
    time_after: float
    phase: float
    psi: float
    outbound: bool
    moon_periapsis: float


@dataclass(frozen=True)
class MoonPlace:
    """Where the moon is and how it moves when the edge is crossed: distance (m), radial and transverse speed (m/s)."""

    distance: float
    radial: float
    transverse: float

    @classmethod
    def of(cls, moon: Body, planet: Body, true_anomaly: float = 0.0) -> "MoonPlace":
        """From the moon's orbit at a true anomaly, rad."""
        e, a = moon.eccentricity, moon.semi_major_axis
        p = a * (1 - e * e)
        rate = math.sqrt(planet.mu / p)
        return cls(p / (1 + e * math.cos(true_anomaly)), rate * e * math.sin(true_anomaly), rate * (1 + e * math.cos(true_anomaly)))

    @classmethod
    def mean(cls, moon: Body, planet: Body) -> "MoonPlace":
        """On the circle of its mean distance."""
        return cls(moon.semi_major_axis, 0.0, math.sqrt(planet.mu / moon.semi_major_axis))


def _to_moon(mu, mu_moon, edge, place: MoonPlace, energy, h, psi, leg):
    """Conic about the planet at the edge crossing ``psi`` into the one about the moon.

    Returns moon energy, moon angular momentum, radial speed at the edge (from the moon; nan where the orbit doesn't come there).
    """
    x, y = edge * np.cos(psi), edge * np.sin(psi)
    radius, beta = np.hypot(place.distance + x, y), np.arctan2(y, place.distance + x)
    transverse = h / radius
    square = 2 * (energy + mu / radius) - transverse**2
    radial = leg * np.sqrt(np.where(square >= 0, square, np.nan))
    vx = radial * np.cos(beta) - transverse * np.sin(beta) - place.radial
    vy = radial * np.sin(beta) + transverse * np.cos(beta) - place.transverse
    return (vx**2 + vy**2) / 2 - mu_moon / edge, x * vy - y * vx, (x * vx + y * vy) / edge


def _to_planet(mu, mu_moon, edge, place: MoonPlace, energy, h, psi):
    """Conic about the moon, leaving the edge at ``psi``, into the one about the planet.

    Returns planet energy, planet angular momentum and radial speed from the planet.
    """
    transverse = h / edge
    radial = np.sqrt(np.clip(2 * (energy + mu_moon / edge) - transverse**2, 0, None))
    x, y = place.distance + edge * np.cos(psi), edge * np.sin(psi)
    vx = radial * np.cos(psi) - transverse * np.sin(psi) + place.radial
    vy = radial * np.sin(psi) + transverse * np.cos(psi) + place.transverse
    radius = np.hypot(x, y)
    return (vx**2 + vy**2) / 2 - mu / radius, x * vy - y * vx, (x * vx + y * vy) / radius


def _roots(values, good):
    """Pairs (row, column) after which ``values`` changes sign along the last axis, with the fraction of the step."""
    ok = good[:, :-1] & good[:, 1:] & (np.sign(values[:, :-1]) != np.sign(values[:, 1:]))
    row, column = np.nonzero(ok)
    a, b = values[row, column], values[row, column + 1]
    return row, column, a / (a - b)


def _apsis_radii(body: Body, orbit) -> list[float]:
    """Radii of the apsides above the ground and inside the sphere of influence; one where they are as good as equal."""
    low, high = (float(r) for r in apsides(body.mu, *orbit))
    radii = [low] if high < low * (1 + 1e-6) else [low, high]
    return [r for r in radii if body.radius <= r * (1 + 1e-9) and r <= body.sphere_of_influence and math.isfinite(r)]


def _refined(values, total, speed, psi, low, high):
    """Best speed between ``low`` and ``high`` for which ``values(speed, psi)`` has a root in psi near the one given.

    Roots come in pairs that meet and vanish at some speed, often the best one: that speed is found first, by halving.
    """
    from scipy.optimize import brentq, minimize_scalar

    reach = 60 * (_PSI[1] - _PSI[0])

    grid = np.linspace(psi - reach, psi + reach, 241)

    def crossings(v):
        found = values(v, grid)
        return _roots(found[None], np.isfinite(found)[None])[1]

    def root(v):
        column = crossings(v)
        if not column.size:
            return math.nan
        nearest = column[int(np.argmin(np.abs(grid[column] - psi)))]
        return brentq(lambda q: float(values(v, q)), float(grid[nearest]), float(grid[nearest + 1]), xtol=1e-12)

    def cost(v):
        q = root(v)
        return total(v, q) if math.isfinite(q) else 1e30

    if not crossings(low).size and crossings(speed).size:
        good, bad = speed, low
        for _ in range(40):
            middle = (good + bad) / 2
            good, bad = (middle, bad) if crossings(middle).size else (good, middle)
        low = good
    result = minimize_scalar(cost, bounds=(low, high), method="bounded", options={"xatol": 1e-4})
    best = min((cost(v), v) for v in (float(result.x), low, speed))
    return best[0], best[1], root(best[1])


def to_moon(
    planet: Body, moon: Body, orbit, periapsis: float, then: Callable | None = None, *, place: MoonPlace | None = None, sense: int = 0
) -> Crossing | None:
    """Cheapest leg from an orbit about the planet to a pass of the moon at a wanted periapsis.

    Parameters
    ----------
    planet, moon : Body
    orbit : (energy, angular momentum)
        About the planet, in the moon's plane, apse line free.
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
    place = place or MoonPlace.mean(moon, planet)
    turned = -1.0 if orbit[1] < 0 else 1.0
    best = None
    for radius in _apsis_radii(planet, orbit):
        before = float(speeds_at(planet.mu, *orbit, radius)[1])
        if radius >= place.distance - moon.sphere_of_influence:
            continue
        search = _Outward(planet, moon, radius, before, turned, periapsis, then, place)
        found = search.best(sense)
        if found is not None and (best is None or found[0] < best[0]):
            best = (*found, search)
    return None if best is None else best[-1].crossing(*best[1:-1])


class _Outward:
    """Legs to the moon that leave one apsis along the motion: speed after the burn and ``psi`` to choose, periapsis given."""

    def __init__(self, planet, moon, radius, before, turned, periapsis, then, place):
        self.planet, self.moon, self.radius, self.before, self.turned = planet, moon, radius, before, turned
        self.periapsis, self.place, self.edge = periapsis, place, moon.sphere_of_influence
        self.then = then or (lambda energy, h: np.zeros_like(energy))
        near, far = place.distance - self.edge, place.distance * 1.05 + self.edge
        self.least = math.sqrt(2 * planet.mu * near / (radius * (radius + near)))
        self.most = max(math.sqrt(2 * planet.mu * far / (radius * (radius + far))), 1.02 * self.least)

    def orbit(self, speed):
        return speed**2 / 2 - self.planet.mu / self.radius, self.turned * speed * self.radius

    def state(self, speed, psi, leg):
        return _to_moon(self.planet.mu, self.moon.mu, self.edge, self.place, *self.orbit(speed), psi, leg)

    def error(self, speed, psi, leg, sense):
        """Angular momentum at the moon less the one that passes at the wanted periapsis; and whether the craft is coming in."""
        energy, h, radial = self.state(speed, psi, leg)
        return h - sense * self.periapsis * np.sqrt(2 * np.clip(energy + self.moon.mu / self.periapsis, 0, None)), radial < 0

    def best(self, sense):
        """(total delta-v, speed, psi, leg, sense) of the best leg; legs are outward or inward at the edge, and pass the moon either way."""
        speeds = self.least + (self.most - self.least) * np.linspace(0, 1, 80)[:, None] ** 2
        starts = []
        for leg in (1, -1):
            for way in (1, -1) if not sense else (sense,):
                values, inward = self.error(speeds, _PSI[None, :], leg, way)
                row, column, part = _roots(values, inward & np.isfinite(values))
                if not row.size:
                    continue
                psi = _PSI[column] + part * (_PSI[1] - _PSI[0])
                speed = speeds[row, 0]
                energy, h, _ = self.state(speed, psi, leg)
                total = np.abs(speed - self.turned * self.before) + self.then(energy, h)
                if not np.isfinite(total).any():
                    continue
                at = int(np.nanargmin(total))
                starts.append((float(total[at]), float(speed[at]), float(psi[at]), leg, way))
        # the grid tells the kinds apart to far better than a metre per second or they are as good as equal: the best two are refined
        refined = [self.refine(*start[1:], speeds[:, 0]) for start in sorted(starts)[:2]]
        return min(refined, default=None)

    def refine(self, speed, psi, leg, sense, speeds):
        def values(v, q):
            found, inward = self.error(v, q, leg, sense)
            return np.where(inward, found, np.nan)

        def total(v, q):
            energy, h, _ = self.state(v, np.atleast_1d(q), leg)
            return abs(v - self.turned * self.before) + float(self.then(energy, h)[0])

        at = int(np.argmin(np.abs(speeds - speed)))
        low, high = speeds[max(at - 1, 0)], speeds[min(at + 1, speeds.size - 1)]
        return (*_refined(values, total, speed, psi, float(low), float(high)), leg, sense)

    def crossing(self, speed, psi, leg, sense):
        mu = self.planet.mu
        orbit = tuple(map(float, self.orbit(speed)))
        energy, h, radial = map(float, self.state(speed, psi, leg))
        x, y = self.place.distance + self.edge * math.cos(psi), self.edge * math.sin(psi)
        radius, beta = math.hypot(x, y), math.atan2(y, x)
        time = _time_out(mu, *orbit, self.radius, radius, leg)
        anomaly = self.turned * _angle_out(mu, *orbit, self.radius, radius, leg)
        rate = self.place.transverse / self.place.distance  # exact for a circle; an eccentric moon moves unevenly
        after = float(time_from_periapsis(self.moon.mu, energy, h, self.edge))
        phase = math.remainder(anomaly - beta - rate * time, 2 * math.pi)
        return Crossing(
            abs(speed - self.turned * self.before), self.radius, abs(self.before), speed, orbit, (energy, h),
            math.sqrt(2 * (energy + self.moon.mu / self.edge)), time, after, phase, psi, leg > 0, float(apsides(self.moon.mu, energy, h)[0]),
        )  # fmt: skip


def _time_out(mu, energy, h, start, radius, leg):
    """Seconds from the apsis at ``start`` to a radius, on the way out (leg 1) or back (-1)."""
    low, high = (float(x) for x in apsides(mu, energy, h))
    out = float(time_from_periapsis(mu, energy, h, radius))
    half = math.pi * math.sqrt((mu / (-2 * energy)) ** 3 / mu) if energy < 0 else math.inf
    if abs(start - low) <= abs(start - high):
        return out if leg > 0 else 2 * half - out
    return half - out if leg < 0 else half + out


def _angle_out(mu, energy, h, start, radius, leg):
    """Angle, rad, swept meanwhile."""
    low, high = (float(x) for x in apsides(mu, energy, h))
    e = math.sqrt(max(1 + 2 * energy * h * h / mu**2, 0))
    nu = math.acos(max(-1.0, min(1.0, (h * h / mu / radius - 1) / e))) if e else 0.0
    if abs(start - low) <= abs(start - high):
        return nu if leg > 0 else 2 * math.pi - nu
    return math.pi - nu if leg < 0 else math.pi + nu


def free_return(planet: Body, moon: Body, orbit, periapsis: float) -> Crossing | None:
    """A leg to the moon that, untouched, comes back to the height it left from.

    The pass is behind the moon and against its way round the planet, its closest point on the line from the planet through the moon: then
    the way home mirrors the way out. Parameters as in :func:`to_moon`; the moon on its mean circle. None where there is none: the moon's pull is then too
    weak or too strong to turn the craft so.
    """
    from scipy.optimize import brentq

    place = MoonPlace.mean(moon, planet)
    turned = -1.0 if orbit[1] < 0 else 1.0
    radius = min(_apsis_radii(planet, orbit), default=math.nan)
    if not radius < place.distance - moon.sphere_of_influence:
        return None
    search = _Outward(planet, moon, radius, float(speeds_at(planet.mu, *orbit, radius)[1]), turned, periapsis, None, place)
    rate, sense = place.transverse / place.distance, -1
    step = _PSI[1] - _PSI[0]

    def root(v, near):
        grid = near + np.linspace(-20 * step, 20 * step, 161)
        values, inward = search.error(v, grid, 1, sense)
        values = np.where(inward, values, np.nan)
        _, column, _ = _roots(values[None], np.isfinite(values)[None])
        if not column.size:
            return math.nan
        k = column[int(np.argmin(np.abs(grid[column] - near)))]
        return brentq(lambda q: float(search.error(v, q, 1, sense)[0]), float(grid[k]), float(grid[k + 1]), xtol=1e-12)

    def askew(v, q):
        """Angle of the closest point from the line through planet and moon at that moment, rad."""
        energy, h, _ = (float(x) for x in search.state(v, q, 1))
        swept = sense * _angle_out(moon.mu, energy, h, float(apsides(moon.mu, energy, h)[0]), search.edge, 1)
        return math.remainder(q + swept - rate * float(time_from_periapsis(moon.mu, energy, h, search.edge)), 2 * math.pi)

    speeds = search.least + (search.most * 1.01 - search.least) * np.linspace(0, 1, 160)
    values, inward = search.error(speeds[:, None], _PSI[None, :], 1, sense)
    row, column, part = _roots(values, inward & np.isfinite(values))
    before: list[tuple[float, float, float]] = []
    for k, v in enumerate(speeds):
        here = [(v, q, askew(v, q)) for q in (_PSI[column] + part * step)[row == k]]
        for v1, q1, a1 in here:
            for v0, q0, a0 in before:
                if abs(q1 - q0) < 12 * step and a0 * a1 < 0 and abs(a1 - a0) < 1.0:
                    found = brentq(lambda v: askew(v, root(v, q0 + (q1 - q0) * (v - v0) / (v1 - v0))), v0, v1, xtol=1e-9)
                    return search.crossing(found, root(found, q0 + (q1 - q0) * (found - v0) / (v1 - v0)), 1, sense)
        before = here
    return None


def from_moon(
    planet: Body, moon: Body, orbit, periapsis: float, then: Callable | None = None, *, place: MoonPlace | None = None
) -> Crossing | None:
    """Cheapest leg from an orbit about the moon to a wanted periapsis about the planet.

    Parameters as in :func:`to_moon`; ``orbit`` is about the moon, ``periapsis`` the radius from the planet's centre, ``then`` is handed planet energies
    and angular momenta. The craft leaves the sphere of influence against the moon's motion when that is cheapest, as it is for a periapsis low
    over the planet.
    """
    place = place or MoonPlace.mean(moon, planet)
    best = None
    for radius in _apsis_radii(moon, orbit):
        search = _Homeward(planet, moon, radius, orbit, periapsis, then, place)
        found = search.best()
        if found is not None and (best is None or found[0] < best[0]):
            best = (*found, search)
    return None if best is None else best[-1].crossing(*best[1:-1])


class _Homeward:
    """Legs from an apsis about the moon, along the motion: speed after the burn and ``psi`` to choose, the planet's periapsis given."""

    def __init__(self, planet, moon, radius, orbit, periapsis, then, place):
        self.planet, self.moon, self.radius, self.periapsis, self.place = planet, moon, radius, periapsis, place
        self.edge, self.then = moon.sphere_of_influence, then
        self.turned = -1.0 if orbit[1] < 0 else 1.0
        self.before = abs(float(speeds_at(moon.mu, *orbit, radius)[1]))
        self.least = math.sqrt(2 * moon.mu * self.edge / (radius * (radius + self.edge))) * (1 + 1e-9)
        fast = 2.5 * place.transverse + math.sqrt(2 * planet.mu / place.distance)
        self.most = math.sqrt(fast**2 + 2 * moon.mu / radius)

    def orbit(self, speed):
        return speed**2 / 2 - self.moon.mu / self.radius, self.turned * speed * self.radius

    def state(self, speed, psi):
        return _to_planet(self.planet.mu, self.moon.mu, self.edge, self.place, *self.orbit(speed), psi)

    def height(self, speed, psi):
        """Periapsis about the planet less the one wanted, m; nan where the craft has left the planet for good without passing it."""
        energy, h, radial = self.state(speed, psi)
        low = apsides(self.planet.mu, energy, h)[0]
        return np.where((energy < 0) | (radial < 0), low - self.periapsis, np.nan)

    def best(self):
        # the speed at the edge, not after the burn, is spread evenly: the burn hardly tells 1 m/s at the edge from 100
        slow = np.linspace(0, 1, 240) ** 2 * math.sqrt(self.most**2 - self.least**2)
        speeds = np.hypot(self.least, slow)
        values = self.height(speeds[:, None], _PSI[None, :])
        row, column, part = _roots(values, np.isfinite(values))
        if not row.size:
            return None
        psi, speed = _PSI[column] + part * (_PSI[1] - _PSI[0]), speeds[row]
        total = np.abs(speed - self.before)
        if self.then is not None:
            total = total + self.then(*self.state(speed, psi)[:2])
        at = int(np.nanargmin(total))
        return self.refine(speeds, int(row[at]), float(psi[at]))

    def refine(self, speeds, row, psi):
        def total(v, q):
            after = 0.0 if self.then is None else float(np.ravel(self.then(*(np.atleast_1d(x) for x in self.state(v, q)[:2])))[0])
            return abs(v - self.before) + after

        low, high = float(speeds[max(row - 1, 0)]), float(speeds[min(row + 1, speeds.size - 1)])
        return _refined(self.height, total, float(speeds[row]), psi, low, high)

    def crossing(self, speed, psi):
        orbit = tuple(map(float, self.orbit(speed)))
        energy, h, radial = map(float, self.state(speed, psi))
        x, y = self.place.distance + self.edge * math.cos(psi), self.edge * math.sin(psi)
        radius = math.hypot(x, y)
        time = _time_out(self.moon.mu, *orbit, self.radius, self.edge, 1)
        swept = self.turned * _angle_out(self.moon.mu, *orbit, self.radius, self.edge, 1)
        out = float(time_from_periapsis(self.planet.mu, energy, h, radius))
        if radial < 0:
            after = out
        else:
            after = 2 * math.pi * math.sqrt((self.planet.mu / (-2 * energy)) ** 3 / self.planet.mu) - out if energy < 0 else math.nan
        return Crossing(
            abs(speed - self.before), self.radius, self.before, speed, (energy, h), orbit,
            math.sqrt(2 * (orbit[0] + self.moon.mu / self.edge)), time, after, math.remainder(psi - swept, 2 * math.pi), psi, radial > 0,
            float(apsides(self.moon.mu, *orbit)[0]),
        )  # fmt: skip
