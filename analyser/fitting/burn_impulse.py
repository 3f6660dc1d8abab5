"""The impulses that stand for a burn: the one that joins the coasts beside it (net), and the least that would have done (needed). Definitions: :mod:`analyser.fitting.burns`."""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.plane_change import Turn, with_turn
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.timing import BurnTimes
from analyser.fitting.transfer import least_delta_v, shared_radii

LARGEST_SWEEP = math.radians(60.0)


def impulse_at(mu: float, first, second, radius, outward_first, outward_second, turn_square=0.0):
    """The single impulse between two orbits at a radius they share, m/s; arrays broadcast.

    ``first`` and ``second`` are (energy, angular momentum); ``outward_*`` say which way each moves there (True: up); ``turn_square`` is
    the square of the angle between their planes, rad^2.
    """
    parts = []
    for (energy, momentum), outward in ((first, outward_first), (second, outward_second)):
        level = momentum / radius
        climb = np.sqrt(np.clip(2 * (energy + mu / radius) - level**2, 0, None))
        parts.append((np.where(outward, climb, -climb), level))
    flat = np.hypot(parts[1][0] - parts[0][0], parts[1][1] - parts[0][1])
    return with_turn(flat, parts[0][1], parts[1][1], turn_square) if np.any(turn_square) else flat


def kick_at(before: FittedArc, after: FittedArc, met: float) -> float:
    first, second = before.at(met), after.at(met)
    return float(math.hypot(second[1] - first[1], second[2] - first[2]))


def net_impulse(before: FittedArc, after: FittedArc, times: BurnTimes, same_body: bool, turn: Turn | str):
    """The net impulse, its samples, (the same in the plane and with no more than the change of inclination: value, samples, value, samples), and why
    it has no value (or "")."""
    nothing = np.full(1, np.nan)
    if not same_body:
        return math.nan, nothing, None, "the burn spans a change of reference body"
    if "landed" in (before.kind, after.kind):
        return math.nan, nothing, None, "the burn begins or ends on the ground: no single impulse pictures it"
    middle = times.middle
    sweep = before.swept(times.ignition.value, middle) + after.swept(middle, times.cutoff.value)
    if abs(sweep) > LARGEST_SWEEP:
        return math.nan, nothing, None, f"the burn sweeps {math.degrees(abs(sweep)):.0f} degrees about {before.body.name}: no single impulse pictures it"
    mu = before.body.mu
    one = (mu, before.energy, before.momentum, after.energy, after.momentum, before.at(middle), after.at(middle))
    flat = float(net_of(*one))
    if not math.isfinite(flat):
        return math.nan, nothing, None, "the orbits before and after share no radius near the burn: no single impulse joins them"
    # where in its gap the burn lay is part of what is not known
    steps = times.ignition_samples / 2 + times.cutoff_samples / 2
    steps = steps + (middle - float(np.mean(steps)))
    many = (
        mu, before.sampled_energy, before.sampled_momentum, after.sampled_energy, after.sampled_momentum,
        _at_own(before, steps), _at_own(after, steps),
    )  # fmt: skip

    def whole(samples: np.ndarray, best: float) -> np.ndarray:
        return np.where(np.isfinite(samples), samples, best)

    flat_samples = whole(net_of(*many), flat)
    if isinstance(turn, str):
        return flat, flat_samples, (flat, flat_samples, flat, flat_samples), ""
    best, asked = (float(net_of(*one, turn_square=square)) for square in (turn.square, turn.wanted_square))
    samples, asked_samples = (whole(net_of(*many, turn_square=square), value) for square, value in ((turn.squares, best), (turn.wanted_squares, asked)))
    return best, samples, (flat, flat_samples, asked, asked_samples), ""


def _at_own(arc: FittedArc, times: np.ndarray):
    """Each sample of an arc at its own time."""
    state = arc.samples.T
    return conic.propagate(arc.body.mu, state[0], state[1], state[2], times - arc.epoch)


def net_of(mu, energy_before, momentum_before, energy_after, momentum_after, at_before, at_after, turn_square=0.0):
    radius = (at_before[0] + at_after[0]) / 2
    low, high = shared_radii(mu, energy_before, momentum_before, energy_after, momentum_after)
    # orbits that miss each other by little (a finite burn, or noise): the impulse at the middle of the miss
    miss = np.clip(low - high, 0, None)
    where = np.where(miss > 0, (low + high) / 2, np.clip(radius, low, np.maximum(high, low)))
    found = impulse_at(
        mu, (energy_before, momentum_before), (energy_after, momentum_after), where, at_before[1] >= 0, at_after[1] >= 0, turn_square
    )
    return np.where(miss > 0.03 * where, np.nan, found)


def transfer_limits(before: FittedArc, after: FittedArc) -> dict[str, float]:
    """Between which radii, m, impulses may happen: above the ground (which a landing or a reading puts lower or higher than the datum),
    inside the sphere of influence. Rest on the ground is the orbit with its apoapsis there."""
    grounds = [float(arc.state[0]) for arc in (before, after) if arc.kind == "landed"]
    floor = min(grounds) if grounds else min(before.body.radius, float(before.state[0]), float(after.state[0]))
    return {"radius_min": floor * (1 - 1e-9), "radius_max": before.body.sphere_of_influence}


def needed_impulses(before: FittedArc, after: FittedArc, tilt=None):
    """Least delta-v, best and samples; ``tilt``, where the inclination counts, is the square of its change likewise, rad^2."""
    body = before.body
    if before.kind == "landed" and after.kind == "landed":
        return 0.0, np.zeros(len(before.samples))
    limits = transfer_limits(before, after)
    best = least_delta_v(body.mu, before.energy, before.momentum, after.energy, after.momentum, **limits)
    # the ground's own height is known well enough: only the orbit's spread counts
    spread = [
        (arc.energy, arc.momentum) if arc.kind == "landed" else (arc.sampled_energy, arc.sampled_momentum) for arc in (before, after)
    ]
    if tilt is not None:
        best = least_with_turn(body.mu, before.energy, before.momentum, after.energy, after.momentum, math.sqrt(tilt[0]), **limits)
        return float(best), least_with_turn(body.mu, *spread[0], *spread[1], np.sqrt(tilt[1]), **limits)
    samples = least_delta_v(body.mu, *spread[0], *spread[1], **limits)
    return float(best), np.asarray(samples)


__all__ = ["LARGEST_SWEEP", "impulse_at", "kick_at", "needed_impulses", "net_impulse", "net_of", "transfer_limits"]
