"""The readings of a flight as arrays, row by row, with what can be said of each row alone.

One row's altitude, speed and vertical speed give the orbit's energy and angular momentum without any clock;
both stay constant in a coast. That is what arcs are first found by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyser.flight import QUANTITIES, Body, World

#: Below this speed over the ground a craft low down is taken to stand, m/s.
STANDING_SPEED = 1.5
_TOUCHING, _LEVEL = 0.3, 0.05  # m by radar and m/s of climb within which it touches the ground, whatever the speed says
_FINE = 30.0  # m; an altimeter coarser than that does not tell a height from the ground's


@dataclass(frozen=True)
class PanelRows:
    """Readings as arrays (n,), SI; nan where a gauge was not read.

    ``value[name]`` and ``sigma[name]`` for every quantity of the domain; ``energy`` (J/kg) and ``momentum`` (m^2/s) with
    sigmas are the invariants of the orbit about the row's body, nan where the row does not give them. ``standing`` marks rows on the ground, ``in_air`` rows below the top of
    the air.
    """

    met: np.ndarray
    met_sigma: np.ndarray
    body: np.ndarray
    event: np.ndarray
    value: dict[str, np.ndarray]
    sigma: dict[str, np.ndarray]
    radius: np.ndarray
    speed: np.ndarray
    vertical: np.ndarray
    energy: np.ndarray
    energy_sigma: np.ndarray
    momentum: np.ndarray
    momentum_sigma: np.ndarray
    standing: np.ndarray
    in_air: np.ndarray

    def __len__(self) -> int:
        return len(self.met)

    def says(self, row: int, *words: str) -> bool:
        """Whether the event of a row is one of ``words``."""
        text = str(self.event[row] or "").lower()
        return any(word in text for word in words)

    def values_in(self, row: int) -> int:
        """How many of the motion gauges were read in a row."""
        return sum(bool(np.isfinite(self.value[name][row])) for name in MOTION)


#: Gauges that show a size: a sign before it is a slip.
NEVER_NEGATIVE = ("speed", "surface_speed", "horizontal_speed")
#: Gauges that tell of the motion (the others tell of the craft or its attitude).
MOTION = ("altitude", "speed", "surface_speed", "vertical_speed", "horizontal_speed", "flight_path_angle")


def panel_rows(table: pd.DataFrame, world: World, body: np.ndarray) -> PanelRows:
    """Arrays from a readings table.

    Parameters
    ----------
    table : DataFrame (n rows)
        Readings.table.
    world : World
    body : array (n,) of str
        Reference body of each row (see :func:`analyser.fitting.bodies.reference_bodies`).
    """
    count = len(table)
    nothing = np.full(count, np.nan)

    def column(name: str) -> np.ndarray:
        return table[name].to_numpy(float) if name in table else nothing

    # copies: what turns out to be a slip is taken out of them later
    value = {name: column(name).copy() for name in QUANTITIES}
    sigma = {name: column(f"{name}_sigma") for name in QUANTITIES}
    for name in NEVER_NEGATIVE:
        value[name] = np.where(value[name] < 0, np.nan, value[name])
    constants = {name: (one.mu, one.radius, one.rotation_rate, one.air_top) for name in set(body.tolist()) for one in (world[name],)}
    mu, datum, spin, air = np.array([constants[name] for name in body.tolist()], dtype=float).reshape(count, 4).T
    value["altitude"] = np.where(underground(value["altitude"], datum), np.nan, value["altitude"])
    radius, radius_sigma = datum + value["altitude"], sigma["altitude"]
    vertical, vertical_sigma = _vertical(value, sigma)
    speed, speed_sigma = _inertial_speed(value, sigma, vertical, radius * spin)
    standing = _stays(_standing(value, table, radius * spin, speed), value, sigma)
    energy, energy_sigma = energies(mu, radius, radius_sigma, speed, speed_sigma)
    momentum, momentum_sigma = momenta(radius, radius_sigma, speed, speed_sigma, vertical, vertical_sigma)
    event = table["event"].to_numpy(object) if "event" in table else np.full(count, "", dtype=object)
    return PanelRows(
        met=table["met"].to_numpy(float), met_sigma=np.nan_to_num(column("met_sigma"), nan=0.0), body=body, event=event,
        value=value, sigma=sigma, radius=radius, speed=speed, vertical=vertical,
        energy=energy, energy_sigma=energy_sigma, momentum=momentum, momentum_sigma=momentum_sigma,
        standing=standing, in_air=_below(value, air) & ~standing,
    )  # fmt: skip


def energies(mu, radius, radius_sigma, speed, speed_sigma) -> tuple[np.ndarray, np.ndarray]:
    """Orbital energies and their standard deviations, J/kg, from arrays (n,) of radii (m) and inertial speeds (m/s)."""
    return speed**2 / 2 - mu / radius, np.hypot(speed * speed_sigma, mu / radius**2 * radius_sigma)


def momenta(radius, radius_sigma, speed, speed_sigma, vertical, vertical_sigma) -> tuple[np.ndarray, np.ndarray]:
    """Angular momenta and their standard deviations, m^2/s, from arrays (n,) of radii (m), inertial and vertical speeds (m/s)."""
    transverse = np.sqrt(np.clip(speed**2 - vertical**2, 0, None))
    # h = r sqrt(v^2 - w^2); near vertical flight the square root's slope is not to be trusted: the floor says so
    slope = np.maximum(transverse, np.hypot(speed_sigma, vertical_sigma))
    sigma = np.sqrt((transverse * radius_sigma) ** 2 + (radius / slope) ** 2 * ((speed * speed_sigma) ** 2 + (vertical * vertical_sigma) ** 2))
    return radius * transverse, sigma


def underground(altitude: np.ndarray, datum: np.ndarray) -> np.ndarray:
    """Which altitudes are so far below the datum radius that nothing flies there: a sign or a digit slipped."""
    return altitude < -0.02 * datum


def _below(value, air):
    """Rows below the top of the air; a row without any height is where the row before it was."""
    height = np.where(np.isfinite(value["altitude"]), value["altitude"], value["radar_altitude"])
    below = np.where(np.isfinite(height), height < air, False) & (air > 0)
    for row in np.flatnonzero(~np.isfinite(height)):
        below[row] = row > 0 and below[row - 1] and air[row] > 0
    return below


def _vertical(value, sigma):
    """Vertical speed as read, else from the flight-path angle and the speed."""
    angle, speed = value["flight_path_angle"], value["speed"]
    derived = speed * np.sin(angle)
    spread = np.hypot(np.sin(angle) * sigma["speed"], speed * np.cos(angle) * sigma["flight_path_angle"])
    read = np.isfinite(value["vertical_speed"])
    return np.where(read, value["vertical_speed"], derived), np.where(read, sigma["vertical_speed"], spread)


def _inertial_speed(value, sigma, vertical, ground):
    """Speed in inertial axes: as read, else from the speed over the ground (flying east, in the plane of the equator),
    else from the two components."""
    over_ground, along = value["surface_speed"], value["horizontal_speed"]
    level = np.sqrt(np.clip(over_ground**2 - vertical**2, 0, None))
    from_ground = np.hypot(vertical, ground + level)
    from_parts = np.hypot(vertical, along)
    speed = np.where(np.isfinite(value["speed"]), value["speed"], np.where(np.isfinite(from_ground), from_ground, from_parts))
    spread = np.where(
        np.isfinite(value["speed"]), sigma["speed"],
        np.where(np.isfinite(from_ground), sigma["surface_speed"], np.hypot(sigma["horizontal_speed"], sigma["vertical_speed"])),
    )  # fmt: skip
    return speed, spread


def _standing(value, table, ground, speed):
    """Rows on the ground: still over the ground, not climbing, not high; or between a touchdown and a lift-off by the events."""
    count = len(ground)
    level = np.abs(np.nan_to_num(value["vertical_speed"], nan=0.0)) < 0.5
    over_ground = value["surface_speed"]
    still = np.where(np.isfinite(over_ground), over_ground < STANDING_SPEED, np.abs(speed - np.abs(ground)) < STANDING_SPEED)
    # a panel that shows speed over the ground under "speed" reads 0 on the ground
    still |= np.isfinite(value["speed"]) & (value["speed"] < STANDING_SPEED)
    low = np.nan_to_num(value["radar_altitude"], nan=0.0) < 100.0
    idle = ~(np.nan_to_num(value["throttle"], nan=0.0) > 0.02)
    standing = still & level & low & (np.isfinite(speed) | np.isfinite(over_ground)) & idle
    # on the ground by radar and not climbing: a speed that says otherwise is a slip
    standing |= (value["radar_altitude"] < _TOUCHING) & (np.abs(value["vertical_speed"]) < _LEVEL) & idle
    events = table["event"].to_numpy(object) if "event" in table else [""] * count
    texts = [str(text or "").lower() for text in events]
    if not standing.any() and not any(texts):
        return standing
    moving = (np.abs(np.nan_to_num(value["vertical_speed"])) > 1.0).tolist()
    unread = (~np.isfinite(speed) & ~(over_ground >= STANDING_SPEED)).tolist()
    landed = False
    for row, (text, still) in enumerate(zip(texts, standing.tolist())):
        if moving[row] or (text and any(word in text for word in ("liftoff", "lift-off", "ignition"))):
            landed = False
        elif landed and unread[row]:
            standing[row] = still = True
        # the row of the touchdown itself may still show the speed at contact
        landed = landed or still or (bool(text) and any(word in text for word in ("touchdown", "landed")))
    return standing


def _stays(standing: np.ndarray, value, sigma) -> np.ndarray:
    """Standing rows, with the rows beside them that have the same height, do not climb and used no propellant: a speed that says otherwise is a slip."""
    standing = standing.copy()
    idle = ~(np.nan_to_num(value["throttle"], nan=0.0) > 0.02) & (np.abs(value["vertical_speed"]) < _LEVEL)
    height, fuel = value["altitude"], value["propellant"]

    def same(row: int, other: int) -> bool:
        close = abs(height[row] - height[other]) <= 2.0 * max(sigma["altitude"][row], sigma["altitude"][other])
        return bool(close and max(sigma["altitude"][row], sigma["altitude"][other]) < _FINE and fuel[row] == fuel[other])

    for rows, step in ((range(1, len(standing)), -1), (range(len(standing) - 2, -1, -1), 1)):
        for row in rows:
            if not standing[row] and standing[row + step] and idle[row] and same(row, row + step):
                standing[row] = True
    return standing


def invariant_shift(rows: PanelRows, first: int, second: int) -> float:
    """By how many sigmas energy and angular momentum of two rows differ (the larger); nan where not read."""
    shifts = [
        abs(values[first] - values[second]) / math.hypot(sigmas[first], sigmas[second])
        for values, sigmas in ((rows.energy, rows.energy_sigma), (rows.momentum, rows.momentum_sigma))
        if math.isfinite(values[first] - values[second])
    ]
    return max(shifts, default=math.nan)


def circular_scale(body: Body, radius: float) -> float:
    """Circular speed at a radius, m/s: the natural size of speeds there."""
    return math.sqrt(body.mu / radius)
