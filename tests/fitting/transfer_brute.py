"""Brute force for the least delta-v between orbits: differential evolution over everything that can be chosen in a transfer. It knows nothing of apsides, primers
or closed forms; each trial can be flown, so what it finds is an upper bound of the true least.

Run as a script it holds the library's answers against it: two impulses in two planes, up to three impulses, or orbits that lie as they lie in space:

    python tests/fitting/transfer_brute.py --pairs 500 --seed 1
    python tests/fitting/transfer_brute.py --what three --pairs 60 --seed 1
    python tests/fitting/transfer_brute.py --what space --pairs 100 --seed 1
"""

import argparse
import time

import numpy as np
from evolution import evolve
from transfer_brute_space import space_brute_force
from transfer_brute_three import three_brute_force
from transfer_pairs import LOW, MU, Reach, corners, random_ellipse_pairs, random_orbits, random_pairs


def level_brute_force(e1, h1, e2, h2, low, high, seed=0, population=64, generations=700):
    """Two impulses in one plane, the apse lines free: over the radii of both and the velocity between. nan where an orbit is nowhere between the limits."""
    rng = np.random.default_rng(seed)
    first, second = Reach(e1, h1, low, high), Reach(e2, h2, low, high)

    def cost(z):
        """z: places of departure and arrival, 0 .. 1, and radial and transverse speed on leaving, in escape speeds."""
        (r1, u1, w1), (r2, u2, w2) = first.at(z[0]), second.at(z[1])
        escape = np.sqrt(2 * MU / r1)
        x, y = np.abs(z[2]) * escape, z[3] * escape
        w = y * r1 / r2
        square = x**2 + y**2 + 2 * MU * (1 / r2 - 1 / r1) - w**2
        total = np.hypot(x - u1, y - w1) + np.hypot(np.sqrt(np.maximum(square, 0)) - u2, w - w2)
        return np.where(square >= 0, total, np.inf)

    z = rng.random((4, e1.size, population))
    z[2] = z[2] ** 2 * 1.3
    z[3] = z[3] * 3.6 - 1.8
    corners(z, rng, 0.2)
    least = evolve(cost, z, rng, generations, clipped=2)[1].min(axis=1)
    return np.where(np.isfinite(least) & first.known & second.known, least, np.nan)


def brute_force(e1, h1, e2, h2, angle, low, high, seed=0, population=96, generations=900):
    """Two planes: one impulse (a fine grid of places) or two, over the places of both, the radial and transverse speed between them and the turn in the first;
    the second turn follows. nan where an orbit is nowhere between the limits."""
    rng = np.random.default_rng(seed)
    first, second = Reach(e1, h1, low, high), Reach(e2, h2, low, high)
    once = _once(first, second, angle[:, None])
    angle, low, high = (np.asarray(x)[:, None] for x in (angle, low, high))

    def cost(z):
        """z: places of departure and arrival, 0 .. 1, radial and transverse speed on leaving, in escape speeds, turn on leaving."""
        (r1, u1, w1), (r2, u2, w2) = first.at(z[0]), second.at(z[1])
        escape = np.sqrt(2 * MU / r1)
        x, y = np.abs(z[2]) * escape, np.abs(z[3]) * escape
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
            leave = np.sqrt(np.maximum((x - u1) ** 2 + y * y + w1**2 - 2 * y * w1 * a, 0))
            arrive = np.sqrt(np.maximum((v - u2) ** 2 + w * w + w2**2 - 2 * w * w2 * turn, 0))
            flown = (size >= np.abs(np.cos(angle))) & (square >= 0) & ((side > 0) | inside)
            total = np.minimum(total, np.where(flown, leave + arrive, np.inf))
        return total

    n = e1.size
    z = rng.random((5, n, population))
    z[2] = z[2] ** 2 * np.where(rng.random((n, population)) < 0.3, 0, 1.3)
    z[3] *= 1.8
    z[4] = np.where(rng.random((n, population)) < 0.6, z[4] * angle, np.where(rng.random((n, population)) < 0.3, 0, (2 * z[4] - 1) * np.pi))
    corners(z, rng, 0.25)
    # and a part half a revolution apart
    half = rng.random((n, population)) < 0.4
    with np.errstate(invalid="ignore"):
        r1, r2 = first.at(z[0])[0], second.at(z[1])[0]
        z[3] = np.where(half, np.sqrt(r2 / (r1 + r2)), z[3])
    z[2] = np.where(half, 0, z[2])
    least = np.minimum(evolve(cost, z, rng, generations, crossing=0.85, clipped=2)[1].min(axis=1), once)
    return np.where(np.isfinite(least) & first.known & second.known, least, np.nan)


def _once(first, second, angle):
    low, high = np.maximum(first.low, second.low), np.minimum(first.high, second.high)
    r = low * (np.maximum(high, low) / low) ** np.linspace(0, 1, 4001)
    (u1, w1), (u2, w2) = first.speeds(r), second.speeds(r)
    return np.where(low <= high, np.sqrt((u1 - u2) ** 2 + (w1 - w2) ** 2 + 4 * w1 * w2 * np.sin(angle / 2) ** 2), np.inf).min(axis=1)


def apse_brute_force(first, second, turn, high, seed=0, population=160, generations=500):
    """Apse lines fixed, one plane, one pair: over the direction of departure and the velocity after it; where the conic so reached meets the second orbit
    follows from the equations of both."""
    rng = np.random.default_rng(seed)
    (h1, p1, e1), (h2, p2, e2) = ((h, h * h / MU, np.sqrt(max(1 + 2 * energy * h * h / MU**2, 0))) for energy, h in (first, second))

    def cost(z):
        at, x, y = z[0], z[1], np.abs(z[2])
        with np.errstate(all="ignore"):
            r1 = p1 / (1 + e1 * np.cos(at))
            escape = np.sqrt(2 * MU / r1)
            u1, w1 = MU / h1 * e1 * np.sin(at), h1 / r1
            x, y = u1 + x * escape, w1 * y
            h = r1 * y
            p = h * h / MU
            c, s = p / r1 - 1, x * h / MU
            e, f1 = np.hypot(c, s), np.arctan2(s, c)
            apse = at - f1
            a, b, k = p * e2 * np.cos(turn) - p2 * e * np.cos(apse), p * e2 * np.sin(turn) - p2 * e * np.sin(apse), p2 - p
            least = np.full(at.shape, np.inf)
            for sign in (1, -1):
                there = np.arctan2(b, a) + sign * np.arccos(k / np.hypot(a, b))
                r2 = p2 / (1 + e2 * np.cos(there - turn))
                f2 = f1 + (there - at) % (2 * np.pi)
                low_passed, high_passed = ((f1 < 0) & (f2 > 0)) | (f2 > 2 * np.pi), f2 > np.pi
                flown = (~low_passed | (p / (1 + e) >= LOW)) & (~high_passed | ((e < 1) & (p <= high * (1 - e))))
                flown &= (r1 >= LOW) & (r1 <= high) & (r2 >= LOW) & (r2 <= high) & (1 + e * np.cos(there - apse) > 0)
                second = np.hypot(MU / h * e * np.sin(there - apse) - MU / h2 * e2 * np.sin(there - turn), (h - h2) / r2)
                least = np.fmin(least, np.where(flown, np.hypot(x - u1, y - w1) + second, np.inf))
            return least

    z = np.array([rng.uniform(-np.pi, np.pi, population), 0.4 * rng.standard_normal(population), np.exp(0.3 * rng.standard_normal(population))])
    return evolve(cost, z[:, None], rng, generations, calm=0.5)[1].min()


def check_planes(count, seed):
    """Two impulses in two planes."""
    from analyser.fitting.plane_transfer import least_with_turn

    pairs = random_pairs(count, seed)
    found, spent = timed(lambda *pair: float(least_with_turn(MU, *pair[:5], radius_min=pair[5], radius_max=pair[6])), zip(*pairs))
    forced = np.concatenate([brute_force(*(x[k : k + 100] for x in pairs), seed=k) for k in range(0, count, 100)])
    report(found, forced, spent)


def check_three(count, seed):
    """Up to three impulses between ellipses, in one plane and in two."""
    from analyser.fitting.maneuvers import least_with_plane

    pairs = random_ellipse_pairs(count, seed)
    ask = lambda impulses: lambda e1, h1, e2, h2, angle, low, high: least_with_plane(MU, (e1, h1), (e2, h2), angle, radius_min=low, radius_max=high, impulses=impulses).delta_v
    found, spent = timed(ask(3), zip(*pairs))
    report(found, three_brute_force(*pairs, seed=seed), spent)
    print(f"the third impulse pays in {(found < timed(ask(2), zip(*pairs))[0] * (1 - 1e-6)).sum()}")


def check_space(count, seed):
    """Two impulses between orbits that lie as they lie."""
    from analyser.fitting.orientation import axes_of
    from analyser.fitting.space_ways import Lying
    from analyser.fitting.transfer_space import least_in_space

    rng = np.random.default_rng(seed)
    ends = [random_orbits(rng, count, dip=0.2, ellipses=0.85, roundest=0.7, slowest=1.05, fastest=2.0) for _ in range(2)]
    axes = [axes_of(rng.uniform(0, np.where(rng.random(count) < 0.7, 1.2, 0.1)), *rng.uniform(0, 2 * np.pi, (2, count))) for _ in range(2)]
    high = LOW * rng.uniform(5, 30, count)

    def ask(k):
        first, second = (Lying(energy[[k]], h[[k]], basis[[k]]) for (energy, h), basis in zip(ends, axes))
        return float(least_in_space(MU, first, second, radius_min=LOW, radius_max=high[k])[0])

    found, spent = timed(ask, ((k,) for k in range(count)))
    forced = [
        min(space_brute_force(*((energy[k], h[k], basis[k]) for (energy, h), basis in zip(ends, axes)), LOW, high[k], seed=again) for again in range(2)) for k in range(count)
    ]  # fmt: skip
    report(found, np.where(np.isfinite(forced), forced, np.nan), spent)


def timed(ask, pairs):
    """Answers, and the processor time of each, s."""
    found, spent = [], []
    for pair in pairs:
        start = time.process_time()
        found.append(ask(*pair))
        spent.append(time.process_time() - start)
    return np.array(found), spent


def report(found, forced, spent):
    """Print how the library's answers stand against brute force."""
    worse, known = found / forced - 1, np.isfinite(forced)
    print(f"{known.sum()} of {forced.size} pairs reached, unknown to both alike: {np.array_equal(np.isnan(found), ~known)}")
    print(f"worst against brute force {worse[known].max():.1e}; more than 1e-6 worse in {(worse[known] > 1e-6).sum()}, lower in {(worse[known] < -1e-6).sum()}")
    print(f"processor time a pair: mean {1e3 * np.mean(spent):.0f} ms, slowest {1e3 * max(spent):.0f} ms")


def main():
    checks = {"planes": check_planes, "three": check_three, "space": check_space}
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--what", choices=checks, default="planes")
    options.add_argument("--pairs", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    options = options.parse_args()
    checks[options.what](options.pairs, options.seed)


if __name__ == "__main__":
    main()
