"""What a person set right by hand: ``corrections.csv`` beside a flight's readings, never over them.

One line a decision, the newest last; of several about one value the last one stands, so the file is also their history. Columns:

========  ==================================================================================================
source    the file the value came from: the table's name, or the screenshot's
row       line of the table, or 0-based index of the screenshot (a screenshot is known again by its name)
column    a readings column
action    ``correct`` (``value`` is right), ``confirm`` (what was read is right), ``set aside`` (not to be used), ``undo``
value     as typed, with its unit; a bare number is SI, in degrees for angles, seconds for the clock
when, by  when it was decided, and by whom
raw       what stood there then (optional): a cell of a table that says something else now is not corrected unseen
========  ==================================================================================================
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import astuple, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from analyser.errors import InputError, OutputError, TableError
from analyser.files import write_atomically
from analyser.flight import QUANTITIES, TEXTS
from analyser.units import nearest, shown

__all__ = ["ACTIONS", "Correction", "FILE", "Typed", "read_corrections", "record_corrections", "standing", "typed_value"]

FILE = "corrections.csv"
ACTIONS = ("correct", "confirm", "set aside", "undo")
_COLUMNS = ("source", "row", "column", "action", "value", "when", "by", "raw")
_NEEDED = ("source", "row", "column", "action", "value")
_KNOWN = ("met", *QUANTITIES, *TEXTS)
_LONGEST = 400  # characters of a value: more is no reading


@dataclass(frozen=True)
class Correction:
    """One decision about one value; see the module. ``raw`` is "" where it is not known what stood there, or nothing did."""

    source: str
    row: int
    column: str
    action: str
    value: str = ""
    when: str = ""
    by: str = ""
    raw: str = ""

    @property
    def place(self) -> tuple[str, int, str]:
        """Which value it is about."""
        return self.source, self.row, self.column


@dataclass(frozen=True)
class Typed:
    """A value as typed, SI, with the standard deviation that its last digit stands for; ``text`` for columns of words."""

    value: float
    sigma: float
    text: str = ""


def typed_value(text: str, column: str) -> Typed:
    """A value of a readings column as a person types it.

    Parameters
    ----------
    text : str
        "61.94 km", "T+00:12:40", "-12.5 m/s"; a bare number is SI, in degrees for angles, above 1 in percent for fractions.
    column : str
        "met", one of QUANTITIES, or one of TEXTS.

    Raises
    ------
    InputError
        It is no such value, or an impossible one.
    """
    text = text.strip()
    if len(text) > _LONGEST:
        raise InputError(f"a value of {len(text)} characters is no reading")
    if column in TEXTS:
        return Typed(float("nan"), float("nan"), text)
    if not text:
        raise InputError("a value is wanted; to leave one out, set it aside")
    return _typed_clock(text) if column == "met" else _typed_number(text, column)


def _typed_clock(text: str) -> Typed:
    from analyser.ingest.clock import read_clocks

    found = read_clocks([text], [1])
    if found.bad:
        raise InputError(found.bad[0][1])
    if not found.seconds[0] == found.seconds[0]:
        raise InputError("a time is wanted, like T+01:12:40")
    return Typed(float(found.seconds[0]), float(found.sigma[0]))


def _typed_number(text: str, column: str) -> Typed:
    import numpy as np

    from analyser.ingest.cells import out_of_limits, read_numbers, sigma_of
    from analyser.ingest.columns import COLUMNS
    from analyser.units import UNITS

    known = COLUMNS[column]
    numbers = read_numbers([text], known)
    if numbers.bad:
        raise InputError(numbers.bad[0][1])
    number, factor = float(numbers.number[0]), float(numbers.factor[0])
    if not np.isfinite(number):
        raise InputError(f'found {shown(text)}; a value is wanted, like "{known.example}"')
    if numbers.percent[0] and column == "propellant":
        raise InputError(f'found {shown(text)}; propellant is corrected as a mass here, like "{known.example}"')
    if np.isnan(factor):
        factor = UNITS["angle"]["deg"] if known.angle else 0.01 if known.dimension == "fraction" and number > 1 else 1.0
    value = number * factor
    wrong = out_of_limits(np.array([value]), [text], known)
    if wrong:
        raise InputError(wrong[0][1])
    return Typed(value, float(sigma_of(numbers.step, factor)[0]))


def read_corrections(path: str | Path) -> list[Correction]:
    """Every decision in a file, oldest first.

    Parameters
    ----------
    path : str or Path
        ``corrections.csv``; one that is not there holds none.

    Raises
    ------
    TableError
        Lines that can't be used: all of them in one message, each with what is wrong.
    """
    path = Path(path)
    if not path.exists():
        return []
    from analyser.ingest.text import read_text

    text = read_text(path, "table of corrections", TableError)
    if not text.strip():
        return []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    found, bad = [], []
    try:
        header = [name.strip().casefold() for name in next(reader)]
        _check_header(header, path)
        for cells in reader:
            if not any(cells) or cells[0].lstrip().startswith("#"):
                continue
            try:
                found.append(_correction(dict(zip(header, cells))))
            except InputError as error:
                bad.append((reader.line_num, ", ".join(cells)[:60], "", error.problem))
    except csv.Error as error:
        raise TableError(f"this line can't be split into cells: {error}", path, f"line {reader.line_num}") from error
    if bad:
        told = "".join(f"\n  line {line}: {problem}" for line, _, _, problem in bad[:12])
        more = f"\n  and {len(bad) - 12} more" if len(bad) > 12 else ""
        count = "one line" if len(bad) == 1 else f"{len(bad)} lines"
        raise TableError(f"{count} can't be used; mend or delete:{told}{more}", path, "", bad)
    return found


def _check_header(header: list[str], path: Path) -> None:
    for name in header:
        if name not in _COLUMNS:
            near = nearest(name, _COLUMNS)
            raise TableError(f"unknown column {shown(name)}" + (f"; did you mean {near!r}?" if near else f"; known: {', '.join(_COLUMNS)}"), path, "line 1")
    missing = [name for name in _NEEDED if name not in header]
    if missing:
        raise TableError(f"there is no column {missing[0]!r}; the first line is {','.join(_COLUMNS)}", path, "line 1")


def _correction(cells: dict[str, str]) -> Correction:
    row, column, action = cells.get("row", "").strip(), cells.get("column", "").strip(), cells.get("action", "").strip()
    if not row.isdecimal() or len(row) > 12:
        raise InputError(f"found {shown(row)} for row; a line of the table or an index of a screenshot is wanted")
    if column not in _KNOWN:
        near = nearest(column, _KNOWN)
        raise InputError(f"{shown(column)} is no readings column" + (f"; did you mean {near!r}?" if near else ""))
    if action not in ACTIONS:
        raise InputError(f"found {shown(action)} for action; one of {', '.join(ACTIONS)} is wanted")
    if not cells.get("source", "").strip():
        raise InputError("it names no source: the file that the value came from")
    value = cells.get("value", "").strip()
    if action == "correct" or (action == "confirm" and value):
        typed_value(value, column)
    return Correction(
        cells["source"].strip(), int(row), column, action, value, cells.get("when", "").strip(), cells.get("by", "").strip(), cells.get("raw", "")
    )


def standing(corrections: Iterable[Correction]) -> list[Correction]:
    """What stands of a history: the last decision about each value, without those that were undone."""
    last: dict[tuple[str, int, str], Correction] = {}
    for each in corrections:
        last.pop(each.place, None)
        last[each.place] = each
    return [each for each in last.values() if each.action != "undo"]


def record_corrections(folder: str | Path, new: Iterable[Correction]) -> list[Correction]:
    """Add decisions to a flight's file; they are on the disk when this returns.

    The file is written beside the old one and renamed over it, under an exclusive lock on the flight's folder: several
    programs may write, and a kill at any moment leaves the old file or the new one.

    Parameters
    ----------
    folder : str or Path
        The flight's folder.
    new : iterable of Correction
        Those without ``when`` are given the present time.

    Returns
    -------
    list of Correction
        All that the file holds now.

    Raises
    ------
    TableError
        The file that is there can't be read; it is left as it is.
    InputError
        A decision that could not be read back.
    OutputError
        It can't be written; what was there before is untouched.
    """
    folder = Path(folder)
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    added = []
    for each in new:
        checked = _correction({name: _one_line(str(value)) for name, value in zip(_COLUMNS, astuple(each))})
        added.append(replace(checked, when=checked.when or now, raw=each.raw))
    with locked(folder):
        found = [*read_corrections(folder / FILE), *added]
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer, lineterminator="\n")
        writer.writerow(_COLUMNS)
        writer.writerows(astuple(each) for each in found)
        for left in folder.glob(f".{FILE}.*.tmp"):  # by a program that was killed while it wrote: nobody else writes now
            with suppress(OSError):
                left.unlink()
        write_atomically(folder / FILE, buffer.getvalue())
        _settle(folder)
    return found


def _one_line(text: str) -> str:
    return " ".join(text.split())


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the only right to write a flight's corrections; others wait. The system lets go of it when a process dies."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system: one in a file of its own
        with _locked_file(folder / f".{FILE}.lock"):
            yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise OutputError(f"the flight's folder can't be opened: {(error.strerror or str(error)).lower()}", folder) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


@contextmanager
def _locked_file(path: Path) -> Iterator[None]:
    import msvcrt

    with open(path, "a+b") as file:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
        try:
            yield
        finally:
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)


def _settle(folder: Path) -> None:
    """Have the renaming on the disk too, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
