"""What a launch through air cost beyond the least that this craft can do, cause by cause: throttle kept low, and the turn from straight up to level begun too late, too early, or
never finished (lofted).

What the throttle cost is the least launch at that throttle over the least at full. What is left of the waste is put down to the way the climb was bent, told by how its
angle over the ground stood beside the optimum's at the same speed, early and late in the climb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.ascent_losses import over_ground
from analyser.fitting.ascents import FlownAscent
from analyser.fitting.faults import OPEN, WORTH_SAYING, Fault, when
from analyser.fitting.launch import Launch

_EARLY, _LATE = (0.04, 0.35), (0.5, 0.92)  # of the optimum's speed over the ground at cutoff
_SHARE = 0.001  # of the cost: what optima leave undecided (pitch by straight lines, a burn at the top that is not at one stroke): a sigma, not a limit


@dataclass(frozen=True)
class Bend:
    """How a climb's angle stood over the optimum's at the same speed over the ground, rad, early in the climb and late; where it stood off most early on: speed m/s, seconds
    after lift-off, both angles, rad."""

    early: float
    late: float
    speed: float
    seconds: float
    flown: float
    best: float


def launch_faults(flown: FlownAscent, elsewhere: float = 0.0) -> list[Fault]:
    """The faults of a launch. ``elsewhere``: what other burns of it are found to have wasted, m/s."""
    ascent = flown.ascent
    if not ascent.waste.known:
        return []
    sigma = math.hypot(ascent.waste.sigma, _SHARE * ascent.cost.value)
    left = ascent.waste.value - elsewhere
    if not left > max(WORTH_SAYING, 2 * sigma):
        return []
    head = f"the climb from {when(flown.climb.met[0])} "
    found = []
    best = flown.best
    if flown.throttle < OPEN:
        best = flown.soft if flown.soft is not None and math.isfinite(flown.soft.delta_v) else flown.best
        cost = min(best.delta_v - flown.best.delta_v, left) if best is not flown.best else left
        found.append(Fault(flown.burn, "low throttle", cost, sigma, head + f"ran at {100 * flown.throttle:.0f} % throttle: open it fully, the weight is carried for less long: {{cost}}."))
        left -= cost
    if left > max(WORTH_SAYING, 2 * sigma):
        cause, words = _bent(flown, best)
        found.append(Fault(flown.burn, cause, left, sigma, head + words))
    return found


def bend_of(flown: FlownAscent, best: Launch) -> Bend | None:
    """How the climb was bent beside an optimum; None where the readings are too few."""
    speed, angle = over_ground(flown.climb, flown.body)
    times, pitches, heights, speeds = (np.array(column) for column in zip(*best.programme))
    climbs = np.gradient(heights, times)
    with np.errstate(invalid="ignore", divide="ignore"):
        wanted = np.arcsin(np.clip(climbs / np.maximum(speeds, 1e-3), -1.0, 1.0))
    wanted[0], order = math.pi / 2, np.argsort(speeds)
    top = float(speeds[-1])
    fine = np.linspace(0.0, 1.0, 400) * top
    # the last node is the cutoff as the orbit after it tells; the first stands still and has no angle
    keep = np.concatenate([[False], speed[1:] > 0.005 * top])
    if keep.sum() < 3:
        return None
    rising = np.maximum.accumulate(speed[keep])
    flown_angle = np.interp(fine, np.concatenate([[0.0], rising]), np.concatenate([[math.pi / 2], angle[keep]]))
    best_angle = np.interp(fine, speeds[order], wanted[order])
    off = flown_angle - best_angle

    def mean(part):
        inside = (fine > part[0] * top) & (fine < part[1] * top)
        return float(off[inside].mean())

    early, late = mean(_EARLY), mean(_LATE)
    # where it stood off most, the way that it stood off on the whole
    zone = np.flatnonzero((fine > 0.03 * top) & (fine < 0.6 * top))
    way = 1.0 if (late if late > 0.6 * abs(early) else early) > 0 else -1.0
    worst = int(zone[np.argmax(way * off[zone])])
    seconds = float(np.interp(fine[worst], np.concatenate([[0.0], rising]), np.concatenate([[0.0], flown.climb.met[keep] - flown.climb.met[0]])))
    return Bend(early, late, float(fine[worst]), seconds, float(flown_angle[worst]), float(best_angle[worst]))


def _bent(flown: FlownAscent, best: Launch) -> tuple[str, str]:
    bend = bend_of(flown, best)
    if bend is None:
        return "ascent", "cost more than this craft needs, and too few readings were taken on the way up to say why: {cost}."
    numbers = f"at {bend.speed:.0f} m/s over the ground ({bend.seconds:.0f} s after lift-off) it rose at {math.degrees(bend.flown):.0f} deg where {math.degrees(bend.best):.0f} deg is best"
    where = _losses(flown)
    if bend.late > 0.6 * abs(bend.early) and bend.late > math.radians(2.0):
        return "lofted", f"stayed too steep to its end: {numbers}; go on lowering the nose until it is nearly level at cutoff{where}: {{cost}}."
    if bend.early > 0:
        return "late turn", f"turned too late: {numbers}; begin to lower the nose sooner{where}: {{cost}}."
    return "early turn", f"turned too early: {numbers}; hold it up longer, until the air is thinner{where}: {{cost}}."


def _losses(flown: FlownAscent) -> str:
    """The dearest of the extra losses, in words."""
    ascent = flown.ascent
    parts = {"gravity": ascent.extra_gravity, "drag": ascent.extra_drag, "steering": ascent.extra_steering, "the burn at the top": ascent.extra_rest}
    known = {name: one for name, one in parts.items() if one.known and one.value > max(WORTH_SAYING, 2 * one.sigma)}
    if not known:
        return ""
    name = max(known, key=lambda one: known[one].value)
    return f" ({name} took {known[name].value:.0f} m/s more than it had to)"
