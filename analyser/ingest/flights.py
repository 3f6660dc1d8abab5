"""A flight folder into :class:`analyser.flight.Flight`."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from analyser.errors import DescriptionError, InputError
from analyser.flight import Craft, Flight, Plan, Readings, World
from analyser.ingest.descriptions import load_craft, load_plan, load_world
from analyser.ingest.merging import merge_readings
from analyser.ingest.sections import Section, Source
from analyser.ingest.tables import read_table

_KEYS = {"name": "", "pilot": "", "date": "", "world": "", "craft": "", "plan": "", "panel": "", "remarks": "",
         "readings": "", "screenshots": "", "recording": "", "recording_every": "time"}  # fmt: skip
_TABLES = ("readings.csv", "readings.tsv", "readings.txt")
CORRECTIONS = "corrections.csv"  # what a person set right by hand, kept beside the readings
_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_RECORDINGS = {".mp4", ".mkv", ".webm", ".avi", ".mov", ".m4v", ".mpg", ".ts"}


def load_flight(
    path: str | Path,
    world: str | Path | World | None = None,
    craft: str | Path | Craft | None = None,
    plan: str | Path | Plan | None = None,
    progress: Callable[..., None] | None = None,
    frames: str | Path | None = None,
    corrected: bool = True,
    motion: Callable[[World], Callable] | None = None,
) -> Flight:
    """Read a flight, with what was set right by hand (corrections.csv beside its readings) applied.

    Parameters
    ----------
    path : str or Path
        A folder with flight.toml, a flight.toml, or a table of readings by itself (then ``world`` is needed).
    world, craft, plan : path or domain object, optional
        Instead of what flight.toml names, or where it names none.
    progress : callable, optional
        Handed to the reader of screenshots, which calls it with what is done and how many there are.
    frames : path, optional
        Where pictures sampled from the flight's recordings are kept; default: frames/ in reports/FLIGHT/, where the debrief goes too.
    corrected : bool
        False: the readings as they were read.
    motion : callable, optional
        Given the world, gives what :func:`analyser.ingest.screenshots.read_screenshots` takes as ``motion``: what a gauge should show.

    Returns
    -------
    Flight
        ``files`` are all files that went in.

    Raises
    ------
    InputError
        A file is missing or wrong; the message says which key named it.
    """
    flight = _loaded(Path(path), world, craft, plan, progress, frames, motion)
    return _corrected(flight) if corrected else flight


def _corrected(flight: Flight) -> Flight:
    """The flight with the corrections of its folder."""
    path = flight.folder / CORRECTIONS
    if not path.is_file():
        return flight
    from analyser.ingest.corrected import apply_corrections
    from analyser.ingest.corrections import read_corrections

    readings = apply_corrections(flight.readings, read_corrections(path), flight.craft, flight.world)
    return replace(flight, readings=readings, files=flight.files if path in flight.files else (*flight.files, path))


def _loaded(path: Path, world: Any, craft: Any, plan: Any, progress: Any, frames: Any, motion: Any) -> Flight:
    if path.is_dir():
        description = path / "flight.toml"
        if description.exists():
            return _from_description(description, world, craft, plan, progress, frames, motion)
        table = next((path / name for name in _TABLES if (path / name).exists()), None)
        if table is None or world is None:
            raise DescriptionError("there is no flight.toml in this folder; it names the flight, its world and its craft "
                                   '(name = "First try", world = "../worlds/ardent.toml", ...)', path)  # fmt: skip
        return replace(_from_table(table, world, craft, plan), name=path.resolve().name, folder=path)
    if path.suffix.casefold() == ".toml":
        return _from_description(path, world, craft, plan, progress, frames, motion)
    if not path.exists():
        raise InputError("there is no such file or folder; name a flight folder, its flight.toml, or a table of readings", path)
    return _from_table(path, world, craft, plan)


def _from_table(path: Path, world: Any, craft: Any, plan: Any) -> Flight:
    if world is None:
        raise InputError("a table by itself does not say in which world it was flown; name the world too, or put it into a "
                         "folder with a flight.toml", path)  # fmt: skip
    used = _Descriptions(world, craft, plan)
    return Flight(
        name=path.stem,
        world=used.world,
        readings=read_table(path, used.craft, used.world),
        craft=used.craft,
        plan=used.plan,
        folder=path.parent,
        files=(path, *used.files),
    )


class _Descriptions:
    """World, craft and plan from paths or as they are, and the files they came from."""

    def __init__(self, world: Any, craft: Any, plan: Any):
        self.world: World = world if isinstance(world, World) else load_world(world)
        self.craft: Craft | None = craft if craft is None or isinstance(craft, Craft) else load_craft(craft)
        self.plan: Plan | None = plan if plan is None or isinstance(plan, Plan) else load_plan(plan, self.world)
        used = (self.world, self.craft, self.plan)
        self.files = tuple(item.path for item in used if item is not None and item.path is not None)


def _from_description(path: Path, world: Any, craft: Any, plan: Any, progress: Any, frames: Any, motion: Any) -> Flight:
    top, used, sources = _described(path, world, craft, plan)
    frames = Path(frames) if frames is not None else Path("reports") / path.resolve().parent.name / "frames"
    return Flight(
        name=_name(top),
        world=used.world,
        readings=_readings(sources, used, progress, frames, motion(used.world) if motion else None),
        pilot=top.text("pilot"),
        date=_date(top),
        craft=used.craft,
        plan=used.plan,
        remarks=top.text("remarks"),
        folder=path.parent,
        files=(path, *sources.files, *used.files),
    )


def _described(path: Path, world: Any, craft: Any, plan: Any) -> tuple[Section, "_Descriptions", "_Sources"]:
    top = Source(path, "flight description").section(_KEYS)
    if world is None:
        top.require("world", '"../../worlds/ardent.toml" (or "solar", which comes built in)')
    named = {key: _named(top, key) for key in ("world", "craft", "plan") if key in top}
    used = _Descriptions(world or named.get("world"), craft or named.get("craft"), plan or named.get("plan"))
    return top, used, _Sources(top)


def _name(top: Section) -> str:
    return top.text("name").strip() or top.source.path.resolve().parent.name


def flight_inputs(folder: str | Path) -> tuple[str, tuple[Path, ...]]:
    """A flight's name and every file that :func:`load_flight` would read for it; the readings themselves stay unread.

    Parameters
    ----------
    folder : str or Path
        A folder with flight.toml.

    Returns
    -------
    (str, tuple of Path)
        As ``name`` and ``files`` of the loaded flight.

    Raises
    ------
    InputError
        As :func:`load_flight`, as far as the descriptions go.
    """
    description = Path(folder) / "flight.toml"
    top, used, sources = _described(description, None, None, None)
    return _name(top), (description, *sources.files, *used.files)


def _named(top: Section, key: str, folder: bool = False) -> str | Path:
    """The file that ``key`` names, relative to the description; a built-in world's name stays as it is."""
    text = top.text(key).strip()
    if not text:
        raise top.error("a file name is wanted; take the key out where there is none", key)
    if key == "world" and Path(text).suffix == "" and "/" not in text:
        return text
    path = top.source.path.parent / text
    try:
        there = path.is_dir() if folder else path.exists()
    except (OSError, ValueError):
        there = False
    if not there:
        raise top.error(f"there is no {'folder' if folder else 'file'} {path} (paths are relative to this file)", key)
    return path


def _date(top: Section) -> str:
    value = top.value("date")
    if value is None or isinstance(value, str):
        return value or ""
    if isinstance(value, (datetime.date, datetime.datetime)):
        return value.isoformat()
    raise top.error("a date is wanted, like 2031-04-12", "date")


class _Sources:
    """The files that a description's readings come from; nothing of them is read yet."""

    def __init__(self, top: Section):
        folder = top.source.path.parent
        if "readings" in top:
            self.table = _named(top, "readings")
        else:
            self.table = next((folder / name for name in _TABLES if (folder / name).exists()), None)
        shots = _named(top, "screenshots", folder=True) if "screenshots" in top else folder / "screenshots"
        self.pictures, self.recordings = _in_order(shots, _PICTURES), _in_order(shots, _RECORDINGS)
        if "recording" in top:
            self.recordings.append(_named(top, "recording"))
        self.every = top.quantity("recording_every", above=0.0)
        self.panel = _named(top, "panel") if "panel" in top else None
        self.shots = " and ".join(f"{len(paths)} {what}{'s' if len(paths) > 1 else ''}" for paths, what in
                                  ((self.pictures, "screenshot"), (self.recordings, "recording")) if paths)  # fmt: skip
        if self.table is None and not self.shots:
            raise top.error(f"no readings: there is neither {_TABLES[0]} nor a picture or a recording in {shots.name}/ in {folder}")
        if self.table is None and self.panel is None:
            raise top.error(f"found {self.shots} and no panel that says where their gauges are; write "
                            'panel = "../../panels/heron/panel.toml"')  # fmt: skip
        self.files: tuple[Path, ...] = () if self.table is None else (self.table,)
        if self.shots and self.panel is not None:
            self.files += (self.panel, *_reference(self.panel), *self.pictures, *self.recordings)
        corrections = folder / CORRECTIONS
        if corrections.is_file():
            self.files += (corrections,)


def _readings(sources: _Sources, used: _Descriptions, progress: Any, frames: Path, motion: Any) -> Readings:
    """What was typed, photographed and recorded, merged."""
    parts: list[Readings] = []
    if sources.table is not None:
        parts.append(read_table(sources.table, used.craft, used.world))
    if sources.pictures and sources.panel is not None:
        from analyser.ingest.screenshots import read_screenshots

        parts.append(read_screenshots(sources.panel, sources.pictures, progress=progress, craft=used.craft, motion=motion))
    if sources.recordings and sources.panel is not None:
        from analyser.ingest.video import read_video

        every = None if math.isnan(sources.every) else sources.every
        parts += [read_video(sources.panel, path, frames / path.name, every, progress, motion) for path in sources.recordings]
    readings = merge_readings(parts)
    if sources.shots and sources.panel is None:
        readings = replace(readings, remarks=(*readings.remarks, f"{sources.shots} not read: the flight names no panel"))
    return readings


def _in_order(folder: Path, suffixes: set[str]) -> list[Path]:
    """The files of such kinds in a folder in the order of their names, numbers by size."""
    if not folder.is_dir():
        return []
    found = [child for child in folder.iterdir() if child.suffix.casefold() in suffixes and not child.name.startswith(".")]
    return sorted(found, key=lambda child: [int(part) if part.isdecimal() else part.casefold()
                                            for part in re.split(r"(\d+)", child.name)])  # fmt: skip


def _reference(panel: Path) -> list[Path]:
    """The reference picture a panel names, where it is there; the reader of screenshots judges the panel itself."""
    import tomllib

    try:
        name = tomllib.loads(panel.read_text("utf-8-sig")).get("reference")
    except (OSError, ValueError):
        return []
    return [panel.parent / name] if isinstance(name, str) and (panel.parent / name).is_file() else []
