"""Brute force for the least delta-v between two orbits as they lie in space."""

import numpy as np
from evolution import evolve
from transfer_pairs import MU


def space_brute_force(first, second, low, high, seed=0, population=160, generations=600):
    """Two orbits as they lie in space, one pair, each (energy, angular momentum, basis (3, 3)): over the places of both impulses, the semi-latus rectum of the
    coast and which way round it goes; velocities by Lagrange's coefficients (Bate, Mueller and White, Fundamentals of Astrodynamics, section 5.4)."""
    rng = np.random.default_rng(seed)

    def state(orbit, true):
        energy, h, basis = orbit
        p = h * h / MU
        e = np.sqrt(max(1 + 2 * energy * p / MU, 0))
        r = np.where(1 + e * np.cos(true) > 0, p / (1 + e * np.cos(true)), np.nan)
        axes = basis[:, 0, None, None], basis[:, 1, None, None]
        return r, r * (np.cos(true) * axes[0] + np.sin(true) * axes[1]), MU / h * (-np.sin(true) * axes[0] + (e + np.cos(true)) * axes[1])

    def cost(z):
        with np.errstate(all="ignore"):
            (r1, place1, before), (r2, place2, after) = state(first, z[0]), state(second, z[1])
            cos = (place1 * place2).sum(axis=0) / (r1 * r2)
            sin = np.where(np.sin(z[3]) > 0, 1.0, -1.0) * np.sqrt((np.cross(place1, place2, axis=0) ** 2).sum(axis=0)) / (r1 * r2)
            p = np.exp(z[2]) * 2 * r1 * r2 / (r1 + r2)
            g = r1 * r2 * sin / np.sqrt(MU * p)
            leaving = (place2 - (1 - r2 / p * (1 - cos)) * place1) / g
            arriving = ((1 - r1 / p * (1 - cos)) * place2 - place1) / g
            c, s = p / r1 - 1, (place1 * leaving).sum(axis=0) / r1 * np.sqrt(p / MU)
            e, f1 = np.hypot(c, s), np.arctan2(s, c)
            f2 = f1 + np.arctan2(sin, cos) % (2 * np.pi)
            low_passed, high_passed = ((f1 < 0) & (f2 > 0)) | (f2 > 2 * np.pi), f2 > np.pi
            flown = (~low_passed | (p / (1 + e) >= low)) & (~high_passed | ((e < 1) & (p <= high * (1 - e))))
            flown &= (r1 >= low) & (r1 <= high) & (r2 >= low) & (r2 <= high) & (np.abs(sin) > 1e-5)  # opposite each other the coefficients end
            total = np.sqrt(((leaving - before) ** 2).sum(axis=0)) + np.sqrt(((after - arriving) ** 2).sum(axis=0))
            return np.where(flown & np.isfinite(total), total, np.inf)

    z = rng.uniform(-np.pi, np.pi, (4, 1, population))
    z[2] = 0.3 * rng.standard_normal((1, population))
    return evolve(cost, z, rng, generations, calm=0.5)[1].min()
