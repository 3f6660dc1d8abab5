"""What a coast says of readings between others, and that it says nothing of what is no coast."""

from __future__ import annotations

import math

import pytest

from analyser.fitting import conic
from analyser.fitting.expectation import expect_coasts
from analyser.flight import Body, World

MU, RADIUS = 6.1e12, 890e3
WORLD = World("two bodies", {"Ardent": Body("Ardent", MU, RADIUS), "Lull": Body("Lull", 2.1e11, 310e3, parent="Ardent", semi_major_axis=2.1e7)})
TIMES = [0.0, 300.0, 700.0, 1000.0, 1900.0]


def readings(times=TIMES, mu=MU, radius=RADIUS) -> dict[str, list[tuple[float, float]]]:
    """A coast as rounded gauges show it: altitude to 10 m, speeds to 0.1 m/s."""
    known: dict[str, list] = {"altitude": [], "speed": [], "vertical_speed": []}
    for time in times:
        r, up, across = (float(v) for v in conic.propagate(mu, radius + 80e3, 120.0, 1.1 * math.sqrt(mu / (radius + 80e3)), time))
        known["altitude"].append((time, round(r - radius, -1)))
        known["speed"].append((time, round(math.hypot(up, across), 1)))
        known["vertical_speed"].append((time, round(up, 1)))
    return known


@pytest.mark.parametrize(("mu", "radius"), [(MU, RADIUS), (2.1e11, 310e3)])
@pytest.mark.parametrize("column", ["altitude", "speed", "vertical_speed"])
def test_a_coast_is_told_between_two_of_its_moments(column, mu, radius):
    truth = dict(readings([500.0], mu, radius)[column])[500.0]
    value, sigma = expect_coasts(WORLD)(column, 500.0, readings(mu=mu, radius=radius))
    assert abs(value - truth) < 4 * sigma + {"altitude": 10, "speed": 0.1, "vertical_speed": 0.1}[column]
    assert sigma < {"altitude": 100, "speed": 0.5, "vertical_speed": 0.5}[column]


def test_what_is_judged_is_no_witness_of_itself():
    spoilt = readings()
    spoilt["altitude"][2] = (700.0, 1.0)
    value, _ = expect_coasts(WORLD)("altitude", 700.0, spoilt)
    assert value == pytest.approx(dict(readings([700.0])["altitude"])[700.0], abs=60)


def test_nothing_is_said_of_a_burn_or_of_the_ends():
    burnt = readings()
    for column, change in (("speed", 150.0), ("vertical_speed", 80.0)):
        burnt[column] = [(time, value + change * (time > 600)) for time, value in burnt[column]]
    assert expect_coasts(WORLD)("altitude", 500.0, burnt) is None
    assert expect_coasts(WORLD)("altitude", 1950.0, readings()) is None
    assert expect_coasts(WORLD)("propellant", 500.0, readings()) is None
