"""How sure a typed number is, and what that makes of everything computed from it.

A gauge that shows ``61.9`` shows everything from 61.85 to 61.95 alike: the error is uniform over half the last digit, not normal. So
the box of all true values that would be shown alike is sampled evenly, each sample is reckoned through exactly, and the middle
95 % of the results is the interval. Nothing is linearised: intervals stay true where the orbit nearly escapes, where an
apsis is near, and where the answer is a yes or no.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from collections import namedtuple

from analyser.estimate import Estimate

SAMPLES = 480
TAIL = 0.025  # of the results lie below a 95 % interval, and as many above


class Shown(namedtuple("Shown", "value half_step sigma", defaults=(0.0, 0.0))):
    """A number as a gauge showed it, SI floats: anything within ``half_step`` alike, or, where ``sigma`` is not 0, normal about it."""

    __slots__ = ()

    @property
    def reach(self) -> float:
        """How far the true value may be off, as far as matters: half the step, or two standard deviations."""
        return max(self.half_step, 2 * self.sigma)


def samples(shown: Sequence[Shown], count: int = SAMPLES) -> Iterator[tuple[float, ...]]:
    """``count`` points that fill the box of what ``shown`` may be evenly; the same on every call.

    Notes
    -----
    Additive recurrence with the generalised golden ratio, ``frac(1/2 + k / phi_d^j)`` (M. Roberts, 2018, from memory): of
    the simple sequences the most even in few dimensions, and any number of points may be taken.
    """
    normal = _normal() if any(item.sigma for item in shown) else None
    columns = []
    for item, step in zip(shown, _steps(len(shown)), strict=True):
        shares = [(0.5 + index * step) % 1.0 for index in range(1, count + 1)]
        value, half_step, sigma = item
        if sigma:
            columns.append([value + sigma * normal(min(max(share, 1e-6), 1 - 1e-6)) for share in shares])
        else:
            columns.append([value + half_step * (2 * share - 1) for share in shares])
    return zip(*columns, strict=True)


def _steps(dimensions: int) -> list[float]:
    ratio = 2.0
    for _ in range(40):  # the root of x^(d+1) = x + 1
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    return [(1 / ratio) ** (axis + 1) % 1.0 for axis in range(dimensions)]


def _normal() -> Callable[[float], float]:
    from statistics import NormalDist

    return NormalDist().inv_cdf


def middle(values: Sequence[float], tail: float = TAIL) -> tuple[float, float]:
    """The interval that holds all but ``tail`` of ``values`` on each side; infinite values count at their end.

    ``nan`` values must have been left out. Straight between order statistics, at ``tail * n - 1/2``: each value stands for 1/n of the results.
    """
    ordered = sorted(values)
    return _quantile(ordered, tail), _quantile(ordered, 1 - tail)


def _quantile(ordered: Sequence[float], share: float) -> float:
    place = share * len(ordered) - 0.5
    below = min(max(math.floor(place), 0), len(ordered) - 1)
    above = min(below + 1, len(ordered) - 1)
    if ordered[below] == ordered[above]:
        return ordered[below]
    weight = min(max(place - below, 0.0), 1.0)
    if weight == 0:
        return ordered[below]
    return ordered[below] + weight * (ordered[above] - ordered[below])


def estimate(nominal: float, values: Sequence[float], unit: str, reason: str = "", tail: float = TAIL) -> Estimate:
    """An estimate from the nominal value and the results of all samples (nan: left out); its value lies in its interval.

    ``reason`` is why there is no value, used where the nominal value is infinite or nan.
    """
    usable = sorted(value for value in values if value == value)  # nan is the one that differs from itself
    if not usable:
        return Estimate.unknown(unit, reason or "the reading doesn't determine it")
    low, high = _quantile(usable, tail), _quantile(usable, 1 - tail)
    finite = usable if -math.inf < usable[0] and usable[-1] < math.inf else [value for value in usable if math.isfinite(value)]
    if not finite:
        return Estimate.unknown(unit, reason or "without limit")
    mean = sum(finite) / len(finite)
    sigma = math.sqrt(sum([(value - mean) ** 2 for value in finite]) / len(finite))
    if not math.isfinite(nominal):
        if not math.isfinite(high) or len(finite) < len(usable):
            return Estimate(math.nan, sigma, low, high, unit, reason or "without limit")
        nominal = mean
    if not low <= nominal <= high:
        # Digits taken as they stand may lie at an edge of what is possible (level flight, a circle): the middle of the results stands for them.
        nominal = usable[len(usable) // 2]
    return Estimate(nominal, sigma, low, high, unit)


def dominant(points: Sequence[Sequence[float]], results: Sequence[float]) -> int | None:
    """Which input moves the results most: the axis whose rank correlation with them, straight or folded about its middle, is largest;
    None where none stands out.

    Parameters
    ----------
    points : sequence of points, each one float an axis
    results : sequence of float
        One for each point; infinite ones allowed (ranks are taken).
    """
    if not points:
        return None
    rank = _ranks(results)
    best, which = 0.3, None
    for axis in range(len(points[0])):
        column = [point[axis] for point in points]
        centre = (min(column) + max(column)) / 2
        # At an apsis the results turn about: what matters there is how far from the middle an input is, to either side.
        folded = [abs(value - centre) for value in column]
        correlation = max(abs(_correlation(_ranks(column), rank)), abs(_correlation(_ranks(folded), rank)))
        if correlation > best:
            best, which = correlation, axis
    return which


def _ranks(values: Sequence[float]) -> list[float]:
    order = sorted(range(len(values)), key=values.__getitem__)
    rank = [0.0] * len(values)
    for place, index in enumerate(order):
        rank[index] = float(place)
    return rank


def _correlation(a: Sequence[float], b: Sequence[float]) -> float:
    mean = (len(a) - 1) / 2
    above = sum((x - mean) * (y - mean) for x, y in zip(a, b, strict=True))
    below = sum((x - mean) ** 2 for x in a)
    return above / below if below else 0.0
