"""Weighs the candidates of all read-outs of a flight against what comes before and after.

A look at one screenshot gives candidates with probabilities. Here each is multiplied by how well it continues the
readings that are certain: clocks run forward, propellant falls, altitude changes as the vertical speed says. What
motion can do at worst (a burn, a new body under the altimeter) stays possible, so a clear look outweighs a surprise; a
poor look needs support. A value that only this makes certain keeps its raw text and says so; one that it changes is
``recovered``.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest.neighbours import LEAST_KNOWN, MOST_SUPPORT, Expectation, expected, tracks_of
from analyser.ingest.readout import ACCEPT
from analyser.ingest.restarts import longest_rising
from analyser.ingest.settling import shown_sigma
from analyser.ingest.unit_rates import weigh_units

if TYPE_CHECKING:
    from analyser.ingest.screenshots import Value

#: ``motion(column, time, known)`` -> (value, sigma) or None; ``known``: column -> list of (time, value). SI.
Motion = Callable[[str, float, dict[str, list[tuple[float, float]]]], tuple[float, float] | None]

LIKELY = 0.9  # probability from which readings that are not certain bear each other out, where too few are certain
LIKELY_SUPPORT = 10.0  # by no more than this: a font may be misread in the same way every time
LIKELY_CLOCK, LIKELY_ORDER = 0.5, 2.0  # probability from which a clock that is not certain tells the order, and how much likelier it makes another at most
KEEP = 0.98  # probability, neighbours weighed, that a value which was sure by itself must keep
LEAST_LOOK = 0.02  # a candidate must have this probability by itself to be recovered
IN_ORDER, IN_ORDER_OF_MANY, MANY = 0.8, 0.7, 8  # share of screenshots in the order of their clocks that makes the order of the files count; of so many, less does


def decode(values: Sequence["Value"], motion: Motion | None = None) -> list["Value"]:
    """Values of a flight after they were weighed against each other; same order.

    Parameters
    ----------
    values : sequence of Value
    motion : callable, optional
        Says what a quantity should be at a time, given what is certain; where it knows nothing, neighbours serve.
    """
    values = list(values)
    _clocks(values)
    times = {value.row: value.value for value in values if value.column == "met" and _certain(value)}
    values = weigh_units(values, times)
    leaning: set[int] = set()  # certain only by readings that are not: no witnesses for others
    for _ in range(2):
        known = _known([value for index, value in enumerate(values) if index not in leaning], times)
        tracks, likely = tracks_of(known), tracks_of(_known(values, times, likely=True))
        for gauge in {value.gauge.name for value in values if value.gauge.kind == "readout" and value.column not in ("met", *TEXTS)}:
            for index, value in enumerate(values):
                if value.gauge.name == gauge and value.row in times:
                    values[index], leans = _weigh(value, times[value.row], known, tracks, likely, motion)
                    if leans and _certain(values[index]):
                        leaning.add(index)
    return _disagreements(values)


def _certain(value: "Value") -> bool:
    return value.status in ("read", "recovered") and not math.isnan(value.value)


def _known(values, times, likely: bool = False) -> dict[str, list[tuple[float, float]]]:
    """Certain readings by column, (time, value) in order of time; ``likely``: those that are rather sure as well."""
    known: dict[str, list] = {}
    for value in values:
        if value.column not in ("met", *TEXTS) and value.row in times:
            if _certain(value):
                known.setdefault(value.column, []).append((times[value.row], value.value))
            elif likely and value.reading.best and value.reading.best.probability >= LIKELY:
                known.setdefault(value.column, []).append((times[value.row], value.reading.best.value))
    return {column: sorted(pairs) for column, pairs in known.items()}


def _weigh(value: "Value", time: float, known, tracks, likely, motion: Motion | None) -> tuple["Value", bool]:
    """The value after it was held against the others, and whether these were only likely."""
    if not value.reading.candidates or (value.status == "doubtful" and value.gauge.kind != "readout"):
        return value, False
    first = value.reading.candidates[0]
    place = (value.column, time, value.value if _certain(value) else first.value, first.step)
    expectation = expected(*place, tracks.get(value.column), motion(value.column, time, known) if motion and value.column in tracks else None)
    leans = expectation is None and not _certain(value)
    if leans:
        expectation = expected(*place, likely.get(value.column), None)
        expectation = expectation and replace(expectation, most=LIKELY_SUPPORT)
    return (value if expectation is None else _choose(value, expectation)), leans


def _choose(value: "Value", expected: Expectation) -> "Value":
    candidates = value.reading.candidates
    weights = [each.probability * expected.support(each.value) for each in candidates]
    total = sum(weights) + max(1e-6, 1 - sum(each.probability for each in candidates))
    best = max(range(len(candidates)), key=weights.__getitem__)
    chosen, certainty = candidates[best], weights[best] / total
    first = candidates[0]
    own = value.reading.doubt == ""
    sigma = shown_sigma(value.gauge, chosen.step)
    if certainty < (KEEP if own and chosen is first else ACCEPT):
        if not own:
            return value
        return replace(
            value, status="doubtful", probability=certainty,
            reason=f"{first.text!r} does not fit the readings before and after (probability {certainty:.1%})",
        )  # fmt: skip
    if chosen is first and _certain(value):  # by itself, or by its rate
        return replace(value, probability=certainty)
    if chosen is first:
        reason = f"{first.probability:.1%} sure without the readings before and after, which bear it out"
        return replace(value, status="read", value=chosen.value, sigma=sigma, probability=certainty, reason=reason)
    if chosen.probability < LEAST_LOOK:
        return replace(value, status="doubtful", probability=certainty, reason=f"{first.text!r} does not fit the readings before and after")
    reason = f"{first.text!r} would not fit the readings before and after, {chosen.text!r} does"
    return replace(value, status="recovered", value=chosen.value, sigma=sigma, probability=certainty, reason=reason)


def _clocks(values: list["Value"]) -> None:
    """Weigh clock candidates against the clocks before and after, where the files are in the clock's order. Where few are certain the likely ones tell what can't be,
    and no more."""
    places = [index for index, value in enumerate(values) if value.column == "met"]
    certain = [index for index in places if _certain(values[index])]
    most = MOST_SUPPORT
    if len(certain) < LEAST_KNOWN:
        certain, most = [index for index in places if values[index].reading.best and values[index].reading.best.probability >= LIKELY_CLOCK], LIKELY_ORDER
    if len(certain) < (LEAST_KNOWN if most == MOST_SUPPORT else 2 * LEAST_KNOWN):
        return
    times = [values[index].reading.best.value if math.isnan(values[index].value) else values[index].value for index in certain]
    kept = longest_rising(times)
    if len(kept) < (IN_ORDER_OF_MANY if len(times) >= MANY else IN_ORDER) * len(times):
        return
    rows = [values[certain[index]].row for index in kept]
    clock = [times[index] for index in kept]
    span = max(clock[-1] - clock[0], 60.0) * 2
    shifts = Counter(shift for index in certain for shift in _shifts(values[index]))
    for index in places:
        value = values[index]
        if not value.reading.candidates:
            continue
        left, right = bisect_left(rows, value.row), bisect_right(rows, value.row)
        low = clock[left - 1] if left > 0 else None
        high = clock[right] if right < len(clock) else None
        if _certain(value) and left != right and value.value == clock[left]:
            continue
        alike = _alike(value, shifts, len(certain)) if most == LIKELY_ORDER else frozenset()
        values[index] = _choose(value, _Between(low, high, span, max(value.reading.candidates[0].step, 1e-3), most, alike))


def _shifts(value: "Value") -> set[float]:
    """How far a clock's other candidates lie from its first, s."""
    first = value.reading.best.value
    return {round(each.value - first, 3) for each in value.reading.candidates[1:]}


def _alike(value: "Value", shifts: Counter, count: int) -> frozenset[float]:
    """Candidates of a clock that lie as far from its first as those of a third of all clocks do from theirs: a nought that may be an eight in every screenshot. The
    order of the screenshots tells nothing of them."""
    first = value.reading.best.value
    return frozenset(each.value for each in value.reading.candidates[1:] if 3 * (shifts[round(each.value - first, 3)] - 1) >= count - 1)


@dataclass(frozen=True)
class _Between:
    """A clock's bounds; outside them it is nearly impossible, but for what the bounds may share with it (``alike``), inside every time is as likely."""

    low: float | None
    high: float | None
    span: float
    step: float
    most: float
    alike: frozenset[float] = frozenset()

    def support(self, value: float) -> float:
        if value in self.alike:
            return self.most
        if (self.low is not None and value < self.low) or (self.high is not None and value > self.high):
            return 0.003
        if self.low is None or self.high is None:
            return 2.0
        return min(self.span / (self.high - self.low + self.step), self.most)


def _disagreements(values: list["Value"]) -> list["Value"]:
    """Two gauges that show the same quantity in one screenshot must agree, else both are doubtful."""
    groups: dict[tuple[int, str], list[int]] = {}
    for index, value in enumerate(values):
        if _certain(value) and value.column not in TEXTS:
            groups.setdefault((value.row, value.column), []).append(index)
    for indices in groups.values():
        for one in indices:
            for other in indices:
                a, b = values[one], values[other]
                if one < other and abs(a.value - b.value) > 4 * math.hypot(a.sigma, b.sigma) + 1e-9:
                    reason = f"{a.gauge.name} and {b.gauge.name} show different values"
                    values[one] = replace(values[one], status="doubtful", reason=reason)
                    values[other] = replace(values[other], status="doubtful", reason=reason)
    return values
