"""Attempts side by side and over time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any, Protocol

from analyser.attempts import Attempt
from analyser.errors import InputError
from analyser.reporting.comparison_legs import LegSeries, leg_series
from analyser.reporting.trends import Trend, holm, trend

__all__ = ["Comparison", "Habit", "LegSeries", "Measure", "compare"]

#: figure -> (what it is called, SI unit, which way is better). The first is the headline.
MEASURES = {
    "waste": ("delta-v wasted", "m/s", "lower"),
    "spent": ("delta-v spent", "m/s", "lower"),
    "burn_loss": ("burn loss", "m/s", "lower"),
    "placement_loss": ("placement loss", "m/s", "lower"),
    "correction_loss": ("correction loss", "m/s", "lower"),
    "missed": ("missed the goals by", "m/s", "lower"),
    "waste_propellant": ("propellant wasted", "kg", "lower"),
    "propellant_left": ("propellant left", "kg", "higher"),
    "landing_speed": ("landing speed", "m/s", "lower"),
    "reading_to_burn": ("last reading to burn", "s", "lower"),
}
RECENT = 30  # attempts that a comparison looks back over, where the caller names no number
MOST = 1000


class Logbook(Protocol):
    """Where attempts come from."""

    path: Any

    def attempts(self, **which: Any) -> Sequence[Attempt]: ...

    def count(self, **which: Any) -> int: ...

    def plans(self) -> Sequence[tuple[str, int, str]]: ...


@dataclass(frozen=True)
class Measure:
    """One figure over the attempts: ``values`` and ``sigmas`` in SI, nan where unknown."""

    key: str
    label: str
    unit: str
    values: tuple[float, ...]
    sigmas: tuple[float, ...]
    trend: Trend


@dataclass(frozen=True)
class Habit:
    """A cause of waste that comes again: what it cost in each attempt in which its leg was flown (0: not at all), m/s.

    ``mean`` is over all of them, which is what it costs; ``median`` over those that had it, which is what it costs when it comes.
    """

    leg: str
    cause: str
    costs: tuple[float, ...]
    times: int
    mean: float
    median: float
    sentence: str  # what to do otherwise, from the latest attempt that had it
    trend: Trend


@dataclass(frozen=True)
class Comparison:
    """Attempts of one plan in order of time, and what they say together."""

    plan: str
    attempts: tuple[Attempt, ...]
    earlier: int  # attempts of the plan before those looked at
    measures: tuple[Measure, ...]
    legs: tuple[LegSeries, ...]
    habits: tuple[Habit, ...]  # dearest first
    remarks: tuple[str, ...]

    def measure(self, key: str) -> Measure:
        """The measure called ``key``."""
        return next(item for item in self.measures if item.key == key)


def compare(
    logbook: Logbook, names: Iterable[str] | None = None, plan: str | None = None, pilot: str | None = None, last: int | None = None
) -> Comparison:
    """Compare attempts.

    Parameters
    ----------
    logbook : Logbook
    names : iterable of str, optional
        Only attempts so called (or whose folder is); they may be of different plans.
    plan, pilot : str, optional
        Only those; without ``names`` and ``plan``, those of the plan flown last.
    last : int, optional
        How many attempts to look back over: 30 if not given (all that are named if ``names`` are), at most 1000.

    Raises
    ------
    InputError
        The logbook has no such attempt; the message lists what it has.
    """
    wanted = None if names is None else list(names)
    remarks: list[str] = []
    if wanted is None and plan is None:
        plans = logbook.plans()
        if plans:
            plan = plans[0][0]
            others = [f"{name or 'no plan'} ({count})" for name, count, _ in plans[1:]]
            if others:
                remarks.append(f"other plans in the logbook: {', '.join(others[:6])}")
    look = last if last is not None else (MOST if wanted is not None else RECENT)
    if look > MOST:
        remarks.append(f"a comparison looks back over {MOST} attempts at most")
    look = min(max(look, 1), MOST)
    found = logbook.attempts(plan=plan, pilot=pilot, names=wanted, limit=look)
    if not found:
        raise InputError(_nothing(logbook, wanted, plan, pilot), logbook.path)
    if wanted is not None:
        missing = [name for name in wanted if not any(name in (item.name, item.folder, item.folder.rsplit("/", 1)[-1]) for item in found)]
        if missing:
            raise InputError(_nothing(logbook, missing, plan, pilot), logbook.path)
        if len({item.plan for item in found}) > 1:
            remarks.append("these attempts are of different plans: what they cost can't be held against each other leg by leg")
    earlier = logbook.count(plan=plan, pilot=pilot, names=wanted) - len(found)
    return _comparison(tuple(found), earlier, plan or found[-1].plan, remarks)


def _nothing(logbook: Logbook, names: list[str] | None, plan: str | None, pilot: str | None) -> str:
    what = f"called {', '.join(names)}" if names else " ".join(part for part in (f"of plan {plan}" if plan else "", f"by {pilot}" if pilot else "") if part)
    there = sorted({item.name for item in logbook.attempts(limit=200, brief=True)})
    known = f"it has: {', '.join(there[:12])}{', ...' if len(there) > 12 else ''}" if there else "it is empty: `analyser debrief FLIGHT` records an attempt"
    return f"the logbook has no attempt {what}".rstrip() + f"; {known}"


def _comparison(attempts: tuple[Attempt, ...], earlier: int, plan: str, remarks: list[str]) -> Comparison:
    measures = tuple(_measure(key, attempts) for key in MEASURES)
    # The headline is one question, asked by itself; the others are many at once, and held to a stricter level together.
    rest = holm([item.trend for item in measures[1:]])
    measures = (measures[0], *(replace(item, trend=told) for item, told in zip(measures[1:], rest, strict=True)))
    measures = tuple(item for item in measures if item.trend.count)
    return Comparison(plan, attempts, earlier, measures, leg_series(attempts), _habits(attempts), tuple(remarks))


def _measure(key: str, attempts: Sequence[Attempt]) -> Measure:
    label, unit, better = MEASURES[key]
    if key in _COMPUTED:
        pairs = [_COMPUTED[key](item) for item in attempts]
    else:
        pairs = [item.figures[key] for item in attempts]
    values, sigmas = tuple(value for value, _ in pairs), tuple(sigma for _, sigma in pairs)
    return Measure(key, label, unit, values, sigmas, trend(values, better))


def _landing_speed(item: Attempt) -> tuple[float, float]:
    """Speed over the ground at touchdown; the vertical one alone where the other is not known."""
    down, down_sigma = item.figures["touchdown_vertical_speed"]
    across, across_sigma = item.figures["touchdown_horizontal_speed"]
    if not math.isfinite(across) or across == 0:
        return abs(down), down_sigma
    speed = math.hypot(down, across)
    if speed == 0:
        return 0.0, down_sigma
    spread = math.hypot(down * down_sigma, across * (across_sigma if math.isfinite(across_sigma) else 0.0)) / speed
    return speed, spread


def _missed(item: Attempt) -> tuple[float, float]:
    """Delta-v from the orbits flown to the goals, over the legs flown."""
    legs = [leg for leg in item.legs if leg["flown"]]
    if not legs or any(leg["still_needed"] is None for leg in legs):
        return math.nan, math.nan
    return math.fsum(leg["still_needed"] for leg in legs), math.sqrt(math.fsum((leg["still_needed_sigma"] or 0.0) ** 2 for leg in legs))


_COMPUTED = {"landing_speed": _landing_speed, "missed": _missed}


def _habits(attempts: Sequence[Attempt]) -> tuple[Habit, ...]:
    keys: dict[tuple[str, str], str] = {}
    for item in attempts:
        for habit in item.habits:
            keys[habit["leg"], habit["cause"]] = habit["sentence"]
    found = []
    for (leg, cause), sentence in keys.items():
        costs = []
        for item in attempts:
            here = [habit["cost"] for habit in item.habits if (habit["leg"], habit["cause"]) == (leg, cause) and habit["cost"] is not None]
            flown = not leg or any(row["name"] == leg and row["flown"] for row in item.legs)
            costs.append(math.fsum(here) if here else 0.0 if flown else math.nan)
        known = [cost for cost in costs if math.isfinite(cost)]
        if known:
            times = sum(cost > 0 for cost in known)
            middle = median([cost for cost in known if cost > 0] or [0.0])
            found.append(Habit(leg, cause, tuple(costs), times, math.fsum(known) / len(known), middle, sentence, trend(costs)))
    trends = holm([habit.trend for habit in found])
    found = [replace(habit, trend=told) for habit, told in zip(found, trends, strict=True)]
    return tuple(sorted(found, key=lambda habit: (-habit.mean, habit.leg, habit.cause)))


def to_dict(comparison: Comparison) -> dict[str, Any]:
    """Plain data, SI, nan as null."""
    from analyser.findings import plain

    attempts = [
        {
            "id": item.id, "revision": item.revision, "name": item.name, "pilot": item.pilot, "date": item.date, "folder": item.folder,
            "plan": item.plan, "analyser_version": item.analyser_version, "recorded": item.recorded,
        }
        for item in comparison.attempts
    ]  # fmt: skip
    return {
        "version": 1, "plan": comparison.plan, "earlier": comparison.earlier, "attempts": attempts, "measures": plain(comparison.measures),
        "legs": plain(comparison.legs), "habits": plain(comparison.habits), "remarks": list(comparison.remarks),
    }  # fmt: skip
