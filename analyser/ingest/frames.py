"""Values as read into the two tables that :class:`analyser.flight.Readings` promises."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, TEXTS, Readings
from analyser.ingest.restarts import find_restarts, in_turn, longest_rising, runs_of, straighten
from analyser.units import format_met

#: Columns of the detail table, in order.
DETAIL = ("source", "row", "met", "column", "gauge", "raw", "value", "sigma", "probability", "status", "reason", "crop")
_SHOWN_LINES = 8


@dataclass(frozen=True)
class Values:
    """One column: SI values and standard deviations (nan: no reading), and the cells they came from."""

    name: str
    value: np.ndarray
    sigma: np.ndarray
    raw: Sequence[str]


def assemble(source: str, lines: Sequence[int], clocks, values: Sequence[Values], texts: Mapping[str, Sequence[str]],
             remarks: Sequence[str], run: np.ndarray | None = None) -> Readings:  # fmt: skip
    """Readings in order of time (stable) from columns in the order of the file.

    Parameters
    ----------
    source : str
        File name.
    lines : sequence of int
        Line of each row.
    clocks : analyser.ingest.clock.Clocks
    values : sequence of Values
        At most one for each name.
    texts : mapping of str to sequence of str
    remarks : sequence of str
        Told before those about the order of the lines.
    run : array of int, optional
        The run of the clock that each line is said to belong to; without it restarts are looked for.
    """
    values = _joined(values)
    row = np.asarray(lines, dtype=np.int64)
    run = _runs(clocks.seconds, values) if run is None else run
    seconds, ends = straighten(clocks.seconds, run)
    order = np.argsort(seconds, kind="stable")
    met, met_sigma = seconds[order], clocks.sigma[order]
    columns: dict[str, object] = {"met": met, "met_sigma": met_sigma}
    for found in values:
        columns[found.name] = found.value[order]
        columns[f"{found.name}_sigma"] = found.sigma[order]
    for name in TEXTS:
        if name in texts:
            columns[name] = _objects([texts[name][index] for index in order])
    turned = in_turn(run[order])
    if turned.any():
        columns["clock_run"] = turned
    strays = _strays(seconds)
    if len(strays):
        columns["out_of_turn"] = np.isin(order, strays)
    columns["source"] = _objects([source] * len(order))
    columns["row"] = row[order]
    table = pd.DataFrame(columns)
    if "body" in table:
        table["body"] = carried_forward(table["body"])
    every = [Values("met", clocks.seconds, clocks.sigma, clocks.cells), *values]
    notes = [*remarks, *_restarted(clocks.cells, row, run, ends), *_out_of_order(seconds, row, strays), *_duplicates(met, row[order])]
    return Readings(table, _detail(source, row, seconds, every, order), tuple(notes))


def _joined(values: Sequence[Values]) -> list[Values]:
    """One entry a name, in the shared order; two columns may both give fractions of propellant: the first one wins."""
    by_name: dict[str, Values] = {}
    for found in values:
        if found.name not in by_name:
            by_name[found.name] = found
            continue
        first = by_name[found.name]
        use = np.isnan(first.value)
        raw = [second if other else one for one, second, other in zip(first.raw, found.raw, use)]
        by_name[found.name] = Values(
            found.name, np.where(use, found.value, first.value), np.where(use, found.sigma, first.sigma), raw
        )
    return [by_name[name] for name in QUANTITIES if name in by_name]


def carried_forward(bodies: pd.Series) -> pd.Series:
    """The last body named stands until another one is."""
    filled = bodies.astype(object).where(bodies != "", None).ffill()
    return filled.where(filled.notna(), "").astype(object)


def _objects(items: Sequence[str]) -> pd.Series:
    return pd.Series(list(items), dtype=object)


def _detail(source: str, row: np.ndarray, met: np.ndarray, values: Sequence[Values], order: np.ndarray) -> pd.DataFrame:
    """One row a value, in order of time, then of columns."""
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    found = [np.flatnonzero(~np.isnan(column.value)) for column in values]
    index = np.concatenate(found)
    column = np.repeat(np.arange(len(values)), [len(part) for part in found])
    sort = np.lexsort((column, place[index]))
    index, column = index[sort], column[sort]
    names = np.array([item.name for item in values], dtype=object)
    raw = np.concatenate([np.array(item.raw, dtype=object)[part] for item, part in zip(values, found)])[sort]
    size = len(index)
    return pd.DataFrame({
        "source": np.full(size, source, dtype=object),
        "row": row[index],
        "met": met[index],
        "column": names[column],
        "gauge": np.full(size, "", dtype=object),
        "raw": raw,
        "value": np.concatenate([item.value[part] for item, part in zip(values, found)])[sort],
        "sigma": np.concatenate([item.sigma[part] for item, part in zip(values, found)])[sort],
        "probability": np.ones(size),
        "status": np.full(size, "typed", dtype=object),
        "reason": np.full(size, "", dtype=object),
        "crop": np.full(size, "", dtype=object),
    }).astype({name: object for name in ("source", "column", "gauge", "raw", "status", "reason", "crop")})  # fmt: skip


def _out_of_order(met: np.ndarray, row: np.ndarray, late: np.ndarray) -> list[str]:
    """Which lines stand after a later time."""
    if not len(late):
        return []
    told = ", ".join(f"line {row[index]} ({format_met(met[index], _decimals(met[index]))})" for index in late[:_SHOWN_LINES])
    more = f" and {len(late) - _SHOWN_LINES} more" if len(late) > _SHOWN_LINES else ""
    return [f"out of order of time: {told}{more}; the readings were put in order. check these clocks"]


def _strays(met: np.ndarray) -> np.ndarray:
    """The fewest rows without which the times never fall: all but a longest non-decreasing subsequence."""
    kept = np.zeros(len(met), bool)
    kept[longest_rising(met)] = True
    return np.flatnonzero(~kept)


def _runs(times: np.ndarray, values: Sequence[Values]) -> np.ndarray:
    """The run of the clock that each line belongs to, as the order of the lines tells it."""
    gauges = {found.name: found.value for found in values}
    return runs_of(find_restarts(times, list(gauges.values()), gauges.get("propellant", gauges.get("propellant_fraction"))), len(times))


def _restarted(cells: Sequence[str], row: np.ndarray, run: np.ndarray, ends: Mapping[int, float]) -> list[str]:
    """Where the clock starts again."""
    remarks = []
    for number, last in ends.items():
        start, before = int(np.flatnonzero(run == number)[0]), int(np.flatnonzero(run < number)[-1])
        remarks.append(
            f"line {row[start]}: the clock starts again ({cells[before]}, then {cells[start]}). lines from there on are counted "
            f"from {format_met(last)} on, as if it was set back right after line {row[before]}"
        )
    return remarks


def _duplicates(met: np.ndarray, row: np.ndarray) -> list[str]:
    """Which lines share a time; in order of time."""
    same = np.flatnonzero(np.diff(met) == 0)
    if not len(same):
        return []
    told, last = [], -2
    for index in same:
        if index == last + 1:
            told[-1][1].append(int(row[index + 1]))
        else:
            told.append((met[index], [int(row[index]), int(row[index + 1])]))
        last = index
    spelled = "; ".join(f"lines {', '.join(map(str, lines[:5]))} at {format_met(time, _decimals(time))}"
                        for time, lines in told[:_SHOWN_LINES])  # fmt: skip
    more = f"; and {len(told) - _SHOWN_LINES} more" if len(told) > _SHOWN_LINES else ""
    return [f"the same time twice: {spelled}{more}; all were kept"]


def _decimals(seconds: float) -> int:
    return 0 if seconds == round(seconds) else 1
