"""Readings with what a person set right by hand: the values change, what was read stays beside them in the detail."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, TEXTS, Craft, Readings, World
from analyser.ingest.columns import RUN
from analyser.ingest.corrections import FILE, Correction, standing, typed_value
from analyser.ingest.propellant import in_order, stage_loads
from analyser.units import shown

__all__ = ["BY_HAND", "CONFIRMED", "SET_ASIDE", "apply_corrections"]

BY_HAND, CONFIRMED, SET_ASIDE = "corrected by hand", "confirmed by hand", "set aside by hand"
_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_DERIVED = "worked out from percent"  # how the reason of such a value begins
_SHOWN = 8  # corrections that could not be used which are told one by one
_WORDS = ("source", "column", "gauge", "raw", "status", "reason", "crop")


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
    """Readings while corrections are worked in: columns as lists, since cells are changed one by one."""

    def __init__(self, readings: Readings, world: World | None):
        self.world = world
        self.table: dict[str, list] = {name: readings.table[name].tolist() for name in readings.table}
        self.detail: dict[str, list] = {name: readings.detail[name].tolist() for name in readings.detail}
        self.unused: list[str] = []
        self.done: dict[str, int] = {}
        self.fractions = False
        self.gone: set[int] = set()  # rows of the table that fall out
        self.places: dict[tuple[str, int], dict[str, list[int]]] = {}  # (source, row) -> column -> where in the detail
        for index, (source, row, column) in enumerate(zip(self.detail["source"], self.detail["row"], self.detail["column"])):
            self.places.setdefault((source, int(row)), {}).setdefault(column, []).append(index)
        self.at = {(source, int(row)): index for index, (source, row) in enumerate(zip(self.table["source"], self.table["row"]))}
        self.rows: dict[str, set[int]] = {}
        for source, row in (*self.places, *self.at):
            self.rows.setdefault(source, set()).add(row)
        self.said_bodies = {source for (source, _), columns in self.places.items() if "body" in columns}

    def apply(self, each: Correction) -> None:
        rows = self.rows.get(each.source, set())
        picture = _is_picture(each.source)
        row = next(iter(rows)) if picture and len(rows) == 1 else each.row
        where = f"{each.source}, {each.column}" if picture else f"{each.source} line {row}, {each.column}"
        if row not in rows:
            self.unused.append(f"{where}: there is no such {'picture' if picture or not rows else 'line'} any more")
            return
        key = (each.source, row)
        hits = self.places.get(key, {}).get(each.column, [])
        raw = str(self.detail["raw"][hits[0]]) if hits else ""
        if each.raw and not picture and each.raw != raw:
            self.unused.append(f"{where}: {shown(raw) if raw else 'nothing'} stands there now, {shown(each.raw)} when it was set right")
            return
        if each.column == "body" and each.action == "correct" and self.world is not None and each.value not in self.world:
            self.unused.append(f"{where}: {self.world.name} has no body {shown(each.value)}")
            return
        if each.action == "set aside":
            self._set_aside(each.column, key, hits)
        elif not self._set(each, key, hits):
            return
        self.done[each.action] = self.done.get(each.action, 0) + 1

    def _set(self, each: Correction, key: tuple[str, int], hits: list[int]) -> bool:
        column, confirmed = each.column, each.action == "confirm"
        known = next((index for index in hits if math.isfinite(self.detail["value"][index])), None)
        if confirmed and not each.value and known is None and column not in TEXTS:
            self.unused.append(f"{each.source}, {column}: nothing was read there that could be confirmed; type the value")
            return False
        if confirmed and (not each.value or known is not None and self._same(each.value, column, known)):
            value, sigma, text = (math.nan, math.nan, "") if known is None else (self.detail["value"][known], self.detail["sigma"][known], "")
        else:
            typed = typed_value(each.value, column)
            value, sigma, text = typed.value, typed.sigma, typed.text
        hits = hits or [self._new_detail(column, key)]
        self._mark(hits, "typed", CONFIRMED if confirmed else BY_HAND)
        if column in TEXTS:
            if not confirmed or text:
                self._say(key, column, text)
            return True
        if column == "met":
            self._move(key, value, sigma)
        else:
            self._put(key, column, value, sigma)
        for index in hits:
            self.detail["value"][index], self.detail["sigma"][index], self.detail["probability"][index] = value, sigma, 1.0
        return True

    def _same(self, text: str, column: str, index: int) -> bool:
        """Whether a confirmed text is the value that was read: then its own standard deviation stays."""
        typed = typed_value(text, column)
        return abs(typed.value - self.detail["value"][index]) <= max(typed.sigma, 1e-9 * abs(typed.value))

    def _set_aside(self, column: str, key: tuple[str, int], hits: list[int]) -> None:
        self._mark(hits, "set aside", SET_ASIDE)
        if column in TEXTS:
            self._say(key, column, "")
        elif column == "met":
            if key in self.at:
                self.gone.add(self.at[key])
        else:
            self._put(key, column, math.nan, math.nan)

    def _mark(self, hits: list[int], status: str, reason: str) -> None:
        for index in hits:
            self.detail["status"][index], self.detail["reason"][index] = status, reason

    def _new_detail(self, column: str, key: tuple[str, int]) -> int:
        """A line of the detail for a value that was typed where nothing was read."""
        index = len(self.detail["source"])
        met = self.table["met"][self.at[key]] if key in self.at else math.nan
        entry: dict[str, Any] = {"source": key[0], "row": key[1], "met": met, "column": column, "probability": 1.0}
        for name, items in self.detail.items():
            items.append(entry.get(name, "" if name in _WORDS else math.nan))
        self.places.setdefault(key, {}).setdefault(column, []).append(index)
        return index

    def _cells(self, column: str, empty: Any = math.nan) -> list:
        return self.table.setdefault(column, [empty] * len(self.table["met"]))

    def _put(self, key: tuple[str, int], column: str, value: float, sigma: float) -> None:
        if column == "propellant_fraction":
            self._drop_derived(key)
        place = self.at.get(key)
        if place is not None:
            self._cells(column)[place], self._cells(f"{column}_sigma")[place] = value, sigma

    def _drop_derived(self, key: tuple[str, int]) -> None:
        """Kilograms that were worked out from a percentage go with it; they are worked out again at the end."""
        for index in self.places.get(key, {}).get("propellant", []):
            if str(self.detail["reason"][index]).startswith(_DERIVED):
                self.fractions = True
                self.detail["status"][index] = "gone"
                if key in self.at:
                    self._cells("propellant")[self.at[key]] = self._cells("propellant_sigma")[self.at[key]] = math.nan

    def _move(self, key: tuple[str, int], met: float, sigma: float) -> None:
        """A new time for a row; one whose clock could not be read comes into the table with the rest of what it shows. Where the clock was set
        back in flight, its run and how far that was moved are those of the row before."""
        run, moved = self._run(key)
        met += moved
        for indices in self.places.get(key, {}).values():
            for index in indices:
                self.detail["met"][index] = met
        if key not in self.at:
            self._enter(key)
        place = self.at[key]
        self.table["met"][place], self.table["met_sigma"][place] = met, sigma
        if RUN in self.table:
            self.table[RUN][place] = run

    def _run(self, key: tuple[str, int]) -> tuple[int, float]:
        """The run of the clock that a row belongs to, and what was added to it there, s."""
        if RUN not in self.table:
            return 0, 0.0
        alike = [row for row in self.at if (row[0] == key[0]) or (_is_picture(row[0]) and _is_picture(key[0]))]
        near = min(alike, key=lambda row: (row[1] > key[1], abs(row[1] - key[1])), default=None)
        clock = next((index for index in self.places.get(near, {}).get("met", []) if math.isfinite(self.detail["value"][index])), None) if near else None
        if near is None or clock is None:
            return 0, 0.0
        return self.table[RUN][self.at[near]], self.detail["met"][clock] - self.detail["value"][clock]

    def _enter(self, key: tuple[str, int]) -> None:
        """A row of the table from what the detail has of it."""
        entry: dict[str, Any] = {"source": key[0], "row": key[1]}
        for column, indices in self.places.get(key, {}).items():
            for index in indices:
                value, sigma = self.detail["value"][index], self.detail["sigma"][index]
                if self.detail["status"][index] in ("doubtful", "set aside", "gone") or column == "met":
                    continue
                if column in TEXTS:
                    entry[column] = str(self.detail["raw"][index])
                elif math.isfinite(value) and not sigma > entry.get(f"{column}_sigma", math.inf):
                    entry[column], entry[f"{column}_sigma"] = value, sigma
        for column in entry:
            self._cells(column, "" if column in TEXTS else math.nan)
        for column, items in self.table.items():
            items.append(entry.get(column, "" if column in TEXTS else 0 if column in (RUN, "out_of_turn") else math.nan))
        self.at[key] = len(self.table["met"]) - 1

    def _say(self, key: tuple[str, int], column: str, text: str) -> None:
        """Words of a row. A body that was carried forward from it is carried forward anew."""
        cells = self._cells(column, "")
        place = self.at.get(key)
        if place is None:
            return
        before, cells[place] = cells[place], text
        if column == "body" and key[0] not in self.said_bodies:
            order = np.argsort(self.table["met"], kind="stable").tolist()
            for other in order[order.index(place) + 1 :]:
                if cells[other] != before:
                    break
                cells[other] = text

    def result(self, readings: Readings, craft: Craft | None) -> Readings:
        table = pd.DataFrame({name: _series(items, readings.table, name) for name, items in self.table.items()})
        table = table.drop(index=sorted(self.gone)).sort_values("met", kind="stable", ignore_index=True)
        detail = pd.DataFrame({name: _series(items, readings.detail, name) for name, items in self.detail.items()})
        detail = detail[detail["status"] != "gone"]
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


def _is_picture(source: str) -> bool:
    return Path(source).suffix.casefold() in _PICTURES


def _series(items: list, before: pd.DataFrame, name: str) -> pd.Series:
    """A column of the kind that it had; a new one holds numbers, or words."""
    if name in before:
        return pd.Series(items, dtype=before[name].dtype)
    return pd.Series(items, dtype=object if name in TEXTS else float)
