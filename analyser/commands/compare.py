"""Attempts side by side and over time: delta-v by leg, waste, misses, landing speed, propellant left.

examples:
  analyser compare                          every attempt in reports/logbook.sqlite
  analyser compare flights/first-try flights/second-try
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "attempts side by side and over time, from the logbook"


def configure(parser) -> None:
    """Add the arguments of ``compare``."""
    parser.add_argument("flights", metavar="FLIGHT", nargs="*", type=Path, help="only these flights (default: all)")
    parser.add_argument("--logbook", metavar="FILE", type=Path, default=Path("reports/logbook.sqlite"),
                        help="the logbook (default: %(default)s)")  # fmt: skip
    common.add_output_options(parser, "also write the comparison page there")


def run(options) -> int:
    """Read the logbook and print."""
    if not options.logbook.exists():
        raise InputError("there is no logbook yet: `analyser debrief FLIGHT` keeps one. another place: --logbook FILE", options.logbook)
    raise InputError("not written yet", place="command compare")
