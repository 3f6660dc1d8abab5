"""The reading that would have helped most: checked by taking it and by taking others."""

import numpy as np
import pytest
from tables import WORLDS
from test_orbit import BODY, STATE, readings

from analyser.fitting import fit_flight
from analyser.fitting.conic import propagate, shape
from analyser.fitting.intervals import describe
from analyser.fitting.next_reading import best_next_reading
from analyser.fitting.observations import CHANNELS, from_arrays
from analyser.fitting.orbit import fit_values
from analyser.ingest import load_flight


def with_reading(observed, column, met, sigma):
    """The observations and one more exact reading of given precision."""
    r, vr, vt = propagate(BODY.mu, *STATE, met)
    exact = {"altitude": r - BODY.radius, "speed": np.hypot(vr, vt), "vertical_speed": vr}[column]
    values, sigmas = np.full(6, np.nan), np.full(6, np.nan)
    values[CHANNELS.index(column)], sigmas[CHANNELS.index(column)] = exact, sigma
    return from_arrays(
        BODY, np.append(observed.met, met), np.vstack([observed.values, values]), np.vstack([observed.sigmas, sigmas]), np.append(observed.met_sigma, 0.0)
    )


def apsides_spread(observed, epoch):
    """Root mean square of the apsides' standard deviations."""
    found = describe(fit_values(observed, epoch=epoch))
    return np.sqrt(0.5 * (found["periapsis_altitude"].sigma ** 2 + found["apoapsis_altitude"].sigma ** 2))


def test_the_advice_does_what_it_says_and_nothing_does_better():
    observed = readings([0.0, 40.0, 90.0], tick=1e-6)
    fit = fit_values(observed)
    window = (-1000.0, 1500.0)
    advice = best_next_reading(fit, window=window)
    assert advice.before == pytest.approx(apsides_spread(observed, fit.epoch), rel=0.05)
    taken = apsides_spread(with_reading(observed, advice.column, advice.met, advice.sigma), fit.epoch)
    assert taken == pytest.approx(advice.after, rel=0.15)
    assert advice.after < 0.6 * advice.before
    for column, sigma in zip(CHANNELS[:3], (10 / np.sqrt(12), 0.1 / np.sqrt(12), 0.1 / np.sqrt(12))):
        for met in np.linspace(*window, 11):
            assert apsides_spread(with_reading(observed, column, met, sigma), fit.epoch) > 0.93 * taken


def test_one_row_without_vertical_speed_asks_for_what_is_missing():
    fit = fit_values(readings([0.0], channels=("altitude", "speed")))
    advice = best_next_reading(fit, gauges={"vertical_speed": 0.03}, window=(-1.0, 1.0))
    assert advice.column == "vertical_speed" and np.isinf(advice.before)
    assert "instead of not at all" in str(advice)


def test_an_open_orbit_and_a_circle_get_advice_too():
    for state in ((1.0e6, 900.0, 3900.0), (1.0e6, 0.0, float(np.sqrt(BODY.mu / 1.0e6)))):
        advice = best_next_reading(fit_values(readings(np.linspace(0, 200, 4), state)))
        assert advice.after < advice.before
        assert str(advice).startswith("one more ") and "T+" in str(advice)
    assert shape(BODY.mu, 1.0e6, 900.0, 3900.0).eccentricity > 1


def test_every_coast_of_a_flight_carries_its_advice():
    flight = load_flight(WORLDS.parent / "flights" / "first-try")
    findings = fit_flight(flight)
    coasts = [arc for arc in findings.arcs if arc.kind == "coast"]
    assert len(coasts) > 5
    for arc, told in zip(findings.arcs, findings.to_dict()["arcs"]):
        if arc.kind != "coast":
            assert arc.next_reading is None and told["next_reading"] is None
            continue
        best = arc.next_reading
        assert best.column in flight.readings.table and arc.start - 1 <= best.met <= arc.end + 1 or len(arc.rows) == 1
        assert 0 < best.after <= best.before
        assert best.text in arc.remarks and told["next_reading"]["text"] == best.text
