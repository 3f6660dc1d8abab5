"""The legs of attempts side by side: what each took, where it went, how far it missed its goal, how long it took."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from analyser.attempts import Attempt

__all__ = ["LegSeries", "MissSeries", "leg_series"]


@dataclass(frozen=True)
class MissSeries:
    """One miss of a leg's goal over the attempts, flown less wanted, SI; nan where unknown."""

    values: tuple[float, ...]
    sigmas: tuple[float, ...]
    unit: str


@dataclass(frozen=True)
class LegSeries:
    """One leg over the attempts, m/s; nan where it was not flown or is not known.

    ``duration`` in s. ``misses`` by what was missed ("periapsis_altitude", ...). ``planned`` is the median of the plan's ideals.
    """

    name: str
    goal: str
    planned: float
    spent: tuple[float, ...]
    spent_sigma: tuple[float, ...]
    needed: tuple[float, ...]
    needed_sigma: tuple[float, ...]
    waste: tuple[float, ...]
    waste_sigma: tuple[float, ...]
    burn_loss: tuple[float, ...]
    burn_loss_sigma: tuple[float, ...]
    placement_loss: tuple[float, ...]
    placement_loss_sigma: tuple[float, ...]
    correction_loss: tuple[float, ...]
    correction_loss_sigma: tuple[float, ...]
    still_needed: tuple[float, ...]
    still_needed_sigma: tuple[float, ...]
    duration: tuple[float, ...]
    misses: dict[str, MissSeries] = field(default_factory=dict)


_FIGURES = ("spent", "needed", "waste", "burn_loss", "placement_loss", "correction_loss", "still_needed")


def leg_series(attempts: Sequence[Attempt]) -> tuple[LegSeries, ...]:
    """Every leg that an attempt has, in the order of the attempts' plans."""
    goals: dict[str, str] = {}
    for item in attempts:
        for leg in item.legs:
            goals.setdefault(leg["name"], leg["goal"])
    found = []
    for name, goal in goals.items():
        rows = [next((leg for leg in item.legs if leg["name"] == name), None) for item in attempts]
        planned = [row["planned"] for row in rows if row is not None and row["planned"] is not None]
        flown = [row if row is not None and row["flown"] else None for row in rows]
        series = {f"{key}{ending}": _series(flown, f"{key}{ending}") for key in _FIGURES for ending in ("", "_sigma")}
        durations = tuple(end - start for start, end in zip(_series(flown, "start"), _series(flown, "finish"), strict=True))
        found.append(LegSeries(name, goal, median(planned) if planned else math.nan, **series, duration=durations, misses=_misses(flown)))
    return tuple(found)


def _series(rows: Sequence[dict[str, Any] | None], key: str) -> tuple[float, ...]:
    return tuple(math.nan if row is None or row.get(key) is None else row[key] for row in rows)


def _misses(rows: Sequence[dict[str, Any] | None]) -> dict[str, MissSeries]:
    """The misses that are known of any of the attempts."""
    told = [_told(row) for row in rows]
    found = {}
    for key in dict.fromkeys(key for each in told for key in each):
        parts = [each.get(key, {}) for each in told]
        values, sigmas = (tuple(math.nan if part.get(name) is None else float(part[name]) for part in parts) for name in ("value", "sigma"))
        if any(math.isfinite(value) for value in values):
            found[key] = MissSeries(values, sigmas, next((part["unit"] for part in parts if part.get("unit")), ""))
    return found


def _told(row: dict[str, Any] | None) -> dict[str, dict[str, Any]]:
    try:
        found = json.loads(row["miss"]) if row is not None else {}
    except ValueError:
        return {}  # an import may hold any text
    return {key: value for key, value in found.items() if isinstance(value, dict)} if isinstance(found, dict) else {}
