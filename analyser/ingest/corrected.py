"""Readings with what a person set right by hand: the values change, what was read stays beside them in the detail."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, TEXTS, Craft, Readings, World
from analyser.ingest.corrections import FILE, Correction, standing, typed_value
from analyser.ingest.propellant import in_order, stage_loads
from analyser.units import shown

__all__ = ["BY_HAND", "CONFIRMED", "SET_ASIDE", "apply_corrections"]

BY_HAND, CONFIRMED, SET_ASIDE = "corrected by hand", "confirmed by hand", "set aside by hand"
_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_DERIVED = "worked out from percent"  # how the reason of such a value begins
_SHOWN = 8  # corrections that could not be used which are told one by one


def apply_corrections(readings: Readings, corrections: Sequence[Correction], craft: Craft | None = None, world: World | None = None) -> Readings:
    """Readings with corrections applied.

    Parameters
    ----------
    readings : Readings
        As read from the files.
    corrections : sequence of Correction
        The history; what stands of it is applied.
    craft : Craft, optional
        Where given, a corrected propellant percentage is turned into kg again.
    world : World, optional
        Where given, a body typed by hand must be in it.

    Returns
    -------
    Readings
        In the detail a corrected or confirmed value has the status ``typed`` and its ``raw`` text as read; one taken out has the status
        ``set aside``. A correction whose place is not there any more, or whose cell of a table says something else now, is not used, and a
        remark says so.
    """
    wanted = standing(corrections)
    if not wanted:
        return readings
    sheet = _Sheet(readings, world)
    for each in wanted:
        sheet.apply(each)
    return sheet.result(readings, craft)


class _Sheet:
    """Readings while corrections are worked in."""

    def __init__(self, readings: Readings, world: World | None):
        self.table, self.detail, self.world = readings.table.copy(), readings.detail.reset_index(drop=True).copy(), world
        self.unused: list[str] = []
        self.done: dict[str, int] = {}
        self.fractions = False
        detail = self.detail
        self.places: dict[tuple[str, str], dict[int, list[int]]] = {}
        for index, (source, row, column) in enumerate(zip(detail["source"], detail["row"], detail["column"])):
            self.places.setdefault((source, column), {}).setdefault(int(row), []).append(index)
        self.rows: dict[str, set[int]] = {}
        for frame in (self.table, detail):
            for source, row in zip(frame["source"], frame["row"]):
                self.rows.setdefault(source, set()).add(int(row))

    def apply(self, each: Correction) -> None:
        rows = self.rows.get(each.source, set())
        picture = Path(each.source).suffix.casefold() in _PICTURES
        row = next(iter(rows)) if picture and len(rows) == 1 else each.row
        where = f"{each.source}, {each.column}" if picture else f"{each.source} line {row}, {each.column}"
        if row not in rows:
            self.unused.append(f"{where}: there is no such {'picture' if picture or not rows else 'line'} any more")
            return
        hits = self.places.get((each.source, each.column), {}).get(row, [])
        raw = str(self.detail.at[hits[0], "raw"]) if hits else ""
        if each.raw and not picture and each.raw != raw:
            self.unused.append(f"{where}: {shown(raw) if raw else 'nothing'} stands there now, {shown(each.raw)} when it was set right")
            return
        if each.column == "body" and each.action == "correct" and self.world is not None and each.value not in self.world:
            self.unused.append(f"{where}: {self.world.name} has no body {shown(each.value)}")
            return
        if each.action == "set aside":
            self._set_aside(each, row, hits)
        elif not self._set(each, row, hits):
            return
        self.done[each.action] = self.done.get(each.action, 0) + 1

    def _set(self, each: Correction, row: int, hits: list[int]) -> bool:
        column, confirmed = each.column, each.action == "confirm"
        known = next((index for index in hits if math.isfinite(self.detail.at[index, "value"])), None)
        if confirmed and not each.value and known is None and column not in TEXTS:
            self.unused.append(f"{each.source}, {column}: nothing was read there that could be confirmed; type the value")
            return False
        if confirmed and (not each.value or known is not None and self._same(each.value, column, known)):
            value, sigma, text = (math.nan, math.nan, "") if known is None else (*self.detail.loc[known, ["value", "sigma"]], "")
        else:
            typed = typed_value(each.value, column)
            value, sigma, text = typed.value, typed.sigma, typed.text
        if not hits:
            hits = [self._new_detail(each, row)]
        self._mark(hits, "typed", CONFIRMED if confirmed else BY_HAND)
        if column in TEXTS:
            if not confirmed or text:
                self._say(each.source, row, column, text)
            return True
        self.detail.loc[hits, ["value", "sigma"]] = (value, sigma)
        self.detail.loc[hits, "probability"] = 1.0
        if column == "met":
            self._move(each.source, row, value, sigma)
        else:
            self._put(each.source, row, column, value, sigma)
        return True

    def _same(self, text: str, column: str, index: int) -> bool:
        """Whether a confirmed text is the value that was read: then its own standard deviation stays."""
        typed = typed_value(text, column)
        return abs(typed.value - self.detail.at[index, "value"]) <= max(typed.sigma, 1e-9 * abs(typed.value))

    def _set_aside(self, each: Correction, row: int, hits: list[int]) -> None:
        self._mark(hits, "set aside", SET_ASIDE)
        if each.column in TEXTS:
            self._say(each.source, row, each.column, "")
        elif each.column == "met":
            self.table = self.table[~self._at(each.source, row)]
        else:
            self._put(each.source, row, each.column, math.nan, math.nan)

    def _mark(self, hits: list[int], status: str, reason: str) -> None:
        self.detail.loc[hits, "status"] = status
        self.detail.loc[hits, "reason"] = reason

    def _new_detail(self, each: Correction, row: int) -> int:
        index = len(self.detail)
        at = self._at(each.source, row)
        met = float(self.table.loc[at, "met"].iloc[0]) if at.any() else math.nan
        self.detail.loc[index, ["source", "row", "met", "column", "gauge", "raw", "crop"]] = [each.source, row, met, each.column, "", "", ""]
        return index

    def _at(self, source: str, row: int) -> pd.Series:
        return (self.table["source"] == source) & (self.table["row"] == row)

    def _put(self, source: str, row: int, column: str, value: float, sigma: float) -> None:
        if column == "propellant_fraction":
            self._drop_derived(source, row)
        for name, number in ((column, value), (f"{column}_sigma", sigma)):
            if name not in self.table:
                self.table[name] = np.nan
            self.table.loc[self._at(source, row), name] = number

    def _drop_derived(self, source: str, row: int) -> None:
        """Kilograms that were worked out from a percentage go with it; they are worked out again at the end."""
        gone = [index for index in self.places.get((source, "propellant"), {}).get(row, []) if str(self.detail.at[index, "reason"]).startswith(_DERIVED)]
        if gone:
            self.fractions = True
            self.detail.loc[gone, "status"] = "gone"
            self.table.loc[self._at(source, row), ["propellant", "propellant_sigma"]] = np.nan

    def _move(self, source: str, row: int, met: float, sigma: float) -> None:
        """A new time for a row; one whose clock could not be read comes into the table with the rest of what it shows."""
        at = self._at(source, row)
        self.detail.loc[(self.detail["source"] == source) & (self.detail["row"] == row), "met"] = met
        if at.any():
            self.table.loc[at, ["met", "met_sigma"]] = (met, sigma)
            return
        entry: dict[str, object] = {"met": met, "met_sigma": sigma, "source": source, "row": row}
        for item in self.detail[(self.detail["source"] == source) & (self.detail["row"] == row)].itertuples():
            if item.status in ("doubtful", "set aside", "gone") or item.column == "met":
                continue
            if item.column in TEXTS:
                entry[item.column] = str(item.raw)
            elif math.isfinite(item.value) and not item.sigma > entry.get(f"{item.column}_sigma", math.inf):
                entry[item.column], entry[f"{item.column}_sigma"] = item.value, item.sigma
        self.table = pd.concat([self.table, pd.DataFrame([entry])], ignore_index=True)

    def _say(self, source: str, row: int, column: str, text: str) -> None:
        """Words of a row. A body that was carried forward from it is carried forward anew."""
        if column not in self.table:
            self.table[column] = ""
        at = np.flatnonzero(self._at(source, row).to_numpy())
        if not len(at):
            return
        before, order = str(self.table[column].iloc[at[0]]), np.argsort(self.table["met"].to_numpy(), kind="stable")
        column_at = self.table.columns.get_loc(column)
        self.table.iloc[at, column_at] = text
        if column == "body" and not self.places.get((source, "body")):
            behind = order[list(order).index(at[0]) + 1 :]
            for place in behind:
                if str(self.table["body"].iloc[place]) != before:
                    break
                self.table.iloc[place, column_at] = text

    def result(self, readings: Readings, craft: Craft | None) -> Readings:
        table, detail = self.table, self.detail[self.detail["status"] != "gone"]
        for name in table:
            if name in TEXTS or name == "source":
                table[name] = table[name].astype(object).where(table[name].notna(), "")
        table = table.assign(row=table["row"].astype(readings.table["row"].dtype)).sort_values("met", kind="stable", ignore_index=True)
        detail = detail.assign(row=detail["row"].astype(readings.detail["row"].dtype))
        order = {name: index for index, name in enumerate(["met", *QUANTITIES, *TEXTS])}
        sort = np.lexsort((detail["column"].map(order).to_numpy(), detail["row"], detail["source"], detail["met"]))
        found = Readings(in_order(table), detail.iloc[sort].reset_index(drop=True), readings.remarks + tuple(self._remarks()))
        if self.fractions:
            again = stage_loads(found, craft)
            found = Readings(again.table, again.detail, found.remarks)
        return found

    def _remarks(self) -> list[str]:
        said = []
        if self.done:
            words = {"correct": "corrected", "confirm": "confirmed", "set aside": "set aside"}
            count = sum(self.done.values())
            told = ", ".join(f"{self.done[action]} {word}" for action, word in words.items() if action in self.done)
            said.append(f"{count} reading{'s' if count > 1 else ''} set right by hand ({told}), as {FILE} says")
        if self.unused:
            more = f"; and {len(self.unused) - _SHOWN} more" if len(self.unused) > _SHOWN else ""
            said.append(f"not used from {FILE}: {'; '.join(self.unused[:_SHOWN])}{more}. set them right again, or take the lines out")
        return said
