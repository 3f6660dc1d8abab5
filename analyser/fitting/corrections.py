"""What is still missing to a goal, from one reading: how much, which way, now and from the best point of the orbit.

Impulses, two-body motion, in the plane of the orbit. Each way to the goal is reckoned for every sampled state of the
reading, so that the delta-v carries the interval that the digits give it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from analyser.estimate import Estimate
from analyser.fitting import scalar_conic as conic
from analyser.fitting.digits import estimate
from analyser.fitting.engine import Engine
from analyser.fitting.fix import Fix
from analyser.fitting.ways import Change, Way, ways_to
from analyser.flight import Goal, World
from analyser.records import Record


class Correction(Record):
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


class Aim(Record):
    """How far a fix is from a goal. ``miss`` is what the goal names now, less what is wanted; ``verdict`` is one of
    "reached" (as far as the digits tell), "short", "beyond" (overshot: the corrections are the way back), "open"."""

    goal: str
    what: str  # "apoapsis", "periapsis", ...
    miss: Estimate
    verdict: str
    corrections: tuple[Correction, ...]
    remarks: tuple[str, ...] = ()


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
    what, wanted, present, ways, remarks = ways_to(fix, goal, world)
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
        then=_then(nominal[2], "at the periapsis that this sets" if where == "now" else "half an orbit later"),
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


def _then(second: float, when: str) -> str:
    return "" if abs(second) < 1e-9 else f"then {abs(second):.1f} m/s {'prograde' if second > 0 else 'retrograde'} {when}"
