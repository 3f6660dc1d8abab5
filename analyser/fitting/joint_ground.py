"""Descents and ascents in the joint estimate: a stay on the ground as a link of the chain.

The throttle and the nose of a landing or a lift-off move as the pilot likes, so that where the craft touches the ground tells nothing of the coast before it that
the readings on the way do not tell better. What does go on through the contact is the craft's mass: what was left before the descent, on the ground
and after the ascent is tied by the rocket equation to what each of the two burns spent, and through the coasts' own burns to the rest of the flight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.joint_burn import Coast
from analyser.fitting.propellant import PropellantHistory


@dataclass
class Ground:
    """A stay on the ground in the joint estimate: its propellant (kg) with its sigma is all that is unknown of it."""

    arc: FittedArc
    propellant: float
    propellant_sigma: float
    stage: int
    size: int = 1

    def mass_left(self, u: np.ndarray) -> np.ndarray:
        """Propellant (C,), kg."""
        return self.propellant + self.propellant_sigma * u[0]


@dataclass
class GroundTie:
    """The residual of a burn to or from the ground: delta-v spent by the rocket equation. Unknowns z: those before, spent in units of ``unit`` about
    ``centre``, those after."""

    before: Coast | Ground
    after: Coast | Ground
    exhaust: float
    empty: float  # mass without the firing stage's propellant, kg
    inside: tuple[int, ...]
    edges: tuple[int, int]
    centre: float = 0.0
    unit: float = 1.0
    begin: np.ndarray = field(default_factory=lambda: np.zeros(1))
    readings: None = None
    unknowns: int = 1
    surplus: int = 0

    def __post_init__(self) -> None:
        heavy, light = self.empty + self.before.propellant, self.empty + self.after.propellant
        self.centre = self.exhaust * math.log(heavy / light)
        self.unit = self.exhaust * math.hypot(self.before.propellant_sigma / heavy, self.after.propellant_sigma / light)

    def spent(self, b: np.ndarray) -> np.ndarray:
        """Delta-v (C,) for unknowns (1, C), m/s."""
        return self.centre + self.unit * b[0]

    def whitening(self, z: np.ndarray) -> None:
        """Readings on the way belong to the landing's own account."""
        return None

    def residuals(self, z: np.ndarray, whiten=None) -> np.ndarray:
        """Residuals (1, C) in units that let it hold as good as exactly."""
        first = self.before.size
        heavy = np.maximum(self.empty + self.before.mass_left(z[:first]), 1e-6)
        light = np.maximum(self.empty + self.after.mass_left(z[first + 1 :]), 1e-6)
        return ((self.spent(z[first : first + 1]) - self.exhaust * np.log(heavy / light)) / (0.02 * self.unit))[None]


def ground_of(arc: FittedArc, propellant: PropellantHistory) -> Ground | None:
    """A stay on the ground whose propellant was read; None where it was not, or no craft says which stage burns it."""
    known = propellant.known(arc.rows)
    stages = {int(propellant.stage[row]) for row in known}
    if len(stages) != 1 or propellant.craft is None:
        return None
    best = min(known, key=lambda row: propellant.sigma[row])
    return Ground(arc, float(propellant.propellant[best]), max(float(propellant.sigma[best]), 1e-9), stages.pop())


def ground_tie(before: Coast | Ground, after: Coast | Ground, inside: tuple[int, ...], edges, propellant: PropellantHistory) -> GroundTie | None:
    """The tie of a descent or an ascent; None where propellant does not tell what it spent."""
    if None in edges or before.stage != after.stage or not math.isfinite(before.propellant + after.propellant):
        return None
    stage = propellant.firing(edges[0])
    mass = propellant.mass(edges[0])
    if stage is None or not math.isfinite(stage.exhaust_speed + mass) or not before.propellant > after.propellant:
        return None
    return GroundTie(before, after, stage.exhaust_speed, mass - float(propellant.propellant[edges[0]]), inside, edges)
