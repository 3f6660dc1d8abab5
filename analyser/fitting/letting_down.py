"""The slow end of a descent on the engine: let down, not braked, from what height, in what time, and what that cost beyond falling and stopping at full thrust."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Engine
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.powered_memory import PoweredMemory

#: Of circular speed: below it the craft is let down, not braked.
SLOW = 0.08
_EASED = 1.4  # time over that at the speed before, in which a descent comes to a stop: between a sudden stop (1) and an even braking (2), as simulated ones do
_STILL = 0.5  # m/s: vertical speeds below this are hovering


@dataclass(frozen=True)
class LetDown:
    """The slow end of a descent: from ``height`` m in ``time`` s it cost ``cost`` m/s (known to ``sigma``) more than ``least``, of it ``hovered`` m/s in ``hover_time`` s at
    ``hover_height`` m."""

    height: float = math.nan
    time: float = 0.0
    least: float = 0.0
    cost: float = 0.0
    hovered: float = 0.0
    hover_time: float = 0.0
    hover_height: float = math.nan
    sigma: float = 0.0


def let_down(item: AuditedBurn, ground: FittedArc, engine: Engine, rows: PanelRows | None, memory: PoweredMemory) -> LetDown:
    """The slow end of the descent that a burn ended, from the readings taken in it; reckoned once for all who ask with one ``memory``."""
    return memory.once(("let down", item.burn.ignition.value, item.burn.spent.value, engine.thrust), lambda: _let_down(item, ground, engine, rows))


def _let_down(item: AuditedBurn, ground: FittedArc, engine: Engine, rows: PanelRows | None) -> LetDown:
    body, floor = ground.body, float(ground.state[0])
    circular, gravity = math.sqrt(body.mu / floor), body.mu / floor**2
    if rows is None:
        return LetDown()
    use = [row for row in item.burn.rows if math.isfinite(rows.radius[row] + rows.vertical[row] + rows.speed[row]) and rows.met[row] < item.times.cutoff.value]
    slow = [row for row in use if math.hypot(rows.vertical[row], _across(rows, row) - body.rotation_rate * rows.radius[row]) < SLOW * circular]
    if not slow or rows.radius[slow[0]] - floor < 5.0:
        return LetDown()
    first = slow[0]
    met = np.array([*rows.met[slow], item.times.cutoff.value])
    height = np.array([*(rows.radius[slow] - floor), 0.0])
    sink, across = float(-rows.vertical[first]), _across(rows, first) - body.rotation_rate * float(rows.radius[first])
    time = float(met[-1] - met[0])
    push = engine.thrust / max(item.mass_after, 1.0)
    flown, sigma = _burnt(item, rows, first)
    if not math.isfinite(flown):
        # what came in as speed had to be stopped in any case; the weight was carried for the time it took, but not while the engine was off
        flown, sigma = gravity * time + math.hypot(sink, across), push * item.times.cutoff.sigma
        throttle = np.array([*rows.value["throttle"][slow], rows.value["throttle"][slow[-1]]])
        if np.isfinite(throttle).all():
            flown = min(flown, push * float(np.sum((throttle[1:] + throttle[:-1]) / 2 * np.diff(met))))
    least = _least_stop(sink, across, max(height[0], 0.0), gravity, push) if push > 1.02 * gravity else flown
    hovering, where = _hover(met, height, np.append(-rows.vertical[slow], np.nan))
    cost = max(flown - least, 0.0)
    return LetDown(float(height[0]), time, least, cost, min(gravity * hovering, cost), hovering, where, sigma)


def _burnt(item: AuditedBurn, rows: PanelRows, row: int) -> tuple[float, float]:
    """Delta-v spent from a row of a burn to its end by the propellant read there, and its sigma, m/s; nan where none was read, or none to be believed."""
    mass = item.mass_with(float(rows.value["propellant"][row]))
    if math.isnan(mass):
        return math.nan, math.nan
    # the gauge falls while it is read: the row's clock counts with its digits
    return item.exhaust_speed * math.log(mass / item.mass_after), item.exhaust_speed * math.sqrt(2) * float(rows.sigma["propellant"][row]) / item.mass_after


def _hover(met: np.ndarray, height: np.ndarray, sink: np.ndarray) -> tuple[float, float]:
    """Seconds that a craft stood still over the ground, and its mean height then, m: rows that stand still, and of the time to a neighbour what slowing down there
    (or beginning to sink) leaves; where the neighbour's sinking is not known (the touchdown) half."""
    still = (np.abs(sink) < _STILL) & (height > 15.0)
    seconds, weighed = 0.0, 0.0
    for k in np.flatnonzero(still):
        for other in (k - 1, k + 1):
            if not 0 <= other < len(met):
                continue
            apart = abs(float(met[other] - met[k]))
            if still[other] or math.isnan(sink[other]):
                part = apart / 2
            else:
                part = max(apart - _EASED * abs(float(height[other] - height[k])) / max(abs(float(sink[other])), _STILL), 0.0)
            seconds, weighed = seconds + part, weighed + part * float(height[k])
    return seconds, weighed / seconds if seconds > 0 else math.nan


def _least_stop(sink: float, across: float, height: float, gravity: float, push: float) -> float:
    """Delta-v, m/s, that stops a craft at the ground: the fall begun now stopped as late as it can be, and the speed across with the weight carried meanwhile."""
    fall = math.sqrt(max(sink, 0.0) ** 2 + 2 * gravity * height) / math.sqrt(max(1 - gravity / push, 0.05))
    return math.hypot(fall, across / math.sqrt(max(1 - (gravity / push) ** 2, 0.05)))


def _across(rows: PanelRows, row: int) -> float:
    return math.sqrt(max(rows.speed[row] ** 2 - rows.vertical[row] ** 2, 0.0))
