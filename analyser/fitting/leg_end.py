"""The orbit in which a leg ended against its goal: what is still needed to it, and by how much it was missed."""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Estimate
from analyser.fitting import goals
from analyser.fitting.arcs import FittedArc
from analyser.fitting.lying_arcs import counts_beyond_tilt, sampled_angles, still_as_lying
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.sampling import estimate
from analyser.fitting.transfer import orbit_of_apsides
from analyser.flight import Goal, World

_NEAR, _REACH = 3.0, 1.65  # of the noise: how near nought is near, and a length that noise of a few dimensions exceeds once in twenty times


def known_angle(arc: FittedArc, name: str) -> Estimate | None:
    """An arc's estimate of an angle, where it is known."""
    found = (getattr(arc, "estimates", None) or {}).get(name)
    return found if found is not None and found.known else None


def tilts_of(arc: FittedArc) -> np.ndarray:
    """Samples of an arc's inclination, rad (K,)."""
    return np.arccos(np.clip(arc.sampled_rotations[:, 2, 2], -1, 1))


def still_needed(goal: Goal, world: World, arc: FittedArc) -> Estimate:
    """Least delta-v, m/s, from the orbit a leg ended in to its goal."""
    if goal.kind == "landed":
        if arc.kind == "landed" and arc.body.name == goal.body:
            return Estimate.of(0.0, 0.0, "m/s")
    if arc.kind != "coast" or arc.body.name != goal.body:
        return Estimate.unknown("m/s", f"the leg ended about {arc.body.name}" if arc.kind == "coast" else "the leg ended on the ground")
    if goal.kind == "orbit" and counts_beyond_tilt(goal, arc):
        return _distance(*still_as_lying(arc, goal, {"radius_min": arc.body.radius, "radius_max": arc.body.sphere_of_influence}))
    if goal.kind == "orbit" and math.isfinite(goal.inclination) and arc.plane is not None:
        body, tilt = arc.body, known_angle(arc, "inclination")
        wanted = orbit_of_apsides(body.mu, body.radius + goal.periapsis, body.radius + goal.apoapsis)
        limits = {"radius_min": body.radius, "radius_max": body.sphere_of_influence}
        off = abs((tilt.value if tilt else math.acos(arc.plane.rotation[2, 2])) - goal.inclination)
        best = float(least_with_turn(body.mu, arc.energy, arc.momentum, *wanted, off, **limits))
        return _distance(best, least_with_turn(body.mu, arc.sampled_energy, arc.sampled_momentum, *wanted, np.abs(tilts_of(arc) - goal.inclination), **limits))
    best = float(goals.still_needed(goal, world, arc.body.name, arc.energy, arc.momentum))
    # each sample is a search of its own: every fourth tells the spread well enough
    few = slice(None, None, 4)
    return estimate(best, np.asarray(goals.still_needed(goal, world, arc.body.name, arc.sampled_energy[few], arc.sampled_momentum[few])), "m/s")


def _distance(best: float, samples: np.ndarray) -> Estimate:
    """The estimate of a least delta-v that noise can only lengthen: near nought its lower end is what is left when the noise is taken off.

    The samples scatter about an orbit that has the noise in it once: their mean square less the best value's is the noise's own.
    """
    found = estimate(best, samples, "m/s")
    if not found.known:
        return found
    noise = math.sqrt(max(float(np.nanmean(samples**2)) - best**2, 0.0))
    low = max(best - _REACH * noise, 0.0) if best < _NEAR * noise else found.low
    return Estimate(found.value, found.sigma, min(low, found.low), found.high, found.unit)


def miss(goal: Goal, world: World, arc: FittedArc) -> dict[str, Estimate]:
    """Flown less wanted, by the goal's own quantities."""
    if arc.kind != "coast" or arc.body.name != goal.body or goal.kind in ("landed", "escape"):
        return {}
    angles = [known_angle(arc, name) for name in ("inclination", "ascending_node_longitude", "argument_of_periapsis")]
    sampled = sampled_angles(arc) if any(angle is not None for angle in angles) else (math.nan,) * 3
    best = goals.miss(goal, world, arc.body.name, arc.energy, arc.momentum, *(angle.value if angle else math.nan for angle in angles))
    spread = goals.miss(goal, world, arc.body.name, arc.sampled_energy, arc.sampled_momentum, *(many if angle else math.nan for angle, many in zip(angles, sampled)))
    found = {}
    for name, value in best.items():
        published = (arc.estimates or {}).get(name)
        shift = float(value)
        if published is not None and published.known and math.isfinite(shift):
            # the fit's own interval, moved: its honesty near circles is kept
            wanted = published.value - shift
            found[name] = Estimate(shift, published.sigma, published.low - wanted, published.high - wanted, published.unit)
        elif math.isfinite(shift):
            found[name] = estimate(shift, np.broadcast_to(np.asarray(spread[name], float), arc.sampled_energy.shape), "m" if name.endswith("altitude") else "rad")
    return found
