"""A table of readings as a pilot types it, or a spreadsheet writes it, into :class:`analyser.flight.Readings`."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from analyser.errors import InputError, TableError
from analyser.flight import TEXTS, Craft, Readings, World
from analyser.ingest.cells import NOTHING, Numbers, coarsen, gather_proofs, out_of_limits, read_numbers, sharpen_stops, sigma_of
from analyser.ingest.clock import read_clocks
from analyser.ingest.columns import COLUMNS, RUN, Column, Head, known_columns, read_head
from analyser.ingest.frames import Values, assemble
from analyser.ingest.grid import Grid, read_grid
from analyser.ingest.propellant import stage_loads
from analyser.ingest.text import read_text
from analyser.ingest.words import read_bodies, read_events
from analyser.units import UNITS, shown

_TIME = Column("met", "time", -math.inf, math.inf, "", "0.3 s")
_SHOWN_CELLS = 12  # bad cells that a message spells out; all are in TableError.cells


def read_table(path: str | Path, craft: Craft | None = None, world: World | None = None) -> Readings:
    """Read a table of readings.

    Parameters
    ----------
    path : str or Path
        Comma, semicolon or tab separated text; its first line names the columns.
    craft : Craft, optional
        Where given, propellant in percent is also given in kg, for stages whose load is known.
    world : World, optional
        Where given, every body named must be in it.

    Returns
    -------
    Readings
        Rows in order of time, SI, with a standard deviation for each value: from the column ``<name>_sigma``, else from
        the digits as typed (see :mod:`analyser.ingest.cells`). ``remarks`` tell of lines out of order, duplicate
        times, units that had to be supposed. Where the clock was set back the lines say it, or a column ``clock_run`` does: then
        times that run on already (as written by :func:`analyser.ingest.writing.write_readings`) are left as they are.

    Raises
    ------
    TableError
        The file is no such table; or cells are bad: all of them in one message, each with line, column, what was found
        and what would be accepted.
    """
    path = Path(path)
    grid = read_grid(read_text(path, "table of readings", TableError, strict=False), path, _is_column)
    heads = _read_heads(grid, path)
    _check_rows(grid, path)
    sheet = _Sheet(path, grid, {(head.name, head.sigma): head for head in heads})
    clocks, run = sheet.clocks(), sheet.runs()
    values = [found for name in COLUMNS for found in sheet.quantity(name)]
    bodies = read_bodies(sheet.cells("body"), world)
    events = read_events(sheet.cells("event"))
    sheet.refuse("body", bodies.bad)
    sheet.raise_bad()
    if not values and not any(any(sheet.cells(name) or ()) for name in TEXTS):
        raise TableError("every cell beside the clock is empty; a reading needs a value", path)
    texts = {"body": bodies.words, "stage": sheet.cells("stage"), "event": events, "note": sheet.cells("note")}
    texts = {name: words for name, words in texts.items() if words is not None}
    readings = assemble(path.name, grid.lines, clocks, values, texts, clocks.remarks + sheet.supposed(), run)
    return stage_loads(readings, craft)


def _is_column(cell: str) -> bool:
    try:
        read_head(cell, 0)
    except InputError:
        return False
    return True


def _read_heads(grid: Grid, path: Path) -> list[Head]:
    heads: list[Head] = []
    bad: list[tuple[int, str, str, str]] = []
    for position, written in enumerate(grid.header):
        if not written:
            if any(len(row) > position and row[position] not in NOTHING for row in grid.rows):
                bad.append((grid.header_line, f"column {position + 1}", "", "a column with values but without a name"))
            continue
        try:
            head = read_head(written, position)
        except InputError as error:
            bad.append((grid.header_line, written, written, error.problem))
            continue
        twin = next((other for other in heads if (other.name, other.sigma) == (head.name, head.sigma)), None)
        if twin is not None:
            bad.append((grid.header_line, written, written, f"{shown(twin.written)} and {shown(written)} are the same "
                        "column; keep one"))  # fmt: skip
        heads.append(head)
    if bad and not heads:
        problem = f"the first line must name the columns, and none of {len(grid.header)} is known ({_some(grid.header)}); "
        raise TableError(f"{problem}known: {known_columns()}", path, f"line {grid.header_line}", bad)
    if bad:
        problems = "; ".join(dict.fromkeys(item[3] for item in bad[:_SHOWN_CELLS]))
        more = f"; and {len(bad) - _SHOWN_CELLS} more" if len(bad) > _SHOWN_CELLS else ""
        known = (f" (known: {known_columns()}; each with a unit where it has one, like altitude [km], and a column "
                 "<name>_sigma beside it)") if "unknown column" in problems else ""  # fmt: skip
        raise TableError(f"{problems}{more}{known}", path, f"line {grid.header_line}", bad)
    names = {head.name for head in heads if not head.sigma} - {RUN}
    if "met" not in names:
        raise TableError(f"there is no column 'met' (the clock) among {_some(grid.header)}; readings without a clock "
                         "can't be placed", path, f"line {grid.header_line}")  # fmt: skip
    if len(names) < 2:
        raise TableError(f"only a clock; add a column of readings: {known_columns()}", path, f"line {grid.header_line}")
    return heads


def _some(header: Sequence[str]) -> str:
    return ", ".join(shown(cell, 24) for cell in header[:6]) + (f" and {len(header) - 6} more" if len(header) > 6 else "")


def _check_rows(grid: Grid, path: Path) -> None:
    if not grid.rows:
        raise TableError("column names, but no line of readings below them", path, f"line {grid.header_line}")
    width = len(grid.header)
    bad = []
    for row, line in zip(grid.rows, grid.lines):
        if len(row) > width and any(row[width:]):
            bad.append((line, f"column {width + 1}", next(filter(None, row[width:])),
                        f"{len(row)} cells, but {width} columns are named (a decimal comma or a comma in a note? put the "
                        "cell in quotes)"))  # fmt: skip
    if bad:
        raise _bad_cells(path, bad)


def _bad_cells(path: Path, bad: list[tuple[int, str, str, str]]) -> TableError:
    bad = sorted(bad, key=lambda cell: cell[0])
    told = "".join(f"\n  line {line}, column {shown(column)}: {wanted}" for line, column, _, wanted in bad[:_SHOWN_CELLS])
    more = f"\n  and {len(bad) - _SHOWN_CELLS} more" if len(bad) > _SHOWN_CELLS else ""
    count = "one cell" if len(bad) == 1 else f"{len(bad)} cells"
    return TableError(f"{count} can't be used:{told}{more}", path, "", bad)


@dataclass
class _Sheet:
    """One table being read: hands out columns, collects bad cells and what had to be supposed."""

    path: Path
    grid: Grid
    heads: dict[tuple[str, bool], Head]
    bad: list[tuple[int, str, str, str]] = field(default_factory=list)
    bare: dict[str, str] = field(default_factory=dict)
    settled: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._columns = {
            key: [row[head.position] if len(row) > head.position else "" for row in self.grid.rows]
            for key, head in self.heads.items()
        }
        self._proofs = gather_proofs([cells for (name, _), cells in self._columns.items() if name in COLUMNS or name == "met"])

    def cells(self, name: str, sigma: bool = False) -> list[str] | None:
        return self._columns.get((name, sigma))

    def refuse(self, name: str, bad: Sequence[tuple[int, str]], sigma: bool = False) -> None:
        if bad:
            head = self.heads[name, sigma]
            cells = self._columns[name, sigma]
            self.bad += [(self.grid.lines[index], head.written, cells[index], wanted) for index, wanted in bad]

    def raise_bad(self) -> None:
        if self.bad:
            raise _bad_cells(self.path, self.bad)

    def supposed(self) -> list[str]:
        if not self.bare:
            return self.settled
        listed = ", ".join(f"{name} in {unit}" for name, unit in self.bare.items())
        first, unit = next(iter(self.bare.items()))
        told = f"no unit is written, so it was taken: {listed}. write it in the header, like '{first} [{unit}]'"
        return [told, *self.settled]

    def clocks(self):
        head = self.heads["met", False]
        bare = 1.0 if math.isnan(head.factor) else head.factor
        found = read_clocks(self.cells("met"), self.grid.lines, head.pair, bare, self._proofs)
        self.refuse("met", found.bad)
        given = self._sigma("met", np.full(len(found.seconds), bare))
        if given is not None:
            found.sigma = np.where(np.isnan(given), found.sigma, given)
        return found

    def runs(self) -> np.ndarray | None:
        """The run of the clock that each line belongs to, where a column says it; an empty cell goes with the line before."""
        cells = self.cells(RUN)
        if cells is None or NOTHING.issuperset(cells):
            return None
        run, last = np.zeros(len(cells), dtype=int), 0
        for index, cell in enumerate(cells):
            if re.fullmatch(r"[0-9]{1,6}(\.0)?", cell):
                last = int(float(cell))
            elif cell not in NOTHING:
                self.refuse(RUN, [(index, f"{shown(cell)} is no run of the clock: write 0, and one more each time that it was set back")])
            run[index] = last
        return run

    def quantity(self, name: str) -> list[Values]:
        """A column's values; propellant may split into kilograms and fractions."""
        cells = self.cells(name)
        if cells is None:
            if (name, True) in self.heads:
                written = self.heads[name, True].written
                self.bad.append((self.grid.header_line, written, written, f"there is no column {name!r} that it belongs to"))
            return []
        column, head = COLUMNS[name], self.heads[name, False]
        numbers = read_numbers(cells, column, self._proofs)
        self.refuse(name, numbers.bad)
        if numbers.settled and not self.settled:
            place = numbers.settled[0]
            self.settled.append(f"commas were taken as thousands separators where they could be decimal commas, because "
                                f"other numbers of the table have decimal points; so in line {self.grid.lines[place]} "
                                f"{cells[place]!r} is {numbers.number[place]:g}")  # fmt: skip
        coarsen(numbers)
        factor, percent = self._units(numbers, head)
        value = numbers.number * factor
        sigma = sigma_of(numbers.step, factor)
        given = self._sigma(name, factor)
        if given is not None:
            sigma = np.where(np.isnan(given) | np.isnan(value), sigma, given)
        parts = [(column, ~percent)]
        if name == "propellant":
            parts.append((COLUMNS["propellant_fraction"], percent))
        elif column.dimension == "fraction":
            parts = [(column, np.ones(len(cells), bool))]
        found = []
        for part, chosen in parts:
            chosen = chosen & numbers.given
            self.refuse(name, out_of_limits(np.where(chosen, value, np.nan), cells, part))
            if chosen.any():
                found.append(Values(part.name, np.where(chosen, value, np.nan), np.where(chosen, sigma, np.nan), cells))
        return found

    def _units(self, numbers: Numbers, head: Head) -> tuple[np.ndarray, np.ndarray]:
        """Factor to SI and whether it is a percentage, cell by cell: the cell's unit, else the header's, else supposed."""
        column = COLUMNS[head.name]
        bare = numbers.given & np.isnan(numbers.factor)
        factor, percent = head.factor, head.percent
        if math.isnan(factor):
            factor, percent = 1.0, False
            unit = next(iter(UNITS[column.dimension]))
            if column.angle:
                factor, unit = UNITS["angle"]["deg"], "deg"
            elif column.dimension == "fraction":
                percent = _looks_percent(numbers.number[bare])
                factor, unit = (0.01, "%") if percent else (1.0, "0..1")
                if not percent:
                    sharpen_stops(numbers, bare)
            if bare.any() and (numbers.number[bare] != 0).any() and unit != "0..1":
                self.bare[head.name] = unit
        return np.where(bare, factor, numbers.factor), np.where(bare, percent, numbers.percent)

    def _sigma(self, name: str, factor: np.ndarray) -> np.ndarray | None:
        """The column <name>_sigma in SI; a bare number takes its header's unit, else that of the value beside it."""
        cells = self.cells(name, sigma=True)
        if cells is None:
            return None
        head = self.heads[name, True]
        base = COLUMNS.get(name) or _TIME
        numbers = read_numbers(cells, base, self._proofs)
        self.refuse(name, numbers.bad, sigma=True)
        bare = np.where(np.isnan(head.factor), factor, head.factor)
        sigma = numbers.number * np.where(np.isnan(numbers.factor), bare, numbers.factor)
        wrong = np.flatnonzero(numbers.given & ~((sigma > 0) & (sigma < np.inf)))
        self.refuse(name, [(int(index), f"{shown(cells[index])} is no standard deviation: it is larger than 0")
                           for index in wrong], sigma=True)  # fmt: skip
        return sigma


def _looks_percent(numbers: np.ndarray) -> bool:
    """Whether bare fractions are percentages: some exceed 1, and none lies between 0 and 1 as a fraction would."""
    return bool((numbers > 1).any() and not ((numbers > 0) & (numbers < 1)).any())
