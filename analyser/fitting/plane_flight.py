"""A transfer between two planes as it is flown: each impulse in space with its parts, the coast between them.

Axes: x through the place of the first impulse, z along the first orbit's angular momentum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.fitting.conic import shape
from analyser.fitting.transfer_search import speeds_at
from analyser.fitting.transfer_turn import Between


@dataclass(frozen=True)
class SpaceImpulse:
    """One impulse: ``radius`` in m, ``delta_v`` and speeds in m/s, ``turn`` of the plane in rad (positive: to the left).

    ``prograde`` is its part along the motion before, ``normal`` that along the angular momentum before (to the left of the motion, head up), ``outward`` that
    across both, away from the body. ``position``, m, and the velocities, m/s, are (3,).
    """

    radius: float
    delta_v: float
    prograde: float
    outward: float
    normal: float
    turn: float
    position: np.ndarray
    velocity_before: np.ndarray
    velocity_after: np.ndarray

    @property
    def speed_before(self) -> float:
        return float(np.linalg.norm(self.velocity_before))

    @property
    def speed_after(self) -> float:
        return float(np.linalg.norm(self.velocity_after))

    @property
    def radial_before(self) -> float:
        """Of the motion before, m/s, outward positive."""
        return float(self.velocity_before @ self.position) / self.radius


@dataclass(frozen=True)
class SpaceTransfer:
    """A transfer by impulses between two planes. ``delta_v`` in m/s (nan: one of the orbits is never between the limits); of the coast between the impulses:
    ``energy``, m^2/s^2, ``angular_momentum``, m^2/s, the ``way`` round, rad, and its ``duration``, s (one impulse: the orbit after it, 0 and 0)."""

    delta_v: float
    impulses: tuple[SpaceImpulse, ...]
    energy: float
    angular_momentum: float
    way: float
    duration: float


def impulse_of(position, before, after) -> SpaceImpulse:
    """The impulse from one velocity, m/s (3,), to another at a place, m (3,)."""
    change, momentum, later = after - before, np.cross(position, before), np.cross(position, after)
    ahead, up, normal = before / np.linalg.norm(before), position / np.linalg.norm(position), momentum / np.linalg.norm(momentum)
    turn = math.atan2(float(np.cross(momentum, later) @ up), float(momentum @ later))
    return SpaceImpulse(
        float(np.linalg.norm(position)), float(np.linalg.norm(change)), float(change @ ahead), float(change @ np.cross(ahead, normal)),
        float(change @ normal), turn, position, before, after,
    )  # fmt: skip


def moved(impulse: SpaceImpulse, rotation) -> SpaceImpulse:
    """The same impulse in other axes, to which ``rotation`` (3, 3) turns."""
    return replace(impulse, **{name: rotation @ getattr(impulse, name) for name in ("position", "velocity_before", "velocity_after")})


def in_space(mu: float, orbit_from, orbit_to, angle: float, how: Between, radius_max: float) -> SpaceTransfer:
    """A transfer found by :mod:`analyser.fitting.transfer_turn` (arrays (1,)) in space; orbits are (energy, angular momentum), h above 0, ``angle`` is between them."""
    r1, r2, u1, u2, h, same_leg, turn, cos = (value[0] for value in vars(how).values())
    if math.isnan(r1):  # the orbit is there already
        return SpaceTransfer(0.0, (), *orbit_from, 0.0, 0.0)
    x, z = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    middle = np.array([0.0, -math.sin(turn), math.cos(turn)])
    sense, back = 1.0, 1.0
    if not math.isnan(r2):
        sense, back = _legs(mu, r1, r2, u1, h, bool(same_leg), radius_max)
    first = impulse_of(r1 * x, _velocity(mu, orbit_from, r1, sense, x, z), sense * u1 * x + h / r1 * np.cross(middle, x))
    energy = float(first.velocity_after @ first.velocity_after / 2 - mu / r1)
    if math.isnan(r2):
        return SpaceTransfer(first.delta_v, (first,), energy, float(h), 0.0, 0.0)
    anomalies = [math.atan2(h * u / mu, h**2 / mu / r - 1) for u, r in ((sense * u1, r1), (back * u2, r2))]
    way = (anomalies[1] - anomalies[0]) % (2 * math.pi)
    there = math.cos(way) * x + math.sin(way) * np.cross(middle, x)
    sine = math.sqrt(max(1 - cos**2, 0.0))
    normals = [cos * middle + side * sine * np.cross(there, middle) for side in (1, -1)]
    after = min(normals, key=lambda normal: abs(float(normal @ z) - math.cos(angle)))
    last = impulse_of(r2 * there, back * u2 * there + h / r2 * np.cross(middle, there), _velocity(mu, orbit_to, r2, back, there, after))
    kept = tuple(one for one in (first, last) if one.delta_v > 1e-9)
    return SpaceTransfer(
        first.delta_v + last.delta_v, kept, energy, float(h), way,
        coast_time(mu, energy, (first.position, first.velocity_after), (last.position, last.velocity_before)),
    )  # fmt: skip


def coast_time(mu: float, energy: float, leaving, arriving) -> float:
    """Seconds of less than a revolution from one state of a conic, (position, velocity) in m and m/s, to another."""
    since = []
    for position, velocity in (leaving, arriving):
        radius = float(np.linalg.norm(position))
        level = float(np.linalg.norm(np.cross(position, velocity))) / radius
        since.append(float(shape(mu, radius, float(position @ velocity) / radius, level).time_since_periapsis))
    duration = since[1] - since[0]
    return duration % (2 * math.pi * mu / (-2 * energy) ** 1.5) if energy < 0 else duration


def _legs(mu, r1, r2, u1, h, same_leg: bool, radius_max: float) -> tuple[float, float]:
    """Signs of the radial speeds at both ends: along one leg, over the far apsis where that is inside the limit, else by the near one."""
    if same_leg:
        return (1.0, 1.0) if r2 >= r1 else (-1.0, -1.0)
    p = h**2 / mu
    e = math.hypot(p / r1 - 1, h * u1 / mu)
    return (1.0, -1.0) if e < 1 and p <= radius_max * (1 - e) * (1 + 1e-9) else (-1.0, 1.0)


def _velocity(mu, orbit, radius, sense, up, normal):
    radial, level = (float(speed) for speed in speeds_at(mu, *orbit, radius))
    return sense * radial * up + level * np.cross(normal, up)
