"""Attempts as rows of the logbook's tables, and back."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyser import __version__
from analyser.attempts import Attempt
from analyser.fingerprints import Inputs, inputs_of
from analyser.logbook_file import FIGURES, LEG_FIGURES

if TYPE_CHECKING:
    from analyser.findings import Estimate, Findings
    from analyser.flight import Flight


@dataclass(frozen=True)
class Recorded:
    """What recording did: the attempt's number in the logbook, its revision, and whether either is new."""

    attempt: int
    revision: int
    new: bool  # the attempt was not there before
    changed: bool  # a revision was added
    deleted: bool = False  # the attempt is among the deleted ones, and stays there


@dataclass(frozen=True)
class Entry:
    """A flight and its findings as rows: plain data that can be handed from process to process before the logbook keeps it."""

    about: dict[str, Any]
    revision: dict[str, Any]
    legs: list[dict[str, Any]]
    habits: list[dict[str, Any]]
    inputs: list[dict[str, Any]]


def entry_of(flight: "Flight", findings: "Findings", report: str | Path = "", inputs: Inputs | None = None) -> Entry:
    """Rows for a flight; ``report`` is the folder its debrief was written into, ``inputs`` what it was read from (asked anew if not given).

    Raises
    ------
    InputError
        A file of the flight can't be read any more.
    """
    inputs = inputs or inputs_of(flight)
    about = about_of(flight)
    if report:
        about["report"] = Path(report).resolve().as_posix()
    files = [{"position": position, "name": name, "size": size, "sha256": mark} for position, (name, size, mark) in enumerate(inputs.files)]
    return Entry(about, revision_of(flight, findings, inputs.fingerprint), *children_of(findings), files)


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
        row = {
            "position": position, "name": leg.name, "goal": leg.goal, "flown": int(leg.flown), "start": plain(leg.start), "finish": plain(leg.end),
            "miss": json.dumps(plain(leg.miss), ensure_ascii=False, allow_nan=False),
        }  # fmt: skip
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


def keep(
    database: sqlite3.Connection, about: dict, revision: dict, legs: Iterable[dict], habits: Iterable[dict], inputs: Iterable[dict] = ()
) -> Recorded:
    """Keep an attempt's revision inside a transaction that holds the write lock."""
    number, new = _attempt_for(database, about, revision["fingerprint"])
    if new:
        number = _insert(database, "attempts", {"recorded": revision["recorded"], **about})
    last, latest = database.execute("SELECT coalesce(max(number), 0), coalesce(max(recorded), '') FROM revisions WHERE attempt = ?", (number,)).fetchone()
    same = database.execute(
        "SELECT number FROM revisions WHERE attempt = ? AND fingerprint = ? AND findings_hash = ? AND analyser_version = ?",
        (number, revision["fingerprint"], revision["findings_hash"], revision["analyser_version"]),
    ).fetchone()
    # what is found again is newer news of where the flight lies; what is imported again is not
    if not new and (revision["recorded"] > latest or (not same and revision["recorded"] == latest)):
        known = {key: value for key, value in about.items() if key not in ("recorded", "deleted") and (value or key != "report")}
        database.execute(f"UPDATE attempts SET {', '.join(f'{key} = ?' for key in known)} WHERE id = ?", (*known.values(), number))
    deleted = database.execute("SELECT deleted IS NOT NULL FROM attempts WHERE id = ?", (number,)).fetchone()[0] == 1
    if same:
        return Recorded(number, same["number"], new=False, changed=False, deleted=deleted)
    row = _insert(database, "revisions", {**revision, "attempt": number, "number": last + 1})
    for table, children in (("legs", legs), ("habits", habits), ("inputs", inputs)):
        for child in children:
            _insert(database, table, {**child, "revision": row})
    return Recorded(number, last + 1, new=new, changed=True, deleted=deleted)


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
    columns = ", ".join(f"r.{name}, r.{name}_sigma" for name in FIGURES)
    rows = database.execute(
        f"""SELECT a.*, r.id AS revision_id, r.number, r.fingerprint, r.analyser_version, r.duration, r.readings, r.set_aside, r.doubtful,
            r.legs_flown, {columns}{', r.findings' if whole else ''}
            FROM (SELECT * FROM attempts WHERE {where} ORDER BY date DESC, recorded DESC, id DESC LIMIT ?) a
            JOIN revisions r ON r.attempt = a.id AND r.number = {newest('a.id') if revision is None else '?'}
            ORDER BY a.date, a.recorded, a.id""",
        [*values, -1 if limit is None else limit, *([] if revision is None else [revision])],
    ).fetchall()
    ids = [] if brief else [row["revision_id"] for row in rows]
    legs, habits = children(database, "legs", ids), children(database, "habits", ids)
    inputs = children(database, "inputs", ids) if whole else {}
    return [_attempt(row, *(found.get(row["revision_id"], []) for found in (legs, habits, inputs)), whole) for row in rows]


def newest(attempt: str) -> str:
    """SQL for the number of the newest revision of ``attempt`` (SQL too)."""
    return f"(SELECT number FROM revisions WHERE attempt = {attempt} ORDER BY recorded DESC, number DESC LIMIT 1)"


def children(database: sqlite3.Connection, table: str, ids: list[int]) -> dict[int, list[dict[str, Any]]]:
    """Rows of ``table`` that belong to the revisions ``ids``, by revision, in order."""
    found: dict[int, list[dict[str, Any]]] = {}
    for first in range(0, len(ids), 500):
        some = ids[first : first + 500]
        query = f"SELECT * FROM {table} WHERE revision IN ({', '.join('?' * len(some))}) ORDER BY revision, position"
        for row in database.execute(query, some):
            found.setdefault(row["revision"], []).append(dict(row))
    return found


def _attempt(row: sqlite3.Row, legs: list[dict], habits: list[dict], inputs: list[dict], whole: bool) -> Attempt:
    nan = float("nan")
    figures = {name: (nan if row[name] is None else row[name], nan if row[f"{name}_sigma"] is None else row[f"{name}_sigma"]) for name in FIGURES}
    return Attempt(
        row["id"], row["number"], row["name"], row["pilot"], row["date"], row["folder"], row["plan"], row["craft"], row["world"], row["recorded"],
        row["deleted"], row["fingerprint"], row["analyser_version"], nan if row["duration"] is None else row["duration"], row["readings"],
        row["set_aside"], row["doubtful"], row["legs_flown"], figures, tuple(legs), tuple(habits),
        json.loads(row["findings"]) if whole else None, row["report"], tuple((item["name"], item["size"], item["sha256"]) for item in inputs),
    )  # fmt: skip


def now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
