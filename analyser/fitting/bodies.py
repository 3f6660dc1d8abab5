"""Which body each row's altimeter and speeds refer to.

As typed where it was typed. Else by the altitude: it jumps when the altimeter passes to another body, by far more
than the craft can have flown (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.fitting.panel_rows import energies
from analyser.flight import Body, Plan, World


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
    typed = typed_bodies(table)
    if typed is not None:
        return _mended(table, world, typed)
    names = list(world.bodies)
    start = plan.start.body if plan is not None else world.root.name
    body = _cheapest_course(table, world, names, start)
    passed = [name for position, name in enumerate(body) if position == 0 or body[position - 1] != name]
    if len(names) == 1:
        return body, ()
    return body, (f"no reference body was typed; the altitudes say: {', then '.join(passed)}",)


def typed_bodies(table: pd.DataFrame) -> np.ndarray | None:
    """Body of each row as typed, the last one standing until another is; None where none is typed at all."""
    typed = [str(name or "").strip() for name in table["body"]] if "body" in table else []
    if not any(typed):
        return None
    body, current = np.empty(len(typed), dtype=object), next(name for name in typed if name)
    for row, name in enumerate(typed):
        current = name or current
        body[row] = current
    return body


def _mended(table: pd.DataFrame, world: World, body: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Runs of rows about another body than the rows on either side, that are about that one all the same: the body was mistyped.

    So it is where the altitude runs straight on, where the orbital energy about the neighbours' body is theirs, or where no way leads from the one body to the other.
    """
    met = table["met"].to_numpy(float)
    altitude, vertical = (table[name].to_numpy(float) if name in table else np.full(len(table), np.nan) for name in ("altitude", "vertical_speed"))
    remarks = []

    def why(start: int, end: int) -> str:
        if _runs_on(met, altitude, vertical, start - 1, start) and _runs_on(met, altitude, vertical, end - 1, end):
            return "the altitude runs on without a jump"
        if _same_energy(table, world[body[end]], range(start, end), (start - 1, end)):
            return "the orbit's energy is that of the lines around"
        if _no_way(world, altitude, body, start) and _no_way(world, altitude, body, end):
            return "no way leads from the one to the other there"
        return ""

    def runs():
        edges = [0, *(row for row in range(1, len(body)) if body[row] != body[row - 1]), len(body)]
        inner = [(start, end) for start, end in list(zip(edges, edges[1:]))[1:-1] if body[start - 1] == body[end]]
        return sorted(inner, key=lambda run: run[1] - run[0])  # short ones first: a long one may end at a slip

    while found := next(((start, end, reason) for start, end in runs() if (reason := why(start, end))), None):
        start, end, reason = found
        lines = table["row"].iloc[start:end].tolist() if "row" in table else list(range(start, end))
        remarks.append(f"line{'s' if len(lines) > 1 else ''} {', '.join(map(str, lines[:6]))}: body '{body[start]}' set aside: {reason}, so it is still '{body[end]}'")
        body[start:end] = body[end]
    return body, tuple(remarks)


def _same_energy(table: pd.DataFrame, body: Body, run: range, around: tuple[int, int]) -> bool:
    """Whether every row of a run has the orbital energy, about a body, of the row before the run or of that after it."""
    energy, sigma = _energies(table, body, [*run, *around])
    if energy is None:
        return False
    inside, outside = np.arange(len(run)), np.arange(len(run), len(run) + 2)
    with np.errstate(invalid="ignore"):
        same = np.abs(energy[inside, None] - energy[None, outside]) < _EVEN * np.hypot(sigma[inside, None], sigma[None, outside])
    return bool(same.any(axis=1).all())


def _no_way(world: World, altitude: np.ndarray, body: np.ndarray, place: int) -> bool:
    """Whether the body can't have changed between the rows before a place and those from it on, one altitude on either side being taken for a slip."""
    old, new = body[place - 1], body[place]
    if not _joined(world, old, new):
        return True
    before = [row for row in (place - 1, place - 2) if row >= 0 and body[row] == old and math.isfinite(altitude[row])]
    after = [row for row in (place, place + 1) if row < len(body) and body[row] == new and math.isfinite(altitude[row])]
    return bool(before and after) and all(_edge_cost(world, old, new, altitude, first, second) > 0 for first in before for second in after)


def _runs_on(met, altitude, vertical, first: int, second: int) -> bool:
    """Whether the altitude of one row leads to that of the next at the vertical speeds read."""
    climb = [value for value in (vertical[first], vertical[second]) if math.isfinite(value)]
    if not climb or not math.isfinite(altitude[first] + altitude[second]):
        return False
    rise, elapsed = altitude[second] - altitude[first], met[second] - met[first]
    lowest, highest = min(climb) * elapsed, max(climb) * elapsed
    room = 0.25 * (highest - lowest) + 0.1 * max(abs(lowest), abs(highest)) + 500.0
    return lowest - room <= rise <= highest + room


_EVEN = 8.0  # standard deviations within which two energies are one
_CHANGE, _SLIP, _UNEVEN = 12.0, 16.0, 2.0  # costs of a change of body, of an altitude taken for a slip, and of an energy that changed


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
    uneven = _uneven_energies(table, world, names, rows)
    begin = np.array([0.0 if name == start else _CHANGE for name in names])
    steps = [(old, new) for old in range(kinds) for new in range(kinds) if old == new or _joined(world, names[old], names[new])]
    # cost of the cheapest course that ends with a row about each body, and the (position, body) it came from
    costs, came = [begin + outside[0]], [[None] * kinds]
    for position in range(1, len(rows)):
        # the first altitude may be the slip
        cost, origin = (begin + _SLIP if position == 1 else np.full(kinds, np.inf)), [None] * kinds
        for back in (1, 2)[:position]:
            # from the row before, or from the one before that: the altitude between was a slip
            earlier, before, row = costs[position - back], rows[position - back], rows[position]
            jump = _jump_cost(altitude, speed, vertical, met, before, row)
            for old, new in steps:
                price = jump + (uneven[position, new] if back == 1 else 0.0) if old == new else _CHANGE + _edge_cost(world, names[old], names[new], altitude, before, row)
                price += earlier[old] + (back - 1) * _SLIP
                if price < cost[new]:
                    cost[new], origin[new] = price, (position - back, old)
        costs.append(cost + outside[position])
        came.append(origin)
    # or the last altitude is the slip
    ends = [(costs[place].min() + after * _SLIP, place) for after, place in enumerate(range(len(rows) - 1, max(len(rows) - 3, -1), -1))]
    position = min(ends)[1]
    place = (position, int(np.argmin(costs[position])))
    following = len(rows)
    while place is not None:
        position, kind = place
        place = came[position][kind]
        # slips count with the row before them; before the first row with the first
        body[rows[position if place is not None else 0] : rows[following] if following < len(rows) else count] = names[kind]
        following = position
    return body


def _joined(world: World, one: str, other: str) -> bool:
    """Whether one of two bodies goes round the other."""
    return world[other].parent == one or world[one].parent == other


def _uneven_energies(table: pd.DataFrame, world: World, names: list[str], rows: np.ndarray) -> np.ndarray:
    """Cost (rows, bodies) of an orbital energy that differs from that of the row before: about the right body only burns and slips change it."""
    cost = np.zeros((len(rows), len(names)))
    for kind, name in enumerate(names):
        energy, sigma = _energies(table, world[name], rows)
        if energy is None:
            return cost
        with np.errstate(invalid="ignore"):
            cost[1:, kind] = np.where(np.abs(np.diff(energy)) > _EVEN * np.hypot(sigma[1:], sigma[:-1]), _UNEVEN, 0.0)
    return cost


def _energies(table: pd.DataFrame, body: Body, rows) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Orbital energies of some rows about a body and their standard deviations, J/kg; (None, None) where no speed or altitude was read at all."""
    needed = ("altitude", "altitude_sigma", "speed", "speed_sigma")
    if any(name not in table for name in needed):
        return None, None
    altitude, altitude_sigma, speed, speed_sigma = (table[name].to_numpy(float)[rows] for name in needed)
    return energies(body.mu, body.radius + altitude, altitude_sigma, speed, speed_sigma)


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
