"""The arcs and orbits of a table of readings: every coast as a conic about its body, every burn between them.

examples:
  analyser fit readings.csv --world worlds/ardent.toml
  analyser fit readings.csv --world worlds/ardent.toml --craft craft/heron.toml --json
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "the arcs, orbits and burns of a table of readings"


def configure(parser) -> None:
    """Add the arguments of ``fit``."""
    parser.add_argument("readings", metavar="READINGS", type=Path, help="a table of readings (CSV), or a flight folder")
    common.add_description_options(parser, "world", "craft", "plan")
    common.add_output_options(parser, "also write findings.json there")


def run(options) -> int:
    """Fit and print."""
    from analyser.fitting import fit_flight
    from analyser.ingest import load_flight
    from analyser.reporting import fit_text

    bare_table = not (options.readings.is_dir() or options.readings.suffix == ".toml")
    if bare_table and options.world is None:
        raise InputError("a bare table doesn't say in which world it was flown: add --world FILE", place="option --world")
    flight = load_flight(options.readings, world=options.world, craft=options.craft, plan=options.plan)
    findings = fit_flight(flight)
    if options.json:
        common.print_json(findings.to_dict())
    else:
        print(fit_text(flight, findings).rstrip())
    if options.out:
        common.write_json(options.out / "findings.json", findings.to_dict())
    return common.DONE if findings.arcs else common.NEEDS_PERSON
