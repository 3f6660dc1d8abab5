"""Brute force for the least delta-v of three impulses: differential evolution, then a simplex."""

import numpy as np
from evolution import evolve
from transfer_pairs import MU, Reach, corners


def _coast(r1, x, y, r2, sign, low, high):
    """From one radius with radial and transverse speed x and y to another, arriving outward (sign 1) or inward (-1): angle swept, radial and transverse speed there, whether
    it is flown between the limits."""
    h = r1 * y
    square = x**2 + y**2 + 2 * MU * (1 / r2 - 1 / r1) - (h / r2) ** 2
    v, p = sign * np.sqrt(np.maximum(square, 0)), h**2 / MU
    c, s = p / r1 - 1, x * h / MU
    e, f1 = np.hypot(c, s), np.arctan2(s, c)
    way = (np.arctan2(v * h / MU, p / r2 - 1) - f1) % (2 * np.pi)
    f2 = f1 + way
    low_passed, high_passed = ((f1 < 0) & (f2 > 0)) | (f2 > 2 * np.pi), f2 > np.pi
    with np.errstate(divide="ignore", invalid="ignore"):
        return way, v, h / r2, (square >= 0) & (~low_passed | (p / (1 + e) >= low * (1 - 1e-9))) & (~high_passed | ((e < 1) & (p <= high * (1 - e) * (1 + 1e-9))))


def three_brute_force(e1, h1, e2, h2, angle, low, high, seed=0, population=128, generations=1200, polish=True):
    """Three impulses, apse lines free, in one plane or two: over the radii of all, the velocities after the first and the second and the turns in them; the
    turn in the third follows. Each pair's best is gone on from by a simplex (Nelder and Mead)."""
    rng = np.random.default_rng(seed)
    first, second = Reach(e1, h1, low, high), Reach(e2, h2, low, high)
    limits = np.asarray(angle)[:, None], np.asarray(low)[:, None], np.asarray(high)[:, None]

    def cost_of(first, second, limits):
        angle, low, high = limits

        def cost(z):
            (r1, u1, w1), (r3, u3, w3) = first.at(z[0]), second.at(z[1])
            r2 = low * (high / low) ** np.clip(z[2], 0, 1)
            x1, y1, x2, y2 = (part * np.sqrt(2 * MU / r) for part, r in zip((z[3], np.abs(z[4]), z[5], np.abs(z[6])), (r1, r1, r2, r2)))
            a1, a2 = (np.where(angle > 0, part, 0.0) for part in (z[7], z[8]))
            leave = np.sqrt(np.maximum((np.abs(x1) - u1) ** 2 + y1**2 + w1**2 - 2 * y1 * w1 * np.cos(a1), 0))
            total = np.inf
            for side1 in (1, -1):
                way1, v1, level1, flown1 = _coast(r1, x1, y1, r2, side1, low, high)
                middle = np.sqrt(np.maximum((x2 - v1) ** 2 + y2**2 + level1**2 - 2 * y2 * level1 * np.cos(a2), 0))
                zero, n1 = np.zeros_like(a1), (0 * a1, -np.sin(a1), np.cos(a1))
                ahead1 = (zero, np.cos(a1), np.sin(a1))
                place2 = (np.cos(way1), *(np.sin(way1) * ahead1[k] for k in (1, 2)))
                n2 = _turned(n1, place2, a2)
                ahead2 = _across(n2, place2)
                for side2 in (1, -1):
                    way2, v2, level2, flown2 = _coast(r2, x2, y2, r3, side2, low, high)
                    place3 = tuple(np.cos(way2) * place2[k] + np.sin(way2) * ahead2[k] for k in range(3))
                    size = np.hypot(n2[2], _across(place3, n2)[2])
                    least, half = np.arctan2(_across(place3, n2)[2], n2[2]), np.arccos(np.clip(np.cos(angle) / np.maximum(size, 1e-300), -1, 1))
                    turn = np.maximum(np.cos(least - half), np.cos(least + half))
                    arrive = np.sqrt(np.maximum((np.abs(v2) - u3) ** 2 + level2**2 + w3**2 - 2 * level2 * w3 * turn, 0))
                    flown = flown1 & flown2 & (size >= np.abs(np.cos(angle)) - 1e-12)
                    total = np.minimum(total, np.where(flown, leave + middle + arrive, np.inf))
            return total

        return cost

    n, cost = e1.size, cost_of(first, second, limits)
    z = rng.random((9, n, population))
    z[3], z[5] = (1.2 * part**2 * np.where(rng.random((n, population)) < 0.5, 0, rng.choice([-1, 1], (n, population))) for part in (z[3], z[5]))
    z[4], z[6] = 1.4 * z[4], 1.4 * z[6]
    z[7], z[8] = (np.where(rng.random((n, population)) < 0.5, 0, part * limits[0]) for part in (z[7], z[8]))
    z[2] = np.where(rng.random((n, population)) < 0.3, 1.0, z[2])
    corners(z, rng, 0.3)
    # a part of them from apsis to apsis: narrow places that chance seldom meets
    half = rng.random((n, population)) < 0.6
    r1, r2, r3 = first.at(z[0])[0], limits[1] * (limits[2] / limits[1]) ** z[2], second.at(z[1])[0]
    z[3], z[5] = np.where(half, 0, z[3]), np.where(half, 0, z[5])
    z[4], z[6] = np.where(half, np.sqrt(r2 / (r1 + r2)), z[4]), np.where(half, np.sqrt(r3 / (r2 + r3)), z[6])
    z[8] = np.where(half & (rng.random((n, population)) < 0.5), limits[0] - z[7], z[8])
    z, value = evolve(cost, z, rng, generations, crossing=0.85, clipped=3)
    best = np.argmin(value, axis=1)
    least = value.min(axis=1)
    if polish:
        from scipy.optimize import minimize

        for k in np.flatnonzero(np.isfinite(least)):
            one = cost_of(*(Reach(e[[k]], h[[k]], low[[k]], high[[k]]) for e, h in ((e1, h1), (e2, h2))), tuple(limit[[k]] for limit in limits))
            point = z[:, k, best[k]]
            for _ in range(3):
                found = minimize(lambda z: float(one(z[:, None, None])[0, 0]), point, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9, "maxfev": 2500, "adaptive": True})
                point, least[k] = found.x, min(least[k], found.fun)
    return least


def _across(a, b):
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _turned(normal, place, angle):
    """A normal turned about a place."""
    across = _across(place, normal)
    return tuple(np.cos(angle) * normal[k] + np.sin(angle) * across[k] for k in range(3))
