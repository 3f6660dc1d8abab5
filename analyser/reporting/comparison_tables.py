"""The tables and sentences of a comparison."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from statistics import median

from analyser.findings import Estimate
from analyser.reporting.comparison import Comparison, Habit
from analyser.reporting.content import Table
from analyser.reporting.phrases import duration, figure, plain_number, unit_for
from analyser.reporting.sheets import inert
from analyser.reporting.tables import NOTHING

__all__ = ["comparison_csv", "comparison_tables", "comparison_words", "habit_sentences"]

SIDE_BY_SIDE = 4  # up to so many attempts stand in columns
#: Tables of more attempts than that: caption -> the figures in it.
_BY_ATTEMPT = {
    "Attempts": ("spent", "waste", "burn_loss", "placement_loss", "correction_loss"),
    "Attempts: misses, propellant, landing, time to the burn": ("missed", "waste_propellant", "propellant_left", "landing_speed", "reading_to_burn"),
}


def comparison_words(comparison: Comparison) -> tuple[str, ...]:
    """What the attempts say together, a paragraph a thought."""
    attempts = comparison.attempts
    plan = f"of {comparison.plan}" if comparison.plan else "without a plan"
    if len(attempts) == 1:
        first = f"One attempt {plan} is in the logbook; two are needed to compare."
    else:
        first = f"{len(attempts)} attempts {plan}"
        first += f", the last of {len(attempts) + comparison.earlier}." if comparison.earlier else "."
    lines = [first]
    waste = next((item for item in comparison.measures if item.key == "waste"), None)
    if waste is not None and len(attempts) > 1:
        lines.append(f"Delta-v wasted, in the middle {plain_number(waste.trend.median, 0)} m/s: {waste.trend.sentence('m/s')}.")
        others = [item for item in comparison.measures if item.key != "waste" and item.trend.told]
        for verdict in ("improved", "worsened"):
            names = [item.label for item in others if item.trend.verdict == verdict]
            lines += [f"{verdict[0].upper()}{verdict[1:]} as well: {', '.join(names)}."] if names else []
    lines += habit_sentences(comparison.habits, len(attempts))
    return tuple(lines)


def habit_sentences(habits: Sequence[Habit], attempts: int) -> list[str]:
    """Which habit costs most, which got better or worse."""
    lines = []
    again = [habit for habit in habits if habit.times >= 2]
    if again:
        worst = again[0]
        lines.append(
            f"The habit that costs most is {_habit(worst)}: {plain_number(worst.mean, 0)} m/s an attempt, in {worst.times} of {_flown(worst)}. "
            f"Of the last one: {worst.sentence}"
        )
    for verdict in ("improved", "worsened"):
        said = [f"{_habit(habit)} ({habit.trend.sentence('m/s').partition(': ')[2]})" for habit in habits if habit.trend.verdict == verdict]
        lines += [f"Habits that {verdict}: {'; '.join(said)}."] if said else []
    return lines


def _habit(habit: Habit) -> str:
    cause = habit.cause or "waste"
    return f"{cause} ({habit.leg})" if habit.leg and habit.leg != cause else cause


def _flown(habit: Habit) -> int:
    return sum(math.isfinite(cost) for cost in habit.costs)


def comparison_tables(comparison: Comparison, short: bool = False) -> tuple[Table, ...]:
    """Attempts, their legs, how the figures move, the habits; ``short`` leaves out the intervals, for a narrow terminal."""
    if len(comparison.attempts) <= SIDE_BY_SIDE:
        tables = [_names(comparison), _side_by_side(comparison, short)] if short else [_side_by_side(comparison, short)]
    else:
        tables = [_attempts(comparison, caption, keys, short) for caption, keys in _BY_ATTEMPT.items()]
        tables += [_legs(comparison, key, caption, short) for key, caption in (("spent", "Delta-v spent by leg, m/s"), ("waste", "Delta-v wasted by leg, m/s"))]
        tables.append(_legs(comparison, "still_needed", "Goals missed by, leg by leg, m/s", short, 0.5))
    if len(comparison.attempts) > 1:
        tables.append(_trends(comparison))
    if comparison.habits:
        tables.append(_habit_table(comparison))
    return tuple(table for table in tables if table is not None)


def _bare(value: float, sigma: float, unit: str, short: bool, like: float = 1.0) -> str:
    """A figure without its unit, which stands in the header: the one that a pilot says for the size ``like``."""
    if not math.isfinite(value):
        return NOTHING
    name, size = unit_for(unit, like)
    if short:
        shown = abs(value / size)
        return plain_number(value / size, 0 if shown >= 100 else 1 if shown >= 1 or unit not in ("", "1") else 4)
    return figure(Estimate.of(value, sigma, unit), like=like).removesuffix(f" {name}")


def _names(comparison: Comparison) -> Table:
    rows = [(f"{item.id}", item.name, item.date or NOTHING, item.pilot or NOTHING) for item in comparison.attempts]
    return Table("Attempts", ("", "attempt", "date", "pilot"), tuple(rows))


def _side_by_side(comparison: Comparison, short: bool) -> Table:
    """Figures of the whole flight, then leg by leg; between two attempts also by how much the second differs from the first."""
    attempts = comparison.attempts
    pair = len(attempts) == 2
    rows: list[tuple[str, ...]] = []

    def add(label: str, values: Sequence[float], sigmas: Sequence[float], unit: str, like: float = 1.0) -> None:
        if any(math.isfinite(value) and value != 0 for value in values):
            cells = [_bare(value, sigma, unit, short, like) for value, sigma in zip(values, sigmas, strict=True)]
            rows.append((", ".join((label, *filter(None, unit_for(unit, like)[:1]))), *cells, *([_difference(values, sigmas, unit, like)] if pair else [])))

    def say(label: str, cells: Sequence[str]) -> None:
        if any(cell != NOTHING for cell in cells):
            rows.append((label, *cells, *([""] if pair else [])))

    if not short:
        say("date", [item.date or NOTHING for item in attempts])
        say("pilot", [item.pilot or NOTHING for item in attempts])
    for item in comparison.measures:
        add(item.label, item.values, item.sigmas, item.unit)
    for key, label in (("touchdown_vertical_speed", "touchdown: upwards"), ("touchdown_horizontal_speed", "touchdown: sideways")):
        add(label, *zip(*(item.figures[key] for item in attempts), strict=True), "m/s")
    say("flight time", [duration(item.duration) if math.isfinite(item.duration) else NOTHING for item in attempts])
    for leg in comparison.legs:
        for key, label in _LEG_ROWS:
            add(f"{leg.name}: {label}", getattr(leg, key), getattr(leg, f"{key}_sigma"), "m/s")
        if any(value > 0.5 for value in leg.still_needed):
            add(f"{leg.name}: missed the goal by", leg.still_needed, leg.still_needed_sigma, "m/s")
        for key, miss in leg.misses.items():
            largest = max(abs(value) for value in miss.values if math.isfinite(value))
            add(f"{leg.name}: {key.replace('_', ' ')} off by", miss.values, miss.sigmas, miss.unit, largest)
        say(f"{leg.name}: took", [duration(seconds) if math.isfinite(seconds) else NOTHING for seconds in leg.duration])
    names = [item.name for item in attempts]
    heads = [f"{item.id}" if short else name if names.count(name) == 1 else f"{name} ({item.id})" for name, item in zip(names, attempts, strict=True)]
    heads += ["difference"] if pair else []
    notes = ("The difference is the second less the first; it stands where the two can be told apart.",) if pair else ()
    return Table("Side by side", ("", *heads), tuple(rows), frozenset(range(1, len(heads) + 1)), notes)


_LEG_ROWS = (
    ("spent", "spent"), ("waste", "wasted"), ("burn_loss", "burn loss"), ("placement_loss", "placement loss"), ("correction_loss", "correction loss"),
)  # fmt: skip


def _difference(values: Sequence[float], sigmas: Sequence[float], unit: str, like: float) -> str:
    """Second less first; nothing where their errors leave no difference to tell."""
    change = values[1] - values[0]
    sigma = math.hypot(*(spread if math.isfinite(spread) else 0.0 for spread in sigmas))
    if not math.isfinite(change) or abs(change) <= 1.96 * sigma or change == 0:
        return NOTHING
    return figure(Estimate.of(change, sigma, unit), sign=True, like=like).removesuffix(f" {unit_for(unit, like)[0]}")


def _attempts(comparison: Comparison, caption: str, keys: Sequence[str], short: bool) -> Table | None:
    """Some figures of the whole flight, attempt by attempt; no table where none of them is known."""
    measures = [item for item in comparison.measures if item.key in keys]
    if not measures:
        return None
    rows = []
    for index, item in enumerate(comparison.attempts):
        name = item.name if not short or len(item.name) <= 18 else item.name[:17] + "\u2026"
        day = item.date if short else item.date.replace("-", "\u2011")  # a date is not broken
        rows.append((f"{item.id}", name, day or NOTHING, *(_bare(m.values[index], m.sigmas[index], m.unit, short) for m in measures)))
    heads = ("", "attempt", "date", *(f"{item.label.replace('delta-v ', '').replace(' loss', '') if short else item.label}, {item.unit}" for item in measures))
    return Table(caption, heads, tuple(rows), frozenset(range(3, len(heads))))


def _legs(comparison: Comparison, key: str, caption: str, short: bool, least: float = 0.0) -> Table | None:
    """A figure of every leg, attempt by attempt; no table where it is nowhere above ``least``."""
    legs = [leg for leg in comparison.legs if any(math.isfinite(value) and value != 0 for value in leg.spent)]
    if not any(abs(value) > least for leg in legs for value in getattr(leg, key) if math.isfinite(value)):
        return None
    rows = []
    for index, item in enumerate(comparison.attempts):
        rows.append((f"{item.id}", *(_bare(getattr(leg, key)[index], getattr(leg, f"{key}_sigma")[index], "m/s", short) for leg in legs)))
    rows.append(("median", *(_bare(_middle(getattr(leg, key)), math.nan, "m/s", short) for leg in legs)))
    if key == "spent":
        rows.append(("planned", *(_bare(leg.planned, math.nan, "m/s", short) for leg in legs)))
    return Table(caption, ("", *(leg.name for leg in legs)), tuple(rows), frozenset(range(1, len(legs) + 1)))


def _middle(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return median(known) if known else math.nan


def _trends(comparison: Comparison) -> Table:
    rows = []
    for item in comparison.measures:
        known = [value for value in item.values if math.isfinite(value)]
        rows.append(
            (
                item.label, figure(Estimate(item.trend.median, unit=item.unit)), figure(Estimate(min(known), unit=item.unit)),
                figure(Estimate(max(known), unit=item.unit)), item.trend.sentence(item.unit),
                f"{item.trend.tau:.2f}".replace("-", "\u2212") if math.isfinite(item.trend.tau) else NOTHING,
            )
        )  # fmt: skip
    return Table(
        "The figures over time", ("figure", "median", "least", "most", "trend", "Kendall's tau"), tuple(rows), frozenset({1, 2, 3, 5}),
        (
            "A trend is told only where chance alone would hardly look like it (improved: 3 %, worsened: 2 %, all figures but the first taken "
            "together). Its slope is Theil and Sen's, with its 95 % interval.",
        ),
    )  # fmt: skip


def _habit_table(comparison: Comparison) -> Table:
    rows = [
        (
            _habit(habit), f"{habit.times} of {_flown(habit)}", _bare(habit.mean, math.nan, "m/s", True), _bare(habit.median, math.nan, "m/s", True),
            habit.trend.sentence("m/s"),
        )
        for habit in comparison.habits[:12]
    ]  # fmt: skip
    heads = ("cause of waste", "in", "an attempt, m/s", "when it comes, m/s", "trend")
    note = "What a habit costs an attempt is the mean over all attempts at its leg; what it costs when it comes is the median of those that had it."
    return Table("Habits, the dearest first", heads, tuple(rows), frozenset({1, 2, 3}), (note,))


_LEG_CELLS = (
    ("spent", "m/s"), ("waste", "m/s"), ("needed", "m/s"), ("burn_loss", "m/s"), ("placement_loss", "m/s"), ("correction_loss", "m/s"),
    ("still_needed", "m/s"), ("duration", "s"),
)  # fmt: skip


def comparison_csv(comparison: Comparison) -> str:
    """One row an attempt, SI, for a spreadsheet; empty where unknown."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    heads = ["attempt", "revision", "name", "pilot", "date", "plan"]
    for item in comparison.measures:
        heads += [f"{item.key} [{item.unit}]", f"{item.key}_sigma [{item.unit}]"]
    for leg in comparison.legs:
        heads += [f"{leg.name} {key} [{unit}]" for key, unit in _LEG_CELLS]
        heads += [f"{leg.name} miss {key} [{miss.unit}]" for key, miss in leg.misses.items()]
    writer.writerow([inert(head) for head in heads])
    for index, attempt in enumerate(comparison.attempts):
        row = [attempt.id, attempt.revision, *map(inert, (attempt.name, attempt.pilot, attempt.date, attempt.plan))]
        for item in comparison.measures:
            row += [_number(item.values[index]), _number(item.sigmas[index])]
        for leg in comparison.legs:
            row += [_number(getattr(leg, key)[index]) for key, _ in _LEG_CELLS]
            row += [_number(miss.values[index]) for miss in leg.misses.values()]
        writer.writerow(row)
    return stream.getvalue()


def _number(value: float) -> str:
    return repr(float(value)) if math.isfinite(value) else ""
