"""Arcs as CCSDS orbit messages (502.0-B, keyword = value), readings as CSV: for other tools to go on with.

examples:
  analyser export flights/first-try --out notes

writes notes/readings.csv, notes/readings_detail.csv, one orbit-N.opm for each fitted orbit and orbits.oem with all of them.
the plane of an orbit is not shown by altitude and speed: the messages say which axes they use instead.
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common

SUMMARY = "arcs as CCSDS orbit messages, readings as CSV"


def configure(parser) -> None:
    """Add the arguments of ``export``."""
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="a flight folder")
    common.add_output_options(parser, "where the files go (default: reports/FLIGHT)")


def run(options) -> int:
    """Read, fit, and write the messages and tables."""
    from analyser.files import write_atomically
    from analyser.fitting import fit_flight
    from analyser.ingest import load_flight, write_detail, write_readings
    from analyser.reporting.ccsds import orbit_messages

    flight = load_flight(options.flight, progress=common.image_progress(options.quiet))
    messages = orbit_messages(flight, fit_flight(flight))
    target = options.out or Path("reports") / options.flight.resolve().name
    for name, text in messages.items():
        write_atomically(target / name, text)
    write_readings(flight.readings, target / "readings.csv")
    write_detail(flight.readings, target / "readings_detail.csv")
    written = [str(target / name) for name in (*messages, "readings.csv", "readings_detail.csv")]
    if options.json:
        common.print_json({"written": written})
    elif not options.quiet:
        print(f"{len(messages)} orbit messages and the readings: {target}" if messages else f"the readings (nothing was fitted): {target}")
    return common.DONE if messages else common.NEEDS_PERSON
