"""The tables and sentences of a comparison."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from analyser.findings import Estimate
from analyser.reporting.comparison import Comparison, Habit
from analyser.reporting.content import Table
from analyser.reporting.phrases import figure, plain_number
from analyser.reporting.sheets import inert
from analyser.reporting.tables import NOTHING

__all__ = ["comparison_csv", "comparison_tables", "comparison_words", "habit_sentences"]

SIDE_BY_SIDE = 4  # up to so many attempts stand in columns


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
        tables = [_attempts(comparison, short), _legs(comparison, short)]
    if len(comparison.attempts) > 1:
        tables.append(_trends(comparison))
    if comparison.habits:
        tables.append(_habit_table(comparison))
    return tuple(table for table in tables if table is not None)


def _bare(value: float, sigma: float, unit: str, short: bool) -> str:
    """A figure without its unit, which stands in the header."""
    if not math.isfinite(value):
        return NOTHING
    if short:
        return plain_number(value, 0 if abs(value) >= 100 else 1)
    return figure(Estimate.of(value, sigma, unit), like=1.0).removesuffix(f" {unit}")


def _names(comparison: Comparison) -> Table:
    rows = [(f"{item.id}", item.name, item.date or NOTHING, item.pilot or NOTHING) for item in comparison.attempts]
    return Table("Attempts", ("", "attempt", "date", "pilot"), tuple(rows))


def _side_by_side(comparison: Comparison, short: bool) -> Table:
    attempts = comparison.attempts
    rows = [] if short else [("date", *(item.date or NOTHING for item in attempts)), ("pilot", *(item.pilot or NOTHING for item in attempts))]

    def add(label: str, values: Sequence[float], sigmas: Sequence[float], unit: str) -> None:
        if any(math.isfinite(value) and value != 0 for value in values):
            rows.append((f"{label}, {unit}", *(_bare(v, s, unit, short) for v, s in zip(values, sigmas, strict=True))))

    for item in comparison.measures:
        add(item.label, item.values, item.sigmas, item.unit)
    for leg in comparison.legs:
        add(f"{leg.name}: spent", leg.spent, leg.spent_sigma, "m/s")
        add(f"{leg.name}: wasted", leg.waste, leg.waste_sigma, "m/s")
        if any(value > 0.5 for value in leg.still_needed):
            add(f"{leg.name}: missed the goal by", leg.still_needed, [math.nan] * len(attempts), "m/s")
    names = [item.name for item in attempts]
    heads = [f"{item.id}" if short else name if names.count(name) == 1 else f"{name} ({item.id})" for name, item in zip(names, attempts, strict=True)]
    return Table("Side by side", ("", *heads), tuple(rows), frozenset(range(1, len(heads) + 1)))


def _attempts(comparison: Comparison, short: bool) -> Table:
    keys = ("spent", "waste", "burn_loss", "placement_loss", "correction_loss", "propellant_left", "landing_speed")
    measures = [item for item in comparison.measures if item.key in keys]
    rows = []
    for index, item in enumerate(comparison.attempts):
        name = item.name if not short or len(item.name) <= 18 else item.name[:17] + "\u2026"
        rows.append((f"{item.id}", name, item.date or NOTHING, *(_bare(m.values[index], m.sigmas[index], m.unit, short) for m in measures)))
    heads = ("", "attempt", "date", *(f"{item.label.replace('delta-v ', '').replace(' loss', '') if short else item.label}, {item.unit}" for item in measures))
    return Table("Attempts", heads, tuple(rows), frozenset(range(3, len(heads))))


def _legs(comparison: Comparison, short: bool) -> Table | None:
    legs = [leg for leg in comparison.legs if any(math.isfinite(value) and value != 0 for value in leg.spent)]
    if not legs:
        return None
    rows = []
    for index, item in enumerate(comparison.attempts):
        rows.append((f"{item.id}", *(_bare(leg.spent[index], leg.spent_sigma[index], "m/s", short) for leg in legs)))
    rows.append(("planned", *(_bare(leg.planned, math.nan, "m/s", short) for leg in legs)))
    return Table("Delta-v spent by leg, m/s", ("", *(leg.name for leg in legs)), tuple(rows), frozenset(range(1, len(legs) + 1)))


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
        (_habit(habit), f"{habit.times} of {_flown(habit)}", figure(Estimate(habit.mean, unit="m/s")), habit.trend.sentence("m/s"))
        for habit in comparison.habits[:12]
    ]
    return Table("Habits, the dearest first", ("cause of waste", "in", "costs an attempt", "trend"), tuple(rows), frozenset({1, 2}))


def comparison_csv(comparison: Comparison) -> str:
    """One row an attempt, SI, for a spreadsheet; empty where unknown."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    heads = ["attempt", "revision", "name", "pilot", "date", "plan"]
    for item in comparison.measures:
        heads += [f"{item.key} [{item.unit}]", f"{item.key}_sigma [{item.unit}]"]
    for leg in comparison.legs:
        heads += [f"{leg.name} spent [m/s]", f"{leg.name} waste [m/s]"]
    writer.writerow([inert(head) for head in heads])
    for index, attempt in enumerate(comparison.attempts):
        row = [attempt.id, attempt.revision, *map(inert, (attempt.name, attempt.pilot, attempt.date, attempt.plan))]
        for item in comparison.measures:
            row += [_number(item.values[index]), _number(item.sigmas[index])]
        for leg in comparison.legs:
            row += [_number(leg.spent[index]), _number(leg.waste[index])]
        writer.writerow(row)
    return stream.getvalue()


def _number(value: float) -> str:
    return repr(float(value)) if math.isfinite(value) else ""
