"""The fit of one coast: exact readings give the orbit back, slips are set aside with reasons, and what is not determined is said."""

import dataclasses

import numpy as np
import pytest

from analyser.fitting.conic import propagate, shape
from analyser.fitting.intervals import describe
from analyser.fitting.observations import CHANNELS, from_arrays
from analyser.fitting.orbit import fit_coast, fit_values
from analyser.flight import Body

BODY = Body("Ardent", 6.1e12, 890e3, rotation_period=25920.0)
STATE = (1.0e6, 100.0, 2450.0)
STEPS = np.array([10.0, 0.1, 0.1, 0.1, 1e-4, 0.1])


def readings(times, state=STATE, channels=("altitude", "speed", "vertical_speed"), steps=STEPS, sense=1.0, tick=1.0):
    """Rounded readings along an orbit; MET 0 is the state's."""
    times = np.asarray(times, dtype=float)
    r, vr, vt = propagate(BODY.mu, *state, times)
    ground = vt - sense * BODY.rotation_rate * r
    across = vt if "speed" in channels or "surface_speed" not in channels else ground  # the angle's frame is that of the speed beside it
    every = np.stack([r - BODY.radius, np.hypot(vr, vt), vr, vt, np.arctan2(vr, across), np.hypot(vr, ground)], axis=1)
    values = np.round(every / steps) * steps
    values[:, [name not in channels for name in CHANNELS]] = np.nan
    return from_arrays(BODY, np.round(times / tick) * tick, values, steps / np.sqrt(12), tick / np.sqrt(12), rotation_sense=sense)


def off(fit, state=STATE):
    """The state's error in standard deviations, as a length."""
    wrong = fit.state - np.array(propagate(BODY.mu, *state, fit.epoch))
    return float(np.sqrt(wrong @ np.linalg.solve(fit.covariance, wrong)))


@pytest.mark.parametrize(
    "channels",
    [
        ("altitude", "speed", "vertical_speed"),
        ("altitude", "speed"),
        ("altitude",),
        ("speed", "vertical_speed"),
        ("altitude", "vertical_speed"),
        ("altitude", "speed", "flight_path_angle"),
        ("altitude", "horizontal_speed", "vertical_speed"),
        ("altitude", "surface_speed", "vertical_speed"),
        ("surface_speed", "flight_path_angle"),
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("state", [STATE, (1.0e6, 900.0, 3500.0)], ids=["ellipse", "hyperbola"])
def test_any_set_of_gauges_gives_the_orbit(channels, state):
    fit = fit_coast(readings(np.linspace(-700, 800, 14) + 0.37, state, channels))
    assert fit.determined and fit.converged
    # Three components: beyond 4.5 in a thousand draws once, and the seedless rounding here is no worse.
    assert off(fit, state) < 4.5
    assert not fit.set_aside


def test_a_retrograde_orbit_over_the_ground():
    observed = readings(np.linspace(-500, 500, 8), channels=("altitude", "surface_speed", "vertical_speed"), sense=-1.0)
    assert off(fit_coast(observed)) < 4.5
    taken_for_prograde = dataclasses.replace(observed, rotation_sense=1.0)
    # Negative control: read the same speeds as those of a prograde orbit and the state is far off.
    assert off(fit_values(taken_for_prograde)) > 30
    # The careful fit finds out by itself.
    turned = fit_coast(taken_for_prograde)
    assert turned.observations.rotation_sense == -1.0 and not turned.set_aside and off(turned) < 4.5
    assert any("against the body's rotation" in remark for remark in turned.remarks)


def test_one_row_gives_the_orbit_without_any_check():
    fit = fit_coast(readings([0.0]))
    assert fit.dof == 0 and fit.chi2 == pytest.approx(0.0, abs=1e-6)
    assert off(fit) < 4.5


def test_one_row_without_vertical_speed_gives_energy_only():
    fit = fit_coast(readings([0.0], channels=("altitude", "speed")))
    assert not fit.determined and fit.unknown.shape == (3, 1)
    found = describe(fit)
    true = shape(BODY.mu, *STATE)
    for name, value in (("energy", true.energy), ("semi_major_axis", true.semi_major_axis), ("period", true.period)):
        assert found[name].low <= value <= found[name].high
    for name in ("eccentricity", "periapsis_altitude", "apoapsis_altitude", "periapsis_time", "angular_momentum"):
        assert not found[name].known and "not determined" in found[name].reason


def test_several_revolutions():
    period = shape(BODY.mu, *STATE).period
    fit = fit_coast(readings(np.linspace(0, 6.3 * period, 9)))
    assert off(fit) < 4.5
    # The clock over six turns tells the period far better than any speed could.
    assert describe(fit)["period"].sigma < 0.1


SLIPS = {
    "decimal point": (lambda v: v / 10, "decimal point"),
    "sign": (lambda v: -v, "sign"),
    "feet": (lambda v: v / 0.3048, "m"),
}


@pytest.mark.parametrize("slip", SLIPS)
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_slip_is_set_aside_and_named(slip, channel):
    observed = readings(np.linspace(-700, 800, 6) + 0.2)
    values = observed.values.copy()
    change, word = SLIPS[slip]
    values[2, channel] = change(values[2, channel])
    fit = fit_coast(dataclasses.replace(observed, values=values))
    assert [(item.position, item.column) for item in fit.set_aside] == [(2, CHANNELS[channel])]
    assert word in fit.set_aside[0].suggestion
    assert fit.set_aside[0].reason
    assert off(fit) < 4.5
    assert not fit.used[2, channel] and fit.used.sum() == 17


def test_two_digits_swapped_are_named():
    observed = readings(np.linspace(-700, 800, 6) + 0.2)
    values = observed.values.copy()
    written = f"{values[4, 1]:.1f}"
    values[4, 1] = float(written[1] + written[0] + written[2:])
    (item,) = fit_coast(dataclasses.replace(observed, values=values)).set_aside
    assert "swapped" in item.suggestion and written in item.suggestion


def test_a_wrong_clock_is_found_and_the_row_still_lends_its_shape():
    observed = readings(np.linspace(-700, 800, 7))
    met = observed.met.copy()
    met[3] += 600.0
    fit = fit_coast(dataclasses.replace(observed, met=met))
    assert [(item.position, item.column) for item in fit.set_aside] == [(3, "met")]
    assert fit.set_aside[0].expected == pytest.approx(observed.met[3], abs=3.0)
    assert fit.used[3].sum() == 3 and np.isinf(fit.observations.met_sigma[3])
    assert off(fit) < 4.5


def test_a_row_about_something_else_is_set_aside_whole():
    observed = readings(np.linspace(-700, 800, 7))
    values = observed.values.copy()
    values[5, :3] = 2.0e7, 350.0, -40.0
    fit = fit_coast(dataclasses.replace(observed, values=values))
    assert {(item.position, item.column) for item in fit.set_aside} == {(5, name) for name in CHANNELS[:3]}
    assert all("rest of its row" in item.reason for item in fit.set_aside)


def test_with_too_few_readings_to_tell_all_are_doubted_and_intervals_widen():
    observed = readings([0.0, 300.0], channels=("altitude", "speed"))
    values = observed.values.copy()
    values[1, 0] += 1234.0
    good, fit = fit_coast(observed), fit_coast(dataclasses.replace(observed, values=values))
    assert not fit.set_aside and len(fit.doubtful) > 1
    assert any("too few are left to tell" in remark for remark in fit.remarks)
    assert np.sqrt(fit.covariance[0, 0]) > 10 * np.sqrt(good.covariance[0, 0])


def test_scatter_beyond_the_digits_widens_the_intervals():
    rng = np.random.default_rng(4)
    observed = readings(np.linspace(-700, 800, 30))
    shaken = dataclasses.replace(observed, values=observed.values + rng.normal(size=(30, 6)) * 2.5 * observed.sigmas)
    fit = fit_coast(shaken)
    assert fit.scale > 1.5 and any("scatter" in remark for remark in fit.remarks)


def test_the_quick_fit_agrees_with_the_careful_one():
    observed = readings(np.linspace(-700, 800, 10))
    quick, careful = fit_values(observed), fit_coast(observed, robust=False)
    assert quick.state == pytest.approx(careful.state, abs=3 * np.sqrt(np.diag(careful.covariance)).max())
    again = fit_values(observed, start=quick.state, epoch=quick.epoch)
    assert again.state == pytest.approx(quick.state, rel=1e-9)


def test_no_readings_is_an_error_that_says_so():
    observed = readings([0.0])
    with pytest.raises(ValueError, match="no readings"):
        fit_values(observed, used=np.zeros((1, 6), dtype=bool))


def test_repeated_rounding_does_not_count_twice():
    """Thirty readings of one circular orbit that never changes its digits tell it no better than one."""
    state = (BODY.radius + 61.944e3, 0.0, float(np.sqrt(BODY.mu / (BODY.radius + 61.944e3))))
    steps = np.array([100.0, 1.0, 1.0, 1, 1, 1])
    one, many = (fit_coast(readings(np.linspace(0, 20, n), state, steps=steps)) for n in (2, 30))
    assert np.ptp(many.observations.values[:, 0]) == 0
    assert np.sqrt(many.covariance[0, 0]) > 0.7 * 100 / np.sqrt(12)
    # Negative control: counted as independent they would claim to know it several times better.
    assert np.sqrt(fit_values(many.observations).covariance[0, 0]) < 0.4 * 100 / np.sqrt(12)
