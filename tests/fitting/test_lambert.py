"""Lambert's problem: put back through propagation, from ellipses to hyperbolas, with whole turns, both ways round."""

import math

import numpy as np
import pytest

from analyser.fitting import lambert

MU = 3.986e14


def fly(place, velocity, time):
    """Integrate the two-body motion with scipy: shares nothing with the solver."""
    from scipy.integrate import solve_ivp

    n = len(place)
    out = solve_ivp(
        lambda t, y: np.concatenate([y[n:], -MU * y[:n] / np.linalg.norm(y[:n]) ** 3]), (0, time), np.concatenate([place, velocity]),
        method="DOP853", rtol=1e-11, atol=1e-3,
    )  # fmt: skip
    return out.y[:n, -1], out.y[n:, -1]


@pytest.mark.parametrize("dimensions", [2, 3])
def test_random_ends_are_met(dimensions):
    rng = np.random.default_rng(dimensions)
    kinds = set()
    for _ in range(120):
        a, b = (rng.standard_normal(dimensions) * 1e7 + 1e6 for _ in range(2))
        time = math.exp(rng.uniform(math.log(300), math.log(60000)))
        prograde = bool(rng.random() < 0.5)
        va, vb = lambert.solve_lambert(MU, a, b, time, prograde=prograde)
        energy = va @ va / 2 - MU / np.linalg.norm(a)
        kinds.add(energy > 0)
        turning = a[0] * va[1] - a[1] * va[0]
        assert (turning > 0) == prograde
        p = np.dot(a, a) * (va @ va) - (a @ va) ** 2
        if p / MU < 2e6:
            continue  # through the neighbourhood of the centre: the integrator is not good enough there
        end, speed = fly(a, va, time)
        assert np.linalg.norm(end - b) < 1e-6 * np.linalg.norm(b) + 20
        assert np.linalg.norm(speed - vb) < 1e-5 * np.linalg.norm(vb)
    assert kinds == {True, False}


@pytest.mark.parametrize("turns", [1, 2])
@pytest.mark.parametrize("long_period", [False, True])
def test_whole_turns(turns, long_period):
    a, b = np.array([7e6, 1e6, 0.5e6]), np.array([-4e6, 7e6, 1e6])
    time = 25000.0
    va, vb = lambert.solve_lambert(MU, a, b, time, turns=turns, long_period=long_period)
    end, _ = fly(a, va, time)
    assert np.linalg.norm(end - b) < 200
    period = 2 * math.pi * math.sqrt((MU / (2 * MU / np.linalg.norm(a) - va @ va)) ** 3 / MU)
    assert turns * period < time < (turns + 1) * period
    other, _ = lambert.solve_lambert(MU, a, b, time, turns=turns, long_period=not long_period)
    assert (np.linalg.norm(va) < np.linalg.norm(other)) != long_period


def test_as_many_turns_as_there_is_time():
    a, b = np.array([7e6, 1e6]), np.array([-4e6, 7e6])
    most = lambert.most_turns(MU, a, b, 30000.0)
    assert most == 4
    with pytest.raises(ValueError, match="whole turns"):
        lambert.solve_lambert(MU, a, b, 30000.0, turns=most + 1)


def test_half_a_turn_is_the_cotangential_ellipse():
    a, b = np.array([7e6, 0.0]), np.array([-4.2e7, 0.0])
    time = math.pi * math.sqrt(((7e6 + 4.2e7) / 2) ** 3 / MU)
    va, vb = lambert.solve_lambert(MU, a, b, time)
    assert va == pytest.approx([0, math.sqrt(2 * MU * 4.2e7 / (7e6 * 4.9e7))], abs=1e-4)
    with pytest.raises(ValueError, match="opposite"):
        lambert.solve_lambert(MU, [7e6, 0, 0], [-4.2e7, 0, 0], time)


def test_the_parabola_between():
    """Through the parabola without a jump: its speed at a time between is that of escape."""
    a, b = np.array([1e7, 0.0]), np.array([0.0, 2e7])
    times = np.linspace(1500, 6000, 400)
    energies = np.array([(v := lambert.solve_lambert(MU, a, b, t)[0]) @ v / 2 - MU / 1e7 for t in times])
    assert energies[0] > 0 > energies[-1]
    assert np.all(np.diff(energies) < 0)
    chord, s = math.hypot(1e7, 2e7), (3e7 + math.hypot(1e7, 2e7)) / 2
    euler = (s**1.5 - (s - chord) ** 1.5) * math.sqrt(2 / MU) / 3  # Euler's parabolic time
    assert abs(np.interp(0, -energies, times) - euler) < 1.0


@pytest.mark.parametrize("bad", [([0, 0], [1e7, 0], 100.0), ([1e7, 0], [0, 1e7], -5.0), ([1e7, 0], [1e7, 0], 100.0)])
def test_what_has_no_answer_is_said(bad):
    with pytest.raises(ValueError):
        lambert.solve_lambert(MU, *bad)
