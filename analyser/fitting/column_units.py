"""A whole column written in another unit than its header says: found where its readings lead from one to the next in that unit only.

Energy and angular momentum do not change from row to row while nothing burns. Where they do nearly everywhere as written, and nearly nowhere with a column in another
unit, that unit was meant.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyser.fitting.bodies import reference_bodies, typed_bodies
from analyser.fitting.panel_rows import energies, momenta
from analyser.fitting.slips import units_of
from analyser.flight import Plan, World

_AGREE = 5.0  # standard deviations within which two values are one
_FEW = 6  # pairs of rows that must tell
_BROKEN, _WHOLE = 0.3, 0.5  # shares of pairs that agree as written (at the most) and as meant (at the least; slips break up to two pairs each)
_TOGETHER = (("altitude",), ("speed",), ("speed", "vertical_speed"))


def mend_units(table: pd.DataFrame, world: World, plan: Plan | None = None, detail: pd.DataFrame | None = None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The table with columns in the units that were meant, and remarks.

    Parameters
    ----------
    table : DataFrame (n rows)
        Readings.table.
    world : World
    plan : Plan, optional
        Where no body is typed, its start is where the flight begins.
    detail : DataFrame, optional
        Readings.detail: cells that name a unit of their own are left as they are.

    Returns
    -------
    table : DataFrame (n rows)
        The very one that was handed in where nothing asks for another unit.
    remarks : tuple of str
    """
    if any(name not in table for name in ("altitude", "speed")):
        return table, ()
    body = typed_bodies(table)  # as typed: what mends them looks at the altitudes
    body = reference_bodies(table, world, plan)[0] if body is None else body
    first = _pairs(table, body)
    if len(first) < _FEW:
        return table, ()
    mu, datum = (np.array([pick(world[name]) for name in body]) for pick in (lambda b: b.mu, lambda b: b.radius))
    as_written = _share(table, first, mu, datum, {})
    if not as_written <= _BROKEN:
        return table, ()
    own = {name: _own_unit(table, detail, name) for name in ("altitude", "speed", "vertical_speed")}

    def by(columns: tuple[str, ...], factor: float) -> dict[str, np.ndarray]:
        return {name: np.where(own[name], 1.0, factor) for name in columns}

    tried = []
    for columns in _TOGETHER:
        if all(name in table for name in columns):
            for (written, meant), factor in _factors(columns[0]).items():
                tried.append((_share(table, first, mu, datum, by(columns, factor)), columns, factor, written, meant))
    share, columns, factor, written, meant = max(tried, key=lambda item: item[0])
    if share < _WHOLE:
        return table, ()
    if "speed" in columns and "vertical_speed" in table:
        both = _climbs_as(table, first, factor)
        columns = ("speed", "vertical_speed") if both else ("speed",)
    mended = table.assign(**{name + end: table[name + end] * scale for name, scale in by(columns, factor).items() for end in ("", "_sigma")})
    named = " and ".join(name.replace("_", " ") for name in columns)
    return mended, (
        f"{named}: the readings lead from one to the next as {meant} though they are written as {written} ({share:.0%} of the pairs of lines agree, as written "
        f"{as_written:.0%}); taken as {meant}. check the unit in the table's header",
    )


def _own_unit(table: pd.DataFrame, detail: pd.DataFrame | None, column: str) -> np.ndarray:
    """Which rows' cells name a unit of their own."""
    if detail is None or not len(detail):
        return np.zeros(len(table), dtype=bool)
    cells = detail[(detail["column"] == column) & detail["raw"].astype(str).str.contains(r"[^\W\d_eE]")]
    return pd.MultiIndex.from_frame(table[["source", "row"]]).isin(pd.MultiIndex.from_frame(cells[["source", "row"]]))


def _factors(column: str) -> dict[tuple[str, str], float]:
    """What turns a value as written into the one that was meant, by the units (written, meant); one pair for each factor."""
    units = units_of(column)
    found: dict[float, tuple[str, str]] = {}
    for written, size in units.items():
        for meant, other in units.items():
            if size != other:
                found.setdefault(round(other / size, 9), (written, meant))
    return {pair: factor for factor, pair in found.items()}


def _pairs(table: pd.DataFrame, body: np.ndarray) -> np.ndarray:
    """First rows of pairs of rows between which nothing burnt and something moved."""
    altitude, speed = table["altitude"].to_numpy(float), table["speed"].to_numpy(float)
    nothing = np.full(len(table), np.nan)
    throttle, fuel = (table[name].to_numpy(float) if name in table else nothing for name in ("throttle", "propellant"))
    shut = ~(throttle > 0.005)
    read = np.isfinite(altitude) & np.isfinite(speed) & shut
    rows = np.flatnonzero(read[:-1] & read[1:] & (body[:-1] == body[1:]))
    kept = ~(np.abs(fuel[rows + 1] - fuel[rows]) > 0) & ((altitude[rows + 1] != altitude[rows]) | (speed[rows + 1] != speed[rows]))
    return rows[kept]


def _climbs_as(table: pd.DataFrame, first: np.ndarray, factor: float) -> bool:
    """Whether the altitudes rise as the vertical speeds times a factor say, rather than as they say themselves."""
    met, height, climb = (table[name].to_numpy(float) for name in ("met", "altitude", "vertical_speed"))
    mean = (climb[first] + climb[first + 1]) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = (height[first + 1] - height[first]) / (mean * (met[first + 1] - met[first]))
        steady = (climb[first] * climb[first + 1] > 0) & (ratio > 0) & np.isfinite(ratio)
    if not steady.any():
        return True
    size = np.median(np.log(ratio[steady]))
    return bool(abs(size - np.log(factor)) < abs(size))


def _share(table: pd.DataFrame, first: np.ndarray, mu: np.ndarray, datum: np.ndarray, factors: dict[str, np.ndarray]) -> float:
    """Share of pairs that agree in energy and, where a vertical speed was read, in angular momentum."""

    def column(name: str) -> tuple[np.ndarray, np.ndarray]:
        if name not in table:
            return np.full(len(table), np.nan), np.full(len(table), np.nan)
        return tuple(table[key].to_numpy(float) * factors.get(name, 1.0) for key in (name, f"{name}_sigma"))

    (height, height_sigma), (speed, speed_sigma), (climb, climb_sigma) = map(column, ("altitude", "speed", "vertical_speed"))
    radius = datum + height
    with np.errstate(invalid="ignore"):
        told = energies(mu, radius, height_sigma, speed, speed_sigma), momenta(radius, height_sigma, speed, speed_sigma, climb, climb_sigma)
        off = [np.abs(value[first + 1] - value[first]) / np.hypot(sigma[first + 1], sigma[first]) for value, sigma in told]
        possible = (radius[first] > 0) & ~(climb[first] ** 2 > speed[first] ** 2 * 1.01)
        return float(np.mean((off[0] < _AGREE) & ~(off[1] > _AGREE) & possible))
