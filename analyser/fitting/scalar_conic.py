"""Two-body motion of a single state in plain ``math``: for answers in flight, where loading an array library takes longer
than the whole answer. The vectorised forms are in :mod:`analyser.fitting.conic` and :mod:`analyser.fitting.universal`.

Symbols: ``mu`` gravitational parameter, m^3/s^2; ``r`` radius, m; ``vr``, ``vt`` radial (up positive) and transverse speed,
m/s, in non-rotating axes about the body's centre; ``alpha`` 1 / semi-major axis, 1/m (0: parabola, negative: hyperbola).
"""

from __future__ import annotations

import math
from collections import namedtuple

# Below this |alpha| r the closed forms of ellipse and hyperbola cancel; a series through the parabola takes over.
_NEAR_PARABOLIC = 1e-3


class Shape(namedtuple("Shape", "alpha angular_momentum eccentricity periapsis apoapsis period")):
    """Size and form of an orbit, floats. ``periapsis`` and ``apoapsis`` are radii, m; unbound: apoapsis and period are inf."""

    __slots__ = ()


def shape(mu: float, r: float, vr: float, vt: float) -> Shape:
    """The orbit of a state.

    Notes
    -----
    The periapsis is ``p / (1 + e)`` with ``p = h^2/mu``, and the apoapsis of an ellipse ``(1 + e) / alpha``: neither loses digits near
    the parabola or the circle. ``e`` comes from its two components, ``e cos nu = p/r - 1`` and ``e sin nu = vr h / mu``.
    Bate, Mueller, White, *Fundamentals of Astrodynamics*, sections 1.4 to 1.6 (from memory).
    """
    alpha = 2 / r - (vr * vr + vt * vt) / mu
    h = r * abs(vt)
    p = h * h / mu
    eccentricity = math.hypot(p / r - 1, vr * h / mu)
    periapsis = p / (1 + eccentricity)
    if alpha <= 0:
        return Shape(alpha, h, eccentricity, periapsis, math.inf, math.inf)
    period = 2 * math.pi / math.sqrt(mu * alpha**3) if alpha > 1e-100 else math.inf
    return Shape(alpha, h, eccentricity, periapsis, (1 + eccentricity) / alpha, period)


def time_since_periapsis(mu: float, r: float, vr: float, vt: float) -> float:
    """Time since the nearest periapsis, s: negative where it lies ahead; within half a period of an ellipse.

    Notes
    -----
    Kepler's equation of the ellipse and the hyperbola with ``e sin E = r vr sqrt(alpha / mu)`` and ``e cos E = 1 - alpha r``; near the
    parabola the universal form ``sqrt(mu) t = q x + e x^3 S(alpha x^2)`` (Bate, Mueller, White, section 4.3, from memory).
    """
    alpha = 2 / r - (vr * vr + vt * vt) / mu
    if alpha * r > _NEAR_PARABOLIC:
        sine, cosine = r * vr * math.sqrt(alpha / mu), 1 - alpha * r
        return (math.atan2(sine, cosine) - sine) / math.sqrt(mu * alpha**3)
    p = (r * vt) ** 2 / mu
    eccentricity = math.hypot(p / r - 1, vr * r * vt / mu)
    if -alpha * r > _NEAR_PARABOLIC:
        sine = r * vr * math.sqrt(-alpha / mu)
        return (sine - math.asinh(sine / eccentricity)) / math.sqrt(mu * -alpha**3)
    q = p / (1 + eccentricity)
    # w = tan(E/2) / sqrt(alpha), and x = E / sqrt(alpha) = 2 atan(sqrt(alpha) w) / sqrt(alpha): both finite at alpha = 0.
    w = r * vr / math.sqrt(mu) / (eccentricity + 1 - alpha * r)
    z = alpha * w * w
    x = 2 * w * _alternating(z, (1, 3, 5, 7, 9, 11, 13))
    z = alpha * x * x
    stumpff = (1 - z / 20 * (1 - z / 42 * (1 - z / 72 * (1 - z / 110 * (1 - z / 156))))) / 6
    return (q * x + eccentricity * x**3 * stumpff) / math.sqrt(mu)


def _alternating(z: float, denominators: tuple[int, ...]) -> float:
    """1 - z/3 + z^2/5 - ...: atan(sqrt z)/sqrt z, and atanh for negative z."""
    return math.fsum((-z) ** index / denominator for index, denominator in enumerate(denominators))


def speed_at(mu: float, alpha: float, r: float) -> float:
    """Speed at radius ``r``, m/s (vis viva); 0 beyond the apoapsis."""
    return math.sqrt(max(0.0, mu * (2 / r - alpha)))


def crossing(mu: float, orbit: Shape, r: float) -> tuple[float, float]:
    """Radial and transverse speed when an orbit climbs through radius ``r``, m/s; coming down the radial speed is its negative.

    Only for ``periapsis <= r <= apoapsis``; at and beyond an apsis the radial speed is 0.
    """
    vt = orbit.angular_momentum / r
    return math.sqrt(max(0.0, mu * (2 / r - orbit.alpha) - vt * vt)), vt


def time_down_to(mu: float, orbit: Shape, since_periapsis: float, r: float) -> float:
    """Time until a craft ``since_periapsis`` s past its periapsis next comes down through radius ``r``, s; inf where never."""
    if r < orbit.periapsis or r > orbit.apoapsis:
        return math.inf
    vr, vt = crossing(mu, orbit, r)
    wait = -time_since_periapsis(mu, r, vr, vt) - since_periapsis
    if wait < 0:
        wait += orbit.period  # inf for a craft that has left for good
    return wait


def time_up_to(mu: float, orbit: Shape, since_periapsis: float, r: float) -> float:
    """Time until a craft ``since_periapsis`` s past its periapsis next climbs through radius ``r``, s; inf where never."""
    if r < orbit.periapsis or r > orbit.apoapsis:
        return math.inf
    vr, vt = crossing(mu, orbit, r)
    wait = time_since_periapsis(mu, r, vr, vt) - since_periapsis
    if wait < 0:
        wait += orbit.period
    return wait


def after(mu: float, r: float, vr: float, vt: float, seconds: float) -> tuple[float, float, float]:
    """Radius, radial and transverse speed ``seconds`` later (or earlier: negative).

    Notes
    -----
    Universal Kepler equation by Newton with a bracket, whole revolutions taken off first. Curtis, *Orbital Mechanics for
    Engineering Students*, section 3.7 (from memory). Relative error about 1e-12 away from a radial fall through the centre.
    """
    alpha = 2 / r - (vr * vr + vt * vt) / mu
    root = math.sqrt(mu)
    if alpha > 0:
        period = 2 * math.pi / math.sqrt(mu * alpha**3) if alpha > 1e-100 else math.inf
        if abs(seconds) > period / 2:
            seconds -= period * round(seconds / period)
    sigma = r * vr / root
    goal = root * seconds
    x = math.copysign(min(abs(goal) / r, (6 * abs(goal)) ** (1 / 3)), goal)
    low, high = -math.inf, math.inf
    for _ in range(100):
        z = alpha * x * x
        c, s = _stumpff(z)
        value = sigma * x * x * c + (1 - alpha * r) * x**3 * s + r * x - goal
        slope = sigma * x * (1 - z * s) + (1 - alpha * r) * x * x * c + r  # the radius there: never negative
        if value > 0:
            high = min(high, x)
        else:
            low = max(low, x)
        step = -value / slope if slope > 0 else math.inf
        if abs(step) <= 1e-14 * abs(x) or value == 0:
            break
        if low < x + step < high:
            x += step
        elif math.isfinite(low) and math.isfinite(high):
            if high - low <= 4e-16 * abs(x):
                break
            x = (low + high) / 2
        else:
            x = x * 2 if (value < 0) == (x > 0) else x / 2
    z = alpha * x * x
    c, s = _stumpff(z)
    later = sigma * x * (1 - z * s) + (1 - alpha * r) * x * x * c + r
    later_sigma = sigma * (1 - z * c) + (1 - alpha * r) * x * (1 - z * s)
    return later, root * later_sigma / later, r * vt / later


def _stumpff(z: float) -> tuple[float, float]:
    """Stumpff's C and S (C = (1 - cos sqrt z)/z, S = (sqrt z - sin sqrt z)/sqrt z^3), smooth through 0."""
    if z > 0.1:
        root = math.sqrt(z)
        return (1 - math.cos(root)) / z, (root - math.sin(root)) / (z * root)
    if z < -0.1:
        root = math.sqrt(-z)
        if root > 700:
            return math.inf, math.inf
        return (math.cosh(root) - 1) / -z, (math.sinh(root) - root) / (-z * root)
    c = (1 - z / 12 * (1 - z / 30 * (1 - z / 56 * (1 - z / 90 * (1 - z / 132))))) / 2
    s = (1 - z / 20 * (1 - z / 42 * (1 - z / 72 * (1 - z / 110 * (1 - z / 156))))) / 6
    return c, s
