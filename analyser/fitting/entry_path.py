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
_R, _VR, _VT, _DRAG, _GRAVITY = range(5)


@dataclass(frozen=True)
class Fall:
    """Falls of k crafts, each up to ``count[i]`` points; arrays (n, k), held at their last point beyond it.

    Attributes
    ----------
    time : s since the start; radius : m; radial, transverse : m/s, inertial; felt : deceleration by drag, m/s^2; drag, gravity : m/s, what drag took from the inertial
    speed so far and what gravity gave to it.
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
    drag: np.ndarray
    gravity: np.ndarray
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
        """Radius, radial and transverse speed at ``times`` (m,) since the start, each (m, k); held beyond the ends."""
        times = np.asarray(times, float)
        out = np.empty((3, len(times), self.time.shape[1]))
        for fall in range(self.time.shape[1]):
            t = self.time[:, fall]
            last = int(np.searchsorted(t, t[-1])) + 1
            t = t[:last]
            when = np.clip(times, t[0], t[-1])
            k = np.clip(np.searchsorted(t, when, side="right") - 1, 0, max(last - 2, 0))
            if last < 2:
                out[:, :, fall] = np.array([self.radius[0, fall], self.radial[0, fall], self.transverse[0, fall]])[:, None]
                continue
            wide = t[k + 1] - t[k]
            part = (when - t[k]) / wide
            h00, h10 = (1 + 2 * part) * (1 - part) ** 2, part * (1 - part) ** 2
            h01, h11 = part**2 * (3 - 2 * part), part**2 * (part - 1)
            for place, values in enumerate((self.radius, self.radial, self.transverse)):
                v, s = values[:, fall], self.slope[place, :, fall]
                out[place, :, fall] = h00 * v[k] + h10 * wide * s[k] + h01 * v[k + 1] + h11 * wide * s[k + 1]
        return out[0], out[1], out[2]

    def peak(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The greatest deceleration of each fall, m/s^2, when, s, and at what altitude, m: each (k,). Sought between the points round the largest of the steps."""
        n, k = self.felt.shape
        fall = np.arange(k)
        top = np.argmax(self.felt, axis=0)
        fine = []
        for first, second in ((np.maximum(top - 1, 0), top), (top, np.minimum(top + 1, n - 1))):
            wide = self.time[second, fall] - self.time[first, fall]
            for part in np.linspace(0.0, 1.0, _FINE, endpoint=False):
                h = (1 + 2 * part) * (1 - part) ** 2, part * (1 - part) ** 2, part**2 * (3 - 2 * part), part**2 * (part - 1)
                fine.append(
                    [self.time[first, fall] + part * wide]
                    + [
                        h[0] * values[first, fall] + h[1] * wide * self.slope[place, first, fall] + h[2] * values[second, fall] + h[3] * wide * self.slope[place, second, fall]
                        for place, values in enumerate((self.radius, self.radial, self.transverse))
                    ]
                )
        time, r, vr, vt = np.array(fine).transpose(1, 0, 2)
        felt = 0.5 * density(self.body.atmosphere, r - self.body.radius) * (vr**2 + (vt - self.spin * r) ** 2) / self.ballistic
        best = np.clip(np.argmax(felt, axis=0), 1, len(felt) - 2)
        x, y = (np.stack([values[best - 1, fall], values[best, fall], values[best + 1, fall]]) for values in (time, felt))
        with np.errstate(all="ignore"):
            before, after = (y[1] - y[0]) / (x[1] - x[0]), (y[2] - y[1]) / (x[2] - x[1])
            bend = (after - before) / (x[2] - x[0])
            shift = (before + bend * (x[1] - x[0])) / (-2 * bend)
        inside = (bend < 0) & (x[1] + shift > x[0]) & (x[1] + shift < x[2])
        shift, bend = np.where(inside, shift, 0.0), np.where(inside, bend, 0.0)
        return y[1] - bend * shift**2, x[1] + shift, r[best, fall] - self.body.radius + vr[best, fall] * shift


def fall(body: Body, start, ballistic, spin: float | None = None, longest=math.inf, floor: float | None = None, step: float = STEP) -> Fall:
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
    """
    share = step
    spin = body.rotation_rate if spin is None else spin
    floor = body.radius if floor is None else floor
    y = np.zeros((5, len(start)))
    y[:3] = np.asarray(start, float).T
    count = y.shape[1]
    ballistic = np.broadcast_to(np.asarray(ballistic, float), (count,))
    longest = np.broadcast_to(np.asarray(longest, float), (count,))
    logarithm, height = _air(body)
    top, mu = body.radius + body.air_top, body.mu

    def rates(y):
        r, vr, vt = y[0], y[1], y[2]
        wind = vt - spin * r
        through = np.hypot(vr, wind)
        dense = np.where(r <= top * (1 + 1e-12), np.exp(logarithm(r - body.radius)), 0.0)
        k = 0.5 * dense * through / ballistic
        speed = np.hypot(vr, vt) + 1e-9
        pull = mu / (r * r)
        return np.array([vr, vt * vt / r - pull - k * vr, -vr * vt / r - k * wind, k * (vr * vr + wind * vt) / speed, -pull * vr / speed]), k * through, through

    t = np.zeros(count)
    ended = np.full(count, "still falling", dtype=object)
    alive = longest > 0
    ended[~alive] = "stopped"
    slope, felt, through = rates(y)
    history = [(t.copy(), y.copy(), felt, slope[:3].copy())]
    with np.errstate(all="ignore"):
        for _ in range(_MOST_STEPS):
            if not alive.any():
                break
            speed = np.hypot(y[1], y[2])
            lengths = (height / (np.abs(y[1]) + 1e-3 * speed + 1e-9), through / (felt + 1e-9), np.sqrt(height * y[0]) / (speed + 1e-9), 20 * height / (speed + 1.0))
            step = np.where(alive, np.minimum(share * np.min(lengths, axis=0), longest - t), 0.0)
            new = _stepped(rates, y, slope, step)
            # the last step ends on the ground, or at the top of the air
            below, left = alive & (new[0] < floor), alive & (new[0] > top) & (new[1] > 0)
            if (below | left).any():
                edge = np.where(below, floor, top)
                step = step * np.where(below | left, np.clip((y[0] - edge) / np.where(new[0] == y[0], 1.0, y[0] - new[0]), 0.0, 1.0), 1.0)
                new = _stepped(rates, y, slope, step)
            t, y = t + step, new
            slope, felt, through = rates(y)
            history.append((t.copy(), y.copy(), felt, slope[:3].copy()))
            stopped = alive & (t >= longest * (1 - 1e-12)) & ~below & ~left
            for flag, word in ((below, "ground"), (left, "left"), (stopped, "stopped")):
                ended[flag] = word
                alive = alive & ~flag
    times = np.array([item[0] for item in history])
    states = np.array([item[1] for item in history])
    return Fall(
        body, spin, ballistic, times, states[:, _R], states[:, _VR], states[:, _VT], np.array([item[2] for item in history]), states[:, _DRAG], states[:, _GRAVITY],
        np.array([item[3] for item in history]).transpose(1, 0, 2), ended,
    )  # fmt: skip


def _stepped(rates, y, k1, step):
    k2 = rates(y + step / 2 * k1)[0]
    k3 = rates(y + step / 2 * k2)[0]
    k4 = rates(y + step * k3)[0]
    return y + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)


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
