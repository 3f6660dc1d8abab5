"""Universal functions of two-body motion, and Kepler's equation in them.

With the regularised time ``s`` (``dt = r ds``) and ``beta = 2 mu / r - v^2`` (minus twice the energy) every conic obeys
``r'' + beta r = mu``, primes for d/ds. Its solutions are the universal functions

    G_n(s) = s^n c_n(beta s^2),        c_n(z) = sum_k (-z)^k / (n + 2 k)!      (Stumpff's functions)

so that ellipse, parabola and hyperbola are one formula, and what is needed near a parabola comes without cancellation.

Source: Stiefel and Scheifele, *Linear and Regular Celestial Mechanics*, chapter III; Battin, *An Introduction to the
Mathematics and Methods of Astrodynamics*, sections 4.5 to 4.7 (whose U_n are these with a different scaling of s).
"""

from __future__ import annotations

import math

import numpy as np

_TURN = 2.0 * math.pi
# Below this |z| the power series is used: its closed forms lose digits there, and eleven terms reach 1e-17.
_SERIES_LIMIT = 4.0
_TERMS = 12


_POWERS = np.arange(_TERMS)
# Rows: c_2, c_3, c_4, c_5.
_COEFFICIENTS = np.array([[(-1.0) ** k / math.factorial(n + 2 * k) for k in range(_TERMS)] for n in (2, 3, 4, 5)])
# Largest eccentricity for Kepler's equation in its usual form: it then keeps all but the last two digits.
_ROUND = 0.98
_FEW = 200  # elements below which one small matrix product is quicker than Horner's scheme


def _series(z: np.ndarray, first: int) -> tuple[np.ndarray, np.ndarray]:
    """Stumpff's c_first and c_(first + 1) by their power series."""
    rows = _COEFFICIENTS[first - 2 : first]
    if z.size < _FEW:
        low, high = rows @ (z ** _POWERS[:, None])
        return low, high
    return _horner(z, rows[0]), _horner(z, rows[1])


def _horner(z: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    total = np.full_like(z, coefficients[-1])
    for coefficient in coefficients[-2::-1]:
        total *= z
        total += coefficient
    return total


def _closed_c2_c3(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """c_2 and c_3 where |z| is large enough for the closed forms."""
    x = np.sqrt(np.abs(z))
    c2, c3 = np.empty_like(z), np.empty_like(z)
    bound = z > 0
    if bound.any():
        y = x[bound]
        half = np.sin(0.5 * y)
        c2[bound] = 2.0 * half * half / (y * y)
        c3[bound] = (y - np.sin(y)) / (y * y * y)
    if not bound.all():
        y = x[~bound]
        half = np.sinh(0.5 * y)
        c2[~bound] = 2.0 * half * half / (y * y)
        c3[~bound] = (np.sinh(y) - y) / (y * y * y)
    return c2, c3


def stumpff_c2_c3(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stumpff's c_2 and c_3 of ``z`` (array, dimensionless); c_0 = 1 - z c_2 and c_1 = 1 - z c_3 follow."""
    small = np.abs(z) <= _SERIES_LIMIT
    if small.all():
        return _series(z, 2)
    if not small.any():
        return _closed_c2_c3(z)
    c2, c3 = np.empty_like(z), np.empty_like(z)
    c2[small], c3[small] = _series(z[small], 2)
    c2[~small], c3[~small] = _closed_c2_c3(z[~small])
    return c2, c3


def _stumpff_c4_c5(z: np.ndarray, c2: np.ndarray, c3: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    small = np.abs(z) <= _SERIES_LIMIT
    if small.all():
        return _series(z, 4)
    safe = np.where(small, 1.0, z)
    c4, c5 = (0.5 - c2) / safe, (1.0 / 6.0 - c3) / safe
    if small.any():
        c4[small], c5[small] = _series(z[small], 4)
    return c4, c5


def universal_functions(s: np.ndarray, beta: np.ndarray, highest: int = 3) -> tuple[np.ndarray, ...]:
    """G_0 .. G_highest (3 or 5) at regularised time ``s`` (s/m) for ``beta`` (m^2/s^2), same shape.

    d G_n / d s = G_(n-1), and d G_n / d beta = (n G_(n+2) - s G_(n+1)) / 2.
    """
    square = s * s
    z = beta * square
    c2, c3 = stumpff_c2_c3(z)
    found = (1.0 - z * c2, s * (1.0 - z * c3), square * c2, square * s * c3)
    if highest == 3:
        return found
    c4, c5 = _stumpff_c4_c5(z, c2, c3)
    return (*found, square * square * c4, square * square * s * c5)


def solve_kepler(mu, r, eta, beta, dt) -> tuple[np.ndarray, np.ndarray]:
    """Regularised time that takes a state through ``dt`` seconds.

    Solves ``r G_1 + eta G_2 + mu G_3 = dt``; 1-D arrays of one length.

    Parameters
    ----------
    mu, r, eta, beta : arrays
        Gravitational parameter (m^3/s^2), radius (m), r times the radial speed (m^2/s), 2 mu / r - v^2 (m^2/s^2).
    dt : array
        Time to go, either sign, s. On an ellipse whole turns are taken off first.

    Returns
    -------
    s : array
        Regularised time within half a period, s/m.
    turns : array
        Whole periods taken off (0 on open orbits); the regularised time of the whole is ``s + turns 2 pi / sqrt(beta)``.

    Notes
    -----
    Laguerre's iteration after Conway (*Celestial Mechanics* 39, 1986), which converges cubically from almost anywhere,
    kept inside a bracket that shrinks (the left side grows steadily with s, its slope being the radius), so that a
    step that leaves it is replaced by bisection. Motion along a straight line through the centre is carried on
    elastically; it means nothing there.
    """
    with np.errstate(all="ignore"):
        return _solve(mu, r, eta, beta, dt)


def _solve(mu, r, eta, beta, dt):
    root = np.sqrt(np.abs(beta))
    bound = beta > 0
    period = np.where(bound, _TURN * mu / root**3, np.inf)
    turns = np.where(np.isfinite(period), np.rint(dt / period), 0.0)
    rest = np.where(turns != 0.0, dt - turns * period, dt)
    if bound.all():
        s = _solve_round(mu, r, eta, beta, root, rest)
        if s is not None:
            return s, turns
    reach, guess = _start(mu, r, eta, beta, root, bound, rest)
    back = rest < 0
    low, high = np.where(back, -reach, 0.0), np.where(back, 0.0, reach)
    s = np.minimum(np.maximum(guess, low), high)
    pull = mu - beta * r
    for _ in range(60):
        g0, g1, g2, g3 = universal_functions(s, beta)
        miss = r * g1 + eta * g2 + mu * g3 - rest
        slope = r * g0 + eta * g1 + mu * g2
        curvature = eta * g0 + pull * g1
        new = s - 5.0 * miss / (slope + np.sqrt(np.abs(16.0 * slope * slope - 20.0 * miss * curvature)))
        high = np.where(miss > 0, s, high)
        low = np.where(miss < 0, s, low)
        inside = (new >= low) & (new <= high)
        if not inside.all():
            new = np.where(inside, new, 0.5 * (low + high))
            new = np.where(miss == 0.0, s, new)
        moved = np.abs(new - s)
        s = new
        # Cubic convergence: after a step of 1e-6 the next would be below the last digit.
        if not (moved > 1e-6 * np.abs(s)).any():
            break
    return s, turns


def _solve_round(mu, r, eta, beta, root, dt):
    """The same for ellipses that are all well away from the parabola, with a third of the work; else None.

    Kepler's equation in the change x of the eccentric anomaly, x - C sin x + S (1 - cos x) = change of the mean anomaly with
    C = e cos E and S = e sin E at the start: no periapsis in it, hence regular on a circle (Battin, section 4.3).
    """
    cosine, sine = 1.0 - r * beta / mu, eta * root / mu
    square = cosine * cosine + sine * sine
    if not (square < _ROUND * _ROUND).all():
        return None
    mean = dt * root**3 / mu
    x = mean + cosine * np.sin(mean) - sine * (1.0 - np.cos(mean))  # first order in e
    if (square > 0.04).any():
        anomaly = np.arctan2(sine, cosine)
        start = anomaly - sine + mean
        # Danby's start (Celestial Mechanics 40, 1987): E = M + 0.85 e sign(sin M).
        x = np.where(square > 0.04, start + 0.85 * np.sqrt(square) * np.sign(np.sin(start)) - anomaly, x)
    for _ in range(12):
        sin, cos = np.sin(x), np.cos(x)
        curvature = cosine * sin + sine * cos
        slope = 1.0 - cosine * cos + sine * sin
        miss = x - cosine * sin + sine * (1.0 - cos) - mean
        step = -5.0 * miss / (slope + np.sqrt(np.abs(16.0 * slope * slope - 20.0 * miss * curvature)))
        x = x + step
        if not (np.abs(step) > 1e-6 * np.abs(x) + 1e-15).any():
            return x / root
    return None


def _start(mu, r, eta, beta, root, bound, dt):
    """How far s can be at most, and where to begin. The bound needs no iteration: r >= periapsis, and on an open
    orbit time since periapsis >= mu s^3 / 6."""
    ecosine = 1.0 - r * beta / mu  # e cos E, or e cosh H
    esine = eta * root / mu  # e sin E, or e sinh H
    if bound.all():
        return _start_bound(mu, root, ecosine, esine, dt)
    reach_open, guess_open = _start_open(mu, r, eta, beta, root, ecosine, dt)
    if not bound.any():
        return reach_open, guess_open
    reach, guess = _start_bound(mu, root, ecosine, esine, dt)
    # Close to the parabola half a turn is far away: the open bound does not hold there, but the first guess is good.
    flat = bound & (np.abs(dt) * root**3 < 0.3 * mu)
    return np.where(bound, reach, reach_open), np.where(bound & ~flat, guess, np.where(bound, dt / r, guess_open))


def _start_bound(mu, root, ecosine, esine, dt):
    e = np.hypot(ecosine, esine)
    anomaly = np.arctan2(esine, ecosine)
    mean = anomaly - esine + dt * root**3 / mu
    # Danby's start (Celestial Mechanics 40, 1987): E = M + 0.85 e sign(sin M).
    guess = (mean + 0.85 * e * np.sign(np.sin(mean)) - anomaly) / root
    return _TURN / root, guess


def _start_open(mu, r, eta, beta, root, ecosine, dt):
    esquare = np.maximum(1.0 - beta * (r * (2.0 * mu - r * beta) - eta * eta) / (mu * mu), 1.0)
    e = np.sqrt(esquare)
    x = eta * root / (mu * e)
    s0 = np.where(root > 0, np.arcsinh(x) / np.where(root > 0, root, 1.0), eta / mu)
    g0, g1, g2, g3 = universal_functions(s0, np.minimum(beta, 0.0))
    periapsis = np.maximum(r - mu * e * g2, 0.0)
    since = periapsis * g1 + mu * g3
    total = since + dt
    # periapsis s + mu s^3 / 6 = time since periapsis: an upper bound of |s| there, and exact on the parabola.
    scale = np.sqrt(2.0 * periapsis / mu)
    thirds = 3.0 * total / mu
    cubic = np.cbrt(thirds + np.sqrt(thirds * thirds + scale**6)) - np.cbrt(np.sqrt(thirds * thirds + scale**6) - thirds)
    flat = np.arcsinh(total * root**3 / (mu * e)) / np.where(root > 0, root, 1.0)  # from e sinh H = M + H, H left out
    end = np.where(np.abs(total) * root**3 > 3.0 * mu * e, np.sign(total) * np.minimum(np.abs(flat) * 1.3, np.abs(cubic)), cubic)
    reach = np.abs(cubic) + np.abs(s0)
    return reach * (1 + 1e-9) + 1e-300, end - s0
