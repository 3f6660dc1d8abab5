"""What a coast says that a gauge should show: handed to the reader of screenshots, which knows no orbit.

Between two moments whose altitude, speed and vertical speed are all certain the motion is a conic about one body if it leads from the
one to the other. Then it says what lies between. Where no body's conic does (a burn, the air, a change of body), nothing is said.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence

from analyser.fitting.scalar_conic import after
from analyser.flight import World

Known = Mapping[str, Sequence[tuple[float, float]]]
_COLUMNS = ("altitude", "speed", "vertical_speed")
_GOOD = 0.02  # a coast is believed if it misses the later moment by less than this part of the straight line's error or change
_AHEAD = 1.0  # a sigma is at least this many times the miss


def expect_coasts(world: World) -> Callable[[str, float, Known], tuple[float, float] | None]:
    """A function for ``read_screenshots(motion=...)``.

    Parameters
    ----------
    world : World

    Returns
    -------
    callable
        ``expected(column, time, known)`` gives (value, standard deviation) in SI of "altitude" (m), "speed" or "vertical_speed" (m/s)
        at ``time`` (s), or None where the readings around it are no coast. ``known`` maps columns to certain (time, value) pairs,
        in order of time; what it holds at ``time`` itself is not used.

    Notes
    -----
    Two-body motion about one body of the world (which one is found by trying), speeds in non-rotating axes. A panel that shows surface speed
    under "speed" is no conic in these, and so gets no answer.
    """
    states_of: list = [None, []]  # the readings asked about last, and their complete moments
    coasts: dict[tuple, tuple | None] = {}

    def expected(column: str, time: float, known: Known) -> tuple[float, float] | None:
        if column not in _COLUMNS:
            return None
        if states_of[0] is not known:
            states_of[:] = [known, _moments(known)]
        states = states_of[1]
        place = bisect_left(states, (time,))
        beyond = place
        while beyond < len(states) and states[beyond][0] == time:
            beyond += 1
        if place == 0 or beyond == len(states):
            return None
        before, later = states[place - 1], states[beyond]
        if (before, later) not in coasts:
            coasts[before, later] = _coast(world, before, later)
        found = coasts[before, later]
        if found is None:
            return None
        mu, radius, misses = found
        index = _COLUMNS.index(column)
        share = (time - before[0]) / (later[0] - before[0])
        ends = [_shown(mu, radius, state, time)[index] for state in (before, later)]
        value = (1 - share) * ends[0] + share * ends[1]
        return value, max(_AHEAD * misses[index], abs(ends[1] - ends[0]), 1e-6)

    return expected


def _moments(known: Known) -> list[tuple[float, float, float, float]]:
    """(time, altitude, speed, vertical speed) where all three are certain, in order of time."""
    columns = [dict(known.get(column, ())) for column in _COLUMNS]
    return sorted((time, *(column[time] for column in columns)) for time in columns[0] if all(time in column for column in columns[1:]))


def _shown(mu: float, radius: float, state: tuple[float, float, float, float], time: float) -> tuple[float, float, float]:
    met, altitude, speed, climb = state
    across = math.sqrt(max(speed * speed - climb * climb, 0.0))
    r, up, over = after(mu, radius + altitude, climb, across, time - met)
    return r - radius, math.hypot(up, over), up


def _coast(world: World, before: tuple, later: tuple) -> tuple[float, float, tuple[float, float, float]] | None:
    """(gravitational parameter, datum radius, misses) of the body whose conic leads from one moment to the other, or None."""
    best, least = None, math.inf
    span = later[0] - before[0]
    if not span > 0:
        return None
    for body in world:
        if body.radius + min(before[1], later[1]) <= 0:
            continue
        try:
            forward = _shown(body.mu, body.radius, before, later[0])
        except (ValueError, OverflowError, ZeroDivisionError):
            continue
        misses = tuple(abs(one - other) for one, other in zip(forward, later[1:]))
        # what falls away if nothing pulled: the size of what the conic explains
        pull = body.mu / (body.radius + before[1]) ** 2
        scales = (abs(later[1] - before[1]) + pull * span * span, pull * span, pull * span)
        worst = max(miss / max(scale, 1e-9) for miss, scale in zip(misses, scales))
        if worst < least:
            best, least = (body.mu, body.radius, misses), worst
    return best if least < _GOOD else None
