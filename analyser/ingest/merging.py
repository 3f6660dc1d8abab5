"""Readings from several files into one set."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, TEXTS, Readings
from analyser.ingest.frames import carried_forward
from analyser.ingest.propellant import in_order
from analyser.ingest.restarts import in_turn


def merge_readings(parts: Sequence[Readings]) -> Readings:
    """One set of readings in order of time.

    What was read twice counts once: where a later part has a row at the very time of a row of an earlier part (a person
    corrected in a table what was read off a picture), its values of the same columns are set aside, and the detail says
    so. Rows are kept apart, so that each number leads back to where it came from.

    Parameters
    ----------
    parts : sequence of Readings
        Those that win first: typed tables before screenshots.

    Returns
    -------
    Readings
        Body carried forward over all rows; columns in the shared order; remarks of all parts.
    """
    parts = [part for part in parts if len(part)] or list(parts[:1])
    if len(parts) == 1:
        return parts[0]
    parts = _runs_alike(parts)
    tables, details = [parts[0].table], [parts[0].detail]
    for part in parts[1:]:
        table, detail = _without_repeats(tables, part)
        tables.append(table)
        details.append(detail)
    table = pd.concat(tables, ignore_index=True).sort_values("met", kind="stable", ignore_index=True)
    for name in table:
        if name in TEXTS or name == "source":
            table[name] = table[name].astype(object).where(table[name].notna(), "")
    if "body" in table:
        table["body"] = carried_forward(table["body"])
    if "clock_run" in table:
        table["clock_run"] = in_turn(table["clock_run"].ffill().fillna(0).to_numpy(int))
    if "out_of_turn" in table:
        table["out_of_turn"] = table["out_of_turn"].fillna(False).astype(bool)
    detail = pd.concat(details, ignore_index=True).sort_values("met", kind="stable", ignore_index=True)
    return Readings(in_order(table), detail, tuple(remark for part in parts for remark in part.remarks))


def _runs_alike(parts: Sequence[Readings]) -> Sequence[Readings]:
    """Parts that saw the clock set back equally often with each run begun at one time: after the last reading of any of them before it."""
    moved = [_moved(part) for part in parts]
    latest = {run: max(each.get(run, 0.0) for each in moved) for run in set().union(*moved)}
    return [
        _later(part, {run: latest[run] - shift for run, shift in own.items()}) if own and own.keys() == latest.keys() else part
        for part, own in zip(parts, moved)
    ]


def _moved(part: Readings) -> dict[int, float]:
    """How far the clock of each run was moved, s; empty where there is but one run, or times were written as they run on."""
    if "clock_run" not in part.table:
        return {}
    clocks = part.detail[part.detail["column"] == "met"].merge(part.table[["source", "row", "clock_run"]], on=["source", "row"])
    moved = (clocks["met"] - clocks["value"]).groupby(clocks["clock_run"]).median().to_dict()
    return moved if any(moved.values()) else {}


def _later(part: Readings, by: dict[int, float]) -> Readings:
    """A part with each run of its clock so much later."""
    table, detail = part.table.copy(), part.detail.copy()
    delay = table["clock_run"].map(by)
    table["met"] += delay
    places = pd.MultiIndex.from_frame(table[["source", "row"]])
    known = pd.Series(delay.to_numpy(), places)
    known = known[~known.index.duplicated()]
    detail["met"] += known.reindex(pd.MultiIndex.from_frame(detail[["source", "row"]])).fillna(0.0).to_numpy()
    return Readings(table, detail, part.remarks)


def _without_repeats(before: Sequence[pd.DataFrame], part: Readings) -> tuple[pd.DataFrame, pd.DataFrame]:
    """``part`` without the values that tables before it have for the same time."""
    table, detail = part.table.copy(), part.detail.copy()
    key = _ticks(table["met"])
    for other in before:
        other_key = _ticks(other["met"])
        for name in QUANTITIES:
            if name not in table or name not in other:
                continue
            known = other_key[other[name].notna().to_numpy()]
            repeated = np.isin(key, known) & table[name].notna().to_numpy()
            if not repeated.any():
                continue
            table.loc[repeated, [name, f"{name}_sigma"]] = np.nan
            gone = pd.MultiIndex.from_frame(table.loc[repeated, ["source", "row"]])
            hit = (detail["column"] == name) & pd.MultiIndex.from_frame(detail[["source", "row"]]).isin(gone)
            detail.loc[hit, "status"] = "set aside"
            detail.loc[hit, "reason"] = f"{other['source'].iloc[0]} gives {name} for the same time"
    numbers = [name for name in QUANTITIES if name in table]
    words = [name for name in TEXTS if name in table]
    empty = table[numbers].isna().all(axis=1)
    if words:
        empty &= (table[words].fillna("") == "").all(axis=1)
    repeated_rows = np.isin(key, np.concatenate([_ticks(other["met"]) for other in before]))
    return table[~(empty & repeated_rows)], detail


def _ticks(met: pd.Series) -> np.ndarray:
    """Times to the microsecond; -1 beyond all for a clock that could not be read, which equals nothing."""
    seconds = met.to_numpy(float)
    ticks = np.round(np.nan_to_num(seconds, nan=-9e12) * 1e6)
    return np.where(np.isnan(seconds), np.nan, ticks)
