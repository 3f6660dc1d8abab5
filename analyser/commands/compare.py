"""Attempts side by side and over time: delta-v by leg, waste, misses, landing speed, propellant left.

examples:
  analyser compare                          the attempts at the plan flown last
  analyser compare flights/first-try flights/second-try
  analyser compare --plan "There and back" --pilot P-01 --out notes
"""

from __future__ import annotations

import sys
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "attempts side by side and over time, from the logbook"


def configure(parser) -> None:
    """Add the arguments of ``compare``."""
    parser.add_argument("flights", metavar="FLIGHT", nargs="*", type=Path, help="only these flights, by folder or by name (default: all)")
    parser.add_argument("--plan", metavar="NAME", help="only attempts at this plan (default: the one flown last)")
    parser.add_argument("--pilot", metavar="NAME", help="only this pilot's")
    parser.add_argument("--last", metavar="N", type=int, help="how many to look back over (default: 30)")
    parser.add_argument("--csv", action="store_true", help="print a table for a spreadsheet")
    parser.add_argument("--logbook", metavar="FILE", type=Path, default=Path("reports/logbook.sqlite"),
                        help="the logbook (default: %(default)s)")  # fmt: skip
    common.add_output_options(parser, "also write the comparison page there")


def run(options) -> int:
    """Read the logbook, compare, print."""
    if options.last is not None and options.last < 1:
        raise InputError("a number of attempts of 1 or more is wanted", place="option --last")
    if not options.logbook.exists():
        raise InputError("there is no logbook yet: `analyser debrief FLIGHT` keeps one. another place: --logbook FILE", options.logbook)
    from analyser.logbook import Logbook
    from analyser.reporting import compare, comparison_csv, comparison_json, comparison_text, write_comparison

    book = Logbook(options.logbook)
    names = [_name(book, path) for path in options.flights] or None
    comparison = compare(book, names, options.plan, options.pilot, options.last)
    if options.json:
        print(comparison_json(comparison).rstrip())
    elif options.csv:
        print(comparison_csv(comparison).rstrip())
    elif not (options.quiet and options.out):
        print(comparison_text(comparison).rstrip())
    if options.out:
        page = write_comparison(comparison, options.out)
        print(f"comparison: {page}", file=sys.stderr if options.json or options.csv else sys.stdout)
    return common.DONE


def _name(book, path: Path) -> str:
    """What the logbook knows a flight by: its folder where it was recorded from there, else the folder's or the flight's name."""
    if not path.is_dir():
        return path.name
    whole = path.resolve().as_posix()
    return whole if book.count(names=[whole]) else path.resolve().name
