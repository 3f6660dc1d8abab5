"""The way home from a moon: how fast and in which direction to leave it, so that about the body that it orbits the craft comes down to
a wanted periapsis. Patched conics joined where the sphere of influence ends, with the place of that edge and the moon's motion until
the craft is there taken into account; the moon's orbit is taken as a circle of its semi-major axis.
"""

from __future__ import annotations

import math

from analyser.fitting import scalar_conic as conic
from analyser.flight import Body
from analyser.records import Record


class WayHome(Record):
    """``speed`` m/s along the horizon at the radius of departure; ``lead`` rad: how far ahead of the craft the direction against the moon's
    motion is at the burn; ``edge_speed`` m/s at the edge of the sphere of influence; ``duration`` s from the burn to the periapsis."""

    speed: float
    lead: float
    edge_speed: float
    duration: float


def way_home(moon: Body, parent: Body, radius: float, periapsis: float) -> WayHome | None:
    """The slowest departure from a circular orbit that comes down to ``periapsis``; None where there is none within three times the least speed that leaves.

    Parameters
    ----------
    moon, parent : Body
    radius : float
        Of the circular orbit about the moon, m.
    periapsis : float
        Altitude wanted about the parent, m.

    Notes
    -----
    The parent's pull inside the sphere and the moon's outside of it are left out. Where both pull all the way it takes more: home from
    Lull 374 m/s instead of 350, by integration.
    """
    wanted = parent.radius + periapsis
    edge = moon.sphere_of_influence
    barely = math.sqrt(2 * moon.mu * (1 / radius - 1 / edge) / (1 - (radius / edge) ** 2))  # its apoapsis is at the edge
    low, high = barely * (1 + 1e-9), 3 * barely
    if _best_lead(moon, parent, radius, low)[1] <= wanted:
        high = low
    elif _best_lead(moon, parent, radius, high)[1] > wanted:
        return None
    while high - low > 1e-3:
        speed = (low + high) / 2
        if _best_lead(moon, parent, radius, speed)[1] > wanted:
            low = speed
        else:
            high = speed
    lead = _best_lead(moon, parent, radius, high)[0]
    _, duration, edge_speed = _fate(moon, parent, radius, high, lead)
    return WayHome(high, lead, edge_speed, duration)


def _best_lead(moon: Body, parent: Body, radius: float, speed: float) -> tuple[float, float]:
    """The lead with the lowest periapsis about the parent, and that periapsis (a radius, m): a coarse scan, then narrowed by golden section."""

    def fate(lead: float) -> float:
        return _fate(moon, parent, radius, speed, lead)[0]

    step = math.radians(15.0)
    best = min((index * step for index in range(24)), key=fate)
    low, high = best - step, best + step
    golden = (math.sqrt(5) - 1) / 2
    for _ in range(22):
        left, right = high - golden * (high - low), low + golden * (high - low)
        if fate(left) < fate(right):
            high = right
        else:
            low = left
    lead = (low + high) / 2
    return lead % (2 * math.pi), fate(lead)


def _fate(moon: Body, parent: Body, radius: float, speed: float, lead: float) -> tuple[float, float, float]:
    """(periapsis radius about the parent, time from burn to it, speed at the edge) of a departure along the horizon."""
    orbit = conic.shape(moon.mu, radius, 0.0, speed)
    edge = moon.sphere_of_influence
    inside = conic.time_up_to(moon.mu, orbit, 0.0, edge)
    climb, across = conic.crossing(moon.mu, orbit, edge)
    cosine = (orbit.angular_momentum**2 / (moon.mu * edge) - 1) / orbit.eccentricity
    # Angles from the moon's place at the burn, as seen from the parent: it moves towards +90 deg, so against its motion is -90 deg.
    outwards = -math.pi / 2 - lead + math.acos(max(-1.0, min(1.0, cosine)))
    path = moon.semi_major_axis
    rate = math.sqrt(parent.mu / path**3)
    turned = rate * inside
    x = path * math.cos(turned) + edge * math.cos(outwards)
    y = path * math.sin(turned) + edge * math.sin(outwards)
    vx = -path * rate * math.sin(turned) + climb * math.cos(outwards) - across * math.sin(outwards)
    vy = path * rate * math.cos(turned) + climb * math.sin(outwards) + across * math.cos(outwards)
    r = math.hypot(x, y)
    state = (r, (x * vx + y * vy) / r, (x * vy - y * vx) / r)
    about = conic.shape(parent.mu, *state)
    wait = -conic.time_since_periapsis(parent.mu, *state)
    if wait < 0 and math.isfinite(about.period):
        wait += about.period
    return about.periapsis, inside + wait, math.hypot(climb, across)
