"""A burn that takes time, flown along the motion: what it costs over the impulse it stands for, and when to light it."""

from __future__ import annotations

import math
from dataclasses import dataclass


_CENTRE, _STANDSTILL = 0.02, 1e-4  # parts of the first radius and speed at which a burn leads nowhere
_REVOLUTIONS = 40  # of a circle as high as the burn's beginning


@dataclass(frozen=True)
class FiniteBurn:
    """``delta_v`` spent, m/s; ``duration``, s; ``propellant``, kg; ``lead``: seconds from ignition to the place of the impulse (periapsis, say);
    ``energy`` and ``angular_momentum`` after (m^2/s^2, m^2/s), with ``radius`` (m) at cutoff."""

    delta_v: float
    duration: float
    propellant: float
    lead: float
    energy: float
    angular_momentum: float
    radius: float


def burn_to_energy(
    mu: float, radius: float, radial_speed: float, transverse_speed: float, energy: float, mass: float, thrust: float, exhaust_speed: float, *,
    lead: float = 0.0,
) -> FiniteBurn:  # fmt: skip
    """Thrust along the motion (against it, for an energy below the present one) until the orbit has an energy.

    Parameters
    ----------
    mu : float
    radius, radial_speed, transverse_speed : float
        At the place of the impulse, m, m/s.
    energy : float
        Wanted, m^2/s^2.
    mass, thrust, exhaust_speed : float
        kg, N, m/s.
    lead : float
        Seconds before that place at which the engine is lit (negative: after it).

    Returns
    -------
    FiniteBurn
        With nan where the propellant would be the whole mass first, where the craft would stop or fall to the centre first, or where it takes more than a few dozen
        revolutions.
    """
    from scipy.integrate import solve_ivp

    from analyser.fitting.conic import propagate

    r, vr, vt = (float(x) for x in propagate(mu, radius, radial_speed, transverse_speed, -lead))
    flow = thrust / exhaust_speed
    sign = 1.0 if energy > (vr * vr + vt * vt) / 2 - mu / r else -1.0

    def rates(t, y):
        r, vr, vt, m = y
        size = math.hypot(vr, vt)
        a = sign * thrust / m / size
        return [vr, vt * vt / r - mu / r**2 + a * vr, -vr * vt / r + a * vt, -flow]

    def reached(t, y):
        return (y[1] ** 2 + y[2] ** 2) / 2 - mu / y[0] - energy

    start = r, math.hypot(vr, vt)

    def fallen(t, y):
        return y[0] - _CENTRE * start[0]

    def stopped(t, y):
        return math.hypot(y[1], y[2]) - _STANDSTILL * start[1]

    for event in (reached, fallen, stopped):
        event.terminal = True
    longest = min(0.95 * mass / flow, _REVOLUTIONS * 2 * math.pi * math.sqrt(r**3 / mu))
    out = solve_ivp(rates, (0, longest), [r, vr, vt, mass], events=(reached, fallen, stopped), rtol=1e-9, atol=1e-6, method="DOP853")
    if not out.t_events[0].size:
        return FiniteBurn(math.nan, math.nan, math.nan, lead, math.nan, math.nan, math.nan)
    time, (r, vr, vt, m) = float(out.t_events[0][0]), (float(x) for x in out.y_events[0][0])
    return FiniteBurn(exhaust_speed * math.log(mass / m), time, mass - m, lead, (vr * vr + vt * vt) / 2 - mu / r, r * vt, r)


def best_lead(
    mu: float, radius: float, transverse_speed: float, energy: float, mass: float, thrust: float, exhaust_speed: float
) -> FiniteBurn:
    """The burn about an apsis, lit so that it costs least: about half its length before the apsis, a little more where the mass falls much."""
    from scipy.optimize import minimize_scalar

    speed = math.sqrt(2 * (energy + mu / radius))
    length = mass * -math.expm1(-abs(speed - abs(transverse_speed)) / exhaust_speed) * exhaust_speed / thrust

    def flown(share):
        return burn_to_energy(mu, radius, 0.0, transverse_speed, energy, mass, thrust, exhaust_speed, lead=share * length)

    found = minimize_scalar(lambda s: flown(s).delta_v, bounds=(0.2, 0.9), method="bounded", options={"xatol": 1e-3})
    return flown(float(found.x))
