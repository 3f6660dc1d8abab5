"""Propellant shown in percent of a stage's load, into kilograms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, Craft, Readings

_RISE = 0.05  # a gauge that rises by more than this without a word shows another stage


def stage_loads(readings: Readings, craft: Craft | None) -> Readings:
    """Add ``propellant`` in kg where a row has ``propellant_fraction`` and the load of its stage is known.

    A row's stage is the last one named in the column ``stage``; where none is named, the craft's first, and the next one
    from each row on whose event is staging. Values in kg that were read are left as they are. The detail gets a line for
    each value added, whose ``reason`` says what it was worked out from.
    """
    table = readings.table
    if craft is None or not craft.stages or "propellant_fraction" not in table:
        return readings
    stage, remarks = _stages(table, craft)
    loads = np.array([part.propellant for part in craft.stages] + [np.nan])  # the last one stands for "not known"
    load = loads[stage]
    fraction = table["propellant_fraction"].to_numpy(float)
    kept = table["propellant"].to_numpy(float) if "propellant" in table else np.full(len(table), np.nan)
    added = np.isnan(kept) & ~np.isnan(fraction) & ~np.isnan(load)
    if not added.any():
        return replace(readings, remarks=readings.remarks + tuple(remarks))
    sigma = table["propellant_fraction_sigma"].to_numpy(float) * load
    kept_sigma = table["propellant_sigma"].to_numpy(float) if "propellant_sigma" in table else np.full(len(table), np.nan)
    columns = {
        "propellant": np.where(added, fraction * load, kept),
        "propellant_sigma": np.where(added, sigma, kept_sigma),
    }
    table = in_order(table.assign(**columns))
    detail = _with_detail(readings.detail, table, added, [craft.stages[index].name if added[place] else ""
                                                          for place, index in enumerate(stage)])  # fmt: skip
    return Readings(table, detail, readings.remarks + tuple(remarks))


def in_order(table: pd.DataFrame) -> pd.DataFrame:
    """The columns of a readings table in the shared order; columns it does not know stay at the end."""
    numbers = [column for name in ("met", *QUANTITIES) for column in (name, f"{name}_sigma")]
    shared = [name for name in (*numbers, "body", "stage", "event", "note", "source", "row") if name in table]
    return table[[*shared, *(name for name in table if name not in shared)]]


def _stages(table: pd.DataFrame, craft: Craft) -> tuple[np.ndarray, list[str]]:
    """Index of each row's stage, -1 where not known, and what to tell the person."""
    count = len(table)
    named = table["stage"].tolist() if "stage" in table else [""] * count
    events = table["event"].tolist() if "event" in table else [""] * count
    stage = np.zeros(count, dtype=np.int64)
    remarks: list[str] = []
    current = 0
    for place in range(count):
        if named[place]:
            found = craft.stage_index(named[place])
            if found is None:
                remarks.append(f"line {table['row'].iloc[place]}: {craft.name} has no stage called {named[place]!r}, so "
                               "its propellant in percent is not given in kg")  # fmt: skip
                found = -1
            current = found
        elif "staging" in events[place] and current >= 0:
            current = current + 1 if current + 1 < len(craft.stages) else -1
        stage[place] = current
    if not any(named) and not any("staging" in event for event in events) and len(craft.stages) > 1:
        remarks += _unmarked(table, stage)
    return stage, list(dict.fromkeys(remarks))[:5]


def _unmarked(table: pd.DataFrame, stage: np.ndarray) -> list[str]:
    """Without stages named: a gauge that rises shows another one, nobody says which. Marks rows from there on -1."""
    fraction = table["propellant_fraction"].ffill().to_numpy(float)
    rises = np.flatnonzero(np.diff(fraction) > _RISE)
    if not len(rises):
        return []
    stage[rises[0] + 1 :] = -1
    line = table["row"].iloc[rises[0] + 1]
    return [f"line {line}: the propellant gauge rises, so it shows another stage; name the stages in a column 'stage' or "
            "mark the event staging, and percent can be given in kg from there on"]  # fmt: skip


def _with_detail(detail: pd.DataFrame, table: pd.DataFrame, added: np.ndarray, stages: list[str]) -> pd.DataFrame:
    """The detail with a line for each value worked out, behind that of the percentage it came from."""
    places = np.flatnonzero(added)
    rows = table.iloc[places]
    keys = pd.MultiIndex.from_arrays([rows["source"], rows["row"]])
    percent = detail[detail["column"] == "propellant_fraction"]
    percent = percent[~percent.set_index(["source", "row"]).index.duplicated()].set_index(["source", "row"]).reindex(keys)
    new = percent.reset_index()
    new["column"] = "propellant"
    new["value"] = rows["propellant"].to_numpy(float)
    new["sigma"] = rows["propellant_sigma"].to_numpy(float)
    new["reason"] = [f"worked out from percent of the load of {stages[place]}" for place in places]
    new["met"] = rows["met"].to_numpy(float)
    for name, missing in (("gauge", ""), ("raw", ""), ("status", "typed"), ("crop", ""), ("probability", 1.0)):
        new[name] = new[name].where(new[name].notna(), missing)
    together = pd.concat([detail, new[detail.columns]], ignore_index=True)
    order = {name: index for index, name in enumerate(["met", *QUANTITIES])}
    sort = np.lexsort((together["column"].map(order).to_numpy(), together["row"], together["source"], together["met"]))
    return together.iloc[sort].reset_index(drop=True)
