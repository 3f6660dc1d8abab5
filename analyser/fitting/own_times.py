"""When the burn between two arcs was, by its own readings, its propellant and where the arcs meet."""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burn_impulse import kick_at
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.plane_change import Turn, turn_of, with_turn
from analyser.fitting.propellant import PropellantHistory, Spent
from analyser.fitting.timing import BurnTimes, burn_times, flow_of


def own_times(before: FittedArc, after: FittedArc, inside, rows: PanelRows, propellant: PropellantHistory, edges) -> BurnTimes:
    """Times of the burn between two arcs about one body by its own readings and propellant."""
    used = propellant.spent(*edges) if None not in edges else None
    return times_between(before, after, inside, rows, propellant, edges, used, True)


def times_between(before, after, inside, rows: PanelRows, propellant: PropellantHistory, edges, used: Spent | None, same_body: bool) -> BurnTimes:
    """Times of a burn by itself."""
    # a time for the middle needs the size of the kick, and the kick needs the middle: the middle of the gap is near enough
    kick = kick_at(before, after, (before.end + after.start) / 2) if same_body else math.nan
    if before.plane is not None and after.plane is not None and same_body:
        middle = (before.end + after.start) / 2
        turn = turn_of(before, after, middle, (after.start - before.end) / 4, 0.0)
        kick = float(with_turn(kick, before.at(middle)[2], after.at(middle)[2], turn.square)) if isinstance(turn, Turn) else kick
    # the throttle of a landing moves all the time: what it burnt does not say how long it took
    duration = _duration(used, propellant, rows, inside, edges) if after.kind == "coast" else (math.nan, math.nan)
    return burn_times(
        before, after, inside, rows, duration, kick if math.isfinite(kick) else 100.0,
        flow_of(inside, rows, propellant, edges, landing=after.kind == "landed"))  # fmt: skip


def _duration(used: Spent | None, propellant: PropellantHistory, rows: PanelRows, inside, edges) -> tuple[float, float]:
    """Seconds of burning that the propellant used asks for at the throttle read (full where none was), and the sigma."""
    stage = propellant.firing(edges[0]) if edges[0] is not None else None
    if used is None or stage is None or not math.isfinite(stage.mass_flow) or len(used.stages) != 1:
        return math.nan, math.nan
    open_throttle = [value for value in rows.value["throttle"][list(inside)] if value > 0.005]
    if not open_throttle:
        return used.propellant / stage.mass_flow, used.propellant_sigma / stage.mass_flow
    flow = stage.mass_flow * float(np.mean(open_throttle))
    # a few readings of a throttle that moves say only so much
    spread = float(np.ptp(open_throttle)) / 2 / float(np.mean(open_throttle))
    length = used.propellant / flow
    return length, math.hypot(used.propellant_sigma / flow, spread * length)


__all__ = ["own_times", "times_between"]
