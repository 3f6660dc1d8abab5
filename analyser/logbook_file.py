"""The logbook's file: its layout, how it grows from version to version, and opening it safely."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from analyser.errors import InputError, OutputError
from analyser.files import make_folder

__all__ = ["FIGURES", "LEG_FIGURES", "MIGRATIONS", "LogbookFile"]

APPLICATION = 0x464C4F47  # marks the file as ours, PRAGMA application_id
WAIT = 60.0  # s that a writer waits for others

#: Figures of a whole flight kept as columns <name> and <name>_sigma, SI.
FIGURES = (
    "spent", "needed", "waste", "burn_loss", "placement_loss", "correction_loss", "waste_propellant", "planned", "propellant",
    "propellant_left", "reading_to_burn", "touchdown_vertical_speed", "touchdown_horizontal_speed",
)  # fmt: skip
LEG_FIGURES = (
    "spent", "needed", "planned", "waste", "waste_propellant", "burn_loss", "placement_loss", "correction_loss", "propellant", "still_needed",
)  # fmt: skip


def _columns(names: Iterable[str]) -> str:
    return ",\n".join(f"{name} REAL, {name}_sigma REAL" for name in names)


#: Steps of the file's layout, oldest first; only ever added to. Each runs in one transaction with its record (user_version).
MIGRATIONS: tuple[str, ...] = (
    f"""
    CREATE TABLE attempts (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        name TEXT NOT NULL, pilot TEXT NOT NULL, date TEXT NOT NULL, folder TEXT NOT NULL,
        plan TEXT NOT NULL, craft TEXT NOT NULL, world TEXT NOT NULL,
        recorded TEXT NOT NULL, deleted TEXT
    );
    CREATE INDEX attempts_plan ON attempts (plan, deleted, date, recorded);
    CREATE INDEX attempts_date ON attempts (date, recorded, id);
    CREATE INDEX attempts_name ON attempts (name);
    CREATE INDEX attempts_folder ON attempts (folder);
    CREATE TABLE revisions (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        attempt INTEGER NOT NULL REFERENCES attempts (id),
        number INTEGER NOT NULL,
        fingerprint TEXT NOT NULL, findings_hash TEXT NOT NULL, analyser_version TEXT NOT NULL, recorded TEXT NOT NULL,
        duration REAL, readings INTEGER, set_aside INTEGER, doubtful INTEGER, legs_flown INTEGER,
        {_columns(FIGURES)},
        findings TEXT NOT NULL,
        UNIQUE (attempt, number)
    );
    CREATE INDEX revisions_fingerprint ON revisions (fingerprint);
    CREATE INDEX revisions_newest ON revisions (attempt, recorded, number);
    CREATE TABLE legs (
        revision INTEGER NOT NULL REFERENCES revisions (id),
        position INTEGER NOT NULL, name TEXT NOT NULL, goal TEXT NOT NULL, flown INTEGER NOT NULL, miss TEXT NOT NULL,
        {_columns(LEG_FIGURES)},
        PRIMARY KEY (revision, position)
    ) WITHOUT ROWID;
    CREATE TABLE habits (
        revision INTEGER NOT NULL REFERENCES revisions (id),
        position INTEGER NOT NULL, leg TEXT NOT NULL, cause TEXT NOT NULL, cost REAL, propellant REAL, sentence TEXT NOT NULL,
        PRIMARY KEY (revision, position)
    ) WITHOUT ROWID;
    """,
    """
    ALTER TABLE attempts ADD COLUMN report TEXT NOT NULL DEFAULT '';
    ALTER TABLE legs ADD COLUMN start REAL;
    ALTER TABLE legs ADD COLUMN finish REAL;
    UPDATE legs SET
        start = (SELECT json_extract(findings, '$.legs[' || position || '].start') FROM revisions WHERE id = revision),
        finish = (SELECT json_extract(findings, '$.legs[' || position || '].end') FROM revisions WHERE id = revision);
    CREATE TABLE inputs (
        revision INTEGER NOT NULL REFERENCES revisions (id),
        position INTEGER NOT NULL, name TEXT NOT NULL, size INTEGER NOT NULL, sha256 TEXT NOT NULL,
        PRIMARY KEY (revision, position)
    ) WITHOUT ROWID;
    """,
)


class LogbookFile:
    """An SQLite file of ours, brought to the newest layout on opening.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    InputError
        The file is no logbook, is damaged, or was written by a newer version; it is left as it is.
    OutputError
        It can't be made or written.
    """

    def __init__(self, path: str | Path):
        self.path = Path(path)
        make_folder(self.path.parent)
        _check_header(self.path)
        with self.connection() as database:
            self._migrate(database)

    @contextmanager
    def connection(self) -> Iterator[sqlite3.Connection]:
        """An open connection, for reading; what SQLite raises becomes one of our errors."""
        try:
            database = sqlite3.connect(self.path, timeout=WAIT, isolation_level=None)
        except sqlite3.Error as error:
            raise OutputError(f"the logbook can't be opened: {error}; choose another place with --logbook", self.path) from error
        try:
            database.row_factory = sqlite3.Row
            database.execute("PRAGMA foreign_keys = ON")
            database.execute("PRAGMA synchronous = FULL")  # recorded means on the disk
            yield database
        except sqlite3.OperationalError as error:
            raise OutputError(_operational(error), self.path) from error
        except sqlite3.DatabaseError as error:
            raise InputError(
                f"the logbook is damaged ({error}); it is left as it is. name another with --logbook, or bring back a copy", self.path
            ) from error
        finally:
            database.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction that holds the write lock from its start: what is read in it stays true until it ends."""
        with self.connection() as database:
            database.execute("BEGIN IMMEDIATE")
            try:
                yield database
            except BaseException:
                _roll_back(database)
                raise
            database.execute("COMMIT")

    def _migrate(self, database: sqlite3.Connection) -> None:
        version = database.execute("PRAGMA user_version").fetchone()[0]
        self._check_version(database, version)
        while version < len(MIGRATIONS):
            database.execute("BEGIN IMMEDIATE")
            try:
                version = database.execute("PRAGMA user_version").fetchone()[0]  # another process may have been first
                if version < len(MIGRATIONS):
                    for statement in MIGRATIONS[version].split(";"):
                        if statement.strip():
                            database.execute(statement)
                    version += 1
                    database.execute(f"PRAGMA user_version = {version}")
                    database.execute(f"PRAGMA application_id = {APPLICATION}")
            except BaseException:
                _roll_back(database)
                raise
            database.execute("COMMIT")

    def _check_version(self, database: sqlite3.Connection, version: int) -> None:
        # tables before the mark: another process may be making both, in one transaction, just now
        tables = database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        marked = database.execute("PRAGMA application_id").fetchone()[0]
        if tables and marked != APPLICATION:
            raise InputError("is a database of something else, not a logbook; it is left as it is. name another with --logbook", self.path)
        if version > len(MIGRATIONS):
            raise InputError(
                f"was written by a newer analyser (layout {version}, this one knows {len(MIGRATIONS)}); it is left as it is. update analyser, "
                "or name another with --logbook",
                self.path,
            )


def _roll_back(database: sqlite3.Connection) -> None:
    if database.in_transaction:  # a full disk may have undone it already
        database.execute("ROLLBACK")


def _check_header(path: Path) -> None:
    """Refuse a file that is no database before SQLite touches it."""
    try:
        with open(path, "rb") as file:
            head = file.read(16)
    except FileNotFoundError:
        return
    except IsADirectoryError as error:
        raise InputError("is a folder, not a logbook file; name a file with --logbook", path) from error
    except OSError as error:
        raise InputError(f"the logbook can't be read: {(error.strerror or str(error)).lower()}; choose another with --logbook", path) from error
    if head and head != b"SQLite format 3\0":
        raise InputError("is no logbook (not an SQLite file); it is left as it is. name another with --logbook", path)


def _operational(error: sqlite3.OperationalError) -> str:
    said = str(error)
    if "locked" in said or "busy" in said:
        return f"another process has kept the logbook busy for {WAIT:.0f} s; run the command again"
    if "full" in said:
        return "the disk is full, the attempt is not recorded; free some space or name another place with --logbook"
    if "readonly" in said or "unable to open" in said:
        return "the logbook can't be written here; name another place with --logbook, or use --no-logbook"
    return f"the logbook can't be used ({said}); name another place with --logbook, or use --no-logbook"
