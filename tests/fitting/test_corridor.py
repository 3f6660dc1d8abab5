"""The entry corridor: its ends against falls integrated apart from it, its limits, and what it says where there is none."""

import math

import numpy as np
import pytest
from test_entry_path import ARDENT, integrated

from analyser.fitting.corridor import USUAL_LIMIT, corridor
from analyser.fitting.entry_path import at_the_top
from analyser.flight import STANDARD_GRAVITY, Atmosphere, Body

HOME = -6.1e12 / (21e6 + 924e3)  # the energy of an orbit down from 20,000 km


def judged(body, energy, periapsis, ballistic):
    """(comes down in one pass, peak deceleration) by the other integrator."""
    low = body.radius + periapsis
    start = at_the_top(body, energy, math.sqrt(2 * low**2 * (energy + body.mu / low)))[0]
    times, altitude, _, _, drag = integrated(body, start, ballistic, body.rotation_rate)
    return not (altitude[1:] > body.air_top).any(), float(drag.max())


@pytest.mark.parametrize(("energy", "ballistic", "limit"), [(HOME, 850.0, 30.0), (HOME, 300.0, 45.0), (3e5, 850.0, 40.0), (-6.1e12 / (970e3 + 920e3), 850.0, 40.0)])
def test_its_ends_against_another_integrator(energy, ballistic, limit):
    found = corridor(ARDENT, energy, ballistic, limit)
    assert found.known and math.isfinite(found.lowest)
    # a little inside each end it comes down within the limit, a little outside it does not
    for inside in (found.lowest + 60, found.highest - 60, (found.lowest + found.highest) / 2):
        down, peak = judged(ARDENT, energy, inside, ballistic)
        assert down and peak < limit * 1.001
    down, peak = judged(ARDENT, energy, found.lowest - 60, ballistic)
    assert down and peak > limit * 0.999
    apoapsis = math.inf if energy > 0 else -ARDENT.mu / energy - (ARDENT.radius + found.highest)
    assert apoapsis > ARDENT.radius + ARDENT.air_top - 100  # the energy is told to four digits
    if apoapsis > ARDENT.radius + ARDENT.air_top + 200:  # else the orbit itself ends there
        assert not judged(ARDENT, energy, found.highest + 60, ballistic)[0]
    assert found.lowest < found.aim < found.highest


def test_width_of_the_corridor_back_to_the_earth_without_lift():
    """P. Fortescue, J. Stark and G. Swinerd, *Spacecraft Systems Engineering*, table 5.9 (seen in a scan): at parabolic speed and without lift the Earth's corridor is 11 km
    wide at 10 g, and there is none at 5 g. After D. R. Chapman, NASA TR R-55 (1959), whose Earth has an exponential air of radius over scale height 900 (from memory) and
    does not turn. The figure is printed in whole kilometres; there it does not depend on the craft, as here."""
    for ballistic in (100.0, 1500.0):
        air = Atmosphere(130e3, 1.225, 6378.137e3 / 900)
        earth = Body("Earth", 3.986004418e14, 6378.137e3, math.inf, atmosphere=air)
        found = corridor(earth, -1.0, ballistic, 10 * STANDARD_GRAVITY)
        assert (found.highest - found.lowest) / 1e3 == pytest.approx(11.0, abs=0.5)
    assert not corridor(earth, -1.0, ballistic, 5 * STANDARD_GRAVITY).known


def test_arriving_too_fast_there_is_a_bound_above_the_corridor():
    found = corridor(ARDENT, 3e5, 850.0)
    assert found.highest < found.bound < ARDENT.air_top
    for periapsis, bound in ((found.bound - 100, True), (found.bound + 100, False)):
        low = ARDENT.radius + periapsis
        start = at_the_top(ARDENT, 3e5, math.sqrt(2 * low**2 * (3e5 + ARDENT.mu / low)))[0]
        _, altitude, _, speed, _ = integrated(ARDENT, start, 850.0, ARDENT.rotation_rate)
        out = int(np.argmax(altitude[1:] > ARDENT.air_top)) + 1
        assert bool(speed[out] ** 2 / 2 < ARDENT.mu / (ARDENT.radius + altitude[out])) is bound


def test_a_lighter_craft_keeps_higher_and_a_tighter_limit_keeps_it_narrower():
    heavy, light, tight = corridor(ARDENT, HOME, 1500.0, 40.0), corridor(ARDENT, HOME, 400.0, 40.0), corridor(ARDENT, HOME, 1500.0, 30.0)
    assert light.highest > heavy.highest + 3e3
    assert tight.lowest > heavy.lowest + 1e3 and tight.highest == pytest.approx(heavy.highest, abs=1.0)
    against = corridor(ARDENT, HOME, 1500.0, 40.0, forward=False)
    assert against.lowest > heavy.lowest  # the air comes towards it


def test_where_there_is_none_it_says_why():
    gentle = corridor(ARDENT, HOME, 850.0, 12.0)
    assert not gentle.known and "more than the 1.2 g allowed" in gentle.reason
    # the least peak told is one that a fall really has
    peaks = [judged(ARDENT, HOME, height, 850.0) for height in np.linspace(36e3, 39.8e3, 16)]
    assert gentle.gentlest == pytest.approx(min(peak for down, peak in peaks if down), rel=0.02)
    assert "has no air" in corridor(Body("Lull", 2.1e11, 310e3), -1e5, 850.0).reason
    assert "not known" in corridor(ARDENT, HOME, math.nan).reason
    assert math.isnan(gentle.miss(30e3))


def test_the_usual_limit_is_marked_and_a_miss_has_its_sign():
    found = corridor(ARDENT, HOME, 850.0)
    assert found.limit_usual and found.limit == USUAL_LIMIT == pytest.approx(10 * STANDARD_GRAVITY)
    assert found.miss(found.highest + 700) == pytest.approx(700) and found.miss(found.aim) == 0
    assert found.miss(found.lowest - 300) == pytest.approx(-300)
