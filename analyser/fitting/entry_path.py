"""Falls through air: many at once, in the plane of motion, with drag and no lift.

A point mass of one ballistic coefficient (mass over drag coefficient times area, kg/m^2), air that turns with the ground, no wind, no thrust. Classical Runge-Kutta steps
of fourth order, each fall with a step of its own; between steps cubic Hermite curves. Nothing is reckoned of heating.

Closed forms that it is held against: peak deceleration of a steep fall, V^2 sin(angle) / (2 e H), reached where the density is beta sin(angle) / H (H. J. Allen and
A. J. Eggers, *A Study of the Motion and Aerodynamic Heating of Ballistic Missiles Entering the Earth's Atmosphere at High Supersonic Speeds*, NACA Report 1381, 1958).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.atmosphere import density
from analyser.flight import Body

STEP, COARSE = 0.1, 0.3  # of the shortest time in which anything changes: the usual step, and one good to a few parts in ten thousand
_MOST_STEPS = 6000
_FINE = 6  # points between two steps among which a peak is sought


@dataclass(frozen=True)
class Fall:
    """Falls of k crafts, each up to ``count[i]`` points; arrays (n, k), held at their last point beyond it.

    Attributes
    ----------
    time : s since the start; radius : m; radial, transverse : m/s, inertial; felt : deceleration by drag, m/s^2.
    slope : array (3, n, k)
        Rates of radius, radial and transverse.
    ended : array (k,) of str
        "ground", "left" (rose out of the air again), "stopped" (at its time) or "still falling".
    """

    body: Body
    spin: float
    ballistic: np.ndarray
    time: np.ndarray
    radius: np.ndarray
    radial: np.ndarray
    transverse: np.ndarray
    felt: np.ndarray
    slope: np.ndarray
    ended: np.ndarray

    @property
    def altitude(self) -> np.ndarray:
        """m above the datum, (n, k)."""
        return self.radius - self.body.radius

    @property
    def air_speed(self) -> np.ndarray:
        """Speed through the air, that over the ground, m/s, (n, k)."""
        return np.hypot(self.radial, self.transverse - self.spin * self.radius)

    @property
    def end(self) -> np.ndarray:
        """Last states, (k, 3)."""
        return np.stack([self.radius[-1], self.radial[-1], self.transverse[-1]], axis=1)

    def at(self, times) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius, radial and transverse speed at ``times`` since the start, (m,) or each fall's own (m, k), each (m, k); held beyond the ends."""
        times = np.asarray(times, float)
        count = self.time.shape[1]
        times = np.broadcast_to(times if times.ndim == 2 else times[:, None], (len(times), count))
        first, part, wide = np.zeros(times.shape, int), np.zeros(times.shape), np.zeros(times.shape)
        for fall in range(count):
            t = self.time[:, fall]
            t = t[: int(np.searchsorted(t, t[-1])) + 1]
            if len(t) < 2:
                continue
            when = np.clip(times[:, fall], t[0], t[-1])
            k = np.clip(np.searchsorted(t, when, side="right") - 1, 0, len(t) - 2)
            first[:, fall], wide[:, fall] = k, t[k + 1] - t[k]
            part[:, fall] = (when - t[k]) / wide[:, fall]
        return self._between(first, np.minimum(first + 1, len(self.time) - 1), part, wide)

    def _between(self, first, second, part, wide) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius, radial and transverse speed on the curves between two points of each fall (places (..., k)), ``part`` of the way along the ``wide`` seconds."""
        fall = np.arange(self.time.shape[1])
        h = (1 + 2 * part) * (1 - part) ** 2, part * (1 - part) ** 2 * wide, part**2 * (3 - 2 * part), part**2 * (part - 1) * wide
        return tuple(
            h[0] * values[first, fall] + h[1] * slope[first, fall] + h[2] * values[second, fall] + h[3] * slope[second, fall]
            for values, slope in zip((self.radius, self.radial, self.transverse), self.slope)
        )

    def _felt(self, r, vr, vt):
        """Deceleration by drag, m/s^2."""
        return 0.5 * density(self.body.atmosphere, r - self.body.radius) * (vr**2 + (vt - self.spin * r) ** 2) / self.ballistic

    def account(self) -> tuple[np.ndarray, np.ndarray]:
        """What drag took from the inertial speed of each fall and what gravity gave to it, m/s, each (k,): Simpson's rule over each step."""
        wide = np.diff(self.time, axis=0)
        first = np.arange(len(wide))[:, None]
        middle = self._between(first, first + 1, 0.5, wide)
        taken = given = 0.0
        ends = (self.radius, self.radial, self.transverse)
        for share, (r, vr, vt), felt in (
            (1 / 6, [values[:-1] for values in ends], self.felt[:-1]), (4 / 6, middle, self._felt(*middle)), (1 / 6, [values[1:] for values in ends], self.felt[1:])
        ):  # fmt: skip
            wind, speed = vt - self.spin * r, np.hypot(vr, vt) + 1e-9
            taken = taken + share * wide * felt / (np.hypot(vr, wind) + 1e-9) * (vr * vr + wind * vt) / speed
            given = given - share * wide * self.body.mu / (r * r) * vr / speed
        return taken.sum(axis=0), given.sum(axis=0)

    def peak(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The greatest deceleration of each fall, m/s^2, when, s, and at what altitude, m: each (k,). Sought between the points round the largest of the steps, twice."""
        last, fall = len(self.felt) - 1, np.arange(self.felt.shape[1])
        top = np.argmax(self.felt, axis=0)
        points = np.stack([np.maximum(top - 1, 0), top, np.minimum(top + 1, last)])
        place, reach = np.ones(len(fall)), 1.0  # among the three points: 0 to 2
        for _ in range(2):
            where = np.clip(place + np.linspace(-reach, reach, 2 * _FINE + 1)[:, None], 0.0, 2.0)
            first, second = (np.where(where < 1, points[k], points[k + 1]) for k in (0, 1))
            wide, part = self.time[second, fall] - self.time[first, fall], where - (where >= 1)
            r, vr, vt = self._between(first, second, part, wide)
            time, felt = self.time[first, fall] + part * wide, self._felt(r, vr, vt)
            best = np.clip(np.argmax(felt, axis=0), 1, len(felt) - 2)
            place, reach = where[best, fall], reach / _FINE
        x, y = (np.stack([values[best - 1, fall], values[best, fall], values[best + 1, fall]]) for values in (time, felt))
        with np.errstate(all="ignore"):
            before, after = (y[1] - y[0]) / (x[1] - x[0]), (y[2] - y[1]) / (x[2] - x[1])
            bend = (after - before) / (x[2] - x[0])
            shift = (before + bend * (x[1] - x[0])) / (-2 * bend)
        inside = (bend < 0) & (x[1] + shift > x[0]) & (x[1] + shift < x[2])
        shift, bend = np.where(inside, shift, 0.0), np.where(inside, bend, 0.0)
        return y[1] - bend * shift**2, x[1] + shift, r[best, fall] - self.body.radius + vr[best, fall] * shift


def fall(body: Body, start, ballistic, spin: float | None = None, longest=math.inf, floor: float | None = None, step: float = STEP, slowest=0.0) -> Fall:
    """Let crafts fall through the air of a body.

    Parameters
    ----------
    body : Body
        With air.
    start : array (k, 3)
        Radius m, radial and transverse speed m/s (inertial).
    ballistic : array (k,) or float
        Mass over drag area, kg/m^2.
    spin : float, optional
        How fast the air turns in the plane of motion, rad/s; by default with the motion, as about the equator.
    longest : array (k,) or float
        Each fall is stopped after this many seconds.
    floor : float, optional
        Radius of the ground, m; by default the datum.
    step : float
        How finely to integrate: :data:`STEP` or :data:`COARSE`.
    slowest : array (k,) or float
        m/s. A fall that the air has slowed below this is stopped: it only grows slower, and long sinks take many steps.
    """
    share = step
    spin = body.rotation_rate if spin is None else spin
    floor = body.radius if floor is None else floor
    y = np.array(start, float).T
    count = y.shape[1]
    all_ballistic = ballistic = np.broadcast_to(np.asarray(ballistic, float), (count,))
    longest, slowest = (np.broadcast_to(np.asarray(limit, float), (count,)) for limit in (longest, slowest))
    logarithm, height = _air(body)
    top, mu = body.radius + body.air_top, body.mu

    def rates(y):
        r, vr, vt = y
        wind, turn = vt - spin * r, vt / r
        through = np.hypot(vr, wind)
        k = 0.5 * np.exp(logarithm(r - body.radius)) * (r <= top * (1 + 1e-12)) * through / ballistic
        slope = np.empty_like(y)
        slope[0], slope[1], slope[2] = vr, vt * turn - mu / (r * r) - k * vr, -vr * turn - k * wind
        return slope, k * through, through

    def stepped(k1, step):
        half = step / 2
        k2 = rates(y + half * k1)[0]
        k3 = rates(y + half * k2)[0]
        k4 = rates(y + step * k3)[0]
        return y + step / 6 * (k1 + 2 * (k2 + k3) + k4)

    t = np.zeros(count)
    ended = np.full(count, "still falling", dtype=object)
    slope, felt, through = rates(y)
    falling = np.arange(count)
    history = [(falling, t, y, felt, slope)]
    over = ~(longest > 0)
    ended[over] = "stopped"
    with np.errstate(all="ignore"):
        for _ in range(_MOST_STEPS):
            if over.any():  # those that have ended are carried on no further
                kept = ~over
                falling, t, y, slope, felt, through = (part[..., kept] for part in (falling, t, y, slope, felt, through))
                ballistic, longest, slowest = ballistic[kept], longest[kept], slowest[kept]
                if not falling.size:
                    break
            speed = np.hypot(y[1], y[2])
            length = np.minimum(height / (np.abs(y[1]) + 1e-3 * speed + 1e-9), through / (felt + 1e-9))
            length = np.minimum(length, np.minimum(np.sqrt(height * y[0]) / (speed + 1e-9), 20 * height / (speed + 1.0)))
            step = np.minimum(share * length, longest - t)
            new = stepped(slope, step)
            # the last step ends on the ground, or at the top of the air
            below, left = new[0] < floor, (new[0] > top) & (new[1] > 0)
            out = below | left
            if out.any():
                edge = np.where(below, floor, top)
                step = step * np.where(out, np.clip((y[0] - edge) / np.where(new[0] == y[0], 1.0, y[0] - new[0]), 0.0, 1.0), 1.0)
                new = stepped(slope, step)
            t, y = t + step, new
            slope, felt, through = rates(y)
            history.append((falling, t, y, felt, slope))
            over = out | (t >= longest * (1 - 1e-12)) | ((through < slowest) & (felt > mu / y[0] ** 2))
            if over.any():
                ended[falling[over]] = np.where(below, "ground", np.where(left, "left", "stopped"))[over]
    return Fall(body, spin, all_ballistic, *_held(history, count), ended)


def _held(history, count: int) -> tuple[np.ndarray, ...]:
    """The points of all falls, each held at its last once it has ended: time, radius, radial and transverse speed, deceleration (n, k), slopes (3, n, k)."""
    whole = np.empty((8, len(history), count))
    for place, (falling, t, y, felt, slope) in enumerate(history):
        if len(falling) < count:
            whole[:, place] = whole[:, place - 1]
        whole[0, place, falling], whole[1:4, place, falling], whole[4, place, falling], whole[5:, place, falling] = t, y, felt, slope
    return *whole[:5], whole[5:]


def _air(body: Body):
    """The logarithm of the density as a function of altitude, and the height over which it changes by e where it changes fastest, m."""
    air = body.atmosphere
    if air.table:
        heights, values = np.array(sorted(air.table), dtype=float).T
        logs = np.log(values)
        steep = float(np.max(np.abs(np.diff(logs) / np.diff(heights)))) if len(heights) > 1 else 0.0
        return (lambda h: np.interp(h, heights, logs)), 1 / max(steep, 1e-9)
    base = math.log(air.surface_density)
    return (lambda h: base - h / air.scale_height), air.scale_height


def at_the_top(body: Body, energy, momentum) -> np.ndarray:
    """States (k, 3) at which orbits of ``energy`` and ``momentum`` (k,) come down through the top of the air; nan where they never do."""
    energy, momentum = np.atleast_1d(np.asarray(energy, float)), np.atleast_1d(np.asarray(momentum, float))
    top = body.radius + body.air_top
    across = momentum / top
    down = 2 * (energy + body.mu / top) - across**2
    with np.errstate(invalid="ignore"):
        return np.stack([np.full(len(across), top), -np.sqrt(np.where(down >= 0, down, np.nan)), across], axis=1)
