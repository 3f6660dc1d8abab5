"""Rounded readings do not err independently of each other.

A gauge that moves less than its last digit between two readings makes the same error twice: ten readings of one circular orbit, all "61.9 km",
tell its altitude no better than one. For a true value that lies anywhere within its digit with equal chance, the errors of two readings whose true values are x
digits apart have the correlation ``1 - 6 x (1 - x)``, x taken modulo 1 (the sawtooth's autocorrelation; compare Bennett, *Spectra of quantized
signals*, 1948). It is used twice: such readings share their weight, and the covariance is that of the errors as they are.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from analyser.fitting.observations import Observations

#: Beyond a few digits the fit no longer knows the distance well enough for its part after the point to mean anything.
_REACH = 2.0
#: Readings within about this part of a digit share their weight.
_SHARED = 0.3


def steps(observations: Observations) -> np.ndarray:
    """The rounding step of each reading, shape (n, 6), SI; nan where its standard deviation does not come from rounding.

    A column is rounded when every reading in it is a whole multiple of sigma sqrt(12), the step whose rounding has that sigma.
    """
    step = observations.sigmas * np.sqrt(12.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        count = observations.values / step
        off = np.abs(count - np.round(count))
        whole = (off < 1e-6 * np.maximum(np.abs(count), 1.0)) & (np.abs(count) < 1e9)
    rounded = (whole | ~observations.present).all(axis=0)
    return np.where(rounded & observations.present, step, np.nan)


def correlation(step: np.ndarray, model: np.ndarray) -> np.ndarray:
    """Correlation of the rounding errors in one column, shape (n, n), from the steps (nan: not rounded) and the true values."""
    with np.errstate(invalid="ignore"):
        apart = np.abs(model[:, None] - model[None, :]) / np.minimum(step[:, None], step[None, :])
        part = apart % 1.0
        found = (1.0 - 6.0 * part * (1.0 - part)) * np.exp(-0.5 * (apart / _REACH) ** 2)
        # Readings given to different digits don't round at the same places.
        found = np.where(np.isclose(step[:, None], step[None, :], rtol=1e-6), found, 0.0)
    np.fill_diagonal(found, 1.0)
    return found


def share_weight(observations: Observations, model: np.ndarray, used: np.ndarray) -> Observations:
    """The observations with larger sigmas for readings that repeat each other's rounding: k alike get sqrt(k) times theirs."""
    step = steps(observations)
    sigmas = observations.sigmas.copy()
    for channel in np.flatnonzero((used & np.isfinite(step)).sum(axis=0) > 1):
        rows = np.flatnonzero(used[:, channel] & np.isfinite(step[:, channel]))
        value, size = model[rows, channel], step[rows, channel]
        apart = (value[:, None] - value[None, :]) / size[:, None]
        alike = np.isclose(size[:, None], size[None, :], rtol=1e-6) * np.exp(-((apart / _SHARED) ** 2))
        sigmas[rows, channel] *= np.sqrt(alike.sum(axis=1))
    return dataclasses.replace(observations, sigmas=sigmas)


def error_covariance(observations: Observations, model: np.ndarray, rates: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Covariance of the used readings' errors, shape (m, m), in the order of ``np.nonzero(used)``: rounding with its correlations, and rows' clocks."""
    rows, channels = np.nonzero(used)
    sigma = observations.sigmas[rows, channels]
    total = np.diag(sigma**2)
    step = steps(observations)
    for channel in np.flatnonzero((used & np.isfinite(step)).sum(axis=0) > 1):
        part = np.flatnonzero((channels == channel) & np.isfinite(step[rows, channels]))
        size = sigma[part]
        total[np.ix_(part, part)] = np.outer(size, size) * correlation(step[rows[part], channel], model[rows[part], channel])
    clock = np.where(np.isinf(observations.met_sigma), 0.0, observations.met_sigma)[rows] * rates[rows, channels]
    total += np.outer(clock, clock) * (rows[:, None] == rows[None, :])
    return total
