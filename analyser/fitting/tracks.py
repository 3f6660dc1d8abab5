"""The fitted motion as tables: sampled for drawing, and reading by reading beside what the fit gives."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.findings import SetAside
from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.chain import Chain
from analyser.fitting.observations import CHANNELS
from analyser.fitting.panel_rows import PanelRows

_POINTS = 121
TRACK_COLUMNS = ["met", "body", "part", "altitude", "radius", "speed", "vertical_speed", "angle"]
FIT_COLUMNS = ["position", "column", "value", "model", "residual", "arc", "used", "radius", "angle"]


def sample_track(arcs: list[FittedArc], audited: list[AuditedBurn], rows: PanelRows) -> pd.DataFrame:
    """Altitude, speed, vertical speed and angle along every arc and burn, dense enough to draw.

    An arc runs from the burn before it to the burn after it; a burn runs through the readings taken in it.
    """
    begins = {item.burn.after: item.times.cutoff.value for item in audited}
    ends = {item.burn.before: item.times.ignition.value for item in audited}
    parts = []
    for arc in arcs:
        start, end = begins.get(arc.index, arc.start), ends.get(arc.index, arc.end)
        parts.append(_arc_part(arc, min(start, arc.start), max(end, arc.end)))
    for number, item in enumerate(audited):
        parts.append(_burn_part(number, item, arcs, rows))
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=TRACK_COLUMNS)


def _arc_part(arc: FittedArc, start: float, end: float) -> pd.DataFrame:
    if arc.kind == "landed":
        met = np.array([start, end])
        radius, climb, level = (np.full(2, part) for part in arc.state)
        angle = np.zeros(2)
    else:
        met = np.linspace(start, end, _POINTS)
        radius, climb, level = arc.at(met)
        angle = conic.shape(arc.body.mu, radius, climb, level).true_anomaly
    return _table(met, arc.body, f"arc {arc.index}", radius, climb, level, angle)


def _burn_part(number: int, item: AuditedBurn, arcs: list[FittedArc], rows: PanelRows) -> pd.DataFrame:
    before, after = arcs[item.burn.before], arcs[item.burn.after]
    inside = [row for row in item.burn.rows if math.isfinite(rows.radius[row] + rows.speed[row] + rows.vertical[row])]
    start, end = item.times.ignition.value, item.times.cutoff.value
    inside = [row for row in inside if start < rows.met[row] < end]
    first, last = before.at(start), after.at(end)
    met = np.array([start, *rows.met[inside], end])
    radius = np.array([float(first[0]), *rows.radius[inside], float(last[0])])
    climb = np.array([float(first[1]), *rows.vertical[inside], float(last[1])])
    level = np.array([float(first[2]), *np.sqrt(np.clip(rows.speed[inside] ** 2 - rows.vertical[inside] ** 2, 0, None)), float(last[2])])
    return _table(met, before.body, f"burn {number}", radius, climb, level, np.full(len(met), math.nan))


def _table(met, body, part, radius, climb, level, angle) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "met": met, "body": body.name, "part": part, "altitude": np.asarray(radius) - body.radius, "radius": radius,
            "speed": np.hypot(climb, level), "vertical_speed": climb, "angle": angle,
        }
    )  # fmt: skip


def fit_table(chain: Chain, table: pd.DataFrame, rows: PanelRows, set_aside: tuple[SetAside, ...]) -> pd.DataFrame:
    """One row a reading that a coast explains or refuses: value, what the fit gives, how far off in sigmas, whether used."""
    parts = []
    for index, fit in chain.fits.items():
        seen = fit.observations
        moment, channel = np.nonzero(seen.present)
        states = conic.propagate(fit.body.mu, *fit.state, seen.met - fit.epoch)
        angle = conic.shape(fit.body.mu, *states).true_anomaly
        parts.append(
            pd.DataFrame(
                {
                    "position": seen.positions[moment], "column": np.array(CHANNELS, dtype=object)[channel],
                    "value": seen.values[moment, channel], "model": fit.model[moment, channel],
                    "residual": fit.residuals[moment, channel], "arc": index, "used": fit.used[moment, channel],
                    "radius": np.asarray(states[0])[moment], "angle": np.asarray(angle)[moment],
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=FIT_COLUMNS)
