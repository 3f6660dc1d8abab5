"""The arcs and orbits of a table of readings: every coast as a conic about its body, every burn between them.

examples:
  analyser fit readings.csv --world worlds/ardent.toml
  analyser fit readings.csv --world worlds/ardent.toml --craft craft/heron.toml --json
  analyser fit readings.csv --world worlds/guess.toml --estimate gm,radius
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
    parser.add_argument(
        "--estimate", metavar="NAMES", default="",
        help="find a body's constants from its coasts: gm, radius, rotation, comma-separated; the world's own are the first guess",
    )  # fmt: skip
    parser.add_argument("--body", metavar="BODY", default="", help="the body to estimate (the one with most readings otherwise)")
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
    if options.estimate:
        return _estimate(flight, options)
    findings = fit_flight(flight)
    if options.json:
        common.print_json(findings.to_dict())
    else:
        print(fit_text(flight, findings).rstrip())
    if options.out:
        common.write_json(options.out / "findings.json", findings.to_dict())
    return common.DONE if findings.arcs else common.NEEDS_PERSON


def _estimate(flight, options) -> int:
    """Print what the coasts tell of a body."""
    from analyser.findings import plain
    from analyser.fitting import fit_flight
    from analyser.fitting.first_constants import with_first_constants
    from analyser.fitting.unknown_world import QUANTITIES, estimate_from_flight

    names = [name.strip().casefold() for name in options.estimate.split(",") if name.strip()]
    wrong = [name for name in names if name not in QUANTITIES]
    if wrong or not names:
        raise InputError(f"'{', '.join(wrong) or options.estimate}' can't be estimated: give one or more of {', '.join(QUANTITIES)}", place="option --estimate")
    if options.body and options.body not in flight.world:
        raise InputError(f"the world has no body '{options.body}': it has {', '.join(body.name for body in flight.world)}", place="option --body")
    flight = with_first_constants(flight, options.body, names)
    found = estimate_from_flight(flight, fit_flight(flight), options.body, names)
    if found is None:
        print("no coast of three or more readings was found to estimate from")
        return common.NEEDS_PERSON
    if options.json:
        common.print_json({"body": found.body.name, "quantities": {name: plain(value) for name, value in found.quantities.items()},
                           "chi2": found.chi2, "degrees_of_freedom": found.dof, "remarks": list(found.remarks)})  # fmt: skip
    else:
        print(f"{found.body.name}, from its coasts (chi-square {found.chi2:.0f} with {found.dof} degrees of freedom):")
        for name, value in found.quantities.items():
            told = f"{value.value:.8g} {value.unit}, 95 % between {value.low:.8g} and {value.high:.8g}" if value.known else f"not known: {value.reason}"
            print(f"  {name:9s} {told}")
        for remark in found.remarks:
            print(f"  {remark}")
    return common.DONE if all(value.known for value in found.quantities.values()) else common.NEEDS_PERSON
