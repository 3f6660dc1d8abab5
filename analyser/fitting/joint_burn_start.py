"""A burn's tie as the readings give it: what is known of its times, throttle, propellant and direction, and where to start from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.fitting.joint_burn import BURN_UNKNOWNS, BurnTie
from analyser.fitting.joint_coast import Coast
from analyser.fitting.observations import CHANNELS, from_arrays
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.plane_change import turn_of
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.timing import Marks

_USUAL_EXHAUST = 3000.0  # m/s; of chemical engines, common practice, no source
_OPEN = 0.005

def tie_of(before: Coast, after: Coast, inside: tuple[int, ...], edges, rows: PanelRows, propellant: PropellantHistory, turned: bool = False) -> BurnTie | str:
    """The tie of a burn between two coasts about one body, or in words why it can't be pictured. ``turned``: the planes of the two differ."""
    throttles = [float(rows.value["throttle"][row]) for row in inside if rows.value["throttle"][row] > _OPEN]
    if throttles and np.ptp(throttles) > 0.06 * max(throttles) + 0.011:
        return "the throttle moved"
    marks = Marks(before.arc, after.arc, inside, rows)
    clock = marks.clock_sigma
    ignition, cutoff = (
        ((low + high) / 2, math.hypot((high - low) / math.sqrt(12), clock) + 0.02)
        for low, high in ((marks.earliest_ignition, marks.latest_ignition), (marks.earliest_cutoff, marks.latest_cutoff))
    )
    bounds = (marks.earliest_ignition - 3 * clock, marks.latest_ignition + 3 * clock, marks.earliest_cutoff - 3 * clock, marks.latest_cutoff + 3 * clock)
    tie = BurnTie(before, after, np.zeros(5), np.ones(5), ignition, cutoff, bounds, 1.0)
    used = propellant.spent(*edges) if None not in edges else None
    stage = propellant.firing(edges[0]) if edges[0] is not None else None
    if stage is not None and math.isfinite(stage.exhaust_speed):
        same = propellant.stage[edges[0]] == propellant.stage[edges[1]] if edges[1] is not None else False
        tie.exhaust = stage.exhaust_speed if same else math.nan
        mass = propellant.mass(edges[0])
        if same and math.isfinite(mass):
            tie.flow, empty = stage.mass_flow, mass - float(propellant.propellant[edges[0]])
            tie.masses = (empty, empty)
    if not math.isfinite(tie.exhaust):
        # only for the course of the acceleration, which grows as the mass falls
        known = [part.exhaust_speed for part in propellant.craft.stages if part.exhaust_speed > 0] if propellant.craft is not None else []
        tie.exhaust = float(np.mean(known)) if known else _USUAL_EXHAUST
        tie.profile = (0.2 if known else 0.4) / 12
    if used is not None and math.isfinite(used.delta_v) and not tie.linked:
        tie.dropped = (used.delta_v, max(used.delta_v_sigma, 1e-4 * used.delta_v))
    if tie.linked:
        if throttles:
            mean = float(np.mean(throttles))
            digits = float(np.nanmax(np.nan_to_num([rows.sigma["throttle"][row] for row in inside if rows.value["throttle"][row] > _OPEN])))
            tie.throttle, tie.throttles = (mean, digits), throttles
        else:
            tie.throttle = (0.85, 0.25)  # nobody read it: most burn at full
    _guess(tie, used)
    if turned:
        why = _add_turn(tie, used)
        if why:
            return why
    _add_readings(tie, inside, rows, propellant)
    _add_pitches(tie, inside, rows, -1.0 if propellant.craft is not None and propellant.craft.thrust_axis == "tail" else 1.0)
    return tie


def _guess(tie: BurnTie, used) -> None:
    """Where to start from, and the units of the burn's unknowns."""
    before, after = tie.before.arc, tie.after.arc
    length = max(tie.cutoff[0] - tie.ignition[0], 0.2)
    if tie.linked and math.isfinite(tie.flow) and tie.throttle[1] < 0.2:
        length = (tie.before.propellant - tie.after.propellant) / (tie.flow * tie.throttle[0])
    length = min(max(length, tie.bounds[2] - tie.bounds[1], 0.2), max(tie.bounds[3] - tie.bounds[0], 0.3))
    low, high = max(tie.bounds[0] + length / 2, tie.bounds[2] - length / 2), min(tie.bounds[3] - length / 2, tie.bounds[1] + length / 2)
    grid = np.linspace(min(low, high), max(low, high), 81)
    first, second = (np.stack(arc.at(grid)) for arc in (before, after))
    kick = np.hypot(*(second - first)[1:])
    width = np.hypot(tie.before.spread_at(float(grid[40]))[0], tie.after.spread_at(float(grid[40]))[0])
    slop = width + 0.05 * kick * length + 1.0
    ordinary = (grid - (tie.ignition[0] + tie.cutoff[0]) / 2) / math.hypot(tie.ignition[1], tie.cutoff[1])
    best = int(np.argmin(((first[0] - second[0]) / slop) ** 2 + 2 * np.log(slop) + ordinary**2))
    change = second[1:, best] - first[1:, best]
    mean = (second[1:, best] + first[1:, best]) / 2
    # angle of the change above the velocity: both as (radial, transverse)
    angle = math.atan2(change[0] * mean[1] - change[1] * mean[0], float(change @ mean))
    spent = used.delta_v if used is not None and math.isfinite(used.delta_v) else float(kick[best])
    spent = max(spent, 0.01)
    sigma = used.delta_v_sigma if used is not None and math.isfinite(used.delta_v_sigma) else 0.02 * spent
    speed, radius = float(np.hypot(*mean)), float(first[0, best])
    # a thrust held against the stars or the horizon turns from the velocity as that turns: by gravity, and by the thrust itself
    tie.turning = max(math.hypot(speed / radius, spent * math.sin(angle) / speed / length), 1e-9)
    tie.centre = np.array([float(grid[best]), length, spent, angle, 0.0])
    tie.unit = np.array([
        max(tie.ignition[1], 0.05), max(tie.cutoff[1], 0.02 * length), max(sigma, 1e-4 * spent), 0.03, tie.turning,
    ])  # fmt: skip
    tie.set_slop(tie.centre, tie.turning)


def _add_turn(tie: BurnTie, used) -> str:
    """Let the thrust out of the plane by as much as the planes of the coasts differ; in words why not, or ""."""
    middle, length, spent, angle, _ = tie.centre
    before, after = tie.before.arc, tie.after.arc
    tie.half_sweep = before.swept(middle - length / 2, middle)
    sweep = tie.half_sweep + after.swept(middle, middle + length / 2)
    turn = turn_of(before, after, middle, math.hypot(tie.ignition[1], tie.cutoff[1]) / 2, abs(sweep))
    if isinstance(turn, str):
        return turn
    first, second = (np.array(arc.at(middle)) for arc in (before, after))
    level = (first[2] + second[2]) / 2
    sideways, kick = level * turn.angle, float(np.hypot(*(second - first)[1:]))
    if used is None or not math.isfinite(used.delta_v):
        spent = max(math.hypot(kick, sideways), 0.01)
    tie.turn = float(turn.angle), math.hypot(turn.sigma, 1e-5, 2e-4 * turn.angle)
    # held against the stars, the nose falls back from the plane by as much as that turns
    tie.swing = max(abs(turn.angle) / length, 1e-9)
    tie.aim = angle, math.atan2(sideways, kick)
    tie.centre = np.array([middle, length, spent, 0.0, 0.0, 0.0, 0.0])
    doubt = level * turn.sigma / spent
    tie.unit = np.append(tie.unit, [max(min(doubt, 0.3), 1e-3), tie.swing])
    tie.unknowns, tie.begin = BURN_UNKNOWNS + 2, np.zeros(BURN_UNKNOWNS + 2)
    tie.set_slop(tie.centre, math.hypot(tie.turning, tie.swing), doubt)
    return ""


def _add_readings(tie: BurnTie, inside, rows: PanelRows, propellant: PropellantHistory) -> None:
    """Motion and propellant read under thrust."""
    firing = [row for row in inside if not rows.value["throttle"][row] <= _OPEN]
    if not firing:
        return
    values = np.stack([rows.value[name][firing] for name in CHANNELS], axis=1)
    sigmas = np.stack([rows.sigma[name][firing] for name in CHANNELS], axis=1)
    left = np.full(len(firing), np.nan)
    if tie.linked:
        lit = (rows.value["throttle"][firing] > _OPEN) & (propellant.stage[firing] == tie.before.stage)
        left[lit] = propellant.propellant[firing][lit]
    kept = np.isfinite(rows.met[firing]) & (np.isfinite(values).any(axis=1) | np.isfinite(left))
    if not kept.any():
        return
    firing, left = np.array(firing)[kept], left[kept]
    # a row that shows propellant alone is a row too
    motion = from_arrays(tie.before.arc.body, rows.met[firing], np.where(np.isfinite(values[kept]).any(axis=1, keepdims=True), values[kept], 0.0), sigmas[kept], rows.met_sigma[firing], firing)
    blank = ~np.isfinite(values[kept])
    tie.readings = replace(motion, values=np.where(blank, np.nan, motion.values), sigmas=np.where(blank, np.nan, motion.sigmas))
    tie.left = np.stack([left, propellant.sigma[firing], np.maximum(tie.before.propellant - left, 0.0)])
    tie.used = np.column_stack([tie.readings.present, np.isfinite(left)])


def _add_pitches(tie: BurnTie, inside, rows: PanelRows, sense: float) -> None:
    """What the nose showed of the thrust's elevation; ``sense`` -1: the craft pushes towards its tail."""
    for row in inside:
        pitch, sigma = float(rows.value["pitch"][row]), float(np.nan_to_num(rows.sigma["pitch"][row]))
        if math.isfinite(pitch) and rows.value["throttle"][row] > _OPEN:
            tie.pitches.append((float(rows.met[row]), sense * pitch, sigma))


__all__ = ["tie_of"]
