"""What a gauge shows, from the words beside it and what stands on its glass."""

from __future__ import annotations

import re

from analyser.errors import InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.units import unit_factor

#: What words on a panel's labels mean; the first that is found counts. Common practice, no source.
WORDS = (
    ("radar_altitude", r"radar|echo|agl|above ground|terrain"),
    ("vertical_speed", r"rise|climb|vert|sink|v/s|\bvs\b"),
    ("horizontal_speed", r"horiz"),
    ("surface_speed", r"surface|ground speed|\bgs\b"),
    ("altitude", r"alt|heigh|\bhgt"),
    ("speed", r"speed|vel|pace"),
    ("met", r"elapsed|\bmet\b|clock|time"),
    ("throttle", r"thrott|\bthr\b|lever|power"),
    ("propellant", r"prop|tank|fuel|store"),
    ("acceleration", r"felt|accel|load"),
    ("flight_path_angle", r"path|fpa|gamma"),
    ("heading", r"head|hdg|course"),
    ("pitch", r"pitch"),
    ("roll", r"roll|bank"),
    ("latitude", r"\blat"),
    ("longitude", r"\blon"),
    ("stage", r"stage"),
    ("body", r"body"),
)
USUAL_UNITS = {"m": ["m", "km", "Mm"], "m/s": ["m/s", "km/s"], "kg": ["kg", "t"], "m/s^2": ["m/s^2", "g"], "rad": ["deg"], "1": ["%"]}
#: What stands on dials' faces as a unit. Common practice, no source.
ON_FACES = {
    "m": ("m", "km", "Mm", "ft", "kft", "mi"), "m/s": ("m/s", "km/s", "km/h", "ft/s", "kn"), "kg": ("kg", "t", "lb"), "m/s^2": ("g", "m/s\u00b2"),
    "rad": ("\u00b0",), "1": ("%",),
}  # fmt: skip
MISREAD = {"mis": "m/s", "m/s?": "m/s^2", "m/s2": "m/s^2", "m/s*": "m/s^2", "m/s\"": "m/s^2", "mis?": "m/s^2"}  # by Tesseract, at the size of units


def quantity(label: str, text: str = "") -> str:
    """The readings column that a gauge shows, "" where neither its label nor the text on its glass tells."""
    if re.search(r"\d:\d\d", text):
        return "met"
    return next((column for column, words in WORDS if re.search(words, label.casefold())), "")


def units_of(column: str, label: str, text: str) -> tuple[str, tuple[str, ...]]:
    """(the unit that is meant and not on the glass, the units on the glass), as far as label and text tell."""
    if not column or column in ("met", *TEXTS):
        return "", ()
    dimension = QUANTITIES[column]
    on_glass = re.search(r"\d ?([A-Za-z%\u00b0][A-Za-z/\u00b20-9]*)$", text)
    if on_glass and _factor(on_glass[1], dimension):
        return "", (on_glass[1], *(unit for unit in USUAL_UNITS[dimension] if unit != on_glass[1]))
    words = [word.strip(".;:'") for word in re.findall(r"[^\s()\[\],]+", label)]
    if column == "propellant" and "%" in words:
        return "%", ()
    spelled = [way for word in words for way in (word, MISREAD.get(word, word), word.lower(), word[:1].lower() + word[1:])]  # a small k is taken for a large one
    unit = next((way for way in spelled if _factor(way, dimension)), "deg" if dimension == "rad" else "")  # angles: common practice, no source
    return unit, ()


def _factor(unit: str, dimension: str) -> float | None:
    try:
        return unit_factor(unit, dimension)
    except InputError:
        return None


def spellings_on_faces(column: str) -> dict[str, str]:
    """What may stand on a dial's face for the unit of a column, and which unit that is; capitals as well, where they can't be another unit."""
    if not column or column in ("met", *TEXTS):
        return {}
    units = (*ON_FACES[QUANTITIES[column]], *(("%",) if column == "propellant" else ()))
    capitals = {unit.upper(): unit for unit in units if [other.upper() for other in units].count(unit.upper()) == 1}
    return capitals | {unit: unit for unit in units}


def has_factor(text: str) -> bool:
    """Whether words on a face say that its numbers count tens, hundreds or thousands: "x 1000", "100 ft"."""
    return bool(re.search(r"(?<![A-Za-z])[x\u00d7*] ?[\dlI|]|\b10+ ?([x\u00d7*]|[A-Za-z])", text, re.IGNORECASE))
