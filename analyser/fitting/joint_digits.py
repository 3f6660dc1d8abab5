"""What a gauge's last digit does to what a burn spent: the propellant lay anywhere within the digit with equal chance, and nowhere beyond it.

The joint estimate reckons with normal errors. For delta-v by the rocket equation the digits of two readings are nearly all that is unknown, and a normal spread of the same variance reaches
beyond what they allow. Here the two propellants are weighed again by what their digits say.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.intervals import root_of, standard_normal_points

_EDGE = math.sqrt(3.0)  # half a digit in standard deviations of a uniform error
_POINTS = 2000


def is_digit(value: float, sigma: float) -> bool:
    """Whether a standard deviation is that of a last digit: the value is then a multiple of it."""
    step = sigma * math.sqrt(12.0)
    return bool(step > 0 and abs(value / step - round(value / step)) < 1e-6 * max(abs(value / step), 1.0))


def within_digits(spent: np.ndarray, mean: np.ndarray, covariance: np.ndarray, digits: tuple[bool, bool], rocket) -> tuple[float, np.ndarray]:
    """Best value and samples of delta-v spent, moved to the distribution that the digits allow.

    Parameters
    ----------
    spent : array (K,)
        Samples by normal errors, m/s; their order, and so what they go together with, is kept.
    mean, covariance : arrays (2,) and (2, 2)
        Of the propellant errors before and after, each in its own standard deviation as read.
    digits : (bool, bool)
        Which of the two is a gauge's last digit.
    rocket : function
        Delta-v (n,) of errors (2, n).
    """
    errors = mean[:, None] + root_of(covariance) @ standard_normal_points(_POINTS, 2).T
    weight = np.ones(_POINTS)
    for part, digit in zip(errors, digits):
        if digit:
            weight *= np.where(np.abs(part) <= _EDGE, np.exp(np.minimum(part**2, 3.0) / 2), 0.0)
    if np.count_nonzero(weight) < _POINTS // 10:
        return float(np.mean(spent)), spent  # the readings contradict each other: the digits are not to be trusted
    values = rocket(errors)
    order = np.argsort(values)
    level = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    place = (np.argsort(np.argsort(spent)) + 0.5) / len(spent)
    return float(np.average(values, weights=weight)), np.interp(place, level, values[order])


__all__ = ["is_digit", "within_digits"]
