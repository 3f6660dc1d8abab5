"""A logbook as a plain file: one JSON object a line, an attempt with all its revisions."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from analyser.errors import InputError, OutputError
from analyser.logbook_file import FIGURES, LEG_FIGURES
from analyser.logbook_rows import Entry, children

__all__ = ["exported", "imported", "refuse_to_replace"]


def _pairs(names: tuple[str, ...]) -> dict[str, str]:
    return {f"{name}{ending}": "number?" for name in names for ending in ("", "_sigma")}


# What a row may hold, by key: "text" or "number", with "?" where null may stand. Keys that older exports lack have a value for them in _LATER.
_ABOUT = {key: "text" for key in ("name", "pilot", "date", "folder", "plan", "craft", "world", "recorded", "report")} | {"deleted": "text?"}
_REVISION = {
    **{key: "text" for key in ("fingerprint", "findings_hash", "analyser_version", "recorded", "findings")},
    **{key: "number?" for key in ("duration", "readings", "set_aside", "doubtful", "legs_flown")}, **_pairs(FIGURES),
}  # fmt: skip
_CHILDREN = {
    "legs": {
        "position": "number", "name": "text", "goal": "text", "flown": "number", "miss": "text", "start": "number?", "finish": "number?",
        **_pairs(LEG_FIGURES),
    },
    "habits": {"position": "number", "leg": "text", "cause": "text", "cost": "number?", "propellant": "number?", "sentence": "text"},
    "inputs": {"position": "number", "name": "text", "size": "number", "sha256": "text"},
}  # fmt: skip
_LATER = {"report": "", "deleted": None, "start": None, "finish": None}


def exported(database: sqlite3.Connection) -> Iterator[str]:
    """Every attempt, deleted ones too, with every revision, as a line each (without its end)."""
    for attempt in database.execute("SELECT * FROM attempts ORDER BY id").fetchall():
        about = {key: attempt[key] for key in attempt.keys() if key != "id"}
        revisions = database.execute("SELECT * FROM revisions WHERE attempt = ? ORDER BY number", (attempt["id"],)).fetchall()
        about["revisions"] = [_revision(database, row) for row in revisions]
        yield json.dumps(about, ensure_ascii=False, allow_nan=False)


def _revision(database: sqlite3.Connection, row: sqlite3.Row) -> dict[str, Any]:
    found = {key: row[key] for key in row.keys() if key not in ("id", "attempt", "number")}
    found["findings"] = json.loads(row["findings"])
    for table in _CHILDREN:
        rows = children(database, table, [row["id"]]).get(row["id"], [])
        found[table] = [{key: value for key, value in child.items() if key != "revision"} for child in rows]
    return found


def refuse_to_replace(path: str | Path) -> None:
    """An export replaces an older export and nothing else: a slip of the hand must not cost a logbook, or readings.

    Raises
    ------
    OutputError
        A file that doesn't begin as an export stands there.
    """
    try:
        with open(path, "rb") as file:
            head = file.read(16)
    except OSError:
        return  # nothing is there, or writing will say what is the matter
    if head and not head.startswith(b'{"name": '):
        raise OutputError("this file is no exported logbook, and stays as it is; name another for the export", path)


def imported(path: str | Path) -> list[Entry]:
    """Entries of an exported file, one a revision, in order.

    Raises
    ------
    InputError
        The file can't be read, or a line of it is not what :func:`exported` writes.
    """
    try:
        # not splitlines: a name may hold what Unicode calls a line's end
        lines = Path(path).read_text(encoding="utf-8").split("\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise InputError(f"can't be read as an exported logbook: {reason.lower()}", path) from error
    found: list[Entry] = []
    for number, line in enumerate(lines, 1):
        if line.strip():
            try:
                found += _entries(json.loads(line, parse_constant=_refuse))
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
                raise InputError(f"is not a line of an exported logbook ({error}); nothing was added", path, f"line {number}") from error
    return found


def _entries(attempt: dict[str, Any]) -> list[Entry]:
    revisions = attempt.pop("revisions")
    about = _row(attempt, _ABOUT, "an attempt")
    if not isinstance(revisions, list) or not revisions:
        raise ValueError("it has no revisions")
    found = []
    for revision in revisions:
        rows = {table: revision.pop(table) if table != "inputs" else revision.pop(table, []) for table in _CHILDREN}
        if not isinstance(revision.get("findings"), dict):
            raise ValueError("its findings are not an object")
        revision["findings"] = json.dumps(revision["findings"], ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        checked = {}
        for table, keys in _CHILDREN.items():
            checked[table] = [_row(row, keys, f"its {table}") for row in rows[table]]
            if len({row["position"] for row in checked[table]}) < len(checked[table]):
                raise ValueError(f"two of its {table} have the same position")
        found.append(Entry(about, _row(revision, _REVISION, "a revision"), **checked))
    return found


def _row(given: Any, keys: dict[str, str], what: str) -> dict[str, Any]:
    """``given`` with the keys that older exports lack; every key known, none missing, every value of its kind."""
    if not isinstance(given, dict):
        raise ValueError(f"{what} is not an object")
    row = {**{key: value for key, value in _LATER.items() if key in keys}, **given}
    if set(row) != set(keys):
        raise ValueError(f"its keys are not those of {what}")
    for key, value in row.items():
        kind = keys[key]
        right = isinstance(value, str) if kind.startswith("text") else isinstance(value, (int, float)) and not isinstance(value, bool)
        if not right and not (value is None and kind.endswith("?")):
            raise ValueError(f"{key} of {what} should be {'a ' if kind.startswith('n') else ''}{kind.rstrip('?')}, and is {value!r:.40}")
        if isinstance(value, int) and abs(value) >= 2**63 or isinstance(value, str) and not _encodable(value):
            raise ValueError(f"{key} of {what} can't be kept: {value!r:.40}")
    return row


def _encodable(text: str) -> bool:
    return not any("\ud800" <= character <= "\udfff" for character in text)


def _refuse(text: str) -> None:
    raise ValueError(f"{text} is no number of JSON")
