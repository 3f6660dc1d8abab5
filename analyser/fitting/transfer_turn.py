"""The search behind :mod:`analyser.fitting.plane_transfer`: the least delta-v of one or two impulses between orbits in two planes.

Where both apsides of both orbits lie between the limits of the radius, the least is from apsis to apsis, half a revolution about the line in which the
planes cross, the turn shared between the impulses (brute force over all places, shapes and shares found nothing less in thousands of pairs; no
proof is known to the author). An orbit that runs through a limit calls for a search: places of both impulses, radial speeds after the first and
before the second, and the turn in the first; the turn in the second follows from the spherical triangle of the three planes. It starts from a
grid at the ends of the radii and goes down by damped Newton steps (several dampings tried at once), many pairs and starts at once.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting.transfer_search import apsides, speeds_at

_PARTS = np.array([0.0, 0.3, 0.6, 0.8, 0.92, 1.0, 1.05])  # of the terminal orbit's radial speed
_ESCAPES = np.array([0.08, 0.3, 0.7, 1.3])  # of the escape speed there
_SHARES = np.array([0.02, 0.1, 0.35, 0.65, 0.9, 0.98])  # of the turn
_LITTLE = 1e-4  # of the turn: hardly any
_FAR = 1e7  # stands for an unlimited radius, in the largest finite one of the pair
_DESCENTS = ((4, 6), (12, 3))  # steps and starts kept: first with the places of the impulses at the ends of their reach
_INNER = (6, 25)  # starts and steps at the most with those places free
_LOOK, _HOPE = 4, 4  # so often a descent is asked whether it can still win, and by how many such stretches more
_IDLE = 3  # steps without gain after which a descent is over
_DAMPINGS = np.array([0.0, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1e4])  # of Newton steps, in the largest curvature
_MANY = 8  # from so many pairs on, one of them in full and the others from its answers


def turning(before, after, angle):
    """Delta-v, m/s, of turning a velocity by an angle, rad, while its size changes."""
    return np.sqrt(np.maximum((before - after) ** 2 + 4 * before * after * np.sin(angle / 2) ** 2, 0.0))


class Terminal:
    """A terminal orbit, flown in the sense in which h is positive: its reach between the limits, m, and whether it runs through one of them."""

    def __init__(self, mu, energy, h, low, high):
        periapsis, apoapsis = apsides(mu, energy, h)
        circle = periapsis == apoapsis
        with np.errstate(invalid="ignore"):
            # a sample that is no orbit was taken for a circle: the speed has to go with that
            self.h = np.where(circle & np.isfinite(periapsis), np.sqrt(mu * periapsis), np.abs(h))
            self.energy = np.where(circle & np.isfinite(periapsis), -mu / (2 * periapsis), energy)
        self.low, self.high = np.maximum(periapsis, low), np.minimum(apoapsis, high)
        self.cut = (periapsis < low * (1 - 1e-9)) | (apoapsis > high * (1 + 1e-9)) | np.isinf(apoapsis)
        self.reached = (self.low <= self.high * (1 + 1e-9)) & np.isfinite(energy) & np.isfinite(h)
        self.high = np.maximum(self.high, self.low)

    def part(self, at):
        """The same for some of the pairs."""
        new = object.__new__(Terminal)
        for name, value in vars(self).items():
            setattr(new, name, value[at])
        return new


def finite_limit(radius_max, mu, *orbits):
    """The upper limit, m, an unlimited one replaced by a radius so far out that a turn there is free to 1e-7."""
    largest = np.zeros(np.shape(radius_max))
    for energy, h in orbits:
        largest = np.fmax(largest, np.where(np.isfinite(apsides(mu, energy, h)[1]), apsides(mu, energy, h)[1], apsides(mu, energy, h)[0]))
    return np.where(np.isfinite(radius_max), radius_max, largest * _FAR)


def lowest(cost, places, rounds: int = 6, fine: int = 13):
    """Least of many functions of one variable: ``cost`` takes (k, ...) and broadcasts; on a grid ``places`` (k,), then finer ones about the best."""
    x = places.reshape(-1, *[1] * (cost(places[0]).ndim))
    least, width, low, high = np.inf, np.max(np.diff(places)), places[0], places[-1]
    for _ in range(rounds + 1):
        values = cost(x)
        values = np.where(np.isnan(values), np.inf, values)
        at = np.expand_dims(np.argmin(values, axis=0), 0)
        least = np.minimum(least, np.take_along_axis(values, at, 0)[0])
        centre = np.take_along_axis(np.broadcast_to(x, values.shape), at, 0)
        x = np.clip(centre + width * np.linspace(-1, 1, fine).reshape(-1, *[1] * (values.ndim - 1)), low, high)
        width = 2.2 * width / (fine - 1)
    return least


def once(mu, first, second, angle):
    """Least delta-v, m/s, of one impulse anywhere both orbits reach, in the line in which the planes cross; inf where there is no such place."""
    low, high = np.maximum(first.low, second.low), np.minimum(first.high, second.high)
    share = low <= high * (1 + 1e-9)
    high = np.maximum(high, low)

    def cost(place):  # even in the distance from either end, where the radial speed goes as its root
        r = low + (high - low) * np.sin(place) ** 2
        (u1, w1), (u2, w2) = (speeds_at(mu, end.energy, end.h, r) for end in (first, second))
        return np.hypot(u1 - u2, turning(w1, w2, angle))

    return np.where(share, lowest(cost, np.linspace(0, np.pi / 2, 65)), np.inf)


def descend(cost, z, free, steps, beat=None):
    """Damped Newton steps in the coordinates ``free``, derivatives by differences; only steps downhill are taken. z is (coordinates, starts, n).

    Where ``beat`` (n,) is known already, the descent ends once no start comes down fast enough to get below it.
    """
    d, step = len(free), 2e-5
    units = np.zeros((d, len(z)))
    units[np.arange(d), list(free)] = step
    couples = [(i, j) for i in range(d) for j in range(i)]
    moves = np.concatenate([units, -units, [units[i] + units[j] for i, j in couples], [-units[i] - units[j] for i, j in couples]])
    value = cost(z)
    idle, mark = 0, value
    with np.errstate(all="ignore"):
        for step_number in range(steps):
            around = cost(z[:, None] + moves.T[:, :, None, None])
            plus, minus, both, neither = np.split(around, np.cumsum([d, d, len(couples)]))
            gradient = np.where(np.isfinite(plus) & np.isfinite(minus), (plus - minus) / (2 * step), np.where(np.isfinite(plus), (plus - value) / step, (value - minus) / step))
            curve = np.where(np.isfinite(plus + minus), (plus + minus - 2 * value) / step**2, np.nan)
            hessian = np.zeros((*value.shape, d, d))
            for i in range(d):
                hessian[..., i, i] = curve[i]
            for k, (i, j) in enumerate(couples):
                cross = (both[k] + neither[k] - plus[i] - minus[i] - plus[j] - minus[j] + 2 * value) / (2 * step**2)
                hessian[..., i, j] = hessian[..., j, i] = cross
            gradient, hessian = np.nan_to_num(np.moveaxis(gradient, 0, -1), posinf=0, neginf=0), np.nan_to_num(hessian, posinf=0, neginf=0)
            size, axes = np.linalg.eigh(hessian)
            largest = np.abs(size).max(axis=-1, keepdims=True)
            size = np.abs(size) + 1e-9 * largest + _DAMPINGS[:, None, None, None] * largest + 1e-300
            along = np.einsum("...ji,...j->...i", axes, gradient)
            change = -np.einsum("...ij,t...j->t...i", axes, along / size)
            change = np.nan_to_num(change) * np.minimum(1, 0.5 / np.maximum(np.abs(np.nan_to_num(change)).max(axis=-1, keepdims=True), 1e-300))
            trial = np.repeat(z[:, None], len(_DAMPINGS), axis=1)
            trial[list(free)] += np.moveaxis(change, -1, 0)
            there = cost(trial)
            at = (np.argmin(there, axis=0), *np.indices(value.shape))
            better = there[at] < value
            before = value
            z, value = np.where(better, trial[(slice(None), *at)], z), np.where(better, there[at], value)
            # starts far above the best need no last digits
            gain = np.where(value < 1.3 * value.min(axis=0), 1e-9, 1e-2)
            idle = 0 if (value < before * (1 - gain)).any() else idle + 1
            if idle == _IDLE:
                break
            if beat is not None and step_number % _LOOK == _LOOK - 1:
                if not (value - _HOPE * (mark - value) < beat).any():
                    break
                mark = value
    return z, value


class Pairs:
    """Delta-v as a function of ``z``: places of the impulses (angles whose squared sines lead from the lowest to the highest radius),
    radial speeds after the first and before the second impulse in escape speeds there, and the turn in the first impulse, rad."""

    def __init__(self, mu, first, second, angle, low, high):
        self.mu, self.first, self.second = mu, first, second
        self.cos, self.low, self.high = np.cos(angle), low, high

    def part(self, at):
        new = object.__new__(Pairs)
        new.mu, new.first, new.second = self.mu, self.first.part(at), self.second.part(at)
        new.cos, new.low, new.high = self.cos[at], self.low[at], self.high[at]
        return new

    def cost(self, z):
        """Where the radial speeds have one sign the transfer stays on one leg, else it goes from one to the other by an apsis that is between the limits
        (smooth from one to the other); the sign of the turn tells the two ways apart in which the second impulse can make up the rest. inf: there is none."""
        mu, one, two = self.mu, self.first, self.second
        with np.errstate(all="ignore"):
            r1, r2 = one.low + (one.high - one.low) * np.sin(z[0]) ** 2, two.low + (two.high - two.low) * np.sin(z[1]) ** 2
            (u1, w1), (u2, w2) = speeds_at(mu, one.energy, one.h, r1), speeds_at(mu, two.energy, two.h, r2)
            x, ratio = np.abs(z[2]) * np.sqrt(2 * mu / r1), r1 / r2
            flat = 1 - ratio**2
            side = np.where(z[2] * z[3] < 0, -1.0, 1.0)
            level = np.abs(flat) < 1e-6  # at one radius the radial speeds are the same, and the transverse one is free
            v = np.where(level, x, np.abs(z[3]) * np.sqrt(2 * mu / r2))
            square = np.where(level, z[3] ** 2 * 2 * mu / r2, (v**2 - x**2 + 2 * mu * (1 / r1 - 1 / r2)) / np.where(level, 1.0, flat))
            y = np.sqrt(np.maximum(square, 0))
            h = y * r1
            c1, c2, s1, s2 = h**2 / (mu * r1) - 1, h**2 / (mu * r2) - 1, h * x / mu, h * v / mu
            size = c1**2 + s1**2
            ahead = np.where(size < 1e-20, -1.0, np.clip((c1 * c2 + side * s1 * s2) / size, -1.0, 1.0))  # cosine of the way round
            e, p = np.sqrt(size), h**2 / mu
            open_way = (side > 0) | (p >= self.low * (1 + e) * (1 - 1e-9)) | ((e < 1) & (p <= self.high * (1 - e) * (1 + 1e-9)))
            # turns a, b about the two radius vectors add up to that between the planes: cos a cos b - sin a sin b cos(way) = cos(angle)
            A, B = np.cos(z[4]), -np.sin(z[4]) * ahead
            m = A**2 + B**2
            left = m - self.cos**2
            turned = (A * self.cos + B * np.sqrt(np.maximum(left, 0))) / m
            w = y * ratio
            total = np.sqrt(np.maximum((x - u1) ** 2 + y**2 + w1**2 - 2 * y * w1 * A, 0))
            total = total + np.sqrt(np.maximum((v - u2) ** 2 + w**2 + w2**2 - 2 * w * w2 * turned, 0))
            return np.where((left >= -1e-14) & (square >= 0) & open_way & np.isfinite(total), total, np.inf)

    def grid(self, shares):
        """The best of a grid for each end of the radii, legs and sign of the turn, among each slice of the turns ``shares`` (k, n), rad, in the first impulse: z (5, 16 or 32, n)."""
        found = []
        half = len(shares) // 2
        for k1 in (0.0, np.pi / 2):
            for k2 in (0.0, np.pi / 2):
                axes = []
                for end, k in ((self.first, k1), (self.second, k2)):
                    r = np.where(k == 0, end.low, end.high)
                    escape = np.sqrt(2 * self.mu / r)
                    u = speeds_at(self.mu, end.energy, end.h, r)[0] / escape
                    axes.append(np.concatenate([_PARTS[:, None] * u + 1e-3, _ESCAPES[:, None] + 0 * u]))
                x, v, turn = axes[0][:, None, None], axes[1][None, :, None], shares[None, None]
                for leg in (1, -1):
                    for sign in (1, -1):
                        z = [part + np.zeros((x.shape[0], v.shape[1], *shares.shape)) for part in (k1, k2, x, leg * v, sign * turn)]
                        value = self.cost(z)
                        for some in (slice(0, half), slice(half, None)) if half else (slice(None),):
                            at = np.argmin(value[:, :, some].reshape(-1, shares.shape[1]), axis=0), np.arange(shares.shape[1])
                            found.append([part[:, :, some].reshape(-1, shares.shape[1])[at] for part in z])
        return np.moveaxis(np.array(found), 0, 1)


def twice(mu, first, second, angle, low, high):
    """Least delta-v, m/s, of two impulses anywhere between the limits; inf where none is found. Arrays (n,) throughout.

    Where one impulse does nearly all of the turn, what is left for the other changes hundreds of times as fast as its own share (they are almost a quarter of a
    revolution apart): a steep and narrow valley. So it is gone down from both ends, in the turn of the impulse that hardly turns: the way back costs the same.
    """
    ways = Pairs(mu, first, second, angle, low, high), Pairs(mu, second, first, angle, low, high)
    if angle.size < _MANY:
        return _polished(ways, _starts(ways, angle))[1]
    # many: samples of about one pair; the middle one in full, the others from its best answers
    middle = np.argsort(first.energy + second.energy)[[angle.size // 2]]
    some = [pairs.part(middle) for pairs in ways]
    found = [np.repeat(z, angle.size, axis=2) for z in _polished(some, _starts(some, angle[middle]))[0]]
    for z in found:
        z[4] *= angle / np.maximum(angle[middle], 1e-12)
    return _polished(ways, found)[1]


def _starts(ways, angle):
    """Starts there and back: those in which the first impulse hardly turns the plane, and (there) those in which both do."""
    little = np.full((1, angle.size), _LITTLE) * angle
    there, back = ways
    return [np.concatenate([there.grid(little), there.grid(_SHARES[:, None] * angle)], axis=1), back.grid(little)]


def _polished(ways, starts):
    """The best of the starts of each way, gone down from: z (5, 3, n) each, and the least delta-v (n,) of all."""
    starts, least = list(starts), None
    values = [None, None]
    for steps, most in _DESCENTS:
        for k, pairs in enumerate(ways):
            starts[k], values[k] = _first(*descend(pairs.cost, starts[k], (2, 3, 4), steps, least), most)
        least = np.minimum(values[0][0], values[1][0])
    for k, pairs in enumerate(ways):
        # off the ends of the radii, where their squared sines are flat; at the largest turn that the way round allows the second impulse has
        # one way left, and beyond lies the other, which is the turn's mirror image
        inner = np.concatenate([starts[k], starts[k] * [[[1]], [[1]], [[1]], [[1]], [[-1]]]], axis=1)
        inner[:2] += np.where(inner[:2] > 0.5, -0.02, 0.02)
        inner = _first(inner, pairs.cost(inner), _INNER[0])[0]
        inner, value = descend(pairs.cost, inner, (0, 1, 2, 3, 4), _INNER[1], least)
        starts[k], values[k] = _first(np.concatenate([starts[k], inner], axis=1), np.concatenate([values[k], value]), 3)
        least = np.minimum(least, values[k][0])
    return starts, least


def _first(z, value, most):
    """The ``most`` best starts of each pair, the best one first."""
    at = np.argsort(value, axis=0)[:most], np.arange(z.shape[2])
    return z[:, at[0], at[1]], value[at]
