"""Touchdowns and lift-offs: when, and how fast over the ground."""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Estimate, Landing
from analyser.fitting.arcs import FittedArc
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import SAMPLES, normal_samples

_TELLS = 20.0  # s: a reading that would reach the ground later than this says nothing of the contact
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
    """
    contact = next((row for row in (*reversed(before[-3:]), *arc.rows[:2]) if rows.says(row, "touchdown", "landed")), None)
    fallen = [row for row in before if math.isfinite(rows.vertical[row])]
    first = arc.rows[0]
    latest = float(rows.met[first])
    ground = float(np.nanmedian(rows.value["altitude"][list(arc.rows)])) if np.isfinite(rows.value["altitude"][list(arc.rows)]).any() else math.nan
    along, along_sigma, along_remark = _horizontal(fallen, contact, rows, arc)
    left = _propellant_left(arc, propellant)
    moving = contact if contact is not None and math.isfinite(rows.vertical[contact]) and contact not in arc.rows else None
    moving = moving if moving is not None or contact is None or rows.standing[contact] else contact
    if moving is not None and math.isfinite(rows.vertical[moving]):
        met, sigma = float(rows.met[moving]), float(rows.met_sigma[moving])
        vertical = Estimate.of(rows.vertical[moving], rows.sigma["vertical_speed"][moving], "m/s")
        return _landing(arc, "touchdown", Estimate.of(met, sigma, "s"), vertical, (along, along_sigma), left, "read at contact" + along_remark)
    if not fallen:
        unknown = Estimate.unknown("m/s", "no vertical speed was read on the way down")
        return _landing(arc, "touchdown", Estimate.unknown("s", "no reading just before the ground"), unknown, (along, along_sigma), left, along_remark)
    last = fallen[-1]
    height, height_sigma = _height(last, rows, ground)
    met, vertical = _fall_to_contact(last, height, height_sigma, latest, contact, rows, arc, thrust_to_mass)
    return _landing(arc, "touchdown", met, vertical, (along, along_sigma), left, "reckoned from the last reading before contact" + along_remark)


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
    return _landing(arc, "liftoff", met, Estimate.of(0.0, 0.0, "m/s"), (0.0, 0.0), _propellant_left(arc, propellant), "")


def _landing(arc, kind, met, vertical, along, left, remark) -> Landing:
    level, sigma = along
    horizontal = Estimate.of(level, sigma, "m/s") if math.isfinite(level) else Estimate.unknown("m/s", "no speed over the ground was read near contact")
    return Landing(met, arc.body.name, kind, vertical, horizontal, left, remark)


def _height(row: int, rows: PanelRows, ground: float) -> tuple[float, float]:
    """Height over the ground of a row, m: by radar, else by altitude over the ground's own altitude."""
    radar = rows.value["radar_altitude"][row]
    if math.isfinite(radar):
        return float(radar), float(rows.sigma["radar_altitude"][row])
    altitude = rows.value["altitude"][row]
    if math.isfinite(altitude) and math.isfinite(ground):
        return float(altitude - ground), float(rows.sigma["altitude"][row]) * math.sqrt(2)
    return math.nan, math.nan


def _horizontal(fallen, contact, rows: PanelRows, arc: FittedArc) -> tuple[float, float, str]:
    """Speed over the ground along it at contact, from the contact row or the last row of the descent."""
    for row in ([contact] if contact is not None else []) + list(reversed(fallen[-2:])):
        if rows.standing[row] and row != contact:
            continue
        value = rows.value
        over, climb = value["surface_speed"][row], rows.vertical[row]
        if math.isfinite(over) and math.isfinite(climb):
            level = math.sqrt(max(over**2 - climb**2, 0.0))
            spread = rows.sigma["surface_speed"][row]
            slope = max(level, spread)
            sigma = min(abs(over / slope) * spread, math.sqrt(2 * abs(over) * spread + spread**2))
            return level, float(sigma), ""
        if math.isfinite(rows.speed[row]) and math.isfinite(climb):
            level = math.sqrt(max(rows.speed[row] ** 2 - climb**2, 0.0))
            return abs(level - arc.state[2]), float(rows.sigma["speed"][row]), ""
    return math.nan, math.nan, ""


def _fall_to_contact(last: int, height: float, height_sigma: float, latest: float, contact, rows: PanelRows, arc: FittedArc, thrust_to_mass: float):
    """Contact from the last reading: every braking between none and the craft's most that meets the ground in time counts alike."""
    start, start_sigma = float(rows.met[last]), float(rows.met_sigma[last])
    fall = normal_samples(float(rows.vertical[last]), float(np.nan_to_num(rows.sigma["vertical_speed"][last])), 700 + last)
    if not math.isfinite(height):
        low, high = start, latest
        met = Estimate((low + high) / 2, (high - low) / math.sqrt(12), low, high, "s")
        return met, Estimate.unknown("m/s", "no height over the ground was read just before contact")
    drop = np.maximum(normal_samples(height, float(np.nan_to_num(height_sigma)), 701 + last), 0.0)
    if height <= _CONTACT_HEIGHT and (height <= 0 or abs(float(rows.vertical[last])) < 1e-9):
        return Estimate.of(start, start_sigma, "s"), Estimate.of(rows.vertical[last], rows.sigma["vertical_speed"][last], "m/s")
    if contact is not None:
        return _fall_to_mark(start, start_sigma, drop, fall, contact, rows)
    soonest = height / max(abs(float(rows.vertical[last])), 1e-3)
    if soonest > _TELLS and soonest * abs(float(rows.vertical[last])) > 10 * _CONTACT_HEIGHT:
        gravity = arc.body.surface_gravity
        fastest = (math.sqrt(float(rows.vertical[last]) ** 2 + 2 * gravity * height) - abs(float(rows.vertical[last]))) / gravity
        low = min(start + max(fastest, 0.0), latest)
        met = Estimate((low + latest) / 2, (latest - low) / math.sqrt(12), low, latest, "s")
        why = f"the last reading before contact was {height:.0f} m up, {soonest:.0f} s of fall at its speed: what happened in between was not read"
        return met, Estimate.unknown("m/s", why)
    gravity = arc.body.surface_gravity
    most = (thrust_to_mass if math.isfinite(thrust_to_mass) else 6 * gravity) - gravity
    trend, spread = _trend(last, rows, gravity)
    push = np.clip(normal_samples(trend, spread, 702 + last), -gravity, max(most, 0.0))  # upward acceleration
    inside = fall**2 - 2 * push * drop
    with np.errstate(divide="ignore", invalid="ignore"):
        took = np.where(np.abs(push) < 1e-9, -drop / fall, (-fall - np.sqrt(inside)) / push)
    speed = -np.sqrt(np.clip(inside, 0, None))
    # a push that stops the craft above the ground is let up again before contact: it arrives slowly
    hover = inside < 0
    took, speed = np.where(hover, -2 * drop / fall, took), np.where(hover, 0.3 * fall, speed)
    good = np.isfinite(took) & (took >= 0) & (start + took <= latest + 1.0)
    if good.sum() < SAMPLES // 20:
        met = Estimate((start + latest) / 2, (latest - start) / math.sqrt(12), start, latest, "s")
        reach = math.sqrt(float(rows.vertical[last]) ** 2 + 2 * gravity * max(height, 0.0))
        return met, Estimate(-reach / 2, reach / math.sqrt(12), -reach, 0.0, "m/s")
    return _spread(start + took[good], "s"), _spread(speed[good], "m/s")


def _trend(last: int, rows: PanelRows, gravity: float) -> tuple[float, float]:
    """Upward acceleration before the last reading, and how far it may change by the ground, m/s^2."""
    earlier = [row for row in range(max(last - 4, 0), last) if math.isfinite(rows.vertical[row]) and rows.met[row] < rows.met[last]]
    if not earlier or rows.met[last] - rows.met[earlier[-1]] > 120.0:
        return 0.0, 0.5 * gravity
    row = earlier[-1]
    trend = float((rows.vertical[last] - rows.vertical[row]) / (rows.met[last] - rows.met[row]))
    return trend, max(0.5 * abs(trend), 0.03 * gravity)


def _fall_to_mark(start: float, start_sigma: float, drop, fall, contact: int, rows: PanelRows):
    """Contact at the moment that the pilot marked, braking evenly from the last reading."""
    sigma = math.hypot(float(rows.met_sigma[contact]), start_sigma)
    took = np.maximum(normal_samples(float(rows.met[contact]) - start, max(sigma, 1e-3), 703 + contact), 0.3)
    mean = drop / took
    # evenly: as much above the mean speed at the start as below it at the end; an uneven hand by a tenth of the difference
    speed = -np.clip(2 * mean + fall, 0.0, None)
    speed = np.minimum(speed + 0.1 * np.abs(mean + fall) * normal_samples(0.0, 1.0, 704 + contact), 0.0)
    return Estimate.of(rows.met[contact], rows.met_sigma[contact], "s"), _spread(speed, "m/s")


def _spread(samples: np.ndarray, unit: str) -> Estimate:
    low, high = np.quantile(samples, [0.025, 0.975])
    return Estimate(float(np.median(samples)), float(np.std(samples)), float(low), float(high), unit)


def _propellant_left(arc: FittedArc, propellant: PropellantHistory) -> Estimate:
    known = propellant.known(arc.rows)
    if not known:
        return Estimate.unknown("kg", "propellant was not read on the ground")
    return Estimate.of(propellant.propellant[known[0]], propellant.sigma[known[0]], "kg")
