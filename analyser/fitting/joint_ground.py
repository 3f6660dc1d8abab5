"""Descents and ascents in the joint estimate: a stay on the ground as a link of the chain.

The craft's mass goes on through the contact: what was left before the descent, on the ground and after the ascent is tied by the rocket equation to what
each of the two burns spent. So does its motion: it stood on the ground, as high as terrain, altimeter and radar altimeter say, and as fast as the ground turns; the readings
on the way lead from there to the coast, whatever throttle and nose did between them (:mod:`analyser.fitting.contact_path`). The terrain's height is an unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.contact_path import Contact, Reached, reach
from analyser.fitting.joint_coast import Coast
from analyser.fitting.own_times import own_times
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.timing import BurnTimes

_TERRAIN = 5000.0  # m: how high the ground may be where no altitude was read on it
_WALK = (-1.0, 2.0)  # m/s: sink rate at a contact that nobody read, and its sigma (common practice, no source)
_SIDEWAYS = 1.5  # m/s, likewise


@dataclass
class Ground:
    """A stay on the ground in the joint estimate: unknown are its radius and, where read, its propellant (kg), both with their sigmas."""

    arc: FittedArc
    radius_sigma: float
    propellant: float = math.nan
    propellant_sigma: float = math.nan
    stage: int = -1

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 1 + math.isfinite(self.propellant)

    def radius(self, u: np.ndarray) -> np.ndarray:
        """Radius (C,), m."""
        return self.arc.state[0] + self.radius_sigma * u[0]

    def mass_left(self, u: np.ndarray) -> np.ndarray:
        """Propellant (C,), kg."""
        return self.propellant + self.propellant_sigma * u[1]


@dataclass
class GroundTie:
    """The residuals of a burn to or from the ground: delta-v spent by the rocket equation, where propellant was read on both sides, and the motion
    ``reached`` from the ground against the coast. Unknowns z: those before, spent in units of ``unit`` about ``centre`` (where linked), those after."""

    before: Coast | Ground
    after: Coast | Ground
    exhaust: float
    empty: float  # mass without the firing stage's propellant, kg
    inside: tuple[int, ...]
    edges: tuple[int | None, int | None]
    times: BurnTimes | None = None
    reached: Reached | None = None
    centre: float = 0.0
    unit: float = 1.0
    readings: None = None
    begin: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if self.linked:
            heavy, light = self.empty + self.before.propellant, self.empty + self.after.propellant
            self.centre = self.exhaust * math.log(heavy / light)
            self.unit = self.exhaust * math.hypot(self.before.propellant_sigma / heavy, self.after.propellant_sigma / light)
            self.begin = np.zeros(1)
        if self.reached is not None:
            size = np.sqrt(np.diag(self.reached.covariance))
            self._whiten = np.linalg.inv(np.linalg.cholesky(self.reached.covariance / np.outer(size, size))) / size

    @property
    def linked(self) -> bool:
        """Whether propellant on both sides tells what was spent."""
        return math.isfinite(self.exhaust)

    @property
    def unknowns(self) -> int:
        """Number of the tie's own."""
        return int(self.linked)

    @property
    def surplus(self) -> int:
        """Degrees of freedom."""
        return 4 if self.reached is not None else 0

    def spent(self, b: np.ndarray) -> np.ndarray:
        """Delta-v (C,) for unknowns (1, C), m/s."""
        return self.centre + self.unit * b[0]

    def whitening(self, z: np.ndarray) -> None:
        """Readings on the way are in what was reached."""
        return None

    def residuals(self, z: np.ndarray, whiten=None) -> np.ndarray:
        """Residuals (n, C); that of the rocket equation in units that let it hold as good as exactly."""
        first, last = self.before.size, self.before.size + self.unknowns
        a, c = z[:first], z[last:]
        parts = []
        if self.linked:
            heavy = np.maximum(self.empty + self.before.mass_left(a), 1e-6)
            light = np.maximum(self.empty + self.after.mass_left(c), 1e-6)
            parts.append(((self.spent(z[first:last]) - self.exhaust * np.log(heavy / light)) / (0.02 * self.unit))[None])
        if self.reached is not None:
            ground, coast, own, other = (self.before, self.after, a, c) if isinstance(self.before, Ground) else (self.after, self.before, c, a)
            there = np.concatenate([coast.at(other, np.full(z.shape[1], self.reached.met)), ground.radius(own)[None]])
            parts.append(self._whiten @ (there - self.reached.mean[:, None]))
        return np.concatenate(parts)


def ground_of(arc: FittedArc, propellant: PropellantHistory) -> Ground:
    """A stay on the ground; its propellant where that was read and a craft says which stage burns it."""
    sigma = math.sqrt(float(arc.covariance[0, 0]))
    ground = Ground(arc, sigma if 0 < sigma < 1000.0 else _TERRAIN)
    known = propellant.known(arc.rows)
    stages = {int(propellant.stage[row]) for row in known}
    if len(stages) == 1 and propellant.craft is not None:
        best = min(known, key=lambda row: propellant.sigma[row])
        ground.propellant, ground.propellant_sigma = float(propellant.propellant[best]), max(float(propellant.sigma[best]), 1e-9)
        ground.stage = stages.pop()
    return ground


def ground_tie(before: Coast | Ground, after: Coast | Ground, inside: tuple[int, ...], edges, rows: PanelRows, propellant: PropellantHistory) -> GroundTie | None:
    """The tie of a descent or an ascent; None where neither propellant nor the readings on the way tie anything."""
    exhaust, empty, most = math.nan, math.nan, 6 * before.arc.body.surface_gravity
    stage = propellant.firing(edges[0]) if edges[0] is not None else None
    if stage is not None:
        mass = propellant.mass(edges[0])
        light = propellant.mass(edges[1]) if edges[1] is not None else mass
        if math.isfinite(stage.thrust / light):
            most = stage.thrust / light
        if None not in edges and before.stage == after.stage and before.propellant > after.propellant and math.isfinite(stage.exhaust_speed + mass):
            exhaust, empty = stage.exhaust_speed, mass - float(propellant.propellant[edges[0]])
    times = own_times(before.arc, after.arc, inside, rows, propellant, edges)
    reached = _reached(before, after, inside, times, rows, most)
    if reached is None and not math.isfinite(exhaust):
        return None
    return GroundTie(before, after, exhaust, empty, inside, edges, times, reached)


def _reached(before: Coast | Ground, after: Coast | Ground, inside, times: BurnTimes, rows: PanelRows, most: float) -> Reached | None:
    """What the ground and the readings on the way say of the coast."""
    down = isinstance(after, Ground)
    ground, coast = (after, before) if down else (before, after)
    body = ground.arc.body
    if body.air_top > 0 or not isinstance(coast, Coast):
        return None
    nodes = [row for row in inside if not rows.standing[row]]
    if down:
        nodes = [*([ground.arc.rows[0]] if not rows.standing[ground.arc.rows[0]] else []), *reversed(nodes)]
    if not nodes:
        return None
    sense = float(coast.arc.fit.observations.rotation_sense) if coast.arc.fit is not None else 1.0
    turning = sense * body.rotation_rate * float(ground.arc.state[0])
    play = 0.1 * abs(turning) + 0.05  # the plane may not be the equator's
    if down:
        contact = _touchdown(ground, nodes, rows, turning, play)
        end = min(times.ignition.value, float(rows.met[nodes[-1]])), times.ignition.sigma
    else:
        met = min(times.ignition.value, float(rows.met[nodes[0]]))
        contact = Contact(met, times.ignition.sigma, float(ground.arc.state[0]), (0.0, 0.05), (turning, play))
        end = max(times.cutoff.value, float(rows.met[nodes[-1]])), times.cutoff.sigma
    return reach(body, contact, end, nodes, rows, most, sense)


def _touchdown(ground: Ground, nodes: list[int], rows: PanelRows, turning: float, play: float) -> Contact:
    """When and how fast the ground was met, roughly: the filter has the rest from the readings."""
    last, radius, first = nodes[0], float(ground.arc.state[0]), ground.arc.rows[0]
    low, high, clock = float(rows.met[last]), float(rows.met[first]), float(np.nan_to_num(rows.met_sigma[first]))
    across = (turning, math.hypot(play, _SIDEWAYS))
    if last == first:  # read as it touched
        seen, sigma = float(rows.vertical[first]), float(np.nan_to_num(rows.sigma["vertical_speed"][first]))
        return Contact(low, clock, radius, (seen, math.hypot(sigma, 0.05)) if math.isfinite(seen) else _WALK, across)
    if rows.says(first, "touchdown", "landed"):
        return Contact(high, clock, radius, _WALK, across)
    height = rows.value["radar_altitude"][last]
    height = max(float(height if math.isfinite(height) else np.nan_to_num(rows.radius[last] - radius)), 0.0)
    met = min(low + 2 * height / (max(-float(np.nan_to_num(rows.vertical[last])), 0.0) + 1.0), high)
    return Contact(met, math.hypot(0.3 * (met - low), clock), radius, _WALK, across)


__all__ = ["Ground", "GroundTie", "ground_of", "ground_tie"]
