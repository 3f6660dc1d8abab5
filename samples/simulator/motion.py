"""The integrator: a craft under gravity, thrust and drag, phase after phase.

State: position and velocity (inertial axes, centred on the body whose sphere the craft is in), mass, and the running
integrals of thrust acceleration and of the steering, gravity and drag losses. By default only the present body pulls
(patched conics); ``all_pull=True`` lets every body pull.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import DOP853
from scipy.optimize import brentq

from .bodies import Body, World
from .craft import Craft

Vector = tuple[float, float, float]
#: A stop condition: (simulation, met, state) -> number; it holds once the number has risen through zero.
Condition = Callable[["Simulation", float, np.ndarray], float]
@dataclass(frozen=True)
class Cockpit:
    """What a pilot's law may look at besides the motion: the body, the craft, its stage, when the burn began (MET), and
    the drag area that is out (m^2)."""

    body: Body
    craft: Craft
    stage: int
    burn_start: float
    drag_area: float = 0.0


#: A pilot's law: (cockpit, met, position, velocity, mass) -> (unit vector of the thrust, throttle 0..1).
Law = Callable[[Cockpit, float, Vector, Vector, float], tuple[Vector, float]]

X, Y, Z, VX, VY, VZ, MASS, SPENT, STEERING, GRAVITY, DRAG, CLOCK_MOMENT = range(12)


class GroundContact(Exception):
    """The craft met the ground in a phase that was not to end there."""


@dataclass
class Segment:
    """A stretch of one kind: "coast", "burn", "air" (a coast through air) or "landed"."""

    kind: str
    body: Body
    start: float
    stage: int
    mets: list[float] = field(default_factory=list)
    pieces: list = field(default_factory=list)
    state: np.ndarray | None = None  # at the start
    end_state: np.ndarray | None = None
    law: Law | None = None
    cockpit: Cockpit | None = None
    end: float = math.nan

    def at(self, met: float) -> np.ndarray:
        """State at a time within the segment."""
        if self.kind == "landed":
            turn = self.body.spin * (met - self.start)
            cos, sin = math.cos(turn), math.sin(turn)
            y = self.state.copy()
            for i in (X, VX):
                y[i], y[i + 1] = cos * y[i] - sin * y[i + 1], sin * y[i] + cos * y[i + 1]
            return y
        if met >= self.end:
            return self.end_state
        if met <= self.start or not self.pieces:
            return self.state
        index = min(np.searchsorted(self.mets, met), len(self.pieces) - 1)
        return self.pieces[index](met)


class Simulation:
    """A flight under way. Phases (:meth:`coast`, :meth:`burn`, :meth:`wait`, :meth:`stage_off`) are called one after another."""

    def __init__(self, world: World, craft: Craft, body: str, position, velocity, met: float = 0.0,
                 stage: int = 0, propellant: float | None = None, all_pull: bool = False):
        self.world, self.craft, self.body = world, craft, world[body]
        self.met, self.stage, self.all_pull = met, stage, all_pull
        full = craft.stages[stage].propellant if propellant is None else propellant
        self.y = np.zeros(12)
        self.y[:3], self.y[3:6] = position, velocity
        self.y[MASS] = craft.empty_mass(stage) + full
        self.segments: list[Segment] = []
        self.parachute = 0.0
        self.transitions: list[dict] = []
        self.touchdowns: list[dict] = []
        self.stagings: list[dict] = []
        self.landed = False
        self.burn_start = met
        self.in_air = False
        self.rtol = 1e-11

    @classmethod
    def on_pad(cls, world: World, craft: Craft, body: str, longitude: float = 0.0, **more) -> "Simulation":
        """Standing on the equator of a body."""
        place = world[body]
        r = place.radius
        position = (r * math.cos(longitude), r * math.sin(longitude), 0.0)
        velocity = (-place.spin * position[1], place.spin * position[0], 0.0)
        sim = cls(world, craft, body, position, velocity, **more)
        sim.landed = True
        return sim

    def clone(self) -> "Simulation":
        """A copy to try things with; the flight so far is shared."""
        other = copy.copy(self)
        other.y = self.y.copy()
        for name in ("segments", "transitions", "touchdowns", "stagings"):
            setattr(other, name, list(getattr(self, name)))
        return other

    # -- what the pilot can know at this moment ---------------------------------------------------

    @property
    def r(self) -> Vector:
        """Position, m."""
        return tuple(self.y[:3])

    @property
    def v(self) -> Vector:
        """Velocity, m/s."""
        return tuple(self.y[3:6])

    @property
    def altitude(self) -> float:
        """Altitude over the datum, m."""
        return math.hypot(*self.y[:3]) - self.body.radius

    @property
    def propellant(self) -> float:
        """Propellant left in the burning stage, kg."""
        return float(self.y[MASS] - self.craft.empty_mass(self.stage))

    # -- phases -----------------------------------------------------------------------------------

    def coast(self, until: Condition | None = None, duration: float = math.inf, ground: str = "stop") -> str:
        """Fall freely. Ends at the condition ("until"), the duration ("duration") or the ground ("ground").

        Spheres of influence and the top of the air are crossed on the way, each with its own segment.
        """
        if self.landed:
            return "ground"
        deadline = self.met + duration
        if not math.isfinite(deadline) and until is None:
            raise ValueError("a coast needs a duration or a condition")
        while True:
            why = self._run("coast", None, until, deadline)
            if why.startswith("soi"):
                self._cross(self.world[self.body.parent if why == "soi out" else why.split(":")[1]])
                if getattr(until, "at_border", False) and until(self, self.met, self.y) > 0.0:
                    return "until"
            elif why == "air top":
                continue
            elif why == "ground":
                self._touch_down()
                return why
            else:
                return why

    def burn(self, law: Law, until: Condition | None = None, duration: float = math.inf, min_duration: float = 0.0) -> str:
        """Thrust by a law until the condition, the duration, an empty stage ("empty") or the ground ("ground")."""
        if self.landed:
            self.landed = False
        joined = bool(self.segments) and self.segments[-1].kind == "burn" and self.segments[-1].end == self.met
        if not joined:
            self.burn_start = self.met
            self.y[SPENT:] = 0.0
        deadline = self.met + duration
        why = self._run("burn", law, until, deadline)
        while why == "air top":
            why = self._run("burn", law, until, deadline)
        if why == "ground":
            self._touch_down()
        return why

    def wait(self, duration: float) -> None:
        """Stand on the ground."""
        segment = Segment("landed", self.body, self.met, self.stage, state=self.y.copy(), end=self.met + duration)
        self.segments.append(segment)
        self.y = segment.at(segment.end).copy()
        segment.end_state = self.y.copy()
        self.met += duration
        self.landed = True

    def stage_off(self) -> None:
        """Drop the present stage with what is left in it."""
        dropped = self.craft.stages[self.stage].name
        self.stage += 1
        left = self.craft.stages[self.stage]
        self.y[MASS] = self.craft.empty_mass(self.stage) + left.propellant
        self.stagings.append({"met": self.met, "from": dropped, "to": left.name})

    def open_parachute(self, area: float) -> None:
        """Add drag area (Cd A, m^2) from now on."""
        self.parachute = area

    # -- inside -----------------------------------------------------------------------------------

    def _radius(self) -> float:
        return math.sqrt(self.y[0] ** 2 + self.y[1] ** 2 + self.y[2] ** 2)

    def _under_air_top(self) -> bool:
        if self.body.air is None:
            return False
        above = self._radius() - self.body.air_top
        if abs(above) > 1e-9 * self.body.air_top:
            return above < 0.0
        return float(self.y[:3] @ self.y[3:6]) < 0.0  # at the very border: where it is going

    def _third_bodies(self) -> list[tuple[Body, float]]:
        """Other bodies that pull, as (body, sign of its place): parent at minus the moon's place, moons at theirs."""
        if not self.all_pull:
            return []
        others = [(moon, 1.0) for moon in self.world.moons(self.body.name)]
        if self.body.parent is not None:
            others.append((self.world[self.body.parent], -1.0))
        return others

    def _derivative(self, kind: str, segment: Segment) -> Callable:
        mu, spin, air, radius = self.body.mu, self.body.spin, self.body.air, self.body.radius
        air_top = self.body.air_top
        area = segment.cockpit.drag_area
        others = self._third_bodies()
        here = self.body
        if kind == "coast" and not others:
            def fall(t, y):
                x, yy, z, u, v, w = y.tolist()[:6]
                rr = x * x + yy * yy + z * z
                pull = -mu / (rr * math.sqrt(rr))
                return np.array((u, v, w, pull * x, pull * yy, pull * z, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0))
            return fall
        stage = self.craft.stages[self.stage]
        started, law, cockpit = self.burn_start, segment.law, segment.cockpit

        def full(t, y):
            x, yy, z, u, v, w, m = y.tolist()[:7]
            rr = x * x + yy * yy + z * z
            r = math.sqrt(rr)
            speed = math.sqrt(u * u + v * v + w * w) or 1e-12
            pull = -mu / (rr * r)
            ax, ay, az = pull * x, pull * yy, pull * z
            gravity = mu / rr * (x * u + yy * v + z * w) / (r * speed)
            for other, sign in others:
                moon = other if sign > 0 else here
                (px, py, pz), _ = moon.place(t)
                px, py, pz = sign * px, sign * py, sign * pz
                dx, dy, dz = px - x, py - yy, pz - z
                d3 = (dx * dx + dy * dy + dz * dz) ** 1.5
                p3 = (px * px + py * py + pz * pz) ** 1.5
                bx, by, bz = (other.mu * (d / d3 - p / p3) for d, p in ((dx, px), (dy, py), (dz, pz)))
                ax, ay, az = ax + bx, ay + by, az + bz
                gravity -= (bx * u + by * v + bz * w) / speed
            drag = 0.0
            if air is not None and r < air_top:
                ru, rv = u + spin * yy, v - spin * x
                wind = math.sqrt(ru * ru + rv * rv + w * w)
                k = -0.5 * air.density(r - radius) * wind * area / m
                ax, ay, az = ax + k * ru, ay + k * rv, az + k * w
                drag = -k * (ru * u + rv * v + w * w) / speed
            push = steering = flow = 0.0
            if law is not None:
                (dx, dy, dz), throttle = law(cockpit, t, (x, yy, z), (u, v, w), m)
                push = throttle * stage.thrust / m
                flow = throttle * stage.flow
                ax, ay, az = ax + push * dx, ay + push * dy, az + push * dz
                steering = push * (1.0 - (dx * u + dy * v + dz * w) / speed)
            return np.array((u, v, w, ax, ay, az, -flow, push, steering, gravity, drag, push * (t - started)))

        return full

    def _events(self, kind: str, until: Condition | None) -> list[tuple[str, Callable]]:
        """Named functions of (met, state); each fires when it rises through zero."""
        body = self.body
        radius = body.radius
        events: list[tuple[str, Callable]] = []
        if until is not None:
            events.append(("until", lambda t, y: until(self, t, y)))
        events.append(("ground", lambda t, y: radius - math.sqrt(y[0] * y[0] + y[1] * y[1] + y[2] * y[2])))
        if kind == "burn":
            empty = self.craft.empty_mass(self.stage)
            events.append(("empty", lambda t, y: empty - y[MASS]))
        if body.air is not None:
            top, sign = body.air_top, (1.0 if self.in_air else -1.0)
            events.append(("air top", lambda t, y: sign * (math.sqrt(y[0] * y[0] + y[1] * y[1] + y[2] * y[2]) - top)))
        if body.parent is not None:
            reach = body.soi
            events.append(("soi out", lambda t, y: math.sqrt(y[0] * y[0] + y[1] * y[1] + y[2] * y[2]) - reach))
        for moon in self.world.moons(body.name):
            def near(t, y, moon=moon):
                place, _ = moon.place(t)
                return moon.soi - math.dist(place, y[:3].tolist())
            events.append((f"soi in:{moon.name}", near))
        return events

    def _run(self, kind: str, law: Law | None, until: Condition | None, deadline: float) -> str:
        self.in_air = self._under_air_top()
        if kind != "burn":
            kind = "air" if self.in_air else "coast"
        segment = Segment(kind, self.body, self.met, self.stage, state=self.y.copy(), law=law,
                          cockpit=Cockpit(self.body, self.craft, self.stage, self.burn_start, self.craft.drag_area + self.parachute))
        events = self._events(kind, until)
        scale = self.body.radius
        speed = math.sqrt(self.body.mu / scale)
        atol = np.array([1e-11 * scale] * 3 + [1e-11 * speed] * 3 + [1e-8, 1e-8, 1e-8, 1e-8, 1e-8, 1e-5])
        bound = deadline if math.isfinite(deadline) else self.met + 1e10
        if bound <= self.met:
            return "duration"
        solver = DOP853(self._derivative(kind, segment), self.met, self.y, bound, rtol=self.rtol, atol=atol,
                        max_step=self._largest_step(kind, self.y))
        before = [function(self.met, self.y) for _, function in events]
        why = "duration"
        while solver.status == "running":
            if kind != "burn":
                solver.max_step = self._largest_step(kind, solver.y)
            message = solver.step()
            if kind == "burn" and len(segment.mets) > 5000:
                raise ValueError("the steering flutters: it has no direction where the speed is nought")
            if solver.status == "failed":
                raise RuntimeError(f"the integrator stopped at MET {solver.t}: {message}")
            dense = solver.dense_output()
            after = [function(solver.t, solver.y) for _, function in events]
            fired = []
            for (name, function), old, new in zip(events, before, after):
                if old < 0.0 <= new:
                    fired.append((brentq(lambda t: function(t, dense(t)), solver.t_old, solver.t, xtol=1e-9, rtol=1e-15), name))
            segment.mets.append(solver.t)
            segment.pieces.append(dense)
            if fired:
                met, why = min(fired)
                self.met, self.y = met, dense(met)
                segment.mets[-1] = met
                break
            before = after
        else:
            self.met, self.y = solver.t, solver.y.copy()
        segment.end, segment.end_state = self.met, self.y.copy()
        self.segments.append(segment)
        return why

    def _largest_step(self, kind: str, y) -> float:
        """No step so long that a dip below an altitude or through a sphere could hide in it."""
        if kind == "burn":
            return math.inf
        rr = y[0] * y[0] + y[1] * y[1] + y[2] * y[2]
        return 0.4 * math.sqrt(max(math.sqrt(rr), self.body.radius) ** 3 / self.body.mu)

    def _cross(self, to: Body) -> None:
        old = self.body
        if old.parent == to.name:
            place, moving, sign = *old.place(self.met), 1.0
        else:
            place, moving, sign = *to.place(self.met), -1.0
        self.y[:3] += sign * np.array(place)
        self.y[3:6] += sign * np.array(moving)
        self.body = to
        self.in_air = self._under_air_top()
        self.transitions.append({"met": self.met, "kind": "sphere of influence", "from": old.name, "to": to.name})

    def _touch_down(self) -> None:
        x, y, z, u, v, w = self.y[:6].tolist()
        r = math.sqrt(x * x + y * y + z * z)
        u, v = u + self.body.spin * y, v - self.body.spin * x
        up = (x * u + y * v + z * w) / r
        across = math.sqrt(max(0.0, u * u + v * v + w * w - up * up))
        self.touchdowns.append({"met": self.met, "body": self.body.name, "vertical_speed": up, "horizontal_speed": across,
                                "propellant": self.propellant, "longitude": math.atan2(y, x) - self.body.spin * self.met})
        self.y[3:6] = (-self.body.spin * y, self.body.spin * x, 0.0)
        self.landed = True

    # -- looking back -----------------------------------------------------------------------------

    def segment_at(self, met: float) -> Segment:
        """The segment that holds a time (the later one at a border)."""
        for segment in reversed(self.segments):
            if segment.start <= met:
                return segment
        return self.segments[0]

    def state_at(self, met: float) -> tuple[Segment, np.ndarray]:
        """Segment and state at a time."""
        segment = self.segment_at(met)
        return segment, segment.at(met)
