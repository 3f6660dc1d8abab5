"""The least delta-v between two shapes of orbit, found by blind search: slow, and it knows no theory of transfers."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import minimize


def _speeds(mu, energy, momentum, r):
    """(radial speed squared, transverse speed) at a radius; the square is negative where the conic doesn't reach."""
    across = momentum / r
    return 2.0 * (energy + mu / r) - across**2, across


def _apsides(mu: float, energy: float, momentum: float) -> tuple[float, float]:
    e = math.sqrt(max(0.0, 1.0 + 2.0 * energy * momentum**2 / mu**2))
    low = momentum**2 / mu / (1.0 + e)
    return low, (low * (1.0 + e) / (1.0 - e) if energy < 0 else math.inf)


def least_delta_v_by_search(mu: float, first: tuple[float, float], second: tuple[float, float], highest: float, seed: int = 0,
                            rounds: int = 130, crowd: int = 6000) -> float:
    """Least total of one or two impulses from one (energy, angular momentum) to another, apse line free, m/s.

    Coplanar, the same way round; the orbit between two impulses may be open. Impulses happen below ``highest`` (m). A crowd
    of random candidates, and a few of the classical shape, shrink around their best.
    """
    low_1, high_1 = _apsides(mu, *first)
    low_2, high_2 = _apsides(mu, *second)
    high_1, high_2 = min(high_1, highest), min(high_2, highest)

    def cost(x):
        """x: places of both impulses in their ranges (0..1); logarithm of the periapsis of the orbit between, and its
        periapsis over its apoapsis (below 0: open)."""
        u1, u2, log_rp, ratio = x
        r1 = low_1 + (high_1 - low_1) * np.clip(u1, 0, 1)
        r2 = low_2 + (high_2 - low_2) * np.clip(u2, 0, 1)
        rp = np.exp(log_rp)
        e = (1 - ratio) / (1 + ratio)
        h = np.sqrt(mu * rp * (1 + e))
        energy = -mu * (1 - e) / (2 * rp)
        ra = np.where(ratio > 0, rp / np.maximum(ratio, 1e-12), 1e99)
        total = np.zeros_like(r1)
        for r, (other_energy, other_h) in ((r1, first), (r2, second)):
            s, t = _speeds(mu, energy, h, r)
            so, to = _speeds(mu, other_energy, other_h, r)
            # from one place straight to the other all radial speeds have one sense, so they may be taken so
            step = np.sqrt((np.sqrt(np.maximum(s, 0)) - np.sqrt(np.maximum(so, 0))) ** 2 + (t - to) ** 2)
            missed = np.maximum(np.maximum(np.log(rp / r), np.log(r / ra)), 0)
            total = total + step + np.where(missed > 1e-9, 1e9 * (1 + missed), 0)
        return total

    rng = np.random.default_rng(seed)
    floor, ceiling = math.log(0.2 * min(low_1, low_2)), math.log(highest)
    best = _one_impulse(mu, first, second, max(low_1, low_2), min(high_1, high_2))
    # apsis to apsis, the shape of the classical transfers, is where the crowd begins
    ends_1, ends_2 = (low_1, high_1), (low_2, high_2)
    starts = [np.array([float(i), float(j), math.log(min(p, q)), min(p, q) / max(p, q)]) for i, p in enumerate(ends_1)
              for j, q in enumerate(ends_2)]
    wide = rng.random((4, crowd))
    wide[2] = floor + (ceiling - floor) * wide[2]
    wide[3] = -0.9 + 1.9 * wide[3]
    values = cost(wide)
    starts += [wide[:, i] for i in np.argsort(values)[:12]]
    for start in starts:
        spread = np.array([0.3, 0.3, 0.3, 0.3])
        here, value = start, float(cost(start[:, None])[0])
        for _ in range(rounds):
            group = here[:, None] + spread[:, None] * rng.standard_normal((4, 200))
            group[:2] = np.clip(group[:2], 0, 1)
            group[2] = np.clip(group[2], floor, ceiling)
            group[3] = np.clip(group[3], -0.95, 1.0)
            # a share of the crowd turns at one of the two places, another share at both
            r1 = low_1 + (high_1 - low_1) * group[0]
            r2 = low_2 + (high_2 - low_2) * group[1]
            group[2, ::3] = np.log(np.minimum(r1, r2))[::3]
            group[2, 1::3] = np.log(np.minimum(r1, r2))[1::3]
            group[3, ::3] = (np.minimum(r1, r2) / np.maximum(r1, r2))[::3]
            scores = cost(group)
            i = int(np.argmin(scores))
            if scores[i] < value:
                here, value = group[:, i], float(scores[i])
            else:
                spread *= 0.85
        best = min(best, value)
    return best


def _one_impulse(mu, first, second, low, high) -> float:
    if low > high:
        return math.inf

    def cost(r):
        s1, t1 = _speeds(mu, *first, r)
        s2, t2 = _speeds(mu, *second, r)
        return np.sqrt((np.sqrt(np.maximum(s1, 0)) - np.sqrt(np.maximum(s2, 0))) ** 2 + (t1 - t2) ** 2)

    radii = np.linspace(low, high, 4001)
    values = cost(radii)
    i = int(np.argmin(values))
    step = radii[1] - radii[0] if high > low else 0.0
    found = minimize(lambda x: float(cost(min(max(x[0], low), high))), [radii[i]], method="Nelder-Mead",
                     options={"initial_simplex": [[radii[i]], [radii[i] + step]], "xatol": 1e-9 * high, "fatol": 1e-9})
    return min(float(values[i]), float(found.fun))
