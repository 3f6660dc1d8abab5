"""Attempts as rows of the logbook's tables, and back."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyser import __version__
from analyser.errors import InputError
from analyser.logbook_file import FIGURES, LEG_FIGURES

if TYPE_CHECKING:
    from analyser.findings import Estimate, Findings
    from analyser.flight import Flight


def _pairs(names: tuple[str, ...]) -> set[str]:
    return {f"{name}{ending}" for name in names for ending in ("", "_sigma")}


_REVISION = {
    "fingerprint", "findings_hash", "analyser_version", "recorded", "duration", "readings", "set_aside", "doubtful", "legs_flown", "findings",
} | _pairs(FIGURES)  # fmt: skip
_LEG = {"position", "name", "goal", "flown", "miss"} | _pairs(LEG_FIGURES)
_HABIT = {"position", "leg", "cause", "cost", "propellant", "sentence"}


@dataclass(frozen=True)
class Recorded:
    """What recording did: the attempt's number in the logbook, its revision, and whether either is new."""

    attempt: int
    revision: int
    new: bool  # the attempt was not there before
    changed: bool  # a revision was added


@dataclass(frozen=True)
class Attempt:
    """One attempt as its newest revision has it.

    ``figures`` maps the names of FIGURES to (value, sigma), SI, nan where unknown. ``legs`` and ``habits`` are rows as
    mappings. ``findings`` is findings.json's content where it was asked for, else None.
    """

    id: int
    revision: int
    name: str
    pilot: str
    date: str
    folder: str
    plan: str
    craft: str
    world: str
    recorded: str
    deleted: str | None
    fingerprint: str
    analyser_version: str
    duration: float
    readings: int
    set_aside: int
    doubtful: int
    legs_flown: int
    figures: dict[str, tuple[float, float]]
    legs: tuple[dict[str, Any], ...]
    habits: tuple[dict[str, Any], ...]
    findings: dict[str, Any] | None = None


def fingerprint(flight: "Flight") -> str:
    """What went into a flight, as a hash: its name and the names and contents of its files (of its readings where it has no files).

    Raises
    ------
    InputError
        A file of the flight can't be read any more.
    """
    digest = hashlib.sha256(f"{flight.name}\0".encode())
    for path in flight.files:
        try:
            content = Path(path).read_bytes()
        except OSError as error:
            raise InputError(f"can't be read again to record the flight: {(error.strerror or str(error)).lower()}", path) from error
        digest.update(f"{Path(path).name}\0{len(content)}\0".encode() + content)
    if not flight.files:
        digest.update(flight.readings.table.to_csv(index=False).encode())
    return digest.hexdigest()


def about_of(flight: "Flight") -> dict[str, str]:
    return {
        "name": flight.name, "pilot": flight.pilot, "date": str(flight.date),
        "folder": Path(flight.folder).resolve().as_posix() if flight.folder else "",
        "plan": flight.plan.name if flight.plan else "", "craft": flight.craft.name if flight.craft else "", "world": flight.world.name,
    }  # fmt: skip


def revision_of(flight: "Flight", findings: "Findings", mark: str) -> dict[str, Any]:
    from analyser.findings import plain
    from analyser.totals import totals

    total = totals(flight, findings)
    text = json.dumps(findings.to_dict(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    found = {
        "fingerprint": mark, "findings_hash": hashlib.sha256(text.encode()).hexdigest(), "analyser_version": __version__, "recorded": now(),
        "duration": plain(total.duration), "readings": total.readings, "set_aside": len(findings.set_aside), "doubtful": total.doubtful,
        "legs_flown": sum(leg.flown for leg in findings.legs), "findings": text,
    }  # fmt: skip
    for name in FIGURES:
        found.update(_pair(name, getattr(total, name)))
    return found


def children_of(findings: "Findings") -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    from analyser.findings import plain

    legs = []
    for position, leg in enumerate(findings.legs):
        row = {"position": position, "name": leg.name, "goal": leg.goal, "flown": int(leg.flown), "miss": json.dumps(plain(leg.miss), ensure_ascii=False, allow_nan=False)}
        for name in LEG_FIGURES:
            row.update(_pair(name, getattr(leg, name)))
        legs.append(row)
    habits = [
        {"position": position, "leg": item.leg, "cause": item.cause, "cost": plain(item.cost), "propellant": plain(item.propellant), "sentence": item.sentence}
        for position, item in enumerate(findings.advice)
    ]
    return legs, habits


def _pair(name: str, estimate: "Estimate") -> dict[str, float | None]:
    from analyser.findings import plain

    return {name: plain(estimate.value), f"{name}_sigma": plain(estimate.sigma)}


def keep(database: sqlite3.Connection, about: dict, revision: dict, legs: list[dict], habits: list[dict]) -> Recorded:
    number, new = _attempt_for(database, about, revision["fingerprint"])
    if new:
        number = _insert(database, "attempts", {"recorded": revision["recorded"], **about})
    same = database.execute(
        "SELECT number FROM revisions WHERE attempt = ? AND fingerprint = ? AND findings_hash = ? AND analyser_version = ?",
        (number, revision["fingerprint"], revision["findings_hash"], revision["analyser_version"]),
    ).fetchone()
    if same:
        return Recorded(number, same["number"], new=False, changed=False)
    last, latest = database.execute("SELECT coalesce(max(number), 0), coalesce(max(recorded), '') FROM revisions WHERE attempt = ?", (number,)).fetchone()
    if not new and revision["recorded"] >= latest:
        kept = {key: value for key, value in about.items() if key not in ("recorded", "deleted")}
        database.execute(f"UPDATE attempts SET {', '.join(f'{key} = ?' for key in kept)} WHERE id = ?", (*kept.values(), number))
    row = _insert(database, "revisions", {**revision, "attempt": number, "number": last + 1})
    for table, children in (("legs", legs), ("habits", habits)):
        for child in children:
            _insert(database, table, {**child, "revision": row})
    return Recorded(number, last + 1, new=new, changed=True)


def _attempt_for(database: sqlite3.Connection, about: dict, mark: str) -> tuple[int, bool]:
    queries = [("SELECT attempt AS id FROM revisions WHERE fingerprint = ? ORDER BY id LIMIT 1", (mark,))]
    if about["folder"]:
        queries.append(
            ("SELECT id FROM attempts WHERE folder = ? AND pilot = ? AND date = ? ORDER BY id LIMIT 1", (about["folder"], about["pilot"], about["date"]))
        )
    else:
        queries.append(
            (
                "SELECT id FROM attempts WHERE folder = '' AND name = ? AND pilot = ? AND date = ? ORDER BY id LIMIT 1",
                (about["name"], about["pilot"], about["date"]),
            )
        )
    for query, values in queries:
        row = database.execute(query, values).fetchone()
        if row:
            return row["id"], False
    return 0, True


def _insert(database: sqlite3.Connection, table: str, row: dict[str, Any]) -> int:
    names = ", ".join(row)
    marks = ", ".join("?" * len(row))
    return database.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values())).lastrowid


def read(
    database: sqlite3.Connection,
    where: str,
    values: list,
    revision: int | None = None,
    whole: bool = False,
    limit: int | None = None,
    brief: bool = False,
) -> list[Attempt]:
    """Attempts that meet ``where``, in order of date, then of recording; only the ``limit`` last ones; ``brief``: without legs and
    habits; ``whole``: with all findings."""
    newest = "(SELECT number FROM revisions WHERE attempt = a.id ORDER BY recorded DESC, number DESC LIMIT 1)"
    columns = ", ".join(f"r.{name}, r.{name}_sigma" for name in FIGURES)
    rows = database.execute(
        f"""SELECT a.*, r.id AS revision_id, r.number, r.fingerprint, r.analyser_version, r.duration, r.readings, r.set_aside, r.doubtful,
            r.legs_flown, {columns}{', r.findings' if whole else ''}
            FROM (SELECT * FROM attempts WHERE {where} ORDER BY date DESC, recorded DESC, id DESC LIMIT ?) a
            JOIN revisions r ON r.attempt = a.id AND r.number = {newest if revision is None else '?'}
            ORDER BY a.date, a.recorded, a.id""",
        [*values, -1 if limit is None else limit, *([] if revision is None else [revision])],
    ).fetchall()
    ids = [] if brief else [row["revision_id"] for row in rows]
    legs, habits = _children(database, "legs", ids), _children(database, "habits", ids)
    return [_attempt(row, legs.get(row["revision_id"], []), habits.get(row["revision_id"], []), whole) for row in rows]


def _children(database: sqlite3.Connection, table: str, ids: list[int]) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = {}
    for first in range(0, len(ids), 500):
        some = ids[first : first + 500]
        query = f"SELECT * FROM {table} WHERE revision IN ({', '.join('?' * len(some))}) ORDER BY revision, position"
        for row in database.execute(query, some):
            found.setdefault(row["revision"], []).append(dict(row))
    return found


def _attempt(row: sqlite3.Row, legs: list[dict], habits: list[dict], whole: bool) -> Attempt:
    nan = float("nan")
    figures = {name: (nan if row[name] is None else row[name], nan if row[f"{name}_sigma"] is None else row[f"{name}_sigma"]) for name in FIGURES}
    return Attempt(
        row["id"], row["number"], row["name"], row["pilot"], row["date"], row["folder"], row["plan"], row["craft"], row["world"], row["recorded"],
        row["deleted"], row["fingerprint"], row["analyser_version"], nan if row["duration"] is None else row["duration"], row["readings"],
        row["set_aside"], row["doubtful"], row["legs_flown"], figures, tuple(legs), tuple(habits),
        json.loads(row["findings"]) if whole else None,
    )  # fmt: skip


def all_revisions(database: sqlite3.Connection, attempt: int) -> list[sqlite3.Row]:
    return database.execute("SELECT * FROM revisions WHERE attempt = ? ORDER BY number", (attempt,)).fetchall()


def exported(database: sqlite3.Connection, row: sqlite3.Row) -> dict[str, Any]:
    found = {key: row[key] for key in row.keys() if key not in ("id", "attempt", "number")}
    found["findings"] = json.loads(row["findings"])
    for table in ("legs", "habits"):
        children = database.execute(f"SELECT * FROM {table} WHERE revision = ? ORDER BY position", (row["id"],))
        found[table] = [{key: child[key] for key in child.keys() if key != "revision"} for child in children]
    return found


def lines_of(path: str | Path) -> list[str]:
    """Lines of an exported file.

    Raises
    ------
    InputError
        It can't be read as text.
    """
    try:
        return Path(path).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise InputError(f"can't be read as an exported logbook: {reason.lower()}", path) from error


_ABOUT = {"name", "pilot", "date", "folder", "plan", "craft", "world", "recorded"}


def imported(line: str, path: str | Path, number: int) -> tuple[dict[str, Any], list[tuple[dict, list[dict], list[dict]]]]:
    """One exported line: about the attempt, and its revisions as rows.

    Raises
    ------
    InputError
        The line is not what :meth:`Logbook.export` writes.
    """
    place = f"line {number}"
    try:
        entry = json.loads(line)
        revisions = entry.pop("revisions")
        if set(entry) - {"deleted"} != _ABOUT or not all(isinstance(entry[key], str) for key in _ABOUT):
            raise ValueError("its keys are not those of an attempt")
        found = []
        for revision in revisions:
            legs, habits = revision.pop("legs"), revision.pop("habits")
            text = json.dumps(revision["findings"], ensure_ascii=False, allow_nan=False, separators=(",", ":"))
            row = {**revision, "findings": text}
            if set(row) != _REVISION or any(set(leg) != _LEG for leg in legs) or any(set(habit) != _HABIT for habit in habits):
                raise ValueError("its keys are not those of a revision")
            found.append((row, legs, habits))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(f"is not a line of an exported logbook ({error}); nothing was added", path, place) from error
    return entry, found


def now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
