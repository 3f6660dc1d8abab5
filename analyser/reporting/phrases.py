"""Estimates in words: the value, its 95 % interval, in the units a pilot says, with the digits that mean something."""

from __future__ import annotations

import math

from analyser.estimate import Estimate
from analyser.units import format_met, pilot_unit

__all__ = ["UNKNOWN", "clock", "duration", "figure", "plain_number", "say_plainly", "unit_for"]

UNKNOWN = "not known"
#: Most decimals worth saying in a unit, however sure the figure: nobody flies by less.
_FINEST = {"m/s": 2, "m": 0, "km": 2, "kg": 1, "s": 1, "min": 2, "h": 3, "d": 4, "deg": 2, "": 4, "m/s²": 3}


def unit_for(unit: str, size: float) -> tuple[str, float]:
    """The unit a pilot says for a quantity of SI ``unit`` and about ``size``, "" for a bare number, and its size in SI."""
    if unit in ("", "1") or not math.isfinite(size):
        return ("" if unit == "1" else unit), 1.0
    name, factor = pilot_unit(abs(size), unit)
    return name.replace("^2", "²").replace("^3", "³"), factor


def plain_number(value: float, decimals: int) -> str:
    """A number rounded to ``decimals`` (may be negative), thousands set apart by a thin gap that does not break, a true minus sign."""
    rounded = round(value, decimals)
    said = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", "\u202f")
    return f"\u2212{said}" if rounded < 0 else said


def _decimals(half: float) -> int:
    """Decimals that show two significant digits of the half width."""
    if not half > 0 or not math.isfinite(half):
        return 0
    return 1 - math.floor(math.log10(half))


def figure(estimate: Estimate, sign: bool = False, like: float = math.nan) -> str:
    """An estimate as "612.4 ± 1.2 m/s" (95 %), or "612 (590 to 655) m/s" where the interval is lopsided.

    Two significant digits of the interval are said, but none finer than a pilot could use.

    Parameters
    ----------
    estimate : Estimate
        In SI.
    sign : bool
        Say "+" before a positive value.
    like : float
        Choose the unit for this size (SI) instead of the value's own, so that a column can share one.
    """
    if not estimate.known:
        return UNKNOWN
    name, size = unit_for(estimate.unit, like if math.isfinite(like) else estimate.value)
    value, low, high = (number / size for number in (estimate.value, estimate.low, estimate.high))
    below, above = value - low, high - value
    plus = "+" if sign and value > 0 else ""
    unit = f" {name}" if name else ""
    finest = _FINEST.get(name, 4)
    if value == low == high == 0 or (value == 0 and not below + above > 0):
        return f"0{unit}"
    if not (math.isfinite(below) and math.isfinite(above)) or below < 0 or above < 0 or below + above <= 0:
        decimals = min(max(0, 3 - _magnitude(value)), finest)
        return f"{plus}{plain_number(value, decimals)}{unit}"
    half = (below + above) / 2
    decimals = min(_decimals(half), finest)
    step = 10.0**-decimals
    if abs(above - below) <= 0.3 * half or half < 2 * step:
        # never "± 0": an interval finer than what is worth saying is said as the finest step
        return f"{plus}{plain_number(value, decimals)} ± {plain_number(max(half, step), decimals)}{unit}"
    return f"{plus}{plain_number(value, decimals)} ({plain_number(low, decimals)} to {plain_number(high, decimals)}){unit}"


def say_plainly(value: float, unit: str, decimals: int = 0) -> str:
    """A bare SI number in a pilot's unit, to so many decimals (at least one where the unit is a larger one)."""
    if not math.isfinite(value):
        return UNKNOWN
    name, size = unit_for(unit, value)
    return f"{plain_number(value / size, max(decimals, 1) if size > 1 else decimals)} {name}".rstrip()


def clock(met: float, decimals: int = 0) -> str:
    """Mission elapsed time as "T+2 d 03:04:05"; "not known" for nan."""
    return format_met(met, decimals) if math.isfinite(met) else UNKNOWN


def duration(seconds: float) -> str:
    """A span of time in two steps: "3 d 4 h", "5 min 20 s", "12 s"."""
    if not math.isfinite(seconds):
        return UNKNOWN
    total = round(abs(seconds))
    parts = []
    for name, size in (("d", 86400), ("h", 3600), ("min", 60), ("s", 1)):
        count, total = divmod(total, size)
        if count or parts:
            parts.append((count, name))
    return " ".join(f"{count} {name}" for count, name in parts[:2] if count) or "0 s"


def _magnitude(value: float) -> int:
    return 0 if value == 0 or not math.isfinite(value) else math.floor(math.log10(abs(value)))
