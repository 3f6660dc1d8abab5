"""Quantities and goals as typed on the command line."""

from __future__ import annotations

import math
import re

from analyser.errors import InputError
from analyser.fitting.digits import Shown
from analyser.flight import Craft, Goal, Plan, World
from analyser.units import nearest, parse_orbit, parse_quantity, scan_duration, scan_number, unit_factor

_PLUS_MINUS = r"\s*(?:±|\+/?-)\s*"
_GOALS = '"apoapsis 21400 km", "periapsis 30 km", "circular", "20 x 60 km", "escape", "land", or a leg of the plan'


def shown_quantity(text: str, dimension: str, place: str) -> Shown:
    """A quantity with what its digits leave open: "61.9km", or with a standard deviation of one's own, "61.9 +- 0.2 km".

    Raises
    ------
    InputError
        It is no such quantity; the message names ``place`` (the option).
    """
    try:
        sides = re.split(_PLUS_MINUS, text.strip(), maxsplit=1) if "±" in text or "+" in text else ()
        if len(sides) == 2 and sides[0]:
            return _with_sigma(*sides, dimension)
        if dimension == "time":
            value, step = scan_duration(text)
            return Shown(value, step / 2)
        number = scan_number(text)
        factor = unit_factor(number.unit, dimension) if number.unit else math.radians(1) if dimension == "angle" else 1.0
        return Shown(number.value * factor, number.step * factor / 2)
    except InputError as error:
        raise InputError(error.problem, place=place) from None


def _with_sigma(value: str, sigma: str, dimension: str) -> Shown:
    second = scan_number(sigma)
    first = scan_number(value)
    unit = first.unit or second.unit
    factors = [unit_factor(name, dimension) if name else 1.0 for name in (unit, second.unit or unit)]
    if second.value <= 0:
        raise InputError("a standard deviation is larger than 0")
    return Shown(first.value * factors[0], 0.0, second.value * factors[1])


def propellant_mass(text: str, craft: Craft, stage: str) -> float:
    """Propellant left, kg, from a mass or a percentage of the stage's load."""
    try:
        number = scan_number(text)
        if number.unit == "%":
            index = craft.stage_index(stage) if stage else 0
            load = craft.stages[index or 0].propellant if craft.stages else math.nan
            return number.value / 100 * load
        return parse_quantity(text, "mass")
    except InputError as error:
        raise InputError(error.problem, place="option --propellant") from None


def throttle_share(text: str) -> float:
    """Throttle as 0..1 from "60%", "60" or "0.6"."""
    try:
        number = scan_number(text)
    except InputError as error:
        raise InputError(error.problem, place="option --throttle") from None
    value = number.value / 100 if number.unit == "%" or (not number.unit and number.value > 1) else number.value
    if number.unit not in ("", "%") or not 0 < value <= 1:
        raise InputError(f"{text.strip()!r} is no throttle: write 60% or 0.6", place="option --throttle")
    return value


def parse_goal(text: str, body: str, world: World, plan: Plan | None = None) -> Goal:
    """A goal as typed, about ``body`` unless it says "... about NAME"; or the name of a leg of ``plan``.

    Raises
    ------
    InputError
        It is none.
    """
    said = " ".join(text.split())
    if plan is not None:
        for leg in plan.legs:
            if leg.name.casefold() == said.casefold():
                return leg.goal
    match = re.fullmatch(r"(.*?)\s+(?:about|at|around)\s+([^\d].*)", said)
    if match:
        found = next((one for one in world.bodies if one.casefold() == match[2].casefold()), None)
        if found is None:
            raise InputError(f"the world has no body {match[2]!r}", place="option --goal")
        said, body = match[1], found
    word, _, rest = said.partition(" ")
    word, rest = word.casefold().rstrip(":="), rest.strip()
    try:
        if word in ("apoapsis", "periapsis") and rest:
            altitude = parse_quantity(rest, "length")
            return Goal(word, body, **{word: altitude})
        if word in ("circular", "circularise", "circularize"):
            return Goal("circular", body, periapsis=parse_quantity(rest, "length") if rest else math.nan)
        if word in ("escape", "leave") and not rest:
            return Goal("escape", body)
        if word in ("land", "landed", "landing", "stop") and not rest:
            return Goal("landed", body)
        orbit = rest if word == "orbit" else said
        if re.search(r"\d\s*\w*\s*[x×]\s*\d", orbit):
            low, high = parse_orbit(orbit)
            return Goal("orbit", body, low, high)
    except InputError as error:
        raise InputError(error.problem, place="option --goal") from None
    legs = [leg.name for leg in plan.legs] if plan else []
    hint = nearest(said, legs)
    near = f" (a leg near it: {hint})" if hint else "" if plan else " (for a leg of a plan, name the plan with --plan)"
    raise InputError(f"{text!r} is no goal{near}: write {_GOALS}", place="option --goal")
