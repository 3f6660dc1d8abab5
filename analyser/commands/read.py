"""Turns screenshots (or a table as typed) into readings.csv, ready to be checked and corrected, and readings_detail.csv,
which says for every value where it came from. Doubtful values are listed and left empty, never guessed.

examples:
  analyser read flights/on-camera                       the flight's screenshots/
  analyser read --panel panels/heron/panel.toml shots/*.png --out notes
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "screenshots into readings.csv, doubtful values listed"


def configure(parser) -> None:
    """Add the arguments of ``read``."""
    parser.add_argument("paths", metavar="FLIGHT|IMAGE", nargs="+", type=Path, help="a flight folder; with --panel, images or folders of images")
    parser.add_argument("--panel", metavar="FILE", type=Path, help="panel.toml: the reference screenshot and its gauges")
    parser.add_argument("--craft", metavar="FILE", help="craft file, where a gauge shows propellant in percent")
    common.add_output_options(parser, "where the tables go (default with FLIGHT: reports/FLIGHT; needed with --panel)")


def run(options) -> int:
    """Read, write both tables, list what is doubtful."""
    from analyser.ingest import write_detail, write_readings

    readings, target = _from_images(options) if options.panel else _from_flight(options)
    write_readings(readings, target / "readings.csv")
    write_detail(readings, target / "readings_detail.csv")
    doubtful = common.doubtful_rows(readings)
    if options.json:
        common.print_json({"readings": len(readings), "doubtful": [_plain(item) for item in doubtful],
                           "remarks": list(readings.remarks), "written": str(target)})  # fmt: skip
    else:
        _say(readings, doubtful, target, options.quiet)
    return common.NEEDS_PERSON if doubtful or not len(readings) else common.DONE


def _from_images(options):
    from analyser.ingest.descriptions import load_craft
    from analyser.ingest.screenshots import read_screenshots

    if options.out is None:
        raise InputError("say where the tables are to go, for example --out notes", place="option --out")
    craft = load_craft(options.craft) if options.craft else None
    images = [image for path in options.paths for image in _images_in(path)]
    readings = read_screenshots(options.panel, images, progress=common.image_progress(options.quiet), craft=craft)
    return readings, options.out


def _from_flight(options):
    from analyser.ingest import load_flight

    if len(options.paths) > 1:
        raise InputError("several paths are images, and need --panel PANEL; a flight is one folder", place="arguments")
    (folder,) = common.flight_folders(options.paths)
    flight = load_flight(folder, progress=common.image_progress(options.quiet))
    name = flight.folder.resolve().name if flight.folder else folder.stem
    return flight.readings, options.out or Path("reports") / name


def _images_in(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]  # missing or no picture: the reader of images says so
    suffixes = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
    found = sorted(child for child in path.iterdir() if child.suffix.lower() in suffixes)
    if not found:
        raise InputError("no pictures in this folder (png, jpg, webp, bmp or tif)", path)
    return found


def _say(readings, doubtful, target: Path, quiet: bool) -> None:
    for item in doubtful:
        raw = f", looks like {item.raw!r}" if getattr(item, "raw", "") else ""
        print(f"doubtful: {item.source}, {item.column}{raw}: {item.reason}")
    if quiet:
        return
    for remark in readings.remarks:
        print(f"note: {remark}")
    print(f"{len(readings)} moments read, {len(doubtful)} values doubtful: {target / 'readings.csv'}")


def _plain(item) -> dict:
    from analyser.estimate import plain

    return plain(item._asdict())
