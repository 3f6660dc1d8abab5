"""Speeds over the rotating surface turned into inertial ones, where latitude and longitude show which way the craft flies.

With the level speed ``g`` over the ground, the ground's own speed ``w r`` at the equator and the cosine ``c`` of the inclination, the level speed in axes that do not turn is

    v = w r c + sqrt(g^2 - (w r)^2 (cos^2 latitude - c^2))

Without places such a speed is taken as flown along the equator (:mod:`analyser.fitting.observations`), which is wrong for a tilted orbit. The plane here
comes from the places alone, between one burn and the next; it need not be known as well as the fit of the coast finds it afterwards.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analyser.flight import World

if TYPE_CHECKING:
    import pandas as pd

_PAIRS = 80
_NEAR = np.radians(1.0)
_SLOW = 0.1  # circular speeds
_APART = 0.05  # sine of the angle between two places that span a plane


def inertial_speeds(table: "pd.DataFrame", world: World, body: np.ndarray) -> tuple["pd.DataFrame", np.ndarray]:
    """A table whose speeds over the surface have become inertial speeds where the places allow it, and which rows these are, (n,).

    Parameters
    ----------
    table : DataFrame (n rows)
        Readings.table; it is not changed.
    world : World
    body : array (n,) of str
        Reference body of each row.
    """
    none = np.zeros(len(table), dtype=bool)
    if not {"surface_speed", "latitude", "longitude", "altitude", "vertical_speed"} <= set(table.columns):
        return table, none
    value = {name: table[name].to_numpy(float) if name in table.columns else np.full(len(table), np.nan) for name in _USED}
    wanted = np.isfinite(value["surface_speed"] + value["altitude"] + value["vertical_speed"] + value["latitude"]) & ~np.isfinite(value["speed"])
    if not wanted.any():
        return table, none
    turn, datum, mu = (np.array([pick(world[name]) for name in body], dtype=float) for pick in (lambda b: b.rotation_rate, lambda b: b.radius, lambda b: b.mu))
    cosine, doubt = _tilts(value, turn, datum + value["altitude"], mu, body)
    radius, up = datum + value["altitude"], value["vertical_speed"]
    with np.errstate(invalid="ignore", divide="ignore"):
        ground = turn * radius
        level = np.cos(value["latitude"])
        square = value["surface_speed"] ** 2 - up**2 - ground**2 * (level**2 - cosine**2)
        root = np.sqrt(np.maximum(square, 0.0))
        across = ground * cosine + root
        speed = np.hypot(up, across)
        part = across / speed
        sigma = np.sqrt(
            (part * value["surface_speed"] / root * value["surface_speed_sigma"]) ** 2
            + (part * ground * (1 + ground * cosine / root) * doubt) ** 2
            + (part * ground**2 * level * np.sin(value["latitude"]) / root * value["latitude_sigma"]) ** 2
        )
    flying = value["surface_speed"] > _SLOW * np.sqrt(mu / radius)  # what lets itself down, or stands, is told by its speed over the ground
    done = wanted & flying & (turn != 0) & np.isfinite(speed + sigma) & (square > 0)
    if not done.any():
        return table, none
    found = table.copy()
    found["speed"], found["speed_sigma"] = np.where(done, speed, value["speed"]), np.where(done, sigma, value["speed_sigma"])
    found["surface_speed"] = np.where(done, np.nan, value["surface_speed"])
    return found, done


_USED = (
    "met", "speed", "speed_sigma", "surface_speed", "surface_speed_sigma", "altitude", "vertical_speed", "latitude", "latitude_sigma", "longitude",
    "throttle", "propellant", "propellant_sigma",
)  # fmt: skip


def _tilts(value, turn, radius, mu, body) -> tuple[np.ndarray, np.ndarray]:
    """Cosine of the inclination at each row, and its standard deviation times the root of the rows that share it."""
    count = len(turn)
    cosine, doubt = np.full(count, np.nan), np.full(count, np.nan)
    longitude = value["longitude"] + turn * value["met"]
    places = np.stack([np.cos(value["latitude"]) * np.cos(longitude), np.cos(value["latitude"]) * np.sin(longitude), np.sin(value["latitude"])], axis=1)
    half = 0.4 * 2 * np.pi * np.sqrt(np.maximum(radius, 1.0) ** 3 / mu)
    for rows in _stretches(value, body):
        rows = rows[np.isfinite(places[rows]).all(axis=1)]
        found = _normal(places[rows], value["met"][rows], half[rows], value["latitude_sigma"][rows])
        if found is not None:
            cosine[rows], doubt[rows] = found
    # rows under thrust, and lone ones, as the nearest stretch about the same body
    for name in set(body):
        own = np.flatnonzero(body == name)
        known = own[np.isfinite(cosine[own])]
        if len(known):
            missing = own[~np.isfinite(cosine[own])]
            cosine[missing], doubt[missing] = (np.interp(missing, known, series[known]) for series in (cosine, doubt))
    return cosine, doubt


def _stretches(value, body) -> list[np.ndarray]:
    """Rows between which neither throttle nor propellant speaks of a burn."""
    found, current, tank = [], [], np.nan
    for row in range(len(body)):
        left = value["propellant"][row]
        spread = 3.5 * np.nan_to_num(value["propellant_sigma"][row])
        burning = value["throttle"][row] > 0.005
        if current and (burning or body[row] != body[current[-1]] or abs(left - tank) > 2 * spread):
            found.append(np.array(current))
            current = []
        tank = left if np.isfinite(left) else tank
        if not burning:
            current.append(row)
    return [*found, np.array(current)] if current else found


def _normal(places: np.ndarray, met: np.ndarray, half: np.ndarray, sigma: np.ndarray) -> tuple[float, float] | None:
    """Cosine of the inclination of the plane of most places, and its doubt; None where they span none."""
    if len(places) < 2:
        return None
    ones, others = np.triu_indices(len(places), 1)
    if len(ones) > _PAIRS:
        pick = np.random.default_rng(len(places)).permutation(len(ones))[:_PAIRS]
        ones, others = ones[pick], others[pick]
    normals = np.cross(places[ones], places[others])
    size = np.linalg.norm(normals, axis=1)
    normals = normals[size > _APART] / size[size > _APART, None]
    if not len(normals):
        return None
    off = np.abs(places @ normals.T)
    best = normals[int(np.argmin(np.minimum(off, _NEAR).sum(axis=0)))]
    good = np.abs(places @ best) < _NEAR + 4 * np.nan_to_num(sigma)
    if good.sum() < 2:
        return None
    _, widths, axes = np.linalg.svd(places[good])
    if len(widths) < 2 or widths[1] < _APART:
        return None
    normal, kept, when = axes[2], places[good], met[good]
    near = np.diff(when) < half[good][1:]
    sense = np.sign(np.sum((np.cross(kept[:-1], kept[1:]) @ normal)[near])) if near.any() else 1.0
    tilt = float(normal[2] * (sense or 1.0))
    step = float(np.nanmean(sigma)) if np.isfinite(sigma).any() else np.radians(0.1)
    return tilt, float(np.sqrt(max(1 - tilt**2, step**2)) * step / widths[1] * np.sqrt(good.sum()))


__all__ = ["inertial_speeds"]
