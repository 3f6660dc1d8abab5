"""What a fall through air is drawn from: its path, the corridor's edges, and the greatest deceleration that was read."""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.atmosphere import density
from analyser.fitting.corridor import Corridor, falls_at
from analyser.fitting.entry_fit import Posterior, fallen
from analyser.fitting.entry_readings import Opening, Way
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Body

_POINTS = 80


def greatest_read(inside, way: Way, rows: PanelRows, until: float) -> tuple[Estimate, Estimate, Estimate, str]:
    """The greatest deceleration that was read: (value, MET, altitude, from what)."""
    felt = [row for row in inside if math.isfinite(rows.value["acceleration"][row]) and rows.met[row] < until]
    if felt:
        row = max(felt, key=lambda one: rows.value["acceleration"][one])
        sigma = float(np.nan_to_num(rows.sigma["acceleration"][row]))
        height = Estimate.of(rows.value["altitude"][row], np.nan_to_num(rows.sigma["altitude"][row]), "m") if math.isfinite(rows.value["altitude"][row]) else Estimate.unknown("m", "not read then")
        return Estimate.of(rows.value["acceleration"][row], sigma, "m/s^2"), Estimate.of(rows.met[row], rows.met_sigma[row], "s"), height, "felt acceleration"
    found = []
    for k in range(len(way.rows) - 1):
        span = way.met[k + 1] - way.met[k]
        if span < 2.0 or way.met[k + 1] > until:
            continue
        pull = np.hypot(way.radial, way.transverse)
        gravity = -(way.radial[k] + way.radial[k + 1]) / (pull[k] + pull[k + 1]) * _weight(way, k)
        loss = (pull[k] - pull[k + 1]) / span + gravity
        clock = math.hypot(way.met_sigma[k], way.met_sigma[k + 1])
        found.append((loss, math.hypot(math.hypot(way.speed_sigma[k], way.speed_sigma[k + 1]) / span, abs(loss) * clock / span), k))
    if not found:
        nothing = "no two full readings were taken in the air before a parachute or the engine"
        return Estimate.unknown("m/s^2", nothing), Estimate.unknown("s", nothing), Estimate.unknown("m", nothing), ""
    loss, sigma, k = max(found)
    middle, half = (way.met[k] + way.met[k + 1]) / 2, (way.met[k + 1] - way.met[k]) / 2
    height = (way.radius[k] + way.radius[k + 1]) / 2, abs(way.radius[k] - way.radius[k + 1]) / 2
    met = Estimate(float(middle), float(half / math.sqrt(3)), float(middle - half), float(middle + half), "s")
    low = way.body.radius
    return Estimate.of(loss, sigma, "m/s^2"), met, Estimate(height[0] - low, height[1] / math.sqrt(3), height[0] - low - height[1], height[0] - low + height[1], "m"), "speeds"


def _weight(way, k: int) -> float:
    return way.body.mu / ((way.radius[k] + way.radius[k + 1]) / 2) ** 2


def path_of(body: Body, spin: float, fitted: Posterior, stop: float, way, seen: list[Opening]) -> tuple:
    """Rows of MET, altitude, speed through the air, deceleration: the fall to the first opening as fitted, then through the readings."""
    flown = fallen(body, spin, fitted.mean[None], stop - fitted.mean[2])
    top = float(fitted.mean[2])
    times = np.linspace(0.0, float(flown.time[-1, 0]), _POINTS)
    r, vr, vt = (part[:, 0] for part in flown.at(times))
    through = np.hypot(vr, vt - spin * r)
    felt = 0.5 * density(body.atmosphere, r - body.radius) * through**2 / math.exp(fitted.mean[3])
    found = [tuple(map(float, row)) for row in zip(times + top, r - body.radius, through, felt)]
    later = [k for k in range(len(way.rows)) if seen and way.met[k] > stop]
    found += [(float(way.met[k]), float(way.radius[k] - body.radius), float(way.through[k]), math.nan) for k in later]
    return tuple(found)


def corridor_edges(body: Body, ways: Corridor | None, fitted: Posterior, spin: float) -> tuple:
    """Altitude and speed through the air of the falls at the upper and at the lower end of the corridor."""
    if ways is None or not ways.known:
        return ()
    heights = [height for height in (ways.highest, ways.lowest) if math.isfinite(height)]
    flown = falls_at(body, float(fitted.mean[0]), body.radius + np.array(heights), ways.ballistic, math.copysign(1.0, spin) if spin else 1.0)
    r, vr, vt = flown.at(np.linspace(0.0, flown.time[-1], _POINTS))
    altitude, through = r - body.radius, np.hypot(vr, vt - spin * r)
    return tuple(tuple(zip(altitude[:, k].tolist(), through[:, k].tolist())) for k in range(len(heights)))
