"""A card of numbers to keep beside the screen: circular and escape speed by altitude, the speed for a wanted apoapsis, the
height at which to brake, what the plan's legs cost, when to leave for a moon.

examples:
  analyser card Lull --world worlds/ardent.toml --craft craft/heron.toml
  analyser card Ardent --plan plans/there-and-back.toml --craft craft/heron.toml --out .     a page to print
"""

from __future__ import annotations

import math
from pathlib import Path

from analyser.commands import common

SUMMARY = "the card of numbers to keep beside the screen, as text or a page to print"


def configure(parser) -> None:
    """Add the arguments of ``card``."""
    parser.add_argument("body", metavar="BODY", help="planet or moon")
    parser.add_argument("--propellant", metavar="M", help="left when braking: 1744kg or 27%% (default: full, half, a fifth)")
    parser.add_argument("--stage", metavar="NAME", default="", help="the stage that brakes (default: the last)")
    common.add_description_options(parser, "world", "craft", "plan")
    common.add_output_options(parser, "write the printable page card-BODY.html there")


def run(options) -> int:
    """Make the card; print it, or write its page."""
    from analyser.commands.descriptions import body_of, find_world, optional
    from analyser.commands.typed import propellant_mass
    from analyser.fitting.cockpit_card import make_card
    from analyser.ingest.descriptions import load_craft, load_plan
    from analyser.reporting.card import card_dict, card_text, write_card

    world, note = find_world(options.world, options.body)
    body = body_of(world, options.body)
    craft = optional(load_craft, options.craft)
    plan = load_plan(options.plan, world) if options.plan else None
    left = propellant_mass(options.propellant, craft, options.stage) if options.propellant and craft else math.nan
    card = make_card(body, world, craft, plan, left, options.stage)
    ideal = None
    if plan is not None:
        from analyser.fitting.ideal import plan_mission

        ideal = plan_mission(plan, world, craft)
    if options.json:
        common.print_json(card_dict(card, ideal))
    elif not options.out or not options.quiet:
        print(card_text(card, ideal))
        if note and not options.quiet:
            print(note)
    if options.out:
        written = write_card(card, options.out, ideal)
        if not options.json:
            print(f"to print: {written}")
    if options.world:
        from analyser.commands import memory

        memory.remember(world=world.path or options.world)
    return common.DONE
