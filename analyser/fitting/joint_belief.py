"""What of each link of the chain is believed: a link is solved alone first, and stands only where the readings do not contradict it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import chdtri  # of scipy.stats only this is wanted, and that takes half a second to load

from analyser.fitting.joint_burn import RATE, YAW, YAW_RATE, BurnTie
from analyser.fitting.joint_chain import Solved
from analyser.fitting.joint_coast import Coast
from analyser.fitting.joint_ground import Ground, GroundTie
from analyser.fitting.joint_sphere import SphereTie, sphere_ties
from analyser.flight import World

_DISBELIEF = 1e-3  # chance of so bad a fit below which a burn's picture is not believed


def disbelieved(tie: BurnTie) -> str:
    """Solve one burn alone, leave single readings under thrust out that contradict the rest, and test it: why it is not believed, or ""."""
    for _ in range(5):
        solved = Solved.of([tie])
        if solved is None and tie.pitches:
            tie.pitches = []
            continue
        if solved is None:
            return "no steady burn was found that leads from the one to the other"
        if solved.chi2[0] <= chdtri(max(tie.surplus, 1), _DISBELIEF):
            _settle(tie, solved)
            return ""
        if tie.pitches and contradicted(tie, solved):
            tie.pitches = []  # the nose was elsewhere, or misread: the account of the steering says so
        elif tie.readings is None or not _drop_worst(tie, solved):
            break
    return f"a steady burn leads from the one to the other only badly (chi-square {solved.chi2[0]:.0f} with {tie.surplus} degrees of freedom)"


def believed_contact(tie: GroundTie | None) -> tuple[GroundTie | None, str]:
    """The tie of a descent or an ascent as far as it is believed, and a remark where not all of it is."""
    if tie is None or tie.reached is None:
        return tie, ""
    solved = Solved.of([tie])
    if solved is not None and solved.chi2[0] <= chdtri(tie.surplus, _DISBELIEF):
        return tie, ""
    why = (
        f"the readings on the way {'from' if isinstance(tie.before, Ground) else 'to'} the ground near MET {tie.reached.met:.0f} s do not lead to the orbit beside them; "
        "the joint estimate ties the two by propellant alone"
    )
    return (replace(tie, reached=None), why) if tie.linked else (None, why.rpartition(";")[0])


def believed_crossing(before: Coast, after: Coast, world: World) -> SphereTie | None:
    """The one way in which two coasts meet at the edge of a sphere of influence; None where there is none, or more than one."""
    planet, moon = (before.arc.body, after.arc.body) if after.arc.body.parent == before.arc.body.name else (after.arc.body, before.arc.body)
    if moon.parent != planet.name:
        return None
    own = after.propellant_sigma
    after.propellant_sigma = 10 * own
    tried = [(solved.chi2[0], tie, solved) for tie in sphere_ties(before, after, planet, moon) if (solved := Solved.of([tie])) is not None]
    tried = sorted((item for item in tried if item[0] <= chdtri(item[1].surplus, _DISBELIEF)), key=lambda item: item[0])
    places = [item for item in tried[1:] if item[1].sense != tried[0][1].sense or abs(_angle(item) - _angle(tried[0])) > 1e-3]
    if not tried or (places and places[0][0] < tried[0][0] + 9.0):
        after.propellant_sigma = own
        return None
    chi2, tie, solved = tried[0]
    tie.begin = solved.burns[0]
    return tie


def _angle(item) -> float:
    _, tie, solved = item
    return float(tie.centre[1] + tie.unit[1] * solved.burns[0][1])


def contradicted(tie: BurnTie, solved: Solved) -> bool:
    """Whether the pitch read is more at odds with the rest than chance has it."""
    count = int(tie.used.sum()) if tie.readings is not None else 0
    seen = solved.residuals[0][len(solved.residuals[0]) - count - len(tie.pitches) : len(solved.residuals[0]) - count]
    return float(np.abs(seen).max()) > 2.5


def _drop_worst(tie: BurnTie, solved: Solved) -> bool:
    rest = solved.residuals[0][-int(tie.used.sum()) :]
    if not len(rest) or np.abs(rest).max() < 3.5:
        return False
    place = np.argwhere(tie.used)[int(np.argmax(np.abs(rest)))]
    tie.used[tuple(place)] = False
    if not tie.used.any():
        tie.readings = tie.used = None
    return True


def _settle(tie: BurnTie, solved: Solved) -> None:
    """Start from the solution next time, with the steering as open as the readings leave it."""
    burn = tie.burn(solved.burns[0][:, None])[:, 0]
    sigma = math.sqrt(max(solved.covariances[0][tie.before.size + RATE, tie.before.size + RATE], 0.0)) * tie.unit[RATE]
    if tie.turn is None:
        tie.set_slop(burn, min(sigma, tie.turning))
    else:
        yaw, swing = (math.sqrt(max(solved.covariances[0][tie.before.size + place, tie.before.size + place], 0.0)) * tie.unit[place] for place in (YAW, YAW_RATE))
        tie.set_slop(burn, math.hypot(min(sigma, tie.turning), min(swing, tie.swing)), yaw)
    tie.begin = solved.burns[0]


__all__ = ["believed_contact", "believed_crossing", "contradicted", "disbelieved"]
