"""How a gauge writes, learnt from what is certain in a flight, for what is not: one that has shown whole numbers thirteen times shows 54 rather than 5.4.

Five habits count, each apart: how many decimals follow the figures (of each unit), whether a plus stands before what is above nought, whether noughts stand before the
first figure, whether a clock shows days and a sign. A habit of n readings is believed as far as n goes (Laplace's rule of succession, with half a reading for what
was never seen).
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest.consistency import DAY
from analyser.ingest.settling import settled

if TYPE_CHECKING:
    from analyser.ingest.readout import Candidate
    from analyser.ingest.screenshots import Value

MINUTE = 60.0  # s; of times within the first minute none is likelier
NEVER = 0.5  # what a habit that was never seen counts
LIKELY, LEAST = 0.9, 0.1  # probability from which a clock that is not certain tells a habit where few are, and what such a habit leaves of another way at least
MIN_READINGS = 4  # certain readings of a gauge from which its habits are known


def weigh_formats(values: Sequence["Value"]) -> list["Value"]:
    """Values after their gauges' habits were asked; read or recovered where one candidate is sure now."""
    values = list(values)
    shows = [value for value in values if value.gauge.kind == "readout" and value.column not in TEXTS and value.reading.best]
    certain = _habits(value for value in shows if value.status == "read")
    likely = _habits(value for value in shows if value.column == "met" and (value.status == "read" or value.reading.best.probability >= LIKELY))
    weighed = {}
    for value in shows:
        if value.status == "doubtful" and len(value.reading.candidates) > 1:
            known = sum(certain[value.gauge.name]["decimals"].values()) if value.column == "met" else MIN_READINGS
            weighed[id(value)] = _weighed(value, certain[value.gauge.name], 0.0) if known >= MIN_READINGS else _weighed(value, likely[value.gauge.name], LEAST)
    return [weighed.get(id(value), value) for value in values]


def _habits(values: Iterable["Value"]) -> dict[str, dict[Hashable, Counter]]:
    """How often each gauge has each habit which way."""
    habits: dict[str, dict[Hashable, Counter]] = defaultdict(lambda: defaultdict(Counter))
    for value in values:
        for habit, way in habits_of(value.reading.best, value.column):
            habits[value.gauge.name][habit][way] += 1
    return habits


def habits_of(shown: "Candidate", column: str) -> Iterator[tuple[Hashable, Hashable]]:
    """(habit, how this text has it), for each habit that the text tells of."""
    figures = re.sub(r"^\D*", "", shown.text)
    if column == "met":
        if shown.unit != "d" or abs(shown.value) >= DAY:  # no days are none, shown or not
            yield "days", shown.unit == "d"
        yield "decimals", shown.decimals
        yield "sign", bool(re.match(r"\D*[+-]", shown.text))
        return
    yield ("decimals", shown.unit), shown.decimals
    yield "noughts", bool(re.match(r"0\d", figures))
    if shown.value > 0:
        yield "plus", "+" in shown.text


def _weighed(value: "Value", habits: dict[Hashable, Counter], least: float) -> "Value":
    first = value.reading.best
    weights = [each.probability * max(_likely(each, value.column, habits) * _sooner(first, each, value.column), least) for each in value.reading.candidates]
    told = sum(each.probability for each in value.reading.candidates)
    if not sum(weights):
        return value
    candidates = sorted(
        (replace(each, probability=weight * told / sum(weights)) for each, weight in zip(value.reading.candidates, weights)), key=lambda each: -each.probability
    )
    return settled(value, tuple(candidates), "it is written as this gauge writes" + (", and shows the earlier time" if value.column == "met" else ""))


def _sooner(first: "Candidate", other: "Candidate", column: str) -> float:
    """How likely a clock shows a later time than the likeliest, against it, before anything is seen: any size of a flight's length is as likely (the density of a
    length t goes by 1 / t: Jeffreys 1946), so that 0 days are likelier than 8 of them. The networks were trained on days of all numbers alike."""
    if column != "met":
        return 1.0
    return min(1.0, max(LEAST, max(abs(first.value), MINUTE) / max(abs(other.value), MINUTE)))


def _likely(shown: "Candidate", column: str, habits: dict[Hashable, Counter]) -> float:
    """How likely the gauge's habits make this text, against what they make likeliest."""
    product = 1.0
    for habit, way in habits_of(shown, column):
        counts = habits.get(habit, Counter())
        if sum(counts.values()) >= MIN_READINGS:
            product *= (counts[way] + NEVER) / (max(counts.values()) + NEVER)
    return product
