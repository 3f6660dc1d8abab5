"""The domain: worlds, craft, plans, flights and the readings taken in them.

All numbers are SI: metres, seconds, kilograms, radians, m/s. A quantity that nobody gave is ``nan``.
"Altitude" is always above a body's datum radius; "radius" is from its centre.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from pathlib import Path

from analyser.records import Record

TYPE_CHECKING = False  # known to type checkers by this name; loading typing costs a quick command more than all of this file
if TYPE_CHECKING:
    import pandas as pd

STANDARD_GRAVITY = 9.80665  # m/s^2, exact by definition (3rd General Conference on Weights and Measures, 1901)

#: Numeric columns of a readings table besides ``met``, with the SI unit each is kept in.
QUANTITIES: dict[str, str] = {
    "altitude": "m",
    "radar_altitude": "m",
    "speed": "m/s",
    "surface_speed": "m/s",
    "vertical_speed": "m/s",
    "horizontal_speed": "m/s",
    "flight_path_angle": "rad",
    "pitch": "rad",
    "heading": "rad",
    "roll": "rad",
    "latitude": "rad",
    "longitude": "rad",
    "throttle": "1",
    "propellant": "kg",
    "propellant_fraction": "1",
    "acceleration": "m/s^2",
}
#: Text columns of a readings table.
TEXTS: tuple[str, ...] = ("body", "stage", "event", "note")


class Atmosphere(Record):
    """Air whose density falls exponentially with altitude, or follows a table.

    Parameters
    ----------
    top : float
        Altitude above which there is no drag, m.
    surface_density : float
        Density at altitude 0, kg/m^3.
    scale_height : float
        Altitude over which the density falls by e, m.
    table : tuple of (altitude, density)
        Where given, the density is read from it (straight lines in the logarithm); m, kg/m^3.
    """

    top: float
    surface_density: float = math.nan
    scale_height: float = math.nan
    table: tuple[tuple[float, float], ...] = ()


class Body(Record):
    """A planet or moon. Its orbit is about ``parent``, which is None for the root of the world.

    ``mu`` in m^3/s^2; ``radius`` (the altimeter's datum) and ``semi_major_axis`` in m;
    ``rotation_period`` in s (sidereal; negative: retrograde; inf: does not turn; nan: unknown);
    angles in rad. ``mean_anomaly_at_epoch`` holds at MET 0; nan where nobody knows the phase.
    """

    name: str
    mu: float
    radius: float
    rotation_period: float = math.nan
    parent: str | None = None
    semi_major_axis: float = math.nan
    eccentricity: float = 0.0
    inclination: float = 0.0
    argument_of_periapsis: float = 0.0
    longitude_of_ascending_node: float = 0.0
    mean_anomaly_at_epoch: float = math.nan
    atmosphere: Atmosphere | None = None
    sphere_of_influence: float = math.inf  # m from the centre

    @property
    def surface_gravity(self) -> float:
        """Gravitational acceleration at the datum radius, m/s^2."""
        return self.mu / self.radius**2

    @property
    def rotation_rate(self) -> float:
        """Angular speed of the surface, rad/s; 0 where the rotation is unknown or absent."""
        return 0.0 if not math.isfinite(self.rotation_period) else 2 * math.pi / self.rotation_period

    @property
    def surface_rotation_speed(self) -> float:
        """Speed of the equator due to rotation, m/s."""
        return self.rotation_rate * self.radius

    @property
    def air_top(self) -> float:
        """Altitude of the top of the air, m; 0 without air."""
        return self.atmosphere.top if self.atmosphere else 0.0


class World(Record):
    """Bodies by name. Build it with :func:`make_world`, which fills in spheres of influence."""

    name: str
    bodies: Mapping[str, Body]
    path: Path | None = None

    def __iter__(self) -> Iterator[Body]:
        return iter(self.bodies.values())

    def __getitem__(self, name: str) -> Body:
        return self.bodies[name]

    def __contains__(self, name: object) -> bool:
        return name in self.bodies

    @cached_property
    def root(self) -> Body:
        """The body that orbits nothing."""
        return next(body for body in self if body.parent is None)

    def parent(self, body: Body | str) -> Body | None:
        """The body that ``body`` orbits, or None."""
        name = self[body].parent if isinstance(body, str) else body.parent
        return None if name is None else self[name]

    def children(self, body: Body | str) -> tuple[Body, ...]:
        """The bodies that orbit ``body``."""
        name = body if isinstance(body, str) else body.name
        return tuple(other for other in self if other.parent == name)


def laplace_sphere_of_influence(semi_major_axis: float, mu: float, parent_mu: float) -> float:
    """Radius within which a body's own pull is the better centre to reckon with, m.

    ``a (mu / parent_mu)^(2/5)``, Laplace's definition; Curtis, *Orbital Mechanics for Engineering
    Students*, section 8.4. A convention, not a wall: the pull of the parent does not stop there.
    """
    return semi_major_axis * (mu / parent_mu) ** 0.4


def make_world(name: str, bodies: Iterable[Body], path: Path | None = None) -> World:
    """A world of ``bodies``; each that orbits another and has no sphere of influence yet is given Laplace's."""
    by_name = {body.name: body for body in bodies}
    for body in list(by_name.values()):
        if body.parent is not None and math.isinf(body.sphere_of_influence):
            reach = laplace_sphere_of_influence(body.semi_major_axis, body.mu, by_name[body.parent].mu)
            by_name[body.name] = body.changed(sphere_of_influence=reach)
    return World(name, by_name, path)


class Stage(Record):
    """One stage of a craft. ``dry_mass`` and ``propellant`` in kg, this stage alone; ``thrust`` in N;
    ``specific_impulse`` in s. Any may be nan: unknown."""

    name: str
    dry_mass: float = math.nan
    propellant: float = math.nan
    thrust: float = math.nan
    specific_impulse: float = math.nan

    @property
    def exhaust_speed(self) -> float:
        """Effective exhaust speed, m/s."""
        return self.specific_impulse * STANDARD_GRAVITY

    @property
    def mass_flow(self) -> float:
        """Propellant flow at full throttle, kg/s."""
        return self.thrust / self.exhaust_speed


class Craft(Record):
    """A craft: its stages in firing order. ``thrust_axis`` is "nose" or "tail"; ``drag_area`` is the
    drag coefficient times the area, m^2 (nan: unknown). ``max_acceleration``, m/s^2, and ``max_parachute_speed``, m/s,
    are the most it may have in the air and when its parachute opens (nan: no limit is named)."""

    name: str
    stages: tuple[Stage, ...] = ()
    thrust_axis: str = "nose"
    drag_area: float = math.nan
    path: Path | None = None
    max_acceleration: float = math.nan
    max_parachute_speed: float = math.nan

    def mass(self, stage: int, propellant: float) -> float:
        """Mass in kg while ``stage`` (index) fires with ``propellant`` kg left in it; nan where a part
        is unknown. Stages before it are gone, stages after it ride full."""
        carried = sum(later.dry_mass + later.propellant for later in self.stages[stage + 1 :])
        return self.stages[stage].dry_mass + propellant + carried

    def stage_index(self, name: str) -> int | None:
        """Index of the stage called ``name`` (case ignored), or None."""
        for index, stage in enumerate(self.stages):
            if stage.name.casefold() == name.strip().casefold():
                return index
        return None


class Goal(Record):
    """What a leg of a plan is to reach. Altitudes in m above the body's datum.

    ``kind`` is one of
        "orbit"      ``periapsis`` x ``apoapsis`` about ``body``
        "periapsis"  pass ``body`` (arriving there where it is another body) at ``periapsis``
        "landed"     at rest on ``body``; ``by`` is "engine" or "atmosphere"
        "escape"     leave ``body``

    How an orbit is to lie, rad (nan: as it comes): ``inclination``, ``longitude_of_ascending_node`` (axes: x through the prime meridian at MET 0)
    and ``argument_of_periapsis``, from that node along the motion.
    """

    kind: str
    body: str
    periapsis: float = math.nan
    apoapsis: float = math.nan
    inclination: float = math.nan
    by: str = "engine"
    longitude_of_ascending_node: float = math.nan
    argument_of_periapsis: float = math.nan

    @property
    def lying(self) -> str:
        """How the orbit is to lie, in words; "" where that is free."""
        told = (
            (self.inclination, "inclined {} deg"), (self.longitude_of_ascending_node, "ascending node at {} deg"),
            (self.argument_of_periapsis, "periapsis {} deg from the node"),
        )  # fmt: skip
        return "".join(", " + words.format(f"{math.degrees(value):.4g}") for value, words in told if not math.isnan(value))

    def __str__(self) -> str:
        if self.kind == "orbit":
            return f"{self.periapsis / 1e3:g} x {self.apoapsis / 1e3:g} km about {self.body}{self.lying}"
        if self.kind == "periapsis":
            return f"{self.body}, periapsis {self.periapsis / 1e3:g} km{self.lying}"
        if self.kind == "landed":
            return f"landed on {self.body}" + (" through its air" if self.by == "atmosphere" else "")
        return f"leave {self.body}"


class Leg(Record):
    """One leg of a plan: a name and a goal."""

    name: str
    goal: Goal


class Plan(Record):
    """Legs in order, from ``start`` (a Goal of kind "orbit" or "landed": where the flight begins)."""

    name: str
    start: Goal
    legs: tuple[Leg, ...]
    path: Path | None = None


class Readings(Record):
    """What the panel showed.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a moment, ordered by ``met`` (float, s). For each name in QUANTITIES that occurs two float columns,
        ``<name>`` and ``<name>_sigma`` (SI, nan: no reading); ``met_sigma``; text columns of TEXTS that
        occur (object, "" where empty); ``source`` (file name) and ``row`` (line of the table, or
        0-based index of the image). Where the clock was set back in flight also ``clock_run`` (int, 0 for the first run): the
        time between two runs is only a least. Where lines stand out of the order of their clocks, ``out_of_turn`` (bool) marks the fewest that do.
    detail : pandas.DataFrame
        One row a value: source, row, met, column, gauge, raw, value, sigma, probability, status, reason, crop.
    remarks : tuple of str
        What the reader of the files must tell the person (times out of order, ...).
    """

    table: "pd.DataFrame"
    detail: "pd.DataFrame"
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.table)


class Flight(Record):
    """One attempt: who flew what, and the readings."""

    name: str
    world: World
    readings: Readings
    pilot: str = ""
    date: str = ""
    craft: Craft | None = None
    plan: Plan | None = None
    remarks: str = ""
    folder: Path | None = None
    files: tuple[Path, ...] = ()  # every file that went in, for the logbook's fingerprint
