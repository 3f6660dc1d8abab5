"""Which one simple slip turns what was expected into what was written down.

Digits swapped, one digit wrong, doubled or left out, the decimal point moved, another unit, the sign, the row before copied: the slips that
people make when they jot down instruments. Common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FOOT, NAUTICAL_MILE, STATUTE_MILE = 0.3048, 1852.0, 1609.344  # m, exact by definition
KNOT, KILOMETRE_AN_HOUR = 1852.0 / 3600.0, 1.0 / 3.6  # m/s

_LENGTHS = {"m": 1.0, "km": 1e3, "Mm": 1e6, "ft": FOOT, "nmi": NAUTICAL_MILE, "mi": STATUTE_MILE}
_SPEEDS = {"m/s": 1.0, "km/s": 1e3, "km/h": KILOMETRE_AN_HOUR, "ft/s": FOOT, "kn": KNOT}
_ANGLES = {"deg": math.pi / 180.0, "rad": 1.0}
_ANGULAR = frozenset({"flight_path_angle", "pitch", "heading", "roll", "latitude", "longitude"})
_DECIMAL = ("m", "km", "Mm", "m/s", "km/s")


@dataclass(frozen=True)
class Slip:
    """A slip that explains a reading: what it was, in words, and the value that was meant (SI)."""

    kind: str
    meant: float
    sentence: str


def units_of(column: str) -> dict[str, float]:
    """Units that a column may have been read in, with their size in SI."""
    if column in ("altitude", "radar_altitude"):
        return _LENGTHS
    return _ANGLES if column in _ANGULAR else _SPEEDS


def spell(column: str, value: float, step: float = 0.0) -> str:
    """A value as a pilot would write it ("61.94 km"), to the digits that ``step`` (SI) supports."""
    units = units_of(column)
    unit = next(iter(units))
    if units is _LENGTHS and abs(value) >= 1e4:
        unit = "km"
    if units is _LENGTHS and abs(value) >= 1e8:
        unit = "Mm"
    size = units[unit]
    digits = max(0, -math.floor(math.log10(step / size) + 1e-6)) if step > 0 else 4
    return f"{value / size:.{min(digits, 6)}f} {unit}"


def explain(
    column: str, value: float, sigma: float, expected: float, expected_sigma: float, previous: float = math.nan
) -> Slip | None:
    """The simplest slip that explains a reading, or None.

    Parameters
    ----------
    column : str
        One of the channels of :mod:`analyser.fitting.observations`.
    value, sigma : float
        The reading and its standard deviation (rounding to a step gives step / sqrt(12)), SI.
    expected, expected_sigma : float
        What the other readings say it should be.
    previous : float
        The same column's reading in the row before, nan without one.

    Notes
    -----
    A slip explains the reading when what was meant is within 3.5 standard deviations of what was expected, and that is near beside the miss:
    a vague expectation lets any slip pass, and then none is named.
    """
    miss = abs(value - expected)
    reach = 3.5 * math.hypot(sigma, expected_sigma)
    if not math.isfinite(miss) or reach > 0.5 * miss:
        return None
    if math.isfinite(previous) and previous == value:
        about = spell(column, expected, max(reach, sigma))
        return Slip("repeated", expected, f"{spell(column, value, sigma)} also stands in the row before; about {about} was expected")
    step = _step(sigma)
    for kind, meant, coarser in _candidates(column, value, step):
        reach = 3.5 * math.hypot(sigma * max(coarser, 1.0), expected_sigma)
        if abs(meant - expected) <= reach <= 0.5 * miss:
            meant_text = spell(column, meant, step * coarser)
            return Slip(kind, meant, f"{spell(column, value, step)} fits if it was {meant_text} ({kind})")
    return None


def _step(sigma: float) -> float:
    """The power of ten nearest to the rounding step that a standard deviation stands for."""
    return 10.0 ** round(math.log10(sigma * math.sqrt(12.0)))


def _candidates(column: str, value: float, step: float):
    """Slips as (kind, value that was meant, how much coarser it was rounded), likeliest first."""
    if value != 0:
        yield "sign flipped", -value, 1.0
    for places, how in ((1, "one place"), (2, "two places"), (3, "three places"), (4, "four places")):
        factor = 10.0**places
        yield f"decimal point lost or moved {how}", value * factor, factor
        yield f"decimal point lost or moved {how}", value / factor, 1.0 / factor
    number = round(abs(value) / step)
    digits = str(number)
    if len(digits) > 15 or abs(number * step - abs(value)) > 1e-6 * max(abs(value), step):
        digits = ""  # not a decimal number of this step: read in another unit, whose digits aren't known here
    sign = math.copysign(step, value)
    for i in range(len(digits) - 1):
        if digits[i] != digits[i + 1]:
            yield "two digits swapped", sign * int(digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :]), 1.0
    units = units_of(column)
    for written, size in units.items():
        for meant, other in units.items():
            # Between decimal units a wrong one is a moved point.
            if size != other and not (written in _DECIMAL and meant in _DECIMAL):
                yield f"read in {meant}, written as {written}", value / size * other, other / size
    for i in range(len(digits)):
        if len(digits) > 1 and (i == 0 or digits[i] == digits[i - 1]):
            yield "a digit too many", sign * int(digits[:i] + digits[i + 1 :]), 1.0
    for i in range(len(digits)):
        for digit in "0123456789":
            if digit != digits[i]:
                yield "one digit wrong", sign * int(digits[:i] + digit + digits[i + 1 :]), 1.0
    if digits:
        for i in range(len(digits) + 1):
            for digit in "0123456789":
                yield "a digit left out", sign * int(digits[:i] + digit + digits[i:]), 1.0


def explain_clock(met: float, expected: float, tolerance: float) -> str:
    """What slip turns a clock of ``expected`` s (good to ``tolerance``) into ``met``, as a sentence; "" if none simple does."""
    within = max(tolerance, 0.6)
    return next(_clocks_meant(met, expected - within, expected + within), "")


def explain_clock_between(met: float, low: float, high: float) -> str:
    """What slip turns a clock between two times (s) into ``met``, as a sentence; "" if none simple does, or several do."""
    found = list(_clocks_meant(met, low, high))
    return found[0] if len(found) == 1 else ""


def _clocks_meant(met: float, low: float, high: float):
    if met < 0:
        if low <= -met <= high:
            yield f"T-{_clock(-met)} fits if it was T+{_clock(-met)} (sign)"
        return
    shown = _clock(met)
    for kind, changed in _clock_slips(shown.replace(":", "")):
        seconds = _seconds(changed)
        if seconds is not None and low <= seconds + (met - math.floor(met)) <= high:
            yield f"{shown} fits if it was {_clock(seconds)} ({kind})"


def _clock_slips(text: str):
    for i in range(len(text) - 1):
        if text[i] != text[i + 1]:
            yield "two digits swapped", text[:i] + text[i + 1] + text[i] + text[i + 2 :]
    for i in range(len(text)):
        for digit in "0123456789":
            if digit != text[i]:
                yield "one digit wrong", text[:i] + digit + text[i + 1 :]


def _clock(met: float) -> str:
    whole = math.floor(met)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _seconds(text: str) -> float | None:
    hours, minutes, seconds = int(text[:-4]), int(text[-4:-2]), int(text[-2:])
    return None if minutes > 59 or seconds > 59 else hours * 3600.0 + minutes * 60.0 + seconds
