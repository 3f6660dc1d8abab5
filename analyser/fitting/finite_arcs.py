"""A burn flown along the motion, for many slightly different burns at once: what the joint estimate differentiates.

The burn is told by its ignition and cutoff, the delta-v spent, the angle of the thrust from the velocity and that angle's rate. Thrust and flow
are constant in between: the acceleration grows as the mass falls.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting import conic

_FEWEST, _MOST = 4, 24  # steps of fourth order: a few parts in 1e9 at the most that a burn may sweep, and no more than a short one needs


def fly_burn(mu: float, start, ignition, cutoff, spent, angle, rate, exhaust: float, mets=(), yaw=None, yaw_rate=None, aim=(0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
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
    yaw, yaw_rate : arrays, shape (C,), optional
        Where the thrust may leave the plane of motion, which then turns with it: how far it points from ``aim`` out of the plane (tangent of the angle, at mid-burn; to the
        left of the motion is positive) and its rate, 1/s; ``angle`` and ``rate`` are then those from ``aim`` within it. So no direction is a pole.
    aim : (float, float)
        Angle from the velocity in the plane and elevation out of it about which ``angle`` and ``yaw`` count, rad.

    Returns
    -------
    end : array, shape (3, C), or (6, C) with ``yaw``
        State at cutoff; then the normal of the plane at cutoff along up, forward and normal at ignition.
    along : array, shape (3, m, C)
    """
    length = cutoff - ignition
    part = -np.expm1(-spent / exhaust) if np.isfinite(exhaust) else None
    steps = _steps(start, length, spent)
    step = 1.0 / steps
    (cos_in, cos_out), (sin_in, sin_out) = np.cos(aim), np.sin(aim)

    def rates(s, y):
        r, vr, vt = y[:3]
        push = spent if part is None else exhaust * part / (1.0 - part * s)
        turn = angle + rate * (s - 0.5) * length
        speed = np.maximum(np.sqrt(vr * vr + vt * vt), 1e-9)
        aside = []
        if yaw is None:
            along, across = push * np.cos(turn) / speed, push * np.sin(turn) / speed
        else:
            up = yaw + yaw_rate * (s - 0.5) * length
            size = push / np.sqrt(1.0 + turn * turn + up * up)
            level = cos_out - up * sin_out
            along, across = size * (level * cos_in - turn * sin_in) / speed, size * (level * sin_in + turn * cos_in) / speed
            about_up, about_normal = size * (sin_out + up * cos_out) / np.maximum(vt, 1e-9), length * vt / r
            # the axes of the motion, up, forward and normal, turn about the first and the last of themselves
            aside = [*(about_normal * y[6:9]), *(about_up * y[9:12] - about_normal * y[3:6]), *(-about_up * y[6:9])]
        return np.array([
            length * vr,
            length * (vt * vt / r - mu / (r * r)) + along * vr + across * vt,
            -length * vr * vt / r + along * vt - across * vr,
            *aside,
        ])  # fmt: skip

    y = np.asarray(start, float)
    if yaw is not None:
        y = np.concatenate([y, np.repeat(np.eye(3).reshape(9, 1), y.shape[1], axis=1)])
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
    y = y if yaw is None else np.concatenate([y[:3], y[9:]])
    if not len(mets):
        return y, np.empty((3, 0, y.shape[1]))
    return y, _read_path(mu, np.array(path)[:, :3], np.array(slopes)[:, :3], mets, ignition, cutoff)


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
    knot = np.minimum((np.nan_to_num(inside) * steps).astype(int), steps - 1)  # nan: a burn that is no burn; it stays nan
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
