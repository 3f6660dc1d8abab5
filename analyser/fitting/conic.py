"""Two-body motion in its plane, whichever the conic.

A state is (radius, radial speed, transverse speed) about one body, in axes that don't rotate: m, m/s, m/s. It does not say
where in the plane the craft is, which altitude, speed and vertical speed never tell, and it is regular for every orbit,
circles and parabolas included. The transverse speed is positive in the sense of motion.

All functions take numbers or arrays that broadcast against each other. Symbols: mu gravitational parameter (m^3/s^2), r radius, vr and vt
the speeds, p = h^2 / mu the semi-latus rectum, beta = 2 mu / r - v^2, eta = r vr.

Not modelled: pulls of other bodies, a body's flattening, drag, thrust.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.universal import solve_kepler, universal_functions

_TURN = 2.0 * np.pi


def _flat(*values):
    """Values broadcast to one shape and flattened, with that shape."""
    arrays = np.broadcast_arrays(*[np.asarray(value, dtype=float) for value in values])
    return arrays[0].shape, [np.ascontiguousarray(array).ravel() for array in arrays]


def propagate(mu, radius, radial_speed, transverse_speed, dt):
    """State after ``dt`` seconds (either sign).

    Returns
    -------
    radius, radial_speed, transverse_speed : floats or arrays
        m, m/s, m/s.
    """
    return propagate_with_angle(mu, radius, radial_speed, transverse_speed, dt)[:3]


def propagate_with_angle(mu, radius, radial_speed, transverse_speed, dt):
    """As :func:`propagate`, and the angle swept about the body meanwhile (rad, signed as ``dt``, whole turns included)."""
    shape, (mu, r, vr, vt, dt) = _flat(mu, radius, radial_speed, transverse_speed, dt)
    eta, beta = r * vr, 2.0 * mu / r - vr * vr - vt * vt
    s, turns = solve_kepler(mu, r, eta, beta, dt)
    g0, g1, g2, _ = universal_functions(s, beta)
    new = r * g0 + eta * g1 + mu * g2
    h = r * vt
    half0, half1, _, _ = universal_functions(0.5 * s, beta)
    # sqrt(r r') cos(angle/2) and sqrt(r r') sin(angle/2): unlike the angle's own cosine good for any part of a turn.
    angle = 2.0 * np.arctan2(h * half1, r * half0 + eta * half1) + _TURN * turns * np.where(h < 0, -1.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = new, (eta * g0 + (mu - beta * r) * g1) / new, h / new, angle
    return tuple(value.reshape(shape)[()] for value in found)


def propagate_jacobian(mu: float, state, dt, with_mu: bool = False):
    """States at several times after one state, with their derivatives.

    Parameters
    ----------
    mu : float
        m^3/s^2.
    state : array, shape (3,)
        Radius, radial and transverse speed at the epoch.
    dt : array, shape (n,)
        Times after the epoch, s.
    with_mu : bool
        Whether to give the derivative with respect to ``mu`` too.

    Returns
    -------
    values : array, shape (n, 3)
    jacobian : array, shape (n, 3, 3), or (n, 3, 4) with ``with_mu`` (last column: mu)
        ``jacobian[i, j, k]`` is d values[i, j] / d state[k].
    rates : array, shape (n, 3)
        Time derivatives of the values.
    """
    r0, vr0, vt0 = (float(value) for value in state)
    dt = np.atleast_1d(np.asarray(dt, dtype=float))
    eta, h = r0 * vr0, r0 * vt0
    beta = 2.0 * mu / r0 - vr0 * vr0 - vt0 * vt0
    ones = np.ones_like(dt)
    s, turns = solve_kepler(mu * ones, r0 * ones, eta * ones, beta * ones, dt)
    g0, g1, g2, g3, g4, g5 = universal_functions(s, beta * ones, highest=5)
    if turns.any():  # the periodic functions stay, the others grow with the whole regularised time
        s = s + turns * (_TURN / np.sqrt(abs(beta)))
        g3, g4 = np.where(turns != 0, (s - g1) / beta, g3), np.where(turns != 0, (0.5 * s * s - g2) / beta, g4)
        g5 = np.where(turns != 0, (s**3 / 6.0 - g3) / beta, g5)
    r = r0 * g0 + eta * g1 + mu * g2
    sigma = eta * g0 + (mu - beta * r0) * g1  # r times the radial speed
    vr, vt = sigma / r, h / r

    # d G_n / d beta = (n G_(n+2) - s G_(n+1)) / 2
    b0, b1, b2, b3 = -0.5 * s * g1, 0.5 * (g3 - s * g2), g4 - 0.5 * s * g3, 0.5 * (3.0 * g5 - s * g4)
    time_beta = r0 * b1 + eta * b2 + mu * b3
    r_beta = r0 * b0 + eta * b1 + mu * b2
    sigma_beta = eta * b0 + (mu - beta * r0) * b1 - r0 * g1

    # What each parameter (columns: r0, vr0, vt0, mu) does directly to r0, eta, beta and mu (rows).
    direct = np.array(
        [
            [1.0, 0.0, 0.0, 0.0],
            [vr0, r0, 0.0, 0.0],
            [-2.0 * mu / r0**2, -2.0 * vr0, -2.0 * vt0, 2.0 / r0],
            [0.0, 0.0, 0.0, 1.0],
        ]
    )[:, : 4 if with_mu else 3]
    to_h = np.array([vt0, 0.0, r0, 0.0])[: direct.shape[1]]
    # The time is given, so s moves to keep it.
    to_s = -(np.array([g1, g2, time_beta, g3]).T @ direct) / r[:, None]
    to_r = np.array([g0, g1, r_beta, g2]).T @ direct + sigma[:, None] * to_s
    to_sigma = np.array([-beta * g1, g0, sigma_beta, g1]).T @ direct + (mu - beta * r)[:, None] * to_s
    jacobian = np.empty((dt.size, 3, direct.shape[1]))
    jacobian[:, 0] = to_r
    jacobian[:, 1] = (to_sigma - vr[:, None] * to_r) / r[:, None]
    jacobian[:, 2] = (to_h - vt[:, None] * to_r) / r[:, None]
    values = np.stack([r, vr, vt], axis=1)
    rates = np.stack([vr, vt * vt / r - mu / (r * r), -vr * vt / r], axis=1)
    return values, jacobian, rates


@dataclass(frozen=True)
class Shape:
    """What a state says about its orbit; every attribute a float or an array of the broadcast shape, SI.

    Open orbits have ``apoapsis_radius`` and ``period`` inf, and ``semi_major_axis`` negative (inf on a parabola).
    ``true_anomaly`` in -pi..pi; ``time_since_periapsis`` to the nearest passage, negative before it. On a circle both are
    meaningless: ask ``eccentricity`` first.
    """

    energy: np.ndarray
    angular_momentum: np.ndarray
    semi_latus_rectum: np.ndarray
    semi_major_axis: np.ndarray
    eccentricity: np.ndarray
    periapsis_radius: np.ndarray
    apoapsis_radius: np.ndarray
    periapsis_speed: np.ndarray
    apoapsis_speed: np.ndarray
    excess_speed: np.ndarray
    period: np.ndarray
    true_anomaly: np.ndarray
    time_since_periapsis: np.ndarray


def shape(mu, radius, radial_speed, transverse_speed) -> Shape:
    """Shape of the orbit and the place in it.

    Notes
    -----
    e cos nu = p / r - 1 and e sin nu = vr h / mu (Curtis, section 2.4), so that e is good to the last digit near a
    circle; the apsides come from p / (1 + e) and mu (1 + e) / beta, so that they are near a parabola.
    """
    form, (mu, r, vr, vt) = _flat(mu, radius, radial_speed, transverse_speed)
    with np.errstate(invalid="ignore"):  # an infinite radius gives nan, as it should
        h = r * vt
    beta = 2.0 * mu / r - vr * vr - vt * vt
    p = h * h / mu
    ecosine, esine = p / r - 1.0, vr * h / mu
    # h = 0 leaves esine 0 and ecosine -1: a straight line, e = 1.
    e = np.hypot(ecosine, esine)
    bound = beta > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        periapsis = p / (1.0 + e)
        apoapsis = np.where(bound, mu * (1.0 + e) / beta, np.inf)
        periapsis_speed = mu * (1.0 + e) / np.abs(h)
        apoapsis_speed = np.where(bound, beta * np.abs(h) / (mu * (1.0 + e)), np.nan)
        period = np.where(bound, _TURN * mu / np.abs(beta) ** 1.5, np.inf)
        semi_major = np.where(beta != 0, mu / beta, np.inf)
    since = _time_since_periapsis(mu, r, r * vr, beta, e, periapsis)
    found = dict(
        energy=-0.5 * beta,
        angular_momentum=h,
        semi_latus_rectum=p,
        semi_major_axis=semi_major,
        eccentricity=e,
        periapsis_radius=periapsis,
        apoapsis_radius=apoapsis,
        periapsis_speed=periapsis_speed,
        apoapsis_speed=apoapsis_speed,
        excess_speed=np.sqrt(np.where(beta <= 0, -beta, np.nan)),
        period=period,
        true_anomaly=np.arctan2(esine, ecosine),
        time_since_periapsis=since,
    )
    return Shape(**{name: value.reshape(form)[()] for name, value in found.items()})


def _time_since_periapsis(mu, r, eta, beta, e, periapsis):
    """Time since the nearest periapsis, s. Sums of like signs: no digits lost near a parabola."""
    root = np.sqrt(np.abs(beta))
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = np.arctan2(eta * root, mu - r * beta) / root
        open_ = np.arcsinh(eta * root / (mu * np.maximum(e, 1.0))) / root
        s = np.where(beta > 0, bound, np.where(beta < 0, open_, eta / mu))
    _, g1, _, g3 = universal_functions(s, beta)
    return periapsis * g1 + mu * g3


def circular_speed(mu, radius):
    """Speed of a circular orbit, m/s."""
    return np.sqrt(np.asarray(mu) / radius)[()]


def escape_speed(mu, radius):
    """Least speed that never returns, m/s: sqrt(2) times the circular speed."""
    return np.sqrt(2.0 * np.asarray(mu) / radius)[()]


def speed_at_radius(mu, energy, radius):
    """Speed at ``radius`` (m) with specific ``energy`` (J/kg), m/s; nan where the orbit does not reach so far."""
    square = 2.0 * (np.asarray(energy) + np.asarray(mu) / radius)
    return np.sqrt(np.where(square >= 0, square, np.nan))[()]


def from_apsides(mu, periapsis_radius, apoapsis_radius):
    """Specific energy (J/kg) and angular momentum (m^2/s) of the orbit with these apsides; apoapsis inf: a parabola."""
    low, high = np.asarray(periapsis_radius, float), np.asarray(apoapsis_radius, float)
    energy = -mu / (low + high)
    # 2 r_p r_a / (r_p + r_a), written so that an infinite apoapsis is no special case.
    return energy[()], np.sqrt(2.0 * mu * low / (1.0 + low / high))[()]


def state_at_true_anomaly(mu, semi_latus_rectum, eccentricity, true_anomaly):
    """State (radius, radial speed, transverse speed) at a true anomaly (rad); nan beyond a hyperbola's asymptote."""
    p, e, nu = np.broadcast_arrays(*(np.asarray(x, float) for x in (semi_latus_rectum, eccentricity, true_anomaly)))
    h = np.sqrt(mu * p)
    nearness = 1.0 + e * np.cos(nu)
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.where(nearness > 0, p / nearness, np.nan)
        return r[()], (mu / h * e * np.sin(nu))[()], (h / r)[()]


def time_to_radius(mu, radius, radial_speed, transverse_speed, target, outbound=True):
    """Time until the orbit next crosses ``target`` (m), going out or coming in, s.

    0 or positive; nan where the orbit never comes there, or on an open orbit has already been.
    """
    form, (mu, r, vr, vt, target) = _flat(mu, radius, radial_speed, transverse_speed, target)
    here = shape(mu, r, vr, vt)
    beta, e = -2.0 * here.energy, here.eccentricity
    # (r v_r)^2 at the target from its distances to the two apsides, so that crossings near one keep their digits.
    square = (target - here.periapsis_radius) * (mu * (1.0 + e) - beta * target)
    slack = 1e-13 * mu * target
    eta = np.sqrt(np.where(square >= -slack, np.maximum(square, 0.0), np.nan)) * np.where(outbound, 1.0, -1.0)
    there = _time_since_periapsis(mu, target, eta, beta, e, here.periapsis_radius)
    wait = there - here.time_since_periapsis
    with np.errstate(invalid="ignore"):
        bound = np.isfinite(here.period)
        # A crossing less than a rounding ago is now, not one period from now.
        near = 1e-12 * np.maximum(np.abs(there), np.abs(here.time_since_periapsis))
        wait = np.where((wait < 0) & (wait >= -near), 0.0, wait)
        turned = np.where(bound, np.where(wait < 0, wait + here.period, wait), np.where(wait >= 0, wait, np.nan))
    return turned.reshape(form)[()]
