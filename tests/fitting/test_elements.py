"""Motion and elements in space: identities, agreement with the plane, and honest nan where an angle means nothing."""

import numpy as np
import pytest

from analyser.fitting import conic, elements

MU = 6.1e12


def test_there_and_back_through_the_elements():
    rng = np.random.default_rng(3)
    e = np.concatenate([rng.uniform(0, 0.95, 200), rng.uniform(1.02, 3, 100)])
    i, node, periapsis = rng.uniform(0, np.pi, 300), rng.uniform(0, 2 * np.pi, 300), rng.uniform(0, 2 * np.pi, 300)
    nu = rng.uniform(-1, 1, 300) * np.where(e < 1, np.pi, 0.9 * np.arccos(-1 / np.maximum(e, 1.0)))
    r, v = elements.state_from_elements(MU, 1e6 * (1 + e), e, i, node, periapsis, nu)
    found = elements.classical_elements(MU, r, v)
    again = elements.state_from_elements(
        MU, found.semi_latus_rectum, found.eccentricity, found.inclination, found.longitude_of_ascending_node, found.argument_of_periapsis, found.true_anomaly
    )
    assert np.abs(again[0] - r).max() < 1e-6 * 1e3
    assert np.abs(again[1] - v).max() < 1e-8
    assert found.periapsis_radius == pytest.approx(1e6, rel=1e-12)


def test_space_agrees_with_the_plane():
    r, v = np.array([1.1e6, 2e5, -3e5]), np.array([-300.0, 1900.0, 900.0])
    new, speed = elements.propagate(MU, r, v, np.linspace(-5000, 5000, 11))
    size = np.linalg.norm(r)
    up = r @ v / size
    radius, radial, across = conic.propagate(MU, size, up, np.sqrt(v @ v - up**2), np.linspace(-5000, 5000, 11))
    assert np.linalg.norm(new, axis=1) == pytest.approx(radius, rel=1e-12)
    assert np.linalg.norm(speed, axis=1) == pytest.approx(np.hypot(radial, across), rel=1e-12)
    assert np.cross(new, speed) == pytest.approx(np.tile(np.cross(r, v), (11, 1)), rel=1e-10)


def test_a_circle_has_no_periapsis_and_an_equatorial_orbit_no_node():
    round_ = elements.classical_elements(MU, [1e6, 0, 0], [0, np.sqrt(MU / 1e6) * np.cos(0.4), np.sqrt(MU / 1e6) * np.sin(0.4)])
    assert np.isnan(round_.argument_of_periapsis) and np.isnan(round_.true_anomaly) and np.isnan(round_.time_since_periapsis)
    assert round_.inclination == pytest.approx(0.4) and round_.argument_of_latitude == pytest.approx(0.0, abs=1e-12)
    flat = elements.classical_elements(MU, [1e6, 0, 0], [100.0, 2600.0, 0])
    assert np.isnan(flat.longitude_of_ascending_node) and np.isnan(flat.argument_of_periapsis) and np.isnan(flat.argument_of_latitude)
    assert np.isfinite(flat.true_anomaly)
    assert (flat.longitude_of_periapsis + flat.true_anomaly) % (2 * np.pi) == pytest.approx(flat.true_longitude % (2 * np.pi), abs=1e-12)
    both = elements.classical_elements(MU, [0, 1e6, 0], [-np.sqrt(MU / 1e6), 0, 0])
    assert both.true_longitude == pytest.approx(np.pi / 2) and np.isnan(both.longitude_of_periapsis)


def test_a_retrograde_equatorial_orbit():
    back = elements.classical_elements(MU, [1e6, 0, 0], [0, -2700.0, 0])
    assert back.inclination == pytest.approx(np.pi)
    assert np.isnan(back.longitude_of_ascending_node)
