"""Home from a moon: the departure, flown by integration with one body's pull at a time, comes down where it should, and no slower one does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analyser.fitting.cockpit_card import make_card
from analyser.fitting.way_home import way_home
from analyser.flight import Body, Goal, Leg, Plan, make_world


def world(moon_mu: float = 2.1e11, path: float = 21e6):
    return make_world("w", [Body("Ardent", 6.1e12, 890e3), Body("Lull", moon_mu, 310e3, parent="Ardent", semi_major_axis=path)])


def flown(world, radius: float, speed: float, lead: float) -> tuple[float, float]:
    """(lowest radius about Ardent, when) of a departure, in Cartesian axes: Lull's pull until the edge of its sphere, then Ardent's."""
    ardent, lull = world["Ardent"], world["Lull"]
    rate = math.sqrt(ardent.mu / lull.semi_major_axis**3)

    def pull(mu):
        return lambda t, y: [y[2], y[3], *(-mu * y[:2] / np.hypot(*y[:2]) ** 3)]

    def stop(event, direction):
        event.terminal, event.direction = True, direction
        return event

    angle = -math.pi / 2 - lead
    begin = [radius * math.cos(angle), radius * math.sin(angle), -speed * math.sin(angle), speed * math.cos(angle)]
    at_edge = stop(lambda t, y: np.hypot(*y[:2]) - lull.sphere_of_influence, 1)
    out = solve_ivp(pull(lull.mu), (0, 1e6), begin, rtol=1e-10, atol=1e-4, events=[at_edge])
    time, turn = out.t[-1], rate * out.t[-1]
    moon = lull.semi_major_axis * np.array([math.cos(turn), math.sin(turn), -rate * math.sin(turn), rate * math.cos(turn)])
    lowest = stop(lambda t, y: y[0] * y[2] + y[1] * y[3], 1)
    down = solve_ivp(pull(ardent.mu), (time, time + 1e6), out.y[:, -1] + moon, rtol=1e-10, atol=1e-4, events=[lowest])
    return float(np.hypot(*down.y[:2, -1])), float(down.t[-1])


@pytest.mark.parametrize(("mu", "path", "altitude", "periapsis"), [(2.1e11, 21e6, 20e3, 34e3), (2.1e11, 21e6, 200e3, 900e3), (6e10, 60e6, 15e3, 50e3)])
def test_it_comes_down_where_it_should_and_no_slower_way_does(mu, path, altitude, periapsis):
    place = world(mu, path)
    ardent, lull = place["Ardent"], place["Lull"]
    radius = lull.radius + altitude
    home = way_home(lull, ardent, radius, periapsis)
    lowest, when = flown(place, radius, home.speed, home.lead)
    assert lowest - ardent.radius == pytest.approx(periapsis, abs=200.0)
    assert when == pytest.approx(home.duration, rel=1e-4)
    for turn in (-0.3, -0.05, 0.0, 0.05, 0.3):
        assert flown(place, radius, home.speed - 2.0, home.lead + turn)[0] > ardent.radius + periapsis


def test_the_card_of_a_moon_tells_the_way_home_that_the_plan_wants():
    place = world()
    plan = Plan("Home", Goal("orbit", "Lull", 20e3, 20e3), (Leg("return", Goal("periapsis", "Ardent", 34e3)),))
    (window,) = make_card(place["Lull"], place, plan=plan).windows
    home = way_home(place["Lull"], place["Ardent"], 330e3, 34e3)
    assert window.homeward and window.body == "Ardent" and window.lead == home.lead
    assert window.delta_v == pytest.approx(home.speed - math.sqrt(2.1e11 / 330e3))
    assert make_card(place["Lull"], place).windows == ()
