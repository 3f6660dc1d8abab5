"""What a panel file says of a dial beyond its scale: several needles, colours, a hub off the middle, a smooth scale."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from analyser.errors import DescriptionError, InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.units import nearest, parse_quantity, unit_factor

NEEDLE_KEYS = ("length", "per_turn", "zero", "scale", "colour", "reads", "unit")
COLOURS = {"white": "#ffffff", "black": "#101010", "red": "#d02020", "orange": "#f08020", "yellow": "#f0e020", "green": "#20b040",
           "blue": "#2060d0", "cyan": "#20d0e0", "magenta": "#d020c0", "grey": "#909090"}  # fmt: skip
SMOOTH_STEPS = 16  # straight pieces between two marks of a smooth scale

Fail = Callable[[str, str], DescriptionError]


@dataclass(frozen=True)
class Needle:
    """One of several needles on a dial.

    Attributes
    ----------
    length : float
        Where its tip is, part of the dial's radius.
    column : str
        The readings column that it shows, alone or together with other needles of the same column.
    per_turn : float
        What a whole turn clockwise adds, SI; nan: it follows ``scale``.
    zero : float
        Where it stands at 0, rad clockwise from up.
    scale : tuple of (rad, SI value)
        Where it does not go round and round.
    colour : tuple of (blue, green, red), or None
    """

    length: float
    column: str
    per_turn: float = math.nan
    zero: float = 0.0
    scale: tuple[tuple[float, float], ...] = ()
    colour: tuple[int, int, int] | None = None


def colour_of(given, fail: Fail, key: str) -> tuple[int, int, int] | None:
    """(blue, green, red) from "#rrggbb" or a colour's name; None from None."""
    if given is None:
        return None
    code = COLOURS.get(given.casefold(), given) if isinstance(given, str) else ""
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", code):
        raise fail(key, f'found {given!r}; give the colour as on the reference picture, like "#e8e0d0", or one of {", ".join(COLOURS)}')
    return int(code[5:7], 16), int(code[3:5], 16), int(code[1:3], 16)


def hub_of(given, corners, fail: Fail) -> tuple[float, float]:
    """Where the hub is, parts of the gauge's width and height from its top left; the middle where nothing is said."""
    if given is None:
        return 0.5, 0.5
    if not (isinstance(given, list) and len(given) == 2 and all(isinstance(each, (int, float)) and not isinstance(each, bool) for each in given)):
        raise fail("centre", "give the pixel of the reference picture about which the needle turns, like [880, 220]")
    (ax, ay), (bx, by), _, (dx, dy) = corners
    across, down, away = (bx - ax, by - ay), (dx - ax, dy - ay), (given[0] - ax, given[1] - ay)
    area = across[0] * down[1] - across[1] * down[0]
    u, v = (away[0] * down[1] - away[1] * down[0]) / area, (across[0] * away[1] - across[1] * away[0]) / area
    if not (0.1 < u < 0.9 and 0.1 < v < 0.9):
        raise fail("centre", f"the needle can't turn about {given}, which lies at the gauge's edge or outside its corners")
    return u, v


def needles_of(given, reads: tuple[str, ...], unit: str | None, fail: Fail) -> tuple[Needle, ...]:
    """The needles of a dial that has several; "" where the panel file names none."""
    if given is None:
        return ()
    form = 'give each needle as { length = 0.5, per_turn = "10 km" }, the length as part of the dial\'s radius'
    if not isinstance(given, list) or not 1 <= len(given) <= 5 or not all(isinstance(each, Mapping) for each in given):
        raise fail("needles", form)
    made = []
    for each in given:
        for key in each:
            if key not in NEEDLE_KEYS:
                near = nearest(key, NEEDLE_KEYS)
                raise fail("needles", f"a needle has no key {key!r}" + (f"; the nearest is {near!r}" if near else f"; known are {', '.join(NEEDLE_KEYS)}"))
        column = each.get("reads", reads[0])
        if column not in reads or column in TEXTS or column == "met":
            raise fail("needles", f"a needle reads {column!r}, which is not among what the dial reads ({', '.join(reads)})")
        length = each.get("length")
        if not isinstance(length, (int, float)) or isinstance(length, bool) or not 0.3 <= length <= 1.0:
            raise fail("needles", f"found length = {length!r}; a needle's tip lies between 0.3 and 1 of the dial's radius")
        if ("per_turn" in each) == ("scale" in each):
            raise fail("needles", f"a needle has either per_turn or a scale; {form}")
        own = each.get("unit", unit if len(reads) == 1 else None)
        factor = _factor(own, column, fail)
        per_turn = _amount(each["per_turn"], column, factor, fail) if "per_turn" in each else math.nan
        if per_turn == 0 or math.isinf(per_turn):
            raise fail("needles", "a whole turn must add something")
        zero = each.get("zero", 0.0)
        if not isinstance(zero, (int, float)) or isinstance(zero, bool) or not abs(zero) <= 360:
            raise fail("needles", "zero is the angle at which the needle shows 0, in degrees clockwise from up")
        scale = _pairs(each["scale"], column, factor, fail) if "scale" in each else ()
        made.append(Needle(float(length), column, per_turn, math.radians(zero), scale, colour_of(each.get("colour"), fail, "needles")))
    for column in reads:
        mine = [needle for needle in made if needle.column == column]
        if not mine:
            raise fail("needles", f"no needle reads {column!r}")
        if len(mine) > 1 and any(needle.scale for needle in mine[1:]) :
            raise fail("needles", "where needles are read together, name the slowest first; the others go round and round: per_turn")
    return tuple(made)


def smooth(scale: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """A scale with more marks between its own, on a smooth monotone curve (Fritsch & Carlson 1980) through them."""
    if len(scale) < 3:
        return scale
    import numpy as np
    from scipy.interpolate import PchipInterpolator

    places, values = (np.array(column) for column in zip(*scale))
    more = np.concatenate([np.linspace(a, b, SMOOTH_STEPS, endpoint=False) for a, b in zip(places, places[1:])] + [places[-1:]])
    return tuple(zip(more.tolist(), PchipInterpolator(places, values)(more).tolist()))


def _factor(unit, column: str, fail: Fail) -> float:
    if unit is None:
        if QUANTITIES[column] == "1":
            return 1.0
        raise fail("needles", f"say the unit in which the needle shows {column}")
    try:
        return unit_factor(unit, QUANTITIES[column])
    except InputError as error:
        raise fail("needles", error.problem) from error


def _amount(given, column: str, factor: float, fail: Fail) -> float:
    if isinstance(given, (int, float)) and not isinstance(given, bool):
        return float(given) * factor
    try:
        return parse_quantity(given, QUANTITIES[column])
    except InputError as error:
        raise fail("needles", error.problem) from error


def _pairs(given, column: str, factor: float, fail: Fail) -> tuple[tuple[float, float], ...]:
    form = "a needle's scale is pairs of angle clockwise from up in degrees and value, like [[-135, 0], [135, 100]]"
    if not isinstance(given, list) or len(given) < 2 or not all(isinstance(pair, list) and len(pair) == 2 for pair in given):
        raise fail("needles", form)
    if not all(isinstance(pair[0], (int, float)) and not isinstance(pair[0], bool) for pair in given):
        raise fail("needles", form)
    pairs = sorted((math.radians(pair[0]), _amount(pair[1], column, factor, fail)) for pair in given)
    if any(later[0] - earlier[0] <= 0 for earlier, later in zip(pairs, pairs[1:])) or pairs[-1][0] - pairs[0][0] > 2 * math.pi + 1e-9:
        raise fail("needles", "two of its angles are the same, or they span more than a turn; " + form)
    return tuple(pairs)
