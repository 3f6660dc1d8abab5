"""A clock that was set back in the middle of a table: found by the order of the lines, without any orbit.

Lines are typed in the order in which things happened. Where the clock falls and then runs on from there for several lines, either it was set
back, or lines were typed in another order than flown. Which of the two, the gauges say: in the true order they run on from line to line.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence

import numpy as np

_LEAST = 3  # lines on either side, and lines that a restart must put in order: fewer are slips of the clock
_SMOOTHER = 0.9  # of the roughness in the clock's order that the lines' own order may have
_DIGITS = 1.0  # s; a run marked to begin earlier than this before the end of the one before was not read off a clock that ran on
_TELLING = 0.3  # of its range that propellant must rise more in one order than in the other to decide


def longest_rising(times: Sequence[float]) -> np.ndarray:
    """Positions (in order) of a longest non-decreasing subsequence (Fredman 1975)."""
    tails: list[float] = []
    holders: list[int] = []
    before = np.full(len(times), -1)
    for index, time in enumerate(np.asarray(times).tolist()):
        place = bisect.bisect_right(tails, time)
        before[index] = holders[place - 1] if place else -1
        if place == len(tails):
            tails.append(time)
            holders.append(index)
        else:
            tails[place], holders[place] = time, index
    kept = []
    index = holders[-1] if holders else -1
    while index >= 0:
        kept.append(index)
        index = before[index]
    return np.array(kept[::-1], dtype=int)


def find_restarts(times: np.ndarray, gauges: Sequence[np.ndarray], propellant: np.ndarray | None = None) -> list[int]:
    """Positions of the lines at which the clock starts again.

    Parameters
    ----------
    times : array (n,)
        Clock of each line, s, in the order of the lines.
    gauges : sequence of arrays (n,)
        What else was read in each line (nan: nothing), in any unit.
    propellant : array (n,), optional
        What only falls in flight but for a staging: it decides where it can.
    """
    if len(times) < 2 * _LEAST or not (np.diff(times) < 0).any():
        return []
    cut = _best_cut(times)
    if cut is None:
        return []
    if not _in_own_order(times, cut, gauges, propellant):
        return []
    earlier, later = (
        find_restarts(times[part], [gauge[part] for gauge in gauges], None if propellant is None else propellant[part])
        for part in (slice(None, cut), slice(cut, None))
    )
    return [*earlier, cut, *(cut + place for place in later)]


def runs_of(starts: Sequence[int], count: int) -> np.ndarray:
    """The run of the clock that each of ``count`` lines belongs to, from the positions at which it starts again."""
    run = np.zeros(count, dtype=int)
    run[list(starts)] = 1
    return np.cumsum(run)


def straighten(times: np.ndarray, run: np.ndarray) -> tuple[np.ndarray, dict[int, float]]:
    """Times that run on where the clock started again.

    Parameters
    ----------
    times : array (n,)
        Clock of each line, s, in the order of the lines.
    run : array (n,) of int
        The run of the clock that each line belongs to.

    Returns
    -------
    met : array (n,)
        Each run placed right after the one before, but for one whose times run on already.
    ends : dict of int to float
        For each run that was placed so, the time at which the one before ended.
    """
    met, ends = times.copy(), {}
    for number in np.unique(run)[1:].tolist():
        own, before = met[run == number], met[run < number]
        first, last = own[longest_rising(own)[0]], before[longest_rising(before)[-1]]
        if first < last - _DIGITS:
            met[run >= number] += last if first >= 0 else last - first
            ends[number] = float(last)
    return met, ends


def in_turn(run: np.ndarray) -> np.ndarray:
    """Runs of lines in the order of their times, (n,), so that none comes back: a line whose clock slipped goes with those around it."""
    turned = np.zeros(len(run), dtype=int)
    for number in np.unique(run)[1:].tolist():
        early = np.r_[0, np.cumsum(np.where(run < number, 1, -1))]  # lines that a cut before each place would leave on their side
        turned[int(np.argmax(early)) :] = number
    return turned


def _in_own_order(times: np.ndarray, cut: int, gauges: Sequence[np.ndarray], propellant: np.ndarray | None) -> bool:
    """Whether the lines stand in the order flown, rather than in that of their clocks."""
    own, clocked = np.arange(len(times)), np.argsort(times, kind="stable")
    if propellant is not None and abs(rises := _rise(propellant[clocked]) - _rise(propellant[own])) > _TELLING:
        return rises > 0
    left, right = times[:cut], times[cut:]
    if right[longest_rising(right)].max() <= left[longest_rising(left)].min():
        return False  # pages in the wrong order
    # a stretch of the flight noted twice is smoother by the clock
    return _roughness(gauges, own) < _SMOOTHER * _roughness(gauges, clocked)


def _rise(gauge: np.ndarray) -> float:
    """How much a gauge rises in all, over its range."""
    read = gauge[np.isfinite(gauge)]
    span = float(np.ptp(read)) if len(read) else 0.0
    return float(np.clip(np.diff(read), 0.0, None).sum()) / span if span > 0 else 0.0


def _best_cut(times: np.ndarray) -> int | None:
    """Where the lines are best taken apart into two that each run forward; None where that puts fewer than a few lines in order."""
    whole = _rising_lengths(times)
    split = whole[_LEAST - 1 : -_LEAST] + _rising_lengths(-times[::-1])[::-1][_LEAST : len(times) - _LEAST + 1]
    falls = np.diff(times)[_LEAST - 1 : len(times) - _LEAST] < 0
    if not falls.any():
        return None
    split = np.where(falls, split, 0)
    best = int(np.flatnonzero(split == split.max())[-1])
    return best + _LEAST if split[best] - whole[-1] >= _LEAST else None


def _rising_lengths(times: np.ndarray) -> np.ndarray:
    """Length of a longest non-decreasing subsequence of the first k + 1 times, for every k."""
    tails: list[float] = []
    lengths = np.empty(len(times), dtype=int)
    for index, time in enumerate(times.tolist()):
        place = bisect.bisect_right(tails, time)
        tails[place : place + 1] = [time]
        lengths[index] = len(tails)
    return lengths


def _roughness(gauges: Sequence[np.ndarray], order: np.ndarray) -> float:
    """How much the gauges jump from line to line in an order: sums of changes of rank, over those of a gauge that only rises."""
    total = 0.0
    for gauge in gauges:
        read = gauge[order]
        read = read[np.isfinite(read)]
        ranks = np.unique(read, return_inverse=True)[1]
        if len(read) >= 2 * _LEAST and ranks.max() > 0:
            total += float(np.abs(np.diff(ranks)).sum()) / float(ranks.max())
    return total
