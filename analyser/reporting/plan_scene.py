"""A plan drawn to scale, as plain numbers: the coasts of its legs about each body, its burns on them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analyser.findings import IdealPath, IdealPlan
from analyser.flight import Body, World
from analyser.reporting.scenes import OrbitPanel, _by_size, _ringed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plan_panels", "sheet"]

_BURN_HALF = math.radians(5.0)  # of the stroke that marks a burn


def plan_panels(ideal: IdealPlan, world: World) -> tuple[OrbitPanel, ...]:
    """Panels in the order in which the plan comes to the bodies; one body twice where its orbits differ much in size.

    Every orbit lies with its periapsis to the right: where the apse lines point is the pilot's to choose by when to burn.
    """
    panels = []
    order = list(dict.fromkeys(path.body for leg in ideal.legs for path in leg.paths))
    for name in order:
        body = world[name]
        paths = [(number, path) for number, leg in enumerate(ideal.legs) for path in leg.paths if path.body == name]
        moons = [world[other.name].semi_major_axis for other in world.children(body)]
        sizes = [(place, _reach(path, body, moons)) for place, (_, path) in enumerate(paths)]
        for rank, group in enumerate(_by_size(sizes)):
            panels.append(_panel(ideal, world, body, paths, dict(group), burns=rank == 0))
    return tuple(panels)


def sheet(panels: tuple[OrbitPanel, ...]) -> "Figure":
    """All panels on one sheet, two in a row."""
    from matplotlib.figure import Figure

    from analyser.reporting import plots

    rows = -(-len(panels) // 2)
    figure = Figure(figsize=(7.6, 3.8 * rows))
    for place, panel in enumerate(panels):
        row, column = divmod(place, 2)
        plots.draw_orbits(figure.add_axes((0.5 * column, 1 - (row + 1) / rows, 0.49, 0.97 / rows)), panel)
    return figure


def _reach(path: IdealPath, body: Body, moons: list[float]) -> float:
    """How far out a path is worth showing, m."""
    low, high = _apsides(path, body)
    if math.isfinite(high):
        return high
    edge = body.sphere_of_influence
    return min(edge, 12 * max(low, body.radius)) if math.isfinite(edge) else max([*moons, 12 * max(low, body.radius)])


def _shape(path: IdealPath, body: Body) -> tuple[float, float]:
    """Semi-latus rectum, m, and eccentricity."""
    h2 = path.angular_momentum**2 / body.mu
    return h2, math.sqrt(max(1 + 2 * path.energy * h2 / body.mu, 0.0))


def _apsides(path: IdealPath, body: Body) -> tuple[float, float]:
    p, e = _shape(path, body)
    return p / (1 + e), p / (1 - e) if e < 1 - 1e-12 else math.inf


def _panel(ideal: IdealPlan, world: World, body: Body, paths, sizes: dict[int, float], burns: bool) -> OrbitPanel:
    size = max(sizes.values())
    flown, whole = [], []
    labelled: set[int] = set()
    for place, (leg, path) in enumerate(paths):
        curve = _curve(path, body, size)
        if path.part != "whole" and place in sizes:
            whole.append(_curve(replace(path, part="whole"), body, size))
        label = f"{leg + 1}" if place in sizes and leg not in labelled else ""
        labelled |= {leg} if label else set()
        flown.append((label, curve))
    for moon in world.children(body):
        if moon.semi_major_axis < 1.4 * size:
            angle = np.linspace(0, 2 * math.pi, 181)
            whole.append(moon.semi_major_axis / 1e3 * np.column_stack([np.cos(angle), np.sin(angle)]))
            # the moon itself, to scale, on the side to which an outward leg goes
            disc = moon.radius / 1e3 * np.column_stack([np.cos(angle), np.sin(angle)])
            whole.append(disc + [-moon.semi_major_axis / 1e3, 0.0])
    marks = _burn_marks(ideal, body, paths) if burns else []
    seen = np.concatenate([curve for _, curve in flown] + whole + [np.array([[-1.0, -1.0], [1.0, 1.0]]) * (body.radius + body.air_top) / 1e3])
    limit = 1.05 * size / 1e3
    seen = np.clip(seen[np.isfinite(seen).all(axis=1)], -limit, limit)
    lowest, highest = seen.min(axis=0), seen.max(axis=0)
    centre, half = (lowest + highest) / 2, 0.65 * (highest - lowest)
    half = np.maximum(half, [0.75 * half[1], 0.75 * half[0]])
    empty = np.empty((0, 2))
    return OrbitPanel(
        body.name, body.radius / 1e3, body.air_top / 1e3, (float(centre[0]), float(centre[1])), (float(half[0]), float(half[1])), tuple(whole),
        tuple(flown), tuple((label, 2 * ring, curve) for label, ring, curve in _ringed(marks)), empty, empty,
    )  # fmt: skip


def _curve(path: IdealPath, body: Body, size: float) -> np.ndarray:
    p, e = _shape(path, body)
    reach = 1.3 * size
    widest = math.pi if e < 1 and p / (1 - e) <= reach else math.acos(max(-1.0, min(1.0, (p / reach - 1) / e)))
    first, last = {"out": (0.0, widest), "in": (-widest, 0.0)}.get(path.part, (-widest, widest))
    angle = np.linspace(first, last, 241)
    return _points(p / (1 + e * np.cos(angle)), angle, path)


def _points(radius, angle, path: IdealPath) -> np.ndarray:
    sense = -1.0 if path.angular_momentum < 0 else 1.0
    return np.column_stack([radius * np.cos(angle), sense * radius * np.sin(angle)]) / 1e3


def _burn_marks(ideal: IdealPlan, body: Body, paths) -> list[tuple[str, np.ndarray]]:
    """A stroke for each burn: at the apsis of its leg's path that has its radius; elsewhere on the circle, where it may be anywhere."""
    marks, number = [], 0
    for leg_number, leg in enumerate(ideal.legs):
        for burn in leg.burns:
            number += 1
            if burn.body != body.name:
                continue
            radius = body.radius + burn.altitude
            middle = math.radians(50.0) * len(marks)
            for leg_of, path in paths:
                low, high = _apsides(path, body)
                if leg_of in (leg_number, leg_number - 1) and high > 1.02 * low:
                    middle = 0.0 if abs(low / radius - 1) < 1e-3 else math.pi if abs(high / radius - 1) < 1e-3 else middle
            angle = middle + np.linspace(-_BURN_HALF, _BURN_HALF, 9)
            marks.append((f"B{number}", np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) / 1e3))
    return marks
