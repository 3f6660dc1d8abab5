"""A body's constants from nothing but what stays constant in a coast: the first guess where the one given is far off.

Orbits can't be told apart with a pull or a datum that is wrong by a factor. What needs neither: rows between which nothing was burnt lie on one conic, along
which energy and angular momentum are constant. Constants are sought that make them so, from many starting points, gross errors capped; the clock is not
used. Orbits are then found with these, and the estimate proper (:mod:`analyser.fitting.unknown_world`) starts from them.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence

import numpy as np

from analyser.fitting.bodies import reference_bodies
from analyser.fitting.panel_rows import panel_rows
from analyser.fitting.propellant import propellant_history
from analyser.flight import Body, Flight

_FACTORS = (0.2, 0.5, 1.0, 2.0, 5.0)
_OPEN = 0.005
_STILL = 3.5  # sigmas by which the propellant gauge may fall where nothing is burnt
_SPREAD = 3.0
_BETTER = 0.5  # a guess is replaced where others fit this much better


@dataclasses.dataclass(frozen=True)
class _Rows:
    """What was read, arrays (n,), SI; whether the speed is over the ground; and the coast of each row."""

    altitude: np.ndarray
    altitude_sigma: np.ndarray
    speed: np.ndarray
    speed_sigma: np.ndarray
    climb: np.ndarray
    climb_sigma: np.ndarray
    over: np.ndarray
    coast: np.ndarray


def with_first_constants(flight: Flight, name: str = "", quantities: Sequence[str] = ("gm",)) -> Flight:
    """The flight in a world where a body's constants make energy and angular momentum constant between burns, if those given do not.

    Parameters
    ----------
    flight : Flight
    name : str
        The body; by default the one about which most rows were read.
    quantities : names of "gm", "radius", "rotation"
        Those that may change; each within a factor of about ten.

    Notes
    -----
    Speeds over the ground, on coasts both with the rotation and against it, tell its rate but not its sense: that of the guess is kept.

    Returns
    -------
    Flight
        The same one where the constants given do as well, or where the readings do not tell.
    """
    table = flight.readings.table
    if not len(table):
        return flight
    bodies, _ = reference_bodies(table, flight.world, flight.plan)
    name = name or max(set(bodies.tolist()), key=bodies.tolist().count)
    body = flight.world[name]
    rows = _quiet_rows(flight, bodies, body)
    if rows is None:
        return flight
    asked = [quantity for quantity in ("gm", "radius", "rotation") if quantity in quantities]
    given = np.array([body.mu, body.radius, body.rotation_rate])
    free = [quantity for quantity in asked if quantity != "rotation" or rows.over.any()]
    found, cost = _best(rows, given, free) if free else (given, math.inf)
    if not cost < _BETTER * _cost(rows, given) - 10.0:
        found = given
    # which way the body turns is not shown by speeds: the orbits turn with it or against it
    found = np.array([found[0], found[1], math.copysign(abs(found[2]), given[2])])
    rate = float(found[2])
    if "rotation" in asked and "rotation" not in free:
        rate = _between_gauges(flight, bodies, name, float(found[1]), rate)
    if (found == given).all() and rate == given[2]:
        return flight
    changed = dataclasses.replace(body, mu=float(found[0]), radius=float(found[1]), rotation_period=2 * math.pi / rate if rate else math.inf)
    return dataclasses.replace(flight, world=dataclasses.replace(flight.world, bodies={**flight.world.bodies, name: changed}))


def _quiet_rows(flight: Flight, bodies: np.ndarray, body: Body) -> _Rows | None:
    """Rows of coasts about a body: between them throttle was shut and propellant stayed, as far as read."""
    table = flight.readings.table
    seen = panel_rows(table, flight.world, bodies)
    gauge = propellant_history(table, flight.craft)
    value, sigma = seen.value, seen.sigma
    over = ~np.isfinite(value["speed"])
    speed = np.where(over, value["surface_speed"], value["speed"])
    whole = np.isfinite(table["altitude"].to_numpy(float) if "altitude" in table else np.nan) & np.isfinite(speed) & np.isfinite(value["vertical_speed"])
    usable = whole & (bodies == body.name) & ~(value["throttle"] > _OPEN) & (speed > 2.0)
    coast, number, last = np.full(len(table), -1), 0, None
    for row in range(len(table)):
        broken = bodies[row] != body.name or value["throttle"][row] > _OPEN or seen.says(row, "ignition", "cutoff", "liftoff", "touchdown", "staging")
        if math.isfinite(gauge.propellant[row]):
            broken |= last is not None and gauge.fell(last, row) > _STILL
            last = row
        number += bool(broken)
        if usable[row]:
            coast[row] = number
    kept = np.array([row for row in np.flatnonzero(coast >= 0) if (coast == coast[row]).sum() >= 3], dtype=int)
    if len(kept) < 4:
        return None
    altitude = table["altitude"].to_numpy(float)
    return _Rows(
        altitude[kept], sigma["altitude"][kept], speed[kept], np.where(over, sigma["surface_speed"], sigma["speed"])[kept],
        value["vertical_speed"][kept], sigma["vertical_speed"][kept], over[kept], np.unique(coast[kept], return_inverse=True)[1],
    )  # fmt: skip


def _between_gauges(flight: Flight, bodies: np.ndarray, name: str, radius: float, otherwise: float) -> float:
    """Rotation rate, rad/s, from rows that show both speeds: the ground moves by their difference."""
    table = flight.readings.table
    if not {"altitude", "speed", "surface_speed", "vertical_speed"} <= set(table.columns):
        return otherwise
    high, fast, over, climb = (table[column].to_numpy(float) for column in ("altitude", "speed", "surface_speed", "vertical_speed"))
    with np.errstate(invalid="ignore"):
        rates = (np.sqrt(fast**2 - climb**2) - np.sqrt(over**2 - climb**2)) / (radius + high)
    rates = rates[np.isfinite(rates) & (bodies == name)]
    return float(np.median(rates)) if len(rates) > 2 else otherwise


def _misfits(rows: _Rows, constants) -> np.ndarray:
    """Energy and angular momentum of each row against the coast's middle one, in sigmas (2, n). A coast whose speeds are over the ground may turn with the
    body or against it: as suits it better."""
    found = _one_way(rows, constants, 1.0)
    if not rows.over.any() or constants[2] == 0.0:
        return found
    other = _one_way(rows, constants, -1.0)
    price = [np.bincount(rows.coast, _slow(part).sum(axis=0)) for part in (found, other)]
    return np.where((price[1] < price[0])[rows.coast], other, found)


def _one_way(rows: _Rows, constants, sense: float) -> np.ndarray:
    mu, radius, rate = constants
    r = radius + np.maximum(rows.altitude, -0.5 * radius)
    level = np.sqrt(np.clip(rows.speed**2 - rows.climb**2, 0.0, None))
    across = level + np.where(rows.over, sense * rate * r, 0.0)
    floor = np.hypot(rows.speed_sigma, rows.climb_sigma)
    slope = np.hypot(rows.speed * rows.speed_sigma, rows.climb * rows.climb_sigma) / np.maximum(level, floor)
    energy = (across**2 + rows.climb**2) / 2 - mu / r
    energy_sigma = np.sqrt((across * slope) ** 2 + (rows.climb * rows.climb_sigma) ** 2 + (mu / r**2 * rows.altitude_sigma) ** 2)
    momentum = r * across
    momentum_sigma = np.hypot(r * slope, across * rows.altitude_sigma)
    parts = []
    for values, sigma in ((energy, energy_sigma), (momentum, momentum_sigma)):
        middle = np.array([np.median(values[rows.coast == number]) for number in range(rows.coast.max() + 1)])
        parts.append((values - middle[rows.coast]) / np.maximum(sigma, 1e-9))
    return np.stack(parts)


def _slow(misfits: np.ndarray) -> np.ndarray:
    """Grows ever more slowly with a row's misfit: a gross error counts for little, but far from the truth the way to it still shows."""
    return _SPREAD**2 * np.log1p((misfits / _SPREAD) ** 2)


def _cost(rows: _Rows, constants) -> float:
    return float(_slow(_misfits(rows, constants)).sum())


def _best(rows: _Rows, given: np.ndarray, asked: list[str]) -> tuple[np.ndarray, float]:
    """The constants of the least cost, and that cost."""
    from scipy.optimize import least_squares

    free = [("gm", "radius", "rotation").index(name) for name in asked]
    beat = given[2] if given[2] else 0.1 * math.sqrt(given[0] / given[1] ** 3)
    starts = []
    for factors in itertools.product(*(_FACTORS if k < 2 else (0.0, 0.3, 1.0, 3.0) for k in free)):
        start = given.copy()
        for k, factor in zip(free, factors):
            start[k] = beat * factor if k == 2 else given[k] * factor
        starts.append(start)
    starts.sort(key=lambda start: _cost(rows, start))

    def constants(x):
        found = given.copy()
        for k, part in zip(free, x):
            found[k] = part * beat if k == 2 else given[k] * math.exp(part)
        return found

    best, least = given, math.inf
    for start in starts[:12]:
        x0 = [start[k] / beat if k == 2 else math.log(start[k] / given[k]) for k in free]
        bounds = [-20.0 if k == 2 else -2.5 for k in free], [20.0 if k == 2 else 2.5 for k in free]
        found = least_squares(lambda x: np.sqrt(_slow(_misfits(rows, constants(x)))).ravel(), x0, max_nfev=60, bounds=bounds)
        cost = _cost(rows, constants(found.x))
        if cost < least:
            best, least = constants(found.x), cost
    return best, least


__all__ = ["with_first_constants"]
