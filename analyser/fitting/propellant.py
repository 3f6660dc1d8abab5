"""The propellant gauge over a flight: which stage, how much is left, what each stretch has spent.

The gauge is believed only as far as propellant can behave: within one stage it never rises. Readings that
break that (a lost decimal point, swapped digits) are set aside here, before any burn is reckoned from them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyser.flight import Craft, Stage


@dataclass(frozen=True)
class Spent:
    """What a stretch of the flight has spent: kg and, by the rocket equation, m/s, each with its sigma.

    ``mass_before`` and ``mass_after`` in kg; nan where the craft's masses are unknown. ``reason`` says why a
    value is nan.
    """

    propellant: float
    propellant_sigma: float
    delta_v: float
    delta_v_sigma: float
    mass_before: float = math.nan
    mass_after: float = math.nan
    stages: tuple[int, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class PropellantHistory:
    """Propellant and stage at each row of the readings.

    Attributes
    ----------
    craft : Craft or None
    propellant, sigma : array (n,)
        kg; nan where there is no (believed) reading.
    stage : array (n,) of int
        Index of the firing stage; -1 where unknown.
    set_aside : tuple of int
        Rows whose propellant reading was not believed.
    stagings : tuple of (row before, row after, stage left, stage taken)
    """

    craft: Craft | None
    propellant: np.ndarray
    sigma: np.ndarray
    stage: np.ndarray
    set_aside: tuple[int, ...]
    stagings: tuple[tuple[int, int, int, int], ...]

    def known(self, rows) -> list[int]:
        """Those of ``rows`` that have a believed propellant reading."""
        places = np.asarray(rows, dtype=int)
        return places[np.isfinite(self.propellant[places])].tolist()

    def fell(self, before: int, after: int) -> float:
        """How far propellant fell between two rows, in sigmas (nan where one is not read; inf on staging)."""
        if not (math.isfinite(self.propellant[before]) and math.isfinite(self.propellant[after])):
            return math.nan
        if self.stage[before] != self.stage[after]:
            return math.inf
        spread = math.hypot(self.sigma[before], self.sigma[after])
        return (self.propellant[before] - self.propellant[after]) / max(spread, 1e-12)

    def suggestion(self, row: int, value: float) -> str:
        """What a reading that was set aside would have had to be, by the readings next to it."""
        before = next((k for k in range(row - 1, -1, -1) if math.isfinite(self.propellant[k])), None)
        after = next((k for k in range(row + 1, len(self.propellant)) if math.isfinite(self.propellant[k])), None)
        if before is None or after is None or self.stage[before] != self.stage[after]:
            return ""
        high, low = self.propellant[before], self.propellant[after]
        return f"between {low:g} and {high:g} kg fits" if high - low > 1e-9 else f"{high:g} kg fits"

    def stayed(self, row: int) -> bool:
        """Whether the readings on either side of a row (or in it) say that nothing was burnt around it."""
        believed = np.isfinite(self.propellant)
        before, after = np.flatnonzero(believed[: row + 1]), np.flatnonzero(believed[row:])
        if not len(before) or not len(after):
            return False
        first, second = int(before[-1]), row + int(after[0])
        if first == second:  # read in the row itself: it must hold on both sides
            outer = np.flatnonzero(believed[row + 1 :])
            inner = before[:-1]
            if not len(outer) or not len(inner):
                return False
            first, second = int(inner[-1]), row + 1 + int(outer[0])
        return bool(self.fell(first, second) < 3.5)

    def mass(self, row: int) -> float:
        """Mass of the craft at a row with a propellant reading, kg; nan where unknown."""
        if self.craft is None or self.stage[row] < 0 or not math.isfinite(self.propellant[row]):
            return math.nan
        return self.craft.mass(int(self.stage[row]), float(self.propellant[row]))

    def firing(self, row: int) -> Stage | None:
        """The stage that fires at a row, or None where unknown."""
        if self.craft is None or not self.craft.stages or self.stage[row] < 0:
            return None
        return self.craft.stages[int(self.stage[row])]

    def spent(self, before: int, after: int) -> Spent:
        """What was spent between two rows that both have a propellant reading, through stagings.

        A stage that was dropped in between is taken to have been burnt dry where the gauge does not tell.
        """
        used, variance, delta_v, delta_v_variance = 0.0, 0.0, 0.0, 0.0
        stages = tuple(range(int(self.stage[before]), int(self.stage[after]) + 1))
        reason = ""
        for stage in stages:
            start, start_sigma = self._edge(stage, before, first=True)
            end, end_sigma = self._edge(stage, after, first=False)
            used += start - end
            variance += start_sigma**2 + end_sigma**2
            speed, speed_variance, why = self._rocket(stage, start, start_sigma, end, end_sigma)
            delta_v, delta_v_variance, reason = delta_v + speed, delta_v_variance + speed_variance, reason or why
        return Spent(
            used, math.sqrt(variance), delta_v, math.sqrt(delta_v_variance),
            self.mass(before), self.mass(after), stages, reason,
        )  # fmt: skip

    def _edge(self, stage: int, row: int, first: bool) -> tuple[float, float]:
        """Propellant of ``stage`` at the start or end of a stretch whose edge is ``row``."""
        if self.stage[row] == stage:
            return float(self.propellant[row]), float(self.sigma[row])
        if not first:  # the stage was dropped before the stretch's end: its last reading if taken near empty, else dry
            return 0.0, 0.0
        return (float(self.craft.stages[stage].propellant), 0.0) if self.craft else (math.nan, math.nan)

    def _rocket(self, stage: int, start: float, start_sigma: float, end: float, end_sigma: float):
        if self.craft is None or not self.craft.stages or stage < 0:
            return math.nan, math.nan, "no craft file: propellant can't be turned into speed"
        mass_start, mass_end = self.craft.mass(stage, start), self.craft.mass(stage, end)
        exhaust = self.craft.stages[stage].exhaust_speed
        if not math.isfinite(exhaust):
            return math.nan, math.nan, f"stage '{self.craft.stages[stage].name}' has no specific impulse in the craft file"
        if not (math.isfinite(mass_start) and math.isfinite(mass_end)):
            return math.nan, math.nan, "the craft file leaves a mass out: propellant can't be turned into speed"
        speed = exhaust * math.log(mass_start / mass_end)
        return speed, (exhaust * start_sigma / mass_start) ** 2 + (exhaust * end_sigma / mass_end) ** 2, ""


def propellant_history(table: pd.DataFrame, craft: Craft | None) -> PropellantHistory:
    """Sort the propellant readings of a flight out.

    Parameters
    ----------
    table : DataFrame
        Readings.table: columns ``propellant``, ``propellant_sigma`` (kg) and ``stage`` are used where present.
    craft : Craft or None
    """
    count = len(table)
    value = _column(table, "propellant", count)
    sigma = _column(table, "propellant_sigma", count)
    if craft is not None and "propellant_fraction" in table:
        value, sigma = _from_fraction(table, craft, value, sigma)
    stage = _stages(table, craft, value, sigma)
    set_aside: list[int] = []
    for index in sorted(set(stage.tolist())):
        rows = np.flatnonzero((stage == index) & np.isfinite(value))
        load = craft.stages[index].propellant if craft and 0 <= index < len(craft.stages) else math.nan
        too_much = [int(row) for row in rows if value[row] > load * (1 + 1e-9) + 3 * sigma[row]]
        rows = np.array([row for row in rows if row not in set(too_much)], dtype=int)
        kept = _longest_falling(value[rows], sigma[rows])
        set_aside += too_much + [int(row) for position, row in enumerate(rows) if position not in kept]
    value = value.copy()
    value[set_aside] = np.nan
    changes = [
        (int(row), int(row) + 1, int(stage[row]), int(stage[row + 1]))
        for row in np.flatnonzero(np.diff(stage) != 0)
        if stage[row] >= 0 and stage[row + 1] >= 0
    ]
    return PropellantHistory(craft, value, sigma, stage, tuple(sorted(set_aside)), tuple(changes))


def _column(table: pd.DataFrame, name: str, count: int) -> np.ndarray:
    return table[name].to_numpy(float).copy() if name in table else np.full(count, np.nan)


def _from_fraction(table, craft, value, sigma):
    """Percent of the stage's load into kg where the load is known and kg was not read."""
    fraction, spread = _column(table, "propellant_fraction", len(table)), _column(table, "propellant_fraction_sigma", len(table))
    names = table["stage"] if "stage" in table else None
    load = np.full(len(table), craft.stages[0].propellant if craft.stages else np.nan)
    if names is not None:
        current = 0
        for position, name in enumerate(names):
            found = craft.stage_index(str(name)) if str(name or "").strip() else None
            current = current if found is None else found
            load[position] = craft.stages[current].propellant
    take = ~np.isfinite(value) & np.isfinite(fraction)
    return np.where(take, fraction * load, value), np.where(take, spread * load, sigma)


def _stages(table: pd.DataFrame, craft: Craft | None, value: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Which stage fires at each row: as typed, else counted by staging events and rises of the gauge."""
    count = len(table)
    if craft is None or not craft.stages:
        return np.zeros(count, dtype=int)
    loads = [stage.propellant for stage in craft.stages]
    first = next((v for v in value if math.isfinite(v)), math.nan)
    fits = [index for index, load in enumerate(loads) if not first > load * 1.001]
    current = fits[0] if fits else 0
    stage = np.empty(count, dtype=int)
    names = table["stage"].to_numpy(object) if "stage" in table else [""] * count
    events = table["event"].to_numpy(object) if "event" in table else [""] * count
    typed = any(str(name or "").strip() for name in names)
    if not typed and not any(events) and (current + 1 == len(loads) or not _rises(value, sigma).any()):
        return np.full(count, current)
    last = math.nan
    for row in range(count):
        named = craft.stage_index(str(names[row])) if str(names[row] or "").strip() else None
        if named is not None:
            current = named
        elif "staging" in str(events[row] or "") and current + 1 < len(loads):
            current += 1
        elif not typed and math.isfinite(value[row]):
            later = [v for v in value[row + 1 : row + 4] if math.isfinite(v)]
            rises = value[row] > last + 5 * sigma[row] and len(later) > 0 and min(later) > last + 5 * sigma[row]
            if rises and current + 1 < len(loads) and value[row] <= loads[current + 1] * 1.001:
                current += 1
        if math.isfinite(value[row]):
            last = value[row]
        stage[row] = current
    return stage


def _rises(value: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Which readings lie above the one read before them by more than the digits."""
    read = np.flatnonzero(np.isfinite(value))
    return np.diff(value[read]) > 5 * sigma[read[1:]]


def _longest_falling(value: np.ndarray, sigma: np.ndarray) -> set[int]:
    """Positions of the longest run of readings that never rises (within the digits).

    Among equally long ones the earlier readings win. O(n log n) would be possible; n^2 on blocks of equal
    values is avoided by comparing only with the best of each length (patience sorting).
    """
    from bisect import bisect_right

    if (np.diff(value) <= 0).all():
        return set(range(len(value)))
    tails: list[float] = []  # smallest negated value that ends a falling run of each length
    owners: list[int] = []
    previous: list[int] = []
    for position, (reading, spread) in enumerate(zip(-value, sigma)):
        slot = bisect_right(tails, reading + 2.5 * spread)
        previous.append(owners[slot - 1] if slot else -1)
        if slot == len(tails):
            tails.append(reading)
            owners.append(position)
        elif reading < tails[slot]:
            tails[slot], owners[slot] = reading, position
        # a reading within the digits of the run's end must not let the run drift upwards
        if slot and tails[slot] < tails[slot - 1]:
            tails[slot] = tails[slot - 1]
    kept: set[int] = set()
    position = owners[-1] if owners else -1
    while position >= 0:
        kept.add(position)
        position = previous[position]
    return kept
