"""Lines that stand out of the order of their clocks, and whose readings fit nothing at the time written."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analyser.findings import SetAside
from analyser.fitting.chain import Chain
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.slips import explain_clock_between
from analyser.flight import QUANTITIES


def leave_out(table: pd.DataFrame, chain: Chain, propellant: PropellantHistory) -> tuple[pd.DataFrame, list[SetAside]]:
    """A table without the readings of lines that stand out of turn and are a coast of their own there, or have a propellant that can't be.

    A line added later, with the right clock, falls in with its coast or burn and is kept.

    Parameters
    ----------
    table : DataFrame (n rows)
        Readings.table; where it has no column ``out_of_turn`` there is nothing to do.
    chain, propellant : Chain, PropellantHistory
        Of this table.

    Returns
    -------
    table : DataFrame (n rows)
        The very one that was handed in, if no line is left out.
    set_aside : list of SetAside
        One for each line left out, with the time that it should have stood at where one simple slip tells it.
    """
    if "out_of_turn" not in table:
        return table, []
    stray = table["out_of_turn"].to_numpy(bool)
    company = {row: sum(not stray[other] for other in arc.rows) for arc in chain.arcs for row in arc.rows}
    lost = [row for row in np.flatnonzero(stray).tolist() if row in propellant.set_aside or company.get(row, 2) < 2]
    if not lost:
        return table, []
    cleared = table.copy()
    for name in QUANTITIES:
        if name in cleared:
            cleared.loc[cleared.index[lost], [name, f"{name}_sigma"]] = np.nan
    return cleared, [_told(table, stray, row) for row in lost]


def retold(table: pd.DataFrame, found: tuple[SetAside, ...]) -> tuple[SetAside, ...]:
    """What was set aside for its clock, with the time that the lines on either side leave for it where one simple slip tells it."""
    if "out_of_turn" not in table:
        return found
    stray = table["out_of_turn"].to_numpy(bool)
    return tuple(
        replace(item, suggestion=_between_lines(table, stray, item.position) or item.suggestion) if item.column == "met" and stray[item.position] else item
        for item in found
    )


def _told(table: pd.DataFrame, stray: np.ndarray, row: int) -> SetAside:
    met = float(table["met"].iloc[row])
    return SetAside(
        row, str(table["source"].iloc[row]), int(table["row"].iloc[row]), met, "met", met,
        "stands out of the order of the lines, and what was read fits nothing at this time: the line was left out",
        _between_lines(table, stray, row),
    )  # fmt: skip


def _between_lines(table: pd.DataFrame, stray: np.ndarray, row: int) -> str:
    met, line = table["met"].to_numpy(float), table["row"].to_numpy()
    source = table["source"].to_numpy(object)
    good = ~stray & (source == source[row])
    low, high = met[good & (line < line[row])].max(initial=-np.inf), met[good & (line > line[row])].min(initial=np.inf)
    return explain_clock_between(float(met[row]), float(low), float(high)) if np.isfinite(high - low) else ""
