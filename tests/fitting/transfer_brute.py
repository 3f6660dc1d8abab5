"""Brute force for the least delta-v between orbits in two planes. Run as a script it holds the library's answer against it for many pairs:

    python tests/fitting/transfer_brute.py --pairs 500 --seed 1
"""

import argparse
import time

import numpy as np

MU = 3.9860e14


def random_pairs(count, seed):
    """Ellipses and hyperbolas, dipping under the lower limit or leaving the upper one, in planes up to half a turn apart."""
    rng = np.random.default_rng(seed)
    low, high = 6.4e6, 6.4e6 * rng.uniform(3, 40, count)

    def orbit():
        periapsis = low * np.exp(rng.uniform(-0.7, 1.0, count))
        e = np.where(rng.random(count) < 0.7, rng.uniform(0, 0.95, count), rng.uniform(1.02, 2.5, count))
        return -MU * (1 - e) / (2 * periapsis), np.sqrt(MU * periapsis * (1 + e))

    first, second = orbit(), orbit()
    angle = np.where(rng.random(count) < 0.5, rng.uniform(0, 0.3, count), rng.uniform(0.3, np.pi, count))
    return (*first, *second, angle, np.full(count, low), high)


def brute_force(e1, h1, e2, h2, angle, low, high, seed=0, population=96, generations=900):
    """Least delta-v of one impulse (a fine grid of places) or two (differential evolution over the places of both impulses, the radial and transverse
    speed between them and the turn in the first; the second turn follows). nan where an orbit is nowhere between the limits."""
    rng = np.random.default_rng(seed)
    reach = []
    for energy, h in ((e1, h1), (e2, h2)):
        e = np.sqrt(np.maximum(1 + 2 * energy * h**2 / MU**2, 0))
        with np.errstate(divide="ignore", invalid="ignore"):
            apoapsis = np.where(energy < 0, h**2 / MU / (1 - e), np.inf)
        reach.append((np.maximum(h**2 / MU / (1 + e), low)[:, None], np.minimum(apoapsis, high)[:, None]))
    e1, h1, e2, h2, angle, low, high = (np.asarray(x)[:, None] for x in (e1, h1, e2, h2, angle, low, high))
    once = _once(e1, h1, e2, h2, angle, reach)

    def cost(z):
        """z: places of departure and arrival, 0 .. 1, radial and transverse speed on leaving, in escape speeds, turn on leaving."""
        r1, r2 = (np.clip(z[k], 0, 1) ** 2 * (b - a) + a for k, (a, b) in enumerate(reach))
        escape = np.sqrt(2 * MU / r1)
        x, y = np.abs(z[2]) * escape, np.abs(z[3]) * escape
        u1, u2 = (np.sqrt(np.maximum(2 * (e + MU / r) - (h / r) ** 2, 0)) for e, h, r in ((e1, h1, r1), (e2, h2, r2)))
        w, h = y * r1 / r2, y * r1
        square = x**2 + y**2 + 2 * MU * (1 / r2 - 1 / r1) - w**2
        v = np.sqrt(np.maximum(square, 0))
        cos1, sin1, cos2, sin2 = h * h / MU / r1 - 1, h * x / MU, h * h / MU / r2 - 1, h * v / MU
        e = np.hypot(cos1, sin1)
        with np.errstate(divide="ignore", invalid="ignore"):
            highest = np.where(e < 1, h * h / MU / (1 - e), np.inf)
        inside = (h * h / MU / (1 + e) >= low) | (highest <= high)
        total = np.inf
        for side in (1, -1):  # on one leg, or by an apsis that is between the limits
            way = np.where(e < 1e-6, -1.0, np.clip((cos1 * cos2 + side * sin1 * sin2) / np.maximum(e * e, 1e-300), -1, 1))
            a, b = np.cos(z[4]), -np.sin(z[4]) * way
            size = np.hypot(a, b)
            middle, half = np.arctan2(b, a), np.arccos(np.clip(np.cos(angle) / np.maximum(size, 1e-300), -1, 1))
            turn = np.maximum(np.cos(middle - half), np.cos(middle + half))
            leave = np.sqrt(np.maximum((x - u1) ** 2 + y * y + (h1 / r1) ** 2 - 2 * y * h1 / r1 * a, 0))
            arrive = np.sqrt(np.maximum((v - u2) ** 2 + w * w + (h2 / r2) ** 2 - 2 * w * h2 / r2 * turn, 0))
            flown = (size >= np.abs(np.cos(angle))) & (square >= 0) & ((side > 0) | inside)
            total = np.minimum(total, np.where(flown, leave + arrive, np.inf))
        return total

    n = e1.size
    z = rng.random((5, n, population))
    z[2] = z[2] ** 2 * np.where(rng.random((n, population)) < 0.3, 0, 1.3)
    z[3] *= 1.8
    z[4] = np.where(rng.random((n, population)) < 0.6, z[4] * angle, np.where(rng.random((n, population)) < 0.3, 0, (2 * z[4] - 1) * np.pi))
    # a part of the trials starts at the ends of the radii, and a part half a revolution apart: corners are hard to meet by chance
    for k in (0, 1):
        corner = rng.random((n, population))
        z[k] = np.where(corner < 0.25, 0, np.where(corner > 0.75, 1, z[k]))
    r1, r2 = (np.clip(z[k], 0, 1) ** 2 * (b - a) + a for k, (a, b) in enumerate(reach))
    half = rng.random((n, population)) < 0.4
    with np.errstate(invalid="ignore"):
        z[3] = np.where(half, np.sqrt(r2 / (r1 + r2)), z[3])
    z[2] = np.where(half, 0, z[2])
    value, rows = cost(z), np.arange(n)[:, None]
    for generation in range(generations):
        best = z[:, rows[:, 0], np.argmin(value, axis=1)][:, :, None]
        a, b, c = (z[:, rows, rng.integers(0, population, (n, population))] for _ in range(3))
        centre = a if generation < 0.3 * generations else np.where(rng.random((1, n, population)) < 0.5, best, z)
        trial = np.where(rng.random(z.shape) < 0.85, centre + rng.uniform(0.3, 0.9, (1, n, population)) * (b - c), z)
        trial[:2] = np.clip(trial[:2], 0, 1)
        found = cost(trial)
        better = found < value
        z, value = np.where(better, trial, z), np.where(better, found, value)
    least = np.minimum(value.min(axis=1), once)
    known = np.isfinite(least) & (reach[0][0] <= reach[0][1])[:, 0] & (reach[1][0] <= reach[1][1])[:, 0]
    return np.where(known, least, np.nan)


def _once(e1, h1, e2, h2, angle, reach):
    low, high = np.maximum(reach[0][0], reach[1][0]), np.minimum(reach[0][1], reach[1][1])
    r = low * (np.maximum(high, low) / low) ** np.linspace(0, 1, 4001)
    (u1, w1), (u2, w2) = ((np.sqrt(np.maximum(2 * (e + MU / r) - (h / r) ** 2, 0)), h / r) for e, h in ((e1, h1), (e2, h2)))
    return np.where(low <= high, np.sqrt((u1 - u2) ** 2 + (w1 - w2) ** 2 + 4 * w1 * w2 * np.sin(angle / 2) ** 2), np.inf).min(axis=1)


def main():
    from analyser.fitting.plane_transfer import least_with_turn

    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--pairs", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    options = options.parse_args()
    pairs = random_pairs(options.pairs, options.seed)
    began, slowest, found = time.process_time(), 0.0, []
    for pair in zip(*pairs):
        start = time.process_time()
        found.append(float(least_with_turn(MU, *pair[:5], radius_min=pair[5], radius_max=pair[6])))
        slowest = max(slowest, time.process_time() - start)
    mean = (time.process_time() - began) / options.pairs
    forced = np.concatenate([brute_force(*(x[k : k + 100] for x in pairs), seed=k) for k in range(0, options.pairs, 100)])
    worse = np.array(found) / forced - 1
    known = np.isfinite(forced)
    print(f"{known.sum()} of {options.pairs} pairs reached, unknown to both alike: {np.array_equal(np.isnan(found), ~known)}")
    print(f"worst against brute force {worse[known].max():.1e}; more than 1e-6 worse in {(worse[known] > 1e-6).sum()}, lower in {(worse[known] < -1e-6).sum()}")
    print(f"processor time a pair: mean {1e3 * mean:.0f} ms, slowest {1e3 * slowest:.0f} ms")


if __name__ == "__main__":
    main()
