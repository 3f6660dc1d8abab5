"""Quantities in and out: the one place where units are converted. SI floats inside, always.

>>> parse_quantity("12.5 km", "length")
12500.0
>>> parse_quantity("7 h 12 min", "time")
25920.0
>>> say(61943.0, 30.0, "length")
'61.94 km'

Pure Python on purpose: the commands that answer in flight import this and little else.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection

from analyser.errors import InputError
from analyser.units.numerals import SPACES, scan_number, shown

__all__ = [
    "UNITS", "dimension_of", "format_met", "format_quantity", "nearest", "parse_orbit", "parse_quantity", "pilot_unit", "say",
    "scan_duration", "scan_number", "shown", "unit_factor",
]  # fmt: skip

_G0 = 9.80665  # m/s^2, exact (3rd General Conference on Weights and Measures, 1901)
_FOOT = 0.3048  # m, exact (international foot, 1959)
_NAUTICAL_MILE = 1852.0  # m, exact (First International Extraordinary Hydrographic Conference, 1929)
_POUND = 0.45359237  # kg, exact (international pound, 1959)
_AU = 149597870700.0  # m, exact (IAU 2012 Resolution B2)

#: For each dimension the units that are understood, with the factor to SI. The first one is the SI unit.
UNITS: dict[str, dict[str, float]] = {
    "length": {
        "m": 1.0, "km": 1e3, "Mm": 1e6, "Gm": 1e9, "cm": 1e-2, "mm": 1e-3, "ft": _FOOT, "kft": 1e3 * _FOOT,
        "n mi": _NAUTICAL_MILE, "mi": 5280 * _FOOT, "yd": 3 * _FOOT, "au": _AU,
    },
    "time": {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "ms": 1e-3},
    "speed": {
        "m/s": 1.0, "km/s": 1e3, "km/h": 1 / 3.6, "ft/s": _FOOT, "ft/min": _FOOT / 60,
        "kn": _NAUTICAL_MILE / 3600, "mph": 5280 * _FOOT / 3600, "cm/s": 1e-2, "mm/s": 1e-3, "m/min": 1 / 60,
    },
    "acceleration": {"m/s^2": 1.0, "g": _G0, "km/s^2": 1e3, "ft/s^2": _FOOT, "cm/s^2": 1e-2},
    "mass": {"kg": 1.0, "t": 1e3, "g": 1e-3, "lb": _POUND, "kt": 1e6},
    "force": {"N": 1.0, "kN": 1e3, "MN": 1e6, "lbf": _POUND * _G0, "kgf": _G0, "tf": 1e3 * _G0},
    "angle": {"rad": 1.0, "deg": math.pi / 180, "arcmin": math.pi / 10800, "arcsec": math.pi / 648000, "mrad": 1e-3},
    "area": {"m^2": 1.0, "km^2": 1e6, "cm^2": 1e-4, "ft^2": _FOOT**2},
    "density": {"kg/m^3": 1.0, "g/m^3": 1e-3, "g/cm^3": 1e3, "kg/km^3": 1e-9, "lb/ft^3": _POUND / _FOOT**3},
    "gravitational parameter": {"m^3/s^2": 1.0, "km^3/s^2": 1e9},
    "specific impulse": {"s": 1.0, "m/s": 1 / _G0, "km/s": 1e3 / _G0},  # or the effective exhaust speed
    "fraction": {"1": 1.0, "%": 1e-2},
    "angular rate": {"rad/s": 1.0, "deg/s": math.pi / 180, "deg/h": math.pi / 648000},
    "specific energy": {"m^2/s^2": 1.0, "km^2/s^2": 1e6, "J/kg": 1.0, "kJ/kg": 1e3, "MJ/kg": 1e6},
    "specific angular momentum": {"m^2/s": 1.0, "km^2/s": 1e6},
}  # fmt: skip

#: Other spellings, by dimension.
_SPELLINGS: dict[str, dict[str, str]] = {
    "length": {
        "nmi": "n mi", "nm": "n mi", "feet": "ft", "foot": "ft", "metre": "m", "metres": "m", "meter": "m",
        "meters": "m", "kilometre": "km", "kilometres": "km", "kilometer": "km", "kilometers": "km", "mile": "mi",
        "miles": "mi", "nautical mile": "n mi", "nautical miles": "n mi", "n.mi.": "n mi", "n. mi.": "n mi",
    },
    "time": {
        "sec": "s", "secs": "s", "second": "s", "seconds": "s", "m": "min", "mins": "min", "minute": "min",
        "minutes": "min", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
    },
    "speed": {
        "mps": "m/s", "kps": "km/s", "kmh": "km/h", "kph": "km/h", "fps": "ft/s", "fpm": "ft/min", "kt": "kn",
        "kts": "kn", "knot": "kn", "knots": "kn", "m s^-1": "m/s", "m/sec": "m/s", "ft/sec": "ft/s", "km/sec": "km/s",
    },
    "acceleration": {"g0": "g", "gs": "g", "m/s/s": "m/s^2", "m s^-2": "m/s^2"},
    "mass": {"tonne": "t", "tonnes": "t", "lbs": "lb", "lbm": "lb", "kilogram": "kg", "kilograms": "kg", "kgs": "kg"},
    "force": {"newton": "N", "newtons": "N"},
    "angle": {"°": "deg", "degree": "deg", "degrees": "deg", "degs": "deg", "º": "deg"},
    "specific impulse": {"sec": "s", "seconds": "s", "n s/kg": "m/s", "ns/kg": "m/s"},
    "fraction": {"percent": "%", "pct": "%", "per cent": "%"},
    "angular rate": {"°/s": "deg/s"},
}  # fmt: skip

_BY_SI_UNIT = {next(iter(units)): dimension for dimension, units in reversed(UNITS.items())}
_BY_SI_UNIT["s"] = "time"

_POWERS = str.maketrans({"²": "^2", "³": "^3", "·": " ", "⋅": " ", "×": "x", "−": "-", "⁄": "/", "∕": "/"})


def dimension_of(name: str) -> str:
    """The dimension that ``name`` means: a dimension itself, or the SI unit that stands for one ("m/s").

    Raises
    ------
    KeyError
        Where it is neither: a slip of the caller, not of the user.
    """
    if name in UNITS:
        return name
    found = name.replace("_", " ")
    return found if found in UNITS else _BY_SI_UNIT[name]


def nearest(word: str, known: Collection[str]) -> str:
    """The known word most like ``word``, or "" where none is near."""
    folded = {candidate.casefold(): candidate for candidate in reversed(list(known))}
    if len(word) >= 3:
        for candidate in folded:
            if candidate.startswith(word.casefold()):
                return folded[candidate]
    import difflib  # only where something is misspelt

    close = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def unit_factor(unit: str, dimension: str) -> float:
    """Factor from ``unit`` to the SI unit of ``dimension``.

    Case counts where it tells units apart ("Mm" and "mm"), else it is ignored.

    Raises
    ------
    InputError
        The unit is not one of this dimension; the message names the nearest known.
    """
    dimension = dimension_of(dimension)
    units, spellings = UNITS[dimension], _SPELLINGS.get(dimension, {})
    if unit in units:
        return units[unit]
    word = " ".join(unit.translate(SPACES).translate(_POWERS).split()).replace("**", "^")
    word = re.sub(r"\s*/\s*", "/", re.sub(r"(?<=[a-z])([23])(?=$|/)", r"^\1", word))
    if word in units:
        return units[word]
    if word.casefold() in spellings:
        return units[spellings[word.casefold()]]
    matching = {factor for known, factor in units.items() if known.casefold() == word.casefold()}
    if len(matching) == 1:
        return matching.pop()
    raise InputError(_unknown_unit(unit, dimension, bool(matching)))


def _unknown_unit(unit: str, dimension: str, several: bool) -> str:
    units = UNITS[dimension]
    known = ", ".join(name for name in units if name != "1")
    if several:
        return f"the unit {unit!r} can be read in two ways; for {_article(dimension)} write one of {known}"
    for other, others in UNITS.items():
        if other != dimension and unit in others:
            return f"{unit!r} is a unit of {other}, not of {dimension}; write one of {known}"
    suggestion = nearest(unit, [*units, *_SPELLINGS.get(dimension, {})])
    hint = f" (nearest: {suggestion})" if suggestion and suggestion != "1" else ""
    return f"{unit!r} is no known unit of {dimension}{hint}; write one of {known}"


def _article(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"


# Durations ------------------------------------------------------------------------------------------------------

_CLOCK = (  # compiled by the first duration that is read
    r"(?:(\d+)\s*(?:(?:days?|d)[\s,:/]*|[\s/]+))?"  # days, said or set apart
    r"(\d+(?::\d{1,2}){1,3})(?:[.,](\d*))?"  # colons
)
_PART = r"(\d+(?:[.,]\d*)?|[.,]\d+)\s*([a-zA-Z]+)[\s,]*"


def scan_duration(text: str, pair: str = "mm:ss", bare: float = 1.0, proofs: Collection[str] = ()) -> tuple[float, float]:
    """Seconds and the value of the last digit typed, s.

    Understood: seconds, ``mm:ss``, ``hh:mm:ss(.s)``, ``d hh:mm:ss``, ``3 d 04:12`` (hours and minutes after days),
    ``7 h 12 min``, ``1h02m03s``; any with a sign. Hours and minutes that lead may be as large as they like.

    Parameters
    ----------
    text : str
        The duration.
    pair : {"mm:ss", "hh:mm"}
        What two numbers with a colon mean where no days are given.
    bare : float
        Seconds in the unit of a bare number.
    proofs : collection of str
        See :func:`scan_number`.

    Raises
    ------
    InputError
        It is no duration, or a minute or second is 60 or more.
    """
    cleaned = text.translate(SPACES).strip()
    sign = -1.0 if cleaned.startswith("-") else 1.0
    unsigned = cleaned.lstrip("+-").strip() if cleaned[:1] in "+-" and cleaned[1:2] not in "+-" else cleaned
    clock = re.fullmatch(_CLOCK, unsigned)
    if clock:
        seconds, step = _clock_parts(clock, pair, text)
        return sign * seconds, step
    parts = re.findall(_PART, unsigned)
    if len(parts) > 1 and "".join(re.split(_PART, unsigned)[::3]).strip() == "":
        seconds, before = 0.0, math.inf
        for index, (number, unit) in enumerate(parts):
            factor = unit_factor(unit, "time")
            amount = scan_number(number, proofs)
            if factor >= before or (index and amount.value * factor >= before):
                raise InputError(f"{shown(text)} is no duration: write days, hours, minutes, seconds, in this order")
            seconds, before, step = seconds + amount.value * factor, factor, amount.step * factor
        return sign * seconds, step
    if ":" in cleaned:
        raise InputError(f"{shown(text)} is no time")
    number = scan_number(cleaned, proofs)
    factor = unit_factor(number.unit, "time") if number.unit else bare
    return number.value * factor, number.step * factor


def _clock_parts(match: re.Match, pair: str, text: str) -> tuple[float, float]:
    days, colons, decimals = match.groups()
    parts = [int(part) for part in colons.split(":")]
    if days is not None and len(parts) == 4:
        raise InputError(f"{shown(text)} gives the days twice")
    minutes_last = len(parts) == 2 and (days is not None or pair == "hh:mm")
    if len(parts) == 4:
        days, parts = parts[0], parts[1:]
    step = 60.0 if minutes_last else 1.0
    if decimals is not None and minutes_last:
        raise InputError(f"{shown(text)}: tenths after hh:mm are unusual; write hh:mm:ss")
    whole = parts + [0] if minutes_last else parts
    hours, minutes, seconds = ([0] + whole)[-3:]
    if seconds > 59 or (len(whole) == 3 and minutes > 59) or (days is not None and hours > 23):
        raise InputError(f"{shown(text)} is no time: minutes and seconds go to 59, hours after days to 23")
    total = int(days or 0) * 86400.0 + hours * 3600.0 + minutes * 60.0 + seconds
    if decimals:
        total += float("0." + decimals)
        step = 10.0 ** -len(decimals)
    if not math.isfinite(total):
        raise InputError(f"{shown(text)} is too long a time")
    return total, step


# In and out -----------------------------------------------------------------------------------------------------


def parse_quantity(given: str | float, dimension: str) -> float:
    """A quantity as people write it, in SI.

    Parameters
    ----------
    given : str or number
        "12.5 km", "3 d 04:12", "550 m/s", "6.1e12 m^3/s^2"; a bare number is SI (radians for angles).
    dimension : str
        One of ``UNITS``, or its SI unit ("m/s").

    Returns
    -------
    float
        In the SI unit of the dimension; finite.

    Raises
    ------
    InputError
        No number, an unknown unit (the nearest known is named), nan or infinite.
    """
    dimension = dimension_of(dimension)
    if isinstance(given, bool) or not isinstance(given, (int, float, str)):
        raise InputError(f"{given!r} is no quantity of {dimension}; write it like {_example(dimension)}")
    if not isinstance(given, str):
        try:
            value = float(given)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise InputError(f"{given if isinstance(given, float) else 'this'} is not a finite number")
        return value
    if not given.strip():
        raise InputError(f"empty; write it like {_example(dimension)}")
    if dimension == "time":
        return scan_duration(given)[0]
    try:
        number = scan_number(given)
    except InputError as error:
        raise InputError(f"{error.problem}; write it like {_example(dimension)}") from None
    value = number.value * (unit_factor(number.unit, dimension) if number.unit else 1.0)
    if not math.isfinite(value):
        raise InputError(f"{shown(given)} is too large a number")
    return value


_EXAMPLES = {
    "length": "890 km", "time": "7 h 12 min", "speed": "550 m/s", "acceleration": "1.6 m/s^2", "mass": "6.4 t",
    "force": "58 kN", "angle": "40 deg", "area": "4 m^2", "density": "1.1 kg/m^3",
    "gravitational parameter": "6.1e12 m^3/s^2", "specific impulse": "318 s", "fraction": "60 %",
}  # fmt: skip


def _example(dimension: str) -> str:
    return f'"{_EXAMPLES.get(dimension, "1 " + next(iter(UNITS[dimension])))}"'


def parse_orbit(text: str) -> tuple[float, float]:
    """Periapsis and apoapsis altitude in m from "80 x 120 km" (or "80 km x 1.2 Mm"), the lower one first.

    Raises
    ------
    InputError
        It is not two altitudes.
    """
    if not isinstance(text, str):
        raise InputError(f'{text!r} is no orbit; write its two altitudes like "80 x 120 km"')
    sides = re.split(r"\s*[x×X*]\s*", text.strip())
    if len(sides) != 2:
        raise InputError(f'{shown(text)} is no orbit; write its two altitudes like "80 x 120 km"')
    second = scan_number(sides[1])
    first = scan_number(sides[0])
    ends = []
    for number, unit in ((first, first.unit or second.unit), (second, second.unit)):
        ends.append(number.value * (unit_factor(unit, "length") if unit else 1.0))
    return min(ends), max(ends)


def format_quantity(value: float, unit: str, dimension: str) -> str:
    """``value`` (SI) in ``unit``, with as few digits as give exactly ``value`` again, falling back on SI.

    >>> format_quantity(80000.0, "km", "length")
    '80 km'
    """
    dimension = dimension_of(dimension)
    factor = UNITS[dimension][unit]
    text = f"{value / factor:.15g}"
    if float(text) * factor == value:
        return f"{text} {unit}"
    base = next(iter(UNITS[dimension]))
    return f"{value!r}" if base == "1" else f"{value!r} {base}"


def format_met(seconds: float, decimals: int = 0) -> str:
    """Mission elapsed time as "T+00:12:40", from a day on "T+1 d 02:03:04"; before the start "T-00:00:10".

    >>> format_met(760)
    'T+00:12:40'
    """
    if not math.isfinite(seconds):
        return "T+ not known"
    scale = 10**decimals
    ticks = round(abs(seconds) * scale)
    whole, part = divmod(ticks, scale)
    days, rest = divmod(whole, 86400)
    clock = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}" + (f".{part:0{decimals}d}" if decimals else "")
    sign = "-" if seconds < 0 and ticks else "+"
    return f"T{sign}{days} d {clock}" if days else f"T{sign}{clock}"


#: The units a pilot says, by dimension: (from this size on, unit). The last one that fits is taken.
_SAID: dict[str, tuple[tuple[float, str], ...]] = {
    "length": ((0.0, "m"), (1e4, "km")),
    "time": ((0.0, "s"), (180.0, "min"), (3 * 3600.0, "h"), (3 * 86400.0, "d")),
    "mass": ((0.0, "kg"), (1e5, "t")),
    "force": ((0.0, "N"), (1e3, "kN")),
    "angle": ((0.0, "deg"),),
    "fraction": ((0.0, "%"),),
    "angular rate": ((0.0, "deg/s"),),
    "gravitational parameter": ((0.0, "km^3/s^2"),),
    "specific energy": ((0.0, "m^2/s^2"), (1e5, "km^2/s^2")),
    "specific angular momentum": ((0.0, "m^2/s"), (1e6, "km^2/s")),
}


def pilot_unit(value: float, dimension: str) -> tuple[str, float]:
    """The unit a pilot says for a value of this size, and its factor to SI."""
    dimension = dimension_of(dimension)
    base = next(iter(UNITS[dimension]))
    said = [unit for size, unit in _SAID.get(dimension, ((0.0, base),)) if abs(value) >= size]
    unit = said[-1] if said else base
    return unit, UNITS[dimension][unit]


def say(value: float, sigma: float = math.nan, dimension: str = "fraction", error: bool = False) -> str:
    """A value as a pilot says it, with as many digits as its standard deviation lets stand.

    Parameters
    ----------
    value, sigma : float
        SI. A sigma of nan: four significant digits.
    dimension : str
        One of ``UNITS``, or its SI unit ("m/s").
    error : bool
        Add "± ..": the half-width of the 95 % interval, 1.96 sigma.

    Returns
    -------
    str
        "61.94 km", "61.94 ± 0.06 km"; "not known" for nan.
    """
    if not math.isfinite(value):
        return "not known" if math.isnan(value) else "without limit"
    unit, factor = pilot_unit(value, dimension)
    size, spread = value / factor, sigma / factor
    known = math.isfinite(spread) and spread > 0
    if known:
        decimals = -math.floor(math.log10(1.96 * spread if error else spread) + 1e-12)
    else:
        decimals = 3 - math.floor(math.log10(abs(size))) if size else 0
    decimals = max(-9, min(decimals, 9))
    # Rounding to tens and more is for numbers known so badly; decimals never exceed what the clock of a float holds.
    text = f"{round(size, decimals) + 0.0:.{max(decimals, 0)}f}"
    if not known and "." in text:
        text = text.rstrip("0").rstrip(".")
    if error and known:
        text += f" ± {round(1.96 * spread, decimals):.{max(decimals, 0)}f}"
    return text if unit == "1" else f"{text} {unit}"
