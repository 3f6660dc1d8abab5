"""What the certain readings around a moment say that a quantity is then: straight between them, or as its rate bends it; surprises stay possible."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from statistics import median_high

from analyser.ingest.unit_rates import RATE_OF, SURPRISE

LEAST_KNOWN = 4  # certain readings of a quantity before its neighbours count
AT_WILL = {"throttle": 0.4, "acceleration": 0.4}  # of SURPRISE's kind, where the pilot's hand is all that moves it
AGAINST = 0.05  # how likely propellant rises, against that it falls
MOST_SUPPORT = 3000.0  # neighbours never make a value likelier by more than this, in odds


@dataclass(frozen=True)
class Expectation:
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


@dataclass
class Track:
    """The readings of one quantity that are known, (time, value) in order of time; its range and usual change are reckoned once."""

    pairs: list[tuple[float, float]]
    rates: dict[float, float] = field(default_factory=dict)  # of its rate, by time

    def __post_init__(self):
        numbers = [value for _, value in self.pairs]
        self.usual_change = median_high(abs(later - earlier) for earlier, later in zip(numbers, numbers[1:])) if len(numbers) > 1 else 0.0
        ordered = sorted(numbers)
        self._ends = ordered[:2] + ordered[-2:]

    def reach(self, own: float | None) -> tuple[float, float]:
        """(range, greatest size) of the values; ``own``: one that does not count."""
        ends = list(self._ends)
        if own in ends:
            ends.remove(own)
            if len(self.pairs) <= 3 and own in ends:  # the lowest two are the highest two as well
                ends.remove(own)
        return max(ends) - min(ends), max(abs(end) for end in ends)

    def beside(self, time: float, own: tuple[float, float]) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
        """The readings before and after a time, but for ``own``; where several share the time, the first of them counts as after."""
        place = bisect_left(self.pairs, (time, -math.inf))
        after = place
        while after < len(self.pairs) and self.pairs[after] == own:
            after += 1
        return self.pairs[place - 1] if place else None, self.pairs[after] if after < len(self.pairs) else None

    def holds(self, own: tuple[float, float]) -> bool:
        """Whether this very reading is among those known."""
        place = bisect_left(self.pairs, own)
        return place < len(self.pairs) and self.pairs[place] == own


def expected(column: str, time: float, own: float, step: float, track: Track | None, told: tuple[float, float] | None) -> Expectation | None:
    """What a quantity should be at a time, SI; None where too little is known.

    Parameters
    ----------
    column : str
    time : float
    own : float
        What the reading itself says: no witness of itself.
    step : float
        Worth of its last digit.
    track : Track or None
        What is known of the quantity.
    told : tuple of float, optional
        (value, sigma) by a model of the motion; it goes before the neighbours.
    """
    if track is None:
        return None
    mine = (time, own)
    there = track.holds(mine)
    if len(track.pairs) - there < LEAST_KNOWN:
        return None
    step = max(step, 1e-12)
    spread, largest = track.reach(own if there else None)
    width = max(2 * spread, 200 * step, largest)  # a misread digit may be any
    if told is not None:
        return Expectation(told[0], max(told[1], step / 2), width)
    before, after = track.beside(time, mine)
    if before is None or after is None:
        middle, scale = (before or after)[1], 0.7 * track.usual_change + step
    else:
        middle, scale = _between(time, before, after, track.rates)
        scale += 0.02 * track.usual_change + step
    above, below = math.inf, -math.inf
    if column in ("propellant", "propellant_fraction"):
        above = before[1] + step if before else math.inf
        below = after[1] - step if after else -math.inf
    return Expectation(middle, scale, width, above, below, surprise=AT_WILL.get(column, SURPRISE))


def tracks_of(known: dict[str, list[tuple[float, float]]]) -> dict[str, Track]:
    """A track for each column."""
    return {column: Track(pairs, dict(known.get(RATE_OF.get(column, ""), ()))) for column, pairs in known.items()}


def _between(time: float, before, after, rates: dict[float, float]) -> tuple[float, float]:
    """Value and scale between two certain readings: straight, or by the cubic that has the rates shown at both."""
    (t0, v0), (t1, v1) = before, after
    share = (time - t0) / (t1 - t0) if t1 > t0 else 0.5
    straight = v0 + share * (v1 - v0)
    scale = 0.25 * abs(v1 - v0)
    if t0 in rates and t1 in rates and t1 > t0:
        length = t1 - t0
        bend = share * (1 - share) * length * ((1 - share) * (rates[t0] - (v1 - v0) / length) - share * (rates[t1] - (v1 - v0) / length))
        return straight + bend, 0.25 * abs(bend) + 0.01 * abs(v1 - v0)
    return straight, scale
