"""Non-linear least squares with a covariance that says what it can't know.

Levenberg's and Marquardt's method on residuals that are already whitened (each divided by its standard deviation, correlations
removed), after Moré, *The Levenberg-Marquardt algorithm: implementation and theory* (1978), with the step from a
singular value decomposition of the scaled Jacobian: what the data leave open then shows, instead of
spoiling the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

_EPSILON = np.finfo(float).eps
#: Singular values of the scaled Jacobian smaller than this part of the largest count as nothing.
RANK_TOLERANCE = 1e-10


@dataclass(frozen=True)
class Solution:
    """Result of :func:`minimise`.

    Attributes
    ----------
    x : array, shape (p,)
        The parameters.
    covariance : array, shape (p, p)
        (J^T J)^-1 at ``x``, for residuals of unit variance; rows and columns of parameters that take part in an undetermined
        combination are nan.
    unknown : array, shape (p, k)
        Orthonormal directions (in scaled parameters, times the scale) along which the residuals don't change; k = 0 when all is determined.
    residuals, jacobian : arrays, shapes (m,) and (m, p)
        At ``x``, robust weights not applied.
    weights : array, shape (m,)
        Robust weights in 0..1; ones without a loss.
    chi2 : float
        Sum of squared residuals (unweighted).
    dof : int
        Residuals less determined parameters.
    iterations, converged, reason
        How it went; ``reason`` in words, naming what is undetermined.
    """

    x: np.ndarray
    covariance: np.ndarray
    unknown: np.ndarray
    residuals: np.ndarray
    jacobian: np.ndarray
    weights: np.ndarray
    chi2: float
    dof: int
    iterations: int
    converged: bool
    reason: str

    @property
    def sigmas(self) -> np.ndarray:
        """Standard deviations of the parameters for residuals of unit variance; nan where undetermined."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_variance(self) -> float:
        """chi2 / dof; nan without degrees of freedom. Multiply the covariance by it where the scale of the errors is unknown."""
        return self.chi2 / self.dof if self.dof > 0 else np.nan

    def __str__(self) -> str:
        return f"chi2 {self.chi2:.4g} with {self.dof} degrees of freedom after {self.iterations} steps; {self.reason}"


def huber_weights(residuals: np.ndarray, threshold: float = 1.345) -> np.ndarray:
    """Weights of Huber's loss: 1 within ``threshold`` standard deviations, then falling as 1/|residual|."""
    size = np.abs(residuals)
    return np.where(size <= threshold, 1.0, threshold / np.maximum(size, threshold))


def tukey_weights(residuals: np.ndarray, threshold: float = 4.685) -> np.ndarray:
    """Weights of Tukey's biweight: falling smoothly to 0 at ``threshold`` standard deviations."""
    part = np.minimum(np.abs(residuals) / threshold, 1.0)
    return (1.0 - part * part) ** 2


LOSSES: dict[str, Callable[..., np.ndarray]] = {"huber": huber_weights, "tukey": tukey_weights}


def minimise(
    function: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    start: Sequence[float],
    *,
    scale: Sequence[float] | None = None,
    loss: str | None = None,
    threshold: float | None = None,
    tolerance: float = 1e-10,
    enough: float = 0.0,
    iterations: int = 200,
    names: Sequence[str] = (),
) -> Solution:
    """Parameters that make the sum of squared residuals least.

    Parameters
    ----------
    function : callable
        x (p,) -> (residuals (m,), jacobian (m, p)), whitened. Non-finite residuals say that x is out of bounds: the step is shortened.
    start : array (p,)
        Must be within bounds.
    scale : array (p,), optional
        Typical sizes of the parameters' changes; by default the Jacobian's own column norms, kept at their largest (Moré).
    loss : {None, "huber", "tukey"}
        Robust loss, by reweighting at each step; ``threshold`` in standard deviations.
    tolerance : float
        Stop when the next step is expected to lower the sum, or change the scaled parameters, by less than this part.
    enough : float
        Also stop when the next step is expected to lower the sum by less than this. With truly whitened residuals 1e-4 leaves the
        parameters within a hundredth of their standard deviations.
    iterations : int
        Most steps tried.
    names : sequence of str
        Names of the parameters, for ``reason``.

    Returns
    -------
    Solution

    Notes
    -----
    The covariance is the linear one at the solution: right where the model is nearly straight over the errors' reach.
    """
    x = np.array(start, dtype=float)
    residuals, jacobian = function(x)
    if not np.isfinite(residuals).all():
        raise ValueError("the residuals are not finite at the start")
    weigh = None if loss is None else LOSSES[loss]
    options = {} if threshold is None else {"threshold": threshold}

    weights = np.ones(residuals.size) if weigh is None else weigh(residuals, **options)
    norms = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
    fixed = None if scale is None else 1.0 / np.asarray(scale, dtype=float)
    scaling = fixed if fixed is not None else np.where(norms > 0, norms, 1.0)
    damping, converged, count, why = None, False, 0, "stopped before it settled"
    growth, polished = 2.0, 0
    while count < iterations:
        root = np.sqrt(weights)[:, None] if weigh is not None else 1.0
        left, values, right = decompose(jacobian * root / scaling)
        target = residuals * root[:, 0] if weigh is not None else residuals
        along = left.T @ target
        cost = float(target @ target)
        if damping is None:
            damping = 1e-4 * values[0] ** 2 if values[0] > 0 else 1.0
        moved = False
        while count < iterations:
            count += 1
            y = -(values / (values * values + damping)) * along
            step = (right.T @ y) / scaling
            # What the linear model says that this step gains.
            gain = float(np.sum(y * y * (values * values + 2.0 * damping)))
            small = np.linalg.norm(y) <= tolerance * (tolerance + np.linalg.norm(x * scaling))
            if gain <= max(tolerance**2 * cost, enough) or small or cost == 0.0:
                converged, why = True, "settled"
                break
            trial = x + step
            new_residuals, new_jacobian = function(trial)
            if np.isfinite(new_residuals).all():
                new_target = new_residuals * root[:, 0] if weigh is not None else new_residuals
                new_cost = float(new_target @ new_target)
                ratio = (cost - new_cost) / gain
                if gain <= 100 * _EPSILON * cost and new_cost <= cost * (1.0 + 100 * _EPSILON):
                    # The sum's own rounding hides the gain: some full steps polish the last digits.
                    polished += 1
                    ratio, damping = 1.0, 0.0
                    if polished > 8:
                        converged, why = True, "settled to the last digit"
            else:
                ratio = -1.0
            if ratio > 1e-4:
                # Nielsen's rule (1999): less damping the better the linear model foretold the gain.
                damping *= max(1.0 / 5.0, 1.0 - (2.0 * ratio - 1.0) ** 3)
                growth = 2.0
                x, residuals, jacobian, moved = trial, new_residuals, new_jacobian, not converged
                break
            if polished:
                converged, why = True, "settled to the last digit"
                break
            damping *= growth
            growth *= 2.0
        if not moved:
            break
        if weigh is not None:
            weights = weigh(residuals, **options)
        if fixed is None:
            norms = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
            scaling = np.maximum(scaling, norms)
    return _finish(x, residuals, jacobian, weights, count, converged, why, names)


def decompose(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Thin singular value decomposition (U, values, V'), quick for tall matrices."""
    if matrix.shape[0] > 4 * matrix.shape[1]:
        q, r = np.linalg.qr(matrix)
        left, values, right = np.linalg.svd(r)
        return q @ left, values, right
    return np.linalg.svd(matrix, full_matrices=False)


def _finish(x, residuals, jacobian, weights, count, converged, why, names) -> Solution:
    covariance, unknown = covariance_of(jacobian * np.sqrt(weights)[:, None])
    rank = x.size - unknown.shape[1]
    if unknown.shape[1]:
        why += "; the data don't determine " + _combination(unknown[:, 0], names)
    return Solution(
        x=x,
        covariance=covariance,
        unknown=unknown,
        residuals=residuals,
        jacobian=jacobian,
        weights=weights,
        chi2=float(residuals @ residuals),
        dof=int(np.count_nonzero(weights > 0)) - rank,
        iterations=count,
        converged=converged,
        reason=why,
    )


def covariance_of(jacobian: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(J^T J)^-1 and the directions that J leaves open, shapes (p, p) and (p, k).

    With open directions the inverse is that within the determined ones, and parameters that take part in an open one are nan.
    """
    size = jacobian.shape[1]
    norms = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
    scaling = np.where(norms > 0, norms, 1.0)
    scaled = jacobian / scaling
    if scaled.shape[0] < size:
        scaled = np.vstack([scaled, np.zeros((size - scaled.shape[0], size))])
    _, values, right = np.linalg.svd(scaled, full_matrices=False)
    known = values > RANK_TOLERANCE * values[0] if values[0] > 0 else np.zeros(size, dtype=bool)
    half = right[known].T / values[known]
    covariance = half @ half.T / np.outer(scaling, scaling)
    unknown = right[~known].T / scaling[:, None]
    if unknown.shape[1]:
        open_ = (np.abs(right[~known]) > 1e-6).any(axis=0)
        covariance[open_, :] = covariance[:, open_] = np.nan
    return covariance, unknown


def _combination(direction, names) -> str:
    part = direction / np.abs(direction).max()
    named = [
        f"{value:+.3g} {names[i] if i < len(names) else f'parameter {i + 1}'}" for i, value in enumerate(part) if abs(value) > 1e-6
    ]
    return "the combination " + " ".join(named) if len(named) > 1 else named[0].split(" ", 1)[1]
