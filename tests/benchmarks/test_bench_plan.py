"""What planning costs, as ratios within one run: run with ``pytest tests/benchmarks/test_bench_plan.py``.

The ratio of each pair of groups stands in ``extra_info``.
"""

import math
import time

import numpy as np
import pytest
from process_cost import IMPORTS, command_seconds, processor_seconds

from analyser.fitting import powered, transfer
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.terminal import Terminal
from analyser.fitting.transfer_turn import Pairs

MU = 3.986e14


def pairs(count):
    rng = np.random.default_rng(4)
    low = 6.4e6
    orbits = []
    for _ in range(2):
        periapsis = low * np.exp(rng.uniform(-0.5, 1.0, count))
        e = np.where(rng.random(count) < 0.7, rng.uniform(0, 0.9, count), rng.uniform(1.02, 2, count))
        orbits += [-MU * (1 - e) / (2 * periapsis), np.sqrt(MU * periapsis * (1 + e))]
    return orbits, {"radius_min": low, "radius_max": 20 * low}


def seconds(function, repeat=3):
    best = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        function()
        best = min(best, time.perf_counter() - begin)
    return best


def test_two_impulse_optimum(benchmark):
    """One pair with all its limits, against a Nelder-Mead over the same four unknowns from one start."""
    from scipy.optimize import minimize

    orbits, limits = pairs(40)
    benchmark.pedantic(lambda: [transfer.least_transfer(MU, *pair, **limits) for pair in zip(*orbits)], rounds=3)
    e1, h1, e2, h2 = (float(x[0]) for x in orbits)

    def cost(z):
        r1, r2 = 6.4e6 * np.exp(np.abs(z[:2]))
        u1, u2 = (math.sqrt(max(2 * (e + MU / r) - (h / r) ** 2, 0)) for e, h, r in ((e1, h1, r1), (e2, h2, r2)))
        w = z[3] * r1 / r2
        square = z[2] ** 2 + z[3] ** 2 + 2 * MU * (1 / r2 - 1 / r1) - w**2
        return math.hypot(z[2] - u1, z[3] - h1 / r1) + math.hypot(math.sqrt(max(square, 0)) - u2, w - h2 / r2)

    other = seconds(lambda: minimize(cost, [0.3, 0.6, 3000.0, 7000.0], method="Nelder-Mead", options={"maxfev": 1800}))
    each = benchmark.stats.stats.min / 40
    benchmark.extra_info |= {"seconds a pair": each, "ratio to one local search": each / other}


def test_two_planes(benchmark):
    """Pairs of which one orbit runs through a limit, with a turn shared between the impulses, against a Nelder-Mead over the same five unknowns from one start."""
    from scipy.optimize import minimize

    orbits, limits = pairs(40)
    angles = np.random.default_rng(5).uniform(0.05, 2.5, 40)
    all_of = list(zip(*orbits, angles))
    benchmark.pedantic(lambda: [least_with_turn(MU, *pair, **limits) for pair in all_of], rounds=3)
    each = []
    for pair in all_of:
        begin = time.process_time()
        least_with_turn(MU, *pair, **limits)
        each.append(time.process_time() - begin)
    use = next(k for k in range(40) if math.isfinite(float(least_with_turn(MU, *all_of[k], **limits))))
    first, second = (Terminal(MU, *(x[[use]] for x in ends), *(np.array([value]) for value in limits.values())) for ends in (orbits[:2], orbits[2:]))
    problem = Pairs(MU, first, second, angles[[use]], *(np.array([value]) for value in limits.values()))
    start = [1.2, 0.3, 0.05, -0.6, 0.5 * angles[use]]
    other = seconds(lambda: minimize(lambda z: min(float(problem.cost(z[:, None])[0]), 1e9), start, method="Nelder-Mead", options={"maxfev": 1800}))
    benchmark.extra_info |= {"seconds a pair": benchmark.stats.stats.min / 40, "slowest, s": max(each), "ratio to one local search": benchmark.stats.stats.min / 40 / other}


def test_ten_thousand_samples_at_once(benchmark):
    """As the burn audit asks: samples of one burn's two orbits, against the loop over them."""
    rng = np.random.default_rng(1)
    count = 10_000
    e1, h1 = transfer.orbit_of_apsides(MU, 6.9e6, 7.4e6)
    e2, h2 = transfer.orbit_of_apsides(MU, 7.0e6, 9e6)
    spread = lambda x: x * (1 + 1e-5 * rng.standard_normal(count))
    arrays = [spread(x) for x in (e1, h1, e2, h2)]
    benchmark(lambda: transfer.least_delta_v(MU, *arrays, radius_min=6.4e6, radius_max=9e8))
    loop = seconds(lambda: [transfer.least_delta_v(MU, *(x[k] for x in arrays), radius_min=6.4e6, radius_max=9e8) for k in range(200)])
    benchmark.extra_info["ratio to the loop"] = benchmark.stats.stats.min / (loop * count / 200)


@pytest.mark.parametrize("push", [0.8, 1.5, 5.0])
def test_powered_descent(benchmark, push):
    orbit = tuple(float(x) for x in transfer.orbit_of_apsides(1.0, 1.0288, 1.0288))
    found = benchmark.pedantic(lambda: powered.descent(1.0, 1.0, orbit, 1.0, push, 1.816), rounds=3)
    assert found.delta_v > found.bound


@pytest.mark.parametrize("name", ["plan", "plan --from"])
def test_planning_as_a_process(benchmark, name, tmp_path):
    """A whole there-and-back plan, and the rest of a flown flight from a moment of it: processor time over that of the imports (wanted: under 3 s each)."""
    found = [(processor_seconds("-c", IMPORTS), command_seconds(name, tmp_path)) for _ in range(3)]
    benchmark.extra_info["processor time over its imports"] = min(cost / floor for floor, cost in found)
    benchmark.pedantic(lambda: command_seconds(name, tmp_path), rounds=3)
