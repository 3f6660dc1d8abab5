"""Legs to a moon and home: flown by integration, against other legs that do the same, mirrored, and at the edges of what is possible."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analyser.fitting import moon, moon_check, moon_patch
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
    sweep = moon_patch.angle_out(body.mu, energy, h, leg.moon_periapsis, body.sphere_of_influence, 1)
    rate = place.transverse / place.distance
    leaving = leg.psi + 2 * math.copysign(sweep, h) - rate * 2 * leg.time_after
    e, h, radial = moon_patch.into_planet(planet.mu, body.mu, body.sphere_of_influence, place, energy, h, leaving)
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
    under = orbit_of_apsides(ARDENT.mu, 0.3 * ARDENT.radius, 0.9 * ARDENT.radius)
    assert moon.to_moon(ARDENT, LULL, under, LULL.radius + 30e3) is None


@pytest.mark.parametrize("orbit", [(30e6, 40e6), (0.7 * 890e3, 1.09 * 890e3), (0.99 * 890e3, 20e6), (970e3, 5e6), (2e6, 12e6)])
def test_legs_from_any_orbit_fly_as_planned(orbit):
    """From outside the moon's way, from one that falls to the ground, from long ellipses."""
    start = tuple(float(x) for x in orbit_of_apsides(ARDENT.mu, *orbit))
    leg = moon.to_moon(ARDENT, LULL, start, LULL.radius + 40e3, capture(LULL, 40e3))
    flown = moon_check.fly_to_moon(ARDENT, LULL, leg, both=False)
    assert flown.periapsis == pytest.approx(LULL.radius + 40e3, abs=50.0)
    assert flown.time == pytest.approx(leg.time_before + leg.time_after, abs=1.0)
    assert all(burn.radius >= ARDENT.radius * (1 - 1e-9) for burn in leg.impulses)


@pytest.mark.parametrize("orbit", [(0.95 * 310e3, 360e3), (330e3, 900e3), (0.8 * 310e3, 3000e3)])
def test_legs_home_from_any_orbit_fly_as_planned(orbit):
    start = tuple(float(x) for x in orbit_of_apsides(LULL.mu, *orbit))
    leg = moon.from_moon(ARDENT, LULL, start, ARDENT.radius + 34e3)
    flown = moon_check.fly_home(ARDENT, LULL, leg, both=False)
    assert flown.periapsis == pytest.approx(ARDENT.radius + 34e3, abs=50.0)
    assert flown.time == pytest.approx(leg.time_before + leg.time_after, rel=1e-5)
    assert all(burn.radius >= LULL.radius * (1 - 1e-9) for burn in leg.impulses)


@pytest.mark.parametrize("anomaly", [0.0, 1.3, 2.8, 4.4])
def test_an_eccentric_moon_is_met_where_it_is(anomaly):
    """The moon on its own ellipse, followed by the integration from Kepler's equation: the pass is the one planned wherever it is met."""
    oval = LULL.changed(eccentricity=0.15)
    place = moon.MoonPlace.of(oval, ARDENT, anomaly)
    leg = moon.to_moon(ARDENT, oval, circle(ARDENT, 80e3), LULL.radius + 30e3, place=place)
    flown = moon_check.fly_to_moon(ARDENT, oval, leg, both=False)
    assert flown.periapsis == pytest.approx(LULL.radius + 30e3, abs=50.0)
    home = moon.from_moon(ARDENT, oval, circle(LULL, 20e3), ARDENT.radius + 34e3, place=place)
    assert moon_check.fly_home(ARDENT, oval, home, both=False).periapsis == pytest.approx(ARDENT.radius + 34e3, abs=100.0)


def test_planned_as_if_round_an_eccentric_moon_is_missed():
    """The negative control of the test above: at its nearest the moon is 3,150 km closer than its mean distance."""
    oval = LULL.changed(eccentricity=0.15)
    leg = moon.to_moon(ARDENT, oval, circle(ARDENT, 80e3), LULL.radius + 30e3, place=moon.MoonPlace.of(oval, ARDENT, 0.0))
    wrong = moon.to_moon(ARDENT, LULL, circle(ARDENT, 80e3), LULL.radius + 30e3)
    missed = moon_check.fly_to_moon(ARDENT, oval, replace(wrong, anomaly=leg.anomaly), both=False)
    assert not abs(missed.periapsis - LULL.radius - 30e3) < 100e3


def test_the_moon_goes_round_as_kepler_says():
    """One whole turn in one period, equal areas, and the place at a time put back."""
    oval = LULL.changed(eccentricity=0.4, mean_anomaly_at_epoch=0.7)
    place = moon.MoonPlace.of(oval, ARDENT, 1.0)
    period = 2 * math.pi * math.sqrt(oval.semi_major_axis**3 / ARDENT.mu)
    assert place.turned(period) == pytest.approx(1.0 + 2 * math.pi, abs=1e-12)
    assert place.turned(-0.37 * period) == pytest.approx(place.turned(0.63 * period) - 2 * math.pi, abs=1e-12)
    angles = np.array([place.turned(t) for t in np.linspace(0, period, 2001)])
    radius = np.array([moon.MoonPlace.of(oval, ARDENT, a).distance for a in angles])
    swept = np.cumsum((radius[1:] ** 2 + radius[:-1] ** 2) / 4 * np.diff(angles))
    assert swept[999] == pytest.approx(swept[-1] / 2, rel=1e-5)
    assert moon.MoonPlace.at(oval, ARDENT, period / 3).true_anomaly == pytest.approx(moon.MoonPlace.at(oval, ARDENT, 4 * period / 3).true_anomaly - 2 * math.pi)
    assert moon.MoonPlace.at(LULL, ARDENT, 0.0) is None
