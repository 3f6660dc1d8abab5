"""Slips in rows taken under thrust or in the air, where no orbit can vouch for a reading: its neighbours do.

Between two readings a craft's altitude moves by its vertical speed, and its speeds change by no more than gravity and its engine allow. A reading
that stands apart from the rows on either side by far more is set aside.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import SetAside
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.slips import explain
from analyser.flight import World

#: Gauges that are looked at, with the kind of change that their neighbours allow.
_WATCHED = ("altitude", "radar_altitude", "speed", "surface_speed", "vertical_speed")
_FAR = 4.0  # times what the neighbours allow
_FARTHER = 10.0  # without a simple slip that explains it


def screen_underway(rows: PanelRows, inside: list[int], edges: tuple[int, ...], world: World, source, line) -> list[SetAside]:
    """Readings to set aside among rows that belong to no coast.

    Parameters
    ----------
    rows : PanelRows
    inside : rows under thrust or in the air, in order.
    edges : coast or ground rows next to them, which are trusted.
    world : World
    source, line : arrays (n,)
        File and line of every row.
    """
    found: list[SetAside] = []
    for column in _WATCHED:
        order = [row for row in sorted({*inside, *edges}) if math.isfinite(rows.value[column][row])]
        while True:
            judged = {row: _judge(rows, order, row, column, world) for row in order if row in set(inside)}
            wrong = [row for row, item in judged.items() if item is not None]
            if not wrong:
                break
            # a slip makes its neighbours look wrong too: the one whose leaving makes the rest smoothest is it
            row = min(wrong, key=lambda row: _roughness(rows, order, row, column))
            reason, suggestion = judged[row]
            value = float(rows.value[column][row])
            found.append(SetAside(row, str(source[row]), int(line[row]), float(rows.met[row]), column, value, reason, suggestion))
            order.remove(row)
            rows.value[column][row] = np.nan
    return found


def _roughness(rows: PanelRows, order: list[int], without: int, column: str) -> float:
    """How much the slope of a column changes from reading to reading, one of them left out."""
    kept = [row for row in order if row != without]
    if len(kept) < 3:
        return 0.0
    slope = np.diff(rows.value[column][kept]) / np.maximum(np.diff(rows.met[kept]), 0.5)
    return float(np.abs(np.diff(slope)).sum())


def _judge(rows: PanelRows, order: list[int], row: int, column: str, world: World) -> tuple[str, str] | None:
    place = order.index(row)
    before, after = order[max(place - 2, 0) : place], order[place + 1 : place + 3]
    if not before or not after or any(rows.body[k] != rows.body[row] for k in (*before, *after)):
        return None
    values = rows.value[column]
    first, second = before[-1], after[0]
    sigma = float(np.nan_to_num(rows.sigma[column][row]))
    expected, room = min(_expectations(rows, first, row, second, column, world), key=lambda item: item[1])
    miss = abs(values[row] - expected)
    low, high = sorted((values[first], values[second]))
    outside = max(low - values[row], values[row] - high, 0.0)
    slip = explain(column, float(values[row]), sigma, expected, min(room / 3.5, miss / 7.5), float(values[first])) if column != "radar_altitude" else None
    if miss > _FARTHER * room + 4 * sigma and _neighbours_agree(rows, before, after, column, miss):
        return "far from what the readings on either side allow", slip.sentence if slip else ""
    # the speed of a craft under thrust goes one way; its climb may turn anywhere
    turns = column == "speed" and outside > 0.15 * (high - low) + 0.05 * room + 4 * sigma
    apart = miss > _FAR * room + 4 * sigma or turns
    if slip is not None and apart:
        return "far from what the readings on either side allow", slip.sentence
    return None


def _expectations(rows: PanelRows, first: int, row: int, second: int, column: str, world: World) -> list[tuple[float, float]]:
    """What the neighbours make of a reading, each with how far a smooth course may stray from it."""
    values, vertical = rows.value[column], rows.vertical
    span = max(rows.met[second] - rows.met[first], 1.0)
    part = (rows.met[row] - rows.met[first]) / span
    body = world[rows.body[row]]
    gravity = body.mu / (body.radius + max(float(np.nan_to_num(rows.value["altitude"][first])), 0.0)) ** 2
    change = abs(values[second] - values[first])
    straight = float(values[first] + part * (values[second] - values[first]))
    climb = max((abs(float(vertical[k])) for k in (first, second) if math.isfinite(vertical[k])), default=0.0)
    if column in ("altitude", "radar_altitude"):
        found = [(straight, 0.5 * change + 0.25 * span * climb + gravity * span**2 / 8)]
    elif column == "vertical_speed":
        found = [(straight, 0.5 * change + gravity * span / 2)]
    else:
        steep = min(climb / max(float(min(values[first], values[second])), 1.0), 1.0)
        found = [(straight, 0.5 * change + gravity * steep * span / 2 + 1.0)]
    altitude = rows.value["altitude"]
    lead, lag = max(rows.met[row] - rows.met[first], 0.5), max(rows.met[second] - rows.met[row], 0.5)
    # the climb between readings is the vertical speed's own doing: two ways to the reading that must agree
    if column == "altitude" and np.isfinite(vertical[[first, row, second]]).all():
        up, down = altitude[first] + (vertical[first] + vertical[row]) / 2 * lead, altitude[second] - (vertical[row] + vertical[second]) / 2 * lag
        bend = (lead * abs(vertical[row] - vertical[first]) + lag * abs(vertical[second] - vertical[row])) / 4
        found.append(((up + down) / 2, abs(up - down) / 2 + bend + climb * 0.5))
    if column == "vertical_speed" and np.isfinite(altitude[[first, row, second]]).all():
        rise, fall = (altitude[row] - altitude[first]) / lead, (altitude[second] - altitude[row]) / lag
        one, other = 2 * rise - values[first], 2 * fall - values[second]
        found.append(((one + other) / 2, abs(one - other) / 2 + (abs(rise - values[first]) + abs(fall - values[second])) / 1.5 + 1.0))
    return [(float(expected), float(max(room, 1e-6))) for expected, room in found]


def _neighbours_agree(rows: PanelRows, before: list[int], after: list[int], column: str, miss: float) -> bool:
    """Whether the rows on either side are nearer to each other than to the reading: else one of them may be the slip."""
    values = rows.value[column]
    return abs(values[after[0]] - values[before[-1]]) < 0.5 * miss
