"""The craft: stages in firing order, and which way the engine pushes."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from .quantities import si

STANDARD_GRAVITY = 9.80665  # m/s^2, exact by definition


@dataclass(frozen=True)
class Stage:
    """One stage alone: masses in kg, thrust in N, specific impulse in s."""

    name: str
    dry_mass: float
    propellant: float
    thrust: float
    specific_impulse: float

    @property
    def flow(self) -> float:
        """Propellant flow at full throttle, kg/s."""
        return self.thrust / (self.specific_impulse * STANDARD_GRAVITY)


@dataclass(frozen=True)
class Craft:
    """Stages in firing order. ``drag_area`` is the drag coefficient times the area, m^2."""

    name: str
    stages: tuple[Stage, ...]
    thrust_axis: str = "nose"
    drag_area: float = 0.0

    def mass_above(self, stage: int) -> float:
        """Mass that rides on a stage, kg."""
        return sum(later.dry_mass + later.propellant for later in self.stages[stage + 1 :])

    def empty_mass(self, stage: int) -> float:
        """Mass when the given stage has just run dry, kg."""
        return self.stages[stage].dry_mass + self.mass_above(stage)


def read_craft(path: str | Path) -> Craft:
    """A craft from its TOML description."""
    told = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    stages = tuple(
        Stage(item["name"], *(si(item[key]) for key in ("dry_mass", "propellant", "thrust"))
              , float(str(item["specific_impulse"]).removesuffix("s")))
        for item in told["stages"]
    )
    return Craft(told["name"], stages, told.get("thrust_axis", "nose"), si(told.get("drag_area", 0.0)))


def craft_toml(craft: Craft) -> str:
    """The TOML description of a craft, bare SI numbers in full precision."""
    lines = [f'name = "{craft.name}"', f'thrust_axis = "{craft.thrust_axis}"']
    if craft.drag_area:
        lines.append(f"drag_area = {craft.drag_area!r}")
    for stage in craft.stages:
        lines += [
            "", "[[stages]]", f'name = "{stage.name}"', f"dry_mass = {stage.dry_mass!r}",
            f"propellant = {stage.propellant!r}", f"thrust = {stage.thrust!r}",
            f"specific_impulse = {stage.specific_impulse!r}",
        ]
    return "\n".join(lines) + "\n"
