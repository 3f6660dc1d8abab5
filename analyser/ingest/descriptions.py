"""World, craft and plan files (TOML) into the domain, and back.

Quantities are strings with units or bare SI numbers. Unknown keys, wrong units and impossible values are errors that
name file, line and key. Nothing here needs numpy or pandas: the commands that answer in flight read worlds too.
"""

from __future__ import annotations

import math
from pathlib import Path

from analyser.errors import DescriptionError
from analyser.flight import Atmosphere, Body, Craft, Stage, World, make_world
from analyser.ingest.plans import dump_plan, load_plan
from analyser.ingest.sections import Section, Source
from analyser.units import nearest, shown

__all__ = ["builtin_worlds", "dump_plan", "load_craft", "load_plan", "load_world"]

_BUILTIN = Path(__file__).parent.parent / "worlds"

_WORLD_KEYS = {"name": "", "bodies": ""}
_BODY_KEYS = {
    "parent": "",
    "gravitational_parameter": "gravitational parameter",
    "surface_gravity": "acceleration",
    "radius": "length",
    "rotation_period": "time",
    "semi_major_axis": "length",
    "eccentricity": "fraction",
    "inclination": "angle",
    "argument_of_periapsis": "angle",
    "longitude_of_ascending_node": "angle",
    "mean_anomaly_at_epoch": "angle",
    "sphere_of_influence": "length",
    "atmosphere": "",
}
_ORBIT_KEYS = ("semi_major_axis", "eccentricity", "inclination", "argument_of_periapsis", "longitude_of_ascending_node",
               "mean_anomaly_at_epoch", "sphere_of_influence")  # fmt: skip
_AIR_KEYS = {"top": "length", "surface_density": "density", "scale_height": "length", "table": ""}
_CRAFT_KEYS = {
    "name": "", "thrust_axis": "", "drag_area": "area", "max_acceleration": "acceleration", "max_parachute_speed": "speed", "stages": "",
}  # fmt: skip
_STAGE_KEYS = {"name": "", "dry_mass": "mass", "propellant": "mass", "thrust": "force", "specific_impulse": "specific impulse"}


def builtin_worlds() -> tuple[str, ...]:
    """Names of the worlds that come along: ``world = "solar"``."""
    return tuple(sorted(path.stem for path in _BUILTIN.glob("*.toml")))


def load_world(path: str | Path) -> World:
    """Read a world file, or a built-in world by its name.

    Parameters
    ----------
    path : str or Path
        A TOML file, or one of :func:`builtin_worlds`.

    Returns
    -------
    World
        Spheres of influence filled in (Laplace's) where not given; "synchronous" rotation is the orbital period
        ``2 pi sqrt(a^3 / mu of the parent)``, the body's own mass neglected, as everywhere in a patched-conic world.

    Raises
    ------
    DescriptionError
        The file is missing, or says something unknown or impossible.
    """
    if str(path) in builtin_worlds() and not Path(path).exists():
        path = _BUILTIN / f"{path}.toml"
    path = Path(path)
    if not path.exists() and path.suffix != ".toml":
        hint = nearest(str(path), builtin_worlds())
        raise DescriptionError(
            f"there is no such world file; built in {'are' if len(builtin_worlds()) > 1 else 'is'} "
            f"{', '.join(map(repr, builtin_worlds()))}{f' (did you mean {hint!r}?)' if hint else ''}", path)  # fmt: skip
    source = Source(path, "world file")
    top = source.section(_WORLD_KEYS)
    top.require("bodies", 'a table for each body, begun with [bodies.Ardent]')
    given = top.value("bodies")
    if not isinstance(given, dict) or not given:
        raise top.error("a world needs bodies; begin each with a line like [bodies.Ardent]", "bodies")
    sections = {name: Section(source, table, ("bodies", name), _BODY_KEYS) for name, table in given.items()}
    for name, section in sections.items():
        if not name.strip():
            raise section.error("a body needs a name")
    _check_family(sections, top)
    mus = {name: _gravitational_parameter(section) for name, section in sections.items()}
    bodies = [_body(name, section, sections, mus) for name, section in sections.items()]
    return make_world(top.text("name", path.stem), bodies, path)


def _check_family(sections: dict[str, Section], top: Section) -> None:
    """Every parent exists, nobody is its own ancestor, one body orbits nothing."""
    parents = {}
    for name, section in sections.items():
        parent = section.text("parent") if "parent" in section else None
        parents[name] = parent
        if parent is None:
            continue
        if parent == name:
            raise section.error(f"{name} can't orbit itself", "parent")
        if parent not in sections:
            hint = nearest(parent, sections)
            raise section.error(f"there is no body {shown(parent)} in this world"
                                f"{f'; did you mean {hint!r}?' if hint else f' ({_listed(sections)})'}", "parent")  # fmt: skip
    for name in sections:
        chain = [name]
        while parents[chain[-1]] is not None:
            if parents[chain[-1]] in chain:
                loop = chain[chain.index(parents[chain[-1]]) :] + [parents[chain[-1]]]
                raise sections[loop[0]].error(f"the bodies orbit each other in a loop ({' about '.join(loop)}); "
                                              "one body must have no parent", "parent")  # fmt: skip
            chain.append(parents[chain[-1]])
    roots = [name for name, parent in parents.items() if parent is None]
    if len(roots) > 1:
        raise sections[roots[1]].error(f"both {roots[0]} and {roots[1]} orbit nothing; one body of a world has no "
                                       f"parent, give the other one: parent = \"{roots[0]}\"")  # fmt: skip


def _listed(names) -> str:
    names = list(names)
    return "known: " + ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _gravitational_parameter(section: Section) -> float:
    section.require("radius", '"890 km"')
    radius = section.quantity("radius", above=0.0, wanted="a radius is larger than 0")
    if "gravitational_parameter" in section and "surface_gravity" in section:
        raise section.error("give gravitational_parameter or surface_gravity, not both", section.place("surface_gravity"))
    if "surface_gravity" in section:
        return section.quantity("surface_gravity", above=0.0, wanted="a surface gravity is larger than 0") * radius**2
    section.require("gravitational_parameter", '"6.1e12 m^3/s^2" (or surface_gravity = "7.7 m/s^2")')
    return section.quantity("gravitational_parameter", above=0.0, wanted="a gravitational parameter is larger than 0")


def _body(name: str, section: Section, sections: dict[str, Section], mus: dict[str, float]) -> Body:
    parent = section.value("parent")
    radius = section.quantity("radius")
    if parent is None:
        for key in _ORBIT_KEYS:
            if key in section:
                raise section.error(f"{name} orbits nothing, so it has no {key}; give it a parent or take the key out",
                                    section.place(key))  # fmt: skip
        orbit, reach = {}, math.inf
    else:
        orbit = _orbit(name, section, sections[parent].quantity("radius"), parent)
        reach = section.quantity("sphere_of_influence", math.inf, above=0.0, wanted="it is larger than 0")
    return Body(
        name=name,
        mu=mus[name],
        radius=radius,
        rotation_period=_rotation(section, orbit.get("semi_major_axis"), mus.get(parent)),
        parent=parent,
        atmosphere=_atmosphere(section),
        sphere_of_influence=reach,
        **orbit,
    )


def _orbit(name: str, section: Section, parent_radius: float, parent: str) -> dict[str, float]:
    section.require("semi_major_axis", '"21000 km"')
    orbit = {
        "semi_major_axis": section.quantity("semi_major_axis", above=0.0, wanted="a semi-major axis is larger than 0"),
        "eccentricity": section.quantity("eccentricity", 0.0, least=0.0, below=1.0,
                                         wanted="a body that stays has an eccentricity from 0 to below 1"),
        "inclination": section.quantity("inclination", 0.0, least=0.0, most=math.pi * (1 + 1e-12), wanted="0 to 180 deg"),
        "argument_of_periapsis": section.quantity("argument_of_periapsis", 0.0),
        "longitude_of_ascending_node": section.quantity("longitude_of_ascending_node", 0.0),
        "mean_anomaly_at_epoch": section.quantity("mean_anomaly_at_epoch", math.nan),
    }  # fmt: skip
    if orbit["semi_major_axis"] * (1 - orbit["eccentricity"]) <= parent_radius:
        raise section.error(f"on this orbit {name} would meet the ground of {parent}, whose radius is "
                            f"{parent_radius / 1e3:g} km", section.place("semi_major_axis"))  # fmt: skip
    return orbit


def _rotation(section: Section, semi_major_axis: float | None, parent_mu: float | None) -> float:
    value = section.value("rotation_period")
    if value == "synchronous":
        if semi_major_axis is None or parent_mu is None:
            raise section.error("only a body that orbits another can turn synchronously; give a time", "rotation_period")
        return 2 * math.pi * math.sqrt(semi_major_axis**3 / parent_mu)
    if value == "none":
        return math.inf
    period = section.quantity("rotation_period")
    if period == 0:
        raise section.error('a period of 0 is impossible; write a time, "synchronous", or "none" where it does not turn',
                            section.place("rotation_period"))  # fmt: skip
    return period


def _atmosphere(section: Section) -> Atmosphere | None:
    if "atmosphere" not in section:
        return None
    air = section.section("atmosphere", _AIR_KEYS)
    air.require("top", '"58 km"')
    top = air.quantity("top", above=0.0, wanted="the top of the air is above 0")
    density = air.quantity("surface_density", above=0.0, wanted="a density is larger than 0")
    height = air.quantity("scale_height", above=0.0, wanted="a scale height is larger than 0")
    if math.isnan(density) != math.isnan(height):
        raise air.error("surface_density and scale_height belong together; give both, or a table, or neither")
    return Atmosphere(top, density, height, _density_table(air))


def _density_table(air: Section) -> tuple[tuple[float, float], ...]:
    rows = air.value("table")
    if rows is None:
        return ()
    form = 'write it like table = [["0 km", "1.1 kg/m^3"], ["10 km", "0.2 kg/m^3"]]'
    if not isinstance(rows, list) or len(rows) < 2 or not all(isinstance(row, list) and len(row) == 2 for row in rows):
        raise air.error(f"a density table has two or more pairs of altitude and density; {form}", "table")
    pairs = []
    for number, (altitude, density) in enumerate(rows, 1):
        row = Section(air.source, {"altitude": altitude, "density": density}, (*air.where, "table", str(number - 1)),
                      {"altitude": "length", "density": "density"})  # fmt: skip
        pairs.append((row.quantity("altitude"), row.quantity("density", above=0.0, wanted="a density is larger than 0")))
        if number > 1 and pairs[-1][0] <= pairs[-2][0]:
            raise row.error("the altitudes of a density table must rise from row to row", "altitude")
    return tuple(pairs)


def load_craft(path: str | Path) -> Craft:
    """Read a craft file: stages in firing order, any of them incomplete (what is missing is nan).

    Raises
    ------
    DescriptionError
        The file is missing, or says something unknown or impossible.
    """
    path = Path(path)
    source = Source(path, "craft file")
    top = source.section(_CRAFT_KEYS)
    stages: list[Stage] = []
    for number, section in enumerate(top.sections("stages", _STAGE_KEYS), 1):
        stage = Stage(
            name=section.text("name", f"stage {number}").strip() or f"stage {number}",
            dry_mass=section.quantity("dry_mass", above=0.0, wanted="a mass is larger than 0"),
            propellant=section.quantity("propellant", least=0.0, wanted="a mass is 0 or more"),
            thrust=section.quantity("thrust", above=0.0, wanted="a thrust is larger than 0"),
            specific_impulse=section.quantity("specific_impulse", above=0.0, wanted="a specific impulse is larger than 0"),
        )
        if any(other.name.casefold() == stage.name.casefold() for other in stages):
            raise section.error(f"two stages are called {shown(stage.name)}; names must differ", "name")
        stages.append(stage)
    return Craft(
        name=top.text("name", path.stem),
        stages=tuple(stages),
        thrust_axis=top.choice("thrust_axis", ("nose", "tail"), "nose"),
        drag_area=top.quantity("drag_area", least=0.0, wanted="an area is 0 or more"),
        max_acceleration=top.quantity("max_acceleration", above=0.0, wanted="an acceleration is larger than 0"),
        max_parachute_speed=top.quantity("max_parachute_speed", above=0.0, wanted="a speed is larger than 0"),
        path=path,
    )
