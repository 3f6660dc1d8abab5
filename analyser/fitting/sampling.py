"""Spread of what is reckoned from fitted orbits: deterministic samples of their states, and estimates from samples."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from analyser.findings import Estimate

SAMPLES = 256  # enough for 95 % intervals that hold; more would cost a debrief its quickness


@lru_cache(maxsize=64)
def standard_normals(dimensions: int, stream: int) -> np.ndarray:
    """Independent standard normal deviates, shape (SAMPLES, dimensions); the same ones for the same ``stream``.

    An additive recurrence on the roots of x^(d+1) = x + 1 fills the unit cube evenly; a shift by ``stream``
    and a seeded shuffle of each column keep streams of different arcs independent of each other.
    """
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = np.array([(1 / root) ** (k + 1) % 1 for k in range(dimensions)])
    unit = (0.5 + np.arange(1, SAMPLES + 1)[:, None] * steps[None, :]) % 1.0
    shuffle = np.random.default_rng(7919 + stream).permutation(SAMPLES)
    raw = ndtri(np.clip(unit[shuffle], 1e-6, 1 - 1e-6))
    raw -= raw.mean(axis=0)
    # exact unit covariance: what the samples say of a linear quantity is then exact too
    return raw @ np.linalg.inv(np.linalg.cholesky(np.cov(raw.T, bias=True).reshape(dimensions, dimensions))).T


def state_samples(state: np.ndarray, covariance: np.ndarray, stream: int) -> np.ndarray:
    """Samples of a fitted state, shape (SAMPLES, 3), from its covariance."""
    values, vectors = np.linalg.eigh(np.asarray(covariance, float))
    root = vectors * np.sqrt(np.clip(values, 0, None))
    samples = np.asarray(state, float) + standard_normals(len(state), stream) @ root.T
    samples[:, 0] = np.maximum(samples[:, 0], 1e-3 * abs(state[0]))
    return samples


def estimate(value: float, samples: np.ndarray, unit: str, reason: str = "") -> Estimate:
    """An estimate from the best value and samples of its distribution; 95 % interval by their quantiles.

    Samples that are nan or infinite are left out; where more than a tenth are, the quantity is not determined.
    """
    samples = np.asarray(samples, float)
    good = samples[np.isfinite(samples)]
    if not np.isfinite(value) or len(good) < 0.9 * len(samples):
        return Estimate.unknown(unit, reason or "the readings leave it open")
    low, high = np.quantile(good, [0.025, 0.975])
    return Estimate(float(value), float(np.std(good)), float(min(low, value)), float(max(high, value)), unit)


def normal_samples(value: float, sigma: float, stream: int) -> np.ndarray:
    """Samples of one normal quantity, shape (SAMPLES,)."""
    return value + sigma * standard_normals(1, stream)[:, 0]
