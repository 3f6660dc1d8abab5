"""One flight, one estimate: coasts joined by the burns between them and at the edges of spheres of influence.

Each coast comes in as the state and covariance of its own fit, which hold all that its readings say. A burn is flown from the coast
before it, and must end on the coast after it; propellant, throttle and the readings under thrust speak for the burn. The unknowns form a chain, solved
by Gauss-Newton steps at a cost linear in burns (and in readings, through the coasts' fits).

A burn that this picture does not fit (throttle that moves, an unknown second engine, a bad coast) is left out: its coasts keep what
their own readings say on that side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.intervals import root_of
from analyser.fitting.joint_belief import believed_contact, believed_crossing, disbelieved
from analyser.fitting.joint_burn import BurnTie
from analyser.fitting.joint_burn_start import tie_of
from analyser.fitting.joint_chain import Solved
from analyser.fitting.joint_coast import Coast
from analyser.fitting.joint_evidence import likeliest
from analyser.fitting.joint_ground import Ground, GroundTie, ground_of, ground_tie
from analyser.fitting.joint_manner import OPEN, STEADY, Manner
from analyser.fitting.joint_report import JointBurn, report
from analyser.fitting.joint_sphere import SphereTie
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.flight import World


@dataclass(frozen=True)
class Gap:
    """What lies between two coasts: a burn about one body, or, between coasts about a planet and its moon, the edge of the sphere of influence. Indices of the
    arcs, rows in between, and the rows whose propellant holds just before and just after (None where not read)."""

    before: int
    after: int
    inside: tuple[int, ...]
    edges: tuple[int | None, int | None]
    turned: bool = False  # whether the planes of the two coasts differ


@dataclass(frozen=True)
class Joint:
    """Arcs with sharper states, burns by the index of the arc after them, and what was left out."""

    arcs: list[FittedArc]
    burns: dict[int, JointBurn]
    remarks: tuple[str, ...] = ()


def refine(arcs: list[FittedArc], gaps: list[Gap], rows: PanelRows, propellant: PropellantHistory, world: World) -> Joint:
    """Join the coasts of a flight by the burns between them.

    Parameters
    ----------
    arcs : list of FittedArc
        In order.
    gaps : list of Gap
        The burns between two coasts about one body, and the unpowered changes of body.
    world : World
    rows, propellant
        The readings, slips taken out.

    Returns
    -------
    Joint
        Arcs that no burn joins come back as they were.
    """
    coasts = {index: _coast(arcs[index], propellant) for gap in gaps for index in (gap.before, gap.after)}
    ties: dict[int, BurnTie | SphereTie | GroundTie] = {}
    remarks: list[str] = []
    for gap in gaps:
        if coasts[gap.before] is None or coasts[gap.after] is None:
            continue
        if "landed" in (arcs[gap.before].kind, arcs[gap.after].kind):
            contact, why = believed_contact(ground_tie(coasts[gap.before], coasts[gap.after], gap.inside, gap.edges, rows, propellant))
            if contact is not None:
                ties[gap.after] = contact
            if why:
                remarks.append(why)
            continue
        if arcs[gap.before].body.name != arcs[gap.after].body.name:
            crossing = believed_crossing(coasts[gap.before], coasts[gap.after], world)
            if crossing is not None:
                ties[gap.after] = crossing
            continue
        tie = tie_of(coasts[gap.before], coasts[gap.after], gap.inside, gap.edges, rows, propellant, gap.turned)
        why = tie if isinstance(tie, str) else disbelieved(tie)
        if why:
            remarks.append(f"the burn near MET {(arcs[gap.before].end + arcs[gap.after].start) / 2:.0f} s does not join its coasts in the joint estimate: {why}")
        else:
            ties[gap.after] = tie
    found, burns = list(arcs), {}
    runs = _runs(ties, gaps)
    for run, solved in zip(runs, _in_one_manner([[ties[index] for index in run] for run in runs])):
        if solved is not None:
            report(solved, solved.ties, run, found, burns, rows, propellant)
    return Joint(found, burns, tuple(remarks))


def _in_one_manner(chains: list[list[BurnTie | SphereTie | GroundTie]]) -> list[Solved | None]:
    """The chains of a flight, solved in the manner that the readings of all of them make likeliest."""
    steady = [_solved(ties, STEADY) for ties in chains]
    manner = likeliest([solved for solved in steady if solved is not None])
    return steady if manner == STEADY else [_solved(ties, manner, before) for ties, before in zip(chains, steady)]


def _solved(ties: list[BurnTie | SphereTie | GroundTie], manner: Manner, before: Solved | None = None) -> Solved | None:
    """A chain in a manner of flying (or, where no steps lead to a solution in that, with open hands), from where it was solved in another."""
    if before is not None:
        for tie, burn in zip(ties, before.burns):
            tie.begin = burn
    for wanted in (manner, OPEN):
        for tie in ties:
            if isinstance(tie, BurnTie):
                tie.manner = wanted
        solved = Solved.of(ties, before.coasts if before is not None else None)
        if solved is not None:
            return solved
    return None


def _coast(arc: FittedArc, propellant: PropellantHistory) -> Coast | Ground | None:
    if arc.kind == "landed":
        return ground_of(arc, propellant)
    if arc.kind != "coast" or not np.isfinite(arc.covariance).all():
        return None
    coast = Coast(arc, root_of(arc.covariance))
    known = propellant.known(arc.rows)
    stages = {int(propellant.stage[row]) for row in known}
    if len(stages) == 1 and propellant.craft is not None:
        best = min(known, key=lambda row: propellant.sigma[row])
        coast.propellant, coast.propellant_sigma = float(propellant.propellant[best]), max(float(propellant.sigma[best]), 1e-9)
        coast.stage = stages.pop()
    return coast


def _runs(ties: dict[int, BurnTie], gaps: list[Gap]) -> list[list[int]]:
    """Ties that follow each other without a break."""
    runs: list[list[int]] = []
    for gap in gaps:
        if gap.after not in ties:
            continue
        if runs and runs[-1][-1] == gap.before:
            runs[-1].append(gap.after)
        else:
            runs.append([gap.after])
    return runs


__all__ = ["Gap", "Joint", "refine"]
