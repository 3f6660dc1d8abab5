"""Planned changes of orbit beyond the two cheapest impulses in one plane: three impulses, plane changes, one-tangent burns, phasing, meeting.

Impulses throughout, two-body motion. Radii in m from the centre, speeds in m/s, angles in rad. Formulas: Vallado, *Fundamentals of Astrodynamics and
Applications*, chapter 6; Curtis, *Orbital Mechanics for Engineering Students*, chapter 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from analyser.fitting.minimise import descend, lowest
from analyser.fitting.transfer import apsides, time_from_periapsis
from analyser.fitting.transfer_search import turning

#: Shares of a turn, closer together at the ends, where the cheapest often lies; where the third impulse is looked for first, and with which shares.
_SHARES = np.sin(np.linspace(0.0, np.pi / 2, 25)) ** 2
_OUT, _SHARED = (0.3, 0.9, 1.4), (0.02, 0.3)


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
    return float(_apsis_speeds(mu, here, there))


def half_period(mu: float, here: float, there: float) -> float:
    """Seconds from one apsis to the other."""
    return math.pi * math.sqrt(float((here + there) / 2) ** 3 / mu)


def plane_change(speed_before: float, speed_after: float, angle: float) -> float:
    """Delta-v, m/s, of turning the velocity by an angle while its size changes."""
    return float(turning(speed_before, speed_after, angle))


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
    ends = []
    for orbit in (orbit_from, orbit_to):
        radii = {round(float(r), 6): float(r) for r in apsides(mu, *orbit)}.values()
        ends.append([(r, abs(orbit[1]) / r) for r in radii if radius_min * (1 - 1e-9) <= r <= radius_max * (1 + 1e-9) and math.isfinite(r)])
    pairs = np.array([(*one, *other) for one, other in product(*ends)]).T
    if not pairs.size:
        return Maneuver((), (), (), math.nan)
    best = _two(mu, *pairs, angle)
    if impulses >= 3:
        found = _three(mu, *pairs, angle, radius_max)
        if found.delta_v < best.delta_v * (1 - 1e-6):  # apsides of a circle are known to 1e-8 only
            best = found
    return best


def _two(mu, r1, v1, r2, v2, angle):
    """The best of pairs of apsides (n,), half a revolution apart."""
    leave, arrive = _apsis_speeds(mu, r1, r2), _apsis_speeds(mu, r2, r1)
    value, share = lowest(lambda x: turning(v1, leave, x * angle) + turning(arrive, v2, (1 - x) * angle), _SHARES)
    k = int(np.argmin(value))
    first = float(share[k]) * angle
    burns = float(turning(v1[k], leave[k], first)), float(turning(arrive[k], v2[k], angle - first))
    return Maneuver(burns, (float(r1[k]), float(r2[k])), (first, angle - first), half_period(mu, r1[k], r2[k]))


def _three(mu, r1, v1, r2, v2, angle, far):
    """By way of an apsis farther out; its distance and the split of the turn are searched for pairs of apsides (n,) at once."""
    near = np.maximum(r1, r2)
    widest = 1 - near / far if math.isfinite(far) else np.full(near.shape, 1 - 1e-6)

    def burns(z):
        distance = near / (1 - widest * np.sin(z[0]) ** 2)
        first, last = z[1] * angle, z[2] * angle
        return distance, (
            turning(v1, _apsis_speeds(mu, r1, distance), first),
            turning(_apsis_speeds(mu, distance, r1), _apsis_speeds(mu, distance, r2), angle - first - last),
            turning(v2, _apsis_speeds(mu, r2, distance), last),
        )

    starts = np.array(list(product(_OUT, _SHARED, _SHARED) if angle else product(_OUT, (0.0,), (0.0,)))).T
    z = np.repeat(starts[:, :, None], near.size, axis=2)
    z, value = descend(lambda z: sum(burns(z)[1]), z, (0, 1, 2) if angle else (0,), 40)
    at, k = np.unravel_index(np.argmin(value), value.shape)
    z = z[:, at, k][:, None]
    distance, parts = burns(z)
    turns = float(z[1, 0]) * angle, (1 - float(z[1, 0]) - float(z[2, 0])) * angle, float(z[2, 0]) * angle
    middle = float(distance[k])
    return Maneuver(
        tuple(float(part[k]) for part in parts), (float(r1[k]), middle, float(r2[k])), turns, half_period(mu, r1[k], middle) + half_period(mu, middle, r2[k])
    )


def _apsis_speeds(mu, here, there):
    """As :func:`apsis_speed`, of arrays."""
    return np.sqrt(2 * mu / (here * (1 + here / there)))


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
