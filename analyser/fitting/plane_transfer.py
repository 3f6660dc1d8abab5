"""The least delta-v between two orbits where the inclination counts: for many pairs at once, and the transfer itself for one.

One or two impulses, the turn shared between them as is cheapest, both apse lines free: the search is :mod:`analyser.fitting.transfer_turn`, the transfer in
space :mod:`analyser.fitting.plane_flight`.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.minimise import lowest
from analyser.fitting.plane_flight import SpaceTransfer, in_space
from analyser.fitting.terminal import Terminal, finite_limit
from analyser.fitting.transfer import least_delta_v, least_transfer
from analyser.fitting.transfer_search import speeds_at, turning
from analyser.fitting.transfer_turn import Between, twice

__all__ = ["least_turned_transfer", "least_with_turn"]

#: Shares of the turn that the first impulse is tried with: closer together at the ends, where the cheapest often lies.
_SHARES = np.sin(np.linspace(0.0, np.pi / 2, 25)) ** 2


def least_with_turn(mu: float, energy_from, h_from, energy_to, h_to, angle, *, radius_min=0.0, radius_max=np.inf) -> np.ndarray:
    """Least delta-v, m/s, by one or two impulses, of a change of orbit with a turn of the plane by ``angle``; everything broadcasts.

    Parameters
    ----------
    mu : float
        Gravitational parameter, m^3/s^2.
    energy_from, h_from, energy_to, h_to : float or array
        Specific energies, m^2/s^2, and angular momenta, m^2/s; flown in opposite senses the planes are taken to differ by pi less the angle.
    angle : float or array
        Between the planes, rad, 0 to pi.
    radius_min, radius_max : float or array
        Impulses only between these radii, m; a transfer that passes an apsis between its impulses does so between them too.

    Returns
    -------
    ndarray
        nan where one of the orbits never is between the limits.
    """
    values = np.broadcast_arrays(*(np.asarray(x, float) for x in (energy_from, h_from, energy_to, h_to, angle, radius_min, radius_max)))
    shape, (e1, h1, e2, h2, angle, low, high) = values[0].shape, (np.ravel(x) for x in values)
    angle = _between(h1, h2, angle)
    best = np.full(angle.shape, np.nan)
    level, turned = np.flatnonzero(angle == 0), np.flatnonzero(angle > 0)
    if level.size:  # without a turn the coplanar search is the better one
        best[level] = least_delta_v(mu, e1[level], np.abs(h1[level]), e2[level], np.abs(h2[level]), radius_min=low[level], radius_max=high[level])
    if turned.size:
        best[turned] = np.min([cost for cost, _ in _turned(mu, *(x[turned] for x in (e1, h1, e2, h2, angle, low, high)))], axis=0)
    return np.where(np.isfinite(best), best, np.nan).reshape(shape)


def least_turned_transfer(mu: float, orbit_from, orbit_to, angle: float, *, radius_min: float = 0.0, radius_max: float = math.inf) -> SpaceTransfer:
    """The transfer behind :func:`least_with_turn` for one pair of orbits, each (energy, angular momentum): impulses and the coast between them.

    Parameters are those of :func:`least_with_turn`. Where there is no turn it is that of :func:`analyser.fitting.transfer.least_transfer`.
    """
    pair = [np.array([float(x)]) for x in (*orbit_from, *orbit_to)]
    e1, h1, e2, h2 = pair
    turn, low, high = _between(h1, h2, np.array([float(angle)])), np.array([float(radius_min)]), np.array([float(radius_max)])
    ends = [tuple(float(x[0]) for x in orbit) for orbit in ((e1, np.abs(h1)), (e2, np.abs(h2)))]
    if turn[0] == 0:
        flat = least_transfer(mu, *ends[0], *ends[1], radius_min=radius_min, radius_max=radius_max)
        ways = [(np.array([flat.delta_v]), _level(flat))]
    else:
        ways = _turned(mu, e1, h1, e2, h2, turn, low, high)
    cost, how = min(((float(cost[0]), how) for cost, how in ways), key=lambda way: way[0] if way[0] == way[0] else math.inf)
    if not math.isfinite(cost):
        return SpaceTransfer(math.nan, (), math.nan, math.nan, math.nan, 0.0)
    return in_space(mu, *ends, float(turn[0]), how, float(finite_limit(high, mu, (e1, h1), (e2, h2))[0]))


def _between(h1, h2, angle):
    return np.where(np.sign(h1) * np.sign(h2) < 0, np.pi - angle, angle)


def _level(found) -> Between:
    """A transfer in one plane, from :func:`analyser.fitting.transfer.least_transfer`."""
    if not found.impulses:
        return Between(*np.full((5, 1), np.nan), np.array([True]), np.zeros(1), np.ones(1))
    first, last = found.impulses[0], found.impulses[-1]
    if len(found.impulses) == 1:
        ends = first.radius, math.nan, abs(first.radial_after), math.nan, first.angular_momentum_after
    else:
        ends = first.radius, last.radius, abs(first.radial_after), abs(last.radial_before), found.angular_momentum
    return Between(*(np.array([float(x)]) for x in ends), np.array([True]), np.zeros(1), np.ones(1))


def _turned(mu, e1, h1, e2, h2, angle, low, high) -> list[tuple[np.ndarray, Between]]:
    """(least delta-v, how) of each form of transfer, arrays (n,); inf where there is none."""
    high = finite_limit(high, mu, (e1, h1), (e2, h2))
    first, second = Terminal(mu, e1, h1, low, high), Terminal(mu, e2, h2, low, high)
    found = [_once(mu, first, second, angle), _half_way_round(mu, first, second, angle, low, high)]
    cut = np.flatnonzero(first.cut | second.cut)
    if cut.size:
        cost, how = twice(mu, first.part(cut), second.part(cut), angle[cut], low[cut], high[cut])
        whole = np.full(angle.size, np.inf)
        whole[cut] = cost
        found.append((whole, how))
    reached = first.reached & second.reached
    return [(np.where(np.isfinite(cost) & reached, cost, np.inf), how) for cost, how in found]


def _once(mu, first, second, angle):
    """One impulse anywhere both orbits reach, in the line in which the planes cross."""
    low, high = np.maximum(first.low, second.low), np.minimum(first.high, second.high)
    share = low <= high * (1 + 1e-9)
    high = np.maximum(high, low)

    def speeds(place):  # even in the distance from either end, where the radial speed goes as its root
        r = low + (high - low) * np.sin(place) ** 2
        return r, *(speeds_at(mu, end.energy, end.h, r) for end in (first, second))

    def cost(place):
        _, (u1, w1), (u2, w2) = speeds(place)
        return np.hypot(u1 - u2, turning(w1, w2, angle))

    least, place = lowest(cost, np.linspace(0, np.pi / 2, 65))
    r, _, (u, w) = speeds(place)
    nothing = np.full(r.shape, np.nan)
    return np.where(share, least, np.inf), Between(r, nothing, u, nothing, w * r, np.full(r.shape, True), angle, np.cos(0 * angle))


def _half_way_round(mu, first, second, angle, low, high):
    """Two impulses half a revolution apart, on the line in which the planes cross, at the ends of the radii.

    All orbits between two such places have one transverse speed at each, and the same radial speed at both but for its sign.
    """
    r1, r2 = np.stack([first.low, first.low, first.high, first.high]), np.stack([second.low, second.high, second.low, second.high])
    (u1, w1), (u2, w2) = speeds_at(mu, first.energy, first.h, r1), speeds_at(mu, second.energy, second.h, r2)
    p = 2 * r1 * r2 / (r1 + r2)
    h = np.sqrt(mu * p)
    level = np.abs(r2 - r1) / (r1 + r2)
    # over the far apsis, which is not to lie beyond the limit, or by the near one
    with np.errstate(divide="ignore"):
        widest = np.maximum(1 - p / high, p / low - 1)
    fastest = np.sqrt(np.maximum(widest**2 - level**2, 0)) * mu / h

    def parts(share):
        d1, d2 = turning(w1, h / r1, share * angle), turning(h / r2, w2, (1 - share) * angle)
        return np.clip((u1 * d2 + u2 * d1) / np.maximum(d1 + d2, 1e-300), 0, fastest), d1, d2  # the straight line through both changes

    def cost(share):
        x, d1, d2 = parts(share)
        return np.hypot(x - u1, d1) + np.hypot(x - u2, d2)

    least, share = lowest(cost, _SHARES)
    best = np.argmin(least, axis=0), np.arange(angle.size)
    x, share = parts(share)[0][best], share[best]
    return least[best], Between(r1[best], r2[best], x, x, h[best], np.full(angle.shape, False), share * angle, np.cos((1 - share) * angle))
