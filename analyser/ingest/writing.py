"""Readings into the two tables that a person opens: readings.csv to edit and read again, readings_detail.csv to look up."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analyser.files import write_atomically
from analyser.flight import TEXTS, Readings
from analyser.ingest.cells import coarsen, read_numbers, sigma_of
from analyser.ingest.clock import read_clocks
from analyser.ingest.columns import COLUMNS, RUN, Column
from analyser.ingest.frames import DETAIL
from analyser.units import UNITS

_SAME = 1e-6  # two standard deviations that differ by less, relatively, are one
_MOST_DECIMALS = 12  # beyond these a number is written with an exponent
_SPARE_DIGITS = 3  # digits kept beyond those of the standard deviation where it does not say how many were typed

#: Units to try for each dimension, the ones a pilot says first.
_UNITS = {
    "length": ("km", "m", "Mm", "ft", "n mi", "kft", "mi"),
    "speed": ("m/s", "km/s", "ft/s", "kn", "km/h", "ft/min"),
    "acceleration": ("m/s^2", "g", "ft/s^2"),
    "mass": ("kg", "t", "lb"),
    "angle": ("deg", "rad"),
    "fraction": ("%", "1"),
}


def write_readings(readings: Readings, path: str | Path) -> Path:
    """Write a readings table that reads back as the same values and standard deviations.

    Units stand in the header: for each column the unit in which its values come out as they were typed. Values are
    printed with the digits that their standard deviation stands for; a column ``<name>_sigma`` is added where digits can't
    say it. Where the clock was set back in flight, a column ``clock_run`` marks its runs. Values marked doubtful in the detail are left empty, for the person to fill in.

    Parameters
    ----------
    readings : Readings
    path : str or Path

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    OutputError
        It can't be written; what was there before is untouched.
    """
    table = _without_doubtful(readings)
    columns: list[tuple[str, Sequence[str]]] = _clock_columns(table)
    if RUN in table:
        columns.append((RUN, [str(run) for run in table[RUN].tolist()]))
    texts = [(name, [_one_line_end(word) for word in table[name]]) for name in TEXTS if name in table]
    columns += [item for item in texts if item[0] == "body"]
    for name, column in COLUMNS.items():
        if name in table and table[name].notna().any():
            columns += _number_columns(column, table[name].to_numpy(float), table[f"{name}_sigma"].to_numpy(float))
    columns += [item for item in texts if item[0] != "body"]
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([name for name, _ in columns])
    writer.writerows(zip(*(cells for _, cells in columns)))
    return write_atomically(path, buffer.getvalue())


def write_detail(readings: Readings, path: str | Path) -> Path:
    """Write one line a value: where it came from, what was read, how sure it is; SI units.

    Raises
    ------
    OutputError
        It can't be written; what was there before is untouched.
    """
    detail = readings.detail
    ordered = [name for name in DETAIL if name in detail] + [name for name in detail if name not in DETAIL]
    detail = detail[ordered].copy()
    if "crop" in detail:
        detail["crop"] = [_box(box) for box in detail["crop"]]
    return write_atomically(path, detail.to_csv(index=False, lineterminator="\n"))


def _one_line_end(word) -> str:
    """Text with line feeds only: a lone carriage return would not survive in an unquoted cell."""
    return "" if pd.isna(word) else str(word).replace("\r\n", "\n").replace("\r", "\n")


def _box(box) -> str:
    """A pixel box as text, corners separated by blanks."""
    if isinstance(box, str):
        return box
    if box is None or (isinstance(box, float) and math.isnan(box)):
        return ""
    return " ".join(f"{edge:g}" for edge in np.ravel(box))


def _without_doubtful(readings: Readings) -> pd.DataFrame:
    detail, table = readings.detail, readings.table
    doubtful = detail[detail["status"] == "doubtful"] if "status" in detail else detail[:0]
    if not len(doubtful):
        return table
    table = table.copy()
    keys = pd.MultiIndex.from_frame(table[["source", "row"]])
    for name, group in doubtful.groupby("column"):
        if name in COLUMNS and name in table:
            hit = keys.isin(pd.MultiIndex.from_frame(group[["source", "row"]]))
            table.loc[hit, [name, f"{name}_sigma"]] = np.nan
    return table


def _clock_columns(table: pd.DataFrame) -> list[tuple[str, list[str]]]:
    met, sigma = table["met"].to_numpy(float), table["met_sigma"].to_numpy(float)
    decimals = _decimals(met, sigma)
    decimals = np.where(decimals < 0, np.where(met == np.round(met), 0, _enough(sigma)), decimals)
    cells = [_clock(seconds, int(count)) for seconds, count in zip(met.tolist(), np.minimum(decimals, 9))]
    clear = [index for index, cell in enumerate(cells) if cell]
    implied = np.full(len(cells), np.nan)
    implied[clear] = read_clocks([cells[index] for index in clear], [0] * len(clear)).sigma
    return [("met", cells), *_sigma_column("met", "s", sigma, implied)]


def _clock(seconds: float, decimals: int) -> str:
    """hh:mm:ss, hours without end."""
    if not math.isfinite(seconds):
        return ""
    scale = 10**decimals
    whole, part = divmod(round(abs(seconds) * scale), scale)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}" + (f".{part:0{decimals}d}" if decimals else "")
    return f"T-{text}" if seconds < 0 else text


def _number_columns(column: Column, value: np.ndarray, sigma: np.ndarray) -> list[tuple[str, list[str]]]:
    unit = _best_unit(column, value, sigma)
    factor = UNITS[column.dimension][unit]
    cells = _spelled(value / factor, sigma / factor)
    numbers = read_numbers(cells, column)
    coarsen(numbers)
    return [(f"{column.name} [{unit}]", cells),
            *_sigma_column(column.name, unit, sigma / factor, sigma_of(numbers.step, 1.0))]  # fmt: skip


def _sigma_column(name: str, unit: str, sigma: np.ndarray, implied: np.ndarray) -> list[tuple[str, list[str]]]:
    """The column that says the standard deviations that digits don't; none where digits say all."""
    said = np.isclose(sigma, implied, rtol=_SAME, atol=0.0) | np.isnan(sigma) | ~(sigma > 0) | np.isnan(implied)
    if said.all():
        return []
    return [(f"{name}_sigma [{unit}]", ["" if known else f"{spread:.7g}" for known, spread in zip(said, sigma)])]


def _best_unit(column: Column, value: np.ndarray, sigma: np.ndarray) -> str:
    """The first unit a pilot would say in which at least half as many values come out as typed as in the best one."""
    units = list(_UNITS[column.dimension])
    if column.dimension == "length" and np.nanmax(np.abs(value)) < 1e4:
        units = ["m", "km", *units[2:]]

    def typed(unit: str) -> int:
        factor = UNITS[column.dimension][unit]
        return int(np.count_nonzero(_on_digits(value / factor, sigma / factor * math.sqrt(12))))

    counts = [typed(unit) for unit in units]
    return next(unit for unit, count in zip(units, counts) if 2 * count >= max(counts))


def _on_digits(value: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Where a value is a whole number of steps, and the step is that of a decimal (1, 0.1, ...)."""
    with np.errstate(all="ignore"):
        power = np.round(np.log10(step))
        fits = (np.abs(step / 10.0**power - 1) < _SAME) & (power <= 0) & (power >= -12)
        count = value / 10.0**power
        return fits & (np.abs(count - np.round(count)) < 1e-6) & (np.abs(count) < 2**53)


def _decimals(value: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Decimals that a standard deviation stands for, -1 where it stands for none."""
    step = sigma * math.sqrt(12)
    with np.errstate(all="ignore"):
        power = np.nan_to_num(-np.round(np.log10(step)), nan=-1.0, posinf=-1.0, neginf=-1.0)
    return np.where(_on_digits(value, step), power, -1).astype(int)


def _enough(sigma: np.ndarray) -> np.ndarray:
    """Decimals that lose nothing beside ``sigma``."""
    with np.errstate(all="ignore"):
        decimals = _SPARE_DIGITS - np.floor(np.log10(sigma))
    return np.clip(np.nan_to_num(decimals, nan=9.0, posinf=99.0, neginf=0.0), 0, 99).astype(int)


def _spelled(value: np.ndarray, sigma: np.ndarray) -> list[str]:
    """Each number with the decimals that its standard deviation stands for, else with some to spare; "" for nan."""
    cells = []
    for item, spread, typed, spare in zip(value.tolist(), sigma.tolist(), _decimals(value, sigma), _enough(sigma)):
        if math.isnan(item):
            cells.append("")
        elif typed >= 0:
            cells.append(f"{round(item, int(typed)) + 0.0:.{typed}f}")
        elif spare > _MOST_DECIMALS:
            cells.append(repr(item))
        elif math.isfinite(spread) and spread > 0:
            text = f"{item:.{spare}f}"
            cells.append(text.rstrip("0").rstrip(".") if "." in text else text)
        else:
            cells.append(f"{item:.12g}")
    return cells
