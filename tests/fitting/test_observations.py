"""Readings as arrays, what a state predicts for them, and the whitening of errors that share a clock."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from analyser.fitting.observations import CHANNELS, Whitening, from_arrays, observe, predict
from analyser.flight import Body

BODY = Body("Ardent", 6.1e12, 890e3, rotation_period=25920.0)


def random_observations(n=5, seed=0):
    rng = np.random.default_rng(seed)
    return from_arrays(BODY, 10.0 * np.arange(n), rng.normal(size=(n, 6)), 10 ** rng.normal(size=(n, 6)), rng.uniform(0, 3, n))


def test_whitening_takes_the_shared_clock_out():
    observed = random_observations()
    rates = np.random.default_rng(1).normal(size=(5, 6)) * 3
    used = observed.present & (np.random.default_rng(2).random((5, 6)) < 0.7)
    matrices = Whitening.of(observed, rates, used)(np.broadcast_to(np.eye(6), (5, 6, 6)))
    for i in range(5):
        chosen = used[i]
        covariance = np.diag(observed.sigmas[i, chosen] ** 2) + observed.met_sigma[i] ** 2 * np.outer(rates[i, chosen], rates[i, chosen])
        root = matrices[i][np.ix_(chosen, chosen)]
        assert root @ covariance @ root.T == pytest.approx(np.eye(chosen.sum()), abs=1e-10)


def test_a_clock_that_says_nothing_takes_the_rates_direction_out():
    observed = dataclasses.replace(random_observations(1), met_sigma=np.array([np.inf]))
    rates = np.ones((1, 6))
    whitening = Whitening.of(observed, rates, observed.present)
    # A pure delay moves all readings by their rates: it must leave nothing.
    assert np.abs(whitening(rates)).max() < 1e-6 * np.abs(rates / observed.sigmas).max()


@pytest.mark.parametrize("over_surface", [False, True])
@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_prediction_derivatives(over_surface, sense):
    rng = np.random.default_rng(3)
    observed = dataclasses.replace(random_observations(4), over_surface=np.full(4, over_surface), rotation_sense=sense)
    states = np.stack([rng.uniform(9e5, 2e6, 4), 300 * rng.normal(size=4), 2000 + 200 * rng.normal(size=4)], axis=1)
    _, jacobian = predict(observed, states)
    for j, h in enumerate((1.0, 1e-3, 1e-3)):
        step = h * np.eye(3)[j]
        numeric = (predict(observed, states + step)[0] - predict(observed, states - step)[0]) / (2 * h)
        assert jacobian[:, :, j] == pytest.approx(numeric, rel=1e-6, abs=1e-9)


def test_surface_speed_against_inertial_speed():
    """On the ground at the equator inertial speed is the ground's own; a prograde orbit is slower over it, a retrograde one faster."""
    observed = random_observations(1)
    at_rest = np.array([[BODY.radius, 0.0, BODY.surface_rotation_speed]])
    assert predict(observed, at_rest)[0][0, CHANNELS.index("surface_speed")] == pytest.approx(0.0, abs=1e-9)
    backwards = dataclasses.replace(observed, rotation_sense=-1.0)
    assert predict(backwards, at_rest)[0][0, CHANNELS.index("surface_speed")] == pytest.approx(2 * BODY.surface_rotation_speed)


def table(**columns):
    found = {"met": [0.0, 10.0, 20.0], "met_sigma": [0.3, np.nan, 0.3]}
    for name, values in columns.items():
        found[name] = values
        found[f"{name}_sigma"] = np.where(np.isnan(values), np.nan, 1.0)
    return pd.DataFrame(found)


def test_from_a_readings_table():
    observed = observe(table(altitude=[1e5, np.nan, 1.2e5], speed=[2000.0, np.nan, np.nan]), BODY, positions=[0, 1, 2])
    # The empty row is left out; a missing clock sigma is none.
    assert observed.positions.tolist() == [0, 2]
    assert observed.met_sigma.tolist() == [0.3, 0.3]
    assert observed.present.sum() == 3


def test_a_horizontal_speed_belongs_to_the_speed_beside_it():
    nan = np.nan
    observed = observe(table(speed=[2000.0, nan, nan], surface_speed=[nan, 1800.0, nan], horizontal_speed=[1.0, 2.0, 3.0]), BODY)
    assert observed.over_surface.tolist() == [False, True, False]
    alone = observe(table(surface_speed=[nan, 1800.0, nan], horizontal_speed=[1.0, 2.0, 3.0]), BODY)
    assert alone.over_surface.tolist() == [True, True, True]


def test_a_value_without_a_sigma_counts_a_little():
    observed = from_arrays(BODY, [0.0], [[1e5, 2000.0, np.inf, np.nan, np.nan, np.nan]], [[0.0, np.nan, 1.0, 1.0, 1.0, 1.0]])
    assert observed.sigmas[0, :2].tolist() == [1e3, 20.0]
    assert observed.present[0].tolist() == [True, True, False, False, False, False]
