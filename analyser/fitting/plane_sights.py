"""Latitude, longitude and the heading of the motion as readings of a coast, beside those that show its shape.

Axes: centred on the body, not rotating, z along its spin, x through the prime meridian at MET 0 (a world file has no other origin of longitudes). A
coast's own axes at its epoch are radial (up), transverse (forward) and normal (along the angular momentum); the rotation R takes them
to the body's. Turned by a small angle d about the body's axes, a point with the directions up, east and north there moves by

    d latitude = - d . east,    d longitude = d . north / cos latitude,    d heading = - d . up + sin latitude d longitude

and moving along the orbit is turning about its normal.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyser.fitting.conic import propagate_with_angle
from analyser.fitting.linear import Linear
from analyser.fitting.observations import CHANNELS, Observations

if TYPE_CHECKING:
    import pandas as pd

#: The channels that show where the orbit lies, after those of the shape.
PLACES: tuple[str, ...] = ("latitude", "longitude", "heading")
ALL: tuple[str, ...] = (*CHANNELS, *PLACES)
SHAPES = len(CHANNELS)
LATITUDE, LONGITUDE, HEADING = range(SHAPES, SHAPES + 3)
_TURN = 2.0 * np.pi
_POLE = 1e-9  # cosine of the latitude below which east has no direction


def exponential(vector: np.ndarray) -> np.ndarray:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3), rad (Rodrigues)."""
    vector = np.asarray(vector, dtype=float)
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack([np.stack([zero, -z, y], -1), np.stack([z, zero, -x], -1), np.stack([-y, x, zero], -1)], -2)
    small = angle < 1e-8
    safe = np.where(small, 1.0, angle)
    first = np.where(small, 1.0, np.sin(safe) / safe)
    second = np.where(small, 0.5, (1.0 - np.cos(safe)) / safe**2)
    return np.eye(3) + first * cross + second * (cross @ cross)


def wrapped(angle):
    """Angles brought to -pi .. pi, rad."""
    return (np.asarray(angle) + np.pi) % _TURN - np.pi


@dataclass(frozen=True)
class Sky:
    """Where a craft is over the body and which way it moves: arrays (...), rad. ``rates`` (..., 3) are those of latitude, longitude and heading with the
    angle along the orbit; ``turns`` (..., 3, 3) how the three change with a rotation vector about the body's axes."""

    latitude: np.ndarray
    longitude: np.ndarray  # from the x axis, not turning with the body
    heading: np.ndarray
    rates: np.ndarray
    turns: np.ndarray


def sky(rotation: np.ndarray, angle: np.ndarray) -> Sky:
    """What is seen at angles (n,) along the orbit after the epoch, for ``rotation`` (3, 3) or many of them (k, 1, 3, 3)."""
    cos, sin, zero = np.cos(angle), np.sin(angle), np.zeros_like(angle)
    up = (rotation @ np.stack([cos, sin, zero], -1)[..., None])[..., 0]
    ahead = (rotation @ np.stack([-sin, cos, zero], -1)[..., None])[..., 0]
    level = np.maximum(np.hypot(up[..., 0], up[..., 1]), _POLE)
    east = np.stack([-up[..., 1], up[..., 0], np.zeros_like(level)], -1) / level[..., None]
    # up x east
    north = np.stack([-up[..., 2] * east[..., 1], up[..., 2] * east[..., 0], level], -1)
    latitude = np.arctan2(up[..., 2], level)
    heading = np.arctan2(np.einsum("...i,...i->...", ahead, east), np.einsum("...i,...i->...", ahead, north)) % _TURN
    to_longitude = north / level[..., None]
    turns = np.stack([-east, to_longitude, -up + up[..., 2, None] * to_longitude], -2)
    normal = rotation[..., :, 2]
    return Sky(latitude, np.arctan2(up[..., 1], up[..., 0]), heading, (turns @ normal[..., None])[..., 0], turns)


def motion_heading(table: "pd.DataFrame") -> tuple[np.ndarray, np.ndarray]:
    """Heading of the motion where a row shows it, and its sigma; shapes (n,), nan elsewhere.

    The heading gauge shows the craft's nose. Only a row whose event or note says that it points along the motion ("prograde") or
    against it ("retrograde") tells of the motion's own heading; one that says "surface" tells of that over the ground, which is another.
    """
    nothing = np.full(len(table), np.nan)
    if "heading" not in table.columns:
        return nothing, nothing
    said = [" ".join(str(table[name].iloc[row] or "").casefold() for name in ("event", "note") if name in table.columns) for row in range(len(table))]
    back = np.array(["retrograde" in text for text in said], dtype=bool)
    along = np.array(["prograde" in text for text in said], dtype=bool)
    ground = np.array(["surface" in text or "ground" in text for text in said], dtype=bool)
    told = (along ^ back) & ~ground
    value = np.where(told, (table["heading"].to_numpy(float) + np.where(back, np.pi, 0.0)) % _TURN, np.nan)
    sigma = table["heading_sigma"].to_numpy(float) if "heading_sigma" in table.columns else nothing
    return value, np.where(np.isfinite(value), sigma, np.nan)


def with_places(seen: Observations, table: "pd.DataFrame", rows: tuple[int, ...]) -> Observations:
    """The observations of a coast with three more channels (PLACES), arrays (m, 9), and with those rows that show nothing else.

    A value whose sigma is missing counts as good to a tenth of a degree: a guess, as for the other gauges. Rows whose clock was not believed are
    left out of the three: where they were taken is not known.
    """
    known = {int(position) for position in seen.positions}
    clock = table["met"].to_numpy(float)
    more = np.array([row for row in rows if row not in known and np.isfinite(clock[row])], dtype=int)
    positions = np.concatenate([seen.positions, more]).astype(int)
    heading, heading_sigma = motion_heading(table)

    def column(name: str) -> np.ndarray:
        return table[name].to_numpy(dtype=float, na_value=np.nan)[positions] if name in table.columns else np.full(len(positions), np.nan)

    values = np.stack([column("latitude"), column("longitude"), heading[positions]], axis=1)
    sigmas = np.stack([column("latitude_sigma"), column("longitude_sigma"), heading_sigma[positions]], axis=1)
    met_sigma = np.concatenate([seen.met_sigma, np.nan_to_num(column("met_sigma")[len(seen) :])])
    values[np.isinf(met_sigma)] = np.nan
    unsure = np.isfinite(values) & ~((sigmas > 0) & np.isfinite(sigmas))
    sigmas = np.where(unsure, np.radians(0.1), np.where(np.isfinite(values), sigmas, np.nan))
    empty = np.full((len(more), SHAPES), np.nan)
    return dataclasses.replace(
        seen, positions=positions, met=np.concatenate([seen.met, clock[more]]), met_sigma=met_sigma,
        values=np.hstack([np.vstack([seen.values, empty]), values]), sigmas=np.hstack([np.vstack([seen.sigmas, empty]), sigmas]),
        over_surface=np.concatenate([seen.over_surface, np.zeros(len(more), dtype=bool)]),
    )  # fmt: skip


def swept(mu: float, state: np.ndarray, after: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Angle along the orbit after times (n,), its derivative with the state (n, 3), and its rate (n,)."""
    speed = float(np.hypot(state[1], state[2]))
    step = 1e-6 * np.array([state[0], speed, speed])
    moved = np.concatenate([[np.zeros(3)], np.diag(step), -np.diag(step)]) + state
    radius, _, across, angle = propagate_with_angle(mu, *moved.T[:, :, None], np.asarray(after, dtype=float)[None, :])
    return angle[0], ((angle[1:4] - angle[4:]) / (2 * step[:, None])).T, across[0] / radius[0]


def model(seen: Observations, shape: Linear, epoch: float, state: np.ndarray, rotation: np.ndarray, turn: float) -> Linear:
    """The model of all channels, (m, 9) with respect to state and rotation vector (m, 9, 6).

    Parameters
    ----------
    shape : Linear
        That of the first channels, straightened about ``state``; for the first rows of ``seen``.
    turn : float
        The body's rotation rate, rad/s: a longitude read is that less the angle turned since MET 0.

    Notes
    -----
    Longitude and heading are given within half a turn of their readings, so that the difference is the true miss.
    """
    count, first = len(seen), len(shape.values)
    values, rates = np.zeros((count, len(ALL))), np.zeros((count, len(ALL)))
    jacobian = np.zeros((count, len(ALL), 6))
    values[:first, :SHAPES], rates[:first, :SHAPES] = np.nan_to_num(shape.values), np.nan_to_num(shape.rates)
    jacobian[:first, :SHAPES, :3] = np.nan_to_num(shape.jacobian)
    angle, to_state, speed = swept(seen.body.mu, state, seen.met - epoch)
    view = sky(rotation, angle)
    placed = np.stack([view.latitude, view.longitude - turn * seen.met, view.heading], axis=1)
    for channel in (1, 2):
        read = np.where(np.isfinite(seen.values[:, SHAPES + channel]), seen.values[:, SHAPES + channel], 0.0)
        placed[:, channel] = read + wrapped(placed[:, channel] - read)
    values[:, SHAPES:] = placed
    jacobian[:, SHAPES:, :3] = view.rates[:, :, None] * to_state[:, None, :]
    jacobian[:, SHAPES:, 3:] = view.turns
    rates[:, SHAPES:] = view.rates * speed[:, None]
    rates[:, LONGITUDE] -= turn
    return Linear(values, jacobian, rates, np.zeros(count))
