"""What the propellant gauge's digits allow of delta-v spent."""

import math

import numpy as np
import pytest

from analyser.fitting.joint_digits import is_digit, within_digits


def rocket(errors):
    sigma = 1 / math.sqrt(12)
    return 3000.0 * np.log((3000.0 + sigma * errors[0]) / (2000.0 + sigma * errors[1]))


NORMAL = np.random.default_rng(3).standard_normal((2, 256))


def interval(mean, covariance, digits=(True, True)):
    value, samples = within_digits(rocket(np.sqrt(np.diag(covariance))[:, None] * NORMAL), np.asarray(mean, float), np.asarray(covariance, float), digits, rocket)
    return value, np.quantile(samples, [0.025, 0.975])


def test_two_digits_hold_the_truth_as_often_as_they_say():
    """Truth drawn as gauges round it: the interval holds it 95 % of the time; the normal one, the control, far too often where one digit rules."""
    value, (low, high) = interval([0, 0], np.diag([1.0, 1.0]))
    true = rocket(np.random.default_rng(8).uniform(-math.sqrt(3), math.sqrt(3), (2, 40_000)))
    assert np.mean((low <= true) & (true <= high)) == pytest.approx(0.95, abs=0.012)
    assert value == pytest.approx(rocket(np.zeros((2, 1)))[0], abs=0.01)
    value, (low, high) = interval([0, 0], np.diag([1e-6, 1.0]))
    true = rocket(np.stack([np.zeros(40_000), np.random.default_rng(9).uniform(-math.sqrt(3), math.sqrt(3), 40_000)]))
    assert np.mean((low <= true) & (true <= high)) == pytest.approx(0.95, abs=0.012)
    _, (low, high) = interval([0, 0], np.diag([1e-6, 1.0]), (False, False))
    assert np.mean((low <= true) & (true <= high)) == 1.0


def test_what_the_flight_knows_better_than_the_digits_stays():
    plain, told = interval([0.4, -0.2], np.diag([0.01, 0.01]), (False, False)), interval([0.4, -0.2], np.diag([0.01, 0.01]))
    assert told[0] == pytest.approx(plain[0], abs=0.02)
    assert np.diff(told[1]) == pytest.approx(np.diff(plain[1]), rel=0.1)


def test_samples_keep_their_order():
    spent = rocket(NORMAL)
    _, samples = within_digits(spent, np.zeros(2), np.eye(2), (True, True), rocket)
    assert np.array_equal(np.argsort(samples), np.argsort(spent))


def test_digits_that_contradict_the_flight_are_not_forced_on_it():
    spent = rocket(NORMAL)
    _, samples = within_digits(spent, np.array([6.0, 0.0]), np.diag([0.01, 1.0]), (True, True), rocket)
    assert np.array_equal(samples, spent)


def test_a_sigma_of_ones_own_is_no_digit():
    assert is_digit(1744.0, 1 / math.sqrt(12)) and is_digit(203.6, 0.1 / math.sqrt(12))
    assert not is_digit(1744.0, 0.37) and not is_digit(1744.5, 1 / math.sqrt(12))
