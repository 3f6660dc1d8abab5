"""When a phase of flight ends. Each function returns a condition for :meth:`Simulation.coast` or :meth:`Simulation.burn`."""

from __future__ import annotations

import math

from .motion import SPENT, Condition, Simulation


def _shape(sim: Simulation, y) -> tuple[float, float, float]:
    """(energy, angular momentum, eccentricity) of the state's conic."""
    mu = sim.body.mu
    r, v = y[:3], y[3:6]
    radius = math.sqrt(r[0] ** 2 + r[1] ** 2 + r[2] ** 2)
    energy = 0.5 * (v[0] ** 2 + v[1] ** 2 + v[2] ** 2) - mu / radius
    h = math.sqrt((r[1] * v[2] - r[2] * v[1]) ** 2 + (r[2] * v[0] - r[0] * v[2]) ** 2 + (r[0] * v[1] - r[1] * v[0]) ** 2)
    return energy, h, math.sqrt(max(0.0, 1.0 + 2.0 * energy * h * h / mu**2))


def apoapsis_above(altitude: float) -> Condition:
    """The conic's apoapsis has risen to an altitude (an open conic counts as beyond)."""
    def value(sim, t, y):
        energy, _, e = _shape(sim, y)
        # the reciprocal stays smooth through escape
        return 1.0 / (sim.body.radius + altitude) + 2.0 * energy / (sim.body.mu * (1.0 + e))
    return value


def apoapsis_below(altitude: float) -> Condition:
    """The conic's apoapsis has sunk to an altitude."""
    above = apoapsis_above(altitude)
    return lambda sim, t, y: -above(sim, t, y)


def periapsis_above(altitude: float) -> Condition:
    """The conic's periapsis has risen to an altitude."""
    def value(sim, t, y):
        _, h, e = _shape(sim, y)
        return h * h / (sim.body.mu * (1.0 + e)) - sim.body.radius - altitude
    return value


def periapsis_below(altitude: float) -> Condition:
    """The conic's periapsis has sunk to an altitude."""
    above = periapsis_above(altitude)
    return lambda sim, t, y: -above(sim, t, y)


def delta_v(amount: float) -> Condition:
    """The burn has spent this much, m/s."""
    return lambda sim, t, y: y[SPENT] - amount


def at_apsis(which: str) -> Condition:
    """The next "apoapsis" or "periapsis"."""
    sign = -1.0 if which == "apoapsis" else 1.0
    return lambda sim, t, y: sign * (y[0] * y[3] + y[1] * y[4] + y[2] * y[5])


def altitude_below(altitude: float) -> Condition:
    """Altitude has sunk to a value."""
    return lambda sim, t, y: sim.body.radius + altitude - math.sqrt(y[0] ** 2 + y[1] ** 2 + y[2] ** 2)


def altitude_above(altitude: float) -> Condition:
    """Altitude has risen to a value."""
    return lambda sim, t, y: math.sqrt(y[0] ** 2 + y[1] ** 2 + y[2] ** 2) - sim.body.radius - altitude


def in_sphere_of(name: str) -> Condition:
    """The present body is the named one (holds at once after the crossing)."""
    def value(sim, t, y):
        return 1.0 if sim.body.name == name else -1.0

    value.at_border = True  # a jump at a sphere's border, which no integration step can bracket
    return value


def ground_speed_below(speed: float) -> Condition:
    """Speed over the ground has sunk to a value."""
    def value(sim, t, y):
        s = sim.body.spin
        return speed - math.sqrt((y[3] + s * y[1]) ** 2 + (y[4] - s * y[0]) ** 2 + y[5] ** 2)
    return value


def across_speed_below(speed: float) -> Condition:
    """Horizontal speed over the ground (in the plane of motion, forwards counting positive) has sunk to a value."""
    def value(sim, t, y):
        s = sim.body.spin
        r = math.sqrt(y[0] ** 2 + y[1] ** 2 + y[2] ** 2)
        return speed - ((y[0] * y[4] - y[1] * y[3]) / r - s * r)
    return value
