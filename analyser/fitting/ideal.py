"""The ideal plan: what each leg should cost at the least, burn by burn, in the words and numbers a pilot copies.

Two-body motion and patched conics, impulsive burns in one plane with the apse line free (see :mod:`analyser.fitting.transfer` and
:mod:`analyser.fitting.moon`) unless a goal says how its orbit is to lie (:mod:`analyser.fitting.ideal_planes`); landings and lift-offs as the least that the craft's thrust allows (:mod:`analyser.fitting.powered`). Each leg
begins in the ideal end of the leg before, at its first burn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analyser.findings import IdealLeg, IdealPlan
from analyser.fitting.ideal_legs import Draft, Place, fly_leg
from analyser.fitting.ideal_planes import angles_of_goal, angles_of_place
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.flight import Craft, Goal, Leg, Plan, World

__all__ = ["Place", "PlannedLeg", "Rest", "Tanks", "plan_leg", "plan_mission"]


@dataclass(frozen=True)
class PlannedLeg:
    """An ideal leg with what follows from it: where it ends, and the tanks then."""

    ideal: IdealLeg
    end: Place
    tanks: Tanks
    doubt: float = 0.0  # m/s: how far the delta-v of landings and lift-offs can be off as they were reckoned


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
    place, legs, remarks = start, [], []
    if place is None:
        place = _start(plan.start, world, departure)
        if math.isnan(place.inclination) and any(leg.goal.lying for leg in plan.legs):
            place = replace(place, inclination=0.0)
            remarks.append("the start names no inclination: it is taken to lie over the equator")
    if tanks.missing:
        remarks.append(tanks.missing)
    rest = Rest(world, memory or PoweredMemory())
    for number, leg in enumerate(plan.legs):
        following = plan.legs[number + 1].goal if number + 1 < len(plan.legs) else None
        sense = rest.sense(plan.legs[number:], place, tanks)
        planned = plan_leg(leg.goal, world, craft, place, name=leg.name, tanks=tanks, following=following, check=check, memory=rest.memory, sense=sense)
        legs.append(planned.ideal)
        place, tanks = planned.end, planned.tanks
    margin, worth = tanks.remaining, tanks.delta_v
    if margin < 0:
        remarks.append(f"the tanks are {-margin:.0f} kg short: {-worth:.0f} m/s are missing")
    return IdealPlan(plan.name, tuple(legs), margin, worth, tuple(remarks))


def _start(goal: Goal, world: World, met: float) -> Place:
    body = world[goal.body]
    if goal.kind == "landed":
        return replace(Place.on(body, met), inclination=0.0)
    lies = angles_of_goal(goal)
    return replace(Place.around(body, goal.periapsis, goal.apoapsis, met), inclination=lies.inclination, node=lies.node, argument=lies.argument)


def plan_leg(
    goal: Goal, world: World, craft: Craft | None, from_state: Place, *, name: str = "", tanks: Tanks | None = None, following: Goal | None = None,
    check: bool = False, memory: PoweredMemory | None = None, sense: int = 0,
    anytime: bool = False,
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
    sense : int
        1 to pass a moon as it goes round its planet, -1 against that, 0 whichever costs less with ``following``.
    anytime : bool
        Whether a moon on an eccentric orbit is met where that costs least, however long the wait; else where it is at the time.
    """
    draft = Draft(tanks or Tanks.full(craft), [], [], check=check, memory=memory, anytime=anytime)
    end = fly_leg(goal, world, from_state, draft, following, sense)
    delta_v = math.fsum(burn.delta_v for burn in draft.burns) if end is not None else math.nan
    propellant = math.fsum(burn.propellant for burn in draft.burns) if end is not None else math.nan
    if end is not None and not end.landed:
        draft.path(world[end.body], *end.orbit)
    if end is None:  # what follows can't be told either, but the table keeps its rows
        end = _start(goal, world, math.nan) if goal.kind in ("orbit", "landed") else Place(goal.body, math.nan, math.nan)
        draft.tanks = replace(draft.tanks, propellant=math.nan)
    end = replace(end, met=from_state.met + draft.duration)
    leg = IdealLeg(name, str(goal), delta_v, propellant, draft.duration, tuple(draft.burns), tuple(draft.remarks), tuple(draft.paths))
    return PlannedLeg(leg, end, draft.tanks, draft.doubt)


@dataclass
class Rest:
    """What the rest of a plan costs at the least, from any place and at any time: legs that begin in the ideal end of the leg before are reckoned once.

    A moon may be passed either way round; where the craft then lands there or leaves again, what that costs (the ground turns) is counted in the choice.
    """

    world: World
    memory: PoweredMemory

    def least(self, legs: tuple[Leg, ...], place: Place, tanks: Tanks) -> tuple[float, float]:
        """Least delta-v, m/s (nan where it can't be told), and how far that can be off for landings carried over, m/s."""
        if not legs:
            return 0.0, 0.0
        return min((self._way(legs, place, tanks, sense) for sense in ((1, -1) if self._either(legs, place) else (0,))), key=lambda way: _last(way[0]))

    def sense(self, legs: tuple[Leg, ...], place: Place, tanks: Tanks) -> int:
        """Which way round to pass a moon that the first leg goes to; 0 where it is all the same or no way is found."""
        if not self._either(legs, place):
            return 0
        costs = {sense: self._way(legs, place, tanks, sense)[0] for sense in (1, -1)}
        best = min(costs, key=lambda sense: _last(costs[sense]))
        return best if math.isfinite(costs[best]) else 0

    def _way(self, legs, place: Place, tanks: Tanks, sense: int) -> tuple[float, float]:
        step = self._step(legs, place, tanks, sense)
        if step is None:
            return math.nan, math.nan
        spent, end, doubt = step
        for delta_v in spent:
            tanks = tanks.spend(delta_v)[0]
        cost, more = self.least(legs[1:], end, tanks)
        return math.fsum(spent) + cost, doubt + more

    def _either(self, legs, place: Place) -> bool:
        """Whether the first leg goes to a moon on which, or from which, the plan goes on."""
        there = legs[0].goal.body
        if self.world[there].parent != place.body:
            return False
        return any(leg.goal.body != there or leg.goal.kind in ("landed", "escape") for leg in legs)

    def _step(self, legs, place: Place, tanks: Tanks, sense: int):
        """The burns of the first leg (m/s), where it ends, and the doubt; None where it can't be planned."""
        leg, following = legs[0], legs[1].goal if len(legs) > 1 else None
        powered = leg.goal.kind == "landed" or place.landed
        lies = str(vars(angles_of_place(place))) if leg.goal.lying else ""
        key = (str(leg.goal), str(following), place.body, place.landed, round(place.energy, 1), round(place.angular_momentum), sense, lies)
        if math.isnan(place.energy):
            return None
        if powered or key not in self.memory.legs:
            done = plan_leg(leg.goal, self.world, tanks.craft, place, name=leg.name, tanks=tanks, following=following, memory=self.memory, sense=sense, anytime=True)
            if math.isnan(done.ideal.delta_v):
                return None
            found = tuple(burn.delta_v for burn in done.ideal.burns), done.end, done.doubt
            if powered:
                return found
            self.memory.legs[key] = found
        return self.memory.legs[key]


def _last(cost: float) -> float:
    return cost if math.isfinite(cost) else math.inf
