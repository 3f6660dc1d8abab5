"""Rounded readings do not err independently of each other.

A gauge that moves less than its last digit between two readings makes the same error twice: ten readings of one circular orbit, all "61.9 km",
tell its altitude no better than one. For a true value that lies anywhere within its digit with equal chance, the errors of two readings whose true values are x
digits apart have the correlation ``1 - 6 x (1 - x)``, x taken modulo 1 (the sawtooth's autocorrelation; compare Bennett, *Spectra of quantized
signals*, 1948). It is used twice: such readings share their weight, and the covariance is that of the errors as they are.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from analyser.fitting.observations import Observations

#: Over some digits the fit no longer knows the distance well enough for its part after the point to mean anything: the correlation fades.
_FADE = 2.0
_TWELVE = np.sqrt(12.0)
#: More readings than this in a column are met by bins where they lie close.
_MANY = 600
_BINS = 128  # of a digit
#: Readings within about this part of a digit share their weight.
_SHARED = 0.3


def steps(observations: Observations) -> np.ndarray:
    """The rounding step of each reading, shape (n, 6), SI; nan where its standard deviation does not come from rounding.

    A column is rounded when every reading in it is a whole multiple of sigma sqrt(12), the step whose rounding has that sigma.
    """
    step = observations.sigmas * _TWELVE
    with np.errstate(invalid="ignore", divide="ignore"):
        count = observations.values / step
        off = np.abs(count - np.round(count))
        whole = (off < 1e-6 * np.maximum(np.abs(count), 1.0)) & (np.abs(count) < 1e9)
    rounded = (whole | ~observations.present).all(axis=0)
    return np.where(rounded & observations.present, step, np.nan)


def correlation(apart: np.ndarray) -> np.ndarray:
    """Correlation of two rounding errors whose true values are ``apart`` digits from each other."""
    part = apart % 1.0
    return (1.0 - 6.0 * part * (1.0 - part)) * np.exp(-0.5 * (apart / _FADE) ** 2)


def _near_pairs(value: np.ndarray, step: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of readings within ``reach`` digits of each other, as indices and distances in digits; readings given to different digits
    don't round at the same places and make no pair."""
    ones, others, aparts = [], [], []
    for size in step[:1] if step[0] == step[-1] and (step == step[0]).all() else np.unique(step):
        rows = np.flatnonzero(step == size)
        rows = rows[np.argsort(value[rows])]
        ordered = value[rows] / size
        for offset in range(1, len(rows)):
            apart = ordered[offset:] - ordered[:-offset]
            near = apart < reach
            if not near.any():
                break
            ones.append(rows[:-offset][near])
            others.append(rows[offset:][near])
            aparts.append(apart[near])
    if not ones:
        nothing = np.empty(0, dtype=int)
        return nothing, nothing, np.empty(0)
    return np.concatenate(ones), np.concatenate(others), np.concatenate(aparts)


def rounded_columns(observations: Observations, used: np.ndarray) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """(channel, rows, steps) for each column with two or more used readings that were rounded."""
    rounded = used & np.isfinite(steps(observations))
    found = []
    for channel in np.flatnonzero(rounded.sum(axis=0) > 1):
        rows = np.flatnonzero(rounded[:, channel])
        # The same digits give the same step but for rounding in the arithmetic: nine of its digits are kept.
        size = observations.sigmas[rows, channel] * _TWELVE
        unit = 10.0 ** (np.floor(np.log10(size)) - 9)
        found.append((int(channel), rows, np.round(size / unit) * unit))
    return found


def share_weight(observations: Observations, model: np.ndarray, columns) -> Observations:
    """The observations with larger sigmas for readings that repeat each other's rounding: k alike get sqrt(k) times theirs.

    ``model`` (n, 6) are the true values as far as known, ``columns`` those of :func:`rounded_columns`.
    """
    sigmas = observations.sigmas.copy()
    for channel, rows, step in columns:
        if len(rows) > _MANY:
            # As many as lie in a box of the bell's area.
            place = model[rows, channel] / step
            ordered, half = np.sort(place), 0.5 * np.sqrt(np.pi) * _SHARED
            count = np.searchsorted(ordered, place + half) - np.searchsorted(ordered, place - half)
            sigmas[rows, channel] *= np.sqrt(np.maximum(count, 1))
            continue
        one, other, apart = _near_pairs(model[rows, channel], step, 3.0 * _SHARED)
        alike = np.exp(-((apart / _SHARED) ** 2))
        count = 1.0 + np.bincount(one, alike, len(rows)) + np.bincount(other, alike, len(rows))
        sigmas[rows, channel] *= np.sqrt(count)
    return dataclasses.replace(observations, sigmas=sigmas)


def scheduled(observations: Observations) -> bool:
    """Whether four or more rows were taken at whole multiples of an interval of several clock ticks: the clock, cut to its tick, then errs by the same
    each time, and no number of rows makes up for it."""
    sigma = observations.met_sigma
    if len(observations) < 4 or not (np.isfinite(sigma).all() and (sigma > 0).all() and np.ptp(sigma) <= 1e-9 * sigma[0]):
        return False
    ticks = np.diff(observations.met) / (sigma[0] * _TWELVE)
    whole = np.round(ticks).astype(np.int64)
    if np.abs(ticks - whole).max() > 0.01 or np.abs(ticks).max() > 1e9:
        return False
    return int(np.gcd.reduce(whole)) >= 4


def _binned(sized: np.ndarray, place: np.ndarray) -> np.ndarray:
    """What the correlations of very many readings add: readings are shared out to bins of a small part of a digit, and bins meet bins."""
    cell, part = np.divmod((place - place.min()) * _BINS, 1.0)
    cell = cell.astype(int)
    size, reach = int(cell.max()) + 2, int(3 * _FADE * _BINS)
    grid = np.stack([np.bincount(cell, row * (1 - part), size) + np.bincount(cell + 1, row * part, size) for row in sized])
    kernel = correlation(np.abs(np.arange(-reach, reach + 1)) / _BINS)
    length = 2 ** math.ceil(math.log2(size + 2 * reach))
    met = np.fft.irfft(np.fft.rfft(grid, length) * np.fft.rfft(kernel, length), length)[:, reach : reach + size]
    # each reading met itself too
    own = part**2 + (1 - part) ** 2 + 2 * part * (1 - part) * kernel[reach + 1]
    return met @ grid.T - (sized * own) @ sized.T


def spread(gain: np.ndarray, observations: Observations, model: np.ndarray, rates: np.ndarray, used: np.ndarray, columns) -> np.ndarray:
    """Covariance ``G S G'`` of a linear estimate, S being that of the readings' errors: rounding with its correlations, and rows' clocks.

    Parameters
    ----------
    gain : array, shape (p, n, 6)
        What each reading's error does to the estimate; 0 where unused.
    model, rates : arrays, shape (n, 6)
        True values and their rates, as far as known.
    columns
        Those of :func:`rounded_columns`.
    """
    sized = np.where(used, gain * np.where(used, observations.sigmas, 0.0), 0.0)
    total = np.einsum("pij,qij->pq", sized, sized)
    for channel, rows, step in columns:
        if len(rows) > _MANY:
            sizes = np.unique(step)
            spans = [np.ptp(model[rows[step == size], channel]) / size for size in sizes]
            if max(spans) < 0.5 * len(rows):  # else so widely scattered that few are near each other
                for size in sizes:
                    some = rows[step == size]
                    total += _binned(sized[:, some, channel], model[some, channel] / size)
                continue
        one, other, apart = _near_pairs(model[rows, channel], step, 3.0 * _FADE)
        part = (sized[:, rows[one], channel] * correlation(apart)) @ sized[:, rows[other], channel].T
        total += part + part.T
    clock = np.where(np.isinf(observations.met_sigma), 0.0, observations.met_sigma)
    delayed = np.einsum("pij,ij->pi", gain, np.where(used, rates, 0.0)) * clock
    return total + delayed @ delayed.T
