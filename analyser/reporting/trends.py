"""Does it get better? Statistics that don't see a trend in noise.

Medians instead of means; the slope of Theil and Sen with its interval and Kendall's tau to say how much and how steadily; and to
say whether there is a trend at all, a permutation test: of all orders in which the same attempts could have come, how many
would look at least as much like a trend? Far-off values are pulled in first, so that one bad day does not decide. With few
attempts this sees more than Kendall's test, and is as safe: it is exact whatever the scatter, as long as attempts don't depend
on each other.

Sources: Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968) 1379-1389; Holm, "A simple
sequentially rejective multiple test procedure", Scand. J. Statist. 6 (1979) 65-70; Good, *Permutation Tests*, chapter 3.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

__all__ = ["FEWEST", "LEVEL_IMPROVED", "LEVEL_WORSENED", "Trend", "holm", "trend"]

#: Below this many attempts nothing is said.
FEWEST = 5
#: How often a series without any trend may be called improved, and how often worsened.
LEVEL_IMPROVED, LEVEL_WORSENED = 0.03, 0.02
_PULLED_IN = 1.5  # robust standard deviations beyond which a value counts as no farther
_MANY = 100  # attempts above which the normal law stands for trying orders
_ORDERS = 9999  # random orders tried where there are too many to try all


@dataclass(frozen=True)
class Trend:
    """What can be said of a series of attempts.

    Attributes
    ----------
    count : int
        Attempts in which the figure is known.
    median : float
        nan where none.
    slope, low, high : float
        Change from one attempt to the next (Theil-Sen) and its 95 % interval; nan below three attempts.
    tau : float
        Kendall's tau: 1 where each attempt is above all before it, -1 where below.
    chance_improved, chance_worsened : float
        How likely chance alone is to look at least as much like getting better, like getting worse.
    verdict : str
        "improved", "worsened", "none told" or "too few".
    """

    count: int
    median: float
    slope: float
    low: float
    high: float
    tau: float
    chance_improved: float
    chance_worsened: float
    verdict: str

    @property
    def told(self) -> bool:
        """Whether a trend may be drawn and spoken of."""
        return self.verdict in ("improved", "worsened")

    def sentence(self, unit: str = "m/s") -> str:
        """In words, with the change per attempt where there is a trend."""
        if not self.told:
            return f"no trend can be told from {self.count} attempt{'s' if self.count != 1 else ''}"
        half = (self.high - self.low) / 2
        digits = min(max(1 - math.floor(math.log10(half)), 0), 2) if half > 0 else 2
        slope, low, high = (f"{value:+.{digits}f}".replace("-", "\u2212") for value in (self.slope, self.low, self.high))
        return f"{self.verdict}: {slope} {unit} from one attempt to the next ({low} to {high})"


def trend(values: Sequence[float], better: str = "lower") -> Trend:
    """The trend of a figure over attempts in order.

    Parameters
    ----------
    values : sequence of float
        One an attempt, in order of time; nan where the figure is unknown (left out, its place kept).
    better : str
        "lower" or "higher": which way is an improvement.

    Returns
    -------
    Trend

    Notes
    -----
    A jump to another level is found as a trend as well.
    """
    series = np.asarray(values, float)
    place = np.flatnonzero(np.isfinite(series))
    known = series[place]
    nothing = math.nan
    middle = float(np.median(known)) if known.size else nothing
    none = "too few" if known.size < FEWEST else "none told"
    if known.size < 3 or np.all(known == known[0]):
        return Trend(int(known.size), middle, nothing, nothing, nothing, nothing, nothing, nothing, none)
    slope, low, high = _theil_sen(place, known)
    tau = _kendall(place, known)
    falling, rising = _chances(place, known)
    improved, worsened = (falling, rising) if better == "lower" else (rising, falling)
    found = Trend(int(known.size), middle, float(slope), float(low), float(high), float(tau), improved, worsened, none)
    return found if none == "too few" else replace(found, verdict=_verdict(found, 1))


def _theil_sen(place: np.ndarray, values: np.ndarray) -> tuple[float, float, float]:
    """Median of the slopes between all pairs, and its 95 % interval; Sen 1968, section 3. (SciPy has it too, in a module that takes
    longer to load than all the rest of a comparison; the tests hold the two together.)"""
    first, second = np.triu_indices(len(values), 1)
    slopes = np.sort((values[second] - values[first]) / (place[second] - place[first]))
    count = len(values)
    ties = np.unique(values, return_counts=True)[1]
    variance = (count * (count - 1) * (2 * count + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18
    reach = 1.959963984540054 * math.sqrt(variance)
    above = min(round((len(slopes) + reach) / 2), len(slopes) - 1)
    below = max(round((len(slopes) - reach) / 2) - 1, 0)
    return float(np.median(slopes)), float(slopes[below]), float(slopes[above])


def _kendall(place: np.ndarray, values: np.ndarray) -> float:
    """Kendall's tau-b, which counts tied pairs as neither."""
    first, second = np.triu_indices(len(values), 1)
    signs = np.sign(values[second] - values[first])
    return float(signs.sum() / math.sqrt(len(signs) * np.count_nonzero(signs)))


def _chances(place: np.ndarray, values: np.ndarray) -> tuple[float, float]:
    """Share of orders that fall, and that rise, at least as much as this one."""
    middle = np.median(values)
    spread = 1.4826 * np.median(np.abs(values - middle))
    pulled = np.clip(values, middle - _PULLED_IN * spread, middle + _PULLED_IN * spread) if spread > 0 else values
    pulled = pulled - pulled.mean()
    centred = place - place.mean()
    if len(values) > _MANY:
        # the sum over random orders is normal by then: mean 0, variance sum(x^2) sum(y^2) / (n - 1)
        deviations = float(centred @ pulled) / math.sqrt(float(centred @ centred) * float(pulled @ pulled) / (len(values) - 1))
        rises = 0.5 * math.erfc(deviations / math.sqrt(2))
        return 1 - rises, rises
    orders, whole = _orders(len(values))
    others = centred[orders] @ pulled
    own = float(centred @ pulled)
    slack = 1e-9 * (abs(own) + float(np.abs(pulled).sum()))
    # where only some orders are tried, the one that came is counted among them: the test stays exact
    extra = 0 if whole else 1
    falling, rising = ((np.count_nonzero(hit) + extra) / (len(others) + extra) for hit in (others <= own + slack, others >= own - slack))
    return float(falling), float(rising)


@lru_cache(maxsize=64)
def _orders(count: int) -> tuple[np.ndarray, bool]:
    """Orders of ``count`` attempts, one a row: all of them where they are few, else the same random ones every time."""
    if count <= 8:
        return np.array(list(itertools.permutations(range(count)))), True
    random = np.random.default_rng(count)
    return random.permuted(np.tile(np.arange(count), (_ORDERS, 1)), axis=1), False


def _verdict(item: Trend, among: int) -> str:
    """The verdict where the levels are shared by ``among`` questions."""
    if item.chance_improved <= LEVEL_IMPROVED / among:
        return "improved"
    if item.chance_worsened <= LEVEL_WORSENED / among:
        return "worsened"
    return "none told"


def holm(trends: Sequence[Trend]) -> tuple[Trend, ...]:
    """Trends of many figures at once, told so that a false one among them all is as rare as one of a single figure (Holm's steps)."""
    found = list(trends)

    def strength(index: int) -> float:
        return min(found[index].chance_improved / LEVEL_IMPROVED, found[index].chance_worsened / LEVEL_WORSENED)

    tested = sorted((index for index, item in enumerate(found) if item.verdict != "too few" and math.isfinite(item.chance_improved)), key=strength)
    still = True
    for rank, index in enumerate(tested):
        verdict = _verdict(found[index], len(tested) - rank) if still else "none told"
        still = verdict != "none told"
        found[index] = replace(found[index], verdict=verdict)
    return tuple(found)
