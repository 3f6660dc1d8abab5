"""Ideal legs to a moon and home from it: the burns, the window, what to know on the way."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.fitting import goals
from analyser.fitting.entry_plan import corridor_of
from analyser.fitting.ideal_draft import Draft, Place, is_round, where_words
from analyser.fitting.moon_patch import MoonPlace
from analyser.fitting.moon_words import clock_words, eccentric_words, homeward_words, outward_words, window_words
from analyser.fitting.transfer import apsides, orbit_of_apsides, tangential_delta_v
from analyser.flight import Body, Goal


def leg_to_moon(goal: Goal, planet: Body, moon: Body, place: Place, draft: Draft, following: Goal | None, sense: int = 0) -> Place | None:
    """To a pass of the moon: the place of arrival, or None (a remark says why)."""
    from analyser.fitting.moon import to_moon

    periapsis, then = aim(goal, moon, following)
    every = _every(planet, moon, place)
    asked = to_moon.__name__, moon.name, place.orbit, periapsis, goal, following, sense
    found = _where_it_is(_remembered(lambda at: to_moon(planet, moon, place.orbit, periapsis, then, place=at, sense=sense), asked, draft), then, planet, moon, place, every, draft.anytime)
    if found is None:
        draft.remarks.append(f"no burn brings the craft to {moon.name} at that periapsis from here")
        return None
    _burns(draft, planet, place, found, every, f"with {moon.name} {math.degrees(found.phase) % 360:.1f} deg ahead")
    draft.path(planet, *found.planet_orbit, "out")
    draft.path(moon, *found.moon_orbit, "in")
    draft.remarks += _moon_remarks(planet, moon, found)
    draft.remarks += window_words(planet, moon, found, place.met, every, is_round(planet, place))
    if draft.check:
        draft.remarks += eccentric_words(planet, moon, place.met, lambda at: to_moon(planet, moon, place.orbit, periapsis, then, place=at, sense=sense))
        draft.remarks += outward_words(planet, moon, place.orbit, found)
    return Place(moon.name, *found.moon_orbit)


def _remembered(find, asked: tuple, draft: Draft):
    """The same, with what was found before under what was ``asked`` and where the moon was."""
    return find if draft.memory is None else lambda at: draft.memory.once((*asked, at), lambda: find(at))


def _where_it_is(find, then, planet: Body, moon: Body, place: Place, every: float, anytime: bool):
    """The leg with the moon where it will be: on a round orbit anywhere, else where its place at MET 0 says it is when the edge is crossed, half of
    the longest wait counted, or at its mean distance. ``anytime``: where it costs least, for who waits for that."""
    if moon.eccentricity < 1e-6:
        return find(MoonPlace.usual(moon, planet))
    if anytime:
        return _cheapest([find(MoonPlace.of(moon, planet, k * math.pi / 2)) for k in range(4)], then)
    found = find(MoonPlace.usual(moon, planet))
    for _ in range(2 if found else 0):  # the time of flight depends on where the moon is, little
        at = MoonPlace.at(moon, planet, place.met + (every / 2 if math.isfinite(every) else 0.0) + found.lead_in + found.time_before)
        if at is None:
            return found
        found = find(at) or found
    return found


def _cheapest(legs, then):
    """The leg that costs least with what is done on arrival."""

    def total(leg):
        orbit = leg.moon_orbit if leg.inward else leg.planet_orbit
        return leg.delta_v + (0.0 if then is None else float(np.ravel(then(*(np.atleast_1d(part) for part in orbit)))[0]))

    return min((leg for leg in legs if leg is not None), key=total, default=None)


def _burns(draft: Draft, body: Body, place: Place, found, every: float, angle: str) -> None:
    """The burns that begin a leg to or from a moon; the last of them at the angle."""
    last = len(found.impulses) - 1
    for number, impulse in enumerate(found.impulses):
        tanks = draft.tanks
        where = "" if impulse.place == "anywhere" else where_words(impulse.place)
        met = found.lead_in if number == last and last else 0.0
        draft.burn(
            f"{impulse.direction}{where}" + (f", {angle}" if number == last else ""), body, impulse.radius, impulse.delta_v, met,
            impulse.speed_before, impulse.speed_after,
        )  # fmt: skip
        if number == last:
            if abs(impulse.radial) < 1e-6 * impulse.delta_v and impulse.radial_before < 1e-3:
                draft.lengthy(body, impulse.radius, impulse.speed_before, impulse.speed_after, tanks)
            draft.burns[-1] = replace(draft.burns[-1], every=every)
    if last < 0:
        draft.remarks.append(f"no burn: the orbit leads there by itself, {angle} where its closest point is passed")
    draft.duration = found.lead_in + found.time_before + found.time_after


def _moon_remarks(planet: Body, moon: Body, found) -> list[str]:
    return [
        f"enters {moon.name}'s sphere of influence after {clock_words(found.time_before)} at {found.edge_speed:.0f} m/s,"
        f" passes it {clock_words(found.time_after)} later with {math.sqrt(2 * (found.moon_orbit[0] + moon.mu / found.moon_periapsis)):.0f} m/s"
        f" {'as' if found.moon_orbit[1] > 0 else 'against the way'} it goes round {planet.name}"
    ]


def _every(here: Body, moon: Body, place: Place, about: Body | None = None) -> float:
    """Seconds until a craft on a circle about ``here`` has the moon (or the direction of its planet) at the same angle again; nan off circles."""
    if not is_round(here, place):
        return math.nan
    low, _ = apsides(here.mu, *place.orbit)
    craft_rate = math.copysign(math.sqrt(here.mu / float(low) ** 3), place.angular_momentum)
    moon_rate = math.sqrt((about or here).mu / moon.semi_major_axis**3)
    return 2 * math.pi / abs(craft_rate - moon_rate)


def aim(goal: Goal, body: Body, following: Goal | None):
    """Periapsis radius to arrive with, and the cost of what is to be done there as a function of the arriving orbit."""
    captures = goal if goal.kind in ("orbit", "landed") else following if following is not None and following.body == body.name else None
    low = body.radius + (goal.periapsis if goal.kind in ("orbit", "periapsis") else 0.0)
    if captures is None or captures.kind not in ("orbit", "landed") or (captures.kind == "landed" and captures.by == "atmosphere"):
        return low, None
    if captures.kind == "landed":
        wanted = goals.resting(body)
    else:
        wanted = tuple(float(x) for x in orbit_of_apsides(body.mu, body.radius + captures.periapsis, body.radius + captures.apoapsis))

    def then(energy, h):
        sense = 1.0 if captures.kind == "landed" else np.where(h < 0, -1.0, 1.0)
        return tangential_delta_v(body.mu, energy, h, wanted[0], sense * wanted[1], radius_min=body.radius, radius_max=body.sphere_of_influence)

    return low, then


def leg_from_moon(goal: Goal, planet: Body, moon: Body, place: Place, draft: Draft, following: Goal | None) -> Place | None:
    """Home from a moon: the place of arrival at the planet, or None (a remark says why)."""
    from analyser.fitting.moon import from_moon

    if goal.kind == "escape":
        draft.remarks.append(f"leaving {planet.name} straight from {moon.name} is not planned: put a leg that leaves {moon.name} before it")
        return None
    periapsis, then = aim(goal, planet, following)
    if goal.kind == "landed":
        ways = corridor_of(planet, -planet.mu / (planet.radius + moon.semi_major_axis), draft.tanks) if goal.by == "atmosphere" and planet.air_top else None
        periapsis = planet.radius + (ways.aim if ways is not None and ways.known else planet.air_top if goal.by == "atmosphere" else 0.0)
    every = _every(moon, moon, place, about=planet)
    asked = from_moon.__name__, moon.name, place.orbit, periapsis, goal, following
    found = _where_it_is(_remembered(lambda at: from_moon(planet, moon, place.orbit, periapsis, then, place=at), asked, draft), then, planet, moon, place, every, draft.anytime)
    if found is None:
        draft.remarks.append(f"no burn brings the craft from here to that periapsis about {planet.name}")
        return None
    _burns(draft, moon, place, found, every, f"{math.degrees(found.phase) % 360:.0f} deg round from the side turned away from {planet.name}")
    draft.path(moon, *found.moon_orbit, "out")
    draft.path(planet, *found.planet_orbit, "in")
    draft.remarks.append(
        f"leaves {moon.name}'s sphere of influence after {clock_words(found.time_before)} at {found.edge_speed:.0f} m/s,"
        f" {'against' if _behind(found) else 'with'} its motion; passes {planet.name} {clock_words(found.time_after)} later"
    )
    if draft.check:
        draft.remarks += eccentric_words(planet, moon, place.met, lambda at: from_moon(planet, moon, place.orbit, periapsis, then, place=at))
        draft.remarks += homeward_words(planet, moon, found, periapsis)
    return Place(planet.name, *found.planet_orbit)


def _behind(found) -> bool:
    """Whether a homeward leg leaves on the trailing side."""
    return math.sin(found.psi) < 0
