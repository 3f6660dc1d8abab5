"""Falls through air: against an integrator of another order and step control, against the closed form of steep falls, and sums that close."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analyser.fitting.atmosphere import density, standard_1976_air
from analyser.fitting.entry_path import at_the_top, fall
from analyser.flight import Atmosphere, Body

ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
EARTH = Body("Earth", 3.986004418e14, 6378.137e3, 86164.1, atmosphere=standard_1976_air())


def integrated(body, start, ballistic, spin):
    """The same motion by scipy's eighth-order method at tight tolerance, its equations written anew in Cartesian axes: times and altitude, vertical speed, speed, drag."""
    air = body.atmosphere

    def rates(t, y):
        x, z, u, w = y
        r = math.hypot(x, z)
        wind_x, wind_z = u + spin * z, w - spin * x
        push = 0.5 * float(density(air, r - body.radius)) * math.hypot(wind_x, wind_z) / ballistic
        return [u, w, -body.mu * x / r**3 - push * wind_x, -body.mu * z / r**3 - push * wind_z]

    def ground(t, y):
        return math.hypot(y[0], y[1]) - body.radius

    ground.terminal = True
    r, vr, vt = start
    found = solve_ivp(rates, (0, 3000), [r - 1e-3, 0.0, vr, vt], method="DOP853", rtol=1e-10, atol=1e-6, events=ground, dense_output=True, max_step=1.0)
    times = np.linspace(0, found.t[-1], 4001)
    x, z, u, w = found.sol(times)
    r = np.hypot(x, z)
    through = np.hypot(u + spin * z, w - spin * x)
    return times, r - body.radius, (x * u + z * w) / r, np.hypot(u, w), 0.5 * density(air, r - body.radius) * through**2 / ballistic


@pytest.mark.parametrize(
    ("body", "apoapsis", "periapsis", "ballistic", "sense"),
    [(ARDENT, 80e3, 20e3, 850.0, 1), (ARDENT, 20e6, 35e3, 250.0, 1), (ARDENT, 20e6, -300e3, 2500.0, -1), (EARTH, 3.6e8, 45e3, 400.0, 1)],
)
def test_against_another_integrator(body, apoapsis, periapsis, ballistic, sense):
    q, p = body.radius + apoapsis, body.radius + periapsis
    energy, momentum = -body.mu / (q + p), math.sqrt(2 * body.mu * q * p / (q + p))
    start = at_the_top(body, energy, momentum)
    flown = fall(body, start, ballistic, spin=sense * body.rotation_rate)
    times, altitude, climb, speed, drag = integrated(body, start[0], ballistic, sense * body.rotation_rate)
    assert flown.ended.tolist() == ["ground"]
    peak, when, height = (float(part[0]) for part in flown.peak())
    top = int(np.argmax(drag))
    assert peak == pytest.approx(drag[top], rel=5e-4)
    assert when == pytest.approx(times[top], abs=0.005 * times[-1]) and height == pytest.approx(altitude[top], abs=200)
    r, vr, vt = (part[:, 0] for part in flown.at(times[:-100:200]))
    # the table of the Earth's air has kinks, at which no smooth step is exact
    fine = 1.0 if body is ARDENT else 30.0
    assert np.abs(r - body.radius - altitude[:-100:200]).max() < 0.2 * fine
    assert np.abs(vr - climb[:-100:200]).max() < 0.01 * fine and np.abs(np.hypot(vr, vt) - speed[:-100:200]).max() < 0.01 * fine


def test_what_drag_took_and_gravity_gave_is_the_change_of_speed():
    start = at_the_top(ARDENT, -6.1e12 / 22e6, math.sqrt(2 * 920e3**2 * (-6.1e12 / 22e6 + 6.1e12 / 920e3)))
    flown = fall(ARDENT, start, 850.0)
    first, last = math.hypot(*start[0, 1:]), math.hypot(*flown.end[0, 1:])
    drag, gravity = (float(part[0]) for part in flown.account())
    assert first - drag + gravity == pytest.approx(last, abs=0.01)
    assert drag > 0.8 * first


@pytest.mark.parametrize(("angle", "ballistic"), [(30.0, 800.0), (60.0, 3000.0), (90.0, 300.0)])
def test_steep_falls_have_the_closed_form_peak(angle, ballistic):
    """Allen and Eggers, NACA Report 1381 (1958): without gravity and curvature the peak is V^2 sin(angle) / (2 e H), where the density is beta sin(angle) / H, and the
    speed there is V / sqrt(e). (The equations are from memory.)"""
    height, speed = 7000.0, 6000.0
    flat = Body("flat", 1e9, 1e9, math.inf, atmosphere=Atmosphere(150e3, 1.3, height))
    sine = math.sin(math.radians(angle))
    flown = fall(flat, [[1e9 + 150e3, -speed * sine, speed * math.cos(math.radians(angle))]], ballistic)
    peak, when, altitude = (float(part[0]) for part in flown.peak())
    assert peak == pytest.approx(speed**2 * sine / (2 * math.e * height), rel=1e-3)
    assert altitude == pytest.approx(height * math.log(1.3 * height / (ballistic * sine)), abs=0.03 * height)
    _, vr, vt = (float(part[0, 0]) for part in flown.at([when]))
    assert math.hypot(vr, vt) == pytest.approx(speed / math.sqrt(math.e), rel=0.01)


def test_a_shallow_pass_leaves_again_and_a_stop_is_kept():
    energy = 1e5
    low = 890e3 + np.array([50e3, 30e3])
    start = at_the_top(ARDENT, [energy, energy], np.sqrt(2 * low**2 * (energy + 6.1e12 / low)))
    assert fall(ARDENT, start, 850.0).ended.tolist() == ["left", "ground"]
    stopped = fall(ARDENT, start, 850.0, longest=[10.0, 20.0])
    assert stopped.ended.tolist() == ["stopped", "stopped"] and stopped.time[-1] == pytest.approx([10.0, 20.0])
    assert np.isnan(at_the_top(ARDENT, energy, 1e13)[0, 1])


def test_a_fall_is_stopped_once_the_air_has_slowed_it_enough():
    slow = ARDENT.surface_gravity  # one second's worth: far below the steady sink from which the second one speeds up
    start = [[ARDENT.radius + 30e3, -900.0, 1500.0], [ARDENT.radius + 30e3, -slow, ARDENT.rotation_rate * ARDENT.radius]]
    flown = fall(ARDENT, start, 50.0, slowest=300.0)
    assert flown.ended.tolist() == ["stopped", "stopped"]
    assert 200 < flown.air_speed[-1, 0] < 300 and flown.altitude[-1, 0] > 0
    # slower than that from the beginning, but speeding up: it goes on until the air slows it again
    assert flown.air_speed[:, 1].max() > flown.air_speed[-1, 1] and flown.altitude[-1, 1] < 25e3
