"""How the pilot points and throttles. Each function returns a law for :meth:`Simulation.burn`."""

from __future__ import annotations

import math

from .motion import Law


def _unit(v):
    n = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]) or 1e-12
    return (v[0] / n, v[1] / n, v[2] / n)


def _cross(a, b):
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def level_frame(r):
    """(up, east, north) at a place."""
    up = _unit(r)
    east = _unit((-r[1], r[0], 0.0))
    return up, east, _cross(up, east)


def _along(parts, frame):
    return tuple(sum(p * axis[i] for p, axis in zip(parts, frame)) for i in range(3))


def prograde(throttle: float = 1.0, off: float = 0.0, sign: float = 1.0) -> Law:
    """Along the velocity, turned by ``off`` rad in the plane of motion (towards "up" for a forward flight)."""
    def law(cockpit, t, r, v, m):
        d = _unit(v)
        if off:
            side = _cross(_unit(_cross(r, v)), d)
            side = (-side[0], -side[1], -side[2])  # towards the outside of the turn
            c, s = math.cos(off), math.sin(off)
            d = tuple(c * a + s * b for a, b in zip(d, side))
        return (sign * d[0], sign * d[1], sign * d[2]), throttle
    return law


def retrograde(throttle: float = 1.0, off: float = 0.0) -> Law:
    """Against the velocity."""
    return prograde(throttle, off, -1.0)


def outward(throttle: float = 1.0, sign: float = 1.0) -> Law:
    """Away from the body's centre (sign -1: towards it)."""
    def law(cockpit, t, r, v, m):
        d = _unit(r)
        return (sign * d[0], sign * d[1], sign * d[2]), throttle
    return law


def normal(throttle: float = 1.0, sign: float = 1.0) -> Law:
    """Across the plane of motion."""
    def law(cockpit, t, r, v, m):
        d = _unit(_cross(r, v))
        return (sign * d[0], sign * d[1], sign * d[2]), throttle
    return law


def held(direction, throttle: float = 1.0) -> Law:
    """A direction fixed in inertial space."""
    d = _unit(direction)
    return lambda cockpit, t, r, v, m: (d, throttle)


def pitched(pitch: float, heading: float = math.pi / 2, throttle: float = 1.0) -> Law:
    """Pitch above the local horizontal (rad) on a compass heading (pi/2: east)."""
    cp, sp, ch, sh = math.cos(pitch), math.sin(pitch), math.cos(heading), math.sin(heading)
    def law(cockpit, t, r, v, m):
        return _along((sp, cp * sh, cp * ch), level_frame(r)), throttle
    return law


def pitch_programme(points, heading: float = math.pi / 2, throttle: float = 1.0) -> Law:
    """Pitch (rad) by straight lines between (seconds after ignition, pitch)."""
    times, pitches = [p[0] for p in points], [p[1] for p in points]
    def law(cockpit, t, r, v, m):
        s = t - cockpit.burn_start
        pitch = pitches[-1]
        if s <= times[0]:
            pitch = pitches[0]
        else:
            for (t0, p0), (t1, p1) in zip(points, points[1:]):
                if s < t1:
                    pitch = p0 + (p1 - p0) * (s - t0) / (t1 - t0)
                    break
        return _along((math.sin(pitch), math.cos(pitch) * math.sin(heading), math.cos(pitch) * math.cos(heading)),
                      level_frame(r)), throttle
    return law


def braking(target_altitude: float, target_sink: float, throttle: float, stop_speed: float = 0.0) -> Law:
    """Kill the speed over the ground at a fixed throttle while arriving at an altitude with a sink rate.

    The vertical command is the straight-line-in-time law between two boundary values (common practice, no
    source); what is left of the thrust brakes the horizontal speed. ``target_sink`` >= 0, m/s.
    """
    def law(cockpit, t, r, v, m):
        up, east, _ = level_frame(r)
        spin = cockpit.body.spin
        radius = math.sqrt(r[0] ** 2 + r[1] ** 2 + r[2] ** 2)
        vx, vy = v[0] + spin * r[1], v[1] - spin * r[0]
        climb = up[0] * vx + up[1] * vy + up[2] * v[2]
        across = (vx - climb * up[0], vy - climb * up[1], v[2] - climb * up[2])
        speed = math.sqrt(across[0] ** 2 + across[1] ** 2 + across[2] ** 2)
        full = throttle * cockpit.craft.stages[cockpit.stage].thrust / m
        inertial = math.sqrt(max(v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - climb**2, 0.0))
        weight = cockpit.body.mu / radius**2 - inertial**2 / radius
        left = max(speed - stop_speed, 0.0) / (0.94 * full) + 3.0
        height = radius - cockpit.body.radius - target_altitude
        wanted = -6.0 * height / left**2 - (4.0 * climb - 2.0 * target_sink) / left + weight
        sin = max(-0.5, min(0.97, wanted / full))
        cos = math.sqrt(1.0 - sin * sin)
        back = _unit(across) if speed > 1e-6 else east
        return (sin * up[0] - cos * back[0], sin * up[1] - cos * back[1], sin * up[2] - cos * back[2]), throttle
    return law


def letting_down(sink_low: float, slope: float, sink_high: float = 60.0, least: float = 0.0) -> Law:
    """Come down upright with a sink rate that grows with height: ``sink_low + slope * altitude``, killing what is left of
    the speed across. Throttle follows, within ``least`` and 1."""
    def law(cockpit, t, r, v, m):
        up = _unit(r)
        spin = cockpit.body.spin
        radius = math.sqrt(r[0] ** 2 + r[1] ** 2 + r[2] ** 2)
        vx, vy = v[0] + spin * r[1], v[1] - spin * r[0]
        climb = up[0] * vx + up[1] * vy + up[2] * v[2]
        height = radius - cockpit.body.radius
        sink = min(sink_high, sink_low + slope * max(height, 0.0))
        rate = slope if sink < sink_high else 0.0
        lift = cockpit.body.mu / radius**2 + rate * sink + 0.5 * (-sink - climb)
        push = [lift * up[i] for i in range(3)]
        for i, c in enumerate((vx - climb * up[0], vy - climb * up[1], v[2] - climb * up[2])):
            push[i] -= 0.25 * c
        size = math.sqrt(push[0] ** 2 + push[1] ** 2 + push[2] ** 2)
        full = cockpit.craft.stages[cockpit.stage].thrust / m
        return _unit(push), max(least, min(1.0, size / full))
    return law
