"""Scalar two-body motion: put back, against closed forms, through circle, parabola and hyperbola."""

from __future__ import annotations

import math
import random

import pytest

from analyser.fitting import scalar_conic as conic

MU = 2.1e11
ECCENTRICITIES = (0.0, 1e-9, 1e-4, 0.1, 0.5, 0.9, 0.99, 0.9999, 1 - 1e-7, 1.0, 1 + 1e-7, 1.0001, 1.01, 1.5, 3.0)


def state_at(eccentricity: float, anomaly: float, parameter: float = 4e5) -> tuple[float, float, float]:
    """From the polar equation of the conic: radius, radial and transverse speed."""
    h = math.sqrt(MU * parameter)
    r = parameter / (1 + eccentricity * math.cos(anomaly))
    return r, MU / h * eccentricity * math.sin(anomaly), h / r


def anomalies(eccentricity: float, count: int, seed: int = 1) -> list[float]:
    limit = 0.99 * math.pi if eccentricity < 1 else 0.9 * math.acos(-1 / eccentricity)
    generator = random.Random(seed)
    return [generator.uniform(-limit, limit) for _ in range(count)]


@pytest.mark.parametrize("eccentricity", ECCENTRICITIES)
def test_a_state_is_where_the_time_since_periapsis_says(eccentricity):
    q = 4e5 / (1 + eccentricity)
    for anomaly in anomalies(eccentricity, 100):
        state = state_at(eccentricity, anomaly)
        since = conic.time_since_periapsis(MU, *state)
        again = conic.after(MU, q, 0.0, math.sqrt(MU * 4e5) / q, since)
        assert again == pytest.approx(state, rel=1e-10, abs=1e-8)


@pytest.mark.parametrize("eccentricity", ECCENTRICITIES)
def test_shape(eccentricity):
    for anomaly in anomalies(eccentricity, 50, seed=2):
        shape = conic.shape(MU, *state_at(eccentricity, anomaly))
        assert shape.periapsis == pytest.approx(4e5 / (1 + eccentricity), rel=1e-12)
        assert shape.eccentricity == pytest.approx(eccentricity, abs=1e-12)
        if eccentricity < 0.99:
            assert shape.apoapsis == pytest.approx(4e5 / (1 - eccentricity), rel=1e-10)


def test_time_since_periapsis_of_an_ellipse_against_keplers_equation():
    for anomaly in anomalies(0.6, 100, seed=3):
        eccentric = 2 * math.atan(math.sqrt(0.4 / 1.6) * math.tan(anomaly / 2))
        a = 4e5 / (1 - 0.36)
        expected = math.sqrt(a**3 / MU) * (eccentric - 0.6 * math.sin(eccentric))
        assert conic.time_since_periapsis(MU, *state_at(0.6, anomaly)) == pytest.approx(expected, rel=1e-12)


def test_time_since_periapsis_of_a_parabola_is_barkers():
    for anomaly in anomalies(1.0, 100, seed=4):
        half = math.tan(anomaly / 2)
        expected = 0.5 * math.sqrt(4e5**3 / MU) * (half + half**3 / 3)
        assert conic.time_since_periapsis(MU, *state_at(1.0, anomaly)) == pytest.approx(expected, rel=1e-9)


def test_crossing_times_meet_the_radius():
    state = state_at(0.4, 2.0)
    shape, since = conic.shape(MU, *state), conic.time_since_periapsis(MU, *state)
    radius = 3.2e5
    down = conic.after(MU, *state, conic.time_down_to(MU, shape, since, radius))
    up = conic.after(MU, *state, conic.time_up_to(MU, shape, since, radius))
    assert down[0] == pytest.approx(radius, rel=1e-9) and down[1] < 0
    assert up[0] == pytest.approx(radius, rel=1e-9) and up[1] > 0
    assert conic.time_down_to(MU, shape, since, 0.9 * shape.periapsis) == math.inf
