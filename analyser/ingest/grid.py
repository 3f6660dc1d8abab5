"""Text separated by commas, semicolons or tabs into rows of cells that know their line."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analyser.errors import TableError
from analyser.units import shown

_MOST_COLUMNS = 300


@dataclass(frozen=True)
class Grid:
    """The header and the rows below it, cells stripped; ``lines`` are line numbers counted from 1."""

    header: list[str]
    header_line: int
    rows: list[list[str]]
    lines: list[int]
    delimiter: str


def read_grid(text: str, path: Path, known: Callable[[str], bool]) -> Grid:
    """Split ``text`` into a header and rows. Comment lines (#) and empty ones are left out.

    Parameters
    ----------
    text : str
    path : Path
        For messages.
    known : callable
        Whether a cell is a column's name; the separator that makes the most of the first line known is taken.

    Raises
    ------
    TableError
        Nothing in it, a quote never closed, or far too many columns.
    """
    delimiter = ""
    first = ""
    for line in io.StringIO(text, newline=""):
        bare = line.strip()
        if bare.casefold().startswith("sep=") and len(bare) == 5:
            delimiter = bare[4]  # how some spreadsheets announce the separator
        elif bare and not bare.startswith("#"):
            first = line
            break
    if not first:
        raise TableError("nothing in this table; write a line of column names, then a line for each moment", path)
    delimiter = delimiter or _delimiter(first, known)
    header: list[str] = []
    header_line = 0
    rows, lines = [], []
    for line, cells in _records(text, delimiter, path):
        if not any(cells):
            continue
        if header:
            rows.append(cells)
            lines.append(line)
            continue
        header, header_line = cells, line
        while not header[-1]:
            header.pop()  # trailing separators of a spreadsheet
        if len(header) > _MOST_COLUMNS:
            raise TableError(f"{len(header)} columns; a table of readings has at most {_MOST_COLUMNS}. is this the right "
                             "file?", path, f"line {line}")  # fmt: skip
    return Grid(header, header_line, rows, lines, delimiter)


def _delimiter(line: str, known: Callable[[str], bool]) -> str:
    def score(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
        except (csv.Error, StopIteration):
            return (0, 0)
        return (sum(known(cell.strip()) for cell in cells[:_MOST_COLUMNS]), len(cells))

    return max((",", ";", "\t"), key=score)


def _records(text: str, delimiter: str, path: Path) -> Iterator[tuple[int, Sequence[str]]]:
    """(line, cells) of each record. A '#' begins a comment only where a record begins, not inside quotes."""
    state = {"fresh": True, "line": 0, "start": 0}

    def feed() -> Iterator[str]:
        for number, line in enumerate(io.StringIO(text, newline=""), 1):
            if state["fresh"]:
                bare = line.lstrip()
                if bare.startswith("#") or (len(bare.strip()) == 5 and bare.casefold().startswith("sep=")):
                    continue
                state["start"], state["fresh"] = number, False
            state["line"] = number
            yield line

    reader = csv.reader(feed(), delimiter=delimiter, skipinitialspace=True, strict=True)
    while True:
        state["fresh"] = True
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as trouble:
            raise _quote_error(str(trouble), state["start"], state["line"], path) from None
        yield state["start"], [_tidy(cell) for cell in cells]


def _tidy(cell: str) -> str:
    cell = cell.strip()
    return cell.replace("\r\n", "\n").replace("\r", "\n") if "\r" in cell else cell


def _quote_error(trouble: str, start: int, line: int, path: Path) -> TableError:
    if "unexpected end" in trouble:
        problem = 'a quote (") is opened here and never closed; close it, or take it out'
        return TableError(problem, path, f"line {start}")
    if "field larger" in trouble:
        problem = 'a cell without end; most likely a quote (") is opened here and never closed'
        return TableError(problem, path, f"line {start}")
    where = f"line {start}" if start == line else f"lines {start} to {line}"
    if "expected after" in trouble:
        problem = f'a quoted cell goes on after its closing quote ("); double the quotes inside it ("") or take them out'
        return TableError(problem, path, where)
    return TableError(f"this line can't be split into cells: {shown(trouble, 80)}", path, where)
