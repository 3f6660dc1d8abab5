"""Follows a flight while it is flown: a table of readings that grows, or a folder into which screenshots fall. Each new
reading brings one line: the orbit now, how far it is to the goal, what changed, what looks misread. Ends with Ctrl-C.

examples:
  analyser watch flights/first-try --goal capture
  analyser watch notes.csv --world worlds/ardent.toml --body Lull
  analyser watch shots --panel panels/heron/panel.toml --world worlds/ardent.toml
  analyser watch flights/first-try --screen         the whole picture, redrawn in place

Only reads; a half-written line or picture waits until it is whole.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "follows a flight while it is flown: a line for each new reading"


def configure(parser) -> None:
    """Add the arguments of ``watch``."""
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="a flight folder, a table of readings, or a folder of screenshots")
    parser.add_argument("--panel", metavar="FILE", type=Path, help="panel.toml, where flight.toml names none")
    parser.add_argument("--body", metavar="NAME", help="the body, where no reading names one")
    parser.add_argument("--goal", metavar="GOAL", help="as for fix; or a leg of the plan")
    parser.add_argument("--screen", action="store_true", help="a full-screen view that redraws in place (on a terminal)")
    parser.add_argument("--interval", metavar="S", type=float, default=0.1, help="seconds from look to look (default: %(default)s)")
    parser.add_argument("--once", action="store_true", help="tell what is there and end")
    parser.add_argument("--no-bell", action="store_true", help="no bell when the coast meets the ground")
    common.add_description_options(parser, "world", "craft", "plan")
    common.add_output_options(parser)


def run(options) -> int:
    """Follow until Ctrl-C."""
    from analyser.commands.flight_setup import flight_setup
    from analyser.commands.typed import parse_goal
    from analyser.commands.watch_view import View
    from analyser.fitting.following import Follower
    from analyser.watching import follow

    if not (math.isfinite(options.interval) and options.interval > 0):
        raise InputError("seconds larger than 0 are wanted", place="option --interval")
    setup = flight_setup(options)
    follower = Follower(setup.world, setup.body)
    view = View(options, lambda body: parse_goal(options.goal, body, setup.world, setup.plan) if options.goal else None, setup)
    try:
        with view:
            for news in follow(setup.tails, options.interval, options.once):
                if news.restarted:
                    follower = Follower(setup.world, setup.body)
                view.show(news, follower)
    except KeyboardInterrupt:
        pass  # the way to end it
    if not options.quiet and not options.json:
        print(f"{view.count} readings followed", file=sys.stderr)
    return common.DONE if view.count or not options.once else common.NEEDS_PERSON
