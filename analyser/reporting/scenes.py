"""What the pictures show, as plain numbers: which lines, where, in which window. Nothing here draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyser.findings import Arc, Burn, Findings
from analyser.flight import Flight

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BurnBars", "LegBars", "OrbitPanel", "burn_bars", "leg_bars", "orbit_panels"]

#: Orbits about one body whose sizes differ by more than this get a drawing each.
SCALE_STEP = 4.0


@dataclass(frozen=True)
class BurnBars:
    """One bar a burn, in pieces from needed to spent, m/s. ``pieces`` maps a piece's key to one value a burn (0: none)."""

    labels: tuple[str, ...]
    pieces: dict[str, np.ndarray]
    spent: np.ndarray
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class LegBars:
    """Spent, needed and planned of each leg, m/s; nan where unknown."""

    labels: tuple[str, ...]
    spent: np.ndarray
    low: np.ndarray
    high: np.ndarray
    needed: np.ndarray
    planned: np.ndarray


@dataclass(frozen=True)
class OrbitPanel:
    """Orbits about one body, to one scale; km, the body's centre at the origin, curves of shape (n, 2).

    ``whole`` are the orbits closed (dashed), ``flown`` the parts flown with their labels ("": of another size, only in passing);
    ``burns`` are curves with a label and the ring it is written in, so that labels of neighbours don't meet; ``used`` and
    ``set_aside`` the readings. ``reach`` is half the width and half the height of the window.
    """

    body: str
    radius: float
    air: float
    centre: tuple[float, float]
    reach: tuple[float, float]
    whole: tuple[np.ndarray, ...]
    flown: tuple[tuple[str, np.ndarray], ...]
    burns: tuple[tuple[str, int, np.ndarray], ...]
    used: np.ndarray
    set_aside: np.ndarray


def burn_bars(findings: Findings) -> BurnBars | None:
    """Bars of the burns whose delta-v is known; None where there is none.

    Where steering, gravity and drag are known, not negative and come within a quarter of the burn loss, it is split in their
    proportion, else it is one piece. What is spent beyond the known pieces is "not split". Pieces below zero (noise) are left out.
    """
    burns = [(number, burn) for number, burn in enumerate(findings.burns, 1) if burn.spent.known]
    if not burns:
        return None
    pieces = {key: np.zeros(len(burns)) for key in ("needed", "placement", "steering", "gravity", "drag", "burn", "rest")}
    for index, (_, burn) in enumerate(burns):
        for key, value in _split(burn).items():
            pieces[key][index] = value
    values = [(burn.spent.value, burn.spent.low, burn.spent.high) for _, burn in burns]
    spent, low, high = (np.array(column) for column in zip(*values, strict=True))
    labels = tuple(f"burn {number}" + (f", {burn.leg}" if burn.leg else "") for number, burn in burns)
    return BurnBars(labels, {key: value for key, value in pieces.items() if value.any()}, spent, low, high)


def _split(burn: Burn) -> dict[str, float]:
    spent = burn.spent.value
    if not burn.needed.known:
        return {"rest": spent}
    found = {"needed": min(burn.needed.value, spent)}
    loss = burn.burn_loss.value if burn.burn_loss.known else math.nan
    if burn.placement_loss.known:
        found["placement"] = max(burn.placement_loss.value, 0.0)
    parts = {
        key: part.value
        for key, part in (("steering", burn.steering_loss), ("gravity", burn.gravity_loss), ("drag", burn.drag_loss))
        if part.known
    }
    together = sum(parts.values())
    if parts and min(parts.values()) > -0.5 and loss > 0 and 0.75 * loss <= together <= 1.25 * loss:
        found.update({key: max(value, 0.0) * loss / together for key, value in parts.items()})
    elif math.isfinite(loss):
        found["burn"] = max(loss, 0.0)
    rest = spent - sum(found.values())
    if rest > 0.003 * spent:
        found["rest"] = rest
    return found


def leg_bars(findings: Findings) -> LegBars | None:
    """Bars of the legs flown; None where no leg's delta-v is known."""
    legs = [leg for leg in findings.legs if leg.flown and leg.spent.known]
    if not legs:
        return None

    def column(name: str, field: str = "value") -> np.ndarray:
        return np.array([getattr(getattr(leg, name), field) for leg in legs], float)

    names = tuple(leg.name for leg in legs)
    return LegBars(names, column("spent"), column("spent", "low"), column("spent", "high"), column("needed"), column("planned"))


def orbit_panels(flight: Flight, findings: Findings, most: int = 6) -> tuple[OrbitPanel, ...]:
    """The orbits flown, body by body, those of like size together, small ones first.

    An orbit is turned so that it goes on where the one before ended, as far as they are about the same body with a burn
    between; how a drawing as a whole is turned is not known from altitude and speed, and means nothing.
    """
    track = findings.track
    if track is None or len(track) == 0:
        return ()
    parts = {str(name): table for name, table in track.groupby("part", sort=False)}
    turned = _turns(findings, parts)
    panels = []
    seen: list[str] = []
    for arc in findings.arcs:
        if arc.kind == "coast" and arc.body not in seen and arc.body in flight.world:
            seen.append(arc.body)
    for name in seen:
        coasts = [
            (number, arc)
            for number, arc in enumerate(findings.arcs)
            if arc.body == name and arc.kind == "coast" and f"arc {number}" in parts
        ]
        for group in _by_size([(number, _size(arc, parts[f"arc {number}"], flight)) for number, arc in coasts]):
            panels.append(_panel(flight, findings, parts, turned, name, [number for number, _ in coasts], group))
    return tuple(panels[:most])


def _size(arc: Arc, table: "pd.DataFrame", flight: Flight) -> float:
    """Greatest radius worth showing, m: of the closed orbit unless little of it was flown."""
    farthest = float(table["radius"].max())
    if arc.apoapsis_altitude.known:
        apoapsis = flight.world[arc.body].radius + arc.apoapsis_altitude.value
        if farthest < apoapsis < 1.5 * farthest:
            return apoapsis
    return farthest


def _by_size(sizes: list[tuple[int, float]]) -> list[list[tuple[int, float]]]:
    groups: list[list[tuple[int, float]]] = []
    for item in sorted(sizes, key=lambda pair: pair[1]):
        if groups and item[1] <= SCALE_STEP * groups[-1][0][1]:
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def _sweep(table: "pd.DataFrame") -> np.ndarray:
    """Angle swept about the body along a part of the track, from 0, rad: the integral of transverse speed over radius."""
    met, radius = table["met"].to_numpy(), table["radius"].to_numpy()
    across = np.sqrt(np.clip(table["speed"].to_numpy() ** 2 - table["vertical_speed"].to_numpy() ** 2, 0, None)) / radius
    steps = (across[1:] + across[:-1]) / 2 * np.diff(met)
    return np.concatenate([[0.0], np.nancumsum(steps)])


def _turns(findings: Findings, parts: dict[str, "pd.DataFrame"]) -> dict[str, np.ndarray]:
    """Polar angle in the drawing of each part's track rows, and under "turn N" the turn of arc N."""
    turn = {number: 0.0 for number, arc in enumerate(findings.arcs)}
    angles: dict[str, np.ndarray] = {}
    burns = sorted(enumerate(findings.burns), key=lambda item: item[1].ignition.value)
    for number, burn in burns:
        before, during = parts.get(f"arc {burn.before}"), parts.get(f"burn {number}")
        if before is None:
            continue
        start = turn[burn.before] + float(before["angle"].iloc[-1])
        swept = _sweep(during) if during is not None and len(during) > 1 else np.zeros(1)
        if during is not None:
            angles[f"burn {number}"] = start + swept
        after = parts.get(f"arc {burn.after}")
        if after is not None and findings.arcs[burn.after].body == findings.arcs[burn.before].body:
            angle = float(after["angle"].iloc[0])
            if math.isfinite(start) and math.isfinite(angle):
                turn[burn.after] = start + swept[-1] - angle
    for number in turn:
        table = parts.get(f"arc {number}")
        if table is not None:
            angles[f"arc {number}"] = turn[number] + table["angle"].to_numpy()
    angles["turns"] = np.array([turn[number] for number in range(len(findings.arcs))])
    return angles


def _panel(
    flight: Flight,
    findings: Findings,
    parts: dict[str, "pd.DataFrame"],
    turned: dict[str, np.ndarray],
    name: str,
    numbers: list[int],
    group: list[tuple[int, float]],
) -> OrbitPanel:
    body = flight.world[name]
    own = [number for number, _ in group]
    whole, flown, burns = [], [], []
    for number in numbers:
        table = parts[f"arc {number}"]
        label = f"{number + 1}" if number in own else ""
        flown.append((label, _curve(table["radius"].to_numpy(), turned[f"arc {number}"])))
        if number in own:
            closed = _closed(findings.arcs[number], dict(group)[number], turned["turns"][number], body.radius)
            if closed is not None:
                whole.append(closed)
    for number, burn in enumerate(findings.burns):
        key = f"burn {number}"
        if key in turned and key in parts and burn.body == name:
            label = f"B{number + 1}" if burn.before in own or burn.after in own else ""
            burns.append((label, _curve(parts[key]["radius"].to_numpy(), turned[key])))
    used, aside = _readings(findings, own, turned["turns"])
    seen = np.concatenate([curve for (label, curve) in flown if label] + whole + [_disc(body.radius / 1e3)])
    lowest, highest = np.nanmin(seen, axis=0), np.nanmax(seen, axis=0)
    centre = (lowest + highest) / 2
    half = 0.585 * (highest - lowest)
    half = np.maximum(half, [0.75 * half[1], 0.5 * half[0]])  # neither a thin tower nor a thin band
    return OrbitPanel(
        name, body.radius / 1e3, body.air_top / 1e3, (float(centre[0]), float(centre[1])), (float(half[0]), float(half[1])),
        tuple(whole), tuple(flown), _ringed(burns), used, aside,
    )  # fmt: skip


def _ringed(burns: list[tuple[str, np.ndarray]]) -> tuple[tuple[str, int, np.ndarray], ...]:
    placed: list[tuple[float, int]] = []
    found = []
    for label, curve in burns:
        x, y = curve[len(curve) // 2]
        angle = math.atan2(y, x)
        ring = 0
        if label and math.isfinite(angle):
            taken = {other for where, other in placed if abs(math.remainder(angle - where, 2 * math.pi)) < 0.2}
            ring = next(number for number in range(len(taken) + 1) if number not in taken)
            placed.append((angle, ring))
        found.append((label, ring, curve))
    return tuple(found)


def _closed(arc: Arc, size: float, turn: float, ground: float) -> np.ndarray | None:
    """The whole ellipse above ground, or None where the orbit is open, unknown or reaches beyond the drawing."""
    major, eccentricity = arc.semi_major_axis.value, arc.eccentricity.value
    if not (major > 0 and 0 <= eccentricity < 1) or major * (1 + eccentricity) > 1.6 * size:
        return None
    angle = np.linspace(0, 2 * math.pi, 181)
    radius = major * (1 - eccentricity**2) / (1 + eccentricity * np.cos(angle))
    return _curve(np.where(radius >= ground, radius, np.nan), angle + turn)


def _readings(findings: Findings, numbers: list[int], turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    empty = np.empty((0, 2))
    if findings.fit is None or len(findings.fit) == 0:
        return empty, empty
    table = findings.fit
    table = table[(table["column"] == "altitude") & table["arc"].isin(numbers)]
    if len(table) == 0:
        return empty, empty
    points = _curve(table["radius"].to_numpy(float), table["angle"].to_numpy(float) + turns[table["arc"].to_numpy(int)])
    used = table["used"].to_numpy(bool)
    return points[used], points[~used]


def _curve(radius: np.ndarray, angle: np.ndarray) -> np.ndarray:
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) / 1e3


def _disc(radius: float) -> np.ndarray:
    return np.array([[-radius, -radius], [radius, radius]])
