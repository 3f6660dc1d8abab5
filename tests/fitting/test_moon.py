"""Legs to a moon and home: flown by integration, against other legs that do the same, mirrored, and at the edges of what is possible."""

import math

import numpy as np
import pytest

from analyser.fitting import moon, moon_check
from analyser.fitting.transfer import apsides, orbit_of_apsides, tangential_delta_v
from analyser.flight import Atmosphere, Body

ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5457e3)
EARTH = Body("Earth", 398600.4418e9, 6378e3)
MOON = Body("Moon", 4902.8e9, 1737.4e3, 2.36e6, "Earth", 384_400e3, sphere_of_influence=66_200e3)
SMALL = Body("Small", 4e9, 60e3, math.inf, "Ardent", 9_000e3, sphere_of_influence=480e3)


def circle(body, altitude, sense=1):
    energy, h = orbit_of_apsides(body.mu, body.radius + altitude, body.radius + altitude)
    return float(energy), sense * float(h)


def capture(body, altitude):
    energy, h = circle(body, altitude)
    return lambda e, m: tangential_delta_v(body.mu, e, m, energy, np.sign(m) * h, radius_min=body.radius, radius_max=body.sphere_of_influence)


@pytest.mark.parametrize(("planet", "body", "low", "pass_"), [(ARDENT, LULL, 80e3, 30e3), (EARTH, MOON, 185e3, 110e3), (ARDENT, SMALL, 200e3, 15e3)])
@pytest.mark.parametrize("sense", [0, 1, -1])
def test_the_leg_planned_passes_where_it_says_when_flown(planet, body, low, pass_, sense):
    leg = moon.to_moon(planet, body, circle(planet, low), body.radius + pass_, sense=sense)
    flown = moon_check.fly_to_moon(planet, body, leg, both=False)
    assert flown.periapsis == pytest.approx(body.radius + pass_, abs=20.0)
    assert flown.time == pytest.approx(leg.time_before + leg.time_after, abs=1.0)
    if sense:
        assert math.copysign(1, leg.moon_orbit[1]) == sense


@pytest.mark.parametrize(("planet", "body", "low", "high"), [(ARDENT, LULL, 20e3, 34e3), (EARTH, MOON, 110e3, 45e3), (ARDENT, SMALL, 15e3, 34e3)])
@pytest.mark.parametrize("sense", [1, -1])
def test_the_way_home_has_the_periapsis_wanted_when_flown(planet, body, low, high, sense):
    leg = moon.from_moon(planet, body, circle(body, low, sense), planet.radius + high)
    flown = moon_check.fly_home(planet, body, leg, both=False)
    assert flown.periapsis == pytest.approx(planet.radius + high, abs=50.0)
    assert flown.time == pytest.approx(leg.time_before + leg.time_after, rel=1e-6)
    # a low periapsis over the planet: away against the moon's motion
    assert leg.planet_orbit[1] < body.semi_major_axis * math.sqrt(planet.mu / body.semi_major_axis)


def test_no_other_leg_found_by_flying_is_cheaper():
    """Other speeds, each with the lead of the moon that gives the same pass, found by integration: burn and capture together cost more."""
    from scipy.optimize import brentq

    altitude = 30e3
    leg = moon.to_moon(ARDENT, LULL, circle(ARDENT, 80e3), LULL.radius + altitude, capture(LULL, altitude))
    circular = math.sqrt(LULL.mu / (LULL.radius + altitude))
    least = leg.delta_v + float(capture(LULL, altitude)(*(np.atleast_1d(x) for x in leg.moon_orbit))[0])
    tried = 0
    for change in (-0.4, -0.1, 0.2, 1.0, 4.0, 15.0):

        def miss(lead):
            flown = moon_check.fly_to_moon(ARDENT, LULL, leg, both=False, delta_v=change, phase=lead)
            return (flown.periapsis if math.isfinite(flown.periapsis) else 5e6) - LULL.radius - altitude

        leads = np.linspace(-0.12, 0.12, 25)
        values = [miss(x) for x in leads]
        for k in range(24):
            if values[k] * values[k + 1] < 0 and max(abs(values[k]), abs(values[k + 1])) < 3e6:
                lead = brentq(miss, leads[k], leads[k + 1], xtol=1e-9)
                flown = moon_check.fly_to_moon(ARDENT, LULL, leg, both=False, delta_v=change, phase=lead)
                assert leg.delta_v + change + flown.speed - circular > least - 1e-3
                tried += 1
    assert tried >= 4


def test_home_is_never_cheaper_with_less_speed():
    """A little less speed, whatever the place of the burn: the periapsis stays above the one wanted."""
    leg = moon.from_moon(ARDENT, LULL, circle(LULL, 20e3), ARDENT.radius + 34e3)
    from dataclasses import replace

    lowest = min(
        moon_check.fly_home(ARDENT, LULL, replace(leg, phase=leg.phase + turn), both=False, delta_v=-0.5).periapsis for turn in np.linspace(-0.3, 0.3, 25)
    )
    assert lowest > ARDENT.radius + 34e3
    same = moon_check.fly_home(ARDENT, LULL, leg, both=False)
    assert lowest - same.periapsis > 500


@pytest.mark.parametrize(("planet", "body", "low", "pass_"), [(EARTH, MOON, 185e3, 110e3), (ARDENT, LULL, 80e3, 300e3)])
def test_free_return_mirrors_the_way_out(planet, body, low, pass_):
    leg = moon.free_return(planet, body, circle(planet, low), body.radius + pass_)
    assert moon_check.fly_to_moon(planet, body, leg, both=False).periapsis == pytest.approx(body.radius + pass_, abs=50)
    place = moon.MoonPlace.mean(body, planet)
    energy, h = leg.moon_orbit
    sweep = moon._angle_out(body.mu, energy, h, leg.moon_periapsis, body.sphere_of_influence, 1)
    rate = place.transverse / place.distance
    leaving = leg.psi + 2 * math.copysign(sweep, h) - rate * 2 * leg.time_after
    e, h, radial = moon._to_planet(planet.mu, body.mu, body.sphere_of_influence, place, energy, h, leaving)
    assert radial < 0
    assert float(apsides(planet.mu, e, h)[0]) == pytest.approx(leg.burn_radius, rel=1e-5)


def test_both_pulling_is_another_flight():
    leg = moon.to_moon(ARDENT, LULL, circle(ARDENT, 80e3), LULL.radius + 30e3)
    patched, both = (moon_check.fly_to_moon(ARDENT, LULL, leg, both=flag) for flag in (False, True))
    assert 1e3 < abs(both.periapsis - patched.periapsis) < 1e6


def test_waiting_makes_a_correction_dearer():
    leg = moon.to_moon(ARDENT, LULL, circle(ARDENT, 80e3), LULL.radius + 30e3)
    costs = [moon_check.correction_cost(ARDENT, LULL, leg, 50e3, hours * 3600) for hours in (0.5, 3.0, 6.0)]
    assert costs[0] < costs[1] < costs[2] < 20
    assert math.isnan(moon_check.correction_cost(ARDENT, LULL, leg, 50e3, leg.time_before + 1))


def test_out_of_reach_is_none():
    assert moon.to_moon(ARDENT, LULL, orbit_of_apsides(ARDENT.mu, 30e6, 40e6), LULL.radius + 30e3) is None
