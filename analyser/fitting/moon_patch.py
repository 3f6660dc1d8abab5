"""Patched conics between a planet and its moon: the hand-over at the edge of the moon's sphere of influence, and where the moon is.

Inside the moon's sphere of influence only the moon pulls, outside only the planet; at its edge position and
velocity are handed over. Everything is in the moon's plane. A leg is described where it crosses the edge: by ``psi``, the
angle of the crossing seen from the moon, counted from the direction away from the planet towards the moon's
motion. From there both conics follow in closed form, so no time of flight has to be solved for: the burn's place follows from it
(the phase), not the other way round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.transfer import Impulse, apsides, time_from_periapsis
from analyser.flight import Body

PSI = np.linspace(-math.pi, math.pi, 541)
_ROUNDS = 8
_CLOSE = 1e-11  # rad: steps towards a root that are shorter leave it exact, as each is far shorter than the last


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
    impulses : tuple of Impulse
        The burns from the orbit left, in order; ``time_before`` and ``phase`` are counted from the last of them.
    lead_in : float
        Seconds from the first of them to the last.
    anomaly : float
        True anomaly of the moon on its own orbit when the leg begins, rad.
    inward : bool
        Whether it leads to the moon; else home from it.
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
    impulses: tuple[Impulse, ...] = ()
    lead_in: float = 0.0
    anomaly: float = 0.0
    inward: bool = True


@dataclass(frozen=True)
class MoonPlace:
    """Where the moon is and how it moves when the edge is crossed: distance (m), radial and transverse speed (m/s), true anomaly (rad).

    ``mean_motion`` (rad/s) and ``eccentricity`` carry it along its own orbit.
    """

    distance: float
    radial: float
    transverse: float
    true_anomaly: float = 0.0
    eccentricity: float = 0.0
    mean_motion: float = math.nan

    @classmethod
    def of(cls, moon: Body, planet: Body, true_anomaly: float = 0.0) -> "MoonPlace":
        """From the moon's orbit at a true anomaly, rad."""
        e, a = moon.eccentricity, moon.semi_major_axis
        p = a * (1 - e * e)
        pull = math.sqrt(planet.mu / p)
        return cls(
            p / (1 + e * math.cos(true_anomaly)), pull * e * math.sin(true_anomaly), pull * (1 + e * math.cos(true_anomaly)), true_anomaly, e,
            math.sqrt(planet.mu / a**3),
        )  # fmt: skip

    @classmethod
    def mean(cls, moon: Body, planet: Body) -> "MoonPlace":
        """On the circle of its mean distance."""
        rate = math.sqrt(planet.mu / moon.semi_major_axis**3)
        return cls(moon.semi_major_axis, 0.0, rate * moon.semi_major_axis, 0.0, 0.0, rate)

    @classmethod
    def usual(cls, moon: Body, planet: Body) -> "MoonPlace":
        """Where nothing says where it is: at its mean distance, on the way out."""
        return cls.mean(moon, planet) if moon.eccentricity < 1e-9 else cls.of(moon, planet, math.acos(-moon.eccentricity))

    @classmethod
    def at(cls, moon: Body, planet: Body, met: float) -> "MoonPlace | None":
        """Where it is at a time, s; None where its place at MET 0, or the time, is not known."""
        mean = moon.mean_anomaly_at_epoch + math.sqrt(planet.mu / moon.semi_major_axis**3) * met
        return cls.of(moon, planet, true_anomaly(moon.eccentricity, mean)) if math.isfinite(mean) else None

    def turned(self, time: float) -> float:
        """True anomaly, rad, ``time`` seconds later; runs on over whole turns."""
        e, nu = self.eccentricity, self.true_anomaly
        whole = round(nu / (2 * math.pi)) * 2 * math.pi
        half = 2 * math.atan2(math.sqrt(1 - e) * math.sin((nu - whole) / 2), math.sqrt(1 + e) * math.cos((nu - whole) / 2))
        return true_anomaly(e, whole + half - e * math.sin(half) + self.mean_motion * time)


def true_anomaly(eccentricity: float, mean: float) -> float:
    """From the mean anomaly, rad, on an ellipse (Kepler's equation by Newton's steps); runs on over whole turns."""
    whole = round(mean / (2 * math.pi)) * 2 * math.pi
    m = mean - whole
    part = m + eccentricity * math.sin(m) if eccentricity < 0.8 else math.copysign(math.pi, m)
    for _ in range(30):
        step = (part - eccentricity * math.sin(part) - m) / (1 - eccentricity * math.cos(part))
        part -= step
        if abs(step) < 1e-14:
            break
    return whole + 2 * math.atan2(math.sqrt(1 + eccentricity) * math.sin(part / 2), math.sqrt(1 - eccentricity) * math.cos(part / 2))


def into_moon(mu, mu_moon, edge, place: MoonPlace, energy, h, psi, leg):
    """Conic about the planet at the edge crossing ``psi`` into the one about the moon.

    Returns moon energy, moon angular momentum, radial speed at the edge (from the moon; nan where the orbit doesn't come there).
    """
    x, y = edge * np.cos(psi), edge * np.sin(psi)
    radius = np.hypot(place.distance + x, y)
    cos_beta, sin_beta = (place.distance + x) / radius, y / radius
    transverse = h / radius
    with np.errstate(invalid="ignore"):
        radial = leg * np.sqrt(2 * (energy + mu / radius) - transverse**2)
    vx = radial * cos_beta - transverse * sin_beta - place.radial
    vy = radial * sin_beta + transverse * cos_beta - place.transverse
    return (vx**2 + vy**2) / 2 - mu_moon / edge, x * vy - y * vx, (x * vx + y * vy) / edge


def into_planet(mu, mu_moon, edge, place: MoonPlace, energy, h, psi):
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


def roots(values, good):
    """Pairs (row, column) after which ``values`` changes sign along the last axis, with the fraction of the step."""
    ok = good[:, :-1] & good[:, 1:] & (np.sign(values[:, :-1]) != np.sign(values[:, 1:]))
    row, column = np.nonzero(ok)
    a, b = values[row, column], values[row, column + 1]
    return row, column, a / (a - b)


def refined(values, total, psi, low, high):
    """Best speed between ``low`` and ``high`` for which ``values(speed, psi)`` has a root in psi near the one given: (total, speed, psi).

    ``values`` and ``total`` (delta-v, m/s) take arrays. Roots come in pairs that meet and vanish at some speed, often the best one: rounds of a few speeds,
    each round about the best of the last, close in on that as well as on a smooth minimum.
    """
    reach = 60 * (PSI[1] - PSI[0])
    found = (math.inf, math.nan, psi)
    for _ in range(_ROUNDS):
        speeds = np.linspace(low, high, 13)
        angles = _root_near(values, speeds, found[2], reach)
        has = np.flatnonzero(np.isfinite(angles))
        if not has.size:
            break
        cost = np.full(speeds.size, np.inf)
        cost[has] = total(speeds[has], angles[has])
        cost[np.isnan(cost)] = np.inf
        at = int(np.argmin(cost))
        if cost[at] < found[0]:
            found = (float(cost[at]), float(speeds[at]), float(angles[at]))
        low, high = float(speeds[max(at - 1, 0)]), float(speeds[min(at + 1, 12)])
        reach = max(reach / 2, 4 * (PSI[1] - PSI[0]))
        if high - low < 1e-5:
            break
    return found


def _root_near(values, speeds, psi, reach) -> np.ndarray:
    """For each speed the root of ``values`` nearest to ``psi`` (the regula falsi of Illinois, all at once); nan where there is none within reach."""
    grid = np.linspace(psi - reach, psi + reach, 241)
    table = values(speeds[:, None], grid[None, :])
    row, column, _ = roots(table, np.isfinite(table))
    angles = np.full(speeds.size, np.nan)
    if not row.size:
        return angles
    away = np.abs(grid[column] - psi)
    nearest = np.full(speeds.size, np.inf)
    np.minimum.at(nearest, row, away)
    pick = np.flatnonzero(away == nearest[row])
    row, column = row[pick], column[pick]
    v, a, b = speeds[row], grid[column], grid[column + 1]
    fa, fb = table[row, column], table[row, column + 1]
    with np.errstate(all="ignore"):
        for _ in range(14):
            c = np.where(fb == fa, a, (a * fb - b * fa) / (fb - fa))
            fc = values(v, c)
            crossed = np.sign(fc) != np.sign(fb)
            a, fa = np.where(crossed, b, a), np.where(crossed, fb, fa / 2)
            moved, b, fb = np.abs(c - b), c, fc
            if not (moved > _CLOSE).any():
                break
    angles[row] = b
    return angles


def time_out(mu, energy, h, start, radius, leg):
    """Seconds from the apsis at ``start`` to a radius, on the way out (leg 1) or back (-1)."""
    low, high = (float(x) for x in apsides(mu, energy, h))
    out = float(time_from_periapsis(mu, energy, h, radius))
    half = math.pi * math.sqrt((mu / (-2 * energy)) ** 3 / mu) if energy < 0 else math.inf
    if abs(start - low) <= abs(start - high):
        return out if leg > 0 else 2 * half - out
    return half - out if leg < 0 else half + out


def angle_out(mu, energy, h, start, radius, leg):
    """Angle, rad, swept meanwhile."""
    low, high = (float(x) for x in apsides(mu, energy, h))
    e = math.sqrt(max(1 + 2 * energy * h * h / mu**2, 0))
    nu = math.acos(max(-1.0, min(1.0, (h * h / mu / radius - 1) / e))) if e else 0.0
    if abs(start - low) <= abs(start - high):
        return nu if leg > 0 else 2 * math.pi - nu
    return math.pi - nu if leg < 0 else math.pi + nu


def onward(mu, energy, h, start, radius, leg):
    """Seconds, and angle (rad, positive) swept, from a radius ``start`` to another on the way out (leg 1) or back (-1); from between the apsides the craft
    sets out rising, where that way leads there."""
    low, high = (float(x) for x in apsides(mu, energy, h))
    if min(abs(start / low - 1), abs(start / high - 1)) < 1e-9:
        return time_out(mu, energy, h, start, radius, leg), angle_out(mu, energy, h, start, radius, leg)
    begun, ended = (float(time_from_periapsis(mu, energy, h, r)) for r in (start, radius))
    first, last = (angle_out(mu, energy, h, low, r, 1) for r in (start, radius))
    if energy >= 0:
        rising = leg > 0 and radius >= start
        return (ended - begun, last - first) if rising else (leg * ended + begun, leg * last + first)
    period = 2 * math.pi * math.sqrt((mu / (-2 * energy)) ** 3 / mu)
    return (leg * ended - begun) % period, (leg * last - first) % (2 * math.pi)
