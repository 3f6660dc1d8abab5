"""A descent flown well: full throttle from a late ignition, a pitch programme solved by shooting so that the craft stops at the ground.

The tangent of the pitch is a straight line in time (the steering that is best over flat ground with steady pull, common practice, no source); its two
numbers are solved for the height and sink rate at the end, the ignition for the least propellant. Nothing here knows what the least is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from . import steering as st
from .conditions import across_speed_below
from .motion import Simulation

WEST = 1.5 * math.pi
_STEPS = 160


@dataclass(frozen=True)
class Brake:
    """A solved braking burn: ``wait`` s of coasting, then ``length`` s of thrust, tan(pitch) = ``level`` + ``slope`` * time."""

    wait: float
    level: float
    slope: float
    length: float
    throttle: float

    def law(self):
        """For :meth:`Simulation.burn`: straight lines between closely spaced points."""
        times = np.linspace(0, 1.2 * self.length, 90)
        return st.pitch_programme(tuple((float(t), math.atan(self.level + self.slope * float(t))) for t in times), WEST, self.throttle)


class NoBrake(ValueError):
    """No such burn was found."""


def solve_brake(sim: Simulation, height: float, sink: float, throttle: float = 1.0, wait: float | None = None,
                near: Brake | None = None) -> Brake:
    """The burn that stops a coasting craft (eastwards over the equator of an airless body) ``height`` m over the ground with ``sink`` m/s.

    ``wait`` fixes the ignition; otherwise that of the shortest burn is looked for. ``near``: a burn to start the search from.
    """
    shot = _Shot(sim, height, sink, throttle)
    if near is not None:
        shot.guess, shot.first = (near.level, near.slope), near.length
    if wait is not None:
        return shot.solved(wait)
    length = shot.about()
    when = shot.lowest()
    spread = 0.6 * length
    tried = {}

    def cost(start: float) -> float:
        try:
            tried[start] = shot.solved(start)
        except NoBrake:
            return 1e6 + abs(start - (when - 0.55 * length))
        return tried[start].length

    centre = when - 0.55 * length
    grid = np.linspace(max(5.0, centre - spread), centre + spread, 9)
    best = float(min(grid, key=cost))
    step = float(grid[1] - grid[0])
    minimize_scalar(cost, bounds=(max(5.0, best - step), best + step), method="bounded", options={"xatol": 0.02, "maxiter": 18})
    if not tried:
        raise NoBrake
    return min(tried.values(), key=lambda one: one.length)


class _Shot:
    """Planar motion in the equator's plane by a fixed-step integration of its own, quick enough to shoot many times."""

    def __init__(self, sim: Simulation, height: float, sink: float, throttle: float):
        self.sim, self.body = sim, sim.body
        stage = sim.craft.stages[sim.stage]
        self.thrust, self.flow = throttle * stage.thrust, throttle * stage.thrust / (stage.specific_impulse * 9.80665)
        self.mass, self.height, self.sink, self.throttle = float(sim.y[6]), height, sink, throttle
        self.guess, self.first = (0.25, 0.0), math.nan

    def start(self, wait: float):
        """Radius, climb and level speed after coasting on."""
        trial = self.sim.clone()
        trial.coast(duration=wait)
        if trial.landed:
            raise NoBrake
        x, y, u, v = (float(trial.y[k]) for k in (0, 1, 3, 4))
        r = math.hypot(x, y)
        return r, (x * u + y * v) / r, (x * v - y * u) / r

    def lowest(self) -> float:
        """Seconds to the lowest point of the coast, or to the ground."""
        trial = self.sim.clone()
        before = trial.met
        trial.coast(until=lambda s, t, y: y[0] * y[3] + y[1] * y[4], duration=1e6)
        return trial.met - before

    def about(self) -> float:
        """Roughly how long the burn takes, s."""
        _, _, level = self.start(0.0)
        exhaust = self.thrust / self.flow
        return self.mass * -math.expm1(-level / exhaust) / self.flow

    def fly(self, state, level: float, slope: float, length: float):
        """Radius, climb, speed over the ground after ``length`` s."""
        mu, spin = self.body.mu, self.body.spin
        r, u, w = state
        h = length / _STEPS

        def rates(t, r, u, w):
            a = self.thrust / (self.mass - self.flow * t)
            tan = level + slope * t
            cos = 1.0 / math.sqrt(1.0 + tan * tan)
            return u, w * w / r - mu / (r * r) + a * tan * cos, -u * w / r - a * cos

        for k in range(_STEPS):
            t = k * h
            a1, b1, c1 = rates(t, r, u, w)
            a2, b2, c2 = rates(t + h / 2, r + h / 2 * a1, u + h / 2 * b1, w + h / 2 * c1)
            a3, b3, c3 = rates(t + h / 2, r + h / 2 * a2, u + h / 2 * b2, w + h / 2 * c2)
            a4, b4, c4 = rates(t + h, r + h * a3, u + h * b3, w + h * c3)
            r, u, w = r + h / 6 * (a1 + 2 * (a2 + a3) + a4), u + h / 6 * (b1 + 2 * (b2 + b3) + b4), w + h / 6 * (c1 + 2 * (c2 + c3) + c4)
            if r < 0.9 * self.body.radius:
                raise NoBrake
        return r, u, w - spin * r

    def solved(self, wait: float) -> Brake:
        """Newton's steps on level, slope and length."""
        state = self.start(wait)
        x = np.array([*self.guess, self.first if math.isfinite(self.first) else self.about()])
        scale = np.array([1e-4, 1e-4 / x[2], 1e-4 * x[2]])
        size = np.array([self.body.radius * 1e-3, 1.0, 1.0])
        wanted = np.array([self.body.radius + self.height, -self.sink, 0.0])
        if 1.02 * x[2] > self.mass / self.flow:
            raise NoBrake

        def miss(x):
            if not 0 < x[2] < 0.97 * self.mass / self.flow:
                raise NoBrake
            return (np.array(self.fly(state, *x)) - wanted) / size

        for _ in range(25):
            off = miss(x)
            if np.abs(off * size).max() < 1e-5:
                self.guess, self.first = (float(x[0]), float(x[1])), float(x[2])
                return Brake(float(wait), float(x[0]), float(x[1]), float(x[2]), self.throttle)
            slopes = np.array([(miss(x + scale * (np.arange(3) == k)) - off) / scale[k] for k in range(3)]).T
            step = np.linalg.solve(slopes, -off)
            limit = max(1.0, abs(step[0]) / 0.4, abs(step[2]) / (0.15 * x[2]))
            x = x + step / limit
        raise NoBrake


def fly_brake(sim: Simulation, brake: Brake, to_ground: bool = False) -> None:
    """Coast, and burn by the programme until the craft stands still over the ground, or on until it touches it."""
    sim.coast(duration=brake.wait)
    if sim.landed:
        raise NoBrake
    sim.burn(brake.law(), None if to_ground else across_speed_below(0.0), duration=1.15 * brake.length)


def dropping(floor: float = 1.0, sink: float = 1.0):
    """Upright: fall with the engine off, and stop ``floor`` m over the ground (down to ``sink`` m/s) with nearly full thrust begun as late as it can be."""
    def law(cockpit, t, r, v, m):
        up, _, _ = st.level_frame(r)
        spin = cockpit.body.spin
        radius = math.sqrt(r[0] ** 2 + r[1] ** 2 + r[2] ** 2)
        flat = (v[0] + spin * r[1], v[1] - spin * r[0], v[2])
        climb = sum(a * b for a, b in zip(up, flat))
        across = tuple(a - climb * b for a, b in zip(flat, up))
        full = cockpit.craft.stages[cockpit.stage].thrust / m
        height = max(radius - cockpit.body.radius - floor, 0.3)
        push = (climb * climb - sink * sink) / (2.0 * height) + cockpit.body.mu / radius**2
        share = push / full
        # opened over a band, so that an integrator's steps stay long
        share *= min(max((share - 0.75) / 0.1, 0.0), 1.0) * min(max(-climb / sink - 0.5, 0.0), 1.0)
        aim = tuple(push * a - 0.2 * b for a, b in zip(up, across))
        size = math.sqrt(sum(a * a for a in aim)) or 1.0
        return tuple(a / size for a in aim), min(share, 1.0)
    return law
