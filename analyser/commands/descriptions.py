"""Finding the world of a short command: as named, as last used here, or near by."""

from __future__ import annotations

from pathlib import Path

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
