"""A burn that turned the plane where the goal did not ask for it, as a fault with its cost."""

from __future__ import annotations

import math

from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Fault


def plane_fault(number: int, item: AuditedBurn, head: str) -> Fault | None:
    """What a burn wasted across the plane; None where nothing is known of it, or nothing was.

    Parameters
    ----------
    number, item : the burn.
    head : str
        How the sentence begins: "the burn at 0:12:40 ".
    """
    burn = item.burn
    if not burn.out_of_plane_loss.known or not burn.out_of_plane_loss.low > 0 or not burn.plane_change.low > 0:
        return None
    turned = f"turned the plane by {_degrees(burn.plane_change.value)}"
    wanted = burn.plane_change_cost.value - burn.out_of_plane_loss.value
    if wanted > 0.05 * burn.plane_change_cost.value:
        sentence = head + turned + ", more than the inclination needed: turn it where the orbit crosses the equator: {cost}."
    else:
        sentence = head + turned + ", which no goal asks for (a goal with an inclination would): hold the heading along the motion: {cost}."
    return Fault(number, "out of plane", burn.out_of_plane_loss.value, burn.out_of_plane_loss.sigma, sentence)


def across_the_plane(item: AuditedBurn) -> bool:
    """Whether a burn mostly turned the plane, so that what it did in the plane is no measure of it."""
    burn = item.burn
    return burn.net.known and burn.plane_change_cost.known and burn.plane_change_cost.value > 0.5 * burn.net.value


def _degrees(angle: float) -> str:
    return f"{math.degrees(angle):.{1 if math.degrees(angle) >= 1 else 2}f} degrees"
