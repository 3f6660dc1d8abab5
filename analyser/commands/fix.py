"""One reading into an orbit, with what its digits leave open, and what follows from it: where it leads, what is missing to
a goal, when to brake.

examples:
  analyser fix Lull 61.9km 992 -3           body, altitude, speed, vertical speed
  analyser fix Lull 61.9km 992 -3 --goal "apoapsis 80 km" --craft craft/heron.toml --propellant 1744kg
  analyser fix Lull 61.9km 650 --then 61.5km 60s        no vertical speed: the altitude again, 60 s later
  analyser fix Lull 3.2km 140 -95 --goal land --craft craft/heron.toml --propellant 900kg --throttle 60%
  analyser fix --screenshot now.png --panel panels/heron/panel.toml

Type the digits as the gauge shows them: 61.9km means anything from 61.85 to
61.95, and the intervals follow from that. 61.9+-0.2km gives a standard deviation
of your own. Bare numbers are m, m/s, s, degrees. The world is the one last used
from this folder unless --world names another.
"""

from __future__ import annotations

import math
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "one reading into an orbit, what is missing to a goal, when to brake"


def configure(parser) -> None:
    """Add the arguments of ``fix``."""
    parser.add_argument("short", metavar="BODY ALTITUDE SPEED [VERTICAL-SPEED]", nargs="*", help="the reading in short form")
    group = parser.add_argument_group("the reading")
    group.add_argument("--body", metavar="NAME", help="the body that altimeter and speeds refer to")
    group.add_argument("--altitude", metavar="A", help="above the datum, such as 61.9km")
    group.add_argument("--speed", metavar="V", help="with respect to the body's centre")
    group.add_argument("--surface-speed", metavar="V", help="with respect to the rotating ground, instead of --speed")
    group.add_argument("--vertical-speed", metavar="V", help="up positive")
    group.add_argument("--horizontal-speed", metavar="V", help="the other component of the same speed")
    group.add_argument("--flight-path-angle", metavar="DEG", help="of the motion above the horizon, instead of the vertical speed")
    group.add_argument("--then", nargs=2, metavar=("A", "TIME"), help="the altitude once more, TIME later")
    group.add_argument("--latitude", metavar="DEG", help="with --surface-speed (default: 0)")
    group.add_argument("--heading", metavar="DEG", help="of the motion, with --surface-speed (default: 90, east)")
    group.add_argument("--radar-altitude", metavar="A", help="above the terrain: braking then ends there, not at the datum")
    group.add_argument("--screenshot", metavar="IMAGE", type=Path, help="take the reading from a picture")
    group.add_argument("--panel", metavar="FILE", type=Path, help="panel.toml, with --screenshot")
    group = parser.add_argument_group("what is wanted")
    group.add_argument("--goal", metavar="GOAL", help='"apoapsis 21400 km", "periapsis 30 km", circular, "20 x 60 km", escape, land, or a leg of --plan')
    group.add_argument("--propellant", metavar="M", help="what is left in the stage that fires: 1744kg or 27%%")
    group.add_argument("--stage", metavar="NAME", default="", help="the stage that fires (default: the first)")
    group.add_argument("--throttle", metavar="T", default="100%", help="60%% or 0.6 (default: full)")
    common.add_description_options(parser, "world", "craft", "plan")
    common.add_output_options(parser)


def run(options) -> int:
    """Read the arguments, fix, print."""
    from analyser.commands.descriptions import body_of, find_world, optional
    from analyser.fitting.fix import fix_reading
    from analyser.ingest.descriptions import load_craft, load_plan

    _take_short_form(options)
    doubts: tuple[str, ...] = ()
    if options.screenshot:
        from analyser.commands.screenshot import take_from_screenshot

        doubts = take_from_screenshot(options)
    if options.altitude is None:
        raise InputError("the altitude is missing: fix BODY ALTITUDE SPEED [VERTICAL-SPEED], such as fix Lull 61.9km 992 -3", place="arguments")
    world, note = find_world(options.world, options.body)
    body = body_of(world, options.body)
    craft = optional(load_craft, options.craft)
    plan = load_plan(options.plan, world) if options.plan else None
    fix = fix_reading(_reading(options), body)
    aim, brakings, notes = _what_follows(options, fix, world, craft, plan)
    _remember(options, world)
    if options.json:
        from analyser.reporting.fix_text import fix_dict

        common.print_json(fix_dict(fix, aim, brakings))
    else:
        from analyser.reporting.fix_text import fix_text

        notes = (*doubts, *notes) if options.quiet or not note else (*doubts, *notes, note)
        print(fix_text(fix, aim, brakings, notes))
    return common.NEEDS_PERSON if doubts else common.DONE


def _take_short_form(options) -> None:
    """``Lull 61.9km 992 -3`` into the named options."""
    names = ("body", "altitude", "speed", "vertical_speed")
    if len(options.short) > len(names):
        raise InputError(
            f"too many words ({' '.join(word.strip() for word in options.short)}): the short form is BODY ALTITUDE SPEED "
            "[VERTICAL-SPEED], and a unit is written without a blank: 61.9km",
            place="arguments",
        )
    words = [word.strip() for word in options.short]
    if words and options.body is None and words[0][:1].isdigit():
        raise InputError(f"the body comes first: fix Lull {' '.join(words)}", place="arguments")
    free = [name for name in names if getattr(options, name) is None] if options.body else list(names)
    if options.surface_speed is not None and "speed" in free:
        free[free.index("speed")] = "vertical_speed"
    for name, word in zip(free, words, strict=False):
        if getattr(options, name) is not None:
            raise InputError(f"{name} is given twice: {getattr(options, name)!r} and {word!r}", place="arguments")
        setattr(options, name, word)


def _reading(options):
    from analyser.commands.typed import shown_quantity
    from analyser.fitting.shown_state import Reading

    def shown(name: str, dimension: str):
        found = getattr(options, name)
        if found is None or not isinstance(found, str):
            return found  # not given, or taken from a screenshot
        return shown_quantity(found, dimension, f"option --{name.replace('_', '-')}")

    if options.speed is not None and options.surface_speed is not None:
        raise InputError("give --speed (about the body's centre) or --surface-speed, not both", place="option --surface-speed")
    later, seconds = options.then or (None, None)
    return Reading(
        shown("altitude", "length"),
        shown("speed", "speed") or shown("surface_speed", "speed"),
        shown("vertical_speed", "speed"),
        shown("horizontal_speed", "speed"),
        shown("flight_path_angle", "angle"),
        surface=options.surface_speed is not None,
        latitude=shown("latitude", "angle"),
        heading=shown("heading", "angle"),
        later_altitude=shown_quantity(later, "length", "option --then") if later else None,
        seconds=shown_quantity(seconds, "time", "option --then") if seconds else None,
    )


def _what_follows(options, fix, world, craft, plan):
    """The goal and the braking: (aim, brakings, notes)."""
    from analyser.commands.typed import parse_goal, propellant_mass, shown_quantity, throttle_share

    goal = parse_goal(options.goal, fix.body.name, world, plan) if options.goal else None
    landing = goal is not None and goal.kind == "landed"
    engine, notes = None, ()
    throttle = throttle_share(options.throttle)
    if craft is not None:
        from analyser.fitting.engine import engine_of

        left = propellant_mass(options.propellant, craft, options.stage) if options.propellant else math.nan
        engine, notes = engine_of(craft, left, options.stage, throttle)
    elif landing or options.propellant:
        raise InputError("propellant and braking need the craft: add --craft FILE", place="option --craft")
    aim, brakings = None, ()
    if goal is not None and not landing:
        from analyser.fitting.corrections import aim as aim_at

        aim = aim_at(fix, goal, world, engine)
    if engine is not None and (landing or (goal is None and fix.ground.chance == 1)):
        from analyser.fitting.braking import landings

        radar = options.radar_altitude
        radar = shown_quantity(radar, "length", "option --radar-altitude") if isinstance(radar, str) else radar
        brakings = landings(fix, engine, radar)
    return aim, brakings, notes


def _remember(options, world) -> None:
    from analyser.commands import memory

    if options.world:
        memory.remember(world=world.path or options.world)
