"""The main job: reads a flight's readings, fits every coast, audits every burn against the plan, and writes a debrief
that says how the flight went. The attempt is kept in the logbook.

examples:
  analyser debrief flights/first-try
  analyser debrief flights                  every flight in a folder
  analyser debrief flights/first-try --out /mnt/notes

A flight is a folder: flight.toml says what was flown (world, craft, plan, panel),
readings.csv and/or screenshots/ (pictures, recordings) hold what the panel showed.
"""

from __future__ import annotations

import sys
from pathlib import Path

from analyser.commands import common
from analyser.errors import AnalyserError

_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_MOST_CROPS = 300  # in one page
SUMMARY = "a flight folder into a debrief: how it went, what every burn wasted, what to do otherwise"


def configure(parser) -> None:
    """Add the arguments of ``debrief``."""
    parser.add_argument("flights", metavar="FLIGHT", nargs="+", type=Path, help="a flight folder, or a folder of flight folders")
    parser.add_argument("--logbook", metavar="FILE", type=Path,
                        help="the logbook (default: reports/logbook.sqlite, or DIR/logbook.sqlite with --out)")  # fmt: skip
    parser.add_argument("--no-logbook", action="store_true", help="don't record the attempt")
    common.add_output_options(
        parser, "where the debrief goes: into DIR for one flight, into DIR/FLIGHT/ for several (default: reports/FLIGHT/)"
    )


def run(options) -> int:
    """Debrief each flight; one that can't be read doesn't stop the others."""
    folders = common.flight_folders(options.flights)
    root = options.out or Path("reports")
    into_root = options.out is not None and len(folders) == 1
    worst, shown = common.DONE, []
    for folder in folders:
        try:
            code, found = _debrief(folder, root if into_root else root / folder.resolve().name, options)
        except AnalyserError as error:
            if len(folders) == 1:
                raise
            print(f"analyser debrief: {error}", file=sys.stderr)
            code, found = common.WRONG_INPUT, {"flight": str(folder), "error": str(error)}
        worst, shown = max(worst, code), [*shown, found]
    if options.json:
        common.print_json(shown[0] if len(shown) == 1 else shown)
    return worst


def _debrief(folder: Path, target: Path, options) -> tuple[int, dict]:
    from analyser.fitting import fit_flight
    from analyser.ingest import load_flight
    from analyser.reporting import summary_text, write_debrief

    flight = load_flight(folder, progress=common.image_progress(options.quiet), frames=target / "frames")
    findings = fit_flight(flight)
    write_debrief(flight, findings, target, crops=_crops(flight, findings, target / "frames"), tables=lambda folder: _write_tables(flight, folder))
    if not options.no_logbook:
        from analyser.logbook import Logbook

        Logbook(options.logbook or (options.out or Path("reports")) / "logbook.sqlite").record(flight, findings)
    needs_person = bool(common.doubtful_rows(flight.readings)) or not findings.arcs
    if not options.json:
        if not options.quiet:
            print(summary_text(flight, findings).rstrip())
        print(f"debrief: {target / 'debrief.html'}")
    found = {"name": flight.name, **findings.to_dict(), "written": str(target)}
    return (common.NEEDS_PERSON if needs_person else common.DONE), found


def _write_tables(flight, folder: Path) -> None:
    from analyser.ingest import write_detail, write_readings

    write_readings(flight.readings, folder / "readings.csv")
    write_detail(flight.readings, folder / "readings_detail.csv")


def _crops(flight, findings, frames: Path) -> dict[tuple, bytes]:
    """The picture of every value that a person should look at: doubtful, recovered or set aside. By source, row and column."""
    pictures = {path.name: path for path in frames.glob("*/*.jpg")}  # taken from recordings
    pictures |= {path.name: path for path in flight.files if path.suffix.lower() in _PICTURES}
    detail = flight.readings.detail
    if not pictures or "crop" not in detail.columns:
        return {}
    from analyser.ingest.images import crop_png

    aside = {(item.source, item.row, item.column) for item in findings.set_aside}
    crops = {}
    for item in detail.itertuples(index=False):
        key = (item.source, item.row, item.column)
        wanted = item.status in ("doubtful", "recovered", "set aside") or key in aside
        if wanted and item.source in pictures and isinstance(item.crop, (tuple, list)) and len(crops) < _MOST_CROPS:
            crops[key] = crop_png(pictures[item.source], tuple(item.crop))
    return crops
