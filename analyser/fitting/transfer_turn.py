"""The search behind :mod:`analyser.fitting.plane_transfer`: the least delta-v of two impulses between orbits in two planes, where one runs through a limit.

Where both apsides of both orbits lie between the limits of the radius, the least is from apsis to apsis, half a revolution about the line in which the
planes cross, the turn shared between the impulses (brute force over all places, shapes and shares found nothing less in thousands of pairs; no
proof is known to the author). An orbit that runs through a limit calls for a search: places of both impulses, radial speeds after the first and
before the second, and the turn in the first; the turn in the second follows from the spherical triangle of the three planes. It starts from a
grid at the ends of the radii and goes down by damped Newton steps, many pairs and starts at once.

Where one impulse does nearly all of the turn, what is left for the other changes hundreds of times as fast as its own share (they are almost a quarter of a
revolution apart): a steep and narrow valley. So each pair is searched there and back (the way back costs the same), each in the turn of the impulse
that turns less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.minimise import descend
from analyser.fitting.transfer_search import speeds_at

_PARTS = np.array([0.0, 0.3, 0.6, 0.8, 0.92, 1.0, 1.05])  # of the terminal orbit's radial speed
_ESCAPES = np.array([0.08, 0.3, 0.7, 1.3])  # of the escape speed there
_SHARES = np.array([1e-4, 0.02, 0.1, 0.35])  # of the turn, in the impulse that turns less
_DESCENTS = ((3, 2), (6, 1))  # steps and starts kept at each corner: first with the places of the impulses at the ends of their reach
_INNER = (2, 25)  # starts at each corner and steps at the most with those places free
_KEPT = 2  # answers at each corner that others of many begin from
_OFF = 0.005  # of the angles whose squared sines are the places
_MANY = 8  # from so many pairs on, one of them in full and the others from its answers


@dataclass(frozen=True)
class Between:
    """Two impulses and the coast between them, arrays (n,): radii ``r1`` and ``r2``, m (nan: one impulse does it all), sizes of the coast's radial speeds there,
    m/s, its angular momentum, m^2/s, whether it stays on one leg, the turn in the first impulse, rad, and the cosine of that in the second."""

    r1: np.ndarray
    r2: np.ndarray
    u1: np.ndarray
    u2: np.ndarray
    h: np.ndarray
    same_leg: np.ndarray
    turn: np.ndarray
    cos: np.ndarray


@dataclass(frozen=True)
class Ends:
    """Places of the two impulses: radii, m, radial and transverse speeds, m/s, of the terminal orbits there, escape speeds."""

    r1: np.ndarray
    r2: np.ndarray
    u1: np.ndarray
    w1: np.ndarray
    u2: np.ndarray
    w2: np.ndarray
    escape1: np.ndarray
    escape2: np.ndarray


@dataclass(frozen=True)
class Arc:
    """The coast between the impulses: sizes of the radial speeds and transverse speeds at its ends, m/s, the cosine of the way round, and whether
    it exists inside the limits."""

    u1: np.ndarray
    w1: np.ndarray
    u2: np.ndarray
    w2: np.ndarray
    ahead: np.ndarray
    flown: np.ndarray


class Pairs:
    """Delta-v as a function of ``z``: places of the impulses (angles whose squared sines lead from the lowest to the highest radius),
    radial speeds after the first and before the second impulse in escape speeds there, and the turn in the first impulse, rad."""

    def __init__(self, mu, first, second, angle, low, high):
        self.mu, self.first, self.second = mu, first, second
        self.cos, self.low, self.high = np.cos(angle), low, high
        self.corner = None  # (2, n): at which ends the places begin, where they do

    def part(self, at):
        """The same for some of the pairs."""
        new = object.__new__(Pairs)
        new.mu, new.first, new.second = self.mu, self.first.part(at), self.second.part(at)
        new.cos, new.low, new.high = self.cos[at], self.low[at], self.high[at]
        new.corner = None if self.corner is None else self.corner[:, at]
        return new

    def ends(self, z) -> Ends:
        """What the places ``z[0]`` and ``z[1]`` determine."""
        mu, one, two = self.mu, self.first, self.second
        r1, r2 = one.low + (one.high - one.low) * np.sin(z[0]) ** 2, two.low + (two.high - two.low) * np.sin(z[1]) ** 2
        (u1, w1), (u2, w2) = speeds_at(mu, one.energy, one.h, r1), speeds_at(mu, two.energy, two.h, r2)
        return Ends(r1, r2, u1, w1, u2, w2, np.sqrt(2 * mu / r1), np.sqrt(2 * mu / r2))

    def cost(self, z):
        return self.between(self.ends(z), z[2], z[3], z[4])

    def fixed(self, z):
        """The cost with the places of the impulses as they are."""
        ends = self.ends(z)
        return lambda z: self.between(ends, z[2], z[3], z[4])

    def between(self, ends, x, v, turn):
        """Delta-v, m/s; inf: there is no such transfer.

        Where the radial speeds have one sign the transfer stays on one leg, else it goes from one to the other by an apsis that is between the limits
        (smooth from one to the other); the sign of the turn tells the two ways apart in which the second impulse can make up the rest.
        """
        with np.errstate(all="ignore"):
            arc = self.arc(ends, x, v)
            turned, left = self.arriving(arc.ahead, turn)
            total = np.sqrt(np.maximum((arc.u1 - ends.u1) ** 2 + arc.w1**2 + ends.w1**2 - 2 * arc.w1 * ends.w1 * np.cos(turn), 0))
            total = total + np.sqrt(np.maximum((arc.u2 - ends.u2) ** 2 + arc.w2**2 + ends.w2**2 - 2 * arc.w2 * ends.w2 * turned, 0))
            return np.where((left >= -1e-14) & arc.flown & np.isfinite(total), total, np.inf)

    def reversed(self, z):
        """``z`` (5, k, 8 n) of all corners and both ways, each in the coordinates of the other way, but for the sign of the turn."""
        ends = self.ends(z)
        turned = np.arccos(np.clip(self.arriving(self.arc(ends, z[2], z[3]).ahead, z[4])[0], -1, 1))
        other = np.stack([z[1], z[0], z[3], z[2], turned])
        return other.reshape(*other.shape[:2], 4, 2, -1)[:, :, :, ::-1].reshape(other.shape)

    def arriving(self, ahead, turn):
        """Cosine of the turn in the second impulse, and by how much the way round allows it (below 0: not).

        Turns a, b about the two radius vectors add up to that between the planes: cos a cos b - sin a sin b cos(way) = cos(angle).
        """
        A, B = np.cos(turn), -np.sin(turn) * ahead
        m = A**2 + B**2
        left = m - self.cos**2
        return (A * self.cos + B * np.sqrt(np.maximum(left, 0))) / m, left

    def arc(self, ends, x, v) -> Arc:
        """The coast between two places with radial speeds ``x`` and ``v`` there, in escape speeds; two ways of one level: ``v`` is then the transverse speed."""
        mu = self.mu
        same_leg = x * v >= 0
        ratio = ends.r1 / ends.r2
        flat = 1 - ratio**2
        u1, u2 = np.abs(x) * ends.escape1, np.abs(v) * ends.escape2
        level = np.abs(flat) < 1e-6  # at one radius the radial speeds are the same, and the transverse one is free
        square = (u2**2 - u1**2 + 2 * mu * (1 / ends.r1 - 1 / ends.r2)) / np.where(level, 1.0, flat)
        if level.any():
            square, u2 = np.where(level, u2**2, square), np.where(level, u1, u2)
        w1 = np.sqrt(np.maximum(square, 0))
        p = (w1 * ends.r1) ** 2 / mu
        c1, c2, root = p / ends.r1 - 1, p / ends.r2 - 1, np.sqrt(p / mu)
        size = c1**2 + (root * u1) ** 2
        both = p / mu * u1 * u2
        ahead = np.where(size < 1e-20, -1.0, np.clip((c1 * c2 + np.where(same_leg, both, -both)) / size, -1.0, 1.0))
        e = np.sqrt(size)
        inside = (p >= self.low * (1 + e) * (1 - 1e-9)) | ((e < 1) & (p <= self.high * (1 - e) * (1 + 1e-9)))
        return Arc(u1, w1, u2, w1 * ratio, ahead, (square >= 0) & (same_leg | inside))

    def grid(self, shares):
        """Starts (5, 8, n) with the impulses at given ends of the radii, ``shares`` (k, n) being turns in the first impulse, rad: the best of a grid for each
        leg, sign of the turn and half of the shares."""
        found, n, half = [], shares.shape[1], len(shares) // 2
        columns, ends = np.arange(n), self.ends(self.corner)
        x, v = (np.concatenate([_PARTS[:, None] * u + 1e-3, _ESCAPES[:, None] + 0 * u]) for u in (ends.u1 / ends.escape1, ends.u2 / ends.escape2))
        for leg in (1, -1):
            for sign in (1, -1):
                value = self.between(ends, x[:, None, None], leg * v[None, :, None], sign * shares)
                for some in (slice(0, half), slice(half, None)):
                    at = np.unravel_index(np.argmin(value[:, :, some].reshape(-1, n), axis=0), value[:, :, some].shape[:3])
                    found.append([*self.corner, x[at[0], columns], leg * v[at[1], columns], sign * shares[some][at[2], columns]])
        return np.moveaxis(np.array(found), 0, 1)


def twice(mu, first, second, angle, low, high) -> tuple[np.ndarray, Between]:
    """Least delta-v, m/s, of two impulses anywhere between the limits (inf where none is found) and how. Arrays (n,) throughout."""
    n = angle.size
    ways = _corners(mu, first, second, angle, low, high)
    if n < _MANY:
        z, value = _polished(ways, ways.grid(_SHARES[:, None] * np.tile(angle, 8)))
    else:
        # many: samples of about one pair; the middle one in full, the others from its best answers
        middle = np.argsort(first.energy + second.energy)[[n // 2]]
        some = ways.part((np.arange(8)[:, None] * n + middle).ravel())
        start = np.repeat(_polished(some, some.grid(_SHARES[:, None] * np.tile(angle[middle], 8)))[0], n, axis=2)
        start[4] *= np.tile(angle / np.maximum(angle[middle], 1e-12), 8)
        z, value = _polished(ways, start)
    best = np.argmin(value[0].reshape(8, n), axis=0) * n + np.arange(n)
    return value[0, best], _told(ways.part(best), z[:, 0, best], best // n % 2 == 1)


def _corners(mu, first, second, angle, low, high) -> Pairs:
    """Each pair eight times: for each end of the radii of the first impulse and of the second there, then back (the impulses change places)."""
    n = angle.size
    both = Pairs(mu, first.followed_by(second), second.followed_by(first), *(np.tile(x, 2) for x in (angle, low, high)))
    ways = both.part(np.tile(np.arange(2 * n), 4))
    there = np.repeat([[0.0, 0.0, 1.0, 1.0], [0.0, 1.0, 0.0, 1.0]], n, axis=1).reshape(2, 4, 1, n)
    ways.corner = (np.concatenate([there, there[::-1]], axis=2) * np.pi / 2).reshape(2, 8 * n)
    return ways


def _told(pairs, z, back) -> Between:
    """Answers of a way, where ``back`` those of the way back, as they are flown."""
    with np.errstate(all="ignore"):
        ends = pairs.ends(z)
        arc = pairs.arc(ends, z[2], z[3])
        cos = pairs.arriving(arc.ahead, z[4])[0]
        turned = lambda there, here: np.where(back, here, there)
        return Between(
            turned(ends.r1, ends.r2), turned(ends.r2, ends.r1), turned(arc.u1, arc.u2), turned(arc.u2, arc.u1), arc.w1 * ends.r1, z[2] * z[3] >= 0,
            turned(z[4], np.arccos(np.clip(cos, -1, 1))), turned(cos, np.cos(z[4])),
        )  # fmt: skip


def _polished(ways, z):
    """The best of the starts of each corner and way, gone down from: z (5, k, 8 n) and values (k, 8 n), the best one first."""
    least = lambda value: np.tile(value[0].reshape(8, -1).min(axis=0), 8)
    beat = None
    for steps, most in _DESCENTS:
        z, value = _first(*descend(ways.fixed(z), z, (2, 3, 4), steps, beat), most)
        beat = least(value)
    inner = _off_the_ends(ways, np.concatenate([z, ways.reversed(z)], axis=1))
    inner = _first(inner, ways.cost(inner), _INNER[0])[0]
    inner, found = descend(ways.cost, inner, (0, 1, 2, 3, 4), _INNER[1], beat)
    return _first(np.concatenate([z, inner], axis=1), np.concatenate([value, found]), _KEPT)


def _off_the_ends(ways, z):
    """Starts from answers at the ends of the radii: a little off them, where their squared sines are flat, with the same radial changes of speed.

    On a leg as it is or, at an apsis hardly another, on the other; the turn as it is or, as at the largest turn that the way round allows the second impulse
    has one way left and beyond lies the other, its mirror image.
    """
    before = ways.ends(z)
    z = z.copy()
    z[:2] += np.where(z[:2] > 0.5, -_OFF, _OFF)
    after = ways.ends(z)
    z[2] = np.copysign((np.abs(z[2]) * before.escape1 - before.u1 + after.u1) / after.escape1, z[2])
    z[3] = np.copysign((np.abs(z[3]) * before.escape2 - before.u2 + after.u2) / after.escape2, z[3])
    signs = np.array([[1, 1, 1, leg, turn] for leg in (1, -1) for turn in (1, -1)])
    return np.concatenate([z * sign[:, None, None] for sign in signs], axis=1)


def _first(z, value, most):
    """The ``most`` best starts of each pair, the best one first."""
    at = np.argsort(value, axis=0)[:most], np.arange(z.shape[2])
    return z[:, at[0], at[1]], value[at]
