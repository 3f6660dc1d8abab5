"""Lambert's problem: the conics from one place to another in a given time, also after whole turns.

The free parameter is that of Lancaster and Blanchard (NASA TN D-5368, 1969) in the form of D. Izzo, "Revisiting Lambert's problem",
Celestial Mechanics and Dynamical Astronomy 121 (2015): ``x`` = 0 on the ellipse of least energy, 1 on the parabola, above on hyperbolas; the
time of flight is a smooth function of it, falling where no whole turn is made, and with one lowest point for each number of whole turns.
Found by bracketing and Newton's steps kept inside the bracket, so that it converges wherever there is a solution.
"""

from __future__ import annotations

import math

import numpy as np


def solve_lambert(mu: float, place_from, place_to, time: float, *, prograde: bool = True, turns: int = 0, long_period: bool = False):
    """Velocities at both ends of a conic.

    Parameters
    ----------
    mu : float
        m^3/s^2.
    place_from, place_to : array, shape (3,) or (2,)
        From the body's centre, m, axes that do not rotate.
    time : float
        s, positive.
    prograde : bool
        Whether the angular momentum points along +z (in two dimensions: anticlockwise).
    turns : int
        Whole turns made on the way.
    long_period : bool
        Of the two ellipses there are for one or more turns, that of the longer period.

    Returns
    -------
    velocity_from, velocity_to : arrays of the input's shape
        m/s.

    Raises
    ------
    ValueError
        A place at the centre, a time that is not positive, or fewer turns possible in that time than wanted; places in line with the centre on opposite
        sides, where the plane of the flight is not determined (in two dimensions it is), or the same place twice without a turn.
    """
    a, b = np.asarray(place_from, float), np.asarray(place_to, float)
    flat = a.size == 2
    r1, r2 = float(np.linalg.norm(a)), float(np.linalg.norm(b))
    if not (r1 > 0 and r2 > 0 and time > 0 and math.isfinite(time)):
        raise ValueError("both places must be away from the centre and the time positive")
    if flat:
        normal = a[0] * b[1] - a[1] * b[0]
        around = normal
    else:
        cross = np.cross(a, b)
        around, normal = cross[2], float(np.linalg.norm(cross))
        if normal <= 1e-13 * r1 * r2 and float(a @ b) < 0:
            raise ValueError("the places are opposite each other: any plane through them would do")
    cos = float(np.clip(a @ b / (r1 * r2), -1, 1))
    chord = math.sqrt(max(r1 * r1 + r2 * r2 - 2 * r1 * r2 * cos, 0.0))
    half = (r1 + r2 + chord) / 2
    if chord <= 1e-13 * half and turns == 0:
        raise ValueError("the two places are the same: without a whole turn only a standstill or a fall joins them")
    ratio = math.sqrt(max(1 - chord / half, 0.0))
    # in three dimensions a motion without z component of its angular momentum counts as prograde
    short_way = (around >= 0) if prograde else (around < 0)
    if not short_way:
        ratio = -ratio
    wanted = math.sqrt(2 * mu / half**3) * time
    x = _find(ratio, wanted, turns, long_period)
    y = math.sqrt(max(1 - ratio**2 * (1 - x * x), 0.0))
    gamma = math.sqrt(mu * half / 2)
    rho = (r1 - r2) / chord if chord > 0 else 0.0
    sigma = math.sqrt(max(1 - rho * rho, 0.0))
    radial1 = gamma * ((ratio * y - x) - rho * (ratio * y + x)) / r1
    radial2 = -gamma * ((ratio * y - x) + rho * (ratio * y + x)) / r2
    across = gamma * sigma * (y + ratio * x)
    out1, out2 = a / r1, b / r2
    if flat:
        sense = 1.0 if prograde else -1.0
        side1, side2 = sense * np.array([-out1[1], out1[0]]), sense * np.array([-out2[1], out2[0]])
    else:
        axis = cross / normal if normal > 0 else _any_axis(out1)
        axis = axis if short_way else -axis
        side1, side2 = np.cross(axis, out1), np.cross(axis, out2)
    return radial1 * out1 + across / r1 * side1, radial2 * out2 + across / r2 * side2


def most_turns(mu: float, place_from, place_to, time: float, *, prograde: bool = True) -> int:
    """Most whole turns that can be made on the way in that time (s)."""
    possible = 0
    while True:
        try:
            solve_lambert(mu, place_from, place_to, time, prograde=prograde, turns=possible + 1)
        except ValueError:
            return possible
        possible += 1


def _any_axis(direction):
    side = np.cross(direction, [0.0, 0.0, 1.0])
    if np.linalg.norm(side) < 1e-9:
        side = np.array([1.0, 0.0, 0.0])
    axis = np.cross(side, direction)
    return axis / np.linalg.norm(axis)


def _time(x: float, ratio: float, turns: int) -> float:
    """Time of flight in units of sqrt(half^3 / 2 mu)."""
    flat = 1 - x * x
    y = math.sqrt(max(1 - ratio**2 * flat, 0.0))
    if turns == 0 and 0.6 < x < 1.4:  # near the parabola the closed form cancels: Battin's series
        eta = y - ratio * x
        s1 = (1 - ratio - x * eta) / 2
        q = 4.0 / 3.0 * _hypergeometric(s1)
        return (eta**3 * q + 4 * ratio * eta) / 2
    if flat > 0:
        psi = math.acos(max(-1.0, min(1.0, x * y + ratio * flat)))
        return ((psi + turns * math.pi) / math.sqrt(flat) - x + ratio * y) / flat
    psi = math.asinh((y - x * ratio) * math.sqrt(-flat))
    return (psi / math.sqrt(-flat) - x + ratio * y) / flat


def _hypergeometric(z: float) -> float:
    """2F1(3, 1; 5/2; z), by its series; |z| < 1."""
    term = total = 1.0
    for k in range(400):
        term *= (3 + k) * (1 + k) / (2.5 + k) * z / (k + 1)
        total += term
        if abs(term) < 1e-17 * abs(total):
            break
    return total


def _find(ratio: float, wanted: float, turns: int, long_period: bool) -> float:
    from scipy.optimize import brentq, minimize_scalar

    def error(x):
        return _time(x, ratio, turns) - wanted

    if turns == 0:
        low, high = -0.5, 2.0
        while error(low) < 0:
            low = -1 + (low + 1) / 8
            if low <= -1 + 1e-15:
                raise ValueError("the time is longer than can be told from a fall without end")
        while error(high) > 0:
            high *= 3
            if high > 1e12:
                raise ValueError("the time is too short to be flown")
        return brentq(error, low, high, xtol=1e-15, rtol=1e-14, maxiter=300)
    # the lowest point of the curve is flat: golden section finds its place to 1e-8, its height to 1e-16
    bottom = minimize_scalar(lambda x: _time(x, ratio, turns), bounds=(-1 + 1e-9, 1 - 1e-9), method="bounded", options={"xatol": 1e-10}).x
    if error(bottom) > 0:
        raise ValueError(f"{turns} whole turns take longer than the time given")
    found = []
    for edge in (-1.0, 1.0):
        far, share = bottom, 0.5
        while error(far) < 0:
            far = edge + (bottom - edge) * share
            share /= 4
            if share < 1e-16:
                raise ValueError("the time is longer than can be told")
        found.append(brentq(error, *sorted((bottom, far)), xtol=1e-15, rtol=1e-14, maxiter=300))
    # the semi-major axis is half / 2 / (1 - x^2)
    return max(found, key=abs) if long_period else min(found, key=abs)
