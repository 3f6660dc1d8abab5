"""Values read off screenshots into the two tables that :class:`analyser.flight.Readings` promises."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from analyser.flight import QUANTITIES, TEXTS, Readings
from analyser.ingest.restarts import in_turn, straighten
from analyser.units import format_met

if TYPE_CHECKING:
    from analyser.ingest.panel import Panel
    from analyser.ingest.screenshots import Value

DETAIL_COLUMNS = (
    "source", "row", "met", "column", "gauge", "raw", "value", "sigma", "probability", "status", "reason", "crop",
)  # fmt: skip
SAID_ONCE = 6  # screenshots that are named one by one where the same is to be said of each


def tabulate(panel: "Panel", names: Sequence[str], values: "Sequence[Value]", lost: dict[int, str], runs: Mapping[int, int]) -> Readings:
    """Readings from values.

    Parameters
    ----------
    panel : Panel
    names : sequence of str
        Name of each screenshot's file; a value's ``row`` is its place here.
    values : sequence of Value
    lost : dict of int to str
        Why the panel was not found, for the screenshots in which it was not.
    runs : mapping of int to int
        The run of the clock that each screenshot belongs to, in the order of the files; empty where it was not set back.
    """
    import pandas as pd

    rows: dict[int, dict] = {row: {"source": name, "row": row} for row, name in enumerate(names)}
    for value in values:
        if value.status == "doubtful":
            continue
        row = rows[value.row]
        if value.column in TEXTS:
            said = [each for each in (row.get(value.column, ""), value.text) if each]
            row[value.column] = ", ".join(dict.fromkeys(said))  # several lamps may be lit
        elif math.isnan(value.value):
            continue
        elif math.isnan(row.get(value.column, math.nan)) or value.sigma < row[f"{value.column}_sigma"]:
            row[value.column], row[f"{value.column}_sigma"] = value.value, value.sigma
    remarks = _remarks(names, {row: entry.get("met", math.nan) for row, entry in rows.items()}, lost)
    kept = [entry for entry in rows.values() if not math.isnan(entry.get("met", math.nan))]
    remarks += _on_one_clock(kept, runs)
    ordered = [entry["met"] for entry in kept]
    if ordered != sorted(ordered):
        remarks.append("the screenshots' order is not that of the panel's clock; the clock's order was taken")
    times = {row: entry.get("met", math.nan) for row, entry in rows.items()}
    table = _table(panel, sorted(kept, key=lambda entry: entry["met"]))
    if any(runs.values()):
        table["clock_run"] = in_turn(np.array([runs[row] for row in table["row"]]))
    repeated = table["met"].duplicated(keep=False).sum()
    if repeated:
        remarks.append(f"{repeated} screenshots share a clock reading with another; all were kept")
    detail = pd.DataFrame(
        [
            (
                names[value.row], value.row, times[value.row], value.column, value.gauge.name, value.reading.raw,
                math.nan if value.status == "doubtful" else value.value,
                math.nan if value.status == "doubtful" else value.sigma,
                value.probability, value.status, value.reason, value.crop,
            )
            for value in values
        ],
        columns=DETAIL_COLUMNS,
    )  # fmt: skip
    return Readings(table, detail, tuple(remarks))


def _on_one_clock(entries: list[dict], runs: Mapping[int, int]) -> list[str]:
    """Sort the screenshots by the order of their files and let their times run on, both in place; what there is to be told of it."""
    if not any(runs.values()):
        return []
    place = {row: index for index, row in enumerate(runs)}
    entries.sort(key=lambda entry: place[entry["row"]])
    clock, run = np.array([entry["met"] for entry in entries]), np.array([runs[entry["row"]] for entry in entries])
    times, ends = straighten(clock, run)
    remarks = []
    for number, last in ends.items():
        start, before = int(np.flatnonzero(run == number)[0]), int(np.flatnonzero(run < number)[-1])
        remarks.append(
            f"{entries[start]['source']}: the clock starts again ({format_met(clock[before])}, then {format_met(clock[start])}). screenshots from "
            f"there on are counted from {format_met(last)} on, as if it was set back right after {entries[before]['source']}"
        )
    for entry, time in zip(entries, times.tolist()):
        entry["met"] = time
    return remarks


def _table(panel: "Panel", entries: list[dict]):
    import pandas as pd

    shown = {column for gauge in panel.gauges.values() for column in gauge.reads}
    columns = ["met", "met_sigma"]
    for name in QUANTITIES:
        if name in shown:
            columns += [name, f"{name}_sigma"]
    texts = [name for name in TEXTS if name in shown]
    table = pd.DataFrame(entries).reindex(columns=[*columns, *texts, "source", "row"])
    for name in columns:
        table[name] = table[name].astype(float)
    for name in texts:
        table[name] = table[name].astype(object).where(table[name].notna(), "")
    return table


def _remarks(names: Sequence[str], times: dict[int, float], lost: dict[int, str]) -> list[str]:
    """What is to be said of screenshots as a whole; the same said of many is said once, with their names."""
    if lost and len(lost) == len(names):
        reasons = sorted(set(lost.values()))
        return [
            f"the panel was found in none of the {len(names)} screenshots ({reasons[0]}): is this the panel they show? "
            "`analyser panel check` shows what is looked for"
        ]
    timeless = [names[row] for row, met in times.items() if math.isnan(met) and row not in lost]
    remarks = []
    if len(lost) > SAID_ONCE:
        remarks.append(f"the panel was not found in {_list([names[row] for row in lost])}; nothing was read from them")
    else:
        remarks += [f"{names[row]}: the panel was not found ({reason}); nothing was read from it" for row, reason in lost.items()]
    if len(timeless) > SAID_ONCE:
        remarks.append(f"the clock could not be read for certain in {_list(timeless)}, so none of their values is in the table")
    else:
        remarks += [f"{name}: its clock could not be read for certain, so none of its values is in the table" for name in timeless]
    return remarks


def _list(names: list[str]) -> str:
    return f"{len(names)} screenshots ({', '.join(names[:3])}, ... {names[-1]})"
