"""How high the ground is where a craft stands, and where that is: from the altimeter on the ground, and from the radar altimeter against the altimeter near it."""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.panel_rows import PanelRows

#: How far the ground below a craft may differ from that at the contact, as a part of the height over it: an allowance, no source.
SLOPE = 0.02
_NEAR = 3000.0  # m over the ground: farther up the radar altimeter looks at other country
_APART = 4.0  # standard deviations beyond which two readings don't speak of the same ground
NOT_SEEN = "neither the altitude on the ground, nor altitude and radar altitude together near it, were read"


def ground_altitude(standing: tuple[int, ...], rows: PanelRows) -> tuple[float, float]:
    """Altitude over the datum shown on the ground and its standard deviation, m; nan where it was not read. A digit read twice is read once."""
    heights, sigmas = rows.value["altitude"][list(standing)], rows.sigma["altitude"][list(standing)]
    known = np.isfinite(heights)
    return (float(np.median(heights[known])), float(np.nanmin(sigmas[known]))) if known.any() else (math.nan, math.nan)


def terrain_height(standing: tuple[int, ...], near: tuple[int, ...], rows: PanelRows) -> Estimate:
    """Height of the ground over the datum, m.

    Parameters
    ----------
    standing : rows on the ground.
    near : rows of the descent or the climb.

    Notes
    -----
    Altitude less radar altitude of a row is the height of the ground below it; at the contact it may be another by :data:`SLOPE` of the height over it.
    Readings that contradict the altimeter on the ground (or, where that was not read, the lowest of them) are left out.
    """
    found = []
    height, sigma = ground_altitude(standing, rows)
    if math.isfinite(height):
        found.append((height, max(sigma, 1e-3)))
    both = [row for row in near if math.isfinite(rows.value["altitude"][row] + rows.value["radar_altitude"][row]) and rows.value["radar_altitude"][row] < _NEAR]
    for row in sorted(both, key=lambda row: rows.value["radar_altitude"][row]):
        radar = float(rows.value["radar_altitude"][row])
        spread = math.hypot(rows.sigma["altitude"][row], rows.sigma["radar_altitude"][row], SLOPE * radar, 1e-3)
        below = float(rows.value["altitude"][row]) - radar
        if math.isfinite(spread) and (not found or abs(below - found[0][0]) < _APART * math.hypot(spread, found[0][1])):
            found.append((below, spread))
    if not found:
        return Estimate.unknown("m", NOT_SEEN)
    weight = np.array([sigma**-2 for _, sigma in found])
    return Estimate.of(float(np.average([height for height, _ in found], weights=weight)), float(weight.sum() ** -0.5), "m")


def place_of(standing: tuple[int, ...], rows: PanelRows) -> dict[str, Estimate]:
    """Latitude and longitude (rad) shown on the ground."""
    found = {}
    for name in ("latitude", "longitude"):
        values, sigmas = rows.value[name][list(standing)], rows.sigma[name][list(standing)]
        known = np.isfinite(values)
        if not known.any():
            found[name] = Estimate.unknown("rad", f"no {name} was read on the ground")
            continue
        first = float(values[known][0])
        turned = first + float(np.median(np.remainder(values[known] - first + math.pi, 2 * math.pi) - math.pi))
        found[name] = Estimate.of(turned, float(np.nanmin(sigmas[known])), "rad")
    return found
