"""Braking to a stop: against adaptive integration, against closed forms, and the last moment is the last."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from analyser.fitting import scalar_conic as conic
from analyser.fitting.braking import landing, landings, stop
from analyser.fitting.engine import engine_of
from analyser.fitting.digits import Shown
from analyser.fitting.fix import fix_reading
from analyser.fitting.shown_state import Reading
from analyser.flight import Body, Craft, Stage

LULL = Body("Lull", 2.1e11, 310e3, rotation_period=245_000.0)
HERON = Craft("Heron", (Stage("lander", 2900.0, 9400.0, 58e3, 318.0),))
ENGINE, _ = engine_of(HERON, 4000.0)


def integrated(state, throttle: float, rate: float):
    """Radius and time at rest by DOP853, thrust against the motion over the ground."""
    thrust, flow = 58e3 * throttle, 58e3 * throttle / ENGINE.exhaust_speed

    def rates(t, y):
        r, vr, vt = y
        across = vt - rate * r
        push = thrust / (ENGINE.mass - flow * t) / math.hypot(vr, across)
        return [vr, vt * vt / r - LULL.mu / r**2 - push * vr, -vr * vt / r - push * across]

    def rest(t, y):
        return math.hypot(y[1], y[2] - rate * y[0]) - 0.02

    rest.terminal = True
    done = solve_ivp(rates, (0, 3000), state, events=rest, rtol=1e-10, atol=1e-8, method="DOP853")
    return done.y[0, -1], done.t[-1]


@pytest.mark.parametrize("state", [(330e3, -20.0, 720.0), (312e3, -120.0, 30.0), (325e3, -150.0, 500.0), (318e3, -60.0, 1e-3), (340e3, -250.0, 1e-9)])
@pytest.mark.parametrize("throttle", [1.0, 0.5, 0.3])
def test_stopping_agrees_with_adaptive_integration(state, throttle):
    found = stop(LULL.mu, state, 58e3 * throttle, ENGINE.exhaust_speed, ENGINE.mass, LULL.rotation_rate)
    radius, time = integrated(state, throttle, LULL.rotation_rate)
    assert found[0] == pytest.approx(radius, abs=1e-4 * (state[0] - radius) + 0.05)
    assert found[1] == pytest.approx(time, rel=1e-3)
    assert found[2] == pytest.approx(58e3 * throttle / ENGINE.exhaust_speed * found[1], rel=1e-12)


def test_a_fall_against_the_constant_mass_formula():
    """h = v^2 / (2 (T/m - g)) where next to no mass is lost and gravity is even (a body so large that it is)."""
    mu, radius = 2.0 * 1e16, 1e8
    rest = stop(mu, (radius, -100.0, 1e-9), 1e6, 1e9, 1e5)[0]
    assert radius - rest == pytest.approx(100.0**2 / (2 * (10.0 - 2.0)), rel=1e-3)


def test_thrust_below_weight_never_stops():
    assert stop(LULL.mu, (312e3, -50.0, 0.1), 10e3, ENGINE.exhaust_speed, ENGINE.mass)[0] == -math.inf


def down(altitude: float, speed: float, vertical: float):
    return fix_reading(Reading(Shown(altitude, 5.0), Shown(speed, 0.05), Shown(vertical, 0.05)), LULL)


@pytest.mark.parametrize("reading", [(12.3e3, 520.0, -60.0), (20e3, 200.0, -150.0), (5e3, 120.0, 20.0), (30e3, 700.0, 10.0)])
@pytest.mark.parametrize("throttle", [1.0, 0.6])
def test_the_last_moment_stops_at_the_ground(reading, throttle):
    fix = down(*reading)
    found = landing(fix, replace(ENGINE, throttle=throttle))
    assert not found.too_late and found.reason == ""
    start = conic.after(LULL.mu, *fix.state, found.wait.value)
    assert start[0] - LULL.radius == pytest.approx(found.start_altitude.value, abs=0.5)
    rest, time, burnt, _ = stop(LULL.mu, start, 58e3 * throttle, ENGINE.exhaust_speed, ENGINE.mass, LULL.rotation_rate)
    assert rest - LULL.radius == pytest.approx(0.0, abs=1.0)
    assert found.propellant.value == pytest.approx(burnt, rel=1e-3) and found.duration.value == pytest.approx(time, rel=1e-3)
    assert found.left.value == pytest.approx(4000.0 - burnt, abs=2.0)


def test_too_late_is_said_with_the_speed_at_the_ground():
    found = landing(down(1230.0, 190.0, -180.0), ENGINE)
    assert found.too_late and "too late" in found.reason
    assert 100 < found.contact_speed.value < 190
    late = landing(down(700.0, 190.0, -180.0), ENGINE)
    assert late.contact_speed.value > found.contact_speed.value


def test_the_radar_height_moves_the_ground():
    fix = down(3.2e3, 140.0, -95.0)
    flat, hill = landing(fix, ENGINE), landing(fix, ENGINE, Shown(2.2e3, 5.0))
    assert hill.start_altitude.value == pytest.approx(flat.start_altitude.value, rel=0.2)
    assert hill.wait.value < flat.wait.value - 5


def test_a_slow_continuous_descent_costs_more_than_late_hard_braking():
    """Common practice, no source: "gravity loss grows with the time under thrust"."""
    full, gentle = landings(down(12.3e3, 520.0, -60.0), replace(ENGINE, throttle=0.5))
    assert gentle.delta_v.value > full.delta_v.value + 20


def test_too_little_propellant_is_said():
    found = landing(down(12.3e3, 520.0, -60.0), engine_of(HERON, 300.0)[0])
    assert found.left.value < 0 and "not enough" in found.reason


def test_a_coast_that_stays_up_needs_no_braking():
    found = landing(down(30e3, 790.0, 0.0), ENGINE)
    assert "lower the periapsis" in found.reason and not found.start_altitude.known


def test_braking_intervals_hold_what_neighbouring_readings_give():
    """The interval spans the answers at the corners of the box of the digits, or nearly."""
    fix = fix_reading(Reading(Shown(12.3e3, 50.0), Shown(520.0, 0.5), Shown(-60.0, 0.5)), LULL)
    found = landing(fix, ENGINE)
    answers = [landing(down(12.3e3 + a, 520.0 + b, -60.0 + c), ENGINE).start_altitude.value for a in (-50, 50) for b in (-0.5, 0.5) for c in (-0.5, 0.5)]
    assert min(answers) < found.start_altitude.low < found.start_altitude.value < found.start_altitude.high < max(answers)
    assert found.start_altitude.high - found.start_altitude.low > 0.5 * (max(answers) - min(answers))
