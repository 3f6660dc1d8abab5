"""A flight for other tools to go on with: arcs as CCSDS orbit messages (502.0-B, keyword = value), readings and findings as tables, figures as
pictures.

examples:
  analyser export flights/first-try --out notes
  analyser export flights/first-try --out notes --tables csv,parquet --figures svg,png

writes into notes/, all of it or nothing:
  orbit-N.opm, orbits.oem           each fitted orbit, and all of them along their time
  readings.csv, readings_detail.csv the readings, to be edited; where each value came from
  findings-arcs.csv, ...            arcs, burns, legs, landings, residuals, ...: SI, units in
                                    the header, 95 % intervals, empty where not known
  *.parquet                         the same, units as metadata (needs the extra "parquet")
  figure-orbits-1.svg, ...          every figure of the debrief

the plane of an orbit is not shown by altitude and speed: the messages say which axes they use instead.
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "arcs as CCSDS orbit messages, readings and findings as tables, figures as pictures"


def configure(parser) -> None:
    """Add the arguments of ``export``."""
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="a flight folder")
    parser.add_argument("--tables", metavar="FORMS", default="csv", help="csv, parquet, or csv,parquet (default: csv)")
    parser.add_argument("--figures", metavar="FORMS", default="", help="svg, png, or svg,png (default: none)")
    common.add_output_options(parser, "where the files go (default: reports/FLIGHT)")


def run(options) -> int:
    """Read, fit, and write the messages, tables and figures."""
    from analyser.reporting.exchange import FIGURES, TABLES, write_exchange

    tables, figures = _forms(options.tables, TABLES, "tables"), _forms(options.figures, FIGURES, "figures")
    if "parquet" in tables:
        _need_parquet()
    from analyser.fitting import fit_flight
    from analyser.fitting.expectation import expect_coasts
    from analyser.ingest import load_flight, write_detail, write_readings

    target = options.out or Path("reports") / options.flight.resolve().name
    flight = load_flight(options.flight, progress=common.image_progress(options.quiet), frames=target / "frames", motion=expect_coasts)

    def readings(folder: Path) -> None:
        write_readings(flight.readings, folder / "readings.csv")
        write_detail(flight.readings, folder / "readings_detail.csv")

    written = write_exchange(flight, fit_flight(flight), target, tables, figures, readings)
    messages = [path for path in written if path.suffix in (".opm", ".oem")]
    if options.json:
        common.print_json({"written": [str(path) for path in written]})
    elif not options.quiet:
        print(f"{len(messages)} orbit messages, {len(written) - len(messages)} tables and figures: {target}" if messages
              else f"{len(written)} tables and figures (nothing was fitted): {target}")  # fmt: skip
    return common.DONE if messages else common.NEEDS_PERSON


def _forms(text: str, known: tuple[str, ...], option: str) -> tuple[str, ...]:
    words = tuple(dict.fromkeys(word.strip().casefold() for word in text.split(",") if word.strip()))
    wrong = [word for word in words if word not in known]
    if wrong:
        raise InputError(f"{', '.join(wrong)} is not among {', '.join(known)}; several are separated by commas", place=f"option --{option}")
    return words


def _need_parquet() -> None:
    try:
        import pyarrow  # noqa: F401
    except ImportError as error:
        raise InputError(
            "parquet needs the package pyarrow, which is not installed. type:  bash samples/setup.sh parquet", place="option --tables"
        ) from error
