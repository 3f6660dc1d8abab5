"""Where the delta-v of a burn went along its path: steering, gravity, drag, thrust the wrong way.

Along the path  d(speed)/dt = (T/m) cos a - g sin(fpa) - D/m,  so for a burn that speeds the craft up

    speed gained = spent - steering - gravity - drag
    steering = int (T/m)(1 - cos a) dt,  gravity = int g sin(fpa) dt,  drag = int D/m dt

and for a burn that slows it, told from the brake's side,

    speed removed = spent - off-retrograde - gravity + drag,  gravity = -int g sin(fpa) dt

Gravity and drag are integrated over the readings taken in the burn; steering is what remains.
Source: Humble, Henry and Larson, *Space Propulsion Analysis and Design*, chapter 2 (the splitting); the integrals follow from
the equation of motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.atmosphere import density
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.timing import BurnTimes
from analyser.flight import Body

_SHORT_SWEEP = math.radians(15.0)
_DRAWS = 8


@dataclass(frozen=True)
class PathLosses:
    """Losses along the path, m/s; for a braking burn ``steering`` is the off-retrograde loss and ``drag`` is negative: it helped."""

    steering: Estimate
    gravity: Estimate
    drag: Estimate
    wrong_way: Estimate


def path_losses(
    before: FittedArc, after: FittedArc, inside, times: BurnTimes, rows: PanelRows, spent: float, spent_samples: np.ndarray,
    body: Body, propellant: PropellantHistory, mass: float, same_body: bool,
) -> PathLosses:  # fmt: skip
    """Split the burn loss along the path where the readings allow it."""
    nodes = [row for row in inside if math.isfinite(rows.radius[row] + rows.speed[row] + rows.vertical[row])]
    reason = _why_not(before, after, inside, nodes, times, same_body, spent)
    if reason:
        unknown = Estimate.unknown("m/s", reason)
        return PathLosses(unknown, unknown, unknown, unknown)
    best = _integrals(before, after, nodes, times.ignition.value, times.cutoff.value, rows, body, propellant, mass)
    picks = np.linspace(0, len(times.ignition_samples) - 1, _DRAWS).astype(int)
    draws = np.array(
        [_integrals(before, after, nodes, times.ignition_samples[k], times.cutoff_samples[k], rows, body, propellant, mass)[:3] for k in picks]
    )
    # what a smooth curve through few points leaves out: a twentieth without readings inside, less with each one
    coarse = 0.05 / (1 + len(nodes))
    gravity_sigma = math.hypot(float(np.std(draws[:, 0])), coarse * abs(best[0]))
    drag_sigma = math.hypot(float(np.std(draws[:, 1])), (coarse + 0.1) * abs(best[1]))
    gain, gain_sigma = best[2], _speed_sigma(before, after, times)
    sign = 1.0 if gain >= 0 else -1.0
    gravity = Estimate.of(sign * best[0], gravity_sigma, "m/s")
    drag_unknown = body.atmosphere is not None and best[1] != best[1]
    drag = Estimate.unknown("m/s", "the craft file has no drag_area or mass") if drag_unknown else Estimate.of(sign * best[1], drag_sigma, "m/s")
    if drag_unknown:
        steering = Estimate.unknown("m/s", "can't be told from drag, which is unknown")
    else:
        rest = spent - sign * (gain + best[0] + best[1])
        sigma = math.sqrt(float(np.nanstd(spent_samples)) ** 2 + gravity_sigma**2 + drag_sigma**2 + gain_sigma**2)
        steering = Estimate.of(rest, sigma, "m/s")
    wrong = Estimate.of(best[3], max(gain_sigma, 0.02 * abs(best[3])), "m/s") if nodes else Estimate.unknown("m/s", "no reading was taken during the burn")
    return PathLosses(steering, gravity, drag, wrong)


def _why_not(before, after, inside, nodes, times: BurnTimes, same_body: bool, spent: float) -> str:
    if not same_body:
        return "the burn spans a change of reference body"
    if not math.isfinite(spent):
        return "what was spent is unknown"
    if nodes:
        return ""
    if "landed" in (before.kind, after.kind):
        return "no full reading (altitude, speed, vertical speed) was taken during the burn"
    sweep = abs(before.swept(times.ignition.value, times.cutoff.value))
    if sweep > _SHORT_SWEEP:
        return "no full reading (altitude, speed, vertical speed) was taken during this long burn"
    return ""


def _integrals(before, after, nodes, start: float, end: float, rows: PanelRows, body: Body, propellant, mass: float):
    """Gravity and drag integrals, speed gained, and speed that thrust took the wrong way, m/s."""
    first, last = [float(part) for part in before.at(start)], [float(part) for part in after.at(end)]
    nodes = [row for row in nodes if start < rows.met[row] < end]
    met = np.array([start, *rows.met[nodes], end])
    radius = np.array([first[0], *rows.radius[nodes], last[0]])
    speed = np.array([math.hypot(*first[1:]), *rows.speed[nodes], math.hypot(*last[1:])])
    climb = np.array([first[1], *rows.vertical[nodes], last[1]])
    keep = np.concatenate([[True], np.diff(met) > 1e-3])
    met, radius, speed, climb = met[keep], radius[keep], speed[keep], climb[keep]
    if len(met) < 2:
        return 0.0, 0.0, speed[-1] - speed[0], 0.0
    grid = np.linspace(met[0], met[-1], 16 * len(met) + 33)
    smooth = PchipInterpolator(met, np.stack([radius, speed, climb], axis=1))(grid).T
    sine = np.clip(smooth[2] / np.maximum(smooth[1], 1e-3), -1, 1)
    pull = body.mu / smooth[0] ** 2 * sine
    gravity = float(np.trapezoid(pull, grid))
    drag = _drag(smooth, grid, body, propellant, mass, nodes)
    gained = float(speed[-1] - speed[0])
    # thrust's own work along the path between neighbouring readings; a part against the whole is wrong-way time
    cumulative = np.concatenate([[0.0], np.cumsum((pull[1:] + pull[:-1]) / 2 * np.diff(grid))])
    steps = np.diff(speed) + np.diff(np.interp(met, grid, cumulative))
    sign = 1.0 if gained >= 0 else -1.0
    wrong = float(np.sum(np.clip(-sign * steps, 0, None)))
    return gravity, drag, gained, wrong


def _drag(smooth, grid, body: Body, propellant: PropellantHistory, mass: float, nodes) -> float:
    if body.atmosphere is None or np.all(smooth[0] - body.radius > body.air_top):
        return 0.0
    area = propellant.craft.drag_area if propellant.craft else math.nan
    masses = [value for value in [mass, *(propellant.mass(row) for row in nodes)] if math.isfinite(value)]
    if not (math.isfinite(area) and masses):
        return math.nan
    air = density(body.atmosphere, smooth[0] - body.radius)
    level = np.sqrt(np.clip(smooth[1] ** 2 - smooth[2] ** 2, 0, None)) - body.rotation_rate * smooth[0]
    push = 0.5 * air * (level**2 + smooth[2] ** 2) * area / float(np.mean(masses))
    return float(np.trapezoid(push, grid))


def _speed_sigma(before: FittedArc, after: FittedArc, times: BurnTimes) -> float:
    total = 0.0
    for arc in (before, after):
        if arc.kind == "coast":
            total += float(np.std(np.hypot(arc.samples[:, 1], arc.samples[:, 2]))) ** 2
    return math.sqrt(total)
