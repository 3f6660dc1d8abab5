"""What is left in the tanks as a plan is flown: the rocket equation through the stages in firing order."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analyser.flight import Craft


@dataclass(frozen=True)
class Tanks:
    """A craft part of the way through its propellant.

    ``stage`` is the index of the stage that fires next, ``propellant`` what it still holds, kg; the stages after it are full. The last
    stage may go below nothing: what a plan is short of is told as negative propellant.
    """

    craft: Craft | None
    stage: int = 0
    propellant: float = math.nan

    @classmethod
    def full(cls, craft: Craft | None) -> "Tanks":
        """As it stands before the flight."""
        return cls(craft, 0, craft.stages[0].propellant) if craft and craft.stages else cls(None)

    @property
    def mass(self) -> float:
        """Mass of the craft now, kg; nan where unknown."""
        return self.craft.mass(self.stage, self.propellant) if self.craft else math.nan

    @property
    def thrust(self) -> float:
        """Full thrust of the firing stage, N; nan where unknown."""
        return self.craft.stages[self.stage].thrust if self.craft else math.nan

    @property
    def exhaust_speed(self) -> float:
        """Exhaust speed of the firing stage, m/s; nan where unknown."""
        return self.craft.stages[self.stage].exhaust_speed if self.craft else math.nan

    @property
    def remaining(self) -> float:
        """Propellant in this stage and those after it, kg; nan where unknown."""
        if not self.craft:
            return math.nan
        return self.propellant + sum(stage.propellant for stage in self.craft.stages[self.stage + 1 :])

    @property
    def delta_v(self) -> float:
        """What the propellant left is worth, m/s (negative: that much is missing); nan where unknown."""
        if not self.craft:
            return math.nan
        total, tanks = 0.0, self
        while True:
            empty = tanks.mass - tanks.propellant
            total += tanks.exhaust_speed * math.log(tanks.mass / empty) if empty > 0 and tanks.mass > 0 else math.nan
            if tanks.stage + 1 >= len(tanks.craft.stages):
                return total
            tanks = tanks._dropped()

    def spend(self, delta_v: float) -> tuple["Tanks", float, float]:
        """Burn at full throttle for a delta-v, m/s, through stagings where one tank is not enough.

        Returns
        -------
        Tanks after, propellant in kg, duration in s (nan where the craft file leaves something out)
        """
        tanks, used, duration = self, 0.0, 0.0
        if not self.craft or not math.isfinite(delta_v):
            return replace(self, propellant=math.nan), math.nan, math.nan
        while True:
            exhaust, mass, thrust = tanks.exhaust_speed, tanks.mass, tanks.thrust
            wanted = mass * -math.expm1(-delta_v / exhaust)
            last = tanks.stage + 1 >= len(tanks.craft.stages)
            if last or not wanted > tanks.propellant:
                return replace(tanks, propellant=tanks.propellant - wanted), used + wanted, duration + wanted * exhaust / thrust
            burnt = max(tanks.propellant, 0.0)
            delta_v -= exhaust * math.log(mass / (mass - burnt))
            used, duration = used + burnt, duration + burnt * exhaust / thrust
            tanks = tanks._dropped()

    def _dropped(self) -> "Tanks":
        return Tanks(self.craft, self.stage + 1, self.craft.stages[self.stage + 1].propellant)

    @property
    def missing(self) -> str:
        """What the craft file leaves out that propellant figures need, in words; "" where all is there."""
        if not self.craft:
            return "no craft file: propellant and burn times are not known"
        gaps = []
        for stage in self.craft.stages[self.stage :]:
            for name in ("dry_mass", "propellant", "specific_impulse", "thrust"):
                if math.isnan(getattr(stage, name)):
                    gaps.append(f"{name.replace('_', ' ')} of {stage.name}")
        return "" if not gaps else "not in the craft file: " + ", ".join(gaps) + "; figures that need it are not known"
