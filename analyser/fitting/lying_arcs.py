"""Flown arcs against goals that say how their orbit is to lie: what of the plane and the apse line counts, and the least delta-v with it, with samples.

Only what the goal names and the readings show counts: the plane stays where no inclination is asked for, the node where none is, the apse line is free where none is.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.orientation import angles_of, axes_of, axes_of_state
from analyser.fitting.plane_change import Turn
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.space_ways import Lying
from analyser.fitting.transfer import orbit_of_apsides
from analyser.fitting.transfer_space import least_in_space
from analyser.flight import Goal

NAMED = {"inclination": "an inclination", "longitude_of_ascending_node": "a node", "argument_of_periapsis": "an argument of periapsis"}


def counts_beyond_tilt(goal: Goal, *arcs: FittedArc) -> bool:
    """Whether a goal names a node or an argument of periapsis that the readings of these arcs show."""
    if any(arc.kind != "coast" or arc.plane is None for arc in arcs):
        return False
    node = not math.isnan(goal.longitude_of_ascending_node) and all(arc.plane.noded for arc in arcs)
    return node or not math.isnan(goal.argument_of_periapsis)


def wanted_turn(goal: Goal, turn: Turn, before: FittedArc, after: FittedArc):
    """Square of the turn of the plane that a goal asks for of a burn's, best and samples, rad^2; None where it names no plane."""
    if math.isnan(goal.inclination):
        return None
    whole = not math.isnan(goal.longitude_of_ascending_node) and before.plane.noded and after.plane.noded
    return (turn.square, turn.squares) if whole else (turn.wanted_square, turn.wanted_squares)


def not_shown(goal: Goal, *arcs: FittedArc) -> list[str]:
    """What a goal names of how its orbit is to lie that these arcs' readings don't show, in words."""
    coasts = [arc for arc in arcs if arc.kind == "coast"]
    asked = [name for name in NAMED if not math.isnan(getattr(goal, name))]
    if all(arc.plane is not None for arc in coasts):
        asked = [name for name in asked if name == "longitude_of_ascending_node" and not all(arc.plane.noded for arc in coasts)]
    return [NAMED[name] for name in asked]


def needed_as_lying(before: FittedArc, after: FittedArc, goal: Goal, limits) -> tuple[float, np.ndarray]:
    """Least delta-v, m/s, between two arcs about one body with what their goal wants of how they lie: best, and samples (K,)."""
    return _least(before.body.mu, _orbits(before), _orbits(after), goal, before.plane.noded and after.plane.noded, limits)


def still_as_lying(arc: FittedArc, goal: Goal, limits) -> tuple[float, np.ndarray]:
    """Least delta-v, m/s, from an arc to a goal about the same body, as the goal says that it is to lie: best, and samples (K,)."""
    body, flown = arc.body, _orbits(arc)
    wanted = orbit_of_apsides(body.mu, body.radius + goal.periapsis, body.radius + goal.apoapsis)
    angles = goal.inclination, goal.longitude_of_ascending_node, goal.argument_of_periapsis
    return _least(body.mu, flown, tuple(np.full(flown[0].shape, float(x)) for x in (*wanted, *angles)), goal, arc.plane.noded, limits)


def sampled_angles(arc: FittedArc) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Inclinations, nodes and arguments of periapsis, rad (K,), of an arc whose plane is known."""
    return angles_of(axes_of_state(arc.body.mu, arc.samples, arc.sampled_rotations))


def _orbits(arc: FittedArc):
    """Energies, angular momenta, inclinations, nodes and arguments of periapsis (1 + K,): the best and then the samples."""
    best = arc.energy, arc.momentum, *angles_of(axes_of_state(arc.body.mu, arc.state, arc.plane.rotation))
    return tuple(np.append(one, many) for one, many in zip(best, (arc.sampled_energy, arc.sampled_momentum, *sampled_angles(arc))))


def _least(mu, first, second, goal: Goal, noded: bool, limits) -> tuple[float, np.ndarray]:
    (e1, h1, i1, node1, argument1), (e2, h2, i2, node2, argument2) = first, second
    i2 = i1 if math.isnan(goal.inclination) else i2
    node2 = node2 if noded and not math.isnan(goal.longitude_of_ascending_node) else node1
    one, other = axes_of(i1, node1, argument1), axes_of(i2, node2, 0.0 if math.isnan(goal.argument_of_periapsis) else argument2)
    if math.isnan(goal.argument_of_periapsis):
        turn = np.arctan2(np.linalg.norm(np.cross(one[..., 2], other[..., 2]), axis=-1), (one[..., 2] * other[..., 2]).sum(axis=-1))
        least = least_with_turn(mu, e1, h1, e2, h2, turn, **limits)
    else:
        least = least_in_space(mu, Lying(e1, h1, one), Lying(e2, h2, other), **limits)
    return float(least[0]), least[1:]
