"""What a value is in words a person can type back: its unit, and what a doubtful reading would be if it were right."""

from __future__ import annotations

import math
import re

from analyser.errors import InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest.corrections import Typed, typed_value
from analyser.ingest.panel import Gauge
from analyser.units import UNITS, dimension_of, format_met, unit_factor

__all__ = ["as_typed", "proposal", "shown_unit", "si_text", "with_unit"]

_UNIT_AT_END = re.compile(r"\d[\d.,  ]*\s*([A-Za-z%°][A-Za-z0-9%°/^² ]*)$")


def shown_unit(column: str, raw: str, gauge: Gauge | None = None, header: str = "") -> str:
    """The unit in which a value stands where it was read: that of its text, else of its gauge or its column's head; "" for words and clocks.

    Parameters
    ----------
    column : str
    raw : str
        The text as read.
    gauge : Gauge, optional
        The instrument, for screenshots.
    header : str
        The head of the column, like "altitude [km]", for tables.
    """
    if column in TEXTS or column == "met":
        return ""
    dimension = dimension_of(QUANTITIES[column])
    at_end = _UNIT_AT_END.search(raw.strip())
    if at_end and gauge is None and _is_unit(at_end[1], dimension):
        return at_end[1].strip()
    if gauge is not None:
        if gauge.units:
            return at_end[1].strip() if at_end and at_end[1].strip() in dict(gauge.units) else gauge.units[0][0]
        return _named_factor(gauge.factor, dimension)
    in_header = re.search(r"[\[(]\s*(.*?)\s*[\])]", header)
    if in_header and _is_unit(in_header[1], dimension):
        return in_header[1]
    return "deg" if dimension == "angle" else "%" if dimension == "fraction" else next(iter(UNITS[dimension]))


def _is_unit(text: str, dimension: str) -> bool:
    try:
        return unit_factor(text, dimension) > 0
    except InputError:
        return False


def _named_factor(factor: float, dimension: str) -> str:
    return next((name for name, size in UNITS[dimension].items() if math.isclose(size, factor, rel_tol=1e-9)), next(iter(UNITS[dimension])))


def with_unit(text: str, column: str, unit: str) -> str:
    """What was typed, with the unit it stands in where none was typed."""
    text = " ".join(text.split())
    if column in TEXTS or column == "met" or not unit or unit == "1" or re.search(r"[A-Za-z%°]", text):
        return text
    return f"{text} {unit}"


def as_typed(text: str, column: str, unit: str) -> tuple[str, Typed]:
    """The text to keep, with its unit, and what it means.

    Raises
    ------
    InputError
        It is no such value, or an impossible one.
    """
    whole = with_unit(text, column, unit)
    return whole, typed_value(whole, column)


def si_text(value: float, sigma: float, column: str, unit: str) -> str:
    """A value in ``unit`` with as many digits as its standard deviation stands for; "" for nan."""
    if not math.isfinite(value):
        return ""
    if column == "met":
        return format_met(value, 0 if value == round(value) else 1)
    dimension = dimension_of(QUANTITIES[column])
    factor = unit_factor(unit, dimension) if unit else 1.0
    step = sigma * math.sqrt(12) / factor if sigma > 0 else 1e-6 * max(abs(value / factor), 1e-6)
    decimals = min(9, max(0, -math.floor(math.log10(step) + 0.5)))
    return f"{value / factor + 0.0:.{decimals}f}" + (f" {unit}" if unit not in ("", "1") else "")


def proposal(column: str, raw: str, gauge: Gauge | None, mark: str = "") -> str:
    """The value that a doubtful reading has if what was seen is right, as it would be typed; "" where nothing was seen.

    Parameters
    ----------
    column : str
    raw : str
        The text seen; for dials, tapes and balls the angle or the place that was seen.
    gauge : Gauge or None
    mark : str
        The panel's decimal mark where it is known.
    """
    raw = raw.strip()
    if not raw or gauge is None:
        return ""
    if column in TEXTS:
        return next((word for word in gauge.words if word.casefold() == raw.casefold()), "" if gauge.words else raw)
    if gauge.kind == "readout":
        meanings = gauge.grammar.parse(raw, mark)
        if len(meanings) != 1:
            return ""
        found = meanings[0]
        unit = found.unit if found.unit in dict(gauge.units) else shown_unit(column, raw, gauge)
        return si_text(found.value, found.step / math.sqrt(12), column, unit)
    number = re.search(r"-?\d+(?:\.\d+)?", raw if gauge.kind != "attitude" else raw.partition(f"{column} ")[2])
    if not number:
        return ""
    if gauge.kind == "attitude":
        return f"{number[0]} deg"
    if gauge.kind in ("dial", "tape") and gauge.scale:
        place = math.radians(float(number[0])) if gauge.kind == "dial" else float(number[0]) / 100
        value, slope = _on_scale(place, gauge.scale)
        unit = shown_unit(column, raw, gauge)
        return si_text(value, slope * (math.radians(0.5) if gauge.kind == "dial" else 0.005), column, unit)
    return ""


def _on_scale(place: float, scale: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    """The value at a place of a scale, held at its ends, and how steep it is there."""
    for (a, low), (b, high) in zip(scale, scale[1:]):
        if place <= b or (b, high) == scale[-1]:
            part = min(max((place - a) / (b - a), 0.0), 1.0)
            return low + part * (high - low), abs((high - low) / (b - a))
    return math.nan, math.nan
