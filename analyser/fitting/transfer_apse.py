"""The least delta-v between two orbits in one plane whose apse lines lie as they lie: the second's periapsis a given angle ahead of the first's.

One or two impulses anywhere between the limits of the radius, both orbits and the transfer flown in one sense. A grid over the places of the two
impulses and the radial speed after the first, then damped Newton steps from its best points (:func:`analyser.fitting.minimise.descend`).
No closed form is known but where the orbits share their apse line. Transfer through two places with a given radial speed at the first: a quadratic in the root of the
semi-latus rectum, from the equation of the conic at both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.transfer_search import apsides, speeds_at
from analyser.fitting.minimise import descend
from analyser.fitting.terminal import Terminal

_SPEEDS = np.array([-0.6, -0.25, -0.1, -0.03, 0.0, 0.03, 0.1, 0.25, 0.6])  # beside the orbit's own radial speed, in escape speeds
_PLACES = 30  # of the grid, round either orbit
_FAR = 1e4  # stands for an unlimited radius, in periapsides


@dataclass(frozen=True)
class ApseTransfer:
    """``delta_v``, m/s (nan: one of the orbits is never between the limits); of each impulse in order: ``burns``, m/s, ``radii``, m, and
    ``anomalies``: the direction from the centre, rad ahead of the first orbit's periapsis; ``energy`` and ``angular_momentum`` between them."""

    delta_v: float
    burns: tuple[float, ...]
    radii: tuple[float, ...]
    anomalies: tuple[float, ...]
    energy: float
    angular_momentum: float


class _Orbit:
    """An orbit as places on it: ``t`` is half the eccentric anomaly where it runs through no limit of the radius; a limit sends t back the way it came."""

    def __init__(self, mu, energy, h, turn, low, high):
        self.mu, self.energy, self.h, self.turn = mu, energy, h, turn
        periapsis, apoapsis = (float(r) for r in apsides(mu, energy, h))
        self.p = h**2 / mu
        self.e = math.sqrt(max(1 + 2 * energy * self.p / mu, 0.0)) if apoapsis > periapsis else 0.0
        self.low, self.high = max(periapsis, low), min(apoapsis, high)
        self.cut = bool(periapsis < low * (1 - 1e-9)), bool(apoapsis > high * (1 + 1e-9))

    def at(self, t, leg):
        """Radius, direction, radial and transverse speed; ``leg`` (1 or -1) counts only where both limits cut the orbit."""
        lower, upper = self.cut
        r = self.low + (self.high - self.low) * np.sin(t) ** 2
        if lower and upper:
            outward = leg
        elif lower:  # out, over the apoapsis and back in: 0 .. pi
            outward = np.where(np.arccos(np.clip(np.cos(t), -1, 1)) < np.pi / 2, 1.0, -1.0)
        elif upper:  # in, by the periapsis and out: -pi/2 .. pi/2
            outward = np.where(np.sin(t) >= 0, 1.0, -1.0)
        else:
            true = 2 * np.arctan2(math.sqrt(1 + self.e) * np.sin(t), math.sqrt(max(1 - self.e, 0.0)) * np.cos(t))
            return r, true + self.turn, self.mu / self.h * self.e * np.sin(true), self.h / r
        true = outward * np.arccos(np.clip((self.p / r - 1) / self.e, -1, 1))
        return r, true + self.turn, outward * speeds_at(self.mu, self.energy, self.h, r)[0], self.h / r


class _Problem:
    """Delta-v over z: places on the first orbit and on the second, radial speed after the first impulse beside the orbit's own in escape speeds, legs, which root."""

    def __init__(self, mu, first, second, low, high):
        self.mu, self.first, self.second, self.low, self.high = mu, first, second, low, high

    def parts(self, z):
        """Both delta-v, both places, energy and angular momentum between; nan where no conic leads from one to the other inside the limits."""
        mu = self.mu
        with np.errstate(all="ignore"):
            r1, at1, u1, w1 = self.first.at(z[0], z[3])
            r2, at2, u2, w2 = self.second.at(z[1], z[4])
            way = (at2 - at1) % (2 * np.pi)
            x = u1 + z[2] * np.sqrt(2 * mu / r1)
            cos, sin = np.cos(way), np.sin(way)
            a, b, c = 1 / r2 - cos / r1, x * sin / math.sqrt(mu), 1 - cos
            below = b + z[5] * np.sqrt(b**2 + 4 * a * c)
            root = np.where(below > 0, 2 * c / below, np.nan)  # of the semi-latus rectum
            p = root**2
            c1, s1 = p / r1 - 1, x * root / math.sqrt(mu)
            e = np.hypot(c1, s1)
            f1 = np.arctan2(s1, c1)
            f2 = f1 + way
            by_periapsis, by_apoapsis = ((f1 < 0) & (f2 > 0)) | (f2 > 2 * np.pi), (f2 > np.pi)
            # a place at an apsis is not beyond it
            flown = (~by_periapsis | (p >= self.low * (1 + e) * (1 - 1e-9))) & (~by_apoapsis | ((e < 1) & (p <= self.high * (1 - e) * (1 + 1e-9))))
            h = math.sqrt(mu) * root
            v = np.sqrt(mu) / root * (s1 * cos + c1 * sin)
            first, second = np.hypot(x - u1, h / r1 - w1), np.hypot(v - u2, h / r2 - w2)
            return np.where(flown, first, np.nan), second, (r1, at1), (r2, at2), x**2 / 2 + (h / r1) ** 2 / 2 - mu / r1, h

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
    first, second = _Orbit(mu, e1, h1, 0.0, radius_min, radius_max), _Orbit(mu, e2, h2, turn, radius_min, radius_max)
    best = _crossing(mu, first, second)
    z, value = _descended(_Problem(mu, first, second, radius_min, radius_max))
    if value < best.delta_v or math.isnan(best.delta_v):
        one, two, here, there, energy, h = _Problem(mu, first, second, radius_min, radius_max).parts(z)
        keep = [(float(burn), float(r), float(at) % (2 * math.pi)) for burn, (r, at) in ((one, here), (two, there)) if burn > 1e-9]
        best = ApseTransfer(float(value), *(tuple(column) for column in zip(*keep)), float(energy), float(h)) if keep else ApseTransfer(0.0, (), (), (), e1, h1)
    return best


def _descended(problem):
    from scipy.optimize import minimize

    places = np.linspace(0, np.pi, _PLACES, endpoint=False) - np.pi / 2 + 1e-3
    z = np.array(np.meshgrid(places, places, _SPEEDS, [1.0, -1.0] if all(problem.first.cut) else [1.0], [1.0, -1.0] if all(problem.second.cut) else [1.0], [1.0, -1.0], indexing="ij"))
    if problem.first.cut == (True, False):
        z[0] += np.pi / 2
    if problem.second.cut == (True, False):
        z[1] += np.pi / 2
    for k, orbit in enumerate((problem.first, problem.second)):
        if orbit.cut == (False, True):  # closer together about the periapsis, where the direction changes fast
            z[k] *= 0.25 + 0.75 * (2 * z[k] / np.pi) ** 2
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


def _crossing(mu, first, second) -> ApseTransfer:
    """One impulse where the orbits cross: A cos(at) + B sin(at) = C from the equations of both conics."""
    a = first.p * second.e * math.cos(second.turn) - second.p * first.e
    b, c = first.p * second.e * math.sin(second.turn), second.p - first.p
    best = ApseTransfer(math.nan, (), (), (), math.nan, math.nan)
    size = math.hypot(a, b)
    if size == 0 or abs(c) > size * (1 + 1e-12):
        return best
    for sign in (1, -1):
        at = math.atan2(b, a) + sign * math.acos(max(-1.0, min(1.0, c / size)))
        if 1 + first.e * math.cos(at) <= 0 or 1 + second.e * math.cos(at - second.turn) <= 0:
            continue
        r = first.p / (1 + first.e * math.cos(at))
        if not max(first.low, second.low) * (1 - 1e-9) <= r <= min(first.high, second.high) * (1 + 1e-9):
            continue
        radial = mu / second.h * second.e * math.sin(at - second.turn) - mu / first.h * first.e * math.sin(at)
        cost = math.hypot(radial, (second.h - first.h) / r)
        if not cost >= best.delta_v:
            best = ApseTransfer(cost, (cost,), (r,), (at % (2 * math.pi),), second.energy, second.h)
    return best
