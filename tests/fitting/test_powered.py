"""Powered descent and ascent: against direct collocation (CasADi with IPOPT), guide figures, monotony, integration."""

import math

import numpy as np
import pytest
from collocation import Collocation

from analyser.fitting import powered
from analyser.fitting.transfer import orbit_of_apsides

HEIGHT, EXHAUST = 0.0288, 1.816  # in radii and circular speeds at the ground
CIRCLE = tuple(float(x) for x in orbit_of_apsides(1.0, 1 + HEIGHT, 1 + HEIGHT))


def collocated(push, down, intervals=24, degree=3):
    """Least delta-v over the impulsive bound, by direct collocation on Radau points with free throttle and free direction, the ground as a
    path constraint. Shares no equation with the solver under test but the motion's own. Only the burn in orbit is an impulse, kept small: left free it
    grows and stands in for thrust that the craft does not have."""
    col = Collocation(degree)
    ca = col.ca
    top = 1 + HEIGHT
    round_speed = math.sqrt(1 / top)
    x, u = ca.MX.sym("x", 4), ca.MX.sym("u", 2)
    r, vr, vt, spent = x[0], x[1], x[2], x[3]
    a = push * ca.exp(spent / EXHAUST) * u[0]
    sign = -1 if down else 1
    motion = ca.Function("f", [x, u], [ca.vertcat(vr, vt**2 / r - 1 / r**2 + a * ca.sin(u[1]), -vr * vt / r + sign * a * ca.cos(u[1]), a)])

    def guess(s):
        v = 1 - s if down else s
        return [1 + 0.3 * HEIGHT * v, 0.02 * sign, v, s]

    time = col.unknown("time", [0.5 * EXHAUST / push], [0.005], [10])
    kick = col.unknown("kick", [0.007], [0], [0.02])
    box = [1, -2, -2, 0], [1.5, 2, 2, 5]
    here = begin = col.unknown("x", guess(0), *box)
    for k in range(intervals):
        points = [here] + [col.unknown(f"x{k}_{j}", guess((k + col.tau[j]) / intervals), *box) for j in range(1, degree + 1)]
        controls = [col.unknown(f"u{k}_{j}", [0.95, 0.3], [0, -1.6], [1, 1.6]) for j in range(1, degree + 1)]
        col.follow(points, time / intervals, lambda j, points=points, controls=controls: motion(points[j], controls[j - 1]))
        here = points[-1]
    orbit_end, ground_end = (begin, here) if down else (here, begin)
    left = round_speed - kick
    col.rule((orbit_end[1] ** 2 + orbit_end[2] ** 2) / 2 - 1 / orbit_end[0] - (left**2 / 2 - 1 / top), 0, 0)
    col.rule(orbit_end[0] * orbit_end[2] - left * top, 0, 0)
    col.rule(orbit_end[0], 0, top)
    col.rule(sign * orbit_end[1], 0, 2)
    col.rule(ground_end[:3] - ca.DM([1, 0, 0]), [0] * 3, [0] * 3)
    col.rule(begin[3] - (kick if down else 0), 0, 0)
    least = col.least(here[3] + (0 if down else kick), max_iter=400)
    leave = math.sqrt(2 * top / (1 + top))
    return least / (leave + round_speed - leave / top)


@pytest.mark.parametrize(("push", "down"), [(0.75, True), (1.0, True), (5.0, True), (1.3, False), (4.0, False)])
def test_against_direct_collocation(push, down):
    solve = powered.descent if down else powered.ascent
    found = solve(1.0, 1.0, CIRCLE, 1.0, push, EXHAUST)
    assert abs(found.delta_v / found.bound - collocated(push, down)) < 5e-4


# measured beforehand by another solver; four figures
@pytest.mark.parametrize(("push", "ratio"), [(10, 1.0012), (3, 1.0135), (1.5, 1.057), (1.0, 1.142)])
def test_descent_guide_figures(push, ratio):
    found = powered.descent(1.0, 1.0, CIRCLE, 1.0, push, EXHAUST)
    assert found.delta_v / found.bound == pytest.approx(ratio, abs=0.0006)
    assert found.mesh_change < 1e-6


@pytest.mark.parametrize(("push", "ratio"), [(10, 1.0019), (3, 1.022), (1.5, 1.103)])
def test_ascent_guide_figures(push, ratio):
    found = powered.ascent(1.0, 1.0, CIRCLE, 1.0, push, EXHAUST)
    assert found.delta_v / found.bound == pytest.approx(ratio, abs=0.0006)


def test_more_thrust_never_costs_more_and_no_thrust_beats_the_bound():
    for solve, least in ((powered.descent, 0.75), (powered.ascent, 1.15)):
        ratios = []
        for push in least * np.array([1, 1.2, 1.6, 2.4, 4, 8, 20]):
            found = solve(1.0, 1.0, CIRCLE, 1.0, push, EXHAUST)
            ratios.append(found.delta_v / found.bound)
        assert min(ratios) > 1
        assert np.all(np.diff(ratios) < 0)


def test_too_weak_is_said():
    found = powered.ascent(1.0, 1.0, CIRCLE, 1.0, 0.95, EXHAUST)
    assert math.isnan(found.delta_v) and "less than the weight" in found.reason
    assert math.isnan(powered.descent(1.0, 1.0, CIRCLE, 1.0, math.nan, EXHAUST).delta_v)


def test_real_units_rotation_and_an_ellipse():
    """A moon of our own in SI units: scaling changes nothing; turning ground helps the flight that goes with it and hinders the other."""
    mu, radius = 2.1e11, 310e3
    unit = math.sqrt(mu / radius)
    orbit = tuple(float(x) for x in orbit_of_apsides(mu, radius * (1 + HEIGHT), radius * (1 + HEIGHT)))
    weight = mu / radius**2
    still = powered.descent(mu, radius, orbit, 8000.0, 3 * 8000 * weight, EXHAUST * unit)
    plain = powered.descent(1.0, 1.0, CIRCLE, 1.0, 3.0, EXHAUST)
    assert still.delta_v / unit == pytest.approx(plain.delta_v, rel=1e-6)
    along = powered.descent(mu, radius, orbit, 8000.0, 3 * 8000 * weight, EXHAUST * unit, surface_speed=8.0)
    against = powered.descent(mu, radius, (orbit[0], -orbit[1]), 8000.0, 3 * 8000 * weight, EXHAUST * unit, surface_speed=8.0)
    assert along.delta_v == pytest.approx(still.delta_v - 8, abs=0.5)
    assert against.delta_v == pytest.approx(still.delta_v + 8, abs=0.5)
    ellipse = tuple(float(x) for x in orbit_of_apsides(mu, radius + 5e3, radius + 90e3))
    found = powered.ascent(mu, radius, ellipse, 8000.0, 4 * 8000 * weight, EXHAUST * unit)
    assert found.bound < found.delta_v < 1.03 * found.bound
    assert found.apsis_radius == pytest.approx(radius + 90e3)


def test_the_path_ends_where_it_says_when_flown_by_another_integrator():
    """Fly the long burn of an ascent from its own steering with scipy and see the apoapsis come out."""
    from scipy.integrate import solve_ivp

    problem = powered._Problem(0.0, 2.0, EXHAUST, False, CIRCLE[0], CIRCLE[1], 1 + HEIGHT)
    best = problem.best()
    problem.steps = powered._STEPS
    answers = problem._search(np.array([best["pitch"], 1.0, best["burn"]]), True)
    pitch, rate, length = answers[1]

    def rates(t, y):
        r, vr, vt, m, pr, pt, lr = y
        a, size, spin = 2.0 / m, math.hypot(pr, pt), vt / r
        return [
            vr, vt * spin - 1 / r**2 + a * pr / size, -vr * spin + a * pt / size, -2.0 / EXHAUST,
            -lr + pt * spin, -2 * pr * spin + pt * vr / r, pr * (spin**2 - 2 / r**3) - pt * vr * spin / r,
        ]  # fmt: skip

    end = -math.expm1(-length / EXHAUST) * EXHAUST / 2.0
    flown = solve_ivp(rates, (0, end), [1, 0, 0, 1, math.sin(pitch), math.cos(pitch), rate * math.sin(pitch) * 2.0], rtol=1e-10, atol=1e-12, max_step=end / 200)
    r, vr, vt = flown.y[:3, -1]
    energy, h = (vr**2 + vt**2) / 2 - 1 / r, r * vt
    e = math.sqrt(1 + 2 * energy * h * h)
    assert -(1 + e) / (2 * energy) == pytest.approx(1 + HEIGHT, abs=1e-5)
    assert flown.y[0].min() > 1 - 1e-6
