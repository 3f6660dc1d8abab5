"""The text columns of a readings table: bodies, events."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from analyser.flight import World
from analyser.units import nearest, shown

#: Events that other parts of the program know; others are kept as text.
EVENTS = ("ignition", "cutoff", "staging", "touchdown", "liftoff", "soi", "save", "parachute", "braking", "docking", "undocking")
_BY_LETTERS = {name: name for name in EVENTS}


@dataclass
class Bodies:
    """The column of bodies as the world names them; ``bad`` cells as (index, what is wrong)."""

    words: list[str] | None
    bad: list[tuple[int, str]] = field(default_factory=list)


def read_bodies(cells: Sequence[str] | None, world: World | None) -> Bodies:
    """Bodies as named in ``world``, case and blanks at the ends ignored; without a world as written."""
    if cells is None:
        return Bodies(None)
    cells = ["" if cell in ("-", "--", "\u2013", "\u2014") else cell for cell in cells]
    if world is None:
        return Bodies(list(cells))
    names = {"": ""} | {name.casefold(): name for name in world.bodies}
    found = Bodies([])
    for index, cell in enumerate(cells):
        name = names.get(cell.casefold())
        if name is None:
            hint = nearest(cell, world.bodies)
            found.bad.append((index, f"there is no body {shown(cell)} in the world {shown(world.name)}; "
                              f"{f'did you mean {hint!r}? ' if hint else ''}known: {', '.join(list(world.bodies)[:12])}"))  # fmt: skip
        found.words.append(name or "")
    return found


def read_events(cells: Sequence[str] | None) -> list[str] | None:
    """Events with the known ones spelled alike ("Lift-off" is "liftoff"); several in one cell are kept in their order."""
    if cells is None:
        return None
    known: dict[str, str] = {}
    for cell in cells:
        if cell not in known:
            known[cell] = _event(cell)
    return [known[cell] for cell in cells]


def _event(cell: str) -> str:
    whole = _BY_LETTERS.get(_letters(cell))
    if whole:
        return whole
    parts = [_BY_LETTERS.get(_letters(part)) for part in re.split(r"[,;+&/]", cell)]
    return ", ".join(parts) if len(parts) > 1 and all(parts) else cell


def _letters(text: str) -> str:
    return re.sub(r"[\s_-]", "", text).casefold()
