"""The least delta-v with the apse line fixed: against brute force, the free apse line, and closed forms."""

import math

import numpy as np
import pytest

from analyser.fitting import transfer
from analyser.fitting.transfer_apse import least_with_apse_line

MU = 3.9860e14
LOW = 6.4e6


def random_pairs(count, seed):
    """Mostly ellipses; hyperbolas, and orbits that dip under the lower limit or leave the upper one, among them."""
    rng = np.random.default_rng(seed)

    def orbit():
        periapsis = LOW * np.exp(rng.uniform(-0.3, 1.0, count))
        e = np.where(rng.random(count) < 0.8, rng.uniform(0, 0.85, count), rng.uniform(1.05, 2.0, count))
        return list(zip(-MU * (1 - e) / (2 * periapsis), np.sqrt(MU * periapsis * (1 + e))))

    return list(zip(orbit(), orbit(), rng.uniform(0, 2 * np.pi, count), LOW * rng.uniform(5, 30, count)))


def brute_force(first, second, turn, high, seed=0, population=160, generations=500):
    """Differential evolution over the direction of departure and the velocity after it; where the conic so reached meets the second orbit, from the
    equations of both. An upper bound that can be flown."""
    rng = np.random.default_rng(seed)
    elements = []
    for energy, h in (first, second):
        elements.append((h, h * h / MU, math.sqrt(max(1 + 2 * energy * h * h / MU**2, 0))))
    (h1, p1, e1), (h2, p2, e2) = elements

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
    value = cost(z)
    for generation in range(generations):
        a, b, c = (z[:, rng.integers(0, population, population)] for _ in range(3))
        centre = a if generation < 0.5 * generations else np.where(rng.random(population) < 0.5, z[:, [np.argmin(value)]], z)
        trial = np.where(rng.random(z.shape) < 0.9, centre + rng.uniform(0.3, 0.9, population) * (b - c), z)
        found = cost(trial)
        z, value = np.where(found < value, trial, z), np.minimum(found, value)
    return value.min()


def test_never_worse_than_brute_force():
    equal = known = 0
    for number, (first, second, turn, high) in enumerate(random_pairs(40, 2)):
        found = least_with_apse_line(MU, first, second, turn, radius_min=LOW, radius_max=high)
        forced = brute_force(first, second, turn, high, seed=number)
        if not math.isfinite(forced):
            continue
        known += 1
        assert found.delta_v <= forced * (1 + 1e-6), number
        equal += found.delta_v >= forced * (1 - 1e-5)
        free = float(transfer.least_delta_v(MU, *first, *second, radius_min=LOW, radius_max=high))
        assert found.delta_v >= free * (1 - 1e-9)
        assert math.fsum(found.burns) == pytest.approx(found.delta_v, rel=1e-9)
    assert known >= 30
    assert equal > 0.75 * known


def test_the_apse_line_kept_is_the_free_optimum_where_that_joins_apsides():
    """Two ellipses on one apse line, periapsides on one side: from apsis to apsis in half a revolution, which turns nothing."""
    for inner, outer in (((7e6, 9e6), (2e7, 4.2e7)), ((7e6, 7e6), (2e7, 2e7)), ((7e6, 1.2e7), (8e6, 3e7))):
        orbits = [tuple(map(float, transfer.orbit_of_apsides(MU, *pair))) for pair in (inner, outer)]
        found = least_with_apse_line(MU, *orbits, 0.0)
        assert found.delta_v == pytest.approx(float(transfer.least_delta_v(MU, *orbits[0], *orbits[1])), rel=1e-8)


def test_a_turned_apse_line_of_one_ellipse_by_one_impulse_is_the_books():
    """Where both meet, half the turn from either periapsis, the radial speed turns over: 2 (mu / h) e sin(turn / 2) (Curtis, Orbital
    Mechanics for Engineering Students, section 6.7, apse line rotation). Two impulses are never dearer."""
    energy, h = map(float, transfer.orbit_of_apsides(MU, 8e6, 1.6e7))
    e = 1 / 3
    for turn in (0.05, 0.4, 1.2):
        single = 2 * MU / h * e * math.sin(turn / 2)
        found = least_with_apse_line(MU, (energy, h), (energy, h), turn)
        assert 0.3 * single < found.delta_v <= single * (1 + 1e-9)
    assert least_with_apse_line(MU, (energy, h), (energy, h), 0.0).delta_v < 1e-3


def test_out_of_reach_and_against_the_flight():
    low, high = (tuple(map(float, transfer.orbit_of_apsides(MU, *pair))) for pair in ((5e6, 6e6), (7e6, 8e6)))
    assert math.isnan(least_with_apse_line(MU, low, high, 0.3, radius_min=LOW).delta_v)
    with pytest.raises(ValueError, match="same sense"):
        least_with_apse_line(MU, low, (high[0], -high[1]), 0.3)
