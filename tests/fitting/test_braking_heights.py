"""How late full thrust could have begun: against the same braking in plain numbers, against adaptive integration, and at the moment it names."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analyser.fitting import conic
from analyser.fitting.braking import stop
from analyser.fitting.braking_heights import braking_heights, constant_rate_delta_v, stop_radii

MU, RADIUS = 4.9e12, 1.737e6
RATE = 2.66e-6


def falling(seed: int, count: int):
    """Craft on suborbital paths some way up, with thrusts of 1.6 to 10 weights."""
    rng = np.random.default_rng(seed)
    r = RADIUS + 10 ** rng.uniform(2.5, 4.6, count)
    v = rng.uniform(0.05, 0.97, count) * np.sqrt(MU / RADIUS)
    down = rng.uniform(0.0, 0.5, count) * np.minimum(v, 300.0)
    mass = rng.uniform(2e3, 2e4, count)
    thrust = 10 ** rng.uniform(math.log10(1.6), 1.0, count) * mass * MU / RADIUS**2
    return np.stack([r, -down, np.sqrt(v**2 - down**2)]), thrust, mass


def test_stops_where_the_plain_braking_stops():
    state, thrust, mass = falling(1, 60)
    found = stop_radii(MU, state, thrust, 3050.0, mass, RATE)
    for k in range(60):
        plain = stop(MU, tuple(state[:, k]), thrust[k], 3050.0, mass[k], RATE)[0]
        assert math.isfinite(plain) == math.isfinite(found[k])
        if math.isfinite(plain):
            assert found[k] == pytest.approx(plain, abs=1.0 + 5e-4 * abs(state[0, k] - plain))


def test_stops_where_adaptive_integration_stops():
    state, thrust, mass = falling(2, 12)
    found = stop_radii(MU, state, thrust, 3050.0, mass, RATE)

    def integrated(k):
        def rates(t, y):
            r, vr, vt, m = y
            wind = vt - RATE * r
            push = thrust[k] / m / math.hypot(vr, wind)
            return [vr, vt**2 / r - MU / r**2 - push * vr, -vr * vt / r - push * wind, -thrust[k] / 3050.0]

        def slow(t, y):
            return math.hypot(y[1], y[2] - RATE * y[0]) - 0.05

        slow.terminal = True
        out = solve_ivp(rates, (0, 0.97 * mass[k] * 3050.0 / thrust[k]), [*state[:, k], mass[k]], events=slow, rtol=1e-10, atol=1e-8, method="DOP853")
        return out.y[0, -1] if out.t_events[0].size else -math.inf

    for k in range(12):
        assert found[k] == pytest.approx(integrated(k), abs=1.0 + 3e-4 * abs(state[0, k] - found[k]))


def test_braking_at_the_latest_moment_stops_at_the_ground():
    state, thrust, mass = falling(3, 120)
    seen = 0
    for k in range(120):
        told = braking_heights(MU, RADIUS, state[:, k : k + 1], thrust[k], 3050.0, mass[k : k + 1], RATE)
        if not told.wait[0] > 0:
            continue
        seen += 1
        there = conic.propagate(MU, *state[:, k], told.wait[0])
        assert there[0] - RADIUS == pytest.approx(told.height[0], abs=1e-6)
        end = stop(MU, tuple(float(part) for part in there), thrust[k], 3050.0, mass[k], RATE)[0] - RADIUS
        assert abs(end) < 2.0 + 2e-3 * told.height[0]
        # three seconds later it is too late
        later = conic.propagate(MU, *state[:, k], told.wait[0] + 3.0)
        assert stop(MU, tuple(float(part) for part in later), thrust[k], 3050.0, mass[k], RATE)[0] < RADIUS
    assert seen > 30


def test_a_coast_clear_of_the_ground_has_no_latest_moment():
    circular = np.array([[RADIUS + 3e4], [0.0], [math.sqrt(MU / (RADIUS + 3e4))]])
    told = braking_heights(MU, RADIUS, circular, 3e4, 3050.0, np.array([5e3]))
    assert told.spare[0] > 0 and math.isnan(told.wait[0]) and math.isnan(told.height[0])


def test_where_it_is_too_late_the_stop_lies_below_the_ground():
    state = np.array([[RADIUS + 100.0], [-300.0], [10.0]])
    told = braking_heights(MU, RADIUS, state, 3e4, 3050.0, np.array([5e3]))
    assert told.spare[0] < 0 and told.wait[0] == 0 and math.isnan(told.height[0])


def test_the_height_named_stops_at_the_ground():
    """Burn from the height told, with another integrator and a fixed step: the craft stops within a few metres of the ground."""
    mu, radius, mass, thrust, exhaust = 2.1e11, 310e3, 7000.0, 58e3, 3118.5
    starts = ((5000.0, -20.0, 0.0), (20000.0, -60.0, 300.0), (9000.0, 40.0, 120.0))
    state = np.array([[radius + altitude, climb, across] for altitude, climb, across in starts]).T
    told = braking_heights(mu, radius, state, thrust, exhaust, np.full(3, mass))
    for (altitude, down, across), height in zip(starts, told.height):
        r, vr, vt, m, dt, burning = radius + altitude, down, across, mass, 0.01, False
        while True:
            burning = burning or (vr < 0 and r - radius <= height)
            size = math.hypot(vr, vt)
            if burning and size < 1.0:
                break
            a = thrust / m if burning else 0.0
            vr, vt = vr + dt * (vt * vt / r - mu / r**2 - a * vr / size), vt + dt * (-vr * vt / r - a * vt / size)
            r, m = r + dt * vr, m - (dt * thrust / exhaust if burning else 0.0)
            assert r > radius - 20
        assert abs(r - radius) < 6.0


def test_too_late_or_missing_the_ground_has_no_height():
    state = np.array([[310e3 + 100.0, -400.0, 0.0], [310e3 + 30e3, 0.0, 790.0]]).T
    assert np.isnan(braking_heights(2.1e11, 310e3, state, 58e3, 3118.5, np.full(2, 7000.0)).height).all()


def test_constant_rate_costs_hover_time_times_weight():
    mu, radius = 2.1e11, 310e3
    g = mu / radius**2
    # 500 m at 5 m/s: 100 s of hovering, and the rate itself
    assert constant_rate_delta_v(mu, radius, 500.0, 5.0) == pytest.approx(100 * g + 5, rel=2e-3)
    assert constant_rate_delta_v(mu, radius, 500.0, 5.0) > math.sqrt(2 * g * 500)
