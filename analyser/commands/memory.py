"""Which world (craft, panel) was last used from a folder, so that the next short command needn't name it.

Kept in the user's own state folder (``$XDG_STATE_HOME/analyser`` or ``~/.local/state/analyser``; ``ANALYSER_STATE`` names another, and
an empty one switches it off), never in the pilot's folders. Losing it costs nothing: what can't be read or written is let be.
"""

from __future__ import annotations

import os
from pathlib import Path

from analyser.ingest import plain_toml

_KEPT = 200  # folders; the oldest are forgotten


def state_file() -> Path | None:
    """The file of what was last used, or None: switched off, or the user has no home."""
    named = os.environ.get("ANALYSER_STATE")
    if named is not None:
        return Path(named) / "last-used.toml" if named else None
    base = os.environ.get("XDG_STATE_HOME")
    try:
        return (Path(base) if base else Path.home() / ".local" / "state") / "analyser" / "last-used.toml"
    except RuntimeError:
        return None


def last_used(folder: Path | None = None) -> dict[str, str]:
    """What was last used from ``folder`` (default: the current one): paths by "world", "craft", "panel", "plan"."""
    found = _all().get(str((folder or Path.cwd()).resolve()), {})
    return {key: value for key, value in found.items() if isinstance(value, str)} if isinstance(found, dict) else {}


def remember(folder: Path | None = None, **used: str | Path | None) -> None:
    """Keep what was used from ``folder``; None: unchanged."""
    file = state_file()
    if file is None:
        return
    place = str((folder or Path.cwd()).resolve())
    everything = _all()
    known = last_used(folder)
    now = {**known, **{key: _absolute(value) for key, value in used.items() if value is not None}}
    if now == known:
        return
    everything.pop(place, None)
    everything[place] = now
    kept = dict(list(everything.items())[-_KEPT:])
    from analyser.errors import OutputError
    from analyser.files import write_atomically

    try:
        write_atomically(file, _dump(kept))  # as TOML, which a command in flight reads without loading anything more
    except OutputError:
        pass  # a convenience: a read-only home must not stop an answer in flight


def _absolute(value: str | Path) -> str:
    return str(Path(value).resolve()) if Path(value).exists() else str(value)  # a built-in world is a bare name


def _all() -> dict:
    file = state_file()
    try:
        found = plain_toml.loads(file.read_text(encoding="utf-8")) if file else {}
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _dump(everything: dict) -> str:
    lines = []
    for place, used in everything.items():
        lines.append(f"[{plain_toml.quoted(place)}]")
        lines += [f"{key} = {plain_toml.quoted(value)}" for key, value in used.items() if isinstance(value, str)]
    return "\n".join(lines) + "\n"
