"""Transfers by two impulses between orbits that lie as they lie in space, as functions of a few numbers; the search is :mod:`analyser.fitting.transfer_space`.

Two sets of coordinates for the same transfers. By places: on the first orbit and on the second, and the radial speed after the first impulse; the coast's plane
goes through both, so where they are opposite each other the plane is any. By turn: the place of the first impulse, the turn of the plane there and
the radial speed after it; the second place follows from the line in which the planes meet, so where the coast lies in the second orbit's plane it is any.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.places import Places, Through, conic_through


@dataclass(frozen=True)
class Lying:
    """An orbit as it lies. ``energy``, m^2/s^2, and ``h``, m^2/s, above 0; ``basis`` (..., 3, 3): columns towards the periapsis, along the motion there, and along the
    angular momentum. ``apse_free``: the first two may be turned in their plane."""

    energy: np.ndarray
    h: np.ndarray
    basis: np.ndarray
    apse_free: bool = False

    def backwards(self) -> "Lying":
        """Flown the other way."""
        return Lying(self.energy, self.h, self.basis * np.array([1.0, -1.0, -1.0]), self.apse_free)

    def part(self, at) -> "Lying":
        """The same for some of the orbits."""
        return Lying(self.energy[at], self.h[at], self.basis[at], self.apse_free)


@dataclass(frozen=True)
class Flown:
    """Transfers: at each impulse the radius, m, the direction (3, ...), radial and transverse speed of the orbit there, m/s; radial speed after the first impulse;
    the coast's normal (3, ...) and conic, the angle swept, rad, whether it is flown, and delta-v, m/s."""

    radii: tuple
    places: tuple
    speeds: tuple
    radial: np.ndarray
    normal: np.ndarray
    conic: Through
    way: np.ndarray
    flown: np.ndarray
    delta_v: np.ndarray


class SpaceWays:
    """Transfers between two orbits (one pair or samples of about one), in the axes of the first."""

    def __init__(self, mu, first: Lying, second: Lying, low, high):
        self.mu, self.low, self.high = mu, low, high
        self.one, self.two = (Places(mu, orbit.energy, orbit.h, low, high) for orbit in (first, second))
        relative = np.swapaxes(first.basis, -1, -2) @ second.basis  # the second's axes in those of the first
        self.toward, self.forward, self.normal = (np.moveaxis(relative[..., k], -1, 0) for k in range(3))
        self.free = (0, 1, 2, *((3,) if first.apse_free else ()), *((4,) if second.apse_free else ()))

    def by_places(self, z) -> Flown:
        """z: places t on the first orbit and on the second, radial speed after the first impulse beside the orbit's own, in escape speeds, directions of both apse
        lines beside their own, legs of both, root of the conic, which way round."""
        t1, t2, speed, apse1, apse2, leg1, leg2, root, sense = z
        r1, true1, u1, w1 = self.one.at(t1, leg1)
        r2, true2, u2, w2 = self.two.at(t2, leg2)
        place, there = self._place(true1 + apse1), self._there(true2 + apse2)
        normal = cross(place, there)
        normal = sense * normal / np.sqrt(dot(normal, normal))
        return self._flown((r1, u1, w1), (r2, u2, w2), place, there, normal, speed, root, True)

    def by_turn(self, z) -> Flown:
        """z: place t on the first orbit, turn of the plane there, rad, radial speed after it, directions of both apse lines as before, leg of the first orbit, side of the line
        in which the planes meet, root of the conic."""
        t, turn, speed, apse1, apse2, leg, side, root = z
        r1, true, u1, w1 = self.one.at(t, leg)
        at = true + apse1
        place = self._place(at)
        normal = np.stack([np.sin(turn) * np.sin(at), -np.sin(turn) * np.cos(at), np.cos(turn) + 0 * at])
        line = cross(normal, self.normal)
        there = side * line / np.sqrt(dot(line, line))
        true2 = np.arctan2(dot(there, self.forward), dot(there, self.toward)) - apse2
        ahead = 1 + self.two.e * np.cos(true2)
        r2 = self.two.p / ahead
        second = r2, self.mu / self.two.h * self.two.e * np.sin(true2), self.two.h / r2
        reached = (ahead > 0) & (r2 >= self.two.low * (1 - 1e-9)) & (r2 <= self.two.high * (1 + 1e-9))
        return self._flown((r1, u1, w1), second, place, there, normal, speed, root, reached)

    def turned(self, z):
        """Coordinates by turn of transfers given by places."""
        found = self.by_places(z)
        place, there = found.places
        # about the place, from the first orbit's normal (0, 0, 1) to the coast's
        turn = np.arctan2(place[1] * found.normal[0] - place[0] * found.normal[1], found.normal[2])
        side = np.where(dot(there, cross(found.normal, self.normal)) >= 0, 1.0, -1.0)
        return np.stack([z[0], turn, z[2], z[3], z[4], z[5], side, z[7]])

    def _place(self, at):
        return np.stack([np.cos(at), np.sin(at), 0 * at])

    def _there(self, at):
        cos, sin = np.cos(at), np.sin(at)
        return np.stack([cos * self.toward[k] + sin * self.forward[k] for k in range(3)])

    def _flown(self, first, second, place, there, normal, speed, root, reached) -> Flown:
        (r1, u1, w1), (r2, u2, w2) = first, second
        x = u1 + speed * np.sqrt(2 * self.mu / r1)
        way = np.arctan2(dot(cross(place, there), normal), dot(place, there)) % (2 * np.pi)
        conic = conic_through(self.mu, r1, r2, way, x, root, self.low, self.high)
        level = conic.h / r1, conic.h / r2
        # the square of the angle between normals, not its cosine: an impulse near nought keeps its digits
        turns = [dot(off, off) for off in ([normal[0], normal[1], normal[2] - 1], [normal[k] - self.normal[k] for k in range(3)])]
        leave = np.sqrt((x - u1) ** 2 + (level[0] - w1) ** 2 + level[0] * w1 * turns[0])
        arrive = np.sqrt((conic.radial - u2) ** 2 + (level[1] - w2) ** 2 + level[1] * w2 * turns[1])
        return Flown((r1, r2), (place, there), ((u1, w1), (u2, w2)), x, normal, conic, way, conic.flown & reached, leave + arrive)


def cost_of(form):
    """Delta-v, m/s, of transfers in the coordinates of ``form``; inf where they can't be flown."""

    def cost(z):
        with np.errstate(all="ignore"):
            found = form(z)
            return np.where(found.flown & np.isfinite(found.delta_v), found.delta_v, np.inf)

    return cost


def dot(a, b):
    """Scalar product over the first axis; the rest broadcasts."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a, b):
    """Vector product over the first axis; the rest broadcasts."""
    return np.stack([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])
