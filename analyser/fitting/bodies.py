"""Which body each row's altimeter and speeds refer to.

As typed where it was typed. Else by the altitude: it jumps when the altimeter passes to another body, by far more
than the craft can have flown (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.flight import Plan, World


def reference_bodies(table: pd.DataFrame, world: World, plan: Plan | None = None) -> tuple[np.ndarray, tuple[str, ...]]:
    """Reference body of each row, and remarks.

    Rows before the first typed body take it too. Where no body is typed at all, the cheapest course through the bodies of the world is
    taken (dynamic programming): a change costs something, and so does an altitude that can't be joined to the one before at the
    speeds read, or that lies outside the body's sphere of influence.

    Returns
    -------
    body : array (n,) of object (str)
    remarks : tuple of str
    """
    count = len(table)
    typed = [str(name or "").strip() for name in table["body"]] if "body" in table else [""] * count
    if any(typed):
        first = next(name for name in typed if name)
        body, current = np.empty(count, dtype=object), first
        for row, name in enumerate(typed):
            current = name or current
            body[row] = current
        return _mended(table, world, body)
    names = list(world.bodies)
    start = plan.start.body if plan is not None else world.root.name
    body = _cheapest_course(table, world, names, start)
    passed = [name for position, name in enumerate(body) if position == 0 or body[position - 1] != name]
    if len(names) == 1:
        return body, ()
    return body, (f"no reference body was typed; the altitudes say: {', then '.join(passed)}",)


def _mended(table: pd.DataFrame, world: World, body: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Runs of rows about another body than the rows on either side, though the altitude runs straight on: the body was mistyped."""
    met = table["met"].to_numpy(float)
    altitude, vertical = (table[name].to_numpy(float) if name in table else np.full(len(table), np.nan) for name in ("altitude", "vertical_speed"))
    edges = [0, *(row for row in range(1, len(body)) if body[row] != body[row - 1]), len(body)]
    remarks = []
    for start, end in list(zip(edges, edges[1:]))[1:-1]:
        if body[start - 1] != body[end]:
            continue
        if _runs_on(met, altitude, vertical, start - 1, start) and _runs_on(met, altitude, vertical, end - 1, end):
            lines = table["row"].iloc[start:end].tolist() if "row" in table else list(range(start, end))
            remarks.append(
                f"line{'s' if len(lines) > 1 else ''} {', '.join(map(str, lines[:6]))}: body '{body[start]}' set aside: the altitude "
                f"runs on without a jump, so it is still '{body[end]}'"
            )
            body[start:end] = body[end]
    return body, tuple(remarks)


def _runs_on(met, altitude, vertical, first: int, second: int) -> bool:
    """Whether the altitude of one row leads to that of the next at the vertical speeds read."""
    climb = [value for value in (vertical[first], vertical[second]) if math.isfinite(value)]
    if not climb or not math.isfinite(altitude[first] + altitude[second]):
        return False
    rise, elapsed = altitude[second] - altitude[first], met[second] - met[first]
    lowest, highest = min(climb) * elapsed, max(climb) * elapsed
    room = 0.25 * (highest - lowest) + 0.1 * max(abs(lowest), abs(highest)) + 500.0
    return lowest - room <= rise <= highest + room


def _cheapest_course(table: pd.DataFrame, world: World, names: list[str], start: str) -> np.ndarray:
    count, kinds = len(table), len(names)
    met = table["met"].to_numpy(float)
    altitude = table["altitude"].to_numpy(float) if "altitude" in table else np.full(count, np.nan)
    speed = table["speed"].to_numpy(float) if "speed" in table else np.full(count, np.nan)
    vertical = table["vertical_speed"].to_numpy(float) if "vertical_speed" in table else np.full(count, np.nan)
    rows = np.flatnonzero(np.isfinite(altitude))
    body = np.full(count, start, dtype=object)
    if not len(rows):
        return body
    outside = np.zeros((len(rows), kinds))
    for kind, name in enumerate(names):
        reach = world[name].sphere_of_influence - world[name].radius
        outside[:, kind] = np.where(altitude[rows] > 1.02 * reach, 40.0, 0.0)
    change = 12.0
    cost = np.array([0.0 if name == start else change for name in names]) + outside[0]
    came = np.zeros((len(rows), kinds), dtype=int)
    for position in range(1, len(rows)):
        before, row = rows[position - 1], rows[position]
        stay = cost + _jump_cost(altitude, speed, vertical, met, before, row)
        switch = np.full((kinds, kinds), np.inf)
        for old in range(kinds):
            for new in range(kinds):
                if old == new:
                    switch[old, new] = stay[old]
                elif world[names[new]].parent == names[old] or world[names[old]].parent == names[new]:
                    switch[old, new] = cost[old] + change + _edge_cost(world, names[old], names[new], altitude, before, row)
        came[position] = np.argmin(switch, axis=0)
        cost = switch[came[position], np.arange(kinds)] + outside[position]
    kind = int(np.argmin(cost))
    for position in range(len(rows) - 1, -1, -1):
        body[rows[position]] = names[kind]
        kind = came[position, kind] if position else kind
    current = body[rows[0]]
    for row in range(count):
        if row in set(rows.tolist()):
            current = body[row]
        body[row] = current
    return body


def _jump_cost(altitude, speed, vertical, met, before: int, row: int) -> float:
    """Cost of taking two altitudes as one motion about one body."""
    elapsed = max(met[row] - met[before], 1.0)
    quickest = max((abs(value) for value in (speed[before], speed[row], vertical[before], vertical[row]) if math.isfinite(value)), default=math.nan)
    if not math.isfinite(quickest):
        return 0.0
    jump = abs(altitude[row] - altitude[before])
    # a coast through periapsis between two readings is quicker than both, but then it ends about as high as it began
    return 20.0 if jump > 1.3 * quickest * elapsed + 0.02 * abs(altitude[before]) + 2e4 else 0.0


def _edge_cost(world: World, old: str, new: str, altitude, before: int, row: int) -> float:
    """A change of body happens at the moon's edge: cost of altitudes that are not near it."""
    moon, planet = (world[new], world[old]) if world[new].parent == old else (world[old], world[new])
    reach = moon.sphere_of_influence
    at_moon, at_planet = (altitude[row], altitude[before]) if moon.name == new else (altitude[before], altitude[row])
    from_planet = at_planet + planet.radius
    near = abs(from_planet - moon.semi_major_axis) < 1.6 * reach + 0.3 * moon.eccentricity * moon.semi_major_axis
    inside = at_moon + moon.radius < 1.05 * reach
    return (0.0 if near else 10.0) + (0.0 if inside else 20.0)
