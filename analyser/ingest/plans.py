"""Plan files (TOML) into the domain, and back."""

from __future__ import annotations

import math
from pathlib import Path

from analyser.errors import InputError
from analyser.files import write_atomically
from analyser.flight import Goal, Leg, Plan, World
from analyser.ingest.plain_toml import quoted
from analyser.ingest.sections import Section, Source
from analyser.units import format_quantity, nearest, parse_orbit, shown

_PLAN_KEYS = {"name": "", "start": "", "legs": ""}
_LEG_KEYS = {"name": "", "goal": ""}
_GOAL_KEYS = {
    "body": "", "orbit": "", "periapsis": "length", "landed": "", "by": "", "escape": "", "inclination": "angle",
    "longitude_of_ascending_node": "angle", "argument_of_periapsis": "angle",
}  # fmt: skip
#: Keys that only some kinds of goals have.
_ONLY_WITH = (
    ("by", ("landed",)), ("inclination", ("orbit", "periapsis")), ("longitude_of_ascending_node", ("orbit", "periapsis")),
    ("argument_of_periapsis", ("orbit",)),
)  # fmt: skip
_KINDS = ("orbit", "periapsis", "landed", "escape")
_FORMS = (
    '{ body = "Lull", orbit = "30 x 30 km" }, { body = "Lull", periapsis = "30 km" }, { landed = "Lull" } '
    'or { escape = "Lull" }'
)

_ROUND = {"least": -2 * math.pi * (1 + 1e-12), "most": 2 * math.pi * (1 + 1e-12), "wanted": "-360 to 360 deg"}


def load_plan(path: str | Path, world: World | None = None) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path : str or Path
    world : World, optional
        Where given, every body of the plan must be in it, and altitudes must be above its ground.

    Raises
    ------
    DescriptionError
        The file is missing, or says something unknown or impossible, or names a body that does not exist.
    """
    path = Path(path)
    source = Source(path, "plan file")
    top = source.section(_PLAN_KEYS)
    top.require("start", '{ body = "Ardent", orbit = "80 x 80 km" } (or { landed = "Ardent" })')
    start = _goal(top.section("start", _GOAL_KEYS), world)
    if start.kind not in ("orbit", "landed"):
        raise top.error("a plan starts in an orbit or landed, not otherwise", "start")
    legs: list[Leg] = []
    for number, section in enumerate(top.sections("legs", _LEG_KEYS), 1):
        section.require("goal", _FORMS)
        name = section.text("name").strip() or f"leg {number}"
        if any(leg.name == name for leg in legs):
            raise section.error(f"two legs are called {shown(name)}; names must differ", "name")
        legs.append(Leg(name, _goal(section.section("goal", _GOAL_KEYS), world)))
    if not legs:
        raise top.error("a plan needs legs; begin each with [[legs]], then a name and a goal")
    return Plan(top.text("name", path.stem), start, tuple(legs), path)


def _goal(section: Section, world: World | None) -> Goal:
    given = [kind for kind in _KINDS if kind in section]
    if len(given) != 1:
        found = " and ".join(given) if given else "none of them"
        raise section.error(f"a goal has one of orbit, periapsis, landed, escape; found {found}. write {_FORMS}")
    kind = given[0]
    names_body = kind in ("landed", "escape")
    if names_body and "body" in section:
        raise section.error(f'{kind} names the body itself; write {{ {kind} = "Lull" }}', "body")
    if not names_body:
        section.require("body", '"Lull"')
    for key, kinds in _ONLY_WITH:
        if key in section and kind not in kinds:
            raise section.error(f"{key} goes with {' or '.join(kinds)} only", section.place(key))
    body = _body_name(section, kind if names_body else "body", world)
    ground = -world[body].radius if world else -math.inf
    periapsis, apoapsis = math.nan, math.nan
    if kind == "orbit":
        try:
            periapsis, apoapsis = parse_orbit(section.value("orbit"))
        except InputError as error:
            raise section.error(error.problem, "orbit") from None
        if periapsis < 0:
            raise section.error(f"{shown(section.value('orbit'))} is impossible here: such an orbit meets the ground", "orbit")
    elif kind == "periapsis":
        periapsis = section.quantity("periapsis", above=ground, wanted=f"that is below the centre of {body}")
    if "longitude_of_ascending_node" in section and "inclination" not in section:
        raise section.error('the node is that of a tilted orbit; name the tilt too, e.g. inclination = "28.5 deg"', "longitude_of_ascending_node")
    if "argument_of_periapsis" in section and periapsis == apoapsis:
        raise section.error("a round orbit has no periapsis to point anywhere; leave argument_of_periapsis out", "argument_of_periapsis")
    by = section.choice("by", ("engine", "atmosphere"), "engine")
    if by == "atmosphere" and world and world[body].atmosphere is None:
        raise section.error(f"{body} has no atmosphere in this world, so nothing lands through it", "by")
    return Goal(
        kind=kind,
        body=body,
        periapsis=periapsis,
        apoapsis=apoapsis,
        inclination=section.quantity("inclination", least=0.0, most=math.pi * (1 + 1e-12), wanted="0 to 180 deg"),
        by=by,
        longitude_of_ascending_node=section.quantity("longitude_of_ascending_node", **_ROUND),
        argument_of_periapsis=section.quantity("argument_of_periapsis", **_ROUND),
    )


def _body_name(section: Section, key: str, world: World | None) -> str:
    body = section.text(key).strip()
    if not body:
        raise section.error("a body's name is wanted", key)
    if world is not None and body not in world:
        hint = nearest(body, world.bodies)
        raise section.error(f"there is no body {shown(body)} in the world {shown(world.name)}; "
                            f"{f'did you mean {hint!r}? ' if hint else ''}known: {', '.join(list(world.bodies)[:12])}", key)  # fmt: skip
    return body


def dump_plan(plan: Plan, path: str | Path | None = None) -> str:
    """The text of a plan file that reads back as the same plan; also written to ``path`` where one is given.

    Raises
    ------
    OutputError
        It can't be written; what was there before is untouched.
    """
    lines = [f"name = {quoted(plan.name)}", f"start = {_goal_text(plan.start)}"]
    for leg in plan.legs:
        lines += ["", "[[legs]]", f"name = {quoted(leg.name)}", f"goal = {_goal_text(leg.goal)}"]
    text = "\n".join(lines) + "\n"
    if path is not None:
        write_atomically(path, text)
    return text


def _goal_text(goal: Goal) -> str:
    if goal.kind in ("landed", "escape"):
        keys = [f"{goal.kind} = {quoted(goal.body)}"]
    elif goal.kind == "orbit":
        keys = [f"body = {quoted(goal.body)}", f"orbit = {quoted(_orbit_text(goal.periapsis, goal.apoapsis))}"]
    else:
        keys = [f"body = {quoted(goal.body)}", f"periapsis = {quoted(format_quantity(goal.periapsis, 'km', 'length'))}"]
    for name in ("inclination", "longitude_of_ascending_node", "argument_of_periapsis"):
        if not math.isnan(angle := getattr(goal, name)):
            keys.append(f"{name} = {quoted(format_quantity(angle, 'deg', 'angle'))}")
    if goal.by != "engine":
        keys.append(f"by = {quoted(goal.by)}")
    return "{ " + ", ".join(keys) + " }"


def _orbit_text(periapsis: float, apoapsis: float) -> str:
    ends = [format_quantity(end, "km", "length") for end in (periapsis, apoapsis)]
    if all(end.endswith(" km") for end in ends):
        ends[0] = ends[0].removesuffix(" km")
    return " x ".join(ends)
