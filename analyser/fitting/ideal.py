"""The ideal plan: what each leg should cost at the least, burn by burn, in the words and numbers a pilot copies.

Two-body motion and patched conics, impulsive burns in one plane with the apse line free (see :mod:`analyser.fitting.transfer` and
:mod:`analyser.fitting.moon`); landings and lift-offs as the least that the craft's thrust allows (:mod:`analyser.fitting.powered`). Each leg
begins in the ideal end of the leg before, at its first burn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analyser.findings import IdealLeg, IdealPlan
from analyser.fitting.ideal_legs import Draft, Place, fly_leg
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.flight import Craft, Goal, Plan, World

__all__ = ["Place", "PlannedLeg", "Tanks", "plan_leg", "plan_mission"]


@dataclass(frozen=True)
class PlannedLeg:
    """An ideal leg with what follows from it: where it ends, and the tanks then."""

    ideal: IdealLeg
    end: Place
    tanks: Tanks


def plan_mission(
    plan: Plan, world: World, craft: Craft | None = None, *, start: Place | None = None, departure: float = 0.0, tanks: Tanks | None = None,
    memory: PoweredMemory | None = None, check: bool = True,
) -> IdealPlan:  # fmt: skip
    """The ideal of a whole plan.

    Parameters
    ----------
    plan : Plan
    world : World
    craft : Craft, optional
        Without it, or with parts missing, propellant and burn times are nan, and a remark says why.
    start : Place, optional
        Begin here instead of at the plan's start: what the rest would cost from a flown orbit.
    departure : float
        MET at the start, s; the legs' ends carry their time on (``Place.met``). Waits are not counted: where round the planet the craft is, the
        instruments don't show, so the lead of the moon is told instead, and how often it comes round.
    tanks : Tanks, optional
        Propellant at the start; by default full.
    memory : PoweredMemory, optional
        Keeps the landings and lift-offs solved, for who plans again.
    check : bool
        Whether to fly long burns and moon legs numerically and say what that changes: for a pilot who is going to fly it.

    Returns
    -------
    IdealPlan
        ``margin`` is the propellant left after the last leg, kg (negative: missing), ``margin_delta_v`` its worth.
    """
    tanks = tanks or Tanks.full(craft)
    place = start or _start(plan.start, world, departure)
    legs, remarks = [], []
    if tanks.missing:
        remarks.append(tanks.missing)
    for number, leg in enumerate(plan.legs):
        following = plan.legs[number + 1].goal if number + 1 < len(plan.legs) else None
        planned = plan_leg(leg.goal, world, craft, place, name=leg.name, tanks=tanks, following=following, check=check, memory=memory)
        legs.append(planned.ideal)
        place, tanks = planned.end, planned.tanks
    margin, worth = tanks.remaining, tanks.delta_v
    if margin < 0:
        remarks.append(f"the tanks are {-margin:.0f} kg short: {-worth:.0f} m/s are missing")
    return IdealPlan(plan.name, tuple(legs), margin, worth, tuple(remarks))


def _start(goal: Goal, world: World, met: float) -> Place:
    body = world[goal.body]
    return Place.on(body, met) if goal.kind == "landed" else Place.around(body, goal.periapsis, goal.apoapsis, met)


def plan_leg(
    goal: Goal, world: World, craft: Craft | None, from_state: Place, *, name: str = "", tanks: Tanks | None = None, following: Goal | None = None,
    check: bool = False, memory: PoweredMemory | None = None,
) -> PlannedLeg:  # fmt: skip
    """The ideal of one leg, from any orbit or from the ground.

    Parameters
    ----------
    goal : Goal
    world : World
    craft : Craft or None
    from_state : Place
        Where the craft is; e.g. ``Place("Lull", energy, angular_momentum)``.
    name : str
        The leg's name.
    tanks : Tanks, optional
        What is left; by default full.
    following : Goal, optional
        What comes next: a pass of a moon is chosen so that it and the next leg together cost least.
    check : bool
        Whether legs to and from a moon are flown by numerical integration too, with both bodies pulling at once, and the difference told.
    memory : PoweredMemory, optional
        Landings and lift-offs solved before. With ``check`` each is solved anew and kept; without, a near one is carried over.
    """
    draft = Draft(tanks or Tanks.full(craft), [], [], check=check, memory=memory)
    end = fly_leg(goal, world, from_state, draft, following)
    delta_v = math.fsum(burn.delta_v for burn in draft.burns) if end is not None else math.nan
    propellant = math.fsum(burn.propellant for burn in draft.burns) if end is not None else math.nan
    if end is not None and not end.landed:
        draft.path(world[end.body], *end.orbit)
    if end is None:  # what follows can't be told either, but the table keeps its rows
        end = _start(goal, world, math.nan) if goal.kind in ("orbit", "landed") else Place(goal.body, math.nan, math.nan)
        draft.tanks = replace(draft.tanks, propellant=math.nan)
    end = replace(end, met=from_state.met + draft.duration)
    leg = IdealLeg(name, str(goal), delta_v, propellant, draft.duration, tuple(draft.burns), tuple(draft.remarks), tuple(draft.paths))
    return PlannedLeg(leg, end, draft.tanks)
