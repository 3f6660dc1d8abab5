"""Two-body motion in space: states as vectors, and classical elements.

Positions in m and velocities in m/s about one body, in axes that don't rotate, third axis along the body's spin where angles to its equator are
wanted. All functions take arrays whose last axis is the vector, or a single vector, and broadcast.
Not modelled: other bodies, flattening, drag, thrust.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.conic import shape
from analyser.fitting.universal import solve_kepler, universal_functions

_TURN = 2.0 * np.pi
#: Below this, an eccentricity or the sine of an inclination is rounding: the angle that depends on it is given as nan.
SINGULAR = 1e-11


def _dot(one, other):
    return np.einsum("...i,...i->...", one, other)


def propagate(mu, position, velocity, dt):
    """Position and velocity after ``dt`` seconds (either sign).

    Parameters
    ----------
    mu : float or array
        m^3/s^2.
    position, velocity : arrays, shape (..., 3)
    dt : float or array
        s.

    Returns
    -------
    position, velocity : arrays, shape (..., 3)
    """
    position, velocity = np.asarray(position, dtype=float), np.asarray(velocity, dtype=float)
    r = np.sqrt(_dot(position, position))
    eta, square = _dot(position, velocity), _dot(velocity, velocity)
    arrays = np.broadcast_arrays(np.asarray(mu, dtype=float), r, eta, 2.0 * mu / r - square, np.asarray(dt, dtype=float))
    form = arrays[0].shape
    m, r, eta, beta, dt = (np.ascontiguousarray(array).ravel() for array in arrays)
    s, _ = solve_kepler(m, r, eta, beta, dt)
    g0, g1, g2, _ = universal_functions(s, beta)
    new = r * g0 + eta * g1 + m * g2
    # Lagrange's coefficients (Battin, section 4.6).
    f, g = 1.0 - m * g2 / r, r * g1 + eta * g2
    f_rate, g_rate = -m * g1 / (new * r), 1.0 - m * g2 / new
    f, g, f_rate, g_rate = (value.reshape(form)[..., None] for value in (f, g, f_rate, g_rate))
    return f * position + g * velocity, f_rate * position + g_rate * velocity


@dataclass(frozen=True)
class Elements:
    """Classical elements, every attribute a float or array; angles in rad, 0..2 pi but for the inclination (0..pi).

    nan where an angle means nothing: the node and what is counted from it on an equatorial orbit, the periapsis and what is counted from it on a
    circular one. ``argument_of_latitude`` (node to craft) holds on circles, ``true_longitude`` (first axis to craft, along the
    equator of a direct orbit) holds always.
    """

    semi_latus_rectum: np.ndarray
    semi_major_axis: np.ndarray
    eccentricity: np.ndarray
    inclination: np.ndarray
    longitude_of_ascending_node: np.ndarray
    argument_of_periapsis: np.ndarray
    true_anomaly: np.ndarray
    argument_of_latitude: np.ndarray
    longitude_of_periapsis: np.ndarray
    true_longitude: np.ndarray
    periapsis_radius: np.ndarray
    period: np.ndarray
    time_since_periapsis: np.ndarray


def classical_elements(mu, position, velocity) -> Elements:
    """Classical elements of states.

    Source: Curtis, *Orbital Mechanics for Engineering Students*, algorithm 4.2, with the planar part by
    :func:`analyser.fitting.conic.shape`, which keeps its digits near circles and parabolas.
    """
    position, velocity = np.asarray(position, dtype=float), np.asarray(velocity, dtype=float)
    x, y, z = np.moveaxis(position, -1, 0)
    u, v, w = np.moveaxis(velocity, -1, 0)
    hx, hy, hz = y * w - z * v, z * u - x * w, x * v - y * u
    level = np.hypot(hx, hy)  # h sin i; the node points along (-hy, hx)
    h = np.hypot(level, hz)
    r = np.sqrt(_dot(position, position))
    plane = shape(mu, r, _dot(position, velocity) / r, h / r)
    e = plane.eccentricity
    tilted, round_ = level > SINGULAR * h, e < SINGULAR
    nan = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        node = np.where(tilted, np.arctan2(hx, -hy) % _TURN, nan)
        # The node's direction, or the first axis where there is none; latitude is counted from it in the orbit's plane.
        nx, ny = np.where(tilted, -hy / level, 1.0), np.where(tilted, hx / level, 0.0)
        along = nx * x + ny * y
        # The vector h x n / h completes node and orbit normal.
        across = (-hz * ny * x + hz * nx * y + (hx * ny - hy * nx) * z) / h
        latitude = np.arctan2(across, along) % _TURN
    periapsis = (latitude - plane.true_anomaly) % _TURN
    sense = np.where(hz < 0, -1.0, 1.0)
    start = np.where(tilted, node, 0.0)
    return Elements(
        semi_latus_rectum=plane.semi_latus_rectum,
        semi_major_axis=plane.semi_major_axis,
        eccentricity=e,
        inclination=np.arctan2(level, hz),
        longitude_of_ascending_node=node,
        argument_of_periapsis=np.where(tilted & ~round_, periapsis, nan)[()],
        true_anomaly=np.where(round_, nan, plane.true_anomaly % _TURN)[()],
        argument_of_latitude=np.where(tilted, latitude, nan)[()],
        longitude_of_periapsis=np.where(round_, nan, (start + sense * periapsis) % _TURN)[()],
        true_longitude=((start + sense * latitude) % _TURN)[()],
        periapsis_radius=plane.periapsis_radius,
        period=plane.period,
        time_since_periapsis=np.where(round_, nan, plane.time_since_periapsis)[()],
    )


def state_from_elements(
    mu, semi_latus_rectum, eccentricity, inclination, longitude_of_ascending_node, argument_of_periapsis, true_anomaly
):
    """Position and velocity, shapes (..., 3), from classical elements (m, rad).

    On a circle give the argument of latitude as the anomaly and 0 as the argument of periapsis; on an equatorial orbit 0 as the node.
    """
    p, e, i, node, periapsis, nu = (
        np.asarray(value, dtype=float)
        for value in (semi_latus_rectum, eccentricity, inclination, longitude_of_ascending_node, argument_of_periapsis, true_anomaly)
    )
    r = p / (1.0 + e * np.cos(nu))
    pull = np.sqrt(mu / p)
    along, across = r * np.cos(nu), r * np.sin(nu)
    speed_along, speed_across = -pull * np.sin(nu), pull * (e + np.cos(nu))
    cos_n, sin_n, cos_w, sin_w = np.cos(node), np.sin(node), np.cos(periapsis), np.sin(periapsis)
    cos_i, sin_i = np.cos(i), np.sin(i)
    one = np.stack(np.broadcast_arrays(cos_n * cos_w - sin_n * sin_w * cos_i, sin_n * cos_w + cos_n * sin_w * cos_i, sin_w * sin_i), axis=-1)
    two = np.stack(np.broadcast_arrays(-cos_n * sin_w - sin_n * cos_w * cos_i, -sin_n * sin_w + cos_n * cos_w * cos_i, cos_w * sin_i), axis=-1)
    return (
        along[..., None] * one + across[..., None] * two,
        speed_along[..., None] * one + speed_across[..., None] * two,
    )
