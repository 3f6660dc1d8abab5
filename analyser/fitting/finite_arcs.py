"""A burn flown along the motion, for many slightly different burns at once: what the joint estimate differentiates.

The burn is told by its ignition and cutoff, the delta-v spent, the angle of the thrust from the velocity and that angle's rate. Thrust and flow
are constant in between: the acceleration grows as the mass falls.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting import conic

_FEWEST, _MOST = 4, 24  # steps of fourth order: a few parts in 1e9 at the most that a burn may sweep, and no more than a short one needs


def fly_burn(mu: float, start, ignition, cutoff, spent, angle, rate, exhaust: float, mets=()) -> tuple[np.ndarray, np.ndarray]:
    """Integrate C burns at once.

    Parameters
    ----------
    mu : float
        m^3/s^2.
    start : array, shape (3, C)
        Radius, radial and transverse speed at ignition, m and m/s.
    ignition, cutoff : arrays, shape (C,)
        MET, s.
    spent : array, shape (C,)
        Integral of thrust over mass, m/s.
    angle, rate : arrays, shape (C,)
        Angle of the thrust from the velocity at mid-burn (rad, positive outwards when flying forwards) and its rate, rad/s.
    exhaust : float
        Effective exhaust speed, m/s; nan: the acceleration is taken as constant.
    mets : array, shape (m,)
        Times at which the state is wanted too; before ignition and after cutoff the craft coasts.

    Returns
    -------
    end : array, shape (3, C)
        State at cutoff.
    along : array, shape (3, m, C)
    """
    length = cutoff - ignition
    part = -np.expm1(-spent / exhaust) if np.isfinite(exhaust) else None
    steps = _steps(start, length, spent)
    step = 1.0 / steps

    def rates(s, y):
        r, vr, vt = y
        push = spent if part is None else exhaust * part / (1.0 - part * s)
        turn = angle + rate * (s - 0.5) * length
        speed = np.maximum(np.sqrt(vr * vr + vt * vt), 1e-9)
        along, across = push * np.cos(turn) / speed, push * np.sin(turn) / speed
        return np.array([
            length * vr,
            length * (vt * vt / r - mu / (r * r)) + along * vr + across * vt,
            -length * vr * vt / r + along * vt - across * vr,
        ])  # fmt: skip

    y = np.asarray(start, float)
    path, slopes = [y], [rates(0.0, y)]
    for k in range(steps):
        s, k1 = k * step, slopes[-1]
        k2 = rates(s + step / 2, y + step / 2 * k1)
        k3 = rates(s + step / 2, y + step / 2 * k2)
        k4 = rates(s + step, y + step * k3)
        y = y + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        path.append(y)
        slopes.append(rates(s + step, y))
    mets = np.asarray(mets, float)
    if not len(mets):
        return y, np.empty((3, 0, y.shape[1]))
    return y, _read_path(mu, np.array(path), np.array(slopes), mets, ignition, cutoff)


def _steps(start, length, spent) -> int:
    """Steps that a burn asks for: by the angle it sweeps and by how much of the speed it changes."""
    r, vr, vt = np.asarray(start, float)[:, 0]
    speed = max(float(np.hypot(vr, vt)), 1e-9)
    extent = float(np.max(np.abs(length))) * speed / float(r) + float(np.max(np.abs(spent))) / speed
    return int(np.clip(np.ceil(40 * extent), _FEWEST, _MOST))


def _read_path(mu, path, slopes, mets, ignition, cutoff):
    """States (3, m, C) at times: cubics between the steps, conics outside."""
    s = (mets[:, None] - ignition) / np.maximum(cutoff - ignition, 1e-9)
    inside = np.clip(s, 0.0, 1.0)
    steps = len(path) - 1
    knot = np.minimum((inside * steps).astype(int), steps - 1)
    column = np.arange(path.shape[2])[None, :]
    u = (inside * steps - knot)[:, :, None]
    p0, p1 = path[knot, :, column], path[knot + 1, :, column]
    m0, m1 = slopes[knot, :, column] / steps, slopes[knot + 1, :, column] / steps
    found = (1 + 2 * u) * (1 - u) ** 2 * p0 + u * (1 - u) ** 2 * m0 + u * u * (3 - 2 * u) * p1 + u * u * (u - 1) * m1
    outside = np.where(s < 0, mets[:, None] - ignition, np.where(s > 1, mets[:, None] - cutoff, 0.0))
    if (outside != 0).any():
        where = outside != 0
        found[where] = np.stack(conic.propagate(mu, *found[where].T, outside[where]), axis=1)
    return np.moveaxis(found, 2, 0)
