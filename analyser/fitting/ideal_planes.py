"""Ideal legs whose goal says how the orbit is to lie: the burns that turn the plane and the apse line, in the words and numbers a pilot copies."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.fitting.ideal_draft import Draft, Place, lowest_impulse
from analyser.fitting.lying import Angles, angle_between, least_to_lie
from analyser.fitting.orientation import argument_of_latitude, axes_of
from analyser.fitting.plane_flight import SpaceImpulse
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import least_delta_v
from analyser.fitting.transfer_search import apsides
from analyser.flight import Body, Goal

_LITTLE = 0.02  # of an impulse: a part not worth a word
_NEAR = math.radians(0.5)  # of a node


def angles_of_goal(goal: Goal) -> Angles:
    """How a goal's orbit is to lie."""
    return Angles(goal.inclination, goal.longitude_of_ascending_node, goal.argument_of_periapsis)


def angles_of_place(place: Place) -> Angles:
    """How the orbit at a leg's begin or end lies."""
    return Angles(place.inclination, place.node, place.argument)


def lay_orbit(goal: Goal, body: Body, place: Place, wanted, draft: Draft) -> Place | None:
    """Burns from an orbit into the ``wanted`` one (energy, angular momentum) about the same body, lying as the goal says; None where it can't be (a remark says why)."""
    here, there = angles_of_place(place), angles_of_goal(goal)
    plane_known = not math.isnan(here.inclination)
    if not plane_known:
        draft.remarks.append("how the orbit lies at the leg's start is not known: what turning it costs is not counted")
        here = Angles(0.0)
        there = Angles(0.0, argument=there.argument)
    after = here.after(there)
    if plane_known:
        draft.remarks += _left_open(here, there, place, body)
    found = least_to_lie(
        body.mu, (place.energy, abs(place.angular_momentum)), here, (wanted[0], abs(wanted[1])), after,
        radius_min=lowest_impulse(body, place.orbit, wanted), radius_max=body.sphere_of_influence,
    )  # fmt: skip
    if math.isnan(found.delta_v):
        draft.remarks.append("the orbit at the leg's start never comes above the ground inside the sphere of influence, or the goal's does not")
        return None
    turn = angle_between(here, after)
    fixed = plane_known and (turn > 1e-7 or not math.isnan(after.argument))  # else it may begin anywhere
    for number, impulse in enumerate(found.impulses):
        _burn(draft, body, impulse, found.duration if number else 0.0, fixed)
    if len(found.impulses) > 1:
        draft.path(body, found.energy, math.copysign(found.angular_momentum, place.angular_momentum))
    draft.duration = found.duration
    if found.impulses and plane_known and turn > 1e-7:
        draft.remarks.append(f"turns the plane by {math.degrees(turn):.4g} deg")
    lies = after if plane_known else angles_of_goal(goal)
    return Place(body.name, *wanted, inclination=lies.inclination, node=lies.node, argument=lies.argument)


def counting_the_turn(goal: Goal, body: Body, place: Place, then=None):
    """What a turn of the plane adds to the cost of reaching an orbit, (energies, angular momenta) -> m/s, and ``then``, the cost of what comes next; just ``then`` where
    there is no turn."""
    here = angles_of_place(place)
    turn = 0.0 if math.isnan(here.inclination) else angle_between(here, here.after(angles_of_goal(goal)))
    if not turn > 1e-7:
        return then
    limits = {"radius_min": body.radius, "radius_max": body.sphere_of_influence}

    def more(energy, h):
        pair = place.energy, abs(place.angular_momentum), energy, np.abs(h)
        added = least_with_turn(body.mu, *pair, turn, **limits) - least_delta_v(body.mu, *pair, **limits)
        return added if then is None else added + then(energy, h)

    return more


def lifted(goal: Goal, body: Body, end: Place, draft: Draft, tanks: Tanks) -> Place:
    """The orbit after a lift-off: in the goal's plane, where it names one, else over the equator; ``tanks`` as they were before it.

    What the ground's turning helps less in such a plane than towards the east is added to the first burn.
    """
    if math.isnan(goal.inclination) or not draft.burns:
        return replace(end, inclination=0.0)
    ground, speed = abs(body.surface_rotation_speed), draft.burns[0].speed_after
    lost = math.sqrt(speed**2 + ground**2 - 2 * speed * ground * math.cos(goal.inclination)) - abs(speed - ground)
    if lost > 1e-6:
        draft.tanks, burns = tanks, draft.burns
        for number, burn in enumerate(burns):
            draft.tanks, propellant, duration = draft.tanks.spend(burn.delta_v + (lost if number == 0 else 0.0))
            burns[number] = replace(burn, delta_v=burn.delta_v + (lost if number == 0 else 0.0), propellant=propellant, duration=duration)
        draft.remarks.append(
            f"lifts off from the equator into a plane inclined {math.degrees(goal.inclination):.4g} deg: the ground's {ground:.0f} m/s help"
            f" {lost:.1f} m/s less there than towards the east"
        )
    return replace(end, inclination=goal.inclination, node=goal.longitude_of_ascending_node)


def aimed(goal: Goal, end: Place, draft: Draft) -> Place:
    """An arrival from elsewhere: the plane that the goal wants is aimed for on the way."""
    if math.isnan(goal.inclination):
        return end
    draft.remarks.append(f"aims for a plane inclined {math.degrees(goal.inclination):.4g} deg on the way: far out that costs next to nothing, and is not counted")
    return replace(end, inclination=goal.inclination, node=goal.longitude_of_ascending_node)


def _left_open(here: Angles, there: Angles, place: Place, body: Body) -> list[str]:
    """What is not known of how the orbit lies, and so not counted."""
    said = []
    if not math.isnan(there.node) and math.isnan(here.node) and math.sin(here.inclination) > 1e-9:
        said.append("where the node lies at the leg's start is not known: only the change of inclination is counted")
    low, high = (float(r) for r in apsides(body.mu, *place.orbit))
    if not math.isnan(there.argument) and math.isnan(here.argument) and high > low * (1 + 1e-5):
        said.append("where the periapsis lies at the leg's start is not known: it is taken to lie where the change costs least")
    elif math.isnan(there.argument) and high > low * (1 + 1e-5) and angle_between(here, here.after(there)) > 1e-7:
        said.append("the apse line is taken to lie where the turn of the plane costs least")
    return said


def _burn(draft: Draft, body: Body, impulse: SpaceImpulse, met: float, fixed: bool) -> None:
    draft.burn(_words(body, impulse, fixed), body, impulse.radius, impulse.delta_v, met, impulse.speed_before, impulse.speed_after)
    draft.burns[-1] = replace(
        draft.burns[-1], prograde=impulse.prograde, outward=impulse.outward, normal=impulse.normal, plane_change=impulse.turn,
        argument_of_latitude=_from_node(impulse) if fixed else math.nan,
    )  # fmt: skip


def _from_node(impulse: SpaceImpulse) -> float:
    momentum = np.cross(impulse.position, impulse.velocity_before)
    normal = momentum / np.linalg.norm(momentum)
    if math.hypot(normal[0], normal[1]) < 1e-9:  # over the equator the node is that of the orbit after
        momentum = np.cross(impulse.position, impulse.velocity_after)
        normal = momentum / np.linalg.norm(momentum)
    tilt, node = math.acos(max(-1.0, min(1.0, normal[2]))), math.atan2(normal[0], -normal[1])
    return argument_of_latitude(impulse.position, axes_of(tilt, node, 0.0))


def _words(body: Body, impulse: SpaceImpulse, fixed: bool) -> str:
    """Which way and where: "retrograde 9.3 m/s and left 177.4 m/s, at the ascending node"."""
    parts = (
        (impulse.prograde, "prograde", "retrograde"), (impulse.outward, "outward", "inward"), (impulse.normal, "left", "right"),
    )  # fmt: skip
    counted = [(size, one if size > 0 else other) for size, one, other in parts if abs(size) > _LITTLE * impulse.delta_v]
    which = " and ".join(word if len(counted) == 1 else f"{word} {abs(size):.1f} m/s" for size, word in counted)
    places = []
    if fixed:
        from_node = _from_node(impulse)
        for name, at in (("ascending", 0.0), ("descending", math.pi)):
            if abs(math.remainder(from_node - at, 2 * math.pi)) < _NEAR:
                places.append(f"at the {name} node")
        if not places:
            places.append(f"{math.degrees(from_node):.1f} deg past the ascending node")
    speed, radial = impulse.speed_before, impulse.radial_before
    low, high = (float(r) for r in apsides(body.mu, speed**2 / 2 - body.mu / impulse.radius, impulse.radius * math.sqrt(max(speed**2 - radial**2, 0.0))))
    if high > low * (1 + 1e-5):
        places += [f"at {name}" for name, r in (("periapsis", low), ("apoapsis", high)) if abs(impulse.radius / r - 1) < 1e-6]
    return which + ((", " if len(counted) > 1 else " ") + ", ".join(places) if places else ", anywhere on the circle" if high <= low * (1 + 1e-5) else ", on the way")
