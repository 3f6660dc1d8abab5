"""What ``watch`` follows, from a flight folder, a table of readings, or a folder of screenshots."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyser.commands.descriptions import body_of, find_world, optional
from analyser.errors import InputError
from analyser.flight import World


@dataclass(frozen=True)
class Setup:
    """What ``watch`` follows: where to look, and what is known of the flight."""

    world: World
    body: str
    craft: Any
    plan: Any
    tails: list[Any]


def flight_setup(options) -> Setup:
    """World, craft, plan and the files to follow, from a flight folder, a table, or a folder of screenshots.

    Raises
    ------
    InputError
        There is nothing to follow, or no world is known.
    """
    from analyser.ingest.descriptions import load_craft, load_plan
    from analyser.watching import PICTURES, FolderTail, TableTail

    path: Path = options.flight
    if not path.exists() and path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        raise InputError("there is nothing of that name: name a flight folder, a table of readings (it may come later), or a folder of screenshots", path)
    folder = path if path.is_dir() else path.parent
    named = _flight_toml(folder / "flight.toml") if path.is_dir() or path.name == "flight.toml" else {}
    world, _ = find_world(options.world or named.get("world"), options.body)
    craft = optional(load_craft, options.craft or named.get("craft"))
    plan_path = options.plan or named.get("plan")
    plan = load_plan(plan_path, world) if plan_path else None
    panel = options.panel or (Path(named["panel"]) if "panel" in named else None)
    body = body_of(world, options.body).name if options.body else (plan.start.body if plan else "")
    tails: list[Any] = []
    if path.is_dir():
        shots = folder / "screenshots" if (folder / "screenshots").is_dir() or named else folder
        if panel is not None:
            tails.append(FolderTail(shots, panel, craft))
        elif any(child.suffix.lower() in PICTURES for child in shots.glob("*")) and not (folder / "readings.csv").exists():
            raise InputError("screenshots need a panel: add --panel FILE, or name it in flight.toml", shots)
        if named or panel is None:
            tails.append(TableTail(folder / "readings.csv", craft, world))
    elif path.name == "flight.toml":
        tails.append(TableTail(folder / "readings.csv", craft, world))
    else:
        tails.append(TableTail(path, craft, world))
    return Setup(world, body, craft, plan, tails)


def _flight_toml(path: Path) -> dict[str, str]:
    """The files that a flight.toml names, relative ones from its folder; empty where there is none."""
    if not path.exists():
        return {}
    from analyser.ingest.sections import Source

    data = Source(path, "flight description").data
    found = {}
    for key in ("world", "craft", "plan", "panel"):
        value = data.get(key)
        if isinstance(value, str) and value:
            found[key] = value if key == "world" and Path(value).suffix == "" and "/" not in value else str(path.parent / value)
    return found
