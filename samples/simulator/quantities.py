"""The few units that the scenario's own files use, turned into SI."""

from __future__ import annotations

import math
import re

SCALE = {
    "": 1.0, "m": 1.0, "km": 1e3, "Mm": 1e6, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0,
    "kg": 1.0, "t": 1e3, "N": 1.0, "kN": 1e3, "deg": math.pi / 180.0, "rad": 1.0,
    "m^2": 1.0, "m^3/s^2": 1.0, "kg/m^3": 1.0, "m/s": 1.0,
}


def si(quantity: str | float) -> float:
    """``"7 h 12 min"`` -> 25920.0; a bare number is SI already."""
    if isinstance(quantity, (int, float)):
        return float(quantity)
    pairs = re.findall(r"([-+]?[\d.]+(?:e[-+]?\d+)?)\s*([^\s\d]\S*)?", quantity.strip())
    return sum(float(number) * SCALE[unit] for number, unit in pairs)
