"""Arcs as CCSDS orbit messages, readings as CSV.

examples:
  analyser export flights/first-try --out notes
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "arcs as CCSDS orbit messages, readings as CSV"


def configure(parser) -> None:
    """Add the arguments of ``export``."""
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="a flight folder")
    common.add_output_options(parser, "where the files go (default: reports/FLIGHT)")


def run(options) -> int:
    """Not there yet: says so."""
    raise InputError("export is not written yet; `analyser debrief` writes the readings as CSV and findings.json", place="command export")
