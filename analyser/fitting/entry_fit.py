"""A fall through air fitted to the readings taken in it, together with what the orbit above the air tells."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.atmosphere import density
from analyser.fitting.entry_path import Fall, at_the_top, fall
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Body

_SETTLED = 1e-3  # of a fit's sum of squares: a step that gains or promises less ends it
_MET = 2  # place of the MET at the top of the air among the parameters


@dataclass(frozen=True)
class Posterior:
    """The fall as the orbit above the air and the readings in it tell it together: ``mean`` (4,) and ``covariance`` (4, 4) of energy, angular momentum, MET at the top of the
    air and the logarithm of the ballistic coefficient."""

    mean: np.ndarray
    covariance: np.ndarray
    used: int
    misfit: float

    @property
    def ballistic_sigma(self) -> float:
        """Of the logarithm."""
        return math.sqrt(self.covariance[3, 3])


def fit_fall(body: Body, spin: float, mean: np.ndarray, covariance: np.ndarray, way_rows, rows: PanelRows, until: float) -> Posterior:
    """Fit a fall to readings taken before ``until`` (MET, s).

    Parameters
    ----------
    mean, covariance : arrays (4,), (4, 4)
        What is known before: as in :class:`Posterior`.
    way_rows : rows with any of altitude, speeds, vertical speed and felt acceleration.
    """
    names = ("altitude", "speed", "surface_speed", "vertical_speed", "acceleration")
    use = [row for row in way_rows if mean[2] + 1.0 < rows.met[row] < until and any(math.isfinite(rows.value[name][row]) for name in names)]
    if not use:
        return Posterior(mean, covariance, 0, math.nan)
    use = np.array(use)
    seen = np.stack([rows.value[name][use] for name in names], axis=1)
    sigma = np.stack([np.nan_to_num(rows.sigma[name][use], nan=1.0) for name in names], axis=1)
    there = np.isfinite(seen)
    scale = np.sqrt(np.diag(covariance))
    inverse = np.linalg.inv(covariance / np.outer(scale, scale))
    theta, misfit = mean.copy(), math.nan
    damping = 0.0
    best = promised = math.inf
    kept, kept_hessian, kept_gradient = theta.copy(), inverse, np.zeros(4)
    for _ in range(12):
        steps = np.minimum(0.2 * scale, [0.01 * abs(theta[0]), 0.002 * theta[1], 0.5, 0.05])
        tried = np.vstack([theta, theta + np.diag(steps), theta - np.diag(steps)])
        values = _seen_from(body, spin, tried, rows.met[use])
        off, slope, weight, price = _whitened(seen, sigma, there, rows.met_sigma[use], values, steps)
        away = (theta - mean) / scale
        total = price + float(away @ inverse @ away)
        if total < best * (1 - 1e-9):
            gained, best, kept, misfit = best - total, total, theta.copy(), price / max(int(there.sum()), 1)
            scaled = slope * scale
            gradient = scaled.T @ (weight * off) - inverse @ away
            hessian = scaled.T @ (weight[:, None] * scaled) + inverse
            kept_hessian, kept_gradient = hessian, gradient
            damping *= 0.2
            if gained < _SETTLED:
                break
        elif promised < _SETTLED:
            break
        else:
            damping = max(4 * damping, 0.1)
            if damping > 1e4:
                break
        move = np.linalg.solve(kept_hessian + damping * np.diag(np.diag(kept_hessian)), kept_gradient)
        promised = float(move @ (2 * kept_gradient - kept_hessian @ move))
        theta = kept + np.clip(move * scale, -_reach(kept), _reach(kept))
    inflate = max(1.0, misfit)
    spread = np.linalg.inv(kept_hessian) * inflate
    return Posterior(kept, spread * np.outer(scale, scale), len(use), misfit)


def _reach(theta: np.ndarray) -> np.ndarray:
    """How far one step may go."""
    return np.array([0.2 * abs(theta[0]), 0.05 * abs(theta[1]), 60.0, 0.7])


def fallen(body: Body, spin: float, theta: np.ndarray, longest) -> Fall:
    """Falls from the top of the air of parameters (k, 4), as in :class:`Posterior`, each for ``longest`` seconds at the most."""
    start = at_the_top(body, theta[:, 0], theta[:, 1])
    start[:, 1] = np.nan_to_num(start[:, 1], nan=-1e-3)
    return fall(body, start, np.exp(theta[:, 3]), spin, longest=longest)


def _seen_from(body: Body, spin: float, theta: np.ndarray, mets: np.ndarray) -> np.ndarray:
    """What the gauges show, (k, n, 5), for parameters (k, 4) at times (n,)."""
    flown = fallen(body, spin, theta, np.maximum(float(mets.max()) + 2.0 - theta[:, 2], 0.0))
    r, vr, vt = flown.at(mets[:, None] - theta[:, 2])
    over = np.hypot(vr, vt - spin * r)
    felt = 0.5 * density(body.atmosphere, r - body.radius) * over**2 / flown.ballistic
    return np.stack([r - body.radius, np.hypot(vr, vt), over, vr, felt], axis=2).transpose(1, 0, 2)


def _whitened(seen, sigma, there, met_sigma, values, steps):
    """Residuals in sigmas with the clock's error shared by a row, their slopes by the parameters, weights that hold gross errors down, and the price of it all.

    The clock's error counts to second order, as that of a last digit: readings in the air change their rates within a second by more than their digits.
    """
    offs, slopes = [], []
    half = len(steps)
    jacobian = (values[1 : 1 + half] - values[1 + half :]) / (2 * steps[:, None, None])
    # later at the top of the air is earlier in the fall: the very same curve, so that no difference of two slopes passes for knowledge of the time
    rates = -jacobian[_MET]
    bends = (values[1 + _MET] - 2 * values[0] + values[1 + half + _MET]) / steps[_MET] ** 2
    for row in range(len(seen)):
        mask, clock = there[row], met_sigma[row] ** 2
        d, bend = rates[row, mask], bends[row, mask]
        spread = np.diag(sigma[row, mask] ** 2) + clock * np.outer(d, d) + 0.2 * clock**2 * np.outer(bend, bend)
        root = np.linalg.cholesky(spread)
        offs.append(np.linalg.solve(root, seen[row, mask] - values[0, row, mask] - 0.5 * clock * bend))
        slopes.append(np.linalg.solve(root, jacobian[:, row, mask].T))
    off, slope = np.concatenate(offs), np.concatenate(slopes)
    size = np.abs(off)
    weight = np.where(size < 3.0, 1.0, 3.0 / np.maximum(size, 3.0))
    price = float(np.where(size < 3.0, size**2, 6.0 * size - 9.0).sum())
    return off, slope, weight, price
