"""What is still missing to a goal, from one reading: how much, which way, now and from the best point of the orbit.

Impulses, two-body motion, in the plane of the orbit. Each way to the goal is reckoned for every sampled state of the
reading, so that the delta-v carries the interval that the digits give it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from analyser.errors import InputError
from analyser.estimate import Estimate
from analyser.fitting import scalar_conic as conic
from analyser.fitting.fix import Fix, estimate
from analyser.flight import Body, Craft, Goal, World


@dataclass(frozen=True)
class Engine:
    """What pushes: thrust N at full throttle, exhaust speed m/s, mass of the craft now kg, propellant left kg, throttle 0..1.

    Any may be nan: unknown.
    """

    thrust: float
    exhaust_speed: float
    mass: float
    propellant: float
    throttle: float = 1.0

    def propellant_for(self, delta_v: float) -> float:
        """Propellant for a delta-v, kg, by the rocket equation."""
        return self.mass * -math.expm1(-delta_v / self.exhaust_speed)

    def seconds_for(self, delta_v: float) -> float:
        """Duration of a burn at this throttle, s."""
        return self.propellant_for(delta_v) * self.exhaust_speed / (self.thrust * self.throttle)

    @property
    def delta_v_left(self) -> float:
        """What the propellant left can still do, m/s."""
        return self.exhaust_speed * math.log(self.mass / (self.mass - self.propellant)) if self.mass > self.propellant else math.nan


@dataclass(frozen=True, eq=False)  # no comparing: made in flight, where building the class counts
class Correction:
    """One way to the goal: a burn at a place, and perhaps a second one.

    ``delta_v`` is what this burn takes, m/s, and ``total`` with the second burn of ``then``; both >= 0. ``wait``: s
    until the burn's place. Propellant (kg) and duration (s, at the engine's throttle) are those of the whole.
    """

    where: str  # "now", "at periapsis", "at apoapsis"
    direction: str
    wait: Estimate
    delta_v: Estimate
    total: Estimate
    duration: Estimate
    propellant: Estimate
    then: str = ""
    reason: str = ""


@dataclass(frozen=True, eq=False)  # no comparing: made in flight, where building the class counts
class Aim:
    """How far a fix is from a goal. ``miss`` is what the goal names now, less what is wanted; ``verdict`` is one of
    "reached" (as far as the digits tell), "short", "beyond" (overshot: the corrections are the way back), "open"."""

    goal: str
    what: str  # "apoapsis", "periapsis", ...
    miss: Estimate
    verdict: str
    corrections: tuple[Correction, ...]
    remarks: tuple[str, ...] = ()


def engine_of(craft: Craft, propellant: float = math.nan, stage: str = "", throttle: float = 1.0) -> tuple[Engine, tuple[str, ...]]:
    """The engine of a craft's stage with ``propellant`` kg left in it, and what was taken for granted.

    Raises
    ------
    InputError
        The craft has no stages or none of that name, or more propellant is said than the stage holds.
    """
    if not craft.stages:
        raise InputError("the craft file lists no stages; a burn's length needs thrust, specific impulse and mass", craft.path)
    index = craft.stage_index(stage) if stage else 0
    if index is None:
        raise InputError(f"no stage {stage!r}; the craft has {', '.join(one.name for one in craft.stages)}", craft.path)
    part, remarks = craft.stages[index], []
    if math.isnan(propellant):
        propellant = part.propellant
        remarks.append(f"stage {part.name} taken as full; say what is left: --propellant 1744kg")
    if propellant > part.propellant * 1.001:
        raise InputError(
            f"{propellant:g} kg of propellant are more than the stage {part.name} holds ({part.propellant:g} kg). "
            "another stage: --stage NAME",
            place="option --propellant",
        )
    if not stage and len(craft.stages) > 1:
        remarks.append(f"stage {part.name} taken as firing; another: --stage NAME")
    return Engine(part.thrust, part.exhaust_speed, craft.mass(index, propellant), propellant, throttle), tuple(remarks)


# The ways to a goal ----------------------------------------------------------------------------------------------
# Each takes (mu, r, vr, vt, orbit) and gives the change of radial and transverse speed of its first burn, and the
# magnitude of its second (0 where there is none); None where the goal can't be reached that way.

Change = tuple[float, float, float]
Way = Callable[[float, float, float, float, conic.Shape], "Change | None"]


def _apsis_speed(mu: float, here: float, other: float) -> float:
    """Speed at the apsis ``here`` of an orbit whose other apsis is ``other``, m/s (``other`` may be inf)."""
    return math.sqrt(2 * mu / here * (1 - here / (here + other))) if math.isfinite(other) else math.sqrt(2 * mu / here)


def _along_path(target: float) -> Way:
    """Now, along the path, so that one apsis comes to the radius ``target``; along the horizon where that can't do."""

    def way(mu, r, vr, vt, orbit):
        speed = math.hypot(vr, vt)
        ratio = 1 - (r * vt / (speed * target)) ** 2 if speed else 0.0
        needed = 2 * mu * (1 / r - 1 / target)
        if abs(target - r) < 1e-9 * r:
            return None
        if ratio * needed > 0:
            change = math.sqrt(needed / ratio) / speed - 1
            return vr * change, vt * change, 0.0
        # v_r^2 + v_t^2 (1 - (r/target)^2) = 2 mu (1/r - 1/target), the radial speed left as it is
        square = (needed - vr * vr) / (1 - (r / target) ** 2)
        return (0.0, math.sqrt(square) - vt, 0.0) if square >= 0 else None

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
    """Now, into an orbit with these apsides (radii) that passes here; climbing on if climbing, coming down if coming down."""

    def way(mu, r, vr, vt, orbit):
        low, high = (r, r) if math.isnan(periapsis) else (periapsis, apoapsis)
        if not low * (1 - 1e-9) <= r <= high * (1 + 1e-9):
            return None
        wanted = conic.shape(mu, low, 0.0, _apsis_speed(mu, low, high))
        climb, across = conic.crossing(mu, wanted, r)
        return math.copysign(climb, vr) - vr, across - vt, 0.0

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


# A goal, aimed at ------------------------------------------------------------------------------------------------


def aim(fix: Fix, goal: Goal, world: World | None = None, engine: Engine | None = None) -> Aim:
    """What is missing to ``goal``.

    Parameters
    ----------
    fix : Fix
    goal : Goal
        Kind "apoapsis", "periapsis", "circular" (``periapsis`` nan: at any altitude), "orbit" or "escape" about the body of
        the fix; or "periapsis" of a moon of it (then its apoapsis has to reach the moon's path) or of the body it orbits
        (then it has to leave, against its body's motion).
    world : World, optional
        Needed for goals about another body.
    engine : Engine, optional
        For propellant and duration.

    Raises
    ------
    InputError
        A goal that makes no sense from here.
    """
    body = fix.body
    what, wanted, present, ways, remarks = _ways(fix, goal, world)
    miss = _miss(fix, what, wanted, present)
    verdict = _verdict(what, miss, max(abs(wanted), 0.05 * body.radius))
    corrections = [found for found in (_correction(fix, name, way, engine) for name, way in ways) if found]
    possible = [found for found in corrections if not found.reason]
    if body.name != goal.body and what == "apoapsis":
        remarks.append(f"{goal.body} must be there when you are: see the transfer window on the card of {body.name}")
    if engine and possible and math.isfinite(engine.delta_v_left):
        least = min(found.total.value for found in possible)
        if least > engine.delta_v_left:
            remarks.append(f"not enough propellant: {engine.delta_v_left:.0f} m/s are left")
    return Aim(str(_spoken(goal)), what, miss, verdict, tuple(corrections), tuple(remarks))


def _spoken(goal: Goal) -> str:
    if goal.kind == "apoapsis":
        return f"apoapsis {goal.apoapsis / 1e3:g} km about {goal.body}"
    if goal.kind == "circular":
        return f"circular orbit about {goal.body}" + ("" if math.isnan(goal.periapsis) else f" at {goal.periapsis / 1e3:g} km")
    return str(goal)


def _ways(fix: Fix, goal: Goal, world: World | None):
    """(what the goal names, the wanted value, its function of a state, named ways, remarks)."""
    body, radius = fix.body, fix.body.radius
    if goal.body != body.name:
        return _ways_elsewhere(fix, goal, world)
    if goal.kind == "apoapsis":
        target = radius + goal.apoapsis
        ways = [("now", _along_path(target) if target > fix.state[0] else _impossible), ("at periapsis", _at_apsis("periapsis", target))]
        if fix.periapsis_altitude.known and goal.apoapsis < fix.periapsis_altitude.value:
            ways = [("at apoapsis", _two_apses("apoapsis", "apoapsis", target, target))]
        return "apoapsis", goal.apoapsis, lambda r, vr, vt, orbit: orbit.apoapsis - radius, ways, []
    if goal.kind == "periapsis":
        target = radius + goal.periapsis
        ways = [("now", _along_path(target) if target < fix.state[0] else _impossible), ("at apoapsis", _at_apsis("apoapsis", target))]
        if fix.apoapsis_altitude.known and goal.periapsis > fix.apoapsis_altitude.value:
            ways = [("at periapsis", _two_apses("periapsis", "periapsis", target, target))]
        return "periapsis", goal.periapsis, lambda r, vr, vt, orbit: orbit.periapsis - radius, ways, []
    if goal.kind == "escape":
        return ("escape", 0.0, lambda r, vr, vt, orbit: math.hypot(vr, vt) - math.sqrt(2 * body.mu / r),
                [("now", _to_speed(0.0)), ("at periapsis", _to_speed(0.0, "periapsis"))], [])  # fmt: skip
    if goal.kind == "circular" and math.isnan(goal.periapsis):
        ways = [("now", _into_orbit_here(math.nan, math.nan)), ("at apoapsis", _circularise_at("apoapsis")), ("at periapsis", _circularise_at("periapsis"))]
        return "circular", 0.0, lambda r, vr, vt, orbit: orbit.apoapsis - orbit.periapsis, ways, []
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
        ways = [("now", _into_orbit_here(low, high)), (f"at {first}", _two_apses(first, meet, low, high))]
        return "orbit", 0.0, lambda r, vr, vt, orbit: max(abs(orbit.periapsis - low), abs(orbit.apoapsis - high)), ways, []
    raise InputError(f"the goal '{goal}' is not one that a burn from here answers", place="option --goal")


def _ways_elsewhere(fix: Fix, goal: Goal, world: World | None):
    """Goals about a moon of this body, or about the body that this one orbits."""
    body, radius = fix.body, fix.body.radius
    other = world[goal.body] if world is not None and goal.body in world else None
    if other is None:
        raise InputError(f"the goal is about {goal.body}, which the world doesn't have", place="option --goal")
    if other.parent == body.name:
        target = other.semi_major_axis
        remark = f"to meet {other.name} the apoapsis has to reach its path, {(target - radius) / 1e3:.0f} km above {body.name}"
        ways = [("now", _along_path(target)), ("at periapsis", _at_apsis("periapsis", target))]
        return "apoapsis", target - radius, lambda r, vr, vt, orbit: orbit.apoapsis - radius, ways, [remark]
    if body.parent == other.name and goal.kind == "periapsis":
        # Leave so slowly that about the parent only the wanted periapsis is left of the moon's own speed.
        path = body.semi_major_axis
        excess = math.sqrt(other.mu / path) - _apsis_speed(other.mu, path, other.radius + goal.periapsis)
        remark = f"burn where the way out points against {body.name}'s motion: it leaves at {excess:.0f} m/s (patched conics)"
        ways = [("now", _to_speed(excess**2)), ("at periapsis", _to_speed(excess**2, "periapsis"))]
        wanted = excess**2
        return "departure", 0.0, lambda r, vr, vt, orbit: math.hypot(vr, vt) - math.sqrt(wanted + 2 * body.mu / r), ways, [remark]
    raise InputError(f"from {body.name} the goal '{goal}' is not reached by one burn: aim at a leg before it", place="option --goal")


def _impossible(mu, r, vr, vt, orbit):
    return None


def _miss(fix: Fix, what: str, wanted: float, present) -> Estimate:
    mu = fix.body.mu
    unit = "m/s" if what in ("escape", "departure") else "m"
    values = [present(*state, conic.shape(mu, *state)) - wanted for state in fix.states]
    return estimate(present(*fix.state, conic.shape(mu, *fix.state)) - wanted, values, unit, "the craft leaves")


def _verdict(what: str, miss: Estimate, scale: float) -> str:
    """How it stands; "open" where the digits leave more than a quarter of what is wanted undecided about the goal."""
    if not math.isfinite(miss.low):  # no apoapsis at all: it lies beyond any
        return "beyond" if what == "apoapsis" else "short" if what in ("circular", "orbit") else "open"
    if what in ("circular", "orbit"):
        # A distance between apsides is never below 0, and rounding alone keeps it off 0: a 25th of the scale counts as there.
        return "reached" if miss.value < 0.04 * scale else "short"
    if miss.low <= 0 <= miss.high:
        if what in ("apoapsis", "periapsis") and not miss.high - miss.low < 0.25 * scale:
            return "open"
        return "reached"
    beyond = miss.high < 0 if what == "periapsis" else miss.low > 0
    return "beyond" if beyond else "short"


def _correction(fix: Fix, where: str, way: Way, engine: Engine | None) -> Correction | None:
    mu = fix.body.mu
    shapes = [conic.shape(mu, *state) for state in fix.states]
    nominal = way(mu, *fix.state, conic.shape(mu, *fix.state))
    changes = [way(mu, *state, shape) for state, shape in zip(fix.states, shapes, strict=True)]
    unknown = Estimate.unknown("m/s", "not from here")
    wait = {"now": Estimate.of(0.0, 0.0, "s"), "at periapsis": fix.time_to_periapsis, "at apoapsis": fix.time_to_apoapsis}[where]
    reason = _never_there(fix, where, wait)
    if nominal is None or reason:
        if where != "now" and not reason:
            return None
        return Correction(where, "", wait, unknown, unknown, unknown, unknown, reason=reason or "not possible from this altitude")
    # Signed along the way it points, so that an interval that straddles nothing-to-do is seen as such.
    first = math.hypot(nominal[0], nominal[1])
    toward = (nominal[0] / first, nominal[1] / first) if first else (0.0, 1.0)
    usable = [change for change in changes if change is not None]
    size = [math.copysign(math.hypot(one[0], one[1]), one[0] * toward[0] + one[1] * toward[1]) for one in usable]
    whole = [one + abs(change[2]) for one, change in zip(size, usable, strict=True)]
    delta_v = estimate(first, size, "m/s")
    total = estimate(first + abs(nominal[2]), whole, "m/s")
    return Correction(
        where, _direction(fix, where, nominal), wait, delta_v, total,
        _mapped(engine.seconds_for if engine else None, total, "s"), _mapped(engine.propellant_for if engine else None, total, "kg"),
        then=_then(nominal[2]),
    )  # fmt: skip


def _never_there(fix: Fix, where: str, wait: Estimate) -> str:
    """Why the craft doesn't get to the place of the burn, "" where it does."""
    if where == "now":
        return ""
    if where == "at periapsis" and fix.periapsis_altitude.known and fix.periapsis_altitude.value < 0:
        return "the periapsis is below the ground"
    if where == "at periapsis" and fix.bound == 0 and fix.state[1] > 0:
        return "the periapsis is behind, and doesn't come again"
    if fix.ground.chance == 1 and wait.known and fix.ground.wait.value < wait.value:
        return "it meets the ground before that"
    return ""


def _mapped(function: Callable[[float], float] | None, delta_v: Estimate, unit: str) -> Estimate:
    """A growing function of a delta-v, with its interval."""
    if function is None:
        return Estimate.unknown(unit, "no craft is given")
    value = function(delta_v.value)
    if math.isnan(value):
        return Estimate.unknown(unit, "the craft file doesn't give thrust, specific impulse and mass")
    low, high = function(max(0.0, delta_v.low)), function(max(0.0, delta_v.high))
    slope = function(delta_v.value + 1e-3) - value
    return Estimate(value, abs(slope / 1e-3 * delta_v.sigma), low, high, unit)


def _direction(fix: Fix, where: str, change: Change) -> str:
    """Which way to point the thrust, in words; the nose's pitch for burns that start now."""
    radial, across = change[0], change[1]
    if not where == "now":
        return "prograde" if across >= 0 else "retrograde"
    _, vr, vt = fix.state
    size, speed = math.hypot(radial, across), math.hypot(vr, vt)
    if size == 0:
        return ""
    cosine = (radial * vr + across * vt) / (size * speed) if speed else 0.0
    pitch = math.degrees(math.atan2(radial, abs(across)))
    nose = "level" if abs(pitch) < 0.5 else f"{abs(pitch):.0f} deg {'up' if pitch > 0 else 'down'}"
    if cosine > 0.9998:
        return f"prograde (nose {nose})"
    if cosine < -0.9998:
        return f"retrograde (nose {nose})"
    return f"{'forwards' if across >= 0 else 'backwards'} along the path over ground, nose {nose}"


def _then(second: float) -> str:
    return "" if abs(second) < 1e-9 else f"then {abs(second):.1f} m/s {'prograde' if second > 0 else 'retrograde'} half an orbit later"
