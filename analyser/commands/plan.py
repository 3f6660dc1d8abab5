"""What a plan should cost: the least delta-v of every leg, its propellant and time, and what is left at the end.

examples:
  analyser plan plans/there-and-back.toml --world worlds/ardent.toml --craft craft/heron.toml
  analyser plan plans/there-and-back.toml --world worlds/ardent.toml --craft craft/heron.toml --out notes     drawn, a page to print
  analyser plan --from flights/first-try@12:20:00          what the rest of a flown flight would have cost from there
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "the ideal plan: delta-v, propellant, times, margins"


def configure(parser) -> None:
    """Add the arguments of ``plan``."""
    parser.add_argument("plan", metavar="PLAN", type=Path, nargs="?", help="plan file (with --from: instead of the flight's own)")
    parser.add_argument("--from", dest="moment", metavar="FLIGHT@MET", help="plan the rest of a flown flight from this moment of it, e.g. flights/first-try@12:20:00")
    common.add_description_options(parser, "world", "craft")
    common.add_output_options(parser, "write plan.html, plan.svg and the plan file itself there")


def run(options) -> int:
    """Plan and print; draw where asked to."""
    from analyser.reporting.plan import plan_document, plan_text, write_plan

    plan, world, ideal, opening, found = _rest(options) if options.moment else _whole(options)
    if options.out:
        from analyser.ingest.plans import dump_plan

        page = write_plan(ideal, world, plan, options.out, dump_plan(plan), opening)
    if options.json:
        common.print_json({**plan_document(ideal), **found})
    elif not (options.out and options.quiet):
        print(plan_text(ideal, opening).rstrip())
    if options.out and not options.json:
        print(f"to print: {page}")
    return common.NEEDS_PERSON if ideal.margin < 0 else common.DONE


def _whole(options):
    from analyser.fitting.ideal import plan_mission
    from analyser.ingest.descriptions import load_craft, load_plan, load_world

    if options.plan is None:
        raise InputError("name a plan file, or a moment of a flown flight: --from FLIGHT@MET", place="PLAN")
    if options.world is None:
        raise InputError("a plan needs a world: add --world FILE", place="option --world")
    world = load_world(options.world)
    plan = load_plan(options.plan, world)
    return plan, world, plan_mission(plan, world, load_craft(options.craft) if options.craft else None), "", {}


def _rest(options):
    """The rest of a flown flight: its own world, craft and plan unless others are named."""
    from dataclasses import replace

    from analyser.estimate import plain
    from analyser.fitting import fit_flight
    from analyser.fitting.margins import replan
    from analyser.fitting.expectation import expect_coasts
    from analyser.ingest import load_flight
    from analyser.ingest.descriptions import load_craft, load_plan
    from analyser.reporting.plan import rest_text
    from analyser.units import scan_duration

    folder, mark, moment = options.moment.rpartition("@")
    if not mark or not folder:
        raise InputError(f"{options.moment!r} names no moment; write FLIGHT@MET, e.g. flights/first-try@12:20:00", place="option --from")
    try:
        met = scan_duration(moment.strip().removeprefix("T+"))[0]
    except InputError as error:
        raise InputError(error.problem, place="option --from") from None
    if options.world:
        raise InputError("with --from the flight names its world; leave --world out", place="option --world")
    (folder,) = common.flight_folders([Path(folder)])[:1]
    flight = load_flight(folder, progress=common.image_progress(options.quiet), motion=expect_coasts)
    if options.craft:
        flight = replace(flight, craft=load_craft(options.craft))
    if options.plan:
        flight = replace(flight, plan=load_plan(options.plan, flight.world))
    rest = replan(flight, fit_flight(flight, judged=False), met)
    return rest.plan, flight.world, rest.ideal, rest_text(flight.name, rest.margin), {"from": {"flight": flight.name, "met": met, **plain(rest.margin)}}
