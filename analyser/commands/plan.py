"""What a plan should cost: the least delta-v of every leg, its propellant and time, and what is left at the end.

examples:
  analyser plan plans/there-and-back.toml --world worlds/ardent.toml --craft craft/heron.toml
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "the ideal plan: delta-v, propellant, times, margins"


def configure(parser) -> None:
    """Add the arguments of ``plan``."""
    parser.add_argument("plan", metavar="PLAN", type=Path, help="plan file")
    common.add_description_options(parser, "world", "craft")
    common.add_output_options(parser)


def run(options) -> int:
    """Plan and print."""
    from analyser.fitting.ideal import plan_mission
    from analyser.ingest.descriptions import load_craft, load_plan, load_world

    if options.world is None:
        raise InputError("a plan needs a world: add --world FILE", place="option --world")
    world = load_world(options.world)
    craft = load_craft(options.craft) if options.craft else None
    ideal = plan_mission(load_plan(options.plan, world), world, craft)
    if options.json:
        from analyser.estimate import plain

        common.print_json({**plain(ideal), "delta_v": plain(ideal.delta_v)})
    else:
        from analyser.reporting import plan_text

        print(plan_text(ideal).rstrip())
    return common.NEEDS_PERSON if ideal.margin < 0 else common.DONE
