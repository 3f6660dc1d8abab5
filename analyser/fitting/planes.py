"""The planes of a whole flight: every coast's own, then as the joint estimate leaves them, and what can't be known of them in words."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.chain import Chain
from analyser.fitting.plane import NOT_READ, PlaneFit
from analyser.fitting.plane_fit import fit_plane
from analyser.fitting.plane_figures import plane_figures, unknown_figures

if TYPE_CHECKING:
    import pandas as pd

NO_PLACES = (
    "no latitude and longitude were read: the flight is taken as flown in one plane, and inclination, node, argument of periapsis, "
    "changes of plane and what burns wasted out of the plane can't be known"
)


def shows_places(table: "pd.DataFrame") -> bool:
    """Whether the readings show a latitude anywhere: without one no plane can be told."""
    return "latitude" in table.columns and bool(np.isfinite(table["latitude"].to_numpy(float)).any())


def lay(chain: Chain, table: "pd.DataFrame") -> tuple[list[FittedArc], dict[int, PlaneFit]]:
    """The arcs of a chain with their planes, and the fits behind these by the arcs' indices; a coast's shape is sharpened where its places tell more of it."""
    arcs, found = list(chain.arcs), {}
    if not shows_places(table):
        return arcs, found
    for number, arc in enumerate(arcs):
        if arc.kind != "coast" or arc.fit is None:
            continue
        lying = found[arc.index] = fit_plane(arc.fit, table, arc.rows)
        if lying.plane is not None:
            arcs[number] = dataclasses.replace(
                arc, fit=lying.fit, state=lying.fit.state, covariance=lying.fit.covariance, plane=lying.plane, remarks=(*arc.remarks, *lying.remarks)
            )
    return arcs, found


def settle(arcs: list[FittedArc], found: dict[int, PlaneFit]) -> None:
    """Bring the planes to the states that the joint estimate gave, and describe them; the arcs' estimates must be there."""
    for arc in arcs:
        lying = found.get(arc.index)
        if lying is None or arc.estimates is None:
            continue
        if arc.plane is None:
            arc.estimates.update(unknown_figures(lying.reason))
            continue
        # in place: samples drawn together with those of other arcs stay with it
        object.__setattr__(arc, "plane", arc.plane.settled(arc.state, arc.covariance))
        arc.estimates.update(
            plane_figures(arc.body.mu, arc.plane, arc.samples, arc.sampled_rotations, arc.estimates["periapsis_time"], lying.node_reason)
        )


def plane_remarks(table: "pd.DataFrame", arcs: list[FittedArc], found: dict[int, PlaneFit]) -> list[str]:
    """What the readings leave unknown of the planes, in words; each thing once."""
    if not shows_places(table):
        if "heading" in table.columns and np.isfinite(table["heading"].to_numpy(float)).any():
            return [NO_PLACES + "; the heading is that of the nose, and without a latitude it shows no plane"]
        return [NO_PLACES]
    whose: dict[str, list[FittedArc]] = {}
    for arc in arcs:
        lying = found.get(arc.index)
        if lying is None:
            continue
        if lying.plane is None and lying.reason != NOT_READ:
            whose.setdefault(lying.reason, []).append(arc)
        elif lying.plane is not None and lying.node_reason:
            whose.setdefault("the inclination is told from the latitudes alone, the node is not known: " + lying.node_reason, []).append(arc)
        for remark in lying.remarks:
            whose.setdefault(remark, []).append(arc)
    said = [_of(those) + remark for remark, those in whose.items()]
    if all(lying.plane is None and lying.reason == NOT_READ for lying in found.values()):
        said.append("latitude and longitude were read on no coast: inclination, node and what burns wasted out of the plane can't be known")
    return said


def _of(arcs: list[FittedArc]) -> str:
    """"the orbits at MET 12, 340 and 5600 s: "."""
    times = [f"{arc.start:.0f}" for arc in arcs]
    listed = times[0] if len(times) == 1 else ", ".join(times[:-1]) + " and " + times[-1]
    return f"the orbit{'s' if len(times) > 1 else ''} at MET {listed} s: "


def turned_by_burn(first: FittedArc, second: FittedArc) -> float:
    """Standard deviations by which the planes of two coasts differ; 0 where one of them is not known."""
    if first.plane is None or second.plane is None or not (first.plane.noded and second.plane.noded):
        return 0.0
    one, other = (arc.plane.rotation[:, 2] for arc in (first, second))
    apart = np.cross(one, other)
    spread = first.plane.covariance[3:, 3:] + second.plane.covariance[3:, 3:]
    size = float(np.linalg.norm(apart))
    sigma = math.sqrt(max(float(apart @ spread @ apart), 0.0)) / size if size else math.inf
    return size / sigma if sigma > 0 else math.inf
