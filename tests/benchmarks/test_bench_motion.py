"""Speed of the numerical core as ratios within one run (pytest tests/benchmarks/test_bench_motion.py): ours against the reference library's
own call in a loop, and against scipy's Levenberg-Marquardt. Nothing is asserted about time; the ratio is printed and stored
in the benchmark's ``extra_info``.
"""

import time

import numpy as np
import pytest

from analyser.fitting import conic, elements
from analyser.fitting.observations import from_arrays, predict
from analyser.fitting.orbit import fit_coast, middle
from analyser.fitting.starts import best_guesses
from analyser.flight import Body

spice = pytest.importorskip("spiceypy")
COUNT = 100_000
MU = 398600.4418e9


def states(count=COUNT):
    rng = np.random.default_rng(1)
    e = rng.uniform(0.0, 0.9, count)
    angles = rng.uniform(0, 2 * np.pi, (3, count))
    return elements.state_from_elements(MU, 7e6 * (1 + e), e, rng.uniform(0, np.pi, count), *angles)


def seconds(call, repeats=3):
    """Least processor time of a few calls, s."""
    found = []
    for _ in range(repeats):
        start = time.process_time()  # what others do on the machine is not counted
        call()
        found.append(time.process_time() - start)
    return min(found)


def report(benchmark, name, reference, ours):
    benchmark.extra_info["ratio"] = reference / ours
    print(f"\n{name}: {reference / ours:.2f} times as fast as the reference ({reference * 1e3:.1f} ms against {ours * 1e3:.1f} ms)")


def test_state_to_elements(benchmark):
    """1e5 states in space to classical elements, against SPICE's oscelt called for each."""
    position, velocity = states()
    call = lambda: elements.classical_elements(MU, position, velocity)  # noqa: E731
    benchmark.pedantic(call, rounds=5, warmup_rounds=1)
    pairs = np.hstack([position, velocity]) / 1e3
    # A tenth of them is timed: the loop's time is proportional.
    loop = 10 * seconds(lambda: [spice.oscelt(pair, 0.0, MU / 1e9) for pair in pairs[: COUNT // 10]])
    report(benchmark, "state to elements", loop, seconds(call, 5))


def test_planar_state_to_shape(benchmark):
    """1e5 readings (radius, radial and transverse speed) to the shape of the orbit, against the same loop."""
    position, velocity = states()
    r = np.linalg.norm(position, axis=1)
    radial = np.einsum("ij,ij->i", position, velocity) / r
    across = np.linalg.norm(np.cross(position, velocity), axis=1) / r
    call = lambda: conic.shape(MU, r, radial, across)  # noqa: E731
    benchmark.pedantic(call, rounds=5, warmup_rounds=1)
    pairs = np.hstack([position, velocity]) / 1e3
    loop = 10 * seconds(lambda: [spice.oscelt(pair, 0.0, MU / 1e9) for pair in pairs[: COUNT // 10]])
    report(benchmark, "planar state to shape", loop, seconds(call, 5))


def test_propagation_to_many_epochs(benchmark):
    """One state to 1e5 epochs, against SPICE's prop2b called for each."""
    position, velocity = (array[0] for array in states(1))
    dt = np.linspace(-3e4, 3e4, COUNT)
    call = lambda: elements.propagate(MU, position, velocity, dt)  # noqa: E731
    benchmark.pedantic(call, rounds=5, warmup_rounds=1)
    pair = np.append(position, velocity) / 1e3
    loop = 10 * seconds(lambda: [spice.prop2b(MU / 1e9, pair, t) for t in dt[::10]])
    report(benchmark, "propagation", loop, seconds(call, 5))


def test_robust_fit(benchmark):
    """200 readings of altitude, speed and vertical speed: careful fit with covariance, against scipy's plain least squares by
    Levenberg-Marquardt with the same analytic Jacobian, weights and start, on the same data."""
    from scipy.optimize import least_squares

    body = Body("Ardent", 6.1e12, 890e3)
    times = np.sort(np.random.default_rng(2).uniform(0, 3000, 200))
    r, vr, vt = conic.propagate(body.mu, 1.0e6, 100.0, 2450.0, times)
    steps = np.array([100.0, 0.1, 0.1])
    values = np.full((200, 6), np.nan)
    values[:, :3] = np.round(np.stack([r - body.radius, np.hypot(vr, vt), vr], axis=1) / steps) * steps
    sigmas = np.full((200, 6), np.nan)
    sigmas[:, :3] = steps / np.sqrt(12)
    observed = from_arrays(body, times, values, sigmas)
    benchmark.pedantic(lambda: fit_coast(observed), rounds=20, warmup_rounds=2)

    used = observed.present
    epoch = middle(observed)
    dt = observed.met - epoch
    start = best_guesses(observed, epoch, used, 1)[0]

    def residuals(x):
        moved = np.stack(conic.propagate(body.mu, *x, dt), axis=1)
        return ((predict(observed, moved)[0] - observed.values) / observed.sigmas)[used]

    def jacobian(x):
        moved, to_state, _ = conic.propagate_jacobian(body.mu, x, dt)
        return (predict(observed, moved)[1] @ to_state / observed.sigmas[:, :, None])[used]

    def reference():
        found = least_squares(residuals, start, jac=jacobian, method="lm", x_scale=np.abs(start))
        return found.x, np.linalg.inv(found.jac.T @ found.jac)

    x, covariance = reference()
    ours = fit_coast(observed)
    # The same answer, or the comparison means nothing.
    assert np.abs((x - ours.state) / np.sqrt(np.diag(covariance))).max() < 0.5
    # In turns, so that a busy machine slows both.
    pairs = [(seconds(reference, 1), seconds(lambda: fit_coast(observed), 1)) for _ in range(40)]
    theirs, mine = np.array(pairs).min(axis=0)
    benchmark.extra_info["ratio"] = theirs / mine
    print(f"\nrobust fit of 200 x 3 readings: {mine / theirs:.2f} times as long as the reference ({mine * 1e3:.1f} ms against {theirs * 1e3:.1f} ms)")
