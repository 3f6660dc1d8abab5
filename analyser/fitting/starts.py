"""First guesses for the orbit of a coast: states that single rows, filled up from their neighbours, point to."""

from __future__ import annotations

import numpy as np

from analyser.fitting.conic import propagate
from analyser.fitting.observations import ALTITUDE, ANGLE, HORIZONTAL, SPEED, SURFACE, VERTICAL, Observations, predict

_MOST = 24  # guesses, and rows that they are compared on


def guesses(observations: Observations, epoch: float, rows: int = 16) -> np.ndarray:
    """States at ``epoch`` (MET, s) worth trying, shape (k, 3): those that each of at most ``rows`` rows points to."""
    body = observations.body
    spread = np.unique(np.linspace(0, len(observations) - 1, rows).round().astype(int))
    r, vr, vt, steep = _fill(observations)
    states, times = [], []
    for i in spread:
        radius = r[i] if np.isfinite(r[i]) and r[i] > 0.05 * body.radius else body.radius * 1.05
        circular = np.sqrt(body.mu / radius)
        speed = observations.values[i, SPEED]
        ups = [vr[i]] if np.isfinite(vr[i]) else []
        if not np.isfinite(observations.values[i, VERTICAL]):
            size = speed if np.isfinite(speed) else circular
            ups += [0.0, 0.4 * size, -0.4 * size] if len(spread) <= 4 else [0.0]
        for up in ups:
            if np.isfinite(vt[i]):
                acrosses = [vt[i]]
            elif np.isfinite(speed):
                acrosses = [np.sqrt(max(speed * speed - up * up, (0.02 * speed) ** 2))]
            elif np.isfinite(steep[i]):
                acrosses = [np.sqrt(max(steep[i] * radius + circular**2, (0.1 * circular) ** 2)), circular]
            else:
                acrosses = [circular * part for part in (0.5, 1.0, 1.3)]
            for across in acrosses:
                states.append((radius, up, max(across, 1e-3 * circular)))
                times.append(observations.met[i])
    states, times = np.array(states), np.array(times)
    moved = np.stack(propagate(body.mu, *states.T, epoch - times), axis=1)
    return moved[np.isfinite(moved).all(axis=1) & (moved[:, 0] > 0)]


def best_guesses(observations: Observations, epoch: float, used: np.ndarray, count: int = 3, rows: int = 16) -> np.ndarray:
    """The ``count`` guesses that most readings come nearest to, best first, shape (k, 3)."""
    found = guesses(observations, epoch, rows)
    if len(found) > _MOST:
        found = found[np.linspace(0, len(found) - 1, _MOST).round().astype(int)]
    if len(observations) > _MOST:
        some = np.unique(np.linspace(0, len(observations) - 1, _MOST).round().astype(int))
        observations, used = observations.rows(some), used[some]
    k, n = len(found), len(observations)
    moved = np.stack(propagate(observations.body.mu, *found.T[:, :, None], observations.met - epoch), axis=-1)
    every = observations.rows(np.tile(np.arange(n), k))
    values, _ = predict(every, moved.reshape(k * n, 3))
    with np.errstate(invalid="ignore"):
        miss = (observations.values - values.reshape(k, n, 6)) / observations.sigmas
        # A logarithm: a guess from rounded readings misses by many sigmas, a gross error by thousands.
        scores = np.where(used, np.log1p(miss * miss), 0.0).sum(axis=(1, 2))
    return found[np.argsort(np.where(np.isfinite(scores), scores, np.inf))[:count]]


def _fill(observations: Observations):
    """Radius, radial and transverse speed of each row from its own readings, else from its neighbours'; nan where
    neither tells. Last: the second derivative of the radius, where the altitudes alone must do."""
    values, met = observations.values, observations.met
    body = observations.body
    turn = observations.rotation_sense * body.rotation_rate
    r = _between(met, values[:, ALTITUDE] + body.radius)
    speed, vr, flat = values[:, SPEED], values[:, VERTICAL].copy(), values[:, HORIZONTAL]
    inertial = np.where(observations.over_surface, np.nan, values[:, ANGLE])
    vr = np.where(np.isnan(vr), speed * np.sin(inertial), vr)
    ground = np.where(observations.over_surface, values[:, SURFACE] * np.sin(values[:, ANGLE]), np.nan)
    vr = np.where(np.isnan(vr), ground, vr)
    slope, steep = _slopes(met, r)
    if np.isnan(vr).all() and np.isfinite(speed).sum() >= 2 and not np.isfinite(values[:, ALTITUDE]).sum() >= 2:
        change, _ = _slopes(met, _between(met, speed))
        slope = -change * speed * r * r / body.mu  # from the energy
    vr = np.where(np.isnan(vr), _between(met, vr), vr)
    vr = np.where(np.isnan(vr), slope, vr)
    with np.errstate(invalid="ignore"):
        vt = np.sqrt(speed * speed - vr * vr)
        vt = np.where(np.isnan(vt), np.abs(flat) + np.where(observations.over_surface, turn * r, 0.0), vt)
        vt = np.where(np.isnan(vt), np.sqrt(values[:, SURFACE] ** 2 - vr * vr) + turn * r, vt)
        vt = np.where(np.isnan(vt), np.abs(vr / np.tan(inertial)), vt)
    vt = np.where(np.isfinite(vt), vt, np.nan)
    return r, vr, np.where(np.isnan(vt), _between(met, vt), vt), steep


def _between(met, column):
    """The column with its gaps filled by straight lines, its ends held."""
    known = np.isfinite(column)
    if known.sum() < 1:
        return column
    return np.where(known, column, np.interp(met, met[known], column[known]))


def _slopes(met, column):
    first = np.full_like(met, np.nan)
    times, where = np.unique(met, return_inverse=True)
    if len(times) < 2 or not np.isfinite(column).all():
        return first, first
    mean = np.bincount(where, column) / np.bincount(where)
    slope = np.gradient(mean, times)
    second = np.gradient(slope, times)[where] if len(times) > 2 else first
    return slope[where], second
