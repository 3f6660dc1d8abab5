"""Differential evolution for many small problems at once (Storn and Price, Journal of Global Optimization 11, 1997): the brute force of the tests of transfers."""

import numpy as np


def evolve(cost, z, rng, generations, *, calm=0.3, crossing=0.9, clipped=0):
    """The last population and its values.

    Parameters
    ----------
    cost : callable
        Of z (d, n, population): (n, population), inf where there is none.
    z : array (d, n, population)
        The first population of n problems.
    calm : float
        Part of the generations that look about; later half of the trials start from each problem's best.
    crossing : float
        Part of the coordinates that a trial changes.
    clipped : int
        So many coordinates, the first ones, stay between 0 and 1.
    """
    _, n, population = z.shape
    value, rows = cost(z), np.arange(n)[:, None]
    for generation in range(generations):
        best = z[:, rows[:, 0], np.argmin(value, axis=1)][:, :, None]
        a, b, c = (z[:, rows, rng.integers(0, population, (n, population))] for _ in range(3))
        centre = a if generation < calm * generations else np.where(rng.random((1, n, population)) < 0.5, best, z)
        trial = np.where(rng.random(z.shape) < crossing, centre + rng.uniform(0.3, 0.9, (1, n, population)) * (b - c), z)
        trial[:clipped] = np.clip(trial[:clipped], 0, 1)
        found = cost(trial)
        better = found < value
        z, value = np.where(better, trial, z), np.where(better, found, value)
    return z, value
