"""Braking begun too late to be stopped at the ground: it costs no propellant, and the touchdown tells it.

As long as the ground is not met, a late start costs next to nothing: full thrust, held higher over the motion, stops the craft all the same, for less than 1 m/s more in
simulated descents (see the tests). What it may cost is the craft: the fault is told with the speed that was left at the ground.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Landing
from analyser.fitting.arcs import FittedArc
from analyser.fitting.braking import stop
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import OPEN, WORTH_SAYING, Fault, metres, span, when
from analyser.fitting.ground_faults import judged, stop_from
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Craft

_HARD = 5.0  # m/s over the ground at contact: no lander's legs are made for more (common practice, no source)
_LOOK_BACK = 3.0  # of the burn's length: how far before its ignition the last good moment is looked for


def late_braking(number: int, audited: list[AuditedBurn], arcs: list[FittedArc], craft: Craft | None, rows: PanelRows | None, landings: tuple[Landing, ...]) -> Fault | None:
    """The fault of landing ``number``, where full thrust against the motion from its ignition on could not have stopped it and it met the ground hard; ``cost`` is the speed
    left there, m/s, which was missing rather than wasted."""
    item = audited[number]
    before, ground = arcs[item.burn.before], arcs[item.burn.after]
    engine = judged(item, before, ground, craft, rows)
    if engine is None or rows is None or _held_back(item, rows):
        return None
    speed, sigma = _contact(item, ground, engine, rows, landings)
    if not (speed > _HARD and speed - 2 * sigma > WORTH_SAYING):
        return None
    ignition = item.burn.ignition.value
    latest = _latest_before(before, ground, engine, ignition + 2 * item.burn.ignition.sigma, max(_LOOK_BACK * item.times.duration, 60.0))
    if not math.isfinite(latest):
        return None
    late = ignition - latest
    height = float(before.at(latest)[0]) - float(ground.state[0])
    sentence = (
        f"the landing (from {when(ignition)}) was begun {f'{span(late)} too late' if late >= 1.0 else 'a moment too late'}: full thrust against the motion could no longer stop it, and "
        f"it met the ground at {speed:.0f} m/s; start at the latest {metres(height)} over the ground: {{cost}} were missing."
    )
    return Fault(number, "late braking", speed, sigma, sentence)


def _held_back(item: AuditedBurn, rows: PanelRows) -> bool:
    """Whether a throttle read in the burn was not open: then it was not lateness alone."""
    read = rows.value["throttle"][list(item.burn.rows)]
    read = read[read > 0.005]
    return bool(len(read)) and float(np.min(read)) < OPEN


def _contact(item: AuditedBurn, ground: FittedArc, engine, rows: PanelRows, landings: tuple[Landing, ...]) -> tuple[float, float]:
    """Speed over the ground at the touchdown that ends a burn, and its sigma, m/s: as read at contact, else that with which full thrust from the last full reading on meets the
    ground; nan where it stops above it, or nothing tells."""
    start, end = item.burn.ignition.value, item.burn.cutoff.high
    touched = next((one for one in landings if one.kind == "touchdown" and one.body == item.burn.body and one.vertical_speed.known and start < one.met.value < end + 60.0), None)
    if touched is not None and touched.remark == "read at contact":
        along = touched.horizontal_speed
        return math.hypot(touched.vertical_speed.value, along.value if along.known else 0.0), math.hypot(touched.vertical_speed.sigma, along.sigma if along.known else 0.0)
    use = [row for row in item.burn.rows if math.isfinite(rows.radius[row] + rows.speed[row] + rows.vertical[row] + rows.value["propellant"][row])]
    if not use:
        return math.nan, math.nan
    last, floor = use[-1], float(ground.state[0])
    mass = item.mass_with(float(rows.value["propellant"][last]))
    if not (math.isfinite(mass) and rows.radius[last] > floor):
        return math.nan, math.nan
    radius, sink, speed = float(rows.radius[last]), float(rows.vertical[last]), float(rows.speed[last])

    def met(lower: float, faster: float) -> float:
        state = radius - lower, sink, math.sqrt(max((speed + faster) ** 2 - sink**2, 0.0))
        return stop(ground.body.mu, state, engine.thrust, engine.exhaust_speed, mass, ground.body.rotation_rate, floor)[3]

    found = met(0.0, 0.0)
    digits = (met(float(rows.sigma["altitude"][last]), 0.0) - found, met(0.0, float(rows.sigma["speed"][last])) - found)
    return found, math.hypot(*(part for part in digits if math.isfinite(part)))


def _latest_before(before: FittedArc, ground: FittedArc, engine, ignition: float, back: float) -> float:
    """The last moment before ``ignition`` on the coast from which full thrust against the motion stops above the ground, MET s; nan where there was none."""
    floor = float(ground.state[0])
    times = np.linspace(ignition, ignition - back, 25)
    for early, late in zip(times[1:], times):
        if stop_from(before, early, ground, engine, 1.0)[0] >= floor:
            for _ in range(14):
                middle = (early + late) / 2
                early, late = (middle, late) if stop_from(before, middle, ground, engine, 1.0)[0] >= floor else (early, middle)
            return float(early)
    return math.nan
