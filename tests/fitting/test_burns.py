"""The audit of one burn: the impulse between two orbits, needed above the ground, net by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analyser.fitting.arcs import FittedArc, ground_arc
from analyser.fitting.burn_faults import off_motion
from analyser.fitting.burn_impulse import impulse_at, needed_impulses, transfer_limits
from analyser.fitting.conic import from_apsides, propagate
from analyser.flight import Body

LULL = Body("Lull", 2.1e11, 310e3, sphere_of_influence=5.4e6)


def coast(radius: float, climb: float, level: float, index: int = 0, met: float = 0.0) -> FittedArc:
    return FittedArc(index, "coast", LULL, (0,), met - 100, met + 100, met, np.array([radius, climb, level]), np.zeros((3, 3)))


def test_the_impulse_between_two_states_is_their_difference():
    first, second = coast(340e3, 12.0, 800.0), coast(340e3, -25.0, 770.0)
    found = impulse_at(LULL.mu, (first.energy, first.momentum), (second.energy, second.momentum), 340e3, True, False)
    assert found == pytest.approx(math.hypot(37.0, 30.0), rel=1e-9)


def test_needed_is_the_hohmann_transfer_between_circles():
    low, high = 330e3, 600e3
    first, second = (coast(r, 0.0, math.sqrt(LULL.mu / r)) for r in (low, high))
    # Curtis, Orbital Mechanics for Engineering Students, section 6.2
    a = (low + high) / 2
    hohmann = math.sqrt(LULL.mu * (2 / low - 1 / a)) - math.sqrt(LULL.mu / low) + math.sqrt(LULL.mu / high) - math.sqrt(LULL.mu * (2 / high - 1 / a))
    # the last digit of a circle's energy is worth the square root of that in its eccentricity
    assert needed_impulses(first, second)[0] == pytest.approx(hohmann, rel=1e-8)


def test_needed_uses_no_impulse_below_the_ground():
    # a hyperbola that passes low into an orbit: the deeper the pass the cheaper, down to the ground and no further
    speed = math.sqrt(150.0**2 + 2 * LULL.mu / 340e3)
    arrival, wanted = coast(340e3, 0.0, speed), coast(340e3, 0.0, math.sqrt(LULL.mu / 340e3))
    limits = transfer_limits(arrival, wanted)
    assert limits["radius_min"] == pytest.approx(310e3, rel=1e-8)
    assert limits["radius_max"] == 5.4e6
    net = speed - math.sqrt(LULL.mu / 340e3)
    assert 0 < needed_impulses(arrival, wanted)[0] <= net * (1 + 1e-12)


def test_a_landing_below_the_datum_lowers_the_floor():
    ground = ground_arc(1, LULL, (0,), np.array([0.0, 10.0]), 308e3, 5.0)
    orbit = coast(330e3, 0.0, math.sqrt(LULL.mu / 330e3))
    assert transfer_limits(orbit, ground)["radius_min"] == pytest.approx(308e3, rel=1e-8)


def test_between_two_stays_on_the_ground_nothing_is_needed():
    first, second = (ground_arc(k, LULL, (0,), np.array([0.0, 10.0]), 310e3, 1.0) for k in (0, 1))
    assert needed_impulses(first, second)[0] == 0.0


@pytest.mark.parametrize("angle", [0.0, 0.3, -0.3, 2.9, -1.6])
def test_the_angle_off_the_motion_is_found_again(angle):
    energy, momentum = from_apsides(LULL.mu, 330e3, 500e3)
    radius, climb, level = (float(x) for x in propagate(LULL.mu, 330e3, 0.0, momentum / 330e3, 700.0))
    speed = math.hypot(climb, level)
    along, outward = (climb / speed, level / speed), (level / speed, -climb / speed)
    push = [40.0 * (math.cos(angle) * a + math.sin(angle) * o) for a, o in zip(along, outward)]
    assert climb > 5 and energy < 0
    found = off_motion(coast(radius, climb, level), coast(radius, climb + push[0], level + push[1], 1), 0.0)
    assert found == pytest.approx(angle, abs=1e-9)
