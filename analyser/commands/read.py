"""Turns screenshots, a recording (or a table as typed) into readings.csv, ready to be checked and corrected, and readings_detail.csv,
which says for every value where it came from. Doubtful values are listed and left empty, never guessed.

examples:
  analyser read flights/on-camera                       the flight's screenshots/
  analyser read --panel panels/heron/panel.toml shots/*.png --out notes
  analyser read --panel panels/heron/panel.toml flight.mp4 --out notes --every 2s
  analyser read --panel panels/heron/panel.toml flight.mp4 --out notes --on-change

Of a recording the pictures that were read are kept in DIR/frames/; a run that was stopped goes on where it was.
"""

from __future__ import annotations

import re
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUFFIXES = {".png", ".jpg", ".jpeg", ".webp", ".bmp"}
RECORDINGS = {".mp4", ".mkv", ".webm", ".avi", ".mov", ".m4v", ".mpg", ".ts"}
SUMMARY = "screenshots or a recording into readings.csv, doubtful values listed"


def configure(parser) -> None:
    """Add the arguments of ``read``."""
    parser.add_argument("paths", metavar="FLIGHT|IMAGE|RECORDING", nargs="+", type=Path,
                        help="a flight folder; with --panel, images, folders of images, or recordings")  # fmt: skip
    parser.add_argument("--panel", metavar="FILE", type=Path, help="panel.toml: the reference screenshot and its gauges")
    parser.add_argument("--craft", metavar="FILE", help="craft file, where a gauge shows propellant in percent")
    parser.add_argument("--every", metavar="TIME", help="how far apart a recording is sampled (default 1 s), or looked at with --on-change (0.2 s)")
    parser.add_argument("--on-change", action="store_true", help="read a recording wherever a read-out changes")
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
    from analyser.ingest.merging import merge_readings
    from analyser.ingest.screenshots import read_screenshots

    if options.out is None:
        raise InputError("say where the tables are to go, for example --out notes", place="option --out")
    craft = load_craft(options.craft) if options.craft else None
    paths = [found for path in options.paths for found in _pictures_in(path)]
    images, recordings = [path for path in paths if not _is_recording(path)], [path for path in paths if _is_recording(path)]
    every = _interval(options, bool(recordings))
    progress = common.image_progress(options.quiet)
    parts = [read_screenshots(options.panel, images, progress=progress, craft=craft)] if images else []
    for recording in recordings:
        from analyser.ingest.video import read_video

        frames = options.out / "frames" / recording.name
        parts.append(read_video(options.panel, recording, frames, every, progress, on_change=options.on_change))
    return merge_readings(parts), options.out


def _interval(options, recordings: bool) -> float | None:
    from analyser.units import parse_quantity

    if not recordings and (options.every or options.on_change):
        raise InputError("says how a recording is read, and there is none among what is to be read", place=f"option --{'every' if options.every else 'on-change'}")
    try:
        return parse_quantity(options.every, "time") if options.every else None
    except InputError as error:
        raise InputError(error.problem, place="option --every") from error


def _from_flight(options):
    from analyser.fitting.expectation import expect_coasts
    from analyser.ingest import load_flight

    if options.every or options.on_change:
        raise InputError(
            'a flight says itself how its recording is read (recording_every = "2 s" in flight.toml); this goes with --panel',
            place=f"option --{'every' if options.every else 'on-change'}",
        )
    if len(options.paths) > 1:
        raise InputError("several paths are images, and need --panel PANEL; a flight is one folder", place="arguments")
    (folder,) = common.flight_folders(options.paths)
    name = (folder if folder.is_dir() else folder.parent).resolve().name
    target = options.out or Path("reports") / name
    flight = load_flight(folder, progress=common.image_progress(options.quiet), frames=target / "frames", motion=expect_coasts)
    return flight.readings, target


def _is_recording(path: Path) -> bool:
    return path.suffix.lower() in RECORDINGS


def _pictures_in(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]  # missing or no picture: the reader of images says so
    found = sorted((child for child in path.iterdir() if child.suffix.lower() in SUFFIXES | RECORDINGS), key=_by_number)
    if not found:
        raise InputError("no pictures in this folder (png, jpg, webp or bmp), and no recording", path)
    return found


def _by_number(path: Path) -> list:
    """shot-9 before shot-10."""
    return [int(part) if part.isdecimal() else part.casefold() for part in re.split(r"(\d+)", path.name)]


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
