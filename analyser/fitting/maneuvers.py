"""Planned changes of orbit beyond the two cheapest impulses in one plane: three impulses, plane changes, one-tangent burns, phasing, meeting.

Impulses throughout, two-body motion. Radii in m from the centre, speeds in m/s, angles in rad. Formulas: Vallado, *Fundamentals of Astrodynamics and
Applications*, chapter 6; Curtis, *Orbital Mechanics for Engineering Students*, chapter 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from analyser.fitting.transfer import apsides, time_from_periapsis


@dataclass(frozen=True)
class Maneuver:
    """``burns``: delta-v of each burn in order, m/s; ``radii``: where, m; ``turns``: plane change in each, rad; ``duration``, first to last burn, s."""

    burns: tuple[float, ...]
    radii: tuple[float, ...]
    turns: tuple[float, ...]
    duration: float

    @property
    def delta_v(self) -> float:
        """Sum of the burns, m/s; nan where there is no such maneuver."""
        return math.fsum(self.burns) if self.burns else math.nan


def apsis_speed(mu: float, here: float, there: float) -> float:
    """Speed at the apsis ``here`` of the conic whose other apsis is ``there`` (may be inf)."""
    return math.sqrt(2 * mu / (here * (1 + here / there)))


def half_period(mu: float, here: float, there: float) -> float:
    """Seconds from one apsis to the other."""
    return math.pi * math.sqrt(((here + there) / 2) ** 3 / mu)


def plane_change(speed_before: float, speed_after: float, angle: float) -> float:
    """Delta-v, m/s, of turning the velocity by an angle while its size changes."""
    return math.sqrt(max(speed_before**2 + speed_after**2 - 2 * speed_before * speed_after * math.cos(angle), 0.0))


def plane_angle(inclination_from: float, inclination_to: float, node_change: float) -> float:
    """Angle between two orbit planes, rad."""
    cos = math.cos(inclination_from) * math.cos(inclination_to) + math.sin(inclination_from) * math.sin(inclination_to) * math.cos(node_change)
    return math.acos(max(-1.0, min(1.0, cos)))


def crossing_latitudes(inclination_from: float, inclination_to: float, node_change: float) -> tuple[float, float]:
    """Angle from the ascending node to the place where two planes cross, in the first orbit and in the second, rad, 0 to 2 pi."""
    angle = plane_angle(inclination_from, inclination_to, node_change)
    if math.sin(angle) == 0:
        return math.nan, math.nan
    u1 = math.atan2(math.sin(inclination_to) * math.sin(node_change),
                    math.cos(inclination_to) * math.sin(inclination_from) * -1 + math.sin(inclination_to) * math.cos(inclination_from) * math.cos(node_change))  # fmt: skip
    u2 = math.atan2(math.sin(inclination_from) * math.sin(node_change),
                    math.cos(inclination_from) * math.sin(inclination_to) - math.sin(inclination_from) * math.cos(inclination_to) * math.cos(node_change))  # fmt: skip
    return u1 % (2 * math.pi), u2 % (2 * math.pi)


def one_tangent(mu: float, radius_from: float, radius_to: float, true_anomaly: float) -> Maneuver:
    """From a circle to another by a burn along the motion at the first and one at a given true anomaly (rad) of the transfer.

    Quicker than the cotangential ellipse, and dearer. Raises ValueError where the transfer does not reach the second circle there.
    """
    ratio = radius_from / radius_to
    cos = math.cos(true_anomaly)
    inward = radius_to < radius_from
    e = (ratio - 1) / (cos - ratio) if not inward else (1 - ratio) / (cos + ratio)
    if not (e >= 0 and math.isfinite(e)):
        raise ValueError("no conic with an apsis on the first circle meets the second at that true anomaly")
    a = radius_from / (1 + e if inward else 1 - e)
    energy = -mu / (2 * a)
    leave = math.sqrt(2 * (energy + mu / radius_from))
    arrive = math.sqrt(2 * (energy + mu / radius_to))
    angle = math.acos(max(-1.0, min(1.0, leave * radius_from / (arrive * radius_to))))
    h = leave * radius_from
    since = float(time_from_periapsis(mu, energy, h, radius_to))
    duration = since if not inward else half_period(mu, *map(float, apsides(mu, energy, h))) - since
    burns = abs(leave - math.sqrt(mu / radius_from)), plane_change(arrive, math.sqrt(mu / radius_to), angle)
    return Maneuver(burns, (radius_from, radius_to), (0.0, 0.0), duration)


def bielliptic(mu: float, radius_from: float, far: float, radius_to: float) -> Maneuver:
    """From a circle to another by way of a far apoapsis."""
    burns = (
        abs(apsis_speed(mu, radius_from, far) - math.sqrt(mu / radius_from)),
        abs(apsis_speed(mu, far, radius_to) - apsis_speed(mu, far, radius_from)),
        abs(math.sqrt(mu / radius_to) - apsis_speed(mu, radius_to, far)),
    )
    return Maneuver(burns, (radius_from, far, radius_to), (0.0,) * 3, half_period(mu, radius_from, far) + half_period(mu, far, radius_to))


def least_with_plane(
    mu: float, orbit_from, orbit_to, angle: float = 0.0, *, radius_min: float = 0.0, radius_max: float = math.inf, impulses: int = 2
) -> Maneuver:
    """Least delta-v between two orbits whose planes differ by an angle, shared between the burns as is cheapest.

    Parameters
    ----------
    mu : float
    orbit_from, orbit_to : (energy, angular momentum)
        Ellipses; both apse lines are free to lie along the line in which the planes cross.
    angle : float
        Between the planes, rad.
    radius_min, radius_max : float
        Burns between these radii. A third burn goes as far out as pays.
    impulses : int
        2 or 3 at the most.

    Notes
    -----
    Burns are at apsides, along the motion but for the turn. In one plane that is proven (:mod:`analyser.fitting.transfer`);
    with a plane change and the apse line free it is the usual form, here without proof that no other is cheaper.
    """
    best = Maneuver((), (), (), math.nan)
    ends = []
    for orbit in (orbit_from, orbit_to):
        radii = {round(float(r), 6): float(r) for r in apsides(mu, *orbit)}.values()
        ends.append([(r, abs(orbit[1]) / r) for r in radii if radius_min * (1 - 1e-9) <= r <= radius_max * (1 + 1e-9) and math.isfinite(r)])
    for (r1, v1), (r2, v2) in product(*ends):
        found = _two(mu, r1, v1, r2, v2, angle)
        if not best.burns or found.delta_v < best.delta_v:
            best = found
        if impulses >= 3:
            found = _three(mu, r1, v1, r2, v2, angle, max(r1, r2), radius_max)
            if found.delta_v < best.delta_v * (1 - 1e-6):  # apsides of a circle are known to 1e-8 only
                best = found
    return best


def _two(mu, r1, v1, r2, v2, angle):
    from scipy.optimize import minimize_scalar

    leave, arrive = apsis_speed(mu, r1, r2), apsis_speed(mu, r2, r1)

    def burns(first):
        return plane_change(v1, leave, first), plane_change(arrive, v2, angle - first)

    first = _lowest(lambda x: sum(burns(x)), 0.0, angle, minimize_scalar) if angle else 0.0
    return Maneuver(burns(first), (r1, r2), (first, angle - first), half_period(mu, r1, r2))


def _three(mu, r1, v1, r2, v2, angle, near, far):
    """By way of an apsis farther out; its distance and the split of the turn are searched."""
    from scipy.optimize import minimize

    def burns(z):
        distance = near / max(1 - z[0], 1e-12)
        first, last = z[1] * angle, z[2] * angle
        return (
            plane_change(v1, apsis_speed(mu, r1, distance), first),
            plane_change(apsis_speed(mu, distance, r1), apsis_speed(mu, distance, r2), angle - first - last),
            plane_change(apsis_speed(mu, r2, distance), v2, last),
        )

    widest = 1 - near / far if math.isfinite(far) else 1 - 1e-6
    starts = [(z, s, s) for z in (0.05 * widest, 0.5 * widest, widest) for s in ((0.02, 0.3) if angle else (0.0,))]
    bounds = [(0.0, widest), (0.0, 1.0), (0.0, 1.0)]
    unit = v1 + v2
    results = [minimize(lambda z: sum(burns(z)) / unit, s, bounds=bounds, method="L-BFGS-B", options={"ftol": 1e-15, "gtol": 1e-10}) for s in starts]
    z = min(results, key=lambda r: r.fun).x
    distance = near / max(1 - z[0], 1e-12)
    turns = z[1] * angle, angle - (z[1] + z[2]) * angle, z[2] * angle
    return Maneuver(tuple(burns(z)), (r1, distance, r2), turns, half_period(mu, r1, distance) + half_period(mu, distance, r2))


def _lowest(function, low, high, minimize_scalar):
    grid = np.linspace(low, high, 33)
    at = int(np.argmin([function(x) for x in grid]))
    a, b = grid[max(at - 1, 0)], grid[min(at + 1, 32)]
    found = minimize_scalar(function, bounds=(a, b), method="bounded", options={"xatol": 1e-12})
    return float(min((found.x, low, high), key=function))


def phasing(mu: float, periapsis: float, apoapsis: float, ahead: float, revolutions: int = 1) -> Maneuver:
    """Meet a target on the same orbit: leave at periapsis, be back there when the target comes, after whole turns of another ellipse.

    Parameters
    ----------
    periapsis, apoapsis : float
        Of the orbit, m.
    ahead : float
        True anomaly of the target when the craft is at periapsis, rad (0 to 2 pi).
    revolutions : int
        Turns of the phasing ellipse; more are cheaper and slower.
    """
    energy, e = -mu / (periapsis + apoapsis), (apoapsis - periapsis) / (apoapsis + periapsis)
    period = 2 * half_period(mu, periapsis, apoapsis)
    eccentric = 2 * math.atan2(math.sqrt(1 - e) * math.sin(ahead / 2), math.sqrt(1 + e) * math.cos(ahead / 2))
    passed = (eccentric - e * math.sin(eccentric)) % (2 * math.pi) / (2 * math.pi) * period
    duration = revolutions * period - passed
    size = (mu * (duration / revolutions / (2 * math.pi)) ** 2) ** (1 / 3)
    before, after = math.sqrt(2 * (energy + mu / periapsis)), math.sqrt(mu * (2 / periapsis - 1 / size))
    change = abs(after - before)
    return Maneuver((change, change), (periapsis, periapsis), (0.0, 0.0), duration)


@dataclass(frozen=True)
class Meeting:
    """``lead``: how far ahead the target has to be at the first burn, rad; ``wait`` until it is, s; ``transfer``: the burns."""

    lead: float
    wait: float
    transfer: Maneuver


def meet(mu: float, radius_from: float, radius_to: float, ahead: float) -> Meeting:
    """Cotangential transfer between circles to a target that is ``ahead`` (rad) now."""
    time = half_period(mu, radius_from, radius_to)
    rate, target_rate = math.sqrt(mu / radius_from**3), math.sqrt(mu / radius_to**3)
    lead = math.pi - target_rate * time
    change = (ahead - lead) if rate > target_rate else (lead - ahead)
    wait = change % (2 * math.pi) / abs(rate - target_rate)
    burns = (
        abs(apsis_speed(mu, radius_from, radius_to) - math.sqrt(mu / radius_from)),
        abs(math.sqrt(mu / radius_to) - apsis_speed(mu, radius_to, radius_from)),
    )
    return Meeting(lead, wait, Maneuver(burns, (radius_from, radius_to), (0.0, 0.0), time))


def flyby(mu: float, excess, periapsis: float, sense: int) -> np.ndarray:
    """Excess velocity after a pass, m/s (2,), from that before; ``sense`` 1 turns it anticlockwise, -1 clockwise; ``periapsis`` radius, m."""
    excess = np.asarray(excess, float)
    angle = sense * 2 * math.asin(1 / (1 + periapsis * float(excess @ excess) / mu))
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([cos * excess[0] - sin * excess[1], sin * excess[0] + cos * excess[1]])


def departure(mu: float, radius: float, excess_speed: float) -> tuple[float, float]:
    """From a circle to a hyperbola of an excess speed: delta-v, m/s, and the angle between the burn's place and the asymptote's direction
    behind the centre (rad; Curtis's beta)."""
    speed = math.sqrt(excess_speed**2 + 2 * mu / radius)
    e = 1 + radius * excess_speed**2 / mu
    return speed - math.sqrt(mu / radius), math.acos(1 / e)
