"""The least delta-v between two orbits about one body, in one plane, the apse line free to turn.

An orbit is its specific energy (m^2/s^2) and its angular momentum per mass (m^2/s, negative: flown the other way
round). Impulses happen where the orbit reaches and within ``radius_min`` .. ``radius_max``.

How the least is found, and why it is the least: :mod:`analyser.fitting.transfer_search`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.conic import from_apsides as orbit_of_apsides
from analyser.fitting.conic import shape
from analyser.fitting.transfer_search import apsides, search, speeds_at, tangential

__all__ = [
    "Impulse", "Transfer", "apsides", "flight_time", "impulse", "least_delta_v", "least_transfer", "orbit_of_apsides", "share_radius",
    "shared_radii", "single_impulse", "speeds_at", "tangential_delta_v", "time_from_periapsis",
]  # fmt: skip

_EDGE = 1e-9  # relative slack for "this apsis is at the limit of the radius"
_NOTHING = 1e-7  # of the delta-v of a transfer: an impulse below it is what rounding leaves (its square is in the last digits of the energy)


@dataclass(frozen=True)
class Impulse:
    """One impulse. ``radius`` in m; ``delta_v`` and its ``radial`` and ``transverse`` parts, speeds in m/s.

    ``radial_before`` and ``radial_after`` are given for the leg of the orbit on which the craft moves ``outward``.
    """

    radius: float
    delta_v: float
    radial: float
    transverse: float
    speed_before: float
    speed_after: float
    radial_before: float
    radial_after: float
    place: str  # "periapsis", "apoapsis", "anywhere" (a circle), "the new periapsis", "the new apoapsis", "on the way"
    energy_after: float
    angular_momentum_after: float

    @property
    def direction(self) -> str:
        """In words: prograde, retrograde, outward, inward, or a mix of two."""
        if self.delta_v == 0:
            return "none"
        words = []
        before = self.speed_before or math.inf
        change = self.speed_after - self.speed_before
        if abs(self.radial) < 0.17 * self.delta_v or before == math.inf:
            return "prograde" if change >= 0 and before != math.inf else ("along the ground" if before == math.inf else "retrograde")
        if abs(change) > 0.17 * self.delta_v:
            words.append("prograde" if change > 0 else "retrograde")
        words.append("outward" if self.radial > 0 else "inward")
        return " and ".join(words)


@dataclass(frozen=True)
class Transfer:
    """A transfer by impulses. ``delta_v`` in m/s (nan: one of the orbits is never between the limits); ``energy`` and ``angular_momentum``
    of the orbit between the impulses (of the first coast, where there are three); ``duration`` from first to last impulse, s."""

    delta_v: float
    impulses: tuple[Impulse, ...]
    energy: float
    angular_momentum: float
    duration: float


def share_radius(mu, energy_from, h_from, energy_to, h_to, *, radius_min=0.0, radius_max=math.inf):
    """Whether two orbits have a radius in common between the limits (then one impulse can join them)."""
    low, high = shared_radii(mu, energy_from, h_from, energy_to, h_to, radius_min=radius_min, radius_max=radius_max)
    return low <= high * (1 + _EDGE)


def shared_radii(mu, energy_from, h_from, energy_to, h_to, *, radius_min=0.0, radius_max=math.inf):
    """Lowest and highest radius, m, that both orbits reach between the limits (lowest > highest: none)."""
    p1, a1 = apsides(mu, energy_from, h_from)
    p2, a2 = apsides(mu, energy_to, h_to)
    return np.maximum(np.maximum(p1, p2), radius_min), np.minimum(np.minimum(a1, a2), radius_max)


def single_impulse(mu, orbit_from, orbit_to, radius):
    """Delta-v, m/s, of the one impulse that joins two orbits at a radius, on whichever leg (inward, outward) is better.

    ``orbit_from`` and ``orbit_to`` are (energy, angular momentum); everything broadcasts. nan where one of them does not reach the radius.
    """
    radius = np.asarray(radius, float)
    reached = True
    parts = []
    for energy, h in (orbit_from, orbit_to):
        low, high = apsides(mu, energy, h)
        reached = reached & (radius >= low * (1 - _EDGE)) & (radius <= high * (1 + _EDGE))
        parts.append(speeds_at(mu, energy, h, radius))
    (u1, w1), (u2, w2) = parts
    return np.where(reached, np.hypot(u2 - u1, w2 - w1), np.nan)


def least_delta_v(mu, energy_from, h_from, energy_to, h_to, *, radius_min=0.0, radius_max=math.inf):
    """Least delta-v, m/s, by one or two impulses, into any orbit of the wanted energy and angular momentum.

    Parameters
    ----------
    mu : float
        Gravitational parameter, m^3/s^2.
    energy_from, h_from, energy_to, h_to : float or array
        Specific energies, m^2/s^2, and angular momenta, m^2/s; they broadcast. A sign change of h turns the flight round.
    radius_min, radius_max : float or array
        Impulses only between these radii, m: the ground (or the top of the air) and the sphere of influence.

    Returns
    -------
    ndarray
        nan where one of the orbits never is between the limits.

    Notes
    -----
    Never more than :func:`single_impulse` at any shared radius. Time is free, the craft may wait for either leg of the orbit. The state at
    rest on the ground is the orbit with its apoapsis there.
    """
    return search(mu, energy_from, h_from, energy_to, h_to, radius_min, radius_max)[0]


def tangential_delta_v(mu, energy_from, h_from, energy_to, h_to, *, radius_min=0.0, radius_max=math.inf):
    """Least delta-v, m/s, of the apsis-to-apsis transfers alone: quicker than :func:`least_delta_v`, and the same wherever no limit of
    the radius shapes the transfer; never less. nan where none of the apsides of an orbit is between the limits."""
    return tangential(mu, energy_from, h_from, energy_to, h_to, radius_min, radius_max)


def least_transfer(mu, energy_from, h_from, energy_to, h_to, *, radius_min=0.0, radius_max=math.inf) -> Transfer:
    """The transfer behind :func:`least_delta_v`, for one pair of orbits, with its burns."""
    cost, r1, r2, energy, h = (
        float(found[0]) for found in search(mu, *(np.atleast_1d(x) for x in (energy_from, h_from, energy_to, h_to)), radius_min, radius_max)
    )
    if math.isnan(cost):
        return Transfer(math.nan, (), math.nan, math.nan, math.nan)
    chain = [(energy_from, h_from), (energy, h), (energy_to, h_to)]
    impulses = [impulse(mu, a, b, r) for a, b, r in zip(chain, chain[1:], (r1, r2))]
    kept = [i for i in impulses if i.delta_v > max(_NOTHING * cost, 1e-9)]
    duration = 0.0 if len(kept) < 2 or r1 == r2 else float(flight_time(mu, energy, h, r1, r2))
    return Transfer(cost, tuple(kept), energy, h, duration)


def impulse(mu: float, orbit_from, orbit_to, radius: float) -> Impulse:
    """The impulse that joins two orbits, each (energy, angular momentum), at a radius, m."""
    (u1, w1), (u2, w2) = (tuple(map(float, speeds_at(mu, *orbit, radius))) for orbit in (orbit_from, orbit_to))
    low, high = map(float, apsides(mu, *orbit_from))
    if high <= low * (1 + 1e-6):
        place = "anywhere"
    elif abs(radius / low - 1) < 1e-6:
        place = "periapsis"
    elif abs(radius / high - 1) < 1e-6:
        place = "apoapsis"
    else:
        low, high = map(float, apsides(mu, *orbit_to))
        place = "on the way"
        if abs(radius / low - 1) < 1e-6:
            place = "the new periapsis"
        elif abs(radius / high - 1) < 1e-6:
            place = "the new apoapsis"
    return Impulse(
        radius, math.hypot(u2 - u1, w2 - w1), u2 - u1, w2 - w1, math.hypot(u1, w1), math.hypot(u2, w2), u1, u2, place,
        float(orbit_to[0]), float(orbit_to[1]),
    )  # fmt: skip


def flight_time(mu, energy, angular_momentum, radius_from, radius_to):
    """Seconds from one radius to another on one leg (outward or inward) of an orbit; radii are clipped to those it reaches."""
    return np.abs(
        time_from_periapsis(mu, energy, angular_momentum, radius_to) - time_from_periapsis(mu, energy, angular_momentum, radius_from)
    )


def time_from_periapsis(mu, energy, angular_momentum, radius):
    """Seconds from periapsis out to a radius, m; 0 below the periapsis, half the period above the apoapsis."""
    low, high = apsides(mu, energy, angular_momentum)
    radius = np.clip(np.asarray(radius, float), low, high)
    return np.abs(shape(mu, radius, *speeds_at(mu, energy, angular_momentum, radius)).time_since_periapsis)
