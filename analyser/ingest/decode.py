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
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest.readout import ACCEPT
from analyser.ingest.restarts import longest_rising
from analyser.ingest.unit_rates import RATE_OF, weigh_units

if TYPE_CHECKING:
    from analyser.ingest.screenshots import Value

#: ``motion(column, time, known)`` -> (value, sigma) or None; ``known``: column -> list of (time, value). SI.
Motion = Callable[[str, float, dict[str, list[tuple[float, float]]]], tuple[float, float] | None]

SURPRISE = 0.15  # share of moments at which a quantity does what its neighbours don't tell
AT_WILL = {"throttle": 0.4, "acceleration": 0.4}  # the same where the pilot's hand is all that moves it
LEAST_KNOWN = 4  # certain readings of a gauge before its neighbours count
AGAINST = 0.05  # how likely propellant rises, against that it falls
MOST_SUPPORT = 3000.0  # neighbours never make a value likelier by more than this, in odds
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
        known, likely = _known([value for index, value in enumerate(values) if index not in leaning], times), _known(values, times, likely=True)
        for gauge in {value.gauge.name for value in values if value.gauge.kind == "readout" and value.column not in ("met", *TEXTS)}:
            for index, value in enumerate(values):
                if value.gauge.name == gauge and value.row in times:
                    values[index], leans = _weigh(value, times[value.row], known, likely, motion)
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


@dataclass(frozen=True)
class _Expectation:
    """Where a value should lie: middle and scale of a Cauchy distribution, the range of what can be shown, and whether
    it may not lie above or below something."""

    middle: float
    scale: float
    width: float
    above: float = math.inf
    below: float = -math.inf
    most: float = MOST_SUPPORT
    surprise: float = SURPRISE

    def support(self, value: float) -> float:
        """How many times likelier ``value`` is than a value from anywhere."""
        z = (value - self.middle) / self.scale
        near = (1 - self.surprise) * self.width / (math.pi * self.scale * (1 + z * z))
        against = AGAINST if value > self.above or value < self.below else 1.0
        return min((near + self.surprise) * against, self.most)


def _weigh(value: "Value", time: float, known, likely, motion: Motion | None) -> tuple["Value", bool]:
    """The value after it was held against the others, and whether these were only likely."""
    if not value.reading.candidates or (value.status == "doubtful" and value.gauge.kind != "readout"):
        return value, False
    expected = _expected(value, time, known, motion)
    leans = expected is None and not _certain(value)
    if leans:
        expected = _expected(value, time, likely, None)
        expected = expected and replace(expected, most=LIKELY_SUPPORT)
    return (value if expected is None else _choose(value, expected)), leans


def _choose(value: "Value", expected: _Expectation) -> "Value":
    candidates = value.reading.candidates
    weights = [each.probability * expected.support(each.value) for each in candidates]
    total = sum(weights) + max(1e-6, 1 - sum(each.probability for each in candidates))
    best = max(range(len(candidates)), key=weights.__getitem__)
    chosen, certainty = candidates[best], weights[best] / total
    first = candidates[0]
    own = value.reading.doubt == ""
    sigma = value.gauge.sigma if math.isfinite(value.gauge.sigma) else chosen.step / math.sqrt(12)
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


def _expected(value: "Value", time: float, known, motion: Motion | None) -> _Expectation | None:
    pairs = list(known.get(value.column, ()))
    own = (time, value.value if _certain(value) else value.reading.candidates[0].value)
    if own in pairs:
        pairs.remove(own)  # a value is no witness of itself
    if len(pairs) < LEAST_KNOWN:
        return None
    numbers = [number for _, number in pairs]
    step = max(value.reading.candidates[0].step, 1e-12)
    width = max(2 * (max(numbers) - min(numbers)), 200 * step, max(abs(number) for number in numbers))  # a misread digit may be any
    if motion is not None:
        told = motion(value.column, time, known)
        if told is not None:
            return _Expectation(told[0], max(told[1], step / 2), width)
    place = bisect_left(pairs, (time, -math.inf))
    before, after = pairs[max(0, place - 1)] if place else None, pairs[place] if place < len(pairs) else None
    usual = sorted(abs(later[1] - earlier[1]) for earlier, later in zip(pairs, pairs[1:]))
    usual_change = usual[len(usual) // 2]
    if before is None or after is None:
        there = before or after
        scale = 0.7 * usual_change + step
        middle = there[1]
    else:
        middle, scale = _between(value.column, time, before, after, known)
        scale += 0.02 * usual_change + step
    above = below = None
    if value.column in ("propellant", "propellant_fraction"):
        above = before[1] + step if before else math.inf
        below = after[1] - step if after else -math.inf
    return _Expectation(middle, scale, width, math.inf if above is None else above, -math.inf if below is None else below, surprise=AT_WILL.get(value.column, SURPRISE))


def _between(column: str, time: float, before, after, known) -> tuple[float, float]:
    """Value and scale between two certain readings: straight, or by the cubic that has the rates shown at both."""
    (t0, v0), (t1, v1) = before, after
    share = (time - t0) / (t1 - t0) if t1 > t0 else 0.5
    straight = v0 + share * (v1 - v0)
    scale = 0.25 * abs(v1 - v0)
    rates = dict(known.get(RATE_OF.get(column, ""), ()))
    if t0 in rates and t1 in rates and t1 > t0:
        length = t1 - t0
        bend = share * (1 - share) * length * ((1 - share) * (rates[t0] - (v1 - v0) / length) - share * (rates[t1] - (v1 - v0) / length))
        return straight + bend, 0.25 * abs(bend) + 0.01 * abs(v1 - v0)
    return straight, scale


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
    for index in places:
        value = values[index]
        if not value.reading.candidates:
            continue
        left, right = bisect_left(rows, value.row), bisect_right(rows, value.row)
        low = clock[left - 1] if left > 0 else None
        high = clock[right] if right < len(clock) else None
        if _certain(value) and left != right and value.value == clock[left]:
            continue
        alike = _alike(value, [values[other] for other in certain if other != index]) if most == LIKELY_ORDER else frozenset()
        values[index] = _choose(value, _Between(low, high, span, max(value.reading.candidates[0].step, 1e-3), most, alike))


def _alike(value: "Value", others: list["Value"]) -> frozenset[float]:
    """Candidates of a clock that lie as far from its first as candidates of most others do from theirs: a nought that may be an eight in every screenshot. The order
    of the screenshots tells nothing of them."""
    first = value.reading.best.value
    found = []
    for each in value.reading.candidates[1:]:
        shift = each.value - first
        same = sum(any(math.isclose(one.value - other.reading.best.value, shift, abs_tol=1e-6) for one in other.reading.candidates[1:]) for other in others)
        if 3 * same >= len(others):
            found.append(each.value)
    return frozenset(found)


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
