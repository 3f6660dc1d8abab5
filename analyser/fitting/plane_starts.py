"""Where to begin the fit of an orbit's plane: orientations that most readings of latitude, longitude and heading agree with.

Two places and the angle between them along the orbit give the whole orientation; so does one place with the heading of the motion; without longitudes the
inclination and the angle from the node are tried one beside the other.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting.observations import Observations
from analyser.fitting.plane_sights import HEADING, LATITUDE, LONGITUDE, SHAPES, exponential, sky, wrapped

_PAIRS = 60
_CAP = 25.0  # squared sigmas that one reading can cost
_SLACK = np.radians(0.02)  # how far a start need not be right
_FEW_DEGREES = np.radians(0.5)


def orientations(seen: Observations, angle: np.ndarray, speed: np.ndarray, turn: float, count: int = 3) -> list[np.ndarray]:
    """The best few starting rotations (3, 3), best first; empty where there is nothing to begin with.

    Parameters
    ----------
    seen : Observations with the channels of :mod:`analyser.fitting.plane_sights`.
    angle, speed : arrays (n,)
        Angle along the orbit after the epoch at each row, rad, and its rate.
    turn : float
        Rotation rate of the body, rad/s.
    """
    present = seen.present
    placed = present[:, LATITUDE] & present[:, LONGITUDE]
    tried = [*_from_pairs(seen, angle, turn, placed), *_from_headings(seen, angle, turn, placed & present[:, HEADING])]
    if not present[:, LONGITUDE].any():
        tried += _from_latitudes(seen, angle)
        if present[:, HEADING].any():
            tried += _grid()
    if not tried:
        return []
    tried = np.array(tried)
    price = _prices(seen, angle, speed, turn, tried)
    found: list[int] = []
    for k in np.argsort(price):
        apart = [np.trace(tried[k].T @ tried[other]) for other in found]
        if all(trace < 1 + 2 * np.cos(_FEW_DEGREES) for trace in apart):
            found.append(int(k))
        if len(found) == count:
            break
    return [tried[k] for k in found]


def _direction(latitude, longitude):
    return np.stack([np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)], -1)


def _cross(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Vector products, without the checks that make numpy's slow on few vectors."""
    (a, b, c), (x, y, z) = np.moveaxis(one, -1, 0), np.moveaxis(other, -1, 0)
    return np.stack([b * z - c * y, c * x - a * z, a * y - b * x], -1)


def _axes(up: np.ndarray, ahead: np.ndarray, angle) -> np.ndarray:
    """The rotations (..., 3, 3) that put a craft at ``up`` moving ``ahead`` (unit vectors) at an angle after the epoch."""
    cos, sin = np.cos(angle)[..., None], np.sin(angle)[..., None]
    radial, forward = cos * up - sin * ahead, sin * up + cos * ahead
    return np.stack([radial, forward, _cross(up, ahead)], axis=-1)


def _from_pairs(seen: Observations, angle, turn: float, placed) -> list[np.ndarray]:
    rows = np.flatnonzero(placed)
    if len(rows) < 2:
        return []
    ones, others = np.triu_indices(len(rows), 1)
    if len(ones) > _PAIRS:
        pick = np.unique(np.linspace(0, len(ones) - 1, _PAIRS).astype(int))
        # a stride through the triangle meets every row, in company of near and far ones
        order = np.random.default_rng(len(rows)).permutation(len(ones))[: len(pick)]
        ones, others = ones[order], others[order]
    up = _direction(seen.values[rows, LATITUDE], seen.values[rows, LONGITUDE] + turn * seen.met[rows])
    between = np.sin(angle[rows[others]] - angle[rows[ones]])
    normal = _cross(up[ones], up[others]) * np.sign(between)[:, None]
    size = np.linalg.norm(normal, axis=1)
    good = (size > 1e-7) & (np.abs(between) > 1e-7)
    up, normal = up[ones][good], normal[good] / size[good, None]
    return list(_axes(up, _cross(normal, up), angle[rows[ones]][good]))


def _from_headings(seen: Observations, angle, turn: float, told) -> list[np.ndarray]:
    found = []
    for row in np.flatnonzero(told)[:20]:
        latitude, longitude, heading = seen.values[row, SHAPES:]
        up = _direction(latitude, longitude + turn * seen.met[row])
        east = np.array([-np.sin(longitude + turn * seen.met[row]), np.cos(longitude + turn * seen.met[row]), 0.0])
        found.append(_axes(up, np.sin(heading) * east + np.cos(heading) * np.cross(up, east), angle[row]))
    return found


def _from_latitudes(seen: Observations, angle) -> list[np.ndarray]:
    """Orientations with the node on the first axis, from pairs of latitudes: the sine of one is ``sin i sin u``, u counted from the node."""
    rows = np.flatnonzero(seen.present[:, LATITUDE])
    if len(rows) < 2:
        return []
    ones, others = np.triu_indices(len(rows), 1)
    if len(ones) > _PAIRS:
        pick = np.random.default_rng(len(rows)).permutation(len(ones))[:_PAIRS]
        ones, others = ones[pick], others[pick]
    sine, one, other = np.sin(seen.values[:, LATITUDE]), rows[ones], rows[others]
    across = np.sin(angle[other] - angle[one])
    good = np.abs(across) > 1e-6
    one, other, across = one[good], other[good], across[good]
    # sin latitude = a sin(angle) + b cos(angle)
    a = (sine[other] * np.cos(angle[one]) - sine[one] * np.cos(angle[other])) / across
    b = (sine[one] * np.sin(angle[other]) - sine[other] * np.sin(angle[one])) / across
    return _with_node(np.arcsin(np.minimum(np.hypot(a, b), 1.0)), np.arctan2(b, a), seen.rotation_sense)


def _with_node(inclination: np.ndarray, along: np.ndarray, sense: float) -> list[np.ndarray]:
    inclination = inclination if sense >= 0 else np.pi - inclination
    zero = np.zeros_like(inclination)
    return list(exponential(np.stack([inclination, zero, zero], -1)) @ exponential(np.stack([zero, zero, along], -1)))


def _grid() -> list[np.ndarray]:
    """Orientations of all inclinations with the node on the first axis."""
    inclination, along = np.meshgrid(np.radians(np.arange(2.0, 180.0, 4.0)), np.arange(0, 2 * np.pi, np.radians(8.0)))
    return _with_node(inclination.ravel(), along.ravel(), 1.0)


def _prices(seen: Observations, angle, speed, turn: float, rotations: np.ndarray) -> np.ndarray:
    """How badly each of (k, 3, 3) rotations suits the readings, gross misses capped."""
    view = sky(rotations[:, None], angle)
    total = np.zeros(len(rotations))
    clock = np.where(np.isinf(seen.met_sigma), 0.0, seen.met_sigma)
    level = np.maximum(np.cos(view.latitude), 1e-3)
    for channel, shown in ((LATITUDE, view.latitude), (LONGITUDE, view.longitude - turn * seen.met), (HEADING, view.heading)):
        rows = seen.present[:, channel]
        if not rows.any():
            continue
        miss = wrapped(seen.values[rows, channel] - shown[:, rows])
        slack = _SLACK / level[:, rows] if channel != LATITUDE else _SLACK
        rate = view.rates[:, rows, channel - SHAPES] * speed[rows]
        sigma2 = seen.sigmas[rows, channel] ** 2 + (rate * clock[rows]) ** 2 + slack**2
        total += np.minimum(miss**2 / sigma2, _CAP).sum(axis=1)
    return total
