"""The entry corridor: which periapsis brings a craft down through the air in one pass without more deceleration than it may have.

Too high, and it leaves the air again (the overshoot boundary); too low, and the air stops it too hard (the undershoot boundary). Both are found by falling at many
periapsis altitudes at once (:mod:`analyser.fitting.entry_path`): no lift, no wind, no heating. The deceleration is what drag does, which is what a craft feels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analyser.fitting.entry_path import COARSE, Fall, at_the_top, fall
from analyser.flight import STANDARD_GRAVITY, Body

#: The most deceleration taken where the craft file names none: what crews lying on their backs are planned to bear (common practice, no source), m/s^2.
USUAL_LIMIT = 10 * STANDARD_GRAVITY
_TRIED = 64
_ZOOMS, _FINER = 2, 64  # how often a step between two falls is parted, and into how many


@dataclass(frozen=True)
class Corridor:
    """Periapsis altitudes, m, of the orbit before the air.

    Attributes
    ----------
    lowest, highest : float
        Between them the craft comes down in one pass within the limit. ``lowest`` is -inf where even falling straight down stays within it. Both nan where there is none
        (``reason``).
    bound : float
        Up to here a craft that arrives at or above escape speed is at least kept: it leaves the air again, in a closed orbit. For closed orbits the top of the air.
    limit : float
        m/s^2. ``limit_usual`` says that it is the usual one, not the craft's own.
    gentlest : float
        The least peak deceleration of all that come down in one pass, m/s^2.
    ballistic : float
        kg/m^2.
    arrival_speed : float
        At the top of the air, m/s.
    air_top : float
        m.
    """

    lowest: float
    highest: float
    bound: float
    limit: float
    limit_usual: bool
    gentlest: float
    ballistic: float
    arrival_speed: float
    air_top: float = 0.0
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a corridor."""
        return math.isfinite(self.highest)

    @property
    def aim(self) -> float:
        """Where to aim, m: its middle, or a tenth of the air's height below its upper end where the middle lies deeper, for deeper costs more and stops harder."""
        if not self.known:
            return math.nan
        return self.highest - min((self.highest - self.lowest) / 2, 0.1 * self.air_top)

    def miss(self, periapsis: float) -> float:
        """How far a periapsis altitude lies outside, m: positive too high, negative too low, 0 inside; nan without a corridor."""
        if not self.known:
            return math.nan
        return max(periapsis - self.highest, 0.0) + min(periapsis - self.lowest, 0.0)


def corridor(body: Body, energy: float, ballistic: float, limit: float = math.nan, forward: bool = True) -> Corridor:
    """The corridor of a craft that arrives with an orbit's energy.

    Parameters
    ----------
    body : Body
        With air.
    energy : float
        Of the orbit before the air, m^2/s^2. (From an apoapsis radius Q it depends a little on the periapsis wanted: -mu / (Q + q).)
    ballistic : float
        Mass over drag area, kg/m^2.
    limit : float, optional
        The most deceleration, m/s^2; by default :data:`USUAL_LIMIT`.
    forward : bool
        Whether it flies with the body's turning; against it the air meets it faster.

    Returns
    -------
    Corridor
    """
    usual = not math.isfinite(limit)
    # a thousandth of the energy moves the corridor by metres: near cases are answered from memory
    grain = 10.0 ** (math.floor(math.log10(max(abs(energy), 1.0))) - 4)
    return _corridor(body, round(energy / grain) * grain, round(ballistic, 2), USUAL_LIMIT if usual else float(limit), usual, forward)


@lru_cache(maxsize=64)
def _corridor(body: Body, energy: float, ballistic: float, limit: float, usual: bool, forward: bool) -> Corridor:
    top = body.radius + body.air_top
    square = 2 * (energy + body.mu / top)
    speed = math.sqrt(square) if square > 0 else math.nan

    def none(reason: str, gentlest: float = math.nan, bound: float = math.nan) -> Corridor:
        return Corridor(math.nan, math.nan, bound, limit, usual, gentlest, ballistic, speed, body.air_top, reason)

    if not body.air_top:
        return none(f"{body.name} has no air")
    if math.isnan(speed):
        return none("the orbit is too low to have an apoapsis above the air")
    if not (math.isfinite(ballistic) and ballistic > 0):
        return none("the craft's mass and drag area are not known")
    # a closed orbit comes down from above the air only with its apoapsis there
    most = min(top, -body.mu / energy - top) if energy < 0 else top
    least = 0.02 * body.radius
    if most < least:
        return none("the orbit is too low to have an apoapsis above the air")
    tried = _Tried(body, energy, ballistic, forward)
    ladder = most - (most - least) * np.linspace(0.0, 1.0, _TRIED) ** 3
    down, _, kept = tried(ladder)
    bound = tried.edge(ladder, kept, lambda found: found[2]) - body.radius if energy >= 0 else body.air_top
    if not down.any():
        return none("it leaves the air again at every periapsis", bound=bound)
    # from the highest that comes down in one pass: just below it the peak changes fastest
    ladder = tried.edge(ladder, down, lambda found: found[0])
    ladder = ladder - (ladder - least) * np.linspace(0.0, 1.0, _TRIED) ** 3
    down, peak, _ = tried(ladder)
    best = int(np.argmin(np.where(down, peak, np.inf)))
    around = np.linspace(ladder[max(best - 1, 0)], ladder[min(best + 1, _TRIED - 1)], 17)
    order = np.argsort(-np.concatenate([ladder, around]), kind="stable")
    ladder, down, peak = (np.concatenate(pair)[order] for pair in zip((ladder, down, peak), (around, *tried(around)[:2])))
    gentlest = float(peak[down].min())
    good = down & (peak <= limit)
    if not good.any():
        words = f"{gentlest / STANDARD_GRAVITY:.1f} g is the least that any fall in one pass comes to, more than the {limit / STANDARD_GRAVITY:.1f} g allowed"
        return none(words, gentlest, bound)
    first = int(np.argmax(good))
    run = int(np.argmin(good[first:])) if not good[first:].all() else len(good) - first
    last = first + run - 1  # the uppermost run of falls within the limit
    ends = tried.boundaries(ladder[[max(first - 1, 0), min(last + 1, len(ladder) - 1)]], ladder[[first, last]], lambda found: found[0] & (found[1] <= limit))
    highest = ladder[0] if first == 0 else ends[0]
    lowest = -math.inf if last >= len(ladder) - 1 else ends[1]
    return Corridor(float(lowest) - body.radius, float(highest) - body.radius, float(bound), limit, usual, gentlest, ballistic, speed, body.air_top)


class _Tried:
    """What happens at periapsis radii (k,): comes down in one pass (k,), peak deceleration m/s^2 (k,), stays bound (k,)."""

    def __init__(self, body: Body, energy: float, ballistic: float, forward: bool):
        self.body, self.energy, self.ballistic = body, energy, ballistic
        self.sense = 1.0 if forward else -1.0

    def __call__(self, periapsis):
        found = falls_at(self.body, self.energy, periapsis, self.ballistic, self.sense)
        y = found.end
        energy = (y[:, 1] ** 2 + y[:, 2] ** 2) / 2 - self.body.mu / y[:, 0]
        down = found.ended == "ground"
        return down, found.peak()[0], down | (energy < 0)

    def boundaries(self, bad, good, judge) -> np.ndarray:
        """The last good radii on the ways to bad ones, arrays (n,)."""
        ways = np.arange(len(good))
        for _ in range(_ZOOMS):
            steps = np.linspace(good, bad, _FINER + 1)
            fine = judge(self(steps.ravel())).reshape(steps.shape)
            last = np.where(fine.all(axis=0), _FINER - 1, np.maximum(np.argmin(fine, axis=0) - 1, 0))
            good, bad = steps[last, ways], steps[last + 1, ways]
        return good

    def edge(self, ladder, kept, pick) -> float:
        """The highest radius of a ladder that falls from high to low where something holds; nan where it never does."""
        if not kept.any():
            return math.nan
        first = int(np.argmax(kept))
        return float(ladder[0]) if first == 0 else float(self.boundaries(ladder[[first - 1]], ladder[[first]], pick)[0])


def falls_at(body: Body, energy: float, periapsis, ballistic: float, sense: float = 1.0) -> Fall:
    """Falls from the top of the air on orbits of one energy and periapsis radii (k,), m; ``sense`` -1 against the body's turning."""
    low = np.asarray(periapsis, float)
    top = body.radius + body.air_top
    momentum = np.sqrt(np.clip(2 * low**2 * (energy + body.mu / low), 0.0, None))
    start = at_the_top(body, np.full(len(low), energy), momentum)
    # the one that just touches the top meets it level
    level = ~np.isfinite(start[:, 1])
    start[level, 1] = 0.0
    start[:, 1] = np.minimum(start[:, 1], -1e-6 * math.sqrt(body.mu / top))
    # coarse steps move the ends of a corridor by metres, and take a third of the time
    return fall(body, start, ballistic, spin=sense * body.rotation_rate, step=COARSE)
