"""Places on an orbit between limits of the radius, and conics through two places: what the searches with a fixed apse line share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.transfer_search import apsides


class Places:
    """Orbits (floats or arrays (n,); h above 0) as places on them: ``t`` is half the eccentric anomaly where they run through no limit of the radius; a
    limit sends t back the way it came."""

    def __init__(self, mu, energy, h, low, high):
        self.mu, self.energy, self.h = mu, np.asarray(energy, float), np.asarray(h, float)
        periapsis, apoapsis = apsides(mu, energy, h)
        self.p = self.h**2 / mu
        self.e = np.where(apoapsis > periapsis, np.sqrt(np.maximum(1 + 2 * self.energy * self.p / mu, 0.0)), 0.0)
        self.low, self.high = np.maximum(periapsis, low), np.minimum(apoapsis, high)
        self.lower, self.upper = periapsis < low * (1 - 1e-9), apoapsis > high * (1 + 1e-9)

    def at(self, t, leg):
        """Radius, true anomaly, radial and transverse speed; ``leg`` (1 or -1) counts only where both limits cut the orbit."""
        r = self.low + (self.high - self.low) * np.sin(t) ** 2
        whole = ~(self.lower | self.upper)
        free = 2 * np.arctan2(np.sqrt(1 + self.e) * np.sin(t), np.sqrt(np.maximum(1 - self.e, 0.0)) * np.cos(t))
        if np.all(whole):
            true = free
        else:
            # by the lower limit out, over the apoapsis and back in: 0 .. pi; by the upper in, by the periapsis and out: -pi/2 .. pi/2
            over = np.where(np.arccos(np.clip(np.cos(t), -1, 1)) < np.pi / 2, 1.0, -1.0)
            outward = np.where(self.lower & self.upper, leg, np.where(self.lower, over, np.where(np.sin(t) >= 0, 1.0, -1.0)))
            cut = outward * np.arccos(np.clip((self.p / r - 1) / np.where(self.e > 0, self.e, 1.0), -1, 1))
            true = np.where(whole, free, cut)
        return r, true, self.mu / self.h * self.e * np.sin(true), self.h / r

    def grid(self, count: int) -> np.ndarray:
        """Places t all round the first of the orbits."""
        places = np.linspace(0, np.pi, count, endpoint=False) - np.pi / 2 + 1e-3
        lower, upper = bool(np.ravel(self.lower)[0]), bool(np.ravel(self.upper)[0])
        if lower and not upper:
            return places + np.pi / 2
        # closer together about the periapsis, where the direction changes fast
        return places * (0.25 + 0.75 * (2 * places / np.pi) ** 2) if upper and not lower else places


@dataclass(frozen=True)
class Through:
    """A conic through two places: angular momentum, m^2/s, specific energy, m^2/s^2, radial speed at the second, m/s, and whether it is flown between the limits."""

    h: np.ndarray
    energy: np.ndarray
    radial: np.ndarray
    flown: np.ndarray


def conic_through(mu, r1, r2, way, radial, root, low, high) -> Through:
    """The conic from one radius, m, with a radial speed, m/s, to another after the angle ``way``, 0 to 2 pi.

    A quadratic in the root of the semi-latus rectum, from the equation of the conic at both places; ``root`` (1 or -1) says which of its solutions.
    """
    cos, sin = np.cos(way), np.sin(way)
    a, b, c = 1 / r2 - cos / r1, radial * sin / np.sqrt(mu), 1 - cos
    below = b + root * np.sqrt(b**2 + 4 * a * c)
    side = np.where(below > 0, 2 * c / below, np.nan)
    p = side**2
    c1, s1 = p / r1 - 1, radial * side / np.sqrt(mu)
    e, f1 = np.hypot(c1, s1), np.arctan2(s1, c1)
    f2 = f1 + way
    by_periapsis, by_apoapsis = ((f1 < 0) & (f2 > 0)) | (f2 > 2 * np.pi), f2 > np.pi
    # a place at an apsis is not beyond it
    flown = (~by_periapsis | (p >= low * (1 + e) * (1 - 1e-9))) & (~by_apoapsis | ((e < 1) & (p <= high * (1 - e) * (1 + 1e-9))))
    h = np.sqrt(mu) * side
    return Through(h, radial**2 / 2 + (h / r1) ** 2 / 2 - mu / r1, np.sqrt(mu) / side * (s1 * cos + c1 * sin), flown)
