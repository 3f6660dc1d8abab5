"""The least delta-v between two orbits where the inclination counts, for many pairs at once.

Two impulses at apsides, the turn shared between them as is cheapest, the apse lines free to lie along the line in which the planes cross:
:func:`analyser.fitting.maneuvers.least_with_plane`, vectorised. Never less than the same change without a turn.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting.transfer import apsides, least_delta_v

#: Shares of the turn that the first impulse is tried with: closer together at the ends, where the cheapest often lies.
_SHARES = np.sin(np.linspace(0.0, np.pi / 2, 25)) ** 2


def least_with_turn(mu: float, energy_from, h_from, energy_to, h_to, angle, *, radius_min=0.0, radius_max=np.inf) -> np.ndarray:
    """Least delta-v, m/s, of a change of orbit with a turn of the plane by ``angle`` (rad, >= 0); everything broadcasts.

    Parameters are those of :func:`analyser.fitting.transfer.least_delta_v`. nan where an orbit has no apsis between the limits.
    """
    energy_from, h_from, energy_to, h_to, angle = np.broadcast_arrays(*(np.asarray(x, float) for x in (energy_from, h_from, energy_to, h_to, angle)))
    flat = least_delta_v(mu, energy_from, h_from, energy_to, h_to, radius_min=radius_min, radius_max=radius_max)
    ends = []
    for energy, h in ((energy_from, h_from), (energy_to, h_to)):
        radii = np.stack(apsides(mu, energy, h))
        good = np.isfinite(radii) & (radii >= radius_min * (1 - 1e-9)) & (radii <= radius_max * (1 + 1e-9))
        radii = np.where(good, radii, np.nan)
        ends.append((radii, np.abs(h) / radii))
    best = np.full(energy_from.shape, np.inf)
    for r1, v1 in zip(*ends[0]):
        for r2, v2 in zip(*ends[1]):
            best = np.fmin(best, _two(mu, r1, v1, r2, v2, angle))
    best = np.where(np.isfinite(best), best, np.nan)
    return np.where(angle > 0, np.fmax(best, flat), flat)


def _two(mu, r1, v1, r2, v2, angle) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        leave, arrive = np.sqrt(2 * mu * r2 / (r1 * (r1 + r2))), np.sqrt(2 * mu * r1 / (r2 * (r1 + r2)))

        def cost(share):
            return _turning(v1, leave, share * angle) + _turning(arrive, v2, (1 - share) * angle)

        grid = np.stack([cost(share) for share in _SHARES])
        at = np.argmin(np.where(np.isnan(grid), np.inf, grid), axis=0)
        low, high = _SHARES[np.maximum(at - 1, 0)], _SHARES[np.minimum(at + 1, len(_SHARES) - 1)]
        golden = (np.sqrt(5.0) - 1) / 2
        for _ in range(30):
            one, two = high - golden * (high - low), low + golden * (high - low)
            left = cost(one) < cost(two)
            low, high = np.where(left, low, one), np.where(left, two, high)
        return np.fmin(cost((low + high) / 2), np.nanmin(grid, axis=0, initial=np.inf))


def _turning(before, after, angle):
    return np.sqrt(np.maximum((before - after) ** 2 + 4 * before * after * np.sin(angle / 2) ** 2, 0.0))
