"""Ideal legs that begin or end on the ground: lift-off, landing, launch through air, entry."""

from __future__ import annotations

import math
from dataclasses import replace

from analyser.fitting import goals
from analyser.fitting.entry_plan import corridor_of, corridor_words
from analyser.fitting.ideal_draft import Draft, Place, is_round
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import Transfer, apsides, least_transfer, orbit_of_apsides, speeds_at
from analyser.flight import Body

LAUNCH_LOSS_SHARE = 0.21  # of the speed to be gained, see _launch_estimate


def park(body: Body, place: Place, draft: Draft) -> Place:
    """A low circle to leave from, for a goal elsewhere begun on the ground."""
    altitude = max(1.25 * body.air_top, 0.02 * body.radius)
    draft.remarks.append(f"by way of a circle at {altitude / 1e3:.0f} km")
    orbit = orbit_of_apsides(body.mu, body.radius + altitude, body.radius + altitude)
    return lift_off(body, place, (float(orbit[0]), float(orbit[1])), draft)


def lift_off(body: Body, place: Place, wanted, draft: Draft) -> Place | None:
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


def land(body: Body, place: Place, draft: Draft) -> Place | None:
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
        place_ = "" if is_round(body, place) else " at apoapsis" if flown.apsis_radius > 1.000001 * float(apsides(body.mu, *place.orbit)[0]) else " at periapsis"
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
    draft.doubt += flown.mesh_change * flown.delta_v
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


def through_air(body: Body, place: Place, draft: Draft) -> Place | None:
    top = body.radius + body.air_top
    if not body.air_top:
        draft.remarks.append(f"{body.name} has no air to land through: the engine has to do it")
        return land(body, place, draft)
    low, _ = (float(x) for x in apsides(body.mu, *place.orbit))
    if low <= top:
        speed = math.sqrt(2 * (place.energy + body.mu / top))
        radial, transverse = speeds_at(body.mu, *place.orbit, top)
        angle = math.degrees(math.atan2(-float(radial), abs(float(transverse))))
        draft.remarks.append(f"no burn: meets the air at {body.air_top / 1e3:.0f} km with {speed:.0f} m/s, {-angle:.1f} deg below the horizontal".replace("--", "-"))
        ways = corridor_of(body, place.energy, draft.tanks) if draft.check else None
        if ways is not None:
            draft.remarks.append(corridor_words(ways, low - body.radius))
        return Place.on(body)
    cost, energy, h = (float(x) for x in goals.cheapest_with_periapsis(body, *place.orbit, top))
    ways = corridor_of(body, energy, draft.tanks)
    aim = body.radius + ways.aim if ways is not None and ways.known else top
    if aim < top:
        cost, energy, h = (float(x) for x in goals.cheapest_with_periapsis(body, *place.orbit, aim))
    draft.transfer(body, least_transfer(body.mu, *place.orbit, energy, h, radius_min=body.radius, radius_max=body.sphere_of_influence))
    if aim < top:
        draft.remarks.append(f"lowers the periapsis to {(aim - body.radius) / 1e3:.1f} km; {corridor_words(ways, aim - body.radius)}")
    else:
        why = f" ({ways.reason})" if ways is not None and ways.reason else ""
        draft.remarks.append(f"lowers the periapsis to the top of the air, the least that meets it at all; deeper costs little more; where the entry corridor lies is not known{why}")
    return Place.on(body)
