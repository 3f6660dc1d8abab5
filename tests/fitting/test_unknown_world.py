"""A body's constants from coasts alone: they come back with true intervals, and what can't be told apart is said."""

import dataclasses

import numpy as np
import pytest
from coasts import random_body

from analyser.fitting.conic import from_apsides, propagate
from analyser.fitting.observations import from_arrays
from analyser.fitting.unknown_world import estimate_body, with_quantities


def simulated(rng, body, periapsis, apoapsis, count=12, over_surface=False, part=0.9):
    energy, h = from_apsides(body.mu, periapsis, apoapsis)
    period = 2 * np.pi * np.sqrt((0.5 * (periapsis + apoapsis)) ** 3 / body.mu)
    times = np.sort(rng.uniform(-0.5, 0.5, count)) * part * period
    r, vr, vt = propagate(body.mu, periapsis, 0.0, h / periapsis, times)
    steps = np.array([100.0, 0.1, 0.1, 1, 1, 0.1])
    values = np.full((count, 6), np.nan)
    values[:, 0], values[:, 2] = r - body.radius, vr
    values[:, 5 if over_surface else 1] = np.hypot(vr, vt - body.rotation_rate * r) if over_surface else np.hypot(vr, vt)
    return from_arrays(body, times, np.round(values / steps) * steps, steps / np.sqrt(12))


def test_gm_and_radius_come_back_with_true_intervals():
    rng = np.random.default_rng(6)
    inside = []
    for _ in range(40):
        body = random_body(rng)
        coasts = [simulated(rng, body, body.radius * low, body.radius * high) for low, high in ((1.05, 1.6), (1.2, 2.5))]
        guess = dataclasses.replace(body, mu=body.mu * rng.uniform(0.7, 1.4), radius=body.radius * rng.uniform(0.9, 1.1))
        found = estimate_body(coasts, guess, ("gm", "radius"))
        for name, true in (("gm", body.mu), ("radius", body.radius)):
            assert found.quantities[name].value == pytest.approx(true, rel=1e-2)
            inside.append(found.quantities[name].low <= true <= found.quantities[name].high)
        assert found.chi2 / found.dof < 2
    # 80 intervals of 95 %: 71 or fewer inside would come once in 250 times.
    assert sum(inside) >= 72


def test_rotation_from_speeds_over_the_surface():
    rng = np.random.default_rng(7)
    body = random_body(rng)
    coasts = [simulated(rng, body, body.radius * 1.1, body.radius * 1.9, over_surface=surface) for surface in (True, False)]
    found = estimate_body(coasts, with_quantities(body, ["rotation"], [0.6 * body.rotation_rate]), ("rotation",))
    rate = found.quantities["rotation"]
    assert rate.low <= body.rotation_rate <= rate.high and rate.sigma < 0.01 * body.rotation_rate


def test_what_cannot_be_told_apart_is_said():
    """Nothing in speeds read in inertial axes depends on the rotation."""
    rng = np.random.default_rng(8)
    body = random_body(rng)
    found = estimate_body([simulated(rng, body, body.radius * 1.1, body.radius * 1.9)], body, ("gm", "rotation"))
    assert not found.quantities["rotation"].known and "can't tell rotation apart" in found.quantities["rotation"].reason
    assert found.quantities["gm"].known
    assert any("rotation" in remark for remark in found.remarks)


def test_unknown_quantities_are_an_error():
    with pytest.raises(ValueError, match="gm, radius, rotation"):
        estimate_body([], random_body(np.random.default_rng(0)), ("colour",))
