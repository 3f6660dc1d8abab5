"""The columns of a readings table: their dimension, what values are possible, and how a header names them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from analyser.errors import InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.units import UNITS, dimension_of, nearest, shown, unit_factor

_LIGHT = 299792458.0  # m/s, exact (17th General Conference on Weights and Measures, 1983)


@dataclass(frozen=True)
class Column:
    """A column of numbers: ``low`` and ``high`` (SI, inclusive) bound what is possible, ``limits`` says so in words."""

    name: str
    dimension: str
    low: float
    high: float
    limits: str
    example: str

    @property
    def angle(self) -> bool:
        """Whether it holds angles: a panel shows degrees."""
        return self.dimension == "angle"


def _deg(value: float) -> float:
    return math.radians(value) * (1 + 1e-12)


_RANGES: dict[str, tuple[float, float, str, str]] = {
    "altitude": (-1e9, 1e15, "-1e6 to 1e12 km", "61.94 km"),
    "radar_altitude": (0.0, 1e12, "0 or more", "812 m"),
    # a sign that slipped in is let through: it is one of the slips that the fit sets aside and names
    "speed": (-_LIGHT, _LIGHT, "below the speed of light", "992.5 m/s"),
    "surface_speed": (-_LIGHT, _LIGHT, "below the speed of light", "41 m/s"),
    "vertical_speed": (-_LIGHT, _LIGHT, "below the speed of light", "-12.5 m/s"),
    "horizontal_speed": (-_LIGHT, _LIGHT, "below the speed of light", "12.5 m/s"),
    "flight_path_angle": (-_deg(90), _deg(90), "-90 to 90 deg", "1.2 deg"),
    "pitch": (-_deg(180), _deg(180), "-180 to 180 deg", "-12 deg"),
    "heading": (-_deg(180), _deg(360), "-180 to 360 deg", "270 deg"),
    "roll": (-_deg(360), _deg(360), "-360 to 360 deg", "5 deg"),
    "latitude": (-_deg(90), _deg(90), "-90 to 90 deg", "-4.5 deg"),
    "longitude": (-_deg(360), _deg(360), "-360 to 360 deg", "121.3 deg"),
    "throttle": (0.0, 1.0, "0 to 100 %", "60 %"),
    "propellant": (0.0, 1e12, "0 or more", "1744 kg"),
    "propellant_fraction": (0.0, 1.0, "0 to 100 %", "42 %"),
    "acceleration": (-1e6, 1e6, "at most 1e6 m/s^2", "1.2 g"),
}

#: Every column of numbers by name, in the order in which tables are written.
COLUMNS: dict[str, Column] = {
    name: Column(name, dimension_of(unit), *_RANGES[name]) for name, unit in QUANTITIES.items()
}
#: The run of the clock that a line belongs to: 0, and one more each time that the clock was set back in flight.
RUN = "clock_run"
_ALL = ("met", *COLUMNS, *TEXTS, RUN)
_KNOWN = {re.sub(r"[\s_-]", "", name): name for name in (*_ALL, *(f"{name}_sigma" for name in ("met", *COLUMNS)))}
_CLOCK_FORMS = {
    "hh:mm:ss", "h:mm:ss", "mm:ss", "m:ss", "d hh:mm:ss", "hh:mm:ss.s", "hh:mm", "h:mm", "d hh:mm", "h:m:s", "d h:m:s", "h:m",
}  # fmt: skip


@dataclass(frozen=True)
class Head:
    """One cell of the header.

    ``name`` is the column without "_sigma"; ``factor`` the factor to SI of the unit given (nan: none given);
    ``percent`` whether that unit is %; ``pair`` what mm:ss or hh:mm is meant where two numbers stand in a clock.
    """

    written: str
    position: int
    name: str
    sigma: bool = False
    factor: float = math.nan
    percent: bool = False
    pair: str = "mm:ss"

    @property
    def text(self) -> bool:
        """Whether the column holds text."""
        return self.name in TEXTS


def read_head(written: str, position: int) -> Head:
    """What a cell of the header means.

    Raises
    ------
    InputError
        No such column (the nearest is named) or no such unit.
    """
    label, unit = _split(written)
    name = _KNOWN.get(re.sub(r"[\s_-]", "", label).casefold())
    if name is None:
        raise InputError(_unknown(written, label))
    sigma = name.endswith("_sigma")
    name = name.removesuffix("_sigma")
    if not unit:
        return Head(written, position, name, sigma)
    if name in TEXTS or name == RUN:
        raise InputError(f"the column {name!r} holds {'text' if name in TEXTS else 'whole numbers'} and takes no unit")
    if name == "met" and not sigma and unit.casefold() in _CLOCK_FORMS:
        pair = "hh:mm" if unit.casefold() in ("hh:mm", "h:mm", "h:m") else "mm:ss"
        return Head(written, position, name, pair=pair)
    dimension = "time" if name == "met" else COLUMNS[name].dimension
    if name == "propellant" and unit.casefold() in ("%", "percent", "pct"):
        return Head(written, position, name, sigma, 0.01, True)
    factor = unit_factor(unit, dimension)
    return Head(written, position, name, sigma, factor, dimension == "fraction" and factor != 1.0)


def _split(written: str) -> tuple[str, str]:
    match = re.fullmatch(r"\s*(.*?)\s*[\[(]\s*(.*?)\s*[\])]\s*", written, re.DOTALL)
    return (match[1], match[2]) if match else (written.strip(), "")


def _unknown(written: str, label: str) -> str:
    words = re.split(r"[\s_,/]+", label, maxsplit=0)
    for cut in range(len(words) - 1, 0, -1):
        name = _KNOWN.get("".join(words[:cut]).casefold().replace("-", ""))
        unit = " ".join(words[cut:])
        if name and name in COLUMNS and any(unit in units for units in UNITS.values()):
            return f"unknown column {shown(written)}; did you mean '{name} [{unit}]'?"
    if label.casefold() in ("time", "clock", "t", "mission time", "elapsed"):
        return f"unknown column {shown(written)}; the clock's column is called 'met'"
    suggestion = nearest(label, _ALL)
    return f"unknown column {shown(written)}" + (f"; did you mean {suggestion!r}?" if suggestion else "")


def known_columns() -> str:
    """All column names, for messages."""
    return ", ".join(_ALL)
