"""One leg of an ideal plan, burn by burn: about one body, to a moon, home from it, to the ground and up again."""

from __future__ import annotations

import math
from dataclasses import replace

from analyser.fitting import goals
from analyser.fitting.ideal_draft import Draft, Place, lowest_impulse
from analyser.fitting.ideal_ground import LAUNCH_LOSS_SHARE, land, lift_off, park, through_air
from analyser.fitting.ideal_moon import aim, leg_from_moon, leg_to_moon
from analyser.fitting.ideal_planes import aimed, counting_the_turn, lay_orbit, lifted
from analyser.fitting.moon_words import clock_words
from analyser.fitting.transfer import apsides, least_transfer, orbit_of_apsides
from analyser.flight import Body, Goal, World

__all__ = ["LAUNCH_LOSS_SHARE", "Draft", "Place", "fly_leg"]


def fly_leg(goal: Goal, world: World, place: Place, draft: Draft, following: Goal | None, sense: int = 0) -> Place | None:
    """Add the burns that reach a goal; the place reached, or None where it can't be (a remark says why).

    ``sense``: 1 to pass a moon as it goes round its planet, -1 against that, 0 whichever costs less with what comes next.
    """
    if math.isnan(place.energy):
        draft.remarks.append("the leg before has no ideal end to begin from")
        return None
    here, there = world[place.body], world[goal.body]
    if goal.kind == "landed" and goal.by == "atmosphere" and here is there:
        return through_air(here, place, draft)
    if here is not there and place.landed:
        place = park(here, place, draft)
    if here is there:
        return _about_one_body(goal, world, here, place, draft, following)
    if there.parent == here.name:
        end = leg_to_moon(goal, here, there, place, draft, following, sense)
    elif here.parent == there.name:
        end = leg_from_moon(goal, there, here, place, draft, following)
    elif here.parent is not None and here.parent == there.parent:
        end = _between_siblings(goal, world, here, there, place, draft)
    else:
        draft.remarks.append(f"a leg from {here.name} straight to {there.name} is not planned: put a leg to the body between them into the plan")
        return None
    return None if end is None else _arrived(goal, world, there, end, draft)


def _about_one_body(goal: Goal, world: World, body: Body, place: Place, draft: Draft, following: Goal | None = None) -> Place | None:
    if goal.kind == "landed":
        return place if place.landed else land(body, place, draft)
    if goal.kind == "escape":
        return _escape(world, body, place, draft)
    sense = -1.0 if place.angular_momentum < 0 else 1.0
    if goal.kind == "periapsis":
        if place.landed:
            draft.remarks.append("a periapsis is no goal for a craft on the ground; an orbit is")
            return None
        then = counting_the_turn(goal, body, place, aim(goal, body, following)[1])
        _, energy, h = (float(x) for x in goals.cheapest_with_periapsis(body, *place.orbit, body.radius + goal.periapsis, then))
        wanted = (energy, h)
    else:
        energy, h = orbit_of_apsides(body.mu, body.radius + goal.periapsis, body.radius + goal.apoapsis)
        wanted = (float(energy), sense * float(h))
    if place.landed:
        tanks = draft.tanks
        end = lift_off(body, place, wanted, draft)
        return None if end is None else lifted(goal, body, end, draft, tanks)
    if goal.lying:
        return lay_orbit(goal, body, place, wanted, draft)
    found = least_transfer(body.mu, *place.orbit, *wanted, radius_min=lowest_impulse(body, place.orbit, wanted), radius_max=body.sphere_of_influence)
    if math.isnan(found.delta_v):
        draft.remarks.append("the orbit at the leg's start never comes above the ground inside the sphere of influence, or the goal's does not")
        return None
    draft.transfer(body, found)
    draft.remarks += [
        f"this orbit crosses the way of {moon.name}: whether it comes into its sphere of influence depends on when it is flown"
        for moon in world.children(body) if place.orbit != wanted and _comes_near(body, moon, wanted)
    ]  # fmt: skip
    if found.impulses and found.duration and any(i.radius < body.radius + body.air_top for i in found.impulses):
        draft.remarks.append("a burn is inside the air, where drag changes the sum")
    return replace(place, energy=wanted[0], angular_momentum=wanted[1], argument=place.argument if not found.impulses else math.nan)


def _comes_near(body: Body, moon: Body, orbit) -> bool:
    low, high = (float(r) for r in apsides(body.mu, *orbit))
    nearest, farthest = moon.semi_major_axis * (1 - moon.eccentricity), moon.semi_major_axis * (1 + moon.eccentricity)
    return low < farthest + moon.sphere_of_influence and high > nearest - moon.sphere_of_influence


def _escape(world: World, body: Body, place: Place, draft: Draft) -> Place | None:
    low, high = (float(x) for x in apsides(body.mu, *place.orbit))
    radius = max(low, body.radius)
    cost = float(goals.least_to_escape(body, *place.orbit))
    if math.isnan(cost):
        draft.remarks.append("the orbit at the leg's start never comes above the ground")
        return None
    speed = math.sqrt(2 * (place.energy + body.mu / radius))
    if cost > 0:
        draft.burn("prograde at periapsis" if high > low * 1.000001 else "prograde", body, radius, cost, 0.0, speed, speed + cost)
    parent = world.parent(body)
    if parent is None:
        after = speed + cost
        return Place(body.name, after**2 / 2 - body.mu / radius, math.copysign(radius * after, place.angular_momentum))
    draft.remarks.append(f"just leaves {body.name}'s sphere of influence; from there it goes round {parent.name} as {body.name} does")
    return Place.around(parent, body.semi_major_axis * (1 - body.eccentricity) - parent.radius, body.semi_major_axis * (1 + body.eccentricity) - parent.radius)


def _arrived(goal: Goal, world: World, body: Body, end: Place, draft: Draft) -> Place | None:
    """What a goal about the body asks for beyond arriving at its periapsis."""
    end = aimed(goal, end, draft)
    if goal.kind == "periapsis":
        return end
    after = draft.duration
    inner = Draft(draft.tanks, [], draft.remarks, check=draft.check, memory=draft.memory, paths=draft.paths, anytime=draft.anytime)
    end = through_air(body, end, inner) if goal.kind == "landed" and goal.by == "atmosphere" else _about_one_body(goal, world, body, end, inner)
    draft.burns += [replace(burn, met=burn.met + after) for burn in inner.burns]
    draft.tanks, draft.duration, draft.doubt = inner.tanks, after + inner.duration, draft.doubt + inner.doubt
    return end



def _between_siblings(goal: Goal, world: World, here: Body, there: Body, place: Place, draft: Draft) -> Place | None:
    """From a body to another that goes round the same parent: the cotangential ellipse between their orbits, both taken for
    circles, and hyperbolas of that excess speed at either end (spheres of influence as points; Curtis, sections 8.2 to 8.8)."""
    parent = world[here.parent]
    r1, r2 = here.semi_major_axis, there.semi_major_axis
    energy, h = (float(x) for x in orbit_of_apsides(parent.mu, min(r1, r2), max(r1, r2)))
    leaving = abs(h / r1 - math.sqrt(parent.mu / r1))
    arriving = abs(h / r2 - math.sqrt(parent.mu / r2))
    low, _ = (float(x) for x in apsides(here.mu, *place.orbit))
    radius = max(low, here.radius)
    before = math.sqrt(2 * (place.energy + here.mu / radius))
    after = math.sqrt(leaving**2 + 2 * here.mu / radius)
    draft.burn("prograde at periapsis", here, radius, after - before, 0.0, before, after)
    time = math.pi * math.sqrt(((r1 + r2) / 2) ** 3 / parent.mu)
    lead = math.degrees(math.pi - time * math.sqrt(parent.mu / r2**3))
    draft.remarks.append(
        f"leaves {here.name} with {leaving:.0f} m/s of excess speed when {there.name} is {math.remainder(lead, 360):.1f} deg ahead of {here.name};"
        f" {clock_words(time)} later meets it with {arriving:.0f} m/s; both orbits taken for circles in one plane"
    )
    draft.duration = time
    periapsis = there.radius + (goal.periapsis if goal.kind in ("orbit", "periapsis") else there.air_top)
    return Place(there.name, arriving**2 / 2, periapsis * math.sqrt(arriving**2 + 2 * there.mu / periapsis))
