"""Errors of rounded readings: their correlation against simulation, and where it applies."""

import numpy as np
import pytest

from analyser.fitting import rounding
from analyser.fitting.observations import from_arrays
from analyser.fitting.rounding import correlation, rounded_columns, scheduled, share_weight, spread, steps
from analyser.flight import Body

BODY = Body("Ardent", 6.1e12, 890e3)


def test_correlation_of_roundings_against_simulation():
    rng = np.random.default_rng(1)
    for apart in (0.0, 0.05, 0.2, 0.5, 0.8, 1.0):
        value = rng.uniform(0, 1, 200_000)
        errors = [np.round(value) - value, np.round(value + apart) - value - apart]
        measured = np.corrcoef(errors)[0, 1]
        part = apart % 1.0
        assert measured == pytest.approx(1 - 6 * part * (1 - part), abs=0.01)
        found = correlation(apart)
        # Faded with distance, where the fit no longer knows it to a part of a digit.
        assert found == pytest.approx(measured * np.exp(-0.5 * (apart / 2.0) ** 2), abs=0.01)


def column(values, sigma):
    table = np.full((len(values), 6), np.nan)
    table[:, 1] = values
    return from_arrays(BODY, np.arange(len(values)), table, np.full_like(table, sigma))


def test_rounding_is_recognised_by_whole_steps():
    step = 0.1
    assert steps(column(np.array([1, 7, 12]) * step, step / np.sqrt(12)))[:, 1] == pytest.approx(0.1)
    assert np.isnan(steps(column(np.array([0.1234, 0.7, 1.2]), step / np.sqrt(12)))).all()


def test_readings_alike_share_their_weight_and_others_keep_it():
    observed = column(np.array([10.0, 10.0, 10.0, 40.0]) * 0.1, 0.1 / np.sqrt(12))
    model = np.full((4, 6), np.nan)
    model[:, 1] = [1.0, 1.0, 1.0, 4.0]
    shared = share_weight(observed, model, rounded_columns(observed, observed.present)).sigmas[:, 1] / observed.sigmas[:, 1]
    assert shared == pytest.approx([np.sqrt(3)] * 3 + [1.0])


@pytest.mark.parametrize("range_", [0.0, 3.0, 500.0], ids=["all alike", "a few digits", "many digits"])
def test_very_many_readings_are_treated_as_fewer_are(range_, monkeypatch):
    """The shortcut for long columns gives the pair-by-pair answer to a few per cent."""
    rng = np.random.default_rng(2)
    n = 1500
    value = 100.0 + range_ * np.sort(rng.random(n))
    observed = column(np.round(value), 1 / np.sqrt(12))
    model = np.full((n, 6), np.nan)
    model[:, 1] = value
    columns = rounded_columns(observed, observed.present)
    gain = np.zeros((2, n, 6))
    gain[0, :, 1], gain[1, :, 1] = 1 / n, np.linspace(-1, 1, n) / n
    found = []
    for many in (600, 10_000):
        monkeypatch.setattr(rounding, "_MANY", many)
        shared = share_weight(observed, model, columns).sigmas[:, 1]
        found.append((shared, spread(gain, observed, np.nan_to_num(model), np.zeros((n, 6)), observed.present, columns)))
    # Weights only choose among good estimates; the covariance below must be right for those chosen.
    assert np.median(np.abs(found[0][0] / found[1][0] - 1)) < 0.1
    for k in range(2):
        assert found[0][1][k, k] == pytest.approx(found[1][1][k, k], rel=0.1)


def test_a_clock_read_on_a_schedule_errs_the_same_every_time():
    rng = np.random.default_rng(3)
    table = np.full((6, 6), np.nan)
    table[:, 1] = 1000.0
    regular = from_arrays(BODY, 100.0 + 10.0 * np.arange(6), table, 1.0, 1 / np.sqrt(12))
    irregular = from_arrays(BODY, np.cumsum(rng.integers(5, 40, 6)), table, 1.0, 1 / np.sqrt(12))
    assert scheduled(regular) and not scheduled(irregular)
    # Two or three rows may be evenly apart by chance, and an exact clock has no error to share.
    assert not scheduled(regular.rows(slice(0, 3)))
    assert not scheduled(from_arrays(BODY, regular.met, table, 1.0, 0.0))
