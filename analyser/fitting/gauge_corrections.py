"""Errors of gauges in words, and readings with the errors taken out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyser.fitting.panel_rows import PanelRows
from analyser.flight import World

_SAID = {"altitude": "altimeter", "speed": "speed gauge", "vertical_speed": "vertical-speed gauge", "horizontal_speed": "horizontal-speed gauge",
         "flight_path_angle": "flight-path angle", "surface_speed": "surface-speed gauge"}  # fmt: skip


@dataclass(frozen=True)
class GaugeError:
    """One error of one gauge, the same in the whole flight.

    ``kind`` is "zero" (``value``: what it shows too much, SI), "lag" (``value``: seconds after the clock at which it was read; negative: before) or
    "name" (the column holds the quantity ``other``). ``sigma`` is the standard deviation of ``value``, ``gain`` by how much the capped chi-square of the coasts
    falls, ``coasts`` how many of them can tell.
    """

    kind: str
    column: str
    value: float = 0.0
    sigma: float = 0.0
    other: str = ""
    gain: float = 0.0
    coasts: int = 0

    def __str__(self) -> str:
        if self.kind == "name":
            return f"the column {self.column} fits the motion only as {self.other.replace('_', ' ')}, in all {self.coasts} coasts that can tell: it is taken as that"
        where = f"{self.coasts} coasts" if self.coasts > 1 else "the coast"
        if self.kind == "lag":
            side = "after" if self.value > 0 else "before"
            return (
                f"the {_SAID[self.column]} was read {abs(self.value):.1f} s {side} the clock (+-{_rounded(1.96 * self.sigma)} s), by {where}: "
                "its readings are carried back to the clock's time"
            )
        factor, unit = (math.degrees(1), "deg") if self.column == "flight_path_angle" else (1.0, "m") if self.column == "altitude" else (1.0, "m/s")
        way = "much" if self.value > 0 else "little"
        return (
            f"the {_SAID[self.column]} shows {abs(self.value) * factor:.3g} {unit} too {way} (+-{_rounded(1.96 * self.sigma * factor)} {unit}), by {where}: "
            "its readings are corrected"
        )


def _rounded(size: float) -> str:
    """One digit, never as a power of ten."""
    return f"{float(f'{size:.1g}'):g}"


def corrected(
    table: pd.DataFrame, errors: Sequence[GaugeError], rows: PanelRows, coasts: Iterable[Sequence[int]], world: World
) -> pd.DataFrame:
    """The readings with the errors taken out: a copy. ``coasts`` are the positions of rows between which nothing burnt.

    A lag is carried back by the gauge's own rate: in a coast as the row's radius and speeds give it, elsewhere between neighbouring rows.
    """
    table = table.copy()
    for error in errors:
        if error.kind == "name":
            pair = [error.column, error.other]
            swapped = {}
            for old, new in (pair, pair[::-1]):
                for ending in ("", "_sigma"):
                    swapped[new + ending] = table[old + ending] if old + ending in table else np.nan
            for column, values in swapped.items():
                table[column] = values
        elif error.column in table and error.kind == "zero":
            table[error.column] = table[error.column] - error.value
        elif error.column in table:
            coasting = np.zeros(len(table), dtype=bool)
            for places in coasts:
                coasting[list(places)] = True
            free, (between, doubt) = _rates_in_coasts(error.column, rows, world), _rates_between(table, error.column, rows)
            known = coasting & np.isfinite(free)
            rates = np.where(known, free, between)
            table[error.column] = np.where(rows.standing, table[error.column], table[error.column] - error.value * rates)
            if f"{error.column}_sigma" in table:
                sigma = table[f"{error.column}_sigma"].to_numpy(float)
                table[f"{error.column}_sigma"] = np.where(known | rows.standing, sigma, np.hypot(sigma, error.value * doubt))
    return table


def _rates_in_coasts(column: str, rows: PanelRows, world: World) -> np.ndarray:
    """How fast a gauge moves at each row under the body's pull alone, from the row's own radius and speeds; nan where they were not read."""
    mu, turn = (np.array([pick(world[str(name)]) for name in rows.body]) for pick in (lambda body: body.mu, lambda body: body.rotation_rate))
    with np.errstate(invalid="ignore", divide="ignore"):
        r, up = rows.radius, rows.vertical
        across = np.sqrt(np.clip(rows.speed**2 - up**2, 0.0, None))
        lift, slowing = across**2 / r - mu / r**2, -up * across / r
        over = across - turn * r
        return {
            "altitude": up,
            "vertical_speed": lift,
            "horizontal_speed": slowing,
            "speed": -mu / r**2 * up / rows.speed,
            "flight_path_angle": (lift * across - up * slowing) / rows.speed**2,
            "surface_speed": (up * lift + over * (slowing - turn * up)) / np.hypot(up, over),
        }[column]


def _rates_between(table: pd.DataFrame, column: str, rows: PanelRows) -> tuple[np.ndarray, np.ndarray]:
    """How fast a gauge moves at each row, and how far that may be off: from the rows on either side, within one body; 0 where there are none."""
    met, value = rows.met, table[column].to_numpy(float)
    rates, doubt = np.zeros(len(table)), np.zeros(len(table))
    known = np.flatnonzero(np.isfinite(value))
    for place, row in enumerate(known):
        beside = [known[k] for k in (place - 1, place + 1) if 0 <= k < len(known) and rows.body[known[k]] == rows.body[row] and met[known[k]] != met[row]]
        slopes = [(value[other] - value[row]) / (met[other] - met[row]) for other in beside]
        if len(beside) == 2:
            apart = np.abs(met[beside] - met[row])
            rates[row] = (slopes[0] * apart[1] + slopes[1] * apart[0]) / apart.sum()
            doubt[row] = abs(slopes[0] - slopes[1]) / 2
        elif beside:
            rates[row] = slopes[0]
            doubt[row] = abs(slopes[0])
    return rates, doubt
