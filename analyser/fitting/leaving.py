"""Leaving an orbit for another of chosen energy and angular momentum, at the least delta-v from anywhere on it."""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.transfer import Transfer, apsides, impulse, least_delta_v, least_transfer, speeds_at
from analyser.flight import Body

_ALIKE = 1e-3  # m/s: two transfers that cost the same to within this are as good as each other
_NOTHING = 1e-4  # m/s: no burn


class Leaving:
    """An orbit about ``body`` to leave, (energy, angular momentum), apse line free; burns above the ground and inside the sphere of influence.

    Attributes
    ----------
    starts : list of (radius, speed there)
        Where burns along the motion are worth trying: the apsides that can be used, and the ground where the periapsis is under it, m and m/s. The
        speed is nan at the ground, where the motion is not level.
    sense : float
        -1 where the orbit is flown with negative angular momentum, else 1.
    """

    def __init__(self, body: Body, orbit):
        self.body, self.orbit = body, orbit
        self.sense = -1.0 if orbit[1] < 0 else 1.0
        low, high = (float(r) for r in apsides(body.mu, *orbit))
        self.round = high < low * (1 + 1e-6)
        radii = [low] if self.round else [low, high]
        usable = [r for r in radii if body.radius <= r * (1 + 1e-9) and r <= body.sphere_of_influence and math.isfinite(r)]
        self.starts = [(r, abs(float(speeds_at(body.mu, *orbit, r)[1]))) for r in usable]
        if low * (1 + 1e-9) < body.radius < high:
            self.starts.append((body.radius, math.nan))

    def cost(self, energy, h) -> np.ndarray:
        """Least delta-v, m/s, to other orbits."""
        return least_delta_v(self.body.mu, *self.orbit, energy, h, radius_min=self.body.radius, radius_max=self.body.sphere_of_influence)

    def burns(self, radius: float, before: float, energy: float, h: float) -> Transfer:
        """The burns behind :meth:`cost`: one along the motion at ``radius`` (one of ``starts``) where nothing is cheaper."""
        mu = self.body.mu
        found = least_transfer(mu, *self.orbit, energy, h, radius_min=self.body.radius, radius_max=self.body.sphere_of_influence)
        if math.isfinite(before):
            once = float(self.along(radius, before, energy, h))
            if once < _NOTHING:
                return Transfer(0.0, (), energy, h, 0.0)
            if not found.delta_v < once - _ALIKE:
                return Transfer(once, (impulse(mu, self.orbit, (energy, h), radius),), energy, h, 0.0)
        kept = tuple(burn for burn in found.impulses if burn.delta_v > _NOTHING)
        return Transfer(found.delta_v, kept, found.energy, found.angular_momentum, found.duration if len(kept) > 1 else 0.0)

    def along(self, radius: float, before: float, energy, h) -> np.ndarray:
        """Delta-v, m/s, of burns at one of ``starts`` into orbits with an apsis there; ``before`` is the speed there."""
        return np.abs(h * self.sense / radius - before) if math.isfinite(before) else self.cost(energy, h)
