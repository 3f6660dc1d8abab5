"""Launch through air: the least delta-v of a craft's own stages into an orbit, with the pitch programme optimised.

A point mass, in the plane of the orbit, stages burnt one after another at full thrust and dropped when empty, drag along the motion through the air
(which turns with the ground), no lift, thrust in any direction. The craft rises from the ground, holds to a pitch programme of straight lines in time until cutoff,
coasts up through what air is left, and rounds the orbit off at its apsis with a short burn counted as an impulse with the second-order loss of its arc.
Seven unknowns: the time of cutoff and the pitch at six moments; a pitch free at every moment does better by less than a thousandth. Throttling back and coasting between stages are left out, so a craft
with much thrust might do a little better still. Losses are told along the inertial path (see :mod:`analyser.fitting.losses`): speed gained =
spent - steering - gravity - drag.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import apsides
from analyser.flight import Body

_NODES = np.array([0.0, 0.01, 0.08, 0.2, 0.4, 0.65, 1.0])  # of the burn's time: the first is straight up
_STEPS, _COAST_STEPS, _CROWDED = 22, 8, 1.4
_WILD = 1e6
_MOST_TRIED = 110  # programmes, with their slopes, from one start
_ROUND = 1e-5  # apsides that differ by less are joined as one


@dataclass(frozen=True)
class Launch:
    """The least launch found.

    Attributes
    ----------
    delta_v : float
        m/s, both burns; nan where there is none (``reason``).
    ascent, orbit_burn : float
        Its parts, m/s; ``ascent`` spends ``gravity``, ``steering`` and ``drag`` losses (m/s) besides the speed it gains (``gained``, inertial; the drag of the
        coast is in ``drag`` too).
    duration, coast : float
        Seconds of the ascent's burn, and from its cutoff to the apsis.
    cutoff_altitude, cutoff_speed : float
        m, m/s (inertial).
    apsis_radius : float
        Where the orbit is rounded off, m.
    programme : tuple of (seconds after lift-off, pitch rad, altitude m, speed over the ground m/s)
    burn_gravity : float
        The part of ``gravity`` that falls into the climb's burn; the rest, in the coast through what air is left, costs nothing.
    unknowns : tuple of float
        Cutoff as a share of all burning time, and the pitches at the moments of the programme after the first.
    """

    delta_v: float
    ascent: float = math.nan
    orbit_burn: float = math.nan
    gravity: float = math.nan
    steering: float = math.nan
    drag: float = math.nan
    gained: float = math.nan
    duration: float = math.nan
    coast: float = math.nan
    cutoff_altitude: float = math.nan
    cutoff_speed: float = math.nan
    apsis_radius: float = math.nan
    programme: tuple[tuple[float, float, float, float], ...] = ()
    reason: str = ""
    burn_gravity: float = math.nan
    unknowns: tuple[float, ...] = ()


def launch(body: Body, orbit, tanks: Tanks, near: Launch | None = None) -> Launch:
    """Least delta-v from the ground into an orbit.

    Parameters
    ----------
    body : Body
        With air; without, :func:`analyser.fitting.powered.ascent` is the exact answer.
    orbit : (energy, angular momentum)
    tanks : Tanks
        The craft as it stands on the ground; its ``drag_area`` counts.
    near : Launch, optional
        The least launch of a case much like it, to begin from: several times quicker.
    """
    craft = tanks.craft
    if craft is None or tanks.missing:
        return Launch(math.nan, reason="the craft's masses, thrust or specific impulse are not known")
    if not math.isfinite(craft.drag_area):
        return Launch(math.nan, reason="the craft file has no drag_area")
    if tanks.thrust <= tanks.mass * body.surface_gravity:
        return Launch(math.nan, reason="full thrust is less than the weight at the ground")
    joins = [float(r) for r in apsides(body.mu, *orbit) if math.isfinite(r) and r > body.radius + body.air_top]
    if len(joins) == 2 and joins[1] < joins[0] * (1 + _ROUND):
        joins = [sum(joins) / 2]
    cases = [_Ascent(body, orbit, tanks, join) for join in joins]
    found = [one for one in (case.best(near) for case in cases) if one is not None] if near is not None and near.unknowns else []
    found = found or [one for one in (case.best() for case in cases) if one is not None]
    if not found:
        return Launch(math.nan, reason="no pitch programme was found that brings this craft into that orbit" if joins else "the orbit is inside the air")
    return min(found, key=lambda one: one.delta_v)


class _Enough(Exception):
    """Tried long enough: what is still gained is not worth the time."""


class _Ascent:
    """Launches that join the orbit at one of its apsides."""

    def __init__(self, body: Body, orbit, tanks: Tanks, join: float):
        self.body, self.join = body, join
        self.wanted = abs(orbit[1]) / join  # transverse speed there
        self.spin = math.copysign(1.0, orbit[1]) * body.rotation_rate
        craft = tanks.craft
        self.area = craft.drag_area
        self.stages = []  # mass at ignition, thrust, exhaust speed, longest burn
        for index in range(tanks.stage, len(craft.stages)):
            stage = craft.stages[index]
            load = tanks.propellant if index == tanks.stage else stage.propellant
            if load > 0:
                self.stages.append((craft.mass(index, load), stage.thrust, stage.exhaust_speed, load / stage.mass_flow))
        self.longest = sum(stage[3] for stage in self.stages)
        self.unit = math.sqrt(body.mu / body.radius)
        air = body.atmosphere
        if air.table:
            heights, values = np.array(sorted(air.table), dtype=float).T
            logs = np.log(values)
            self.density = lambda h: np.where(h > air.top, 0.0, np.exp(np.interp(h, heights, logs)))
        else:
            self.density = lambda h: np.where(h > air.top, 0.0, air.surface_density * np.exp(-np.clip(h, 0.0, None) / air.scale_height))

    def best(self, near: Launch | None = None) -> Launch | None:
        from scipy.optimize import minimize

        low = np.array([0.02, *[-0.6] * (len(_NODES) - 1)])
        high = np.array([0.9995, *[math.pi / 2] * (len(_NODES) - 1)])
        size = len(low)
        memory: dict = {}
        tried: list = []
        kept: list = [np.inf, None]

        def at(z):
            key = z.tobytes()
            if key not in memory:
                if len(tried) >= _MOST_TRIED:
                    raise _Enough
                tried.append(key)
                memory.clear()
                points = np.clip(z + np.vstack([np.zeros(size), 1e-6 * np.eye(size), -1e-6 * np.eye(size)]), low, high)
                out = self.fly(points)
                stack = np.vstack([out["total"] / self.unit, out["apsis"], out["above"]])
                wide = np.array([points[1 + k, k] - points[1 + size + k, k] for k in range(size)])
                if abs(stack[1, 0]) < 1e-5 and stack[2:, 0].min() > -1e-5 and stack[0, 0] < kept[0]:
                    kept[:] = stack[0, 0], z.copy()
                memory[key] = stack[:, 0], (stack[:, 1 : 1 + size] - stack[:, 1 + size :]) / wide
            return memory[key]

        answers = []
        starts = self._starts(low, high) if near is None else [np.clip(near.unknowns, low, high)]
        for start in starts:
            tried[:], kept[:] = [], [np.inf, None]  # ``kept``: the best so far that reaches the orbit
            memory.clear()
            with contextlib.suppress(_Enough):
                minimize(
                    lambda z: at(z)[0][0], start, jac=lambda z: at(z)[1][0], method="SLSQP", bounds=list(zip(low, high)),
                    constraints=[
                        {"type": "eq", "fun": lambda z: at(z)[0][1:2], "jac": lambda z: at(z)[1][1:2]},
                        {"type": "ineq", "fun": lambda z: at(z)[0][2:], "jac": lambda z: at(z)[1][2:]},
                    ],
                    options={"maxiter": 100, "ftol": 1e-6},
                )  # fmt: skip
            if kept[1] is not None:
                answers.append(tuple(kept))
        if not answers:
            return None
        return self._told(min(answers, key=lambda one: one[0])[1])

    def _starts(self, low, high) -> list[np.ndarray]:
        """The best two, unlike each other, of a crowd of programmes that lower the pitch early or late, at different cutoffs."""
        rng = np.random.default_rng(5)
        count = 500
        z = np.empty((count, len(_NODES)))
        z[:, 0] = rng.uniform(0.05, 0.999, count)
        bend, end = rng.uniform(0.6, 6.0, count), rng.uniform(-0.2, 0.5, count)
        z[:, 1:] = end[:, None] + (math.pi / 2 - end[:, None]) * (1 - _NODES[1:]) ** bend[:, None]
        out = self.fly(np.clip(z, low, high))
        price = out["total"] / self.unit + 60 * np.abs(out["apsis"]) + 60 * np.clip(-out["above"], 0, None).sum(axis=0)
        order = np.argsort(price)
        first = z[order[0]]
        second = next((z[k] for k in order[1:] if abs(z[k][0] - first[0]) > 0.05 or abs(z[k][4] - first[4]) > 0.2), z[order[1]])
        return [first, second]

    def fly(self, z, record: bool = False):
        """Fly a batch of unknowns, shape (k, 7): the cutoff as a share of all burning time, and pitches. The losses along the path are summed up for ``record`` only."""
        mu, ground, spin = self.body.mu, self.body.radius, self.spin
        count = len(z)
        cutoff = z[:, 0] * self.longest
        pitches = np.column_stack([np.full(count, math.pi / 2), z[:, 1:]])

        def pitch_at(t):
            """Pitch at times (m, k)."""
            share = np.clip(t / cutoff, 0.0, 1.0)
            k = np.clip(np.searchsorted(_NODES, share, side="right") - 1, 0, len(_NODES) - 2)
            part = (share - _NODES[k]) / (_NODES[k + 1] - _NODES[k])
            rows = np.arange(count)
            return pitches[rows, k] * (1 - part) + pitches[rows, k + 1] * part

        def rates(y, mass, up, along):
            """``up`` and ``along``: the thrust's acceleration, 0 in a coast."""
            r, vr, vt = y[0], y[1], y[2]
            wind = vt - spin * r
            drag = (self.density(r - ground) * (0.5 * self.area)) * np.sqrt(vr * vr + wind * wind) / mass
            pull = mu / (r * r)
            out = np.empty_like(y)
            out[0] = vr
            out[1] = up - pull + vt * vt / r - drag * vr
            out[2] = along - vr * vt / r - drag * wind
            if record:
                speed = np.hypot(vr, vt) + 1e-9
                out[3] = pull * vr / speed
                out[4] = np.hypot(up, along) - (vr * up + vt * along) / speed
                out[5] = drag * (vr * vr + wind * vt) / speed
            return out

        y = np.zeros((6 if record else 3, count))
        y[0], y[2] = ground, spin * ground
        begin = np.zeros(count)
        spent, path = np.zeros(count), []
        last_mass = np.full(count, self.stages[0][0])
        lowest = np.zeros(count)
        grid = (np.arange(_STEPS + 1) / _STEPS) ** _CROWDED  # short steps first, where the pitch changes fastest
        grid = np.insert(grid, np.arange(1, _STEPS + 1), (grid[1:] + grid[:-1]) / 2)[:, None]
        with np.errstate(all="ignore"):
            for mass0, thrust, exhaust, longest in self.stages:
                length = np.clip(cutoff - begin, 0.0, longest)
                if not length.any():
                    break
                flow = thrust / exhaust
                times = grid * length
                pitch, masses = pitch_at(begin + times), mass0 - flow * times
                ups, alongs = thrust / masses * np.sin(pitch), thrust / masses * np.cos(pitch)
                for step in range(_STEPS):
                    a, m, e = 2 * step, 2 * step + 1, 2 * step + 2
                    d = times[e] - times[a]
                    if record:
                        path.append((float(begin[0] + times[a, 0]), float(pitch[a, 0]), float(y[0, 0] - ground), float(math.hypot(y[1, 0], y[2, 0] - spin * y[0, 0]))))
                    k1 = rates(y, masses[a], ups[a], alongs[a])
                    k2 = rates(y + d / 2 * k1, masses[m], ups[m], alongs[m])
                    k3 = rates(y + d / 2 * k2, masses[m], ups[m], alongs[m])
                    k4 = rates(y + d * k3, masses[e], ups[e], alongs[e])
                    y = y + d / 6 * (k1 + 2 * (k2 + k3) + k4)
                    lowest = np.minimum(lowest, y[0] - ground)
                burns = length > 0
                end = mass0 - flow * length
                spent = spent + exhaust * np.log(mass0 / end)
                last_mass = np.where(burns, end, last_mass)
                begin = begin + length
            at_cutoff = y.copy()
            # through what air is left, at most to the top of the path
            fall = np.maximum(mu / y[0] ** 2 - y[2] ** 2 / y[0], 1e-3)
            rise = np.clip(ground + self.body.air_top - y[0], 0.0, None)
            root = y[1] ** 2 - 2 * fall * rise
            d = np.where(rise > 0, np.clip((y[1] - np.sqrt(np.clip(root, 0, None))) / fall, 0.0, 3000.0), 0.0) / _COAST_STEPS
            for _ in range(_COAST_STEPS if d.any() else 0):
                k1 = rates(y, last_mass, 0.0, 0.0)
                k2 = rates(y + d / 2 * k1, last_mass, 0.0, 0.0)
                k3 = rates(y + d / 2 * k2, last_mass, 0.0, 0.0)
                k4 = rates(y + d * k3, last_mass, 0.0, 0.0)
                y = y + d / 6 * (k1 + 2 * (k2 + k3) + k4)
            r, vr, vt = y[:3]
            energy, h = (vr**2 + vt**2) / 2 - mu / r, r * vt
            kick = np.abs(self.wanted - h / self.join)
            arc = self._time_of(kick, cutoff) * self.wanted / self.join
            total = spent + kick * (1 + arc**2 / 24)
            apsis = (energy - h**2 / (2 * self.join**2) + mu / self.join) / self.unit**2
            above = np.array([(self.join - r) / ground, at_cutoff[1] / self.unit, 0.8 - arc, lowest / ground + 1e-9])
        clean = [np.nan_to_num(part, nan=_WILD, posinf=_WILD, neginf=-_WILD) for part in (total, apsis, above)]
        return dict(total=clean[0], apsis=clean[1], above=clean[2], kick=kick, arc=arc, spent=spent, cutoff=cutoff, at=at_cutoff, end=y, coasted=d * _COAST_STEPS, path=path)

    def _time_of(self, kick, cutoff):
        """Seconds that the last burn takes, with what the stages hold after the cutoff."""
        left, time, begin = kick, np.zeros_like(kick), 0.0
        for number, (mass0, thrust, exhaust, longest) in enumerate(self.stages):
            flow = thrust / exhaust
            mass = mass0 - flow * np.clip(cutoff - begin, 0.0, longest)
            held = exhaust * np.log(mass / (mass0 - flow * longest))
            take = left if number == len(self.stages) - 1 else np.minimum(left, held)
            time = time - mass * np.expm1(-take / exhaust) / flow
            left, begin = left - take, begin + longest
        return time

    def _told(self, z) -> Launch:
        from analyser.fitting.transfer import time_from_periapsis

        out = self.fly(z[None], record=True)
        cut, end = out["at"][:, 0], out["end"][:, 0]
        energy, h = (end[1] ** 2 + end[2] ** 2) / 2 - self.body.mu / end[0], end[0] * end[2]
        half = math.pi * math.sqrt((self.body.mu / (-2 * energy)) ** 3 / self.body.mu) if energy < 0 else math.nan
        coast = float(out["coasted"][0]) + half - float(time_from_periapsis(self.body.mu, energy, h, end[0]))
        return Launch(
            float(out["total"][0]), float(out["spent"][0]), float(out["total"][0] - out["spent"][0]), float(end[3]), float(end[4]), float(end[5]),
            float(math.hypot(end[1], end[2]) - abs(self.spin) * self.body.radius), float(out["cutoff"][0]), coast, float(cut[0] - self.body.radius),
            math.hypot(cut[1], cut[2]), self.join, tuple(out["path"]), burn_gravity=float(cut[3]), unknowns=tuple(float(x) for x in z),
        )  # fmt: skip
