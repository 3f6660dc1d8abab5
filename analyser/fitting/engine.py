"""What pushes: the stage of a craft that fires, with what is left in it."""

from __future__ import annotations

import math

from analyser.errors import InputError
from analyser.flight import Craft
from analyser.records import Record


class Engine(Record):
    """What pushes: thrust N at full throttle, exhaust speed m/s, mass of the craft now kg, propellant left kg, throttle 0..1.

    Any may be nan: unknown.
    """

    thrust: float
    exhaust_speed: float
    mass: float
    propellant: float
    throttle: float = 1.0

    def propellant_for(self, delta_v: float) -> float:
        """Propellant for a delta-v, kg, by the rocket equation."""
        return self.mass * -math.expm1(-delta_v / self.exhaust_speed)

    def seconds_for(self, delta_v: float) -> float:
        """Duration of a burn at this throttle, s."""
        return self.propellant_for(delta_v) * self.exhaust_speed / (self.thrust * self.throttle)

    @property
    def delta_v_left(self) -> float:
        """What the propellant left can still do, m/s."""
        return self.exhaust_speed * math.log(self.mass / (self.mass - self.propellant)) if self.mass > self.propellant else math.nan


def engine_of(craft: Craft, propellant: float = math.nan, stage: str = "", throttle: float = 1.0) -> tuple[Engine, tuple[str, ...]]:
    """The engine of a craft's stage with ``propellant`` kg left in it, and what was taken for granted.

    Raises
    ------
    InputError
        The craft has no stages or none of that name, or more propellant is said than the stage holds.
    """
    if not craft.stages:
        raise InputError("the craft file lists no stages; a burn's length needs thrust, specific impulse and mass", craft.path)
    index = craft.stage_index(stage) if stage else 0
    if index is None:
        raise InputError(f"no stage {stage!r}; the craft has {', '.join(one.name for one in craft.stages)}", craft.path)
    part, remarks = craft.stages[index], []
    if math.isnan(propellant):
        propellant = part.propellant
        remarks.append(f"stage {part.name} taken as full; say what is left: --propellant 1744kg")
    if propellant > part.propellant * 1.001:
        raise InputError(
            f"{propellant:g} kg of propellant are more than the stage {part.name} holds ({part.propellant:g} kg). "
            "another stage: --stage NAME",
            place="option --propellant",
        )
    if not stage and len(craft.stages) > 1:
        remarks.append(f"stage {part.name} taken as firing; another: --stage NAME")
    return Engine(part.thrust, part.exhaust_speed, craft.mass(index, propellant), propellant, throttle), tuple(remarks)
