"""A terminal orbit of a transfer between limits of the radius: its reach, and whether it runs through one of them."""

from __future__ import annotations

import numpy as np

from analyser.fitting.transfer_search import apsides

_FAR = 1e7  # stands for an unlimited radius, in the largest finite one of the pair


class Terminal:
    """Orbits (arrays (n,)), flown in the sense in which ``h`` is positive: from ``low`` to ``high``, m, of the reach between the limits; ``cut``: whether
    they run through one; ``reached``: whether they are anywhere between them."""

    def __init__(self, mu, energy, h, low, high):
        periapsis, apoapsis = apsides(mu, energy, h)
        circle = periapsis == apoapsis
        with np.errstate(invalid="ignore"):
            # a sample that is no orbit was taken for a circle: the speed has to go with that
            self.h = np.where(circle & np.isfinite(periapsis), np.sqrt(mu * periapsis), np.abs(h))
            self.energy = np.where(circle & np.isfinite(periapsis), -mu / (2 * periapsis), energy)
        self.low, self.high = np.maximum(periapsis, low), np.minimum(apoapsis, high)
        self.cut = (periapsis < low * (1 - 1e-9)) | (apoapsis > high * (1 + 1e-9)) | np.isinf(apoapsis)
        self.reached = (self.low <= self.high * (1 + 1e-9)) & np.isfinite(energy) & np.isfinite(h)
        self.high = np.maximum(self.high, self.low)

    def part(self, at) -> "Terminal":
        """The same for some of the pairs."""
        return self._made(lambda name, value: value[at])

    def followed_by(self, other: "Terminal") -> "Terminal":
        """These orbits and then those."""
        return self._made(lambda name, value: np.concatenate([value, getattr(other, name)]))

    def _made(self, build) -> "Terminal":
        new = object.__new__(Terminal)
        vars(new).update({name: build(name, value) for name, value in vars(self).items()})
        return new


def finite_limit(radius_max, mu, *orbits):
    """The upper limit, m, an unlimited one replaced by a radius so far out that a turn there is free to 1e-7."""
    largest = np.zeros(np.shape(radius_max))
    for energy, h in orbits:
        periapsis, apoapsis = apsides(mu, energy, h)
        largest = np.fmax(largest, np.where(np.isfinite(apoapsis), apoapsis, periapsis))
    return np.where(np.isfinite(radius_max), radius_max, largest * _FAR)
