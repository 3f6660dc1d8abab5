"""The edge of a moon's sphere of influence as the tie between the coasts on its two sides (patched conics).

At the crossing the craft is at the sphere's radius from the moon, and its motion about the planet is the moon's own and that about the moon together.
Where round the moon it crosses is not shown by altitudes and speeds: that angle is an unknown. The coasts and the moon's orbit are taken to
lie in one plane, within about half a degree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analyser.fitting import conic
from analyser.fitting.joint_coast import Coast
from analyser.flight import Body

_OUT_OF_PLANE = 4e-5  # 1 - cos(0.5 deg)
_PLACES = 1440


@dataclass
class SphereTie:
    """The residuals of a crossing between two coasts. Unknowns z: those of the coast before, the time of crossing and the angle at the moon
    from the planet's far side, in units of ``unit`` about ``centre``, those of the coast after."""

    before: Coast
    after: Coast
    planet: Body
    moon: Body
    span: tuple[float, float]  # between these times, MET s
    sense: float = 1.0  # +1: turns about the moon as the moon about the planet
    centre: np.ndarray = field(default_factory=lambda: np.zeros(2))
    unit: np.ndarray = field(default_factory=lambda: np.ones(2))
    slop: np.ndarray = field(default_factory=lambda: np.ones(4))
    begin: np.ndarray = field(default_factory=lambda: np.zeros(2))
    readings: None = None
    unknowns: int = 2

    @property
    def entering(self) -> bool:
        """Whether the craft comes to the moon."""
        return self.after.arc.body.name == self.moon.name

    @property
    def linked(self) -> bool:
        """Whether the same propellant was read on both sides."""
        return self.before.size == 4 and self.after.size == 4 and self.before.stage == self.after.stage

    @property
    def surplus(self) -> int:
        """Degrees of freedom."""
        return 3 + self.linked

    def whitening(self, z: np.ndarray) -> None:
        """There are no readings at a crossing."""
        return None

    def residuals(self, z: np.ndarray, whiten=None) -> np.ndarray:
        """Residuals (n, C) in standard deviations for unknowns (nz, C)."""
        first = self.before.size
        a, b, c = z[:first], z[first : first + 2], z[first + 2 :]
        met, angle = (self.centre[:, None] + self.unit[:, None] * b)
        sides = (self.before.at(a, met), self.after.at(c, met))
        about_planet, about_moon = sides if self.entering else sides[::-1]
        expected = seen_from_planet(self.planet, self.moon, about_moon, met, angle, self.sense)
        parts = [(about_planet - expected) / self.slop[:3, None], ((about_moon[0] - self.moon.sphere_of_influence) / self.slop[3])[None]]
        width = (self.span[1] - self.span[0]) / math.sqrt(12) + 1.0
        parts.append(((met - (self.span[0] + self.span[1]) / 2) / width)[None])
        if self.linked:
            # read twice to the same digit is read once: the coast after was given a wide propellant of its own
            parts.append(((self.before.mass_left(a) - self.after.mass_left(c)) / (0.01 * self.before.propellant_sigma))[None])
        return np.concatenate(parts)


def moon_motion(planet: Body, moon: Body, met: np.ndarray) -> np.ndarray:
    """Distance (m), radial and transverse speed (m/s) of a moon about its planet, shape (3, C)."""
    a, e = moon.semi_major_axis, moon.eccentricity
    since = moon.mean_anomaly_at_epoch / math.sqrt(planet.mu / a**3) if math.isfinite(moon.mean_anomaly_at_epoch) else 0.0
    low = a * (1 - e)
    fast = math.sqrt(planet.mu * (1 + e) / low)
    return np.stack(np.broadcast_arrays(*conic.propagate(planet.mu, low, 0.0, fast, met + since)))


def seen_from_planet(planet: Body, moon: Body, about_moon: np.ndarray, met: np.ndarray, angle: np.ndarray, sense: float) -> np.ndarray:
    """Radius, radial and transverse speed about the planet, shape (3, C), of a craft whose state about the moon is ``about_moon`` (3, C) at ``angle`` (rad)
    from the line that leads from the planet through the moon."""
    far, out, along = moon_motion(planet, moon, met)
    rho, up, across = about_moon
    cos, sin = np.cos(angle), np.sin(angle)
    x, y = far + rho * cos, rho * sin
    vx, vy = out + up * cos - sense * across * sin, along + up * sin + sense * across * cos
    r = np.hypot(x, y)
    return np.stack([r, (x * vx + y * vy) / r, np.abs(x * vy - y * vx) / r])


def sphere_ties(before: Coast, after: Coast, planet: Body, moon: Body) -> list[SphereTie]:
    """The ties that a crossing between two coasts may be, the likeliest few: one for each place round the moon where they nearly meet."""
    if moon.eccentricity > 1e-9 and not math.isfinite(moon.mean_anomaly_at_epoch) or not math.isfinite(moon.sphere_of_influence):
        return []
    span = (before.arc.end, after.arc.start)
    entering = after.arc.body.name == moon.name
    near, wide = (after, before) if entering else (before, after)
    grid = np.linspace(span[0] - 0.05 * (span[1] - span[0]) - 1, span[1] + 0.05 * (span[1] - span[0]) + 1, 400)
    away = np.asarray(near.arc.at(grid)[0]) - moon.sphere_of_influence
    turns = np.flatnonzero(away[1:] * away[:-1] <= 0)
    if not len(turns):
        return []
    k = int(turns[0])
    met = float(grid[k] + (grid[k + 1] - grid[k]) * away[k] / (away[k] - away[k + 1]))
    about_moon = np.array([float(part) for part in near.arc.at(met)])[:, None]
    about_planet = np.array([float(part) for part in wide.arc.at(met)])[:, None]
    own, other = near.spread_at(met), wide.spread_at(met)
    scale = np.hypot(own, other) + np.array([1.0, 1e-3, 1e-3])
    angles = np.linspace(-np.pi, np.pi, _PLACES, endpoint=False)
    found = []
    for sense in (1.0, -1.0):
        there = seen_from_planet(planet, moon, about_moon, np.full(_PLACES, met), angles, sense)
        miss = (((there - about_planet) / (scale[:, None] + 0.01 * np.abs(about_planet))) ** 2).sum(axis=0)
        lowest = np.flatnonzero((miss <= np.roll(miss, 1)) & (miss < np.roll(miss, -1)))
        found += [(float(miss[place]), sense, float(angles[place])) for place in lowest]
    speed = abs(float(about_moon[1, 0]))
    ties = []
    for _, sense, angle in sorted(found)[:3]:
        floor = 0.05 * np.minimum(own, other)
        moving = float(np.hypot(*about_planet[1:, 0]))
        slop = np.array([
            math.hypot(floor[0], 0.01 + _OUT_OF_PLANE * moon.sphere_of_influence), math.hypot(floor[1], 1e-6 + _OUT_OF_PLANE * moving),
            math.hypot(floor[2], 1e-6 + _OUT_OF_PLANE * moving), math.hypot(0.05 * own[0], 0.01)])  # fmt: skip
        unit = np.array([max(own[0] / max(speed, 1e-6), 1e-3), max(scale[0] / moon.sphere_of_influence, 1e-7)])
        ties.append(SphereTie(before, after, planet, moon, span, sense, np.array([met, angle]), unit, slop))
    return ties
