"""Least changes of orbit that also ask how the orbit lies: from inclinations, nodes and arguments of periapsis to the transfer in space.

What is not known or not asked for is free: the apse line may turn, the node stays where it is. A change of inclination alone turns the plane about the line of
the nodes. Axes of what is returned: the body's, where the node is known, else turned about the spin so that the first node lies at 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.fitting.orientation import axes_of
from analyser.fitting.plane_flight import SpaceTransfer, coast_time, impulse_of, moved
from analyser.fitting.plane_transfer import least_turned_transfer
from analyser.fitting.space_ways import Lying
from analyser.fitting.transfer_apse import ApseTransfer, least_with_apse_line
from analyser.fitting.transfer_search import apsides
from analyser.fitting.transfer_space import transfer_in_space

_LEVEL = 1e-7  # rad: planes nearer than this are one


@dataclass(frozen=True)
class Angles:
    """How an orbit lies, rad; nan where it is not known or free. ``inclination``, longitude of the ascending ``node``, ``argument`` of periapsis."""

    inclination: float
    node: float = math.nan
    argument: float = math.nan

    def after(self, wanted: "Angles") -> "Angles":
        """How an orbit lies once the wanted angles are reached: the plane stays where nothing else is wanted, the apse line comes as it comes."""
        tilt = self.inclination if math.isnan(wanted.inclination) else wanted.inclination
        return Angles(tilt, self.node if math.isnan(wanted.node) else wanted.node, wanted.argument)


def angle_between(first: Angles, second: Angles) -> float:
    """Between two planes, rad; where a node is not known they share it."""
    one, other = _normals(first, second)
    return math.atan2(float(np.linalg.norm(np.cross(one, other))), float(one @ other))


def _shared(first: Angles, second: Angles) -> tuple[float, float]:
    """The nodes to reckon with: where one is not known, or means nothing over the equator, that of the other."""
    nodes = [math.nan if math.sin(end.inclination) < 1e-9 else end.node for end in (first, second)]
    if math.isnan(nodes[0] + nodes[1]):
        nodes = [node for node in nodes if not math.isnan(node)][:1] * 2 or [0.0, 0.0]
    return nodes[0], nodes[1]


def _normals(first: Angles, second: Angles):
    return (axes_of(end.inclination, node, 0.0)[:, 2] for end, node in zip((first, second), _shared(first, second)))


def least_to_lie(mu: float, orbit_from, angles_from: Angles, orbit_to, angles_to: Angles, *, radius_min: float = 0.0, radius_max: float = math.inf) -> SpaceTransfer:
    """The least delta-v from an orbit that lies somehow to another that is to lie so, by one or two impulses.

    Parameters
    ----------
    mu : float
        Gravitational parameter, m^3/s^2.
    orbit_from, orbit_to : (energy, angular momentum)
        m^2/s^2 and m^2/s, above 0 (the inclination says which way round).
    angles_from, angles_to : Angles
        Both inclinations known.
    radius_min, radius_max : float
        Impulses between these radii, m.
    """
    limits = {"radius_min": radius_min, "radius_max": radius_max}
    turn = angle_between(angles_from, angles_to)
    nodes = _shared(angles_from, angles_to)
    low, high = (float(r) for r in apsides(mu, *orbit_from))
    here_free = math.isnan(angles_from.argument) or high < low * (1 + 1e-5)
    if math.isnan(angles_to.argument) or (here_free and turn < _LEVEL):
        found = least_turned_transfer(mu, orbit_from, orbit_to, turn if turn >= _LEVEL else 0.0, **limits)
        return _placed(mu, found, axes_of(angles_from.inclination, nodes[0], 0.0), replace(angles_to, node=nodes[1]), turn)
    ends = [
        axes_of(end.inclination, node, 0.0 if math.isnan(end.argument) else end.argument) for end, node in zip((angles_from, angles_to), nodes)
    ]  # fmt: skip
    if turn < _LEVEL:
        ahead = math.atan2(float(ends[1][:, 0] @ ends[0][:, 1]), float(ends[1][:, 0] @ ends[0][:, 0]))
        return _in_plane(mu, orbit_from, orbit_to, ahead, least_with_apse_line(mu, orbit_from, orbit_to, ahead, **limits), ends[0])
    first, second = (Lying(np.array([orbit[0]]), np.array([orbit[1]]), axes[None], free) for orbit, axes, free in ((orbit_from, ends[0], here_free), (orbit_to, ends[1], False)))
    return transfer_in_space(mu, first, second, **limits)


def _placed(mu: float, found: SpaceTransfer, first, second: Angles, turn: float) -> SpaceTransfer:
    """A transfer with free apse lines, turned into the body's axes: its line of crossing is that of the planes, without a turn its end has the periapsis wanted.

    ``first`` are the axes of the first orbit's node, ``second`` how the orbit after is to lie.
    """
    if not found.impulses:
        return found
    last, normal = found.impulses[-1], np.array([0.0, 0.0, 1.0])
    momentum = np.cross(last.position, last.velocity_after)
    if turn >= _LEVEL:
        lines = np.cross(normal, momentum), np.cross(first[:, 2], axes_of(second.inclination, second.node, 0.0)[:, 2])
    else:
        apse = np.cross(last.velocity_after, momentum) / mu - last.position / last.radius
        argument = 0.0 if math.isnan(second.argument) else second.argument
        lines = apse if np.linalg.norm(apse) > 1e-9 else last.position, math.cos(argument) * first[:, 0] + math.sin(argument) * first[:, 1]
    axes = []
    for line, up in zip(lines, (normal, first[:, 2])):
        line = line / np.linalg.norm(line)
        axes.append(np.stack([line, np.cross(up, line), up], -1))
    return replace(found, impulses=tuple(moved(one, axes[1] @ axes[0].T) for one in found.impulses))


def _in_plane(mu: float, orbit_from, orbit_to, turn: float, found: ApseTransfer, axes) -> SpaceTransfer:
    """A transfer in one plane with both apse lines as they lie, in space."""
    if not found.burns:
        return SpaceTransfer(found.delta_v, (), found.energy, found.angular_momentum, 0.0, 0.0)
    impulses = []
    for number, (radius, at, radial) in enumerate(zip(found.radii, found.anomalies, found.radial)):
        up = math.cos(at) * axes[:, 0] + math.sin(at) * axes[:, 1]
        ahead = np.cross(axes[:, 2], up)
        coast = radial * up + found.angular_momentum / radius * ahead
        before = _own(mu, orbit_from, at, up, ahead) if number == 0 else coast
        after = _own(mu, orbit_to, at - turn, up, ahead) if number == len(found.radii) - 1 else coast
        impulses.append(impulse_of(radius * up, before, after))
    way = (found.anomalies[-1] - found.anomalies[0]) % (2 * math.pi)
    duration = 0.0
    if len(impulses) > 1:
        first, last = impulses
        duration = coast_time(mu, found.energy, (first.position, first.velocity_after), (last.position, last.velocity_before))
    return SpaceTransfer(found.delta_v, tuple(impulses), found.energy, found.angular_momentum, way, duration)


def _own(mu, orbit, true, up, ahead):
    """Velocity of an orbit at a true anomaly."""
    energy, h = orbit
    e = math.sqrt(max(1 + 2 * energy * h**2 / mu**2, 0.0))
    return mu / h * e * math.sin(true) * up + mu / h * (1 + e * math.cos(true)) * ahead
