"""How orbits lie: from angles to axes and back, for one or many."""

from __future__ import annotations

import numpy as np


def axes_of(inclination, node, argument) -> np.ndarray:
    """Columns towards the periapsis, along the motion there, along the angular momentum (..., 3, 3), in the body's axes, of inclination, longitude of the
    ascending node and argument of periapsis, rad."""
    i, node, argument = np.broadcast_arrays(*(np.asarray(x, float) for x in (inclination, node, argument)))
    to_node = np.stack([np.cos(node), np.sin(node), 0 * node], -1)
    normal = np.stack([np.sin(i) * np.sin(node), -np.sin(i) * np.cos(node), np.cos(i)], -1)
    across = np.cross(normal, to_node)
    cos, sin = np.cos(argument)[..., None], np.sin(argument)[..., None]
    return np.stack([cos * to_node + sin * across, cos * across - sin * to_node, normal], -1)


def angles_of(axes) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Inclination, longitude of the ascending node and argument of periapsis, rad, of axes (..., 3, 3); over the equator the node is taken at 0."""
    axes = np.asarray(axes, float)
    normal = axes[..., :, 2]
    level = np.hypot(normal[..., 0], normal[..., 1])
    node = np.where(level > 1e-12, np.arctan2(normal[..., 0], -normal[..., 1]), 0.0)
    to_node = np.stack([np.cos(node), np.sin(node), 0 * node], -1)
    argument = np.arctan2(-(to_node * axes[..., :, 1]).sum(-1), (to_node * axes[..., :, 0]).sum(-1))
    return np.arctan2(level, normal[..., 2]), node % (2 * np.pi), argument % (2 * np.pi)


def axes_of_state(mu, states, rotations) -> np.ndarray:
    """Axes (..., 3, 3) of orbits from states (radius, radial and transverse speed; (..., 3)) and rotations (..., 3, 3), whose columns point up, along the motion
    and along the angular momentum there. On a circle the periapsis is taken where the state is."""
    r, u, w = np.moveaxis(np.asarray(states, float), -1, 0)
    true = np.arctan2(u * r * w / mu, r * w**2 / mu - 1)
    cos, sin = np.cos(true)[..., None], np.sin(true)[..., None]
    up, ahead = rotations[..., :, 0], rotations[..., :, 1]
    return np.stack([cos * up - sin * ahead, sin * up + cos * ahead, rotations[..., :, 2]], -1)


def argument_of_latitude(position, axes) -> float:
    """Angle of a place, m (3,), from the ascending node along an orbit's motion, rad, 0 to 2 pi."""
    _, node, _ = angles_of(axes)
    to_node = np.array([np.cos(node), np.sin(node), 0.0])
    return float(np.arctan2(position @ np.cross(axes[:, 2], to_node), position @ to_node) % (2 * np.pi))
