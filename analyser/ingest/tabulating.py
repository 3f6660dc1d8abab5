"""Values read off screenshots into the two tables that :class:`analyser.flight.Readings` promises."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analyser.flight import QUANTITIES, TEXTS, Readings

if TYPE_CHECKING:
    from analyser.ingest.panel import Panel
    from analyser.ingest.screenshots import Value

DETAIL_COLUMNS = (
    "source", "row", "met", "column", "gauge", "raw", "value", "sigma", "probability", "status", "reason", "crop",
)  # fmt: skip
SAID_ONCE = 6  # screenshots that are named one by one where the same is to be said of each


def tabulate(panel: "Panel", names: Sequence[str], values: "Sequence[Value]", lost: dict[int, str]) -> Readings:
    """Readings from values.

    Parameters
    ----------
    panel : Panel
    names : sequence of str
        Name of each screenshot's file; a value's ``row`` is its place here.
    values : sequence of Value
    lost : dict of int to str
        Why the panel was not found, for the screenshots in which it was not.
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
    times = {row: entry.get("met", math.nan) for row, entry in rows.items()}
    remarks = _remarks(names, times, lost)
    kept = [entry for row, entry in rows.items() if not math.isnan(times[row])]
    ordered = [entry["met"] for entry in kept]
    if ordered != sorted(ordered):
        remarks.append("the screenshots' order is not that of the panel's clock; the clock's order was taken")
    table = _table(panel, sorted(kept, key=lambda entry: entry["met"]))
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
