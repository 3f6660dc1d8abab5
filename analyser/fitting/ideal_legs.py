"""One leg of an ideal plan, burn by burn: about one body, to a moon, home from it, to the ground and up again."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from analyser.findings import IdealBurn, IdealPath
from analyser.fitting import goals
from analyser.fitting.moon_words import clock_words, homeward_words, outward_words, window_words
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import Transfer, apsides, least_transfer, orbit_of_apsides, speeds_at, tangential_delta_v
from analyser.flight import Body, Goal, World

LAUNCH_LOSS_SHARE = 0.21  # of the speed to be gained, see _launch_estimate


@dataclass(frozen=True)
class Place:
    """Where a leg begins or ends: an orbit about a body, or the ground (then the orbit is that of a craft at rest there).

    ``energy`` in m^2/s^2; ``angular_momentum`` in m^2/s, positive in the sense of the body's rotation and its moons' motion. ``met``: when, s,
    where that is known.
    """

    body: str
    energy: float
    angular_momentum: float
    landed: bool = False
    met: float = math.nan

    @classmethod
    def on(cls, body: Body, met: float = math.nan) -> "Place":
        """At rest on the equator of a body."""
        return cls(body.name, *goals.resting(body), True, met)

    @classmethod
    def around(cls, body: Body, periapsis_altitude: float, apoapsis_altitude: float, met: float = math.nan) -> "Place":
        """In the orbit with these apsis altitudes, m."""
        orbit = orbit_of_apsides(body.mu, body.radius + periapsis_altitude, body.radius + apoapsis_altitude)
        return cls(body.name, float(orbit[0]), float(orbit[1]), False, met)

    @property
    def orbit(self) -> tuple[float, float]:
        """(energy, angular momentum)."""
        return self.energy, self.angular_momentum


@dataclass
class Draft:
    """A leg being written: burns are added in order, the tanks go down with them."""

    tanks: Tanks
    burns: list
    remarks: list
    duration: float = 0.0
    check: bool = False
    memory: PoweredMemory | None = None
    paths: list = field(default_factory=list)

    def path(self, body: Body, energy: float, angular_momentum: float, part: str = "whole") -> None:
        """A coast of the leg, for who draws it."""
        found = IdealPath(body.name, float(energy), float(angular_momentum), part)
        if not self.paths or replace(self.paths[-1], part=part) != found:
            self.paths.append(found)

    def burn(self, what: str, body: Body, radius: float, delta_v: float, met: float, before: float, after: float, least: float = math.nan) -> None:
        self.tanks, propellant, duration = self.tanks.spend(delta_v)
        self.burns.append(IdealBurn(what, body.name, radius - body.radius, delta_v, met, propellant, duration, before, after))

    def lengthy(self, body: Body, radius: float, before: float, after: float, tanks: Tanks) -> None:
        """Say what a long burn at an apsis costs over its impulse, and when to light it; ``tanks`` as they were before it."""
        from analyser.fitting.finite import best_lead

        duration = self.burns[-1].duration
        if not self.check or not duration * before / radius > 0.1 or self.tanks.stage != tanks.stage:
            return
        flown = best_lead(body.mu, radius, before, after**2 / 2 - body.mu / radius, tanks.mass, tanks.thrust, tanks.exhaust_speed)
        if math.isfinite(flown.delta_v):
            self.burns[-1] = replace(self.burns[-1], lead=flown.lead)
            self.remarks.append(
                f"the burn takes {flown.duration:.0f} s: light it {flown.lead:.0f} s before its place and hold it along the motion;"
                f" that costs {max(flown.delta_v - abs(after - before), 0):.1f} m/s more than at one stroke"
            )

    def transfer(self, body: Body, found: Transfer, start: float = 0.0) -> None:
        """Burns of an impulsive transfer about one body."""
        for number, impulse in enumerate(found.impulses):
            met, tanks = start + (found.duration if number else 0.0), self.tanks
            self.burn(f"{impulse.direction}{_where(impulse.place)}", body, impulse.radius, impulse.delta_v, met, impulse.speed_before, impulse.speed_after)
            if abs(impulse.radial) < 1e-6 * impulse.delta_v and impulse.radius > body.radius * (1 + 1e-9) and impulse.radial_before < 1e-3:
                self.lengthy(body, impulse.radius, impulse.speed_before, impulse.speed_after, tanks)
        self.duration = start + (found.duration if math.isfinite(found.duration) else 0.0)


def _where(place: str) -> str:
    return {"anywhere": ", anywhere on the circle", "on the way": ", on the way"}.get(place, f" at {place}")


def fly_leg(goal: Goal, world: World, place: Place, draft: Draft, following: Goal | None) -> Place | None:
    """Add the burns that reach a goal; the place reached, or None where it can't be (a remark says why)."""
    if math.isnan(place.energy):
        draft.remarks.append("the leg before has no ideal end to begin from")
        return None
    here, there = world[place.body], world[goal.body]
    if goal.kind == "landed" and goal.by == "atmosphere" and here is there:
        return _through_air(here, place, draft)
    if here is not there and place.landed:
        place = _park(here, place, draft)
    if here is there:
        return _about_one_body(goal, world, here, place, draft)
    if there.parent == here.name:
        return _to_moon(goal, world, here, there, place, draft, following)
    if here.parent == there.name:
        return _from_moon(goal, world, there, here, place, draft, following)
    if here.parent is not None and here.parent == there.parent:
        return _between_siblings(goal, world, here, there, place, draft)
    draft.remarks.append(f"a leg from {here.name} straight to {there.name} is not planned: put a leg to the body between them into the plan")
    return None


def _about_one_body(goal: Goal, world: World, body: Body, place: Place, draft: Draft) -> Place | None:
    if goal.kind == "landed":
        return place if place.landed else _land(body, place, draft)
    if goal.kind == "escape":
        return _escape(world, body, place, draft)
    sense = -1.0 if place.angular_momentum < 0 else 1.0
    if goal.kind == "periapsis":
        if place.landed:
            draft.remarks.append("a periapsis is no goal for a craft on the ground; an orbit is")
            return None
        cost, energy, h = (float(x) for x in goals.cheapest_with_periapsis(body, *place.orbit, body.radius + goal.periapsis))
        wanted = (energy, h)
    else:
        energy, h = orbit_of_apsides(body.mu, body.radius + goal.periapsis, body.radius + goal.apoapsis)
        wanted = (float(energy), sense * float(h))
    if place.landed:
        return _lift_off(body, place, wanted, draft)
    found = least_transfer(body.mu, *place.orbit, *wanted, radius_min=body.radius, radius_max=body.sphere_of_influence)
    if math.isnan(found.delta_v):
        draft.remarks.append("the orbit at the leg's start never comes above the ground inside the sphere of influence, or the goal's does not")
        return None
    draft.transfer(body, found)
    if found.impulses and found.duration and any(i.radius < body.radius + body.air_top for i in found.impulses):
        draft.remarks.append("a burn is inside the air, where drag changes the sum")
    return Place(body.name, *wanted)


def _park(body: Body, place: Place, draft: Draft) -> Place:
    """A low circle to leave from, for a goal elsewhere begun on the ground."""
    altitude = max(1.25 * body.air_top, 0.02 * body.radius)
    draft.remarks.append(f"by way of a circle at {altitude / 1e3:.0f} km")
    orbit = orbit_of_apsides(body.mu, body.radius + altitude, body.radius + altitude)
    return _lift_off(body, place, (float(orbit[0]), float(orbit[1])), draft)


def _lift_off(body: Body, place: Place, wanted, draft: Draft) -> Place | None:
    limits = {"radius_min": body.radius, "radius_max": body.sphere_of_influence}
    if body.air_top:
        return _launch(body, place, wanted, draft)
    flown = _powered("ascent", body, wanted, draft)
    if flown is None:
        found = least_transfer(body.mu, *place.orbit, *wanted, **limits)
        return _impulsive_end(body, found, draft, Place(body.name, *wanted), "lift off along the ground", first=True)
    end = flown.burn_speed
    draft.burn(
        f"lift off, thrust {math.degrees(flown.ground_pitch):.0f} deg above the horizon, lowered steadily to level",
        body, body.radius, flown.burn_delta_v, 0.0, abs(body.surface_rotation_speed), end,
    )  # fmt: skip
    if flown.orbit_burn > 1e-3:
        after = float(speeds_at(body.mu, *wanted, flown.apsis_radius)[1])
        draft.burn("prograde at apoapsis", body, flown.apsis_radius, flown.orbit_burn, flown.burn_duration + flown.coast, abs(after) - flown.orbit_burn, abs(after))
    draft.duration = flown.burn_duration + (flown.coast if flown.orbit_burn > 1e-3 else 0.0)
    return Place(body.name, *wanted)


def _land(body: Body, place: Place, draft: Draft) -> Place | None:
    low, high = (float(r) for r in apsides(body.mu, *place.orbit))
    if high < body.radius or low > body.sphere_of_influence:
        draft.remarks.append("the orbit at the leg's start never comes above the ground inside the sphere of influence")
        return None
    flown = None
    if body.air_top:
        draft.remarks.append("the air would do a part of the braking: this is the bound without it")
    else:
        flown = _powered("descent", body, place.orbit, draft)
    if flown is None:
        found = least_transfer(body.mu, *place.orbit, *goals.resting(body), radius_min=body.radius, radius_max=body.sphere_of_influence)
        return _impulsive_end(body, found, draft, Place.on(body), "stop over the ground", first=False)
    if flown.orbit_burn > 1e-3:
        before = abs(float(speeds_at(body.mu, *place.orbit, flown.apsis_radius)[1]))
        place_ = "" if _round(body, place) else " at apoapsis" if flown.apsis_radius > 1.000001 * float(apsides(body.mu, *place.orbit)[0]) else " at periapsis"
        draft.burn(f"retrograde{place_}", body, flown.apsis_radius, flown.orbit_burn, 0.0, before, before - flown.orbit_burn)
    begin = flown.coast if flown.orbit_burn > 1e-3 else 0.0
    draft.burn(
        f"brake to the ground, thrust against the motion, raised steadily to {math.degrees(flown.ground_pitch):.0f} deg above the horizon",
        body, body.radius + max(flown.burn_altitude, 0.0), flown.burn_delta_v, begin, flown.burn_speed, abs(body.surface_rotation_speed),
    )  # fmt: skip
    draft.duration = begin + flown.burn_duration
    return Place.on(body)


def _powered(kind: str, body: Body, orbit, draft: Draft):
    """The least that the thrust allows, or None (with a remark) where only the bound with impulses can be told."""
    tanks, memory = draft.tanks, draft.memory or PoweredMemory()
    flown = (memory.solve if draft.check else memory.near)(kind, body, orbit, tanks)
    if math.isnan(flown.delta_v):
        draft.remarks.append(f"{flown.reason}: this is the bound with impulses, which no craft reaches")
        return None
    draft.remarks.append(
        f"the least for this craft's thrust, {tanks.thrust / tanks.mass / body.surface_gravity:.2f} of its weight there at the start, touching bare ground:"
        f" {flown.bound:.1f} m/s with impulses, {flown.delta_v - flown.bound:.1f} m/s for the thrust; height kept in hand costs more"
    )
    if tanks.spend(flown.delta_v)[0].stage != tanks.stage:
        draft.remarks.append("a staging falls into this leg; it was reckoned with the thrust and exhaust speed of its first stage")
    return flown


def _impulsive_end(body: Body, found: Transfer, draft: Draft, end: Place, words: str, first: bool) -> Place:
    """Burns of an impulsive transfer, the one at the ground named for what it is."""
    draft.transfer(body, found)
    at = 0 if first else -1
    if draft.burns:
        draft.burns[at] = replace(draft.burns[at], what=words)
    return end


def _launch(body: Body, place: Place, wanted, draft: Draft) -> Place:
    """Through air: the least with a pitch programme optimised for this craft, else an estimate."""
    flown = (draft.memory or PoweredMemory()).launch(body, wanted, draft.tanks)
    if math.isnan(flown.delta_v):
        found = least_transfer(body.mu, *place.orbit, *wanted, radius_min=body.radius, radius_max=body.sphere_of_influence)
        draft.remarks.append(f"{flown.reason}: no pitch programme could be optimised")
        return _launch_estimate(body, found, wanted, draft)
    rows = [flown.programme[round(share * (len(flown.programme) - 1))] for share in (0.12, 0.25, 0.4, 0.55, 0.75, 1.0)]
    draft.burn("lift off straight up at full throttle, then lower the nose by the pitch programme", body, body.radius, flown.ascent, 0.0,
               abs(body.surface_rotation_speed), flown.cutoff_speed)  # fmt: skip
    if flown.orbit_burn > 1e-3:
        after = abs(float(speeds_at(body.mu, *wanted, flown.apsis_radius)[1]))
        draft.burn("prograde at apoapsis", body, flown.apsis_radius, flown.orbit_burn, flown.duration + flown.coast, after - flown.orbit_burn, after)
    draft.duration = flown.duration + flown.coast
    draft.remarks += [
        "pitch programme, straight lines between: 90 deg at lift-off, "
        + ", ".join(f"{math.degrees(pitch):.0f} deg at {altitude / 1e3:.1f} km ({time:.0f} s, {speed:.0f} m/s over the ground)" for time, pitch, altitude, speed in rows)
        + f"; cutoff at {flown.cutoff_altitude / 1e3:.0f} km",
        f"the least found for this craft's thrust, stages and drag: of the {flown.ascent:.0f} m/s of the climb {flown.gravity:.0f} go to gravity, {flown.steering:.0f} to steering,"
        f" {flown.drag:.0f} to drag; no wind, no lift, no limit on load or angle of attack",
    ]
    return Place(body.name, *wanted)


def _launch_estimate(body: Body, found: Transfer, wanted, draft: Draft) -> Place:
    """Through air: the impulsive bound and an estimate of what gravity, air and steering take.

    Six launchers into low orbits of the Earth lost 1,319 to 1,817 m/s to these, 17 to 23 % of their ideal 7,794 to 7,946 m/s (R. W. Humble, G. N.
    Henry and W. J. Larson, *Space Propulsion Analysis and Design*, 1995, launch-loss table, values recalled from memory). Their mean, 21 % of the speed
    to be gained, is taken.
    """
    bound = found.delta_v
    share = LAUNCH_LOSS_SHARE
    first = found.impulses[0].delta_v if found.impulses else 0.0
    losses = share * first
    _impulsive_end(body, found, Draft(Tanks(None), draft.burns, draft.remarks), Place(body.name, *wanted), "lift off, pitch over as the air thins", True)
    burns, draft.burns = draft.burns, []
    for number, burn in enumerate(burns):
        draft.burn(burn.what, body, body.radius + burn.altitude, burn.delta_v + (losses if number == 0 else 0.0), burn.met, burn.speed_before, burn.speed_after)
    draft.duration = found.duration
    draft.remarks.append(
        f"an estimate: {bound:.0f} m/s with impulses and no air, and {losses:.0f} m/s ({share:.0%} of the first burn) for gravity, air and steering;"
        " launchers from the Earth lose 17 to 23 %, other worlds and craft may differ"
    )
    return Place(body.name, *wanted)


def _through_air(body: Body, place: Place, draft: Draft) -> Place | None:
    top = body.radius + body.air_top
    if not body.air_top:
        draft.remarks.append(f"{body.name} has no air to land through: the engine has to do it")
        return _land(body, place, draft)
    low, _ = (float(x) for x in apsides(body.mu, *place.orbit))
    if low <= top:
        speed = math.sqrt(2 * (place.energy + body.mu / top))
        radial, transverse = speeds_at(body.mu, *place.orbit, top)
        angle = math.degrees(math.atan2(-float(radial), abs(float(transverse))))
        draft.remarks.append(f"no burn: meets the air at {body.air_top / 1e3:.0f} km with {speed:.0f} m/s, {-angle:.1f} deg below the horizontal".replace("--", "-"))
        return Place.on(body)
    cost, energy, h = (float(x) for x in goals.cheapest_with_periapsis(body, *place.orbit, top))
    draft.transfer(body, least_transfer(body.mu, *place.orbit, energy, h, radius_min=body.radius, radius_max=body.sphere_of_influence))
    draft.remarks.append("lowers the periapsis to the top of the air, the least that meets it at all; deeper costs little more")
    return Place.on(body)


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


def _to_moon(goal: Goal, world: World, planet: Body, moon: Body, place: Place, draft: Draft, following: Goal | None) -> Place | None:
    from analyser.fitting.moon import to_moon

    periapsis, then = _aim(goal, moon, following)
    found = to_moon(planet, moon, place.orbit, periapsis, then)
    if found is None:
        draft.remarks.append(f"no burn along the motion brings the craft to {moon.name} at that periapsis from here")
        return None
    ahead = math.degrees(found.phase) % 360
    tanks = draft.tanks
    draft.burn(
        f"prograde{'' if _round(planet, place) else ' at periapsis'}, with {moon.name} {ahead:.1f} deg ahead",
        planet, found.burn_radius, found.delta_v, 0.0, found.speed_before, found.speed_after,
    )  # fmt: skip
    draft.lengthy(planet, found.burn_radius, found.speed_before, found.speed_after, tanks)
    draft.path(planet, *found.planet_orbit, "out")
    draft.path(moon, *found.moon_orbit, "in")
    draft.burns[-1] = replace(draft.burns[-1], every=_every(planet, moon, place))
    draft.duration = found.time_before + found.time_after
    draft.remarks += _moon_remarks(planet, moon, place, found)
    draft.remarks += window_words(planet, moon, found.phase, place.met, draft.burns[-1].every)
    if draft.check:
        draft.remarks += outward_words(planet, moon, place.orbit, found)
    end = Place(moon.name, *found.moon_orbit)
    return _arrived(goal, world, moon, end, draft, found.time_before + found.time_after)


def _round(body: Body, place: Place) -> bool:
    low, high = apsides(body.mu, *place.orbit)
    return bool(high < low * (1 + 1e-5))


def _moon_remarks(planet: Body, moon: Body, place: Place, found) -> list[str]:
    remarks = [
        f"enters {moon.name}'s sphere of influence after {clock_words(found.time_before)} at {found.edge_speed:.0f} m/s,"
        f" passes it {clock_words(found.time_after)} later with {math.sqrt(2 * (found.moon_orbit[0] + moon.mu / found.moon_periapsis)):.0f} m/s"
        f" {'as' if found.moon_orbit[1] > 0 else 'against the way'} it goes round {planet.name}"
    ]
    if moon.eccentricity > 1e-3:
        remarks.append(f"reckoned with {moon.name} at its mean distance; its orbit is not round")
    return remarks


def _every(here: Body, moon: Body, place: Place, about: Body | None = None) -> float:
    """Seconds until a craft on a circle about ``here`` has the moon (or the direction of its planet) at the same angle again; nan off circles."""
    if not _round(here, place):
        return math.nan
    low, _ = apsides(here.mu, *place.orbit)
    craft_rate = math.copysign(math.sqrt(here.mu / float(low) ** 3), place.angular_momentum)
    moon_rate = math.sqrt((about or here).mu / moon.semi_major_axis**3)
    return 2 * math.pi / abs(craft_rate - moon_rate)


def _aim(goal: Goal, body: Body, following: Goal | None):
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


def _arrived(goal: Goal, world: World, body: Body, end: Place, draft: Draft, after: float) -> Place | None:
    """What a goal about the body asks for beyond arriving."""
    if goal.kind == "periapsis":
        return end
    inner = Draft(draft.tanks, [], draft.remarks, check=draft.check, memory=draft.memory, paths=draft.paths)
    end = _through_air(body, end, inner) if goal.kind == "landed" and goal.by == "atmosphere" else _about_one_body(goal, world, body, end, inner)
    draft.burns += [replace(burn, met=burn.met + after) for burn in inner.burns]
    draft.tanks, draft.duration = inner.tanks, after + inner.duration
    return end


def _from_moon(goal: Goal, world: World, planet: Body, moon: Body, place: Place, draft: Draft, following: Goal | None) -> Place | None:
    from analyser.fitting.moon import from_moon

    if goal.kind == "escape":
        draft.remarks.append(f"leaving {planet.name} straight from {moon.name} is not planned: put a leg that leaves {moon.name} before it")
        return None
    periapsis, then = _aim(goal, planet, following)
    if goal.kind == "landed":
        periapsis = planet.radius + planet.air_top * (1.0 if goal.by == "atmosphere" else 0.0)
    found = from_moon(planet, moon, place.orbit, periapsis, then)
    if found is None:
        draft.remarks.append(f"no burn along the motion brings the craft from here to that periapsis about {planet.name}")
        return None
    side = math.degrees(found.phase) % 360
    tanks = draft.tanks
    draft.burn(
        f"prograde{'' if _round(moon, place) else ' at periapsis'}, {side:.0f} deg round from the side turned away from {planet.name}",
        moon, found.burn_radius, found.delta_v, 0.0, found.speed_before, found.speed_after,
    )  # fmt: skip
    draft.lengthy(moon, found.burn_radius, found.speed_before, found.speed_after, tanks)
    draft.path(moon, *found.moon_orbit, "out")
    draft.path(planet, *found.planet_orbit, "in")
    draft.burns[-1] = replace(draft.burns[-1], every=_every(moon, moon, place, about=planet))
    draft.duration = found.time_before + found.time_after
    draft.remarks.append(
        f"leaves {moon.name}'s sphere of influence after {clock_words(found.time_before)} at {found.edge_speed:.0f} m/s,"
        f" {'against' if _behind(found) else 'with'} its motion; passes {planet.name} {clock_words(found.time_after)} later"
    )
    if draft.check:
        draft.remarks += homeward_words(planet, moon, found, periapsis)
    return _arrived(goal, world, planet, Place(planet.name, *found.planet_orbit), draft, draft.duration)


def _behind(found) -> bool:
    """Whether a homeward leg leaves on the trailing side."""
    return math.sin(found.psi) < 0


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
    end = Place(there.name, arriving**2 / 2, periapsis * math.sqrt(arriving**2 + 2 * there.mu / periapsis))
    return _arrived(goal, world, there, end, draft, time)
