"""Touchdowns and lift-offs: when, and how fast over the ground."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from analyser.findings import Estimate, Landing
from analyser.fitting.arcs import FittedArc
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import SAMPLES, standard_normals
from analyser.fitting.terrain import place_of, terrain_height

_TELLS = 20.0  # s: a reading that would reach the ground later than this says nothing of the contact
_WANDER = 0.006  # of gravity: how unevenly a hand on the throttle brakes (from simulated descents)
_OTHER = 0.05  # likewise, where the throttle was another in between (from simulated descents)
_NEIGHBOURS = 5  # rows before contact whose heights are held against each other
_ALIKE = 0.2  # of the throttle: so much apart is much the same
_STILL = 0.02  # m/s: slower than this along the ground is standing
_CONTACT_HEIGHT = 3.0  # m: a reading this low is a reading of the contact


def touchdown(arc: FittedArc, before: tuple[int, ...], rows: PanelRows, propellant: PropellantHistory, thrust_to_mass: float) -> Landing:
    """The landing that starts a stay on the ground.

    Parameters
    ----------
    arc : FittedArc of kind "landed".
    before : rows
        Rows of the descent before it, in order.
    thrust_to_mass : float
        The most that the craft can brake with, m/s^2; nan where unknown.

    Notes
    -----
    A row read at contact is taken as it stands. Otherwise the last row before it is carried on to the ground: the sink rate as its fall with height in the rows
    before goes on, whether evenly in time or evenly with height, and the speed along the ground as it was being killed. What the pilot did after the last
    reading shows only in that.
    """
    ground = terrain_of(arc, before[-12:], rows)
    while before and _stands(before[-1], rows, ground.value):
        before = before[:-1]
    return replace(_touchdown(arc, before, rows, propellant, thrust_to_mass, ground), terrain_height=ground, **place_of(arc.rows, rows))


def terrain_of(arc: FittedArc, near: tuple[int, ...], rows: PanelRows) -> Estimate:
    """Height of the ground of a stay on it over the datum, m: as the joint estimate has it, else by the readings there."""
    joined = (arc.estimates or {}).get("terrain_height")
    return joined if joined is not None else terrain_height(arc.rows, near, rows)


def _stands(row: int, rows: PanelRows, ground: float) -> bool:
    """Whether a row is on the ground by its height and climb with the engine off: a speed that says otherwise is a slip."""
    height, climb, room = rows.value["radar_altitude"][row], rows.vertical[row], 0.3
    if not math.isfinite(height):
        height, room = rows.value["altitude"][row] - ground, 0.3 + 2 * float(np.nan_to_num(rows.sigma["altitude"][row]))
    idle = not rows.value["throttle"][row] > 0.02
    return bool(idle and abs(height) <= room and abs(climb) <= max(0.05, 2 * float(np.nan_to_num(rows.sigma["vertical_speed"][row]))))


def _touchdown(arc: FittedArc, before: tuple[int, ...], rows: PanelRows, propellant: PropellantHistory, thrust_to_mass: float, ground: Estimate) -> Landing:
    contact = next((row for row in (*reversed(before[-3:]), *arc.rows[:2]) if rows.says(row, "touchdown", "landed")), None)
    fallen = [row for row in before if math.isfinite(rows.vertical[row])]
    left = _propellant_left(arc, propellant)
    moving = contact if contact is not None and math.isfinite(rows.vertical[contact]) and (contact not in arc.rows or not rows.standing[contact]) else None
    if moving is not None:
        vertical = _spread(_samples(rows.vertical, rows.sigma["vertical_speed"], moving, 0), "m/s", float(rows.vertical[moving]))
        along = _along([row for row in fallen if row < moving], moving, np.zeros(SAMPLES), rows, arc)
        met = Estimate.of(float(rows.met[moving]), float(rows.met_sigma[moving]), "s")
        return _landing(arc, "touchdown", met, vertical, along, left, "read at contact")
    if not fallen:
        unknown = Estimate.unknown("m/s", "no vertical speed was read on the way down")
        return _landing(arc, "touchdown", Estimate.unknown("s", "no reading just before the ground"), unknown, None, left, "")
    fallen = _agreeing(fallen, rows, ground.value)
    met, vertical, took = _fall_to_contact(fallen, contact, rows, arc, thrust_to_mass, ground.value)
    along = _along(fallen[:-1], fallen[-1], took, rows, arc) if vertical.known else Estimate.unknown("m/s", vertical.reason)
    return _landing(arc, "touchdown", met, vertical, along, left, "reckoned from the last reading before contact")


def liftoff(arc: FittedArc, after: tuple[int, ...], rows: PanelRows, propellant: PropellantHistory) -> Landing:
    """The lift-off that ends a stay on the ground: between its last row and the first row that climbs."""
    last = arc.rows[-1]
    marked = last if rows.says(last, "liftoff", "lift-off") else None
    if marked is not None:
        met = Estimate.of(rows.met[marked], rows.met_sigma[marked], "s")
    elif after:
        low, high = float(rows.met[last]), float(rows.met[after[0]])
        met = Estimate((low + high) / 2, (high - low) / math.sqrt(12), low, high, "s")
    else:
        met = Estimate.unknown("s", "no reading after it")
    found = _landing(arc, "liftoff", met, Estimate.of(0.0, 0.0, "m/s"), Estimate.of(0.0, 0.0, "m/s"), _propellant_left(arc, propellant), "")
    return replace(found, terrain_height=terrain_of(arc, after[:12], rows), **place_of(arc.rows, rows))


def _landing(arc, kind, met, vertical, along: Estimate | None, left, remark) -> Landing:
    horizontal = along or Estimate.unknown("m/s", "no speed over the ground was read near contact")
    return Landing(met, arc.body.name, kind, vertical, horizontal, left, remark)


def _samples(values: np.ndarray, sigmas: np.ndarray, row: int, stream: int) -> np.ndarray:
    """What a reading may truly have been, (SAMPLES,): anywhere within its last digit with equal chance, or normal where the sigma is not a digit's."""
    value, sigma = float(values[row]), float(np.nan_to_num(sigmas[row]))
    deviate = standard_normals(1, 700 + 8 * row + stream)[:, 0]
    step = sigma * math.sqrt(12.0)
    if step > 0 and abs(value / step - round(value / step)) < 1e-6 * max(abs(value / step), 1.0):
        return value + (ndtr(deviate) - 0.5) * step
    return value + sigma * deviate


def _heights(row: int, rows: PanelRows, ground: float) -> np.ndarray | None:
    """Height over the ground of a row as samples, m: by radar, else by altitude over the ground's own altitude; None where neither was read."""
    if math.isfinite(rows.value["radar_altitude"][row]):
        return _samples(rows.value["radar_altitude"], rows.sigma["radar_altitude"], row, 1)
    if math.isfinite(rows.value["altitude"][row]) and math.isfinite(ground):
        return _samples(rows.value["altitude"], rows.sigma["altitude"], row, 1) - ground
    return None


def _agreeing(fallen: list[int], rows: PanelRows, ground: float) -> list[int]:
    """Rows without those near the end whose height was not read, or is far from what the others and the vertical speeds between make it."""
    near = fallen[-_NEIGHBOURS:]
    seen = [_heights(row, rows, ground) for row in near]
    height = np.array([math.nan if part is None else float(np.median(part)) for part in seen])
    met, climb = rows.met[near], rows.vertical[near]
    flown = np.concatenate([[0.0], np.cumsum(np.diff(met) * (climb[1:] + climb[:-1]) / 2)])
    apart = np.abs((height[:, None] - height) - (flown[:, None] - flown))
    agree = apart <= 5.0 + 0.5 * np.abs(flown[:, None] - flown) + 0.02 * np.fmin(height[:, None], height)
    others = np.where(np.isfinite(height), agree.sum(axis=1) - 1, -1)
    needed = max(others.max() / 2, 0) if others.max() > 1 else 0  # one that vouches for another alone says little
    kept = [row for row, count in zip(near, others) if count >= needed]
    return [*fallen[:-_NEIGHBOURS], *kept] if kept else fallen


def _speed_along(row: int, rows: PanelRows, arc: FittedArc) -> np.ndarray | None:
    """Speed over the ground along it as samples, m/s; negative: slower than the ground turns (or, by the speed over the surface, less than nothing)."""
    if not math.isfinite(rows.vertical[row]):
        return None
    climb = _samples(rows.vertical, rows.sigma["vertical_speed"], row, 0)
    for name, turning in (("surface_speed", 0.0), ("speed", float(arc.state[2]))):
        if math.isfinite(rows.value[name][row]):
            square = _samples(rows.value[name], rows.sigma[name], row, 2) ** 2 - climb**2
            return np.sign(square) * np.sqrt(np.abs(square)) - turning
    return None


def _along(earlier, last: int, took: np.ndarray, rows: PanelRows, arc: FittedArc) -> Estimate | None:
    """Speed over the ground along it at contact, ``took`` seconds (samples) after a row: as it was being killed between the row before and that one."""
    at_last = _speed_along(last, rows, arc)
    if at_last is None:
        return None
    part = np.ones(SAMPLES)
    near = [row for row in earlier[-3:] if 0 < rows.met[last] - rows.met[row] < 60.0]
    at_first = _speed_along(near[-1], rows, arc) if near else None
    if at_first is not None and took.any():
        with np.errstate(divide="ignore"):
            rate = np.log(np.maximum(np.abs(at_first), 1e-9) / np.maximum(np.abs(at_last), 1e-9)) / (rows.met[last] - rows.met[near[-1]])
        part = np.exp(-np.clip(rate, 0.0, 2.0) * took)
        # an uneven hand: killed by as much more or less as was seen
        part = part ** np.exp(0.3 * standard_normals(1, 711)[:, 0])
    speed = at_last * part
    value = abs(float(np.median(speed)))
    if np.quantile(speed, 0.025) <= _STILL and np.quantile(speed, 0.975) >= -_STILL:
        return Estimate(value, float(np.std(speed)), 0.0, max(float(np.quantile(np.abs(speed), 0.95)), value), "m/s")
    return _spread(np.abs(speed), "m/s")


def _fall_to_contact(fallen: list[int], contact: int | None, rows: PanelRows, arc: FittedArc, thrust_to_mass: float, ground: float):
    """Time and vertical speed of contact from the last rows of the descent, and samples of the time from the last of them to it. ``ground``: height of the terrain, m."""
    last, gravity = fallen[-1], arc.body.surface_gravity
    # clocks that show whole seconds tell either end to half of one
    start = _samples(rows.met, rows.met_sigma, last, 3)
    latest = _samples(rows.met, rows.met_sigma, arc.rows[0], 3)
    height = _heights(last, rows, ground)
    sink = -_samples(rows.vertical, rows.sigma["vertical_speed"], last, 0)
    nothing = np.zeros(SAMPLES)
    if height is None:
        return _between(start, latest), Estimate.unknown("m/s", "no height over the ground was read just before contact"), nothing
    height, typical = np.maximum(height, 0.0), max(float(np.median(sink)), 1e-3)
    if not height.any():
        return _spread(np.minimum(start, latest), "s"), _spread(-sink, "m/s", float(rows.vertical[last])), nothing
    soonest = float(np.median(height)) / typical
    if contact is None and soonest > _TELLS and float(np.median(height)) > 10 * _CONTACT_HEIGHT:
        fastest = (np.sqrt(typical**2 + 2 * gravity * height) - typical) / gravity
        why = f"the last reading before contact was {np.median(height):.0f} m up, {soonest:.0f} s of fall at its speed: what happened in between was not read"
        return _between(np.minimum(start + fastest, latest), latest), Estimate.unknown("m/s", why), nothing
    if contact is not None:
        marked = _samples(rows.met, rows.met_sigma, contact, 3)
        took = np.maximum(marked - start, 0.3)
        mean = height / took
        # evenly: as much above the mean speed at the start as below it at the end; an uneven hand by a tenth of the difference
        speed = np.maximum(np.clip(2 * mean - sink, 0.0, None) + 0.1 * np.abs(mean - sink) * standard_normals(1, 712)[:, 0], 0.0)
        return Estimate.of(rows.met[contact], rows.met_sigma[contact], "s"), _spread(-speed, "m/s"), took
    speed = _carried_on(fallen, sink, height, ground, rows, gravity, thrust_to_mass)
    took = 2 * height / np.maximum(sink + speed, 1e-3)
    good = start + took <= latest + 0.5
    if good.sum() < SAMPLES // 20:
        reach = math.sqrt(typical**2 + 2 * gravity * float(np.median(height)))
        return _between(start, latest), Estimate(-reach / 2, reach / math.sqrt(12), -reach, 0.0, "m/s"), np.maximum(latest - start, 0.0)
    picked = np.resize(np.flatnonzero(good), SAMPLES)
    return _spread((start + took)[good], "s"), _spread(-speed[good], "m/s"), took[picked]


def _carried_on(fallen, sink, height, ground: float, rows: PanelRows, gravity: float, thrust_to_mass: float) -> np.ndarray:
    """Sink rate at the ground as samples, m/s: by that row before the last which tells it best, among those flown at the same throttle, else by the nearest."""
    last = fallen[-1]
    hand, between = standard_normals(2, 713 + last).T
    most = max((thrust_to_mass if math.isfinite(thrust_to_mass) else 6 * gravity) - gravity, 0.0)
    earlier = [row for row in reversed(fallen[:-1]) if rows.met[last] - rows.met[row] < 120.0]
    pairs = [(row, seen) for row in earlier[:4] if (seen := _heights(row, rows, ground)) is not None]
    far = [(row, seen) for row, seen in pairs if np.median(seen) > 1.5 * np.median(height) and np.median(seen - height) > 2 * np.std(seen - height)]
    if not pairs:
        square = sink**2 - 2 * np.clip(0.5 * gravity * hand, -gravity, most) * height
        return np.where(square > 0, np.sqrt(np.clip(square, 0.0, None)), ndtr(between) * 0.5 * np.maximum(sink, 0.0))
    told = [(_same_hand(row, last, rows), _carried_from(row, high, last, sink, height, (gravity, most), rows, (hand, between))) for row, high in far or pairs[:1]]
    alike = [speed for same, speed in told if same]
    return min(alike, key=np.std) if alike else told[0][1]


def _same_hand(row: int, last: int, rows: PanelRows) -> bool:
    """Whether the throttle in two rows is much the same (or was not read): a descent let down by one law."""
    first, second = rows.value["throttle"][[row, last]]
    return not abs(first - second) > _ALIKE * max(first, second, 0.01)


def _carried_from(row: int, high: np.ndarray, last: int, sink: np.ndarray, height: np.ndarray, limits, rows: PanelRows, deviates) -> np.ndarray:
    """Sink rate at the ground as samples, m/s, if it goes on changing as it did from a row at height ``high`` to the last one."""
    (gravity, most), (hand, between) = limits, deviates
    fast = -_samples(rows.vertical, rows.sigma["vertical_speed"], row, 0)
    drop = np.maximum(high - height, 0.1 * np.maximum(high, 1e-3))
    # braking evenly in time, the square of the speed falls evenly with height; held to a speed by the height, the speed itself does
    braking = np.clip((fast**2 - sink**2) / (2 * drop), -gravity, most)
    in_time = np.sqrt(np.clip(sink**2 - 2 * braking * height, 0.0, None))
    by_height = np.clip(sink - (fast - sink) / drop * height, 0.0, None)
    found = in_time + (0.6 + 0.8 * ndtr(between)) * (by_height - in_time)
    wander = (_WANDER if _same_hand(row, last, rows) else _OTHER) * gravity * height / np.maximum(sink, 0.1)
    square = np.sign(found) * found**2
    found = np.maximum(found + wander * hand, 0.0)
    # a speed that would be gone above the ground is let up again before contact: it arrives slowly
    return np.where((found <= 0.0) | (square <= 0.0), ndtr(hand) * 0.5 * sink, found)


def _between(low: np.ndarray, high: np.ndarray) -> Estimate:
    """Any time between two, as samples, with equal chance."""
    return _spread(low + (high - low) * ndtr(standard_normals(1, 714)[:, 0]), "s")


def _spread(samples: np.ndarray, unit: str, value: float | None = None) -> Estimate:
    low, high = np.quantile(samples, [0.025, 0.975])
    return Estimate(float(np.median(samples)) if value is None else value, float(np.std(samples)), float(low), float(high), unit)


def _propellant_left(arc: FittedArc, propellant: PropellantHistory) -> Estimate:
    known = propellant.known(arc.rows)
    if not known:
        return Estimate.unknown("kg", "propellant was not read on the ground")
    return Estimate.of(propellant.propellant[known[0]], propellant.sigma[known[0]], "kg")
