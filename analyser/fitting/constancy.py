"""How badly energy and angular momentum fail to be constant over rows that may be one coast, gross errors capped."""

from __future__ import annotations

import numpy as np

from analyser.fitting.panel_rows import PanelRows

VALUE_CAP = 25.0  # the most that one invariant of a row may cost: 5 sigma
ROW_CAP = 40.0  # the most that a row may cost
_AGREES = 4.0  # sigmas within which two readings tell of one value
_TRIED = 9  # readings tried as the centre of many


def constancy(rows: PanelRows, part) -> float:
    """Of one part (positions of rows, or a slice): chi-square, a value capped at VALUE_CAP and a row at ROW_CAP."""
    if not isinstance(part, slice):
        part = list(part)
    total = np.zeros(len(rows.energy[part]))
    for values, sigmas in _invariants(rows, part):
        good = np.isfinite(values) & np.isfinite(sigmas)
        if good.sum() < 2:
            continue
        value, sigma = values[good], np.maximum(sigmas[good], 1e-12)
        total[good] += np.minimum(((value - _centre(value, sigma)) / sigma) ** 2, VALUE_CAP)
    return float(np.minimum(total, ROW_CAP).sum())


def constancy_table(rows: PanelRows, block: slice) -> np.ndarray:
    """Of every part of a block of n rows: entry (i, k) of the (n, n) table is that of its rows i to k; 0 below the diagonal.

    Takes n^3 numbers: for blocks of a few dozen rows.
    """
    count = block.stop - block.start
    place = np.arange(count)
    inside = (place >= place[:, None, None]) & (place <= place[None, :, None])  # (first, last, row)
    total = np.zeros((count, count, count))
    for values, sigmas in _invariants(rows, block):
        good = np.isfinite(values) & np.isfinite(sigmas)
        if good.sum() < 2:
            continue
        value = np.where(good, values - values[good][0], 0.0)  # from one of them, to keep the digits
        sigma = np.maximum(np.where(good, sigmas, 1.0), 1e-12)
        both = good & good[:, None]
        apart = np.where(both, (value - value[:, None]) ** 2 / (sigma**2 + sigma[:, None] ** 2), 0.0)
        # the reading that most others of a part agree with, for all parts at once
        summed = np.concatenate([np.zeros((count, 1)), np.cumsum(np.minimum(apart, VALUE_CAP), axis=1)], axis=1)
        score = summed[:, 1:].T[None] - summed[:, :-1].T[:, None]  # (first, last, reading tried)
        own = inside & good
        best = np.argmin(np.where(own, score, np.inf), axis=2)
        weight = np.where(own & (apart[best] < _AGREES**2), 1 / sigma**2, 0.0)
        size = weight.sum(axis=2)
        centre = (weight @ value) / np.where(size > 0, size, 1.0)
        several = own.sum(axis=2) > 1
        miss = np.minimum(((value - centre[:, :, None]) / sigma) ** 2, VALUE_CAP)
        total += np.where(own & several[:, :, None], miss, 0.0)
    return np.minimum(total, ROW_CAP).sum(axis=2)


def _invariants(rows: PanelRows, part):
    return (rows.energy[part], rows.energy_sigma[part]), (rows.momentum[part], rows.momentum_sigma[part])


def _centre(value: np.ndarray, sigma: np.ndarray) -> float:
    """The common value of several readings of one constant, held against gross errors: the reading that most others
    agree with, then the weighted mean of those that agree."""
    # of many readings some, evenly through their order, are tried as the one that most agree with
    ranks = np.linspace(0, len(value) - 1, min(_TRIED, len(value))).astype(int)
    tried = np.arange(len(value)) if len(value) <= _TRIED else np.argpartition(value, ranks)[ranks]
    apart = np.abs(value[tried, None] - value[None, :]) / np.sqrt(sigma[tried, None] ** 2 + sigma[None, :] ** 2)
    agree = apart[np.argmin(np.minimum(apart**2, VALUE_CAP).sum(axis=1))] < _AGREES
    weight = 1 / sigma[agree] ** 2
    return float(np.sum(weight * value[agree]) / np.sum(weight))
