"""The least delta-v between two orbits in one plane whose apse lines lie as they lie: the second's periapsis a given angle ahead of the first's.

One or two impulses anywhere between the limits of the radius, both orbits and the transfer flown in one sense. A grid over the places of the two
impulses and the radial speed after the first, then damped Newton steps from its best points (:func:`analyser.fitting.minimise.descend`).
No closed form is known but where the orbits share their apse line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.minimise import descend
from analyser.fitting.places import Places, conic_through
from analyser.fitting.terminal import Terminal
from analyser.fitting.transfer_search import apsides

_SPEEDS = np.array([-0.6, -0.25, -0.1, -0.03, 0.0, 0.03, 0.1, 0.25, 0.6])  # beside the orbit's own radial speed, in escape speeds
_PLACES = 30  # of the grid, round either orbit
_FAR = 1e4  # stands for an unlimited radius, in periapsides


@dataclass(frozen=True)
class ApseTransfer:
    """``delta_v``, m/s (nan: one of the orbits is never between the limits); of each impulse in order: ``burns``, m/s, ``radii``, m, and
    ``anomalies``: the direction from the centre, rad ahead of the first orbit's periapsis; of the coast between two: ``energy``, ``angular_momentum`` and
    its ``radial`` speeds at both ends, m/s (one impulse: the orbit after it)."""

    delta_v: float
    burns: tuple[float, ...]
    radii: tuple[float, ...]
    anomalies: tuple[float, ...]
    energy: float
    angular_momentum: float
    radial: tuple[float, ...] = ()


class _Problem:
    """Delta-v over z: places on the first orbit and on the second, radial speed after the first impulse beside the orbit's own in escape speeds, legs, which root."""

    def __init__(self, mu, first, second, turn, low, high):
        self.mu, self.first, self.second, self.turn, self.low, self.high = mu, first, second, turn, low, high

    def parts(self, z):
        """Both delta-v, both places, energy and angular momentum between and radial speeds at the ends; nan where no conic leads from one to the other inside the limits."""
        with np.errstate(all="ignore"):
            r1, at1, u1, w1 = self.first.at(z[0], z[3])
            r2, at2, u2, w2 = self.second.at(z[1], z[4])
            at2 = at2 + self.turn
            x = u1 + z[2] * np.sqrt(2 * self.mu / r1)
            found = conic_through(self.mu, r1, r2, (at2 - at1) % (2 * np.pi), x, z[5], self.low, self.high)
            first, second = np.hypot(x - u1, found.h / r1 - w1), np.hypot(found.radial - u2, found.h / r2 - w2)
            return np.where(found.flown, first, np.nan), second, (r1, at1), (r2, at2), found.energy, found.h, (x, found.radial)

    def cost(self, z):
        first, second = self.parts(z)[:2]
        total = first + second
        return np.where(np.isfinite(total), total, np.inf)


def least_with_apse_line(mu: float, orbit_from, orbit_to, turn: float, *, radius_min: float = 0.0, radius_max: float = math.inf) -> ApseTransfer:
    """Least delta-v, by one or two impulses, between two orbits in one plane whose periapsides lie an angle apart.

    Parameters
    ----------
    mu : float
        Gravitational parameter, m^3/s^2.
    orbit_from, orbit_to : (energy, angular momentum)
        m^2/s^2 and m^2/s, both flown in one sense (else ValueError).
    turn : float
        How far the second's periapsis is ahead of the first's in the sense of flight, rad: the change of the argument of periapsis. 0 keeps the apse line.
    radius_min, radius_max : float
        Impulses between these radii, m, and apsides that the transfer passes.

    Notes
    -----
    Never less than :func:`analyser.fitting.transfer.least_delta_v`, which leaves the apse line free. A numerical optimum from many starts, not a proof. Transfers against the sense
    of flight and more than one revolution are left out: time is free.
    """
    (e1, h1), (e2, h2) = (tuple(map(float, orbit)) for orbit in (orbit_from, orbit_to))
    if h1 * h2 <= 0:
        raise ValueError("the least delta-v with a fixed apse line is for two orbits flown in the same sense: angular momenta of one sign")
    h1, h2 = abs(h1), abs(h2)
    for energy, h in ((e1, h1), (e2, h2)):
        if not bool(Terminal(mu, *(np.array([x]) for x in (energy, h, radius_min, radius_max))).reached[0]):
            return ApseTransfer(math.nan, (), (), (), math.nan, math.nan)
    if math.isinf(radius_max):
        radius_max = _FAR * max(r for pair in ((e1, h1), (e2, h2)) for r in map(float, apsides(mu, *pair)) if math.isfinite(r))
    first, second = Places(mu, e1, h1, radius_min, radius_max), Places(mu, e2, h2, radius_min, radius_max)
    best = _crossing(mu, first, second, turn)
    problem = _Problem(mu, first, second, turn, radius_min, radius_max)
    z, value = _descended(problem)
    if value < best.delta_v or math.isnan(best.delta_v):
        one, two, here, there, energy, h, radial = problem.parts(z)
        ends = (one, here, radial[0]), (two, there, radial[1])
        keep = [(float(burn), float(r), float(at) % (2 * math.pi), float(speed)) for burn, (r, at), speed in ends if burn > 1e-9]
        burns, radii, anomalies, speeds = (tuple(column) for column in zip(*keep)) if keep else ((),) * 4
        best = ApseTransfer(float(value) if keep else 0.0, burns, radii, anomalies, *((float(energy), float(h)) if keep else (e1, h1)), speeds)
    return best


def _descended(problem):
    from scipy.optimize import minimize

    legs = ([1.0, -1.0] if orbit.lower and orbit.upper else [1.0] for orbit in (problem.first, problem.second))
    z = np.array(np.meshgrid(problem.first.grid(_PLACES), problem.second.grid(_PLACES), _SPEEDS, *legs, [1.0, -1.0], indexing="ij"))
    value = problem.cost(z)
    starts = []
    for axis, root in ((0, 0), (1, 0), (0, 1), (1, 1)):  # the best from each place of the one impulse, and to each of the other
        flat = np.moveaxis(value[..., root], axis, 0).reshape(_PLACES, -1)
        at = np.argmin(flat, axis=1)
        starts.append(np.moveaxis(z[..., root], axis + 1, 1).reshape(6, _PLACES, -1)[:, np.arange(_PLACES), at])
    z = np.concatenate(starts, axis=1)[:, :, None]
    for steps, kept in ((6, 16), (20, 1)):
        z, value = descend(problem.cost, z, (0, 1, 2), steps)
        at = np.argsort(value[:, 0])[:kept]
        z, value = z[:, at], value[at]
    best, rest = z[:3, 0, 0], z[3:, 0, 0]
    for size in (1e-2, 3e-2, 3e-3, 1e-3):  # narrow curved valleys, where steps from differences stall
        found = minimize(
            lambda part: float(problem.cost(np.concatenate([part, rest]))), best, method="Nelder-Mead",
            options={"initial_simplex": best + size * np.vstack([np.zeros(3), np.eye(3)]), "xatol": 1e-7, "fatol": 1e-8 * value[0, 0], "maxfev": 400},
        )  # fmt: skip
        if found.fun < value[0, 0]:
            best, value = found.x, np.array([[found.fun]])
    return np.concatenate([best, rest]), value[0, 0]


def _crossing(mu, first, second, turn) -> ApseTransfer:
    """One impulse where the orbits cross: A cos(at) + B sin(at) = C from the equations of both conics."""
    a = first.p * second.e * math.cos(turn) - second.p * first.e
    b, c = first.p * second.e * math.sin(turn), second.p - first.p
    best = ApseTransfer(math.nan, (), (), (), math.nan, math.nan)
    size = math.hypot(a, b)
    if size == 0 or abs(c) > size * (1 + 1e-12):
        return best
    for sign in (1, -1):
        at = math.atan2(b, a) + sign * math.acos(max(-1.0, min(1.0, c / size)))
        if 1 + first.e * math.cos(at) <= 0 or 1 + second.e * math.cos(at - turn) <= 0:
            continue
        r = first.p / (1 + first.e * math.cos(at))
        if not max(first.low, second.low) * (1 - 1e-9) <= r <= min(first.high, second.high) * (1 + 1e-9):
            continue
        after = mu / second.h * second.e * math.sin(at - turn)
        cost = math.hypot(after - mu / first.h * first.e * math.sin(at), (second.h - first.h) / r)
        if not cost >= best.delta_v:
            best = ApseTransfer(cost, (cost,), (r,), (at % (2 * math.pi),), second.energy, second.h, (after,))
    return best
