"""Gravity and drag losses of a climb through air, from the readings taken in it.

Between readings the height follows a cubic curve that has the vertical speeds read as its slopes, so that what gravity took is right to the height gained; the
horizontal speed a monotone curve; the mass a straight line between readings of the propellant. How much the curves may be off is told by leaving out every other
reading. Along the inertial path, as everywhere in the burn audit (:mod:`analyser.fitting.losses`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from analyser.fitting.arcs import FittedArc
from analyser.fitting.atmosphere import density
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.flight import Body

_PER_GAP = 24
_DENSITY = 0.01  # relative, of drag: what smooth curves leave out where nothing else tells


@dataclass(frozen=True)
class Climb:
    """A climb as read: arrays (n,) of MET s, radius m, radial and transverse speed m/s, mass kg (nan where unknown), from lift-off to cutoff."""

    met: np.ndarray
    radius: np.ndarray
    radial: np.ndarray
    transverse: np.ndarray
    mass: np.ndarray


@dataclass(frozen=True)
class ClimbLosses:
    """m/s, with standard deviations; ``drag`` with what the air took in the coast after cutoff. nan where the craft's mass or drag area is unknown."""

    gravity: float
    gravity_sigma: float
    drag: float
    drag_sigma: float


def climb_of(ground: FittedArc, after: FittedArc, inside, ignition: float, cutoff: float, rows: PanelRows, propellant: PropellantHistory, mass: float, last_mass: float) -> Climb:
    """The climb between a stay on the ground and the coast after it; ``mass`` and ``last_mass`` (kg) are those at its ends."""
    nodes = [row for row in inside if math.isfinite(rows.radius[row] + rows.speed[row] + rows.vertical[row]) and ignition + 0.3 < rows.met[row] < cutoff - 0.3]
    # two readings of one moment (or a clock that slipped back) make no curve: the first stands
    nodes = [row for place, row in enumerate(nodes) if not place or rows.met[row] > max(rows.met[other] for other in nodes[:place]) + 0.3]
    first, last = [float(part) for part in ground.at(ignition)], [float(part) for part in after.at(cutoff)]
    across = np.sqrt(np.clip(rows.speed[nodes] ** 2 - rows.vertical[nodes] ** 2, 0.0, None))
    cutoff = max(cutoff, ignition + 1.0)
    return Climb(
        np.array([ignition, *rows.met[nodes], cutoff]), np.array([first[0], *rows.radius[nodes], last[0]]), np.array([first[1], *rows.vertical[nodes], last[1]]),
        np.array([first[2], *across, abs(last[2])]), np.array([mass, *(propellant.mass(row) for row in nodes), last_mass]),
    )  # fmt: skip


def climb_losses(climb: Climb, body: Body, area: float, after: FittedArc) -> ClimbLosses:
    """What gravity and the air took in a climb.

    Parameters
    ----------
    climb : Climb
    body : Body
    area : float
        Drag coefficient times area, m^2; nan where unknown.
    after : FittedArc
        The coast after it, for the air that is left above the cutoff.
    """
    gravity, drag = _integrals(climb, body, area)
    spreads = []
    for odd in (0, 1):
        keep = np.ones(len(climb.met), bool)
        keep[1 + odd : -1 : 2] = False
        if not keep.all():
            spreads.append(_integrals(_kept(climb, keep), body, area))
    # curves through half the readings are off some eight times as far, as these errors grow with the cube of the gaps; a quarter is taken of what is seen
    off = np.abs(np.array(spreads) - [gravity, drag]).max(axis=0) / 4 if spreads else np.array([0.05 * gravity, 0.3 * drag])
    coasted = _coast_drag(climb, body, area, after)
    return ClimbLosses(gravity, float(np.hypot(off[0], 0.3)), drag + coasted, float(np.hypot(off[1], _DENSITY * (drag + coasted))) if math.isfinite(drag) else math.nan)


def _kept(climb: Climb, keep: np.ndarray) -> Climb:
    return Climb(climb.met[keep], climb.radius[keep], climb.radial[keep], climb.transverse[keep], climb.mass[keep])


def _integrals(climb: Climb, body: Body, area: float) -> tuple[float, float]:
    fine = np.unique(np.concatenate([np.linspace(a, b, _PER_GAP) for a, b in zip(climb.met, climb.met[1:])]))
    height = CubicHermiteSpline(climb.met, climb.radius, climb.radial)
    radius, radial = height(fine), height.derivative()(fine)
    transverse = PchipInterpolator(climb.met, climb.transverse)(fine)
    speed = np.hypot(radial, transverse) + 1e-6
    gravity = float(np.trapezoid(body.mu / radius**2 * radial / speed, fine))
    known = np.isfinite(climb.mass)
    if not (known.sum() >= 2 and math.isfinite(area)):
        return gravity, math.nan
    mass = np.interp(fine, climb.met[known], climb.mass[known])
    return gravity, float(np.trapezoid(_drag(body, area, radius, radial, transverse, mass), fine))


def _drag(body: Body, area: float, radius, radial, transverse, mass):
    """Deceleration along the inertial path, m/s^2."""
    wind = transverse - body.rotation_rate * radius
    push = 0.5 * density(body.atmosphere, radius - body.radius) * np.hypot(radial, wind) * area / mass
    return push * (radial**2 + wind * transverse) / (np.hypot(radial, transverse) + 1e-6)


def _coast_drag(climb: Climb, body: Body, area: float, after: FittedArc) -> float:
    if climb.radius[-1] > body.radius + body.air_top or not math.isfinite(area) or not math.isfinite(climb.mass[-1]):
        return 0.0
    times = climb.met[-1] + np.linspace(0.0, 600.0, 1201)
    radius, radial, transverse = (np.asarray(part) for part in after.at(times))
    inside = np.cumprod((radius < body.radius + body.air_top) & (radial > 0)).astype(bool)
    return float(np.trapezoid(_drag(body, area, radius, radial, np.abs(transverse), climb.mass[-1])[inside], times[inside])) if inside.sum() > 1 else 0.0


def over_ground(climb: Climb, body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Speed over the ground, m/s, and climb angle over it, rad, at the nodes."""
    level = climb.transverse - body.rotation_rate * climb.radius
    return np.hypot(climb.radial, level), np.arctan2(climb.radial, np.maximum(level, 1e-9))
