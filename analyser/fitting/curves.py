"""Curves through readings: cubic in each gap, smooth at the nodes.

With the slopes given, or with slopes chosen so that the curve never turns where the readings do not: F. N. Fritsch and J. Butland, *A Method for Constructing Local Monotone
Piecewise Cubic Interpolants* (SIAM Journal on Scientific and Statistical Computing 5, 1984; recalled from memory), their weighted harmonic means between the nodes.
"""

from __future__ import annotations

import numpy as np


def cubic(x, y, slopes, at) -> tuple[np.ndarray, np.ndarray]:
    """The curve through nodes with given slopes, and its rate, at places inside them.

    Parameters
    ----------
    x : array (n,)
        Growing; two at least.
    y, slopes : arrays (n,) or (n, m)
        Values, and rates per unit of ``x``.
    at : array (k,)
        Beyond the ends the outermost pieces go on.

    Returns
    -------
    values, rates : arrays (k,) or (k, m)
    """
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    wide, part = x[k + 1] - x[k], at - x[k]
    if np.ndim(y) == 2:
        wide, part = wide[:, None], part[:, None]
    mean = (y[k + 1] - y[k]) / wide
    # value, slope, and the two coefficients that meet the value and the slope at the next node
    square = (3 * mean - 2 * slopes[k] - slopes[k + 1]) / wide
    cube = (slopes[k] + slopes[k + 1] - 2 * mean) / wide**2
    values = y[k] + part * (slopes[k] + part * (square + part * cube))
    return values, slopes[k] + part * (2 * square + 3 * part * cube)


def monotone(x, y, at) -> np.ndarray:
    """The curve that turns only where the nodes do, at places inside them; parameters and result as in :func:`cubic`."""
    return cubic(x, y, _gentle(x, y), at)[0]


def _gentle(x, y) -> np.ndarray:
    wide = np.diff(x)
    if np.ndim(y) == 2:
        wide = wide[:, None]
    mean = np.diff(y, axis=0) / wide
    if len(mean) == 1:
        return np.concatenate([mean, mean])
    before, after, left, right = mean[:-1], mean[1:], wide[:-1], wide[1:]
    first, second = 2 * right + left, right + 2 * left
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = np.where(before * after > 0, (first + second) / (first / before + second / after), 0.0)
    return np.concatenate([_end(wide[0], wide[1], mean[0], mean[1])[None], inner, _end(wide[-1], wide[-2], mean[-1], mean[-2])[None]])


def _end(near, far, mean, next_mean):
    """Slope at an end: of the parabola through three nodes, held so that the curve does not turn in its first gap."""
    slope = ((2 * near + far) * mean - near * next_mean) / (near + far)
    slope = np.where(slope * mean <= 0, 0.0, slope)
    return np.where((mean * next_mean <= 0) & (np.abs(slope) > 3 * np.abs(mean)), 3 * mean, slope)
