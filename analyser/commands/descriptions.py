"""Finding the world, craft and plan of a short command: as named, from the flight's folder, as last used here, or near by."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyser.commands import memory
from analyser.errors import DescriptionError, InputError
from analyser.flight import Body, World
from analyser.units import nearest

_NEAR = (".", "worlds", "..", "../worlds", "../../worlds", "samples/worlds")


def find_world(named: str | None, body: str | None) -> tuple[World, str]:
    """The world to reckon in, and a word on where it came from ("" where it was named).

    Raises
    ------
    InputError
        None is found, or several are and none was named.
    """
    from analyser.ingest.descriptions import builtin_worlds, load_world

    if named:
        return load_world(named), ""
    last, remembered = memory.last_used().get("world"), None
    if last and (Path(last).exists() or last in builtin_worlds()):
        remembered = load_world(last)
        if body is None or _match(remembered, body):
            return remembered, f"world {_shown(last)}, as last used here"
    near = _near_worlds()
    fitting = [(path, world) for path, world in near if body is None or _match(world, body)]
    if len(fitting) == 1:
        return fitting[0][1], f"world {_shown(fitting[0][0])}, found near by"
    if len(fitting) > 1:
        names = ", ".join(_shown(path) for path, _ in fitting)
        raise InputError(f"several worlds lie near by ({names}): name one with --world", place="option --world")
    for name in builtin_worlds():
        world = load_world(name)
        if body is not None and _match(world, body):
            return world, f"world {name}, built in"
    known = sorted({one.name for world in (remembered, *(world for _, world in near)) if world for one in world})
    if body is not None and known:
        hint = nearest(body, known)
        what = f"no world near by has a body {body!r}"
        if hint:
            raise InputError(f"{what}; did you mean {hint}? else name its world with --world FILE", place="argument BODY")
        what += f" (they have {', '.join(known)})"
    else:
        what = "no world file is near by, and none was used here before"
    raise InputError(f"{what}: name one with --world FILE (built in: {', '.join(builtin_worlds())})", place="option --world")


def body_of(world: World, named: str | None) -> Body:
    """The body called ``named``, case ignored.

    Raises
    ------
    InputError
        The world has no such body; the message names the nearest.
    """
    if not named:
        raise InputError(f"say about which body: {', '.join(world.bodies)}", place="argument BODY")
    found = _match(world, named)
    if found is None:
        hint = nearest(named, list(world.bodies))
        raise InputError(
            f"{world.name} has no body {named!r}" + (f"; did you mean {hint}?" if hint else f"; it has {', '.join(world.bodies)}"),
            place="argument BODY",
        )
    return found


def _match(world: World, named: str) -> Body | None:
    return next((body for body in world if body.name.casefold() == named.strip().casefold()), None)


def _near_worlds() -> list[tuple[str, World]]:
    from analyser.ingest.descriptions import load_world

    found: dict[Path, tuple[str, World]] = {}
    for folder in map(Path, _NEAR):
        for path in sorted(folder.glob("*.toml"))[:50] if folder.is_dir() else []:
            try:
                if path.stat().st_size > 200_000 or b"[bodies" not in path.read_bytes():
                    continue
                found.setdefault(path.resolve(), (str(path), load_world(path)))
            except (OSError, DescriptionError):
                continue  # not a world, or not a sound one: nobody named it
    return list(found.values())


def _shown(path: str) -> str:
    try:
        return str(Path(path).relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def optional(load, path: str | None):
    """``load(path)``, or None where there is no path."""
    return load(path) if path else None


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
