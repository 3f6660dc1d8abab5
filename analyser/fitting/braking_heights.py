"""How late full thrust could still have stopped the craft, for many moments of a descent at once.

The same braking as :mod:`analyser.fitting.braking` (full thrust straight against the motion over the ground, a point mass over a smooth airless
sphere), with arrays instead of single numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting import conic

_SHARE = 1 / 8  # of the time left to a stop: one step
_REST = 0.01  # of the speed at the start: below it the rest is reckoned as a straight line
_STEPS = 90
_WAITS = 24


@dataclass(frozen=True)
class BrakingHeights:
    """For each moment (n,): ``spare`` m is how high over the ground full thrust from there on stops the craft (negative: below it), ``wait`` s how much longer it could
    have coasted first, ``height`` m over the ground where it would have been then. nan: the coast from there stays above the ground, or the thrust never stops it."""

    spare: np.ndarray
    wait: np.ndarray
    height: np.ndarray


def stop_radii(mu: float, state: np.ndarray, thrust, exhaust_speed: float, mass, surface_rate: float = 0.0) -> np.ndarray:
    """Radii at which thrust straight against the motion over the ground has stopped the craft.

    Parameters
    ----------
    mu : float
        m^3/s^2.
    state : array (3, ...)
        Radius m, radial and transverse speed m/s (inertial) where the thrust begins.
    thrust, mass : float or array (...)
        N, and kg there.
    exhaust_speed : float
        m/s.
    surface_rate : float
        Angular speed of the ground in the plane of the motion, rad/s.

    Returns
    -------
    array (...)
        m; -inf where the thrust does not stop it. The path is followed below the ground, so that the radius is a smooth function of the state.

    Notes
    -----
    Runge-Kutta of fourth order, steps in proportion to the time left to a stop. Against adaptive integration: 0.02 % of the height lost.
    """
    y = np.array(state, float)
    thrust, mass = np.broadcast_to(thrust, y.shape[1:]).astype(float), np.broadcast_to(mass, y.shape[1:]).astype(float)
    flow, first = thrust / exhaust_speed, y[0].copy()
    burnt = np.zeros(y.shape[1:])
    begin = np.hypot(y[1], y[2] - surface_rate * y[0])
    found = np.where(begin > 0, -np.inf, first)
    going = begin > 0

    def rates(y, m):
        r, vr, vt = y
        across = vt - surface_rate * r
        push = thrust / m / np.maximum(np.hypot(vr, across), 1e-9)
        return np.stack([vr, vt * vt / r - mu / (r * r) - push * vr, -vr * vt / r - push * across])

    for _ in range(_STEPS):
        r, vr, vt = y
        speed = np.hypot(vr, vt - surface_rate * r)
        left = mass - burnt
        force = thrust / left
        net = force + (mu / (r * r) - vt * vt / r) * vr / np.maximum(speed, 1e-9)
        resting = going & (speed <= _REST * begin)
        found = np.where(resting & (net > 0), r + vr * speed / np.where(net > 0, net, 1.0) / 2, found)
        step = speed / np.maximum(net, 0.3 * force) * _SHARE
        going = going & ~resting & (left - flow * step > 0.02 * mass) & (r + vr * step > 0.3 * first)
        if not going.any():
            break
        step = np.where(going, step, 0.0)
        half = left - flow * step / 2
        a = rates(y, left)
        b = rates(y + a * step / 2, half)
        c = rates(y + b * step / 2, half)
        d = rates(y + c * step, left - flow * step)
        y = y + step / 6 * (a + 2 * b + 2 * c + d)
        burnt = burnt + flow * step
    return found


def braking_heights(mu: float, ground: float, state: np.ndarray, thrust: float, exhaust_speed: float, mass, surface_rate: float = 0.0) -> BrakingHeights:
    """How late full thrust could have begun at each moment.

    Parameters
    ----------
    mu, ground : float
        m^3/s^2, and the radius of the ground, m.
    state : array (3, n)
        Radius m, radial and transverse speed m/s (inertial) at each moment.
    thrust, exhaust_speed : float
        Full thrust N, m/s.
    mass : array (n,)
        kg at each moment.
    surface_rate : float
        rad/s.
    """
    state, mass = np.array(state, float), np.asarray(mass, float)
    spare = stop_radii(mu, state, thrust, exhaust_speed, mass, surface_rate) - ground
    fall = np.asarray(conic.time_to_radius(mu, *state, ground, outbound=False), float)
    fall = np.where(np.isfinite(fall) & (fall >= 0) & (state[0] > ground), fall, np.nan)
    wait, height = np.full(len(fall), np.nan), np.full(len(fall), np.nan)
    late = np.isfinite(fall) & (spare < 0)
    wait[late], height[late] = 0.0, np.nan
    use = np.flatnonzero(np.isfinite(fall) & (spare >= 0))
    if not len(use):
        return BrakingHeights(spare, wait, height)
    low, high = np.zeros(len(use)), fall[use]
    for _ in range(2):  # a grid of waits, and one within the cell found
        grid = low[:, None] + np.linspace(0.0, 1.0, _WAITS) * (high - low)[:, None]
        coast = np.stack(conic.propagate(mu, *(state[part, use][:, None] for part in range(3)), grid))
        clear = stop_radii(mu, coast, thrust, exhaust_speed, mass[use][:, None], surface_rate) - ground
        last = _WAITS - 1 - np.argmax((clear >= 0)[:, ::-1], axis=1)
        each = np.arange(len(use))
        following = np.minimum(last + 1, _WAITS - 1)
        low, high = grid[each, last], grid[each, following]
        margin_low, margin_high = clear[each, last], clear[each, following]
    part = np.where(np.isfinite(margin_high) & (margin_high < 0), margin_low / np.where(margin_low - margin_high > 0, margin_low - margin_high, 1.0), 0.0)
    wait[use] = low + part * (high - low)
    height[use] = conic.propagate(mu, *state[:, use], wait[use])[0] - ground
    return BrakingHeights(spare, wait, height)


def constant_rate_delta_v(mu: float, radius: float, altitude: float, rate: float) -> float:
    """Delta-v, m/s, of going straight down from ``altitude`` (m) at a constant ``rate`` (m/s, positive down) and stopping at the ground.

    The thrust carries the weight for the whole way, g dt, and takes the rate away at the end. Compare sqrt(2 g altitude), the fall with an impulse at the ground:
    the slower, the dearer.
    """
    hover = mu / rate * (1 / radius - 1 / (radius + altitude))
    return hover + rate
