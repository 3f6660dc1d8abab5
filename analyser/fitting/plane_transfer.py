"""The least delta-v between two orbits where the inclination counts, for many pairs at once.

One or two impulses, the turn shared between them as is cheapest, both apse lines free: the search is :mod:`analyser.fitting.transfer_turn`.
Never less than the same change without a turn.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting.transfer import least_delta_v
from analyser.fitting.transfer_search import speeds_at
from analyser.fitting.transfer_turn import Terminal, finite_limit, lowest, once, turning, twice

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
    angle = np.where(np.sign(h1) * np.sign(h2) < 0, np.pi - angle, angle)
    flat = least_delta_v(mu, e1, np.abs(h1), e2, np.abs(h2), radius_min=low, radius_max=high)
    # without a turn the coplanar search is the better one
    turned = np.flatnonzero((angle > 0) & np.isfinite(flat))
    best = np.where(np.isnan(angle), np.nan, flat)
    if turned.size:
        some = [x[turned] for x in (e1, h1, e2, h2, angle, low, high)]
        best[turned] = np.fmax(_turned(mu, *some), flat[turned])
    return best.reshape(shape)


def _turned(mu, e1, h1, e2, h2, angle, low, high):
    high = finite_limit(high, mu, (e1, h1), (e2, h2))
    first, second = Terminal(mu, e1, h1, low, high), Terminal(mu, e2, h2, low, high)
    best = once(mu, first, second, angle)
    r1, r2 = np.stack([first.low, first.low, first.high, first.high]), np.stack([second.low, second.high, second.low, second.high])
    best = np.fmin(best, _half_way_round(mu, first, second, r1, r2, angle, low, high).min(axis=0))
    cut = np.flatnonzero(first.cut | second.cut)
    if cut.size:
        best[cut] = np.fmin(best[cut], twice(mu, first.part(cut), second.part(cut), angle[cut], low[cut], high[cut]))
    return np.where(np.isfinite(best) & first.reached & second.reached, best, np.nan)


def _half_way_round(mu, first, second, r1, r2, angle, low, high) -> np.ndarray:
    """Two impulses half a revolution apart, on the line in which the planes cross, at given radii, m.

    All orbits between two such places have one transverse speed at each, and the same radial speed at both but for its sign.
    """
    (u1, w1), (u2, w2) = speeds_at(mu, first.energy, first.h, r1), speeds_at(mu, second.energy, second.h, r2)
    p = 2 * r1 * r2 / (r1 + r2)
    h = np.sqrt(mu * p)
    level = np.abs(r2 - r1) / (r1 + r2)
    # over the far apsis, which is not to lie beyond the limit, or by the near one
    with np.errstate(divide="ignore"):
        widest = np.maximum(1 - p / high, p / low - 1)
    fastest = np.sqrt(np.maximum(widest**2 - level**2, 0)) * mu / h

    def cost(share):
        d1, d2 = turning(w1, h / r1, share * angle), turning(h / r2, w2, (1 - share) * angle)
        x = np.clip((u1 * d2 + u2 * d1) / np.maximum(d1 + d2, 1e-300), 0, fastest)  # the straight line through both changes
        return np.hypot(x - u1, d1) + np.hypot(x - u2, d2)

    return lowest(cost, _SHARES)
