"""A panel: a reference screenshot and the gauges marked on it, from ``panel.toml``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from analyser.errors import DescriptionError, InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest.beam import ALPHABET
from analyser.ingest.dial_keys import Needle, colour_of, hub_of, needles_of, smooth
from analyser.ingest.grammar import Grammar
from analyser.ingest.sections import Section, Source
from analyser.units import nearest, parse_quantity, unit_factor

KINDS = ("readout", "drum", "dial", "tape", "attitude", "lamp")
_SIDES = {"latitude": ("NS", math.pi / 2), "longitude": ("EW", 2 * math.pi)}  # letters for the sign, greatest angle
UNSIGNED = ("radar_altitude", "speed", "surface_speed", "propellant", "propellant_fraction", "throttle", "heading")
_PANEL_KEYS = ("name", "reference", "decimal", "gauges")
_GAUGE_KEYS = {
    "readout": ("kind", "reads", "corners", "unit", "units", "sigma", "range", "signed", "words", "days"),
    "drum": ("kind", "reads", "corners", "unit", "sigma", "range", "digits", "last"),
    "dial": ("kind", "reads", "corners", "unit", "sigma", "range", "scale", "curve", "centre", "needle", "needles"),
    "tape": ("kind", "reads", "corners", "unit", "sigma", "scale", "shows"),
    "attitude": ("kind", "reads", "corners", "sigma", "pitch_at_edge", "projection", "headings"),
    "lamp": ("kind", "reads", "corners", "on"),
}
_ANY_KEYS = tuple(dict.fromkeys(key for keys in _GAUGE_KEYS.values() for key in keys))


@dataclass(frozen=True)
class Gauge:
    """One instrument on the reference picture.

    Attributes
    ----------
    name, kind : str
    reads : tuple of str
        Readings columns, in the order of what the gauge shows.
    corners : tuple of 4 (x, y)
        Reference pixels, clockwise from the top left.
    units : tuple of (text, factor to SI)
        Units that stand on the glass; empty where none does.
    factor : float
        Factor to SI of what is shown without a unit on the glass.
    sigma : float
        Standard deviation the user gives, SI; nan: from the last digit shown, or the scale.
    low, high : float
        Range that the gauge can show, SI.
    signed : bool
    words : tuple of str
        For a read-out of text: what it can say.
    scale : tuple of (position, value)
        Dial: needle angle clockwise from up, rad, and value, SI. Tape: 0 to 1 along it, and value, SI.
    options : Mapping
        What else the kind understands, as written.
    needles : tuple of Needle
        Of a dial that has several.
    hub : (float, float)
        Where a dial's hub is, parts of the gauge's width and height.
    colour : (blue, green, red), or None
        A dial's needle.
    """

    name: str
    kind: str
    reads: tuple[str, ...]
    corners: tuple[tuple[float, float], ...]
    units: tuple[tuple[str, float], ...] = ()
    factor: float = 1.0
    sigma: float = math.nan
    low: float = -math.inf
    high: float = math.inf
    signed: bool = True
    words: tuple[str, ...] = ()
    scale: tuple[tuple[float, float], ...] = ()
    options: Mapping[str, object] = field(default_factory=dict)
    needles: tuple[Needle, ...] = ()
    hub: tuple[float, float] = (0.5, 0.5)
    colour: tuple[int, int, int] | None = None

    @property
    def column(self) -> str:
        """The (first) readings column."""
        return self.reads[0]

    @property
    def size(self) -> tuple[float, float]:
        """Mean width and height on the reference picture, pixels."""
        a, b, c, d = self.corners
        return (math.dist(a, b) + math.dist(d, c)) / 2, (math.dist(a, d) + math.dist(b, c)) / 2

    @property
    def grammar(self) -> Grammar:
        """What a read-out can show."""
        if self.column == "met":
            return Grammar("clock", low=self.low, high=self.high, days=self.options.get("days"))
        if self.column in TEXTS:
            return Grammar("text", words=self.words)
        sides, most = _SIDES.get(self.column, ("", math.inf))
        return Grammar(
            "number", self.units, None if self.units else self.factor, self.signed, max(self.low, -most), min(self.high, most), sides=sides
        )


@dataclass(frozen=True)
class Panel:
    """Gauges by name on a reference picture; ``decimal`` is the decimal mark of its read-outs, "" where not said."""

    name: str
    path: Path
    reference: Path
    gauges: Mapping[str, Gauge]
    decimal: str = ""


def load_panel(path: str | Path) -> Panel:
    """Read ``panel.toml``.

    Raises
    ------
    DescriptionError
        No such file, broken TOML, an unknown or missing key, a value that is impossible; names file and key.
    """
    path = Path(path)
    top = Source(path, "panel file").section(dict.fromkeys(_PANEL_KEYS, ""))
    top.require("reference", '"reference.png"')
    reference = top.text("reference")
    if not reference or "\0" in reference:
        raise top.error('name the reference screenshot, like reference = "reference.png"', "reference")
    decimal = top.choice("decimal", ("", ".", ","), "")
    top.require("gauges", "... : begin a table [gauges.NAME] for each instrument to be read")
    gauges = top.value("gauges")
    if not isinstance(gauges, dict) or not gauges:
        raise top.error("no gauges; begin a table [gauges.NAME] for each instrument to be read", "gauges")
    made = {}
    for name, entry in gauges.items():
        kind = entry.get("kind") if isinstance(entry, dict) else None
        known = _GAUGE_KEYS.get(kind if isinstance(kind, str) else "", _ANY_KEYS)
        section = Section(top.source, entry, ("gauges", name), dict.fromkeys(known, ""))
        made[name] = _gauge(name, section)
    return Panel(top.text("name", path.parent.name), path, path.parent / reference, made, decimal)


def _gauge(name: str, section: Section) -> Gauge:
    def fail(key: str, problem: str) -> DescriptionError:
        return section.error(problem, key)

    entry = {key: section.value(key) for key in section.table}
    kind = entry.get("kind")
    if kind not in KINDS:
        raise fail("kind", f"found {kind!r}; a gauge is one of {', '.join(KINDS)}")
    reads = entry.get("reads")
    columns = tuple(reads) if isinstance(reads, list) else (reads,)
    known = ("met", *QUANTITIES, *TEXTS)
    if not columns:
        raise fail("reads", "name at least one readings column")
    for column in columns:
        if column not in known:
            near = nearest(str(column), known)
            raise fail("reads", f"{column!r} is no readings column" + (f"; the nearest is {near!r}" if near else f"; known are {', '.join(known)}"))
    if kind == "drum" and (columns[0] in TEXTS or columns[0] == "met"):
        raise fail("reads", "a drum counter reads a number, neither a clock nor words")
    if kind == "attitude" and not set(columns) <= {"pitch", "roll", "heading"}:
        raise fail("reads", "an attitude ball reads pitch, roll and heading, in any order")
    several = kind == "attitude" or (kind == "dial" and "needles" in entry)
    if not several and len(columns) > 1:
        raise fail("reads", "a gauge of this kind reads one column" + (" a needle: name them in needles" if kind == "dial" else ""))
    corners = _corners(entry.get("corners"), fail)
    if columns == ("propellant",) and "%" in (entry.get("unit"), *(entry["units"] if isinstance(entry.get("units"), list) else ())):
        columns = ("propellant_fraction",)  # a share of the stage's load
    column = columns[0]
    dimension = None if column in TEXTS else "time" if column == "met" else QUANTITIES[column]
    units, factor = _units(entry, dimension, fail)
    sigma = _amount(entry.get("sigma", math.nan), dimension, factor, fail, "sigma")
    if not math.isnan(sigma) and not sigma > 0:
        raise fail("sigma", "a standard deviation is larger than 0")
    low, high = -math.inf, math.inf
    if "range" in entry:
        ends = entry["range"]
        if not isinstance(ends, list) or len(ends) != 2:
            raise fail("range", 'give the least and the greatest value, like range = ["0 m", "900 km"]')
        low, high = (_amount(end, dimension, factor, fail, "range") for end in ends)
        if not low < high:
            raise fail("range", "the first value must be less than the second")
    signed = entry.get("signed", column not in UNSIGNED)
    if not isinstance(signed, bool):
        raise fail("signed", "write true or false")
    if "days" in entry and (column != "met" or not isinstance(entry["days"], bool)):
        raise fail("days", "for a clock: true where it always shows days, false where it never does")
    words = entry.get("words", [])
    if not isinstance(words, list) or not all(isinstance(word, str) and word for word in words):
        raise fail("words", 'give the words that can be shown, like words = ["Ardent", "Lull"]')
    hub, colour = hub_of(entry.get("centre"), corners, fail), colour_of(entry.get("needle"), fail, "needle")
    needles = needles_of(entry.get("needles"), columns, entry.get("unit"), fail)
    if needles and "scale" in entry:
        raise fail("scale", "where a dial has several needles, each has its own scale or per_turn")
    scale = () if needles else _scale(entry, kind, dimension, factor, fail)
    if _choice(entry, "curve", ("straight", "smooth"), fail) == "smooth":
        scale = smooth(scale)
    rest = {key: value for key, value in entry.items() if key in ("shows", "pitch_at_edge", "projection", "on", "days")}
    if "headings" in entry:
        rest["headings"] = _headings(entry["headings"], fail)
    if kind == "drum":
        rest |= _wheels(entry, dimension, factor, fail)
    return Gauge(name, kind, columns, corners, units, factor, sigma, low, high, signed, tuple(words), scale, rest, needles, hub, colour)


def _choice(entry: Mapping, key: str, choices: tuple[str, ...], fail) -> str:
    if entry.get(key, choices[0]) not in choices:
        raise fail(key, f"found {entry[key]!r}; write one of {', '.join(choices)}")
    return entry.get(key, choices[0])


def _wheels(entry: Mapping, dimension, factor: float, fail) -> dict[str, object]:
    """A drum counter's number of wheels, and what one step of the last is worth (SI)."""
    digits = entry.get("digits")
    if not isinstance(digits, int) or isinstance(digits, bool) or not 1 <= digits <= 9:
        raise fail("digits", f"found {digits!r}; say how many wheels the corners enclose, 1 to 9, like digits = 5")
    last = _amount(entry["last"], dimension, factor, fail, "last") if "last" in entry else factor
    if not 0 < last < math.inf:
        raise fail("last", 'say what one step of the last wheel is worth, more than 0, like last = "0.1 km"')
    return {"digits": digits, "last": last}


def _headings(given, fail) -> tuple[str, ...]:
    """What is written along a ball's horizon, evenly spaced, from north by way of east; "" where nothing is."""
    written = [mark for mark in given if mark] if isinstance(given, list) else []
    if (
        not isinstance(given, list) or not 4 <= len(given) <= 72 or not all(isinstance(mark, str) and len(mark) <= 3 for mark in given)
        or len(written) < 2 or len(set(written)) < len(written) or not set("".join(written)) <= set(ALPHABET) - {" "}
    ):  # fmt: skip
        raise fail("headings", 'give the marks evenly spaced all around from north by way of east, each another, "" where none is: '
                   'headings = ["N", "30", "60", "E", ...]')  # fmt: skip
    return tuple(given)


def _corners(given, fail) -> tuple[tuple[float, float], ...]:
    form = "give four pixel corners clockwise from the top left, like [[812, 140], [955, 142], [954, 176], [811, 174]]"
    if not isinstance(given, list) or len(given) != 4:
        raise fail("corners", form)
    for corner in given:
        if not isinstance(corner, list) or len(corner) != 2:
            raise fail("corners", form)
        if not all(isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e5 for value in corner):
            raise fail("corners", form)
    corners = tuple((float(x), float(y)) for x, y in given)
    for index in range(4):
        (ax, ay), (bx, by), (cx, cy) = corners[index], corners[(index + 1) % 4], corners[(index + 2) % 4]
        if (bx - ax) * (cy - by) - (by - ay) * (cx - bx) <= 0:
            raise fail("corners", "these corners do not go clockwise around a convex figure; " + form)
    return corners


def _units(entry: Mapping, dimension: str | None, fail) -> tuple[tuple[tuple[str, float], ...], float]:
    if "unit" in entry and "units" in entry:
        raise fail("units", "give either unit (not on the glass) or units (on the glass), not both")
    for key in ("unit", "units"):
        if key in entry and dimension is None:
            raise fail(key, "a gauge of text has no unit")
    if "units" in entry:
        given = entry["units"]
        if not isinstance(given, list) or not given or not all(isinstance(unit, str) for unit in given):
            raise fail("units", 'give the units as they stand on the glass, like units = ["m", "km"]')
        return tuple((unit, _factor(unit, dimension, fail, "units")) for unit in given), 1.0
    if "unit" in entry:
        if not isinstance(entry["unit"], str):
            raise fail("unit", 'give the unit in quotes, like unit = "m/s"')
        return (), _factor(entry["unit"], dimension, fail, "unit")
    if dimension in (None, "time") or dimension == "1":
        return (), 1.0
    if entry["kind"] == "attitude":
        return (), math.pi / 180
    if isinstance(entry.get("needles"), list) and isinstance(entry.get("reads"), list):
        return (), 1.0  # each needle says its own
    raise fail("unit", f"say the unit that is meant, or units where they stand on the glass (a unit of {dimension})")


def _factor(unit: str, dimension: str, fail, key: str) -> float:
    try:
        return unit_factor(unit, dimension)
    except InputError as error:
        raise fail(key, error.problem) from error


def _amount(given, dimension, factor: float, fail, key: str) -> float:
    """A quantity in SI; a bare number is in the gauge's own unit."""
    if isinstance(given, (int, float)) and not isinstance(given, bool):
        return float(given) * factor
    try:
        return parse_quantity(given, dimension or "1")
    except InputError as error:
        raise fail(key, error.problem) from error


def _scale(entry: Mapping, kind: str, dimension, factor: float, fail) -> tuple[tuple[float, float], ...]:
    if kind not in ("dial", "tape"):
        return ()
    given = entry.get("scale")
    what = "needle angle clockwise from up in degrees" if kind == "dial" else "place along it from 0 to 1"
    form = f"give at least two pairs of {what} and value, like [[-135, -200], [0, 0], [135, 200]]"
    if not isinstance(given, list) or len(given) < 2:
        raise fail("scale", form)
    pairs = []
    for pair in given:
        if not isinstance(pair, list) or len(pair) != 2 or not isinstance(pair[0], (int, float)) or isinstance(pair[0], bool):
            raise fail("scale", form)
        position = math.radians(pair[0]) if kind == "dial" else float(pair[0])
        pairs.append((position, _amount(pair[1], dimension, factor, fail, "scale")))
    pairs.sort()
    if any(later[0] - earlier[0] <= 0 for earlier, later in zip(pairs, pairs[1:])):
        raise fail("scale", "two pairs have the same place; " + form)
    if kind == "dial" and pairs[-1][0] - pairs[0][0] > 2 * math.pi + 1e-9:
        raise fail("scale", "a needle turns through 360 degrees at most here")
    return tuple(pairs)
