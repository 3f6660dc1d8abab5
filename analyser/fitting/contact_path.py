"""From the ground outwards: what the readings of a descent or an ascent say of the motion where the coast meets it, whatever throttle and nose did.

Between two readings the thrust is unknown up to what the engine can do; what ties them is that height is the sum of vertical speed, and that the craft stood
on the ground. A Kalman filter from the contact to the end of the coast (or its beginning) holds all of that: radius, radial and transverse speed, and the ground's own radius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.observations import CHANNELS, from_arrays, predict
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Body

_UNEVEN = 0.5  # part of the thrust by which it may change between two readings
_TERRAIN = 5000.0  # m: how high the ground may be before anything is read of it
_SLOPE = 0.02  # of the height over it by which ground farther off differs: an allowance, no source


@dataclass(frozen=True)
class Contact:
    """The contact with the ground: MET and its sigma (s), radius the reckoning starts from (m), radial and transverse speed with sigmas (m/s)."""

    met: float
    met_sigma: float
    radius: float
    radial: tuple[float, float]
    transverse: tuple[float, float]


@dataclass(frozen=True)
class Reached:
    """The state where the coast is met, at ``met``: mean (4,) and covariance (4, 4) of radius, radial and transverse speed and the ground's radius."""

    met: float
    mean: np.ndarray
    covariance: np.ndarray
    readings: int


def reach(body: Body, contact: Contact, end: tuple[float, float], nodes: list[int], rows: PanelRows, most: float, sense: float = 1.0) -> Reached | None:
    """Reckon from the ground to the coast.

    Parameters
    ----------
    body : Body
        Without air: drag is not modelled.
    contact : Contact
    end : (met, sigma)
        When the engine was lit (a descent) or cut off (an ascent), s.
    nodes : list of int
        Rows under way, from the ground outwards.
    rows : PanelRows
    most : float
        Largest acceleration by thrust, m/s^2.
    sense : float
        +1: the craft moves as the ground turns.

    Returns
    -------
    Reached, or None where no row under way holds altitude and speeds.
    """
    values = np.stack([rows.value[name][nodes] for name in CHANNELS], axis=1) if nodes else np.empty((0, len(CHANNELS)))
    sigmas = np.stack([rows.sigma[name][nodes] for name in CHANNELS], axis=1) if nodes else values
    seen = from_arrays(body, rows.met[nodes], values, sigmas, rows.met_sigma[nodes], nodes, sense)
    kept = [int(row) for row in seen.positions]
    path = _nominal(body, contact, kept, rows, sense)
    if path is None:
        return None
    predicted, slopes = predict(seen, path[1:])
    mets = np.concatenate([[contact.met], seen.met, [end[0]]])
    path = np.concatenate([path, path[-1:]])
    x = np.array([contact.radius, contact.radial[0], contact.transverse[0], contact.radius])
    spread = np.diag([0.0, contact.radial[1] ** 2, contact.transverse[1] ** 2, 0.0])
    spread[np.ix_([0, 3], [0, 3])] = _TERRAIN**2
    used = 0
    for k in range(1, len(mets)):
        step = mets[k] - mets[k - 1]
        late = contact.met_sigma if k == 1 else end[1] if k == len(mets) - 1 else 0.0
        x, spread = _move(body, x, spread, step, path[k - 1], path[k], most, late)
        if k == len(mets) - 1:
            break
        row = k - 1
        here = seen.present[row]
        slope, miss = slopes[row][here], (seen.values[row] - predicted[row])[here] - slopes[row][here] @ (x[:3] - path[k])
        slope = np.concatenate([slope, np.zeros((len(slope), 1))], axis=1)
        noise = seen.sigmas[row][here] ** 2
        radar = float(rows.value["radar_altitude"][kept[row]])
        if math.isfinite(radar):
            slope = np.concatenate([slope, [[1.0, 0.0, 0.0, -1.0]]])
            miss = np.append(miss, radar - (x[0] - x[3]))
            noise = np.append(noise, np.nan_to_num(rows.sigma["radar_altitude"][kept[row]]) ** 2 + (_SLOPE * radar) ** 2 + 1e-6)
        # the clock's error is shared by the row: how quickly all of it moves
        span = mets[k + 1] - mets[k - 1] if k + 1 < len(mets) - 1 else step
        speeds = (path[k + 1] - path[k - 1] if k + 1 < len(mets) - 1 else path[k] - path[k - 1])[1:] / (span if span else 1.0)
        rate = slope @ np.array([path[k][1], speeds[0], speeds[1], 0.0])
        clock = seen.met_sigma[row] if math.isfinite(seen.met_sigma[row]) else 0.0
        total = slope @ spread @ slope.T + np.diag(noise) + clock**2 * np.outer(rate, rate)
        gain = np.linalg.solve(total, slope @ spread).T
        x = x + gain @ miss
        left = np.eye(4) - gain @ slope
        spread = left @ spread @ left.T + gain @ (np.diag(noise) + clock**2 * np.outer(rate, rate)) @ gain.T
        used += int(here.sum())
    if not used or not np.isfinite(spread).all():
        return None
    return Reached(float(end[0]), x, (spread + spread.T) / 2, used)


def _move(body: Body, x, spread, step: float, here, there, most: float, late: float):
    """State and covariance after a step (s, negative: back in time), the thrust in it unknown."""
    fall = [np.array([vt * vt / r - body.mu / (r * r), -vr * vt / r]) for r, vr, vt in (here, there)]
    pull = (fall[0] + fall[1]) / 2
    move = np.eye(4)
    move[0, 1] = step
    x = move @ x + np.array([step * step * (fall[0][0] / 3 + fall[1][0] / 6), step * pull[0], step * pull[1], 0.0])
    # any steady thrust, and what height that leaves open where the thrust was not steady, or the step not quite as long
    push = np.array([[step / 2, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]) * (most * abs(step) + most * late)
    uneven = most * step * step / 12 * _UNEVEN + late * (abs(here[1] - there[1]) / 2 + most * late / 2)
    spread = move @ spread @ move.T + push @ push.T
    spread[0, 0] += uneven**2 + 1e-8
    spread[1, 1] += 1e-8
    spread[2, 2] += 1e-8
    return x, spread


def _nominal(body: Body, contact: Contact, nodes: list[int], rows: PanelRows, sense: float) -> np.ndarray | None:
    """Radius, radial and transverse speed at the contact and at each row, (n + 1, 3), roughly: what the motion is straightened about."""
    if not nodes:
        return None
    radius = rows.radius[nodes]
    radar = contact.radius + rows.value["radar_altitude"][nodes]
    radius = np.where(np.isfinite(radius), radius, radar)
    climb, speed = rows.vertical[nodes], rows.speed[nodes]
    across = np.sqrt(np.clip(speed**2 - climb**2, 0.0, None))
    over = rows.value["surface_speed"][nodes]
    ground = sense * body.rotation_rate * radius
    by_ground = ground + np.sqrt(np.clip(over**2 - climb**2, 0.0, None))
    across = np.where(np.isfinite(rows.value["speed"][nodes]) | ~np.isfinite(by_ground), across, by_ground)
    mets, parts = rows.met[nodes], []
    for values, start in ((radius, contact.radius), (climb, contact.radial[0]), (across, contact.transverse[0])):
        known = np.isfinite(values)
        if not known.any():
            return None
        order = np.argsort(np.append(mets[known], contact.met), kind="stable")
        whole = np.append(mets[known], contact.met)[order], np.append(values[known], start)[order]
        parts.append(np.append(start, np.interp(mets, *whole)))
    return np.stack(parts, axis=1)


__all__ = ["Contact", "Reached", "reach"]
