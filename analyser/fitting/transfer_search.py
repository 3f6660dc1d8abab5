"""The search behind :mod:`analyser.fitting.transfer`: candidates for the least delta-v between two orbits, many pairs at once.

Why a short list of candidates is enough. With the apse line free, the derivative of the least delta-v with respect to the
velocity (the primer vector) on a coast is ``B v + D r t`` (v: velocity, t: unit transverse vector, B and D constants), so that
its square is ``B^2 (2 energy + 2 mu / r) + 2 B D h + D^2 r^2``: between two radii it is convex in 1/r or its maximum lies at an end (its
only stationary point in 1/r is a minimum). Impulses are where it is largest, hence at an apsis or at a limit of the radius.
At an apsis the primer is transverse, so the impulse is tangential and the terminal orbit has its apsis there too. See
D. F. Lawden, *Optimal Trajectories for Space Navigation* (1963), chapter 5, for the primer; the free-orientation
result is C. Marchal's (Astronautica Acta 11, 1965). What is left are apsis-to-apsis transfers in closed form, and, where an
orbit runs through a limit of the radius, a search over one speed (apsis to limit) or two (limit to limit).
"""

from __future__ import annotations

import numpy as np

from analyser.fitting.transfer_edges import EdgePair

_EDGE = 1e-9  # relative slack for "this apsis is at the limit of the radius"
_GRID, _FINER, _ROUNDS = 48, 17, 7


def apsides(mu, energy, angular_momentum):
    """Periapsis and apoapsis radius, m, of orbits (apoapsis inf where they don't close).

    Energy and angular momentum that no orbit has (faster round than a circle of that energy, as
    samples of a measured circular orbit may be) are taken for the circle of that energy.
    """
    energy, h = np.broadcast_arrays(np.asarray(energy, float), np.asarray(angular_momentum, float))
    squared = 1 + 2 * energy * h**2 / mu**2
    e = np.sqrt(np.clip(squared, 0, None))
    with np.errstate(divide="ignore", invalid="ignore"):
        a = np.where(energy < 0, -mu / (2 * energy), np.inf)
        periapsis = np.where((squared <= 0) & (energy < 0), a, h**2 / mu / (1 + e))
        apoapsis = np.where(energy < 0, a * (1 + e), np.inf)
    return periapsis, np.maximum(apoapsis, periapsis)


def speeds_at(mu, energy, angular_momentum, radius):
    """Radial (outward leg) and transverse speed, m/s, at a radius, m (inf allowed); a radius that the orbit misses gives radial 0."""
    inverse = 1 / np.asarray(radius, float)
    transverse = angular_momentum * inverse
    return np.sqrt(np.clip(2 * (energy + mu * inverse) - transverse**2, 0, None)), transverse


def turning(before, after, angle):
    """Delta-v, m/s, of turning a velocity by an angle, rad, while its size changes; broadcasts."""
    return np.sqrt((before - after) ** 2 + 4 * before * after * np.sin(angle / 2) ** 2)


class _Best:
    """The best candidate so far for each pair: delta-v, radii of the impulses, orbit between them."""

    def __init__(self, n: int):
        self.cost = np.full(n, np.inf)
        self.rest = np.full((4, n), np.nan)

    def offer(self, where, cost, r1, r2, energy, h):
        """Take candidates for the pairs at ``where`` (index array) that are better; nan never is."""
        better = cost < self.cost[where]
        chosen = where[better]
        self.cost[chosen] = cost[better]
        for row, values in zip(self.rest, (r1, r2, energy, h)):
            row[chosen] = np.broadcast_to(values, cost.shape)[better]


def tangential(mu, e1, h1, e2, h2, radius_min, radius_max):
    """Least delta-v of the apsis-to-apsis transfers alone, m/s; nan where there is none."""
    shape, (e1, h1, e2, h2, low, high) = _flat(e1, h1, e2, h2, radius_min, radius_max)
    best = _Best(e1.size)
    _apsis_to_apsis(mu, [_End(mu, e1, h1, low, high), _End(mu, e2, h2, low, high)], best)
    return np.where(np.isfinite(best.cost), best.cost, np.nan).reshape(shape)


def _flat(*values):
    arrays = np.broadcast_arrays(*(np.asarray(x, float) for x in values))
    return arrays[0].shape, [np.ravel(x) for x in arrays]


def search(mu, e1, h1, e2, h2, radius_min, radius_max):
    """Least delta-v of one or two impulses between orbits (energy, angular momentum), with the transfer.

    Returns
    -------
    delta-v (m/s; nan: an orbit is nowhere between the limits), radii of the two impulses (m), energy and angular momentum of the orbit between them; arrays
    of the broadcast shape
    """
    shape, (e1, h1, e2, h2, low, high) = _flat(e1, h1, e2, h2, radius_min, radius_max)
    best = _Best(e1.size)
    ends = [_End(mu, e1, h1, low, high), _End(mu, e2, h2, low, high)]
    _apsis_to_apsis(mu, ends, best)
    edges = (low, high)
    if any(end.crosses[k].any() for end in ends for k in (0, 1)):
        _edge_once(mu, ends, edges, best)
        _apsis_to_edge(mu, ends, edges, best)
        _edge_to_edge(mu, ends, edges, best)
    cost = np.where(np.isfinite(best.cost) & ends[0].reached & ends[1].reached, best.cost, np.nan)
    return tuple(x.reshape(shape) for x in (cost, *best.rest))


class _End:
    """A terminal orbit: its apsides between the limits, and whether it runs through them."""

    def __init__(self, mu, energy, h, low, high):
        self.energy = energy
        periapsis, apoapsis = apsides(mu, energy, h)
        # a sample that is no orbit was taken for a circle: keep the speed in step with that
        circle = periapsis == apoapsis
        with np.errstate(invalid="ignore"):
            self.h = np.where(circle & np.isfinite(periapsis), np.copysign(np.sqrt(mu * periapsis), h), h)
        slack = 1 + _EDGE
        both = np.stack([periapsis, apoapsis])
        inside = (both * slack >= low) & (both <= high * slack) & (both > 0) & (both < np.inf)
        self.apsides = np.where(inside, both, np.nan)  # (2, n)
        with np.errstate(invalid="ignore"):
            self.crosses = [(periapsis < edge) & (apoapsis >= edge) & (edge > 0) for edge in (low, high)]
        self.reached = (np.maximum(periapsis, low) <= np.minimum(apoapsis, high) * slack) & np.isfinite(energy) & np.isfinite(h)


def _apsis_to_apsis(mu, ends, best):
    everyone = np.arange(best.cost.size)
    r1, r2 = ends[0].apsides[:, None], ends[1].apsides[None]  # periapsis and apoapsis of either, (2, 2, n) together
    with np.errstate(invalid="ignore"):
        h = np.sqrt(2 * mu * r1 * r2 / (r1 + r2))
        sense = np.array([1.0, -1.0])[:, None]
        turned = sense * h[:, :, None]
        cost = np.abs(turned - ends[0].h) / r1[:, :, None] + np.abs(ends[1].h - turned) / r2[:, :, None]
        cost = np.where(np.isnan(cost), np.inf, cost).reshape(8, -1)
        least = np.argmin(cost, axis=0)
        at = least // 4, least // 2 % 2, everyone
        first, second = ends[0].apsides[at[0], everyone], ends[1].apsides[at[1], everyone]
        best.offer(everyone, cost[least, everyone], first, second, -mu / (first + second), h[at] * sense[least % 2, 0])
        # one impulse where both have an apsis at one radius, either kind
        same = np.abs(r1 - r2) <= _EDGE * r1
    if same.any():
        for k in range(2):
            for pick in (np.flatnonzero(one) for one in same[k]):
                r = ends[0].apsides[k, pick]
                v1, v2 = (end.h[pick] / r for end in ends)
                best.offer(pick, np.abs(v2 - v1), r, r, ends[1].energy[pick], ends[1].h[pick])


def _edge_once(mu, ends, edges, best):
    for k, edge in enumerate(edges):
        both = np.flatnonzero(ends[0].crosses[k] & ends[1].crosses[k])
        if both.size:
            (u1, w1), (u2, w2) = (speeds_at(mu, end.energy[both], end.h[both], edge[both]) for end in ends)
            best.offer(both, np.hypot(u2 - u1, w2 - w1), edge[both], edge[both], ends[1].energy[both], ends[1].h[both])


def _apsis_to_edge(mu, ends, edges, best):
    """Tangential at an apsis of one orbit, any direction at a limit that the other runs through: one speed to choose, for all such ways together."""
    ways = []
    for forward, (first, second) in ((True, ends), (False, ends[::-1])):
        for edge, crosses in zip(edges, second.crosses):
            for apsis in first.apsides:
                with np.errstate(invalid="ignore"):
                    use = np.flatnonzero(crosses & np.isfinite(apsis) & (np.abs(apsis - edge) > _EDGE * apsis))
                ways.append((use, np.full(use.size, forward), apsis[use], edge[use], first.h[use], second.energy[use], second.h[use]))
    use, forward, r, edge, h1, e2, h2 = (np.concatenate(part) for part in zip(*ways))
    for outward in (True, False):
        pick = np.flatnonzero((r < edge) == outward)
        if pick.size:
            found = _speeds_at_apsis(mu, r[pick], edge[pick], h1[pick] / r[pick], e2[pick], h2[pick], best.cost[use[pick]], outward)
            _offer_each(best, use[pick], forward[pick], r[pick], edge[pick], *found, mu)


def _speeds_at_apsis(mu, r, edge, v, e2, h2, known, outward: bool):
    """Least delta-v, and the speed at the apsis after the impulse there, m/s: from speed ``v`` at the apsis at ``r`` to the orbit (e2, h2) at the limit; ``known``: no more than that is of use.

    All from the apsis ``outward`` to the limit, or all inward.
    """
    ratio = r / edge
    u2, w2 = speeds_at(mu, e2, h2, edge)
    limit = np.sqrt(2 * mu / (r * (1 + ratio)))  # speed at r whose other apsis is the edge
    steep = np.sqrt(np.abs(1 - ratio**2))
    reach = np.sqrt(np.clip((np.abs(v) + np.where(np.isfinite(known), known, 10 * limit)) ** 2 - limit**2, 0, None))

    def speeds(s):  # s in -1 .. 1 covers both senses; the radial speed at the edge is smooth in it
        if outward:
            across = s * reach
            return np.copysign(np.sqrt(limit**2 + across**2), s), steep * np.abs(across)
        turn = np.pi / 2 * (1 - s)
        return np.cos(turn) * limit, steep * limit * np.abs(np.sin(turn))

    def cost(s):
        w, u = speeds(s)
        return np.abs(w - v) + np.sqrt((u - u2) ** 2 + (w * ratio - w2) ** 2)  # many at once: np.hypot takes thrice as long

    # an impulse that vanishes is a kink of the cost: no search need close in on it
    with np.errstate(divide="ignore", invalid="ignore"):
        kinks = [np.copysign(np.sqrt(v**2 - limit**2) / reach, v), np.copysign(u2 / (steep * reach), v)] if outward else [1 - 2 / np.pi * np.arccos(v / limit)]
    s = _minimum(cost, r.size, np.clip(np.nan_to_num(kinks), -1, 1))
    return cost(s), speeds(s)[0]


def _offer_each(best, use, forward, r, edge, cost, w, mu):
    """Offer ways of which several may be for one pair: the cheapest of each."""
    order = np.lexsort((cost, use))
    first = order[np.flatnonzero(np.diff(use[order], prepend=-1))]
    radii = np.where(forward, r, edge)[first], np.where(forward, edge, r)[first]
    best.offer(use[first], cost[first], *radii, (w**2 / 2 - mu / r)[first], (w * r)[first])


def _minimum(cost, n: int, more) -> np.ndarray:
    """Global minimum of n functions on -1 .. 1, of which the middle, where the sense of flight turns over, is a jump: a grid, then ever finer ones about its best point on each half,
    to 1e-8; and the places ``more`` (k, n)."""
    half = np.linspace(1e-15, 1, _GRID)
    points = np.stack([-half[::-1], half])[:, :, None]
    side, each, finer = np.arange(2)[:, None], np.arange(n), np.linspace(0, 1, _FINER)[:, None]
    for _ in range(1 + _ROUNDS):
        values = np.broadcast_to(cost(points), (2, points.shape[1], n))
        points = np.broadcast_to(points, values.shape)
        at = np.argmin(values, axis=1)
        best = points[side, at, each]
        low, high = points[side, np.maximum(at - 1, 0), each], points[side, np.minimum(at + 1, points.shape[1] - 1), each]
        points = low[:, None] + (high - low)[:, None] * finer
    tried = np.concatenate([best, more])
    return tried[np.argmin(cost(tried), axis=0), each]


def _edge_to_edge(mu, ends, edges, best):
    """From one limit to the other, any directions: two speeds to choose (compass search from a grid)."""
    for k1, k2 in ((0, 1), (1, 0)):
        use = np.flatnonzero(ends[0].crosses[k1] & ends[1].crosses[k2])
        if not use.size:
            continue
        r1, r2 = edges[k1][use], edges[k2][use]
        inverse1, inverse2 = 1 / r1, 1 / r2
        u1, w1 = speeds_at(mu, ends[0].energy[use], ends[0].h[use], r1)
        u2, w2 = speeds_at(mu, ends[1].energy[use], ends[1].h[use], r2)
        start = best.cost[use]
        start = np.where(np.isfinite(start), start, np.hypot(u1, w1) + np.hypot(u2, w2) + np.sqrt(2 * mu * np.maximum(inverse1, inverse2)))
        if np.isinf(r1).any() or np.isinf(r2).any():
            # at infinity the transverse speed vanishes and a turn is free: an energy change at the other limit does it all
            near, far = (0, 1) if np.isinf(r2).all() else (1, 0)
            r, u, w = (r1, u1, w1) if near == 0 else (r2, u2, w2)
            other = ends[far].energy[use]
            v = np.hypot(u, w)
            scale = np.sqrt(np.clip(2 * (other + mu / r), 0, None)) / v
            cost = np.abs(scale - 1) * v
            h = scale * w * r if near == 0 else w * r
            best.offer(use, np.where(np.isfinite(cost), cost, np.inf), r1, r2, other, scale * w * r if near == 0 else h * scale)
            continue

        problem = EdgePair(mu, r1, r2, u1, w1, u2, w2)
        for sense in (1.0, -1.0):  # the best start among transfers of each sense of flight, then Newton
            x, y, found = problem.grid(start, sense)
            x, y, found = problem.descend(x, y, found)
            best.offer(use, found, r1, r2, (x**2 + y**2) / 2 - mu * inverse1, y * r1)
