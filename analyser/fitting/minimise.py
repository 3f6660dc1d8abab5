"""Least values of many functions at once: one variable by grids, several by damped Newton steps with derivatives by differences."""

from __future__ import annotations

import numpy as np

_LOOK, _HOPE = 4, 4  # so often a descent is asked whether it can still win, and by how many such stretches more
_IDLE = 3  # steps without gain after which a descent is over
_DAMPINGS = np.array([0.0, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1e4])  # of Newton steps, in the largest curvature
_STEP = 2e-5  # of the differences


def lowest(cost, places, rounds: int = 6, fine: int = 13):
    """Least of many functions of one variable, and where: ``cost`` takes (k, ...) and broadcasts; on a grid ``places`` (k,), then finer ones about the best."""
    x = places.reshape(-1, *[1] * (cost(places[0]).ndim))
    least, best, width, low, high = np.inf, places[0], np.max(np.diff(places)), places[0], places[-1]
    for _ in range(rounds + 1):
        values = cost(x)
        values = np.where(np.isnan(values), np.inf, values)
        at = np.expand_dims(np.argmin(values, axis=0), 0)
        value = np.take_along_axis(values, at, 0)[0]
        centre = np.take_along_axis(np.broadcast_to(x, values.shape), at, 0)
        best, least = np.where(value < least, centre[0], best), np.minimum(value, least)
        x = np.clip(centre + width * np.linspace(-1, 1, fine).reshape(-1, *[1] * (values.ndim - 1)), low, high)
        width = 2.2 * width / (fine - 1)
    return least, best


def descend(cost, z, free, steps, beat=None):
    """Damped Newton steps in the coordinates ``free``, several dampings tried at once; only steps downhill are taken.

    Parameters
    ----------
    cost : callable
        Of (coordinates, ..., starts, n): (..., starts, n), inf where there is none.
    z : array (coordinates, starts, n)
        Where to begin.
    free : sequence of int
    steps : int
        At the most.
    beat : array (n,), optional
        A value known already: the descent ends once no start comes down fast enough to get below it.

    Returns
    -------
    z : array (coordinates, starts, n)
    value : array (starts, n)
    """
    d = len(free)
    units = np.zeros((d, len(z)))
    units[np.arange(d), list(free)] = _STEP
    couples = [(i, j) for i in range(d) for j in range(i)]
    moves = np.concatenate([units, -units, *([units[i] + units[j]] for i, j in couples)])
    value = cost(z)
    idle, mark = 0, value
    with np.errstate(all="ignore"):
        for number in range(steps):
            around = cost(z[:, None] + moves.T[:, :, None, None])
            gradient, hessian = _derivatives(value, around, d, couples)
            size, axes = np.linalg.eigh(hessian)
            largest = np.abs(size).max(axis=-1, keepdims=True)
            size = np.abs(size) + 1e-9 * largest + _DAMPINGS[:, None, None, None] * largest + 1e-300
            along = (axes * gradient[..., None]).sum(axis=-2)
            change = -(axes * (along / size)[..., None, :]).sum(axis=-1)
            change[~np.isfinite(change)] = 0.0
            change *= np.minimum(1, 0.5 / np.maximum(np.abs(change).max(axis=-1, keepdims=True), 1e-300))
            trial = np.repeat(z[:, None], len(_DAMPINGS), axis=1)
            trial[list(free)] += np.moveaxis(change, -1, 0)
            there = cost(trial)
            at = (np.argmin(there, axis=0), *np.indices(value.shape))
            better, before = there[at] < value, value
            z, value = np.where(better, trial[(slice(None), *at)], z), np.where(better, there[at], value)
            # starts far above the best need no last digits
            gain = np.where(value < 1.3 * value.min(axis=0), 1e-9, 1e-2)
            idle = 0 if (value < before * (1 - gain)).any() else idle + 1
            if idle == _IDLE:
                break
            if beat is not None and number % _LOOK == _LOOK - 1:
                if not (value - _HOPE * (mark - value) < beat).any():
                    break
                mark = value
    return z, value


def _derivatives(value, around, d, couples):
    """Gradient (..., d) and Hessian (..., d, d) from the values at the moves; one-sided where the function ends."""
    plus, minus, both = around[:d], around[d : 2 * d], around[2 * d :]
    ends = ~np.isfinite(plus) | ~np.isfinite(minus)
    gradient, hessian = (plus - minus) / (2 * _STEP), np.zeros((*value.shape, d, d))
    curve = (plus + minus - 2 * value) / _STEP**2
    if ends.any():
        one_sided = np.where(np.isfinite(plus), plus - value, value - minus) / _STEP
        gradient = np.nan_to_num(np.where(ends, one_sided, gradient), posinf=0, neginf=0)
        curve = np.where(ends, 0.0, curve)
    for i in range(d):
        hessian[..., i, i] = curve[i]
    for k, (i, j) in enumerate(couples):
        hessian[..., i, j] = hessian[..., j, i] = (both[k] - plus[i] - plus[j] + value) / _STEP**2
    hessian[~np.isfinite(hessian)] = 0.0
    return np.moveaxis(gradient, 0, -1), hessian
