"""The least delta-v between two orbits that lie in two planes as they lie: plane and apse line count.

One or two impulses anywhere between the limits of the radius: :mod:`analyser.fitting.space_ways` says in which coordinates. Grids in both, damped Newton steps from
their best points, then a simplex in narrow valleys. By turn each pair is searched there and back, as the coordinates end where the last impulse turns
nothing. Where an apse line may lie anywhere, its direction is searched too.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.minimise import descend
from analyser.fitting.places import Places
from analyser.fitting.plane_flight import SpaceTransfer, coast_time, impulse_of
from analyser.fitting.space_ways import Flown, Lying, SpaceWays, cost_of
from analyser.fitting.terminal import Terminal, finite_limit

_SPEEDS = np.array([-0.5, -0.15, -0.04, 0.0, 0.04, 0.15, 0.5])  # beside the orbit's own radial speed, in escape speeds
_TURNS = np.array([-0.5, -0.1, 1e-3, 0.04, 0.15, 0.35, 0.6, 0.85, 0.97, 1.1, 1.5])  # of the angle between the planes
_PLACES, _APSES = 24, 8  # of the grid, round the first orbit, and of a free apse line
_FAR = 1e-3  # of the pair's stand-in for an unlimited radius: a conic can still be told from a parabola there
_DESCENTS = ((6, 40, 12), (25, 12, 4))  # steps, starts before, starts after
_MANY = 4  # starts kept for others of many


def least_in_space(mu: float, first: Lying, second: Lying, *, radius_min: float = 0.0, radius_max: float = math.inf) -> np.ndarray:
    """Least delta-v, m/s (n,), by one or two impulses between orbits that lie as they lie; nan where one is never between the limits.

    Parameters
    ----------
    mu : float
        Gravitational parameter, m^3/s^2.
    first, second : Lying
        Of arrays (n,) and bases (n, 3, 3), samples of about one pair whose planes differ: the first of them is searched in full, the others from its answers.
    radius_min, radius_max : float
        Impulses between these radii, m, and apsides that the coast between them passes.

    Notes
    -----
    A numerical optimum from many starts, not a proof. Coasts of more than one revolution are left out: time is free.
    """
    return _searched(mu, first, second, radius_min, radius_max)[0]


def transfer_in_space(mu: float, first: Lying, second: Lying, *, radius_min: float = 0.0, radius_max: float = math.inf) -> SpaceTransfer:
    """The transfer behind :func:`least_in_space`, of one pair (arrays (1,)); its vectors have the axes in which the bases are given."""
    value, found = _searched(mu, first, second, radius_min, radius_max)
    if math.isnan(value[0]):
        return SpaceTransfer(math.nan, (), math.nan, math.nan, math.nan, 0.0)
    if found is None:
        one = impulse_of(*_crossing(mu, first, second, radius_min, radius_max)[1])
        return SpaceTransfer(one.delta_v, (one,) if one.delta_v > 1e-9 else (), float(second.energy[0]), float(second.h[0]), 0.0, 0.0)
    flown, start, back = found
    return _told(mu, flown, start.basis[0], (first.backwards() if back else second).basis[0], back)


def _searched(mu, first, second, low, high):
    """Least delta-v (n,), and of the first of the pairs (the transfer, the orbit it begins in, whether that is the way back); None where one impulse does it."""
    orbits = first, second
    reached = [Terminal(mu, orbit.energy, orbit.h, np.full(orbit.h.shape, low), np.full(orbit.h.shape, high)).reached for orbit in orbits]
    reached = reached[0] & reached[1]
    if not reached.any():
        return np.full(reached.shape, np.nan), None
    if math.isinf(high):
        high = float(np.nanmax(finite_limit(np.full(reached.shape, high), mu, *((orbit.energy, orbit.h) for orbit in orbits)))) * _FAR
    angle = float(np.arccos(np.clip((first.basis[0, :, 2] * second.basis[0, :, 2]).sum(), -1, 1)))
    ends = (first, second, False), (second.backwards(), first.backwards(), True)
    there, back = (SpaceWays(mu, one.part([0]), two.part([0]), low, high) for one, two, _ in ends)
    placed = _polished(there.by_places, there.free, _grid_of_places(there))
    found = [
        (SpaceWays.by_places, ends[0], *placed),
        (SpaceWays.by_turn, ends[0], *_polished(there.by_turn, there.free, np.concatenate([_grid_of_turns(there, angle), there.turned(placed[0])], axis=1))),
        (SpaceWays.by_turn, ends[1], *_polished(back.by_turn, back.free, _grid_of_turns(back, angle))),
    ]
    form, (one, two, flown_back), z, value = min(found, key=lambda way: float(way[3][0, 0]))
    values = np.full(reached.shape, value[0, 0])
    if reached.size > 1:
        ways = SpaceWays(mu, one, two, low, high)
        values = descend(cost_of(lambda z: form(ways, z)), np.repeat(z[:, :_MANY], reached.size, axis=2), ways.free, 10)[1].min(axis=0)
    once = _crossing(mu, first, second, low, high)[0] if reached.size == 1 else math.inf
    best = np.where(reached, np.fmin(values, once), np.nan)
    return np.where(np.isfinite(best), best, np.nan), None if once <= value[0, 0] else (form(back if flown_back else there, z[:, 0]), one, flown_back)


def _apses(ways):
    return [2 * np.pi * np.arange(_APSES) / _APSES if k in ways.free else np.zeros(1) for k in (3, 4)]


def _legs(places: Places):
    return [1.0, -1.0] if bool(np.ravel(places.lower & places.upper)[0]) else [1.0]


def _grid_of_turns(ways, angle: float):
    """The best starts (8, k, 1) by turn, one for each place, side and root."""
    axes = [ways.one.grid(_PLACES), [-1.0, 1.0], [-1.0, 1.0], _TURNS * angle, _SPEEDS, *_apses(ways), _legs(ways.one)]
    t, side, root, *others = np.meshgrid(*axes, indexing="ij", sparse=True)
    return _best_of(cost_of(ways.by_turn), [t, *others, side, root], 3)


def _grid_of_places(ways):
    """The best starts (9, k, 1) by places, one for each place on the first orbit, root and way round."""
    axes = [ways.one.grid(_PLACES), [-1.0, 1.0], [-1.0, 1.0], ways.two.grid(_PLACES), _SPEEDS, *_apses(ways), _legs(ways.one), _legs(ways.two)]
    t, root, sense, *others = np.meshgrid(*axes, indexing="ij", sparse=True)
    return _best_of(cost_of(ways.by_places), [t, *others, root, sense], 3)


def _best_of(cost, z, kept: int):
    """The best points of a grid (coordinates that broadcast), one for each of its first ``kept`` axes' places."""
    value = cost([part[..., None] for part in z])[..., 0]
    groups = value.shape[:kept]
    where = (*np.indices(groups), *np.unravel_index(np.argmin(value.reshape(*groups, -1), axis=-1), value.shape[kept:]))
    return np.array([np.broadcast_to(part, value.shape)[where].ravel() for part in z])[:, :, None]


def _polished(form, free, z):
    from scipy.optimize import minimize

    cost = cost_of(form)
    value = cost(z)
    for steps, before, after in _DESCENTS:
        z, value = descend(cost, z[:, np.argsort(value[:, 0])[:before]], free, steps)
        at = np.argsort(value[:, 0])[:after]
        z, value = z[:, at], value[at]
    if not math.isfinite(value[0, 0]):
        return z, value
    moving = list(free)
    best, start = z[:, 0, 0].copy(), z[moving, 0, 0]

    def along(part):
        full = best.copy()
        full[moving] = part
        return float(cost(full[:, None])[0])

    for size in (1e-2, 1e-3):  # narrow curved valleys, where steps from differences stall
        simplex = start + size * np.vstack([np.zeros(len(moving)), np.eye(len(moving))])
        found = minimize(along, start, method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 1e-7, "fatol": 1e-9 * value[0, 0], "maxfev": 300})
        if found.fun < value[0, 0]:
            start, value[0, 0] = found.x, found.fun
    z[moving, 0, 0] = start
    return z, value


def _crossing(mu, first, second, low, high):
    """One impulse where the orbits meet, in the line in which their planes cross: delta-v, inf where they don't, and place and velocities (3,)."""
    best, how = math.inf, None
    line = np.cross(first.basis[0, :, 2], second.basis[0, :, 2])
    if first.apse_free or second.apse_free or np.linalg.norm(line) < 1e-12:
        return best, how
    for side in (1.0, -1.0):
        up, speeds, radii = side * line / np.linalg.norm(line), [], []
        for orbit in (first, second):
            places, basis = Places(mu, orbit.energy[0], orbit.h[0], low, high), orbit.basis[0]
            true = math.atan2(float(up @ basis[:, 1]), float(up @ basis[:, 0]))
            ahead = 1 + float(places.e) * math.cos(true)
            radii.append(float(places.p) / ahead if ahead > 0 else math.nan)
            speeds.append(mu / float(places.h) * float(places.e) * math.sin(true) * up + float(places.h) / radii[-1] * np.cross(basis[:, 2], up))
        cost = float(np.linalg.norm(speeds[1] - speeds[0]))
        if abs(radii[1] / radii[0] - 1) < 1e-9 and low * (1 - 1e-9) <= radii[0] <= high * (1 + 1e-9) and cost < best:
            best, how = cost, (radii[0] * up, speeds[0], speeds[1])
    return best, how


def _told(mu, flown: Flown, basis, target, back: bool) -> SpaceTransfer:
    """The transfer in the axes of the bases (3, 3) of the orbit it begins in and of that it ends in, as it was searched."""
    owns, states = (basis[:, 2], target[:, 2]), []
    normal = basis @ np.asarray(flown.normal, float).reshape(3)
    for radius, place, (u, w), radial, own in zip(flown.radii, flown.places, flown.speeds, (flown.radial, flown.conic.radial), owns):
        up, radius = basis @ np.asarray(place, float).reshape(3), float(radius[0])
        states.append((radius * up, float(u[0]) * up + float(w[0]) * np.cross(own, up), float(radial[0]) * up + float(flown.conic.h[0]) / radius * np.cross(normal, up)))
    (p1, before, leaving), (p2, after, arriving) = states
    if back:  # flown the other way, from the last impulse to the first
        (p1, before, leaving), (p2, after, arriving) = (p2, -after, -arriving), (p1, -before, -leaving)
    impulses = impulse_of(p1, before, leaving), impulse_of(p2, arriving, after)
    energy = float(flown.conic.energy[0])
    return SpaceTransfer(
        math.fsum(one.delta_v for one in impulses), tuple(one for one in impulses if one.delta_v > 1e-9), energy, float(flown.conic.h[0]), float(flown.way[0]),
        coast_time(mu, energy, (p1, leaving), (p2, arriving)),
    )  # fmt: skip
