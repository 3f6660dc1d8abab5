"""A flight's values as a worklist: doubtful ones first, each with what was read, what it is worth now, and where it came from."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyser.errors import AnalyserError
from analyser.flight import TEXTS
from analyser.ingest.columns import read_head
from analyser.ingest.corrections import Correction, standing
from analyser.page.proposed import proposal, shown_unit, si_text
from analyser.reporting.phrases import clock

if TYPE_CHECKING:
    from analyser.ingest.grid import Grid
    from analyser.page.opened import OpenFlight

__all__ = ["Sheet", "worklist"]

#: Why a value stands where it does in the list -> its place.
ORDER = {"doubtful": 0, "set aside by the fit": 1, "recovered": 2, "set aside": 3, "": 4}
MOST = 400  # values in one answer


class Sheet:
    """What is needed to show a flight's values: its typed table as it stands, its panel."""

    def __init__(self, flight: "OpenFlight"):
        from analyser.ingest.panel import load_panel

        raw = flight.raw
        self.grid: Grid | None = None
        self.table = next((Path(path) for path in raw.files if Path(path).suffix.casefold() in (".csv", ".tsv", ".txt") and Path(path).name != "corrections.csv"), None)
        self.heads: dict[str, tuple[int, str]] = {}
        if self.table is not None:
            self._open_table()
        self.gauges: dict[str, Any] = {}
        self.mark = ""
        panel = next((Path(path) for path in raw.files if Path(path).suffix == ".toml" and "gauges" in Path(path).read_text("utf-8", "replace")), None)
        if panel is not None:
            try:
                found = load_panel(panel)
                self.gauges, self.mark = dict(found.gauges), found.decimal
            except AnalyserError:
                pass  # some other description that speaks of gauges

    def _open_table(self) -> None:
        from analyser.errors import TableError
        from analyser.ingest.grid import read_grid
        from analyser.ingest.text import read_text

        self.grid = read_grid(read_text(self.table, "table of readings", TableError, strict=False), self.table, _is_column)
        for position, written in enumerate(self.grid.header):
            if _is_column(written):
                head = read_head(written, position)
                if not head.sigma:
                    self.heads[head.name] = (position, written)

    def line(self, row: int, column: str) -> dict[str, Any] | None:
        """The line of the table that a value stands in."""
        if self.grid is None or row not in self.grid.lines:
            return None
        cells = self.grid.rows[self.grid.lines.index(row)]
        position = self.heads.get(column, (-1, ""))[0]
        return {"header": self.grid.header, "cells": [*cells, *[""] * (len(self.grid.header) - len(cells))], "mark": position}

    def unit(self, source: str, column: str, raw: str, gauge: str) -> str:
        """The unit a bare number is taken in."""
        if self.table is not None and source == self.table.name:
            return shown_unit(column, raw, None, self.heads.get(column, (-1, ""))[1])
        return shown_unit(column, raw, self.gauges.get(gauge))


def _is_column(cell: str) -> bool:
    try:
        read_head(cell, 0)
    except AnalyserError:
        return False
    return True


def worklist(flight: "OpenFlight", sheet: Sheet, everything: bool, start: int, row: int | None = None, source: str = "") -> dict[str, Any]:
    """Values from number ``start`` on, at most MOST.

    Parameters
    ----------
    flight : OpenFlight
        Read already.
    sheet : Sheet
    everything : bool
        False: only those that need or had a person's look.
    start : int
    row, source : optional
        Only the values of this row.
    """
    history = standing(flight.corrections())
    decided = {each.place: each for each in history}
    pictured = set(flight.pictures())
    by_picture = {(each.source, each.column): each for each in history if each.source in pictured}
    aside = {}
    if flight.findings is not None:
        aside = {(item.source, int(item.row), item.column): item for item in flight.findings.set_aside}
    now = {(item.source, int(item.row), item.column): item for item in flight.current().readings.detail.itertuples()}
    entries, counts = [], {"all": 0, "open": 0, "decided": 0}
    for item in flight.raw.readings.detail.itertuples():
        if str(item.reason).startswith("worked out from"):
            continue
        place = (item.source, int(item.row), item.column)
        verdict = aside.get(place)
        why = item.status if item.status in ("doubtful", "recovered", "set aside") else "set aside by the fit" if verdict is not None else ""
        decision = decided.get(place) or by_picture.get((item.source, item.column))
        counts["all"] += 1
        counts["decided"] += decision is not None
        counts["open"] += decision is None and why in ("doubtful", "set aside by the fit", "recovered")
        if row is not None and (item.source, int(item.row)) != (source, row):
            continue
        if not everything and row is None and not why and decision is None:
            continue
        entries.append((decision is not None, ORDER.get(why, 4), item.met if math.isfinite(item.met) else -1e18, len(entries), item, place, why, verdict, decision))
    entries.sort(key=lambda entry: entry[:4])
    shown = [_entry(item, place, why, verdict, decision, now, sheet, pictured) for *_, item, place, why, verdict, decision in entries[start : start + MOST]]
    return {"values": shown, "start": start, "found": len(entries), "counts": counts}


def _entry(item, place, why: str, verdict, decision: Correction | None, now: dict, sheet: Sheet, pictured: set[str]) -> dict[str, Any]:
    source, row, column = place
    raw, gauge = str(item.raw), str(item.gauge)
    unit = sheet.unit(source, column, raw, gauge)
    current = now.get(place)
    value = ""
    if current is not None and column not in TEXTS:
        value = si_text(float(current.value), float(current.sigma), column, unit)
    read = si_text(float(item.value), float(item.sigma), column, unit) if column not in TEXTS else raw
    typed = source not in pictured
    offer = read or proposal(column, raw, sheet.gauges.get(gauge), sheet.mark)
    return {
        "source": source, "row": row, "column": column, "gauge": gauge, "met": clock(float(item.met)) if math.isfinite(item.met) else "clock not read",
        "raw": raw, "unit": "" if unit == "1" else unit, "read": read, "value": value, "offer": offer, "status": item.status,
        "reason": str(item.reason), "why": why, "fit": verdict.reason if verdict is not None else "",
        "suggestion": verdict.suggestion if verdict is not None else "", "instead": _instead(verdict),
        "probability": float(item.probability) if item.probability == item.probability else None,
        "crop": [int(edge) for edge in item.crop] if isinstance(item.crop, (tuple, list)) and source in pictured else None,
        "typed": typed, "line": sheet.line(row, column) if typed else None,
        "decision": None if decision is None else {"action": decision.action, "value": decision.value, "when": decision.when, "by": decision.by},
    }  # fmt: skip




def _instead(verdict) -> str:
    """The value that a fit's suggestion names, "" where it names none."""
    found = re.search(r"fits if it was (.+?) \(", verdict.suggestion) if verdict is not None else None
    return found[1].replace("\u2212", "-").replace("\u202f", "") if found else ""
