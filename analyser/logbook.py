"""The attempts kept over time, in one SQLite file.

A flight is an *attempt*; what was found in it is a *revision*. The same input found the same way again changes nothing; changed
input, or a newer analyser that finds something else, adds a revision and keeps the old one. What is asked for often stands in
columns of its own, the rest (with every covariance) as JSON.

Several processes may write at once: each write is one transaction that takes the lock first. Once :meth:`Logbook.record` has
returned, the attempt is on the disk.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from analyser import logbook_rows as rows
from analyser.errors import InputError
from analyser.files import write_atomically
from analyser.fingerprints import fingerprint
from analyser.logbook_exchange import exported, imported, refuse_to_replace
from analyser.logbook_file import FIGURES, MIGRATIONS, LogbookFile
from analyser.logbook_rows import Attempt, Entry, Recorded

if TYPE_CHECKING:
    from analyser.findings import Findings
    from analyser.flight import Flight

__all__ = ["FIGURES", "MIGRATIONS", "Attempt", "Entry", "Logbook", "Recorded", "fingerprint"]


class Logbook:
    """A logbook file; made where it is missing.

    Parameters
    ----------
    path : str or Path
        The SQLite file.

    Raises
    ------
    InputError
        The file is no logbook, is damaged, or was written by a newer version; it is left as it is.
    OutputError
        It can't be made or written.
    """

    def __init__(self, path: str | Path):
        self._file = LogbookFile(path)
        self.path = self._file.path

    # -- writing -------------------------------------------------------------------------------------------------------

    def record(self, flight: "Flight", findings: "Findings", report: str | Path = "") -> Recorded:
        """Keep an attempt.

        The same input with the same findings is there once; a flight whose files changed, or that another version finds
        otherwise, becomes a new revision of its attempt. An attempt is known again by its input, else by its folder, pilot and
        date, else (where a folder is not known) by name, pilot and date. A deleted attempt stays deleted.

        Parameters
        ----------
        flight, findings : Flight, Findings
        report : str or Path, optional
            The folder its debrief was written into.

        Returns
        -------
        Recorded
            Only once it is on the disk.
        """
        return self.keep(rows.entry_of(flight, findings, report))

    def keep(self, entry: Entry) -> Recorded:
        """As :meth:`record`, of what another process found."""
        with self._file.writing() as database:
            return rows.keep(database, entry.about, entry.revision, entry.legs, entry.habits, entry.inputs)

    def delete(self, *attempts: int) -> None:
        """Take attempts out of sight, all of them or none; :meth:`restore` brings them back.

        Raises
        ------
        InputError
            One is not there, or deleted already.
        """
        self._mark(attempts, rows.now(), "deleted IS NULL", "is not in the logbook, or deleted already; `analyser logbook list` shows those that are there")

    def restore(self, *attempts: int) -> None:
        """Undo :meth:`delete`.

        Raises
        ------
        InputError
            One is not there, or not deleted.
        """
        self._mark(attempts, None, "deleted IS NOT NULL", "is not among the deleted ones; `analyser logbook list --deleted` shows them")

    def _mark(self, attempts: tuple[int, ...], when: str | None, condition: str, otherwise: str) -> None:
        with self._file.writing() as database:
            for attempt in attempts:
                done = database.execute(f"UPDATE attempts SET deleted = ? WHERE id = ? AND {condition}", (when, attempt))
                if done.rowcount != 1:
                    raise InputError(f"attempt {attempt} {otherwise}", self.path)

    # -- reading -------------------------------------------------------------------------------------------------------

    def attempts(
        self,
        plan: str | None = None,
        pilot: str | None = None,
        names: Iterable[str] | None = None,
        deleted: bool = False,
        limit: int | None = None,
        brief: bool = False,
    ) -> list[Attempt]:
        """Attempts as their newest revisions have them, in order of date, then of recording.

        Parameters
        ----------
        plan, pilot : str, optional
            Only those of this plan, this pilot.
        names : iterable of str, optional
            Only those called one of these, or lying in a folder so called (its last part, or its whole path).
        deleted : bool
            The deleted ones instead.
        limit : int, optional
            Only so many, the last ones.
        brief : bool
            Leave ``legs`` and ``habits`` empty: quicker, for lists.
        """
        where, values = _chosen(plan, pilot, names, deleted)
        with self._file.connection() as database:
            return rows.read(database, where, values, limit=limit, brief=brief)

    def count(self, plan: str | None = None, pilot: str | None = None, names: Iterable[str] | None = None, deleted: bool = False) -> int:
        """How many attempts :meth:`attempts` would give without a limit."""
        where, values = _chosen(plan, pilot, names, deleted)
        with self._file.connection() as database:
            return database.execute(f"SELECT count(*) FROM attempts WHERE {where}", values).fetchone()[0]

    def attempt(self, number: int, revision: int | None = None) -> Attempt:
        """One attempt with all its findings; its newest revision where none is named.

        Raises
        ------
        InputError
            There is none of that number.
        """
        with self._file.connection() as database:
            found = rows.read(database, "id = ?", [number], revision, whole=True)
        if not found:
            which = f"attempt {number}" + (f", revision {revision}," if revision is not None else "")
            raise InputError(f"{which} is not in the logbook; `analyser logbook list` shows those that are there", self.path)
        return found[0]

    def revisions(self, number: int) -> list[tuple[int, str, str]]:
        """(revision, when recorded, analyser version) of an attempt, oldest first."""
        with self._file.connection() as database:
            found = database.execute("SELECT number, recorded, analyser_version FROM revisions WHERE attempt = ? ORDER BY number", (number,))
            return [tuple(row) for row in found]

    def inputs(self, numbers: Iterable[int]) -> dict[int, tuple[tuple[str, int, str], ...]]:
        """Files (name, size in bytes, sha256) that the newest revision of each of these attempts was found from, where they are known."""
        wanted = set(numbers)
        found: dict[int, list[tuple[str, int, str]]] = {}
        with self._file.connection() as database:
            for row in database.execute(
                f"SELECT r.attempt, i.name, i.size, i.sha256 FROM inputs i JOIN revisions r ON r.id = i.revision WHERE r.number = {rows.newest('r.attempt')} "
                "ORDER BY r.attempt, i.position"
            ):
                if row["attempt"] in wanted:
                    found.setdefault(row["attempt"], []).append((row["name"], row["size"], row["sha256"]))
        return {number: tuple(files) for number, files in found.items()}

    def fingerprints(self, version: str) -> frozenset[str]:
        """Fingerprints of all inputs in which this version of the analyser found what is recorded."""
        with self._file.connection() as database:
            found = database.execute("SELECT DISTINCT fingerprint FROM revisions WHERE analyser_version = ?", (version,))
            return frozenset(row[0] for row in found)

    def plans(self) -> list[tuple[str, int, str]]:
        """(plan, attempts, when one was last recorded) of every plan, the one flown last first."""
        with self._file.connection() as database:
            found = database.execute(
                "SELECT plan, count(*), max(recorded) FROM attempts WHERE deleted IS NULL GROUP BY plan ORDER BY max(recorded) DESC, plan"
            )
            return [tuple(row) for row in found]

    # -- plain files ---------------------------------------------------------------------------------------------------

    def export(self, path: str | Path) -> int:
        """Write every attempt (deleted ones too) with every revision to ``path``, one JSON object a line; how many.

        Raises
        ------
        OutputError
            It can't be written, or a file that is no export stands there.
        """
        refuse_to_replace(path)
        with self._file.connection() as database:
            lines = [f"{line}\n" for line in exported(database)]
        write_atomically(path, "".join(lines))
        return len(lines)

    def load(self, path: str | Path) -> int:
        """Add what an exported file holds and this logbook doesn't, all of it or nothing; how many revisions were added.

        Raises
        ------
        InputError
            The file is not an export; nothing of it is added.
        """
        entries = imported(path)
        with self._file.writing() as database:
            return sum(rows.keep(database, entry.about, entry.revision, entry.legs, entry.habits, entry.inputs).changed for entry in entries)


def _chosen(plan: str | None, pilot: str | None, names: Iterable[str] | None, deleted: bool) -> tuple[str, list[str]]:
    """A condition on the table of attempts, and its values."""
    where, values = [f"deleted IS {'NOT ' if deleted else ''}NULL"], []
    for column, value in (("plan", plan), ("pilot", pilot)):
        if value is not None:
            where.append(f"{column} = ?")
            values.append(value)
    if names is not None:
        wanted = list(names)
        marks = ", ".join("?" * len(wanted))
        # the last part of a path: what is left when everything up to its last separator is taken away
        last = "replace(folder, rtrim(folder, replace(folder, '/', '')), '')"
        where.append(f"(name IN ({marks}) OR folder IN ({marks}) OR {last} IN ({marks}))")
        values += 3 * wanted
    return " AND ".join(where), values
