"""Conics against SPICE (NAIF's toolkit through spiceypy), the trade's reference library: states propagated with ``prop2b`` and elements by ``oscelt``."""

import numpy as np
import pytest

from analyser.fitting import conic, elements

spice = pytest.importorskip("spiceypy")
COUNT = 600


@pytest.fixture(scope="module")
def states():
    """Random planar states about bodies from a small moon to a star: circles to e = 3, at any place in the orbit."""
    rng = np.random.default_rng(20240611)
    mu = 10 ** rng.uniform(10, 20, COUNT)
    periapsis = 10 ** rng.uniform(5, 11, COUNT)
    e = np.concatenate([10 ** rng.uniform(-9, -2, 150), rng.uniform(0.01, 0.9, 250), 1 + 10 ** rng.uniform(-6, -3, 50) * rng.choice([-1, 1], 50), rng.uniform(1.05, 3, 150)])
    limit = np.where(e < 1, np.where(e > 0.99, 2.5, np.pi), 0.9 * np.arccos(-1 / np.maximum(e, 1.0)))
    r, vr, vt = conic.state_at_true_anomaly(mu, periapsis * (1 + e), e, rng.uniform(-1, 1, COUNT) * limit)
    dt = np.sqrt(periapsis**3 / mu) * 10 ** rng.uniform(-2, 1.2, COUNT) * rng.choice([-1, 1], COUNT)
    return mu, r, vr, vt, dt, e


def reference(mu, r, vr, vt, dt):
    """SPICE's own answer, in km; it takes and gives vectors."""
    found = np.array([spice.prop2b(m / 1e9, np.array([x, 0, 0, u, w, 0]) / 1e3, t) for m, x, u, w, t in zip(mu, r, vr, vt, dt)]) * 1e3
    new = np.hypot(found[:, 0], found[:, 1])
    radial = (found[:, 0] * found[:, 3] + found[:, 1] * found[:, 4]) / new
    across = (found[:, 0] * found[:, 4] - found[:, 1] * found[:, 3]) / new
    return new, radial, across, np.arctan2(found[:, 1], found[:, 0])


def test_planar_propagation(states):
    mu, r, vr, vt, dt, _ = states
    new, radial, across, place = reference(mu, r, vr, vt, dt)
    got_r, got_vr, got_vt, angle = conic.propagate_with_angle(mu, r, vr, vt, dt)
    speed = np.hypot(radial, across)
    assert np.abs(got_r / new - 1).max() < 1e-9
    assert (np.hypot(got_vr - radial, got_vt - across) / speed).max() < 1e-9
    assert np.abs((angle - place + np.pi) % (2 * np.pi) - np.pi).max() < 1e-9


def test_elements(states):
    mu, r, vr, vt, _, e = states
    found = conic.shape(mu, r, vr, vt)
    wanted = np.array([spice.oscelt(np.array([x, 0, 0, u, w, 0]) / 1e3, 0.0, m / 1e9) for m, x, u, w in zip(mu, r, vr, vt)])
    assert np.abs(found.periapsis_radius / (wanted[:, 0] * 1e3) - 1).max() < 1e-9
    assert np.abs(found.eccentricity - wanted[:, 1]).max() < 1e-9
    assert np.abs(found.eccentricity - e).max() < 1e-9


def test_space_propagation_and_elements():
    rng = np.random.default_rng(7)
    mu = 398600.4418e9
    e = np.concatenate([rng.uniform(0, 0.95, 300), rng.uniform(1.02, 3, 200)])
    i, node, periapsis = rng.uniform(0, np.pi, 500), rng.uniform(0, 2 * np.pi, 500), rng.uniform(0, 2 * np.pi, 500)
    nu = rng.uniform(-1, 1, 500) * np.where(e < 1, np.pi, 0.9 * np.arccos(-1 / np.maximum(e, 1.0)))
    r, v = elements.state_from_elements(mu, 7e6 * (1 + e), e, i, node, periapsis, nu)
    dt = rng.uniform(-1e5, 1e5, 500)
    got_r, got_v = elements.propagate(mu, r, v, dt)
    wanted = np.array([spice.prop2b(mu / 1e9, np.append(a, b) / 1e3, t) for a, b, t in zip(r, v, dt)]) * 1e3
    assert (np.linalg.norm(got_r - wanted[:, :3], axis=1) / np.linalg.norm(wanted[:, :3], axis=1)).max() < 1e-9
    assert (np.linalg.norm(got_v - wanted[:, 3:], axis=1) / np.linalg.norm(wanted[:, 3:], axis=1)).max() < 1e-9
    osculating = np.array([spice.oscelt(np.append(a, b) / 1e3, 0.0, mu / 1e9) for a, b in zip(r, v)])
    found = elements.classical_elements(mu, r, v)
    angles = np.stack([found.inclination, found.longitude_of_ascending_node, found.argument_of_periapsis], axis=1)
    assert np.abs((angles - osculating[:, 2:5] + np.pi) % (2 * np.pi) - np.pi).max() < 1e-9
