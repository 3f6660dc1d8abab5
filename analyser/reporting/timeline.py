"""Altitude and speeds over time, laid out so that a coast of days does not squash a landing of minutes.

Time runs on, but each coast and burn has a scale of its own where their lengths differ much: the width of a part grows with a
small power of how long it took. Moments between are found by straight lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Findings
from analyser.flight import Flight
from analyser.reporting.phrases import clock

__all__ = ["Channel", "Timeline", "timeline"]

GAP = 0.03  # of the width: across a longer stretch without a fit no line is drawn
#: (column, title, SI size of the unit drawn)
CHANNELS = (("altitude", "altitude, km", 1e3), ("speed", "speed, m/s", 1.0), ("vertical_speed", "vertical speed, m/s", 1.0))

#: column -> which share of small values asks for a logarithmic scale, over how wide a range at most, down to what. Altitude: a
#: landing must be seen though it is short; vertical speed: mostly small on purpose.
_SMALL = {"altitude": (0.005, 3e4, 0.01), "speed": (0.1, 1e3, 1.0), "vertical_speed": (0.25, 100.0, 1.0)}


@dataclass(frozen=True)
class Channel:
    """One curve: ``fit`` and readings as (x, y) with x in drawn time; ``linear_to`` is 0 for a straight scale, else the size below which a logarithmic one is straight."""

    column: str
    title: str
    fit_x: np.ndarray
    fit_y: np.ndarray
    used: np.ndarray
    set_aside: np.ndarray
    linear_to: float


@dataclass(frozen=True)
class Timeline:
    """The channels over drawn time 0..1, where the burns are, the ticks, and the spans named along the top."""

    channels: tuple[Channel, ...]
    burns: tuple[tuple[str, float, float], ...]
    bodies: tuple[tuple[str, float, float], ...]
    coasts: tuple[tuple[str, float, float], ...]
    edges: tuple[float, ...]
    ticks: tuple[tuple[float, str], ...]
    stretched: bool


def timeline(flight: Flight, findings: Findings) -> Timeline | None:
    """The layout; None where nothing was fitted."""
    track = findings.track
    if track is None or len(track) < 2:
        return None
    track = _in_order(track)
    spans = _spans(track)
    table = flight.readings.table
    knots, places, stretched = _layout(_with_gaps(spans, table["met"].to_numpy(float) if len(table) else np.empty(0)))

    def place(met):
        return np.interp(met, knots, places)

    channels = tuple(
        channel for channel in (_channel(flight, findings, track, place, column, title, size) for column, title, size in CHANNELS) if channel
    )
    if not channels:
        return None
    burns, coasts = [], []
    for part, start, end in spans:
        kind, _, number = part.partition(" ")
        left, right = float(place(start)), float(place(end))
        if kind == "burn" and number.isdigit():
            burns.append((f"B{int(number) + 1}", left, right))
        else:
            coasts.append((_short(end - start), left, right))
    edges = tuple(float(place(start)) for _, start, _ in spans[1:]) if stretched else ()
    return Timeline(channels, tuple(burns), _bodies(track, place), tuple(coasts), edges, _ticks(spans, place), stretched)


def _in_order(track):
    """Part by part in order of their starts: rows of neighbouring parts that share a moment don't mingle."""
    import pandas as pd

    parts = [table.sort_values("met", kind="stable") for _, table in track.groupby("part", sort=False)]
    return pd.concat(sorted(parts, key=lambda table: (table["met"].iloc[0], table["met"].iloc[-1])), ignore_index=True)


def _spans(track) -> list[tuple[str, float, float]]:
    """Parts in order of time with start and end, s."""
    met, part = track["met"].to_numpy(float), track["part"].astype(str).to_numpy()
    change = np.flatnonzero(part[1:] != part[:-1]) + 1
    starts, ends = np.concatenate([[0], change]), np.concatenate([change - 1, [len(part) - 1]])
    return [(part[first], float(met[first]), float(met[last])) for first, last in zip(starts, ends, strict=True) if met[last] > met[first]]


def _with_gaps(spans: list[tuple[str, float, float]], read: np.ndarray) -> list[tuple[str, float, float]]:
    """The spans, and between them those in which nothing was fitted but several readings were taken (a flight through air)."""
    found = list(spans)
    for (_, _, end), (_, start, _) in zip(spans[:-1], spans[1:], strict=True):
        between = read[(read > end) & (read < start)]
        if len(between) >= 3:
            found.append(("", float(between[0]), float(between[-1])))
    return sorted(found, key=lambda span: span[1])


def _layout(spans: list[tuple[str, float, float]]) -> tuple[np.ndarray, np.ndarray, bool]:
    """Knots of MET and their places 0..1."""
    if not spans:
        return np.array([0.0, 1.0]), np.array([0.0, 1.0]), False
    knots = [spans[0][1]]
    for _, start, end in spans:
        for moment in (start, end):
            if moment > knots[-1]:
                knots.append(moment)
    met = np.array(knots)
    lengths = np.diff(met)
    inside = np.array([any(start <= (a + b) / 2 <= end for _, start, end in spans) for a, b in zip(met[:-1], met[1:], strict=True)])
    stretched = bool(lengths[inside].min() < 0.03 * lengths.sum())
    if stretched:
        widths = np.where(inside, lengths**0.3, 0.25 * lengths**0.3)
        widths = np.maximum(widths / widths.sum(), 0.4 / len(widths) * inside)
    else:
        widths = lengths
    places = np.concatenate([[0.0], np.cumsum(widths)])
    return met, places / places[-1], stretched


def _channel(flight: Flight, findings: Findings, track, place, column: str, title: str, size: float) -> Channel | None:
    values = track[column].to_numpy(float) / size
    x = place(track["met"].to_numpy(float))
    # no line where nothing was fitted, nor from one body's altimeter to another's
    body, part = track["body"].to_numpy(), track["part"].to_numpy()
    breaks = np.flatnonzero((body[1:] != body[:-1]) | ((part[1:] != part[:-1]) & (np.diff(x) > GAP))) + 1
    fit_x, fit_y = np.insert(x, breaks, np.nan), np.insert(values, breaks, np.nan)
    used, aside = _readings(flight, findings, place, column, size)
    finite = np.concatenate([values[np.isfinite(values)], used[:, 1]])
    if finite.size == 0:
        return None
    # a slip of the pen must not set the scale: what lies far off is drawn at the edge
    low, high = float(finite.min()), float(finite.max())
    reach = max(high - low, 1e-9)
    aside[:, 1] = np.clip(aside[:, 1], low - 0.04 * reach, high + 0.04 * reach)
    return Channel(column, title, fit_x, fit_y, used, aside, _linear_to(np.abs(finite), *_SMALL[column]))


def _readings(flight: Flight, findings: Findings, place, column: str, size: float) -> tuple[np.ndarray, np.ndarray]:
    """What was read, during burns too, as (x, y): what was used or could have been, and what was set aside."""
    table = flight.readings.table
    if column not in table or len(table) == 0:
        return np.empty((0, 2)), np.empty((0, 2))
    points = np.column_stack([place(table["met"].to_numpy(float)), table[column].to_numpy(float) / size])
    there = np.isfinite(points[:, 1])
    away = np.zeros(len(points), bool)
    away[[item.position for item in findings.set_aside if item.column == column and 0 <= item.position < len(points)]] = True
    return points[there & ~away], points[there & away]


def _linear_to(sizes: np.ndarray, share: float, most: float, least: float) -> float:
    """Where a logarithmic scale becomes straight, in the unit drawn; 0: the whole scale is straight.

    Logarithmic where the smallest ``share`` of the sizes lies below a thirtieth of the largest; it spans at most ``most`` and ends
    at ``least``.
    """
    top = float(sizes.max())
    small = float(np.quantile(sizes, share))
    if not top > 0 or small > top / 30:
        return 0.0
    return 10.0 ** math.floor(math.log10(max(small, top / most, least)))


def _short(seconds: float) -> str:
    """A span in one unit: "57 min", "4.6 h"."""
    for name, size in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= size:
            count = seconds / size
            return f"{count:.1f} {name}" if count < 10 and name != "min" else f"{count:.0f} {name}"
    return f"{seconds:.0f} s"


def _bodies(track, place) -> tuple[tuple[str, float, float], ...]:
    met, body = track["met"].to_numpy(float), track["body"].astype(str).to_numpy()
    change = np.flatnonzero(body[1:] != body[:-1]) + 1
    starts, ends = np.concatenate([[0], change]), np.concatenate([change - 1, [len(body) - 1]])
    return tuple((body[a], float(place(met[a])), float(place(met[b]))) for a, b in zip(starts, ends, strict=True))


def _ticks(spans, place, apart: float = 0.1) -> tuple[tuple[float, str], ...]:
    """Moments to write below: the ends first, then the edges of parts, then round moments inside wide parts."""
    if not spans:
        return ()
    wanted = [spans[0][1], spans[-1][2]] + [start for _, start, _ in spans] + [end for _, _, end in spans]
    for _, start, end in spans:
        width = float(place(end) - place(start))
        count = int(width / (2 * apart))
        wanted += [start + (end - start) * (index + 1) / (count + 1) for index in range(count)]
    chosen: list[tuple[float, float]] = []
    for moment in wanted:
        where = float(place(moment))
        # the first and the last label stand inside the ends, not centred: they need more room
        if all(abs(where - other) >= apart * (1.5 if other in (0.0, 1.0) else 1) for other, _ in chosen):
            chosen.append((where, moment))
    return tuple((where, clock(moment)) for where, moment in sorted(chosen))
