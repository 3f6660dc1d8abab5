"""The ways to a goal: each takes ``(mu, r, vr, vt, orbit)`` and gives the change of radial and transverse speed of its first burn, and
the magnitude of its second (0 where there is none); None where the goal can't be reached that way. Impulses, two-body motion.
"""

from __future__ import annotations

import math
from collections import namedtuple
from collections.abc import Callable

from analyser.errors import InputError
from analyser.fitting import scalar_conic as conic
from analyser.fitting.fix import Fix
from analyser.fitting.way_home import way_home
from analyser.flight import Goal, World

Change = tuple[float, float, float]
_MUCH_LESS = 0.8  # of the delta-v along the path: below that it is worth pointing elsewhere
_NEAR = 0.003  # of the radius: an apsis that far from the goal's counts as the goal's
Way = Callable[[float, float, float, float, conic.Shape], "Change | None"]


def _apsis_speed(mu: float, here: float, other: float) -> float:
    """Speed at the apsis ``here`` of an orbit whose other apsis is ``other``, m/s (``other`` may be inf)."""
    return math.sqrt(2 * mu / here * (1 - here / (here + other))) if math.isfinite(other) else math.sqrt(2 * mu / here)


def _along_path(target: float) -> Way:
    """Now, so that one apsis comes to the radius ``target``: along the path, or along the horizon where that alone does it or for much less."""

    def way(mu, r, vr, vt, orbit):
        if abs(target - r) < 1e-9 * r:
            return None
        # An apsis at the radius t: v_r^2 + v_t^2 (1 - (r/t)^2) = 2 mu (1/r - 1/t), by energy and angular momentum.
        speed = math.hypot(vr, vt)
        ratio = 1 - (r * vt / (speed * target)) ** 2 if speed else 0.0
        needed = 2 * mu * (1 / r - 1 / target)
        path = math.sqrt(needed / ratio) - speed if ratio * needed > 0 else math.inf
        square = (needed - vr * vr) / (1 - (r / target) ** 2)
        horizon = math.sqrt(square) - vt if square >= 0 else math.inf
        if abs(horizon) < _MUCH_LESS * abs(path):
            return 0.0, horizon, 0.0
        return (vr * path / speed, vt * path / speed, 0.0) if math.isfinite(path) else None

    return way


def _at_apsis(which: str, target: float) -> Way:
    """At periapsis or apoapsis, along the path, so that the other apsis comes to ``target`` (inf: escape)."""

    def way(mu, r, vr, vt, orbit):
        here = orbit.periapsis if which == "periapsis" else orbit.apoapsis
        if not math.isfinite(here) or here <= 0:
            return None
        return 0.0, _apsis_speed(mu, here, target) - orbit.angular_momentum / here, 0.0

    return way


def _into_orbit_here(periapsis: float, apoapsis: float) -> Way:
    """Now, into an orbit with these apsides (radii) that passes here; climbing on if climbing, coming down if coming down.

    A little outside of them (:data:`_NEAR`) the orbit with the nearer apsis here will do.
    """

    def way(mu, r, vr, vt, orbit):
        low, high = (r, r) if math.isnan(periapsis) else (periapsis, apoapsis)
        if not low * (1 - _NEAR) <= r <= high * (1 + _NEAR):
            return None
        low, high = min(low, r), max(high, r)
        wanted = conic.shape(mu, low, 0.0, _apsis_speed(mu, low, high))
        climb, across = conic.crossing(mu, wanted, r)
        return math.copysign(climb, vr) - vr, across - vt, 0.0

    return way


def _by_periapsis(periapsis: float, apoapsis: float) -> Way:
    """Now, so that the coast passes at ``periapsis``; there, into the orbit with that periapsis and ``apoapsis``. A craft that is leaving
    first stops its climb, so that it comes down to the periapsis from here."""
    first = _along_path(periapsis)

    def way(mu, r, vr, vt, orbit):
        if r <= periapsis:
            return None
        change = first(mu, r, vr, vt, orbit)
        if change is None or (vr > 0 and conic.shape(mu, r, vr + change[0], vt + change[1]).alpha <= 0):
            change = -vr, _apsis_speed(mu, r, periapsis) - vt, 0.0
        after = conic.shape(mu, r, vr + change[0], vt + change[1])
        return change[0], change[1], _apsis_speed(mu, periapsis, apoapsis) - after.angular_momentum / after.periapsis

    return way


def _two_apses(first: str, meet: str, periapsis: float, apoapsis: float) -> Way:
    """At an apsis (``first``) bring the other apsis to the goal's ``meet``; there, burn again for the goal's other apsis."""

    def way(mu, r, vr, vt, orbit):
        here = orbit.periapsis if first == "periapsis" else orbit.apoapsis
        if not math.isfinite(here) or here <= 0:
            return None
        there, other = (periapsis, apoapsis) if meet == "periapsis" else (apoapsis, periapsis)
        one = _apsis_speed(mu, here, there) - orbit.angular_momentum / here
        two = _apsis_speed(mu, there, other) - _apsis_speed(mu, there, here)
        return 0.0, one, two

    return way


def _circularise_at(which: str) -> Way:
    def way(mu, r, vr, vt, orbit):
        here = orbit.periapsis if which == "periapsis" else orbit.apoapsis
        if not math.isfinite(here) or here <= 0:
            return None
        return 0.0, math.sqrt(mu / here) - orbit.angular_momentum / here, 0.0

    return way


def _to_speed(square_at_infinity: float, which: str = "") -> Way:
    """Along the path to the speed of an escape with this v_inf^2, here or at periapsis."""

    def way(mu, r, vr, vt, orbit):
        if which:
            if orbit.periapsis <= 0:
                return None
            return 0.0, math.sqrt(square_at_infinity + 2 * mu / orbit.periapsis) - orbit.angular_momentum / orbit.periapsis, 0.0
        speed = math.hypot(vr, vt)
        change = math.sqrt(square_at_infinity + 2 * mu / r) / speed - 1
        return vr * change, vt * change, 0.0

    return way


class Ways(namedtuple("Ways", "what wanted present ways remarks")):
    """A goal as it is aimed at: ``what`` it names ("apoapsis", "escape", ...), the value wanted of it, the function of a state (with its
    orbit) that gives the present one, the ways there by where they begin, and what must be said."""

    __slots__ = ()


def ways_to(fix: Fix, goal: Goal, world: World | None) -> Ways:
    """The ways to ``goal`` from a fix; see :func:`analyser.fitting.corrections.aim`.

    Raises
    ------
    InputError
        A goal that makes no sense from here.
    """
    body, radius = fix.body, fix.body.radius
    if goal.body != body.name:
        return _ways_elsewhere(fix, goal, world)
    if goal.kind == "apoapsis":
        target = radius + goal.apoapsis
        ways = [("now", _along_path(target) if target > fix.state[0] else _impossible), ("at periapsis", _at_apsis("periapsis", target))]
        if fix.periapsis_altitude.known and goal.apoapsis < fix.periapsis_altitude.value:
            ways = [("at apoapsis", _two_apses("apoapsis", "apoapsis", target, target))]
        return Ways("apoapsis", goal.apoapsis, lambda r, vr, vt, orbit: orbit.apoapsis - radius, ways, [])
    if goal.kind == "periapsis":
        target = radius + goal.periapsis
        ways = [("now", _along_path(target) if target < fix.state[0] else _impossible), ("at apoapsis", _at_apsis("apoapsis", target))]
        if fix.apoapsis_altitude.known and goal.periapsis > fix.apoapsis_altitude.value:
            ways = [("at periapsis", _two_apses("periapsis", "periapsis", target, target))]
        return Ways("periapsis", goal.periapsis, lambda r, vr, vt, orbit: orbit.periapsis - radius, ways, [])
    if goal.kind == "escape":
        return Ways("escape", 0.0, lambda r, vr, vt, orbit: math.hypot(vr, vt) - math.sqrt(2 * body.mu / r),
                    [("now", _to_speed(0.0)), ("at periapsis", _to_speed(0.0, "periapsis"))], [])  # fmt: skip
    if goal.kind == "circular" and math.isnan(goal.periapsis):
        ways = [("now", _into_orbit_here(math.nan, math.nan)), ("at apoapsis", _circularise_at("apoapsis")), ("at periapsis", _circularise_at("periapsis"))]
        return Ways("circular", 0.0, lambda r, vr, vt, orbit: orbit.apoapsis - orbit.periapsis, ways, [])
    if goal.kind in ("orbit", "circular"):
        low, high = radius + goal.periapsis, radius + (goal.periapsis if math.isnan(goal.apoapsis) else goal.apoapsis)
        combinations = [(first, meet) for first in ("apoapsis", "periapsis") for meet in ("periapsis", "apoapsis")]
        here = conic.shape(body.mu, *fix.state)

        def cost(combination: tuple[str, str]) -> float:
            if combination[0] == "periapsis" and here.periapsis < radius:
                return math.inf
            change = _two_apses(*combination, low, high)(body.mu, *fix.state, here)
            return math.inf if change is None else abs(change[1]) + abs(change[2])

        first, meet = min(combinations, key=cost)
        inside = low * (1 - _NEAR) <= fix.state[0] <= high * (1 + _NEAR)
        ways = [("now", _into_orbit_here(low, high) if inside else _by_periapsis(low, high)), (f"at {first}", _two_apses(first, meet, low, high))]
        return Ways("orbit", 0.0, lambda r, vr, vt, orbit: max(abs(orbit.periapsis - low), abs(orbit.apoapsis - high)), ways, [])
    raise InputError(f"the goal '{goal}' is not one that a burn from here answers", place="option --goal")


def _ways_elsewhere(fix: Fix, goal: Goal, world: World | None) -> Ways:
    """Goals about a moon of this body, or about the body that this one orbits."""
    body, radius = fix.body, fix.body.radius
    other = world[goal.body] if world is not None and goal.body in world else None
    if other is None:
        raise InputError(f"the goal is about {goal.body}, which the world doesn't have", place="option --goal")
    if other.parent == body.name:
        target = other.semi_major_axis
        remark = f"to meet {other.name} the apoapsis has to reach its path, {(target - radius) / 1e3:.0f} km above {body.name}"
        ways = [("now", _along_path(target)), ("at periapsis", _at_apsis("periapsis", target))]
        return Ways("apoapsis", target - radius, lambda r, vr, vt, orbit: orbit.apoapsis - radius, ways, [remark])
    if body.parent == other.name and goal.kind == "periapsis":
        home = way_home(body, other, fix.state[0], goal.periapsis)
        if home is None:
            raise InputError(f"no way out of {body.name}'s sphere of influence comes down to that periapsis", place="option --goal")
        square = home.speed**2 - 2 * body.mu / fix.state[0]
        remark = (
            f"burn when the direction against {body.name}'s motion is {math.degrees(home.lead):.0f} deg ahead of you, seen from the centre: "
            f"it leaves the sphere of influence at {home.edge_speed:.0f} m/s (patched conics; where both bodies pull all the way it takes some per cent more)"
        )
        ways = [("now", _to_speed(square)), ("at periapsis", _to_speed(square, "periapsis"))]
        return Ways("departure", 0.0, lambda r, vr, vt, orbit: math.hypot(vr, vt) - math.sqrt(square + 2 * body.mu / r), ways, [remark])
    raise InputError(f"from {body.name} the goal '{goal}' is not reached by one burn: aim at a leg before it", place="option --goal")


def _impossible(mu, r, vr, vt, orbit):
    return None
