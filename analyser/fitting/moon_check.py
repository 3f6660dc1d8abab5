"""A planned moon leg flown by numerical integration: patched, as it was planned, and with both bodies pulling at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.moon_patch import Crossing, MoonPlace
from analyser.flight import Body


@dataclass(frozen=True)
class FlownLeg:
    """``periapsis``: closest radius, m, to the body the leg goes to (below its datum: it is hit); ``time``: seconds after the burn; ``speed``
    there, m/s; nan where the craft never comes near."""

    periapsis: float
    time: float
    speed: float


def fly_to_moon(planet: Body, moon: Body, leg: Crossing, *, both: bool, delta_v: float = 0.0, phase: float = 0.0) -> FlownLeg:
    """Fly an outward leg of :func:`analyser.fitting.moon.to_moon` and find the pass of the moon.

    Parameters
    ----------
    both : bool
        Whether planet and moon pull all the way; else only the moon within its sphere of influence and only the planet outside it.
    delta_v : float
        Added to the speed after the burn, m/s: what a burn cut late does.
    phase : float
        Added to the moon's lead at the burn, rad: what a burn lit early does.

    Notes
    -----
    The moon goes round on its own ellipse. The planet is the origin; that the moon pulls it too is in the equations with ``both``.
    """
    limit = 1.6 * (leg.time_before + leg.time_after)
    return _fly(planet, moon, _outward_state(planet, leg, delta_v), _Orbit(planet, moon, leg.anomaly, leg.phase + phase), limit, both, to_moon=True)


def fly_home(planet: Body, moon: Body, leg: Crossing, *, both: bool, delta_v: float = 0.0) -> FlownLeg:
    """Fly a homeward leg of :func:`analyser.fitting.moon.from_moon` and find the periapsis about the planet; parameters as :func:`fly_to_moon`."""
    orbit = _Orbit(planet, moon, leg.anomaly, 0.0)
    turn = 1.0 if leg.moon_orbit[1] > 0 else -1.0
    # leg.phase holds when the craft leaves the sphere; the direction away from the planet has turned by then
    place = leg.phase + orbit.angle(leg.time_before)
    out = np.array([math.cos(place), math.sin(place)])
    x, z, u, w = orbit.state(0.0)
    start, speed = leg.burn_radius, leg.speed_after + delta_v
    climb = _climb(moon.mu, leg.moon_orbit, start)
    side = turn * np.array([-out[1], out[0]])
    level = math.sqrt(max(speed**2 - climb**2, 0.0))
    state = np.concatenate([np.array([x, z]) + start * out, np.array([u, w]) + climb * out + level * side])
    return _fly(planet, moon, state, orbit, 1.6 * (leg.time_before + leg.time_after), both, to_moon=False)


def _climb(mu: float, orbit, radius: float) -> float:
    """Radial speed, m/s, with which an orbit rises through a radius; 0 at its apsides."""
    from analyser.fitting.transfer import apsides, speeds_at

    low, high = (float(x) for x in apsides(mu, *orbit))
    return 0.0 if min(abs(radius / low - 1), abs(radius / high - 1)) < 1e-9 else float(speeds_at(mu, *orbit, radius)[0])


def _outward_state(planet: Body, leg: Crossing, delta_v: float = 0.0) -> np.ndarray:
    """Position and velocity after the burn of an outward leg, the burn's place on the first axis."""
    turn = 1.0 if leg.planet_orbit[1] > 0 else -1.0
    climb, speed = _climb(planet.mu, leg.planet_orbit, leg.burn_radius), leg.speed_after + delta_v
    return np.array([leg.burn_radius, 0.0, climb, turn * math.sqrt(max(speed**2 - climb**2, 0.0))])


class _Orbit:
    """The moon's way round the planet: at ``angle`` from the first axis when the leg begins, its true anomaly then given."""

    def __init__(self, planet: Body, moon: Body, anomaly: float, angle: float):
        self.planet, self.moon, self.begin, self.first = planet, moon, anomaly, angle
        self.round = moon.eccentricity < 1e-9
        self.place = MoonPlace.mean(moon, planet) if self.round else MoonPlace.of(moon, planet, anomaly)

    def angle(self, t: float) -> float:
        """Angle gone round after ``t`` seconds, rad."""
        return self.place.mean_motion * t if self.round else self.place.turned(t) - self.place.true_anomaly

    def state(self, t: float) -> tuple[float, float, float, float]:
        """Position, m, and velocity, m/s, after ``t`` seconds."""
        turned = self.angle(t)
        now = self.place if self.round else MoonPlace.of(self.moon, self.planet, self.place.true_anomaly + turned)
        c, s = math.cos(self.first + turned), math.sin(self.first + turned)
        return now.distance * c, now.distance * s, now.radial * c - now.transverse * s, now.radial * s + now.transverse * c


def _fly(planet: Body, moon: Body, state, orbit: _Orbit, limit: float, both: bool, to_moon: bool) -> FlownLeg:
    from scipy.integrate import solve_ivp

    edge = moon.sphere_of_influence

    def relative(t, y):
        """The craft from the moon, and the moon from the planet."""
        x, z, u, w = orbit.state(t)
        return y[0] - x, y[1] - z, y[2] - u, y[3] - w, x, z

    def motion(inside):
        def rates(t, y):
            x, z, _, _, far, wide = relative(t, y)
            r3, d3, far3 = math.hypot(y[0], y[1]) ** 3, math.hypot(x, z) ** 3, math.hypot(far, wide) ** 3
            if both:
                a = -planet.mu / r3, -moon.mu / d3
                own = moon.mu / far3  # of the planet towards the moon
                return [y[2], y[3], a[0] * y[0] + a[1] * x - own * far, a[0] * y[1] + a[1] * z - own * wide]
            if inside:  # the moon's frame falls with the moon towards the planet
                pull = planet.mu / far3
                return [y[2], y[3], -moon.mu / d3 * x - pull * far, -moon.mu / d3 * z - pull * wide]
            return [y[2], y[3], -planet.mu / r3 * y[0], -planet.mu / r3 * y[1]]

        return rates

    def border(t, y):
        x, z, *_ = relative(t, y)
        return math.hypot(x, z) - edge

    border.terminal = True

    def closest(t, y):
        x, z, u, w, _, _ = relative(t, y)
        return (x * u + z * w) if to_moon else (y[0] * y[2] + y[1] * y[3])

    closest.terminal, closest.direction = True, 1

    t, y, passed = 0.0, np.asarray(state, float), False
    at_border = abs(border(t, y)) < 1e-9 * edge  # a burn at the very border: a homeward craft has left there
    inside = not (to_moon or at_border)
    while t < limit:
        if at_border:  # off it, so that it is not found again
            step = 1e-3 * edge / max(math.hypot(y[2], y[3]), 1.0)
            out = solve_ivp(motion(inside), (t, t + step), y, method="DOP853", rtol=1e-10, atol=1e-6)
            t, y = float(out.t[-1]), out.y[:, -1]
        # a border just crossed is no event again; on the way to the moon the pass only counts within its sphere
        watch = [closest] if both and (passed or not to_moon) else [border]
        if not both:
            watch = [border, closest] if inside == to_moon else [border]
        out = solve_ivp(motion(inside), (t, limit), y, method="DOP853", rtol=1e-10, atol=1e-6, events=watch)
        t, y = float(out.t[-1]), out.y[:, -1]
        hit = next((e for e, times in zip(watch, out.t_events) if times.size), None)
        if hit is None:
            break
        if hit is closest:
            x, z, u, w, _, _ = relative(t, y)
            radius, speed = (math.hypot(x, z), math.hypot(u, w)) if to_moon else (math.hypot(y[0], y[1]), math.hypot(y[2], y[3]))
            return FlownLeg(radius, t, speed)
        inside, passed, at_border = not inside, True, True
    return FlownLeg(math.nan, math.nan, math.nan)


def correction_cost(planet: Body, moon: Body, leg: Crossing, miss: float, after: float) -> float:
    """Delta-v, m/s, that shifts the pass of the moon by ``miss`` (m, of the periapsis) when it is made ``after`` seconds into the leg.

    To first order, in the direction that shifts it most; patched conics. The later, the dearer: compare several times. nan within the sphere of influence or
    after it.
    """
    from analyser.fitting.conic import propagate_with_angle

    if not 0 <= after < leg.time_before:
        return math.nan
    begin = _outward_state(planet, leg)
    # carried along by the planet alone, in the axes of the burn
    r, vr, vt, swept = (float(x) for x in propagate_with_angle(planet.mu, leg.burn_radius, begin[2], begin[3], after))
    orbit = _Orbit(planet, moon, leg.anomaly, leg.phase)
    orbit = _Orbit(planet, moon, orbit.place.true_anomaly + orbit.angle(after), leg.phase + orbit.angle(after))
    step = 0.05

    def periapsis(dr, dt):
        c, s = math.cos(swept), math.sin(swept)
        u, w = vr + dr, vt + dt
        state = np.array([r * c, r * s, u * c - w * s, u * s + w * c])
        found = _fly(planet, moon, state, orbit, 1.6 * (leg.time_before + leg.time_after), False, to_moon=True)
        return found.periapsis

    slopes = [(periapsis(step * a, step * b) - periapsis(-step * a, -step * b)) / (2 * step) for a, b in ((1, 0), (0, 1))]
    return abs(miss) / math.hypot(*slopes)


def home_correction_cost(planet: Body, leg: Crossing, miss: float, before: float) -> float:
    """Delta-v, m/s, that shifts the planet's periapsis by ``miss`` (m) when it is made ``before`` seconds ahead of it, on the way home.

    To first order, in the direction that shifts it most; only the planet pulls, so nan within the moon's sphere of influence.
    """
    from analyser.fitting.conic import propagate
    from analyser.fitting.transfer import apsides

    if not 0 < before < leg.time_after or not math.isfinite(leg.time_after):
        return math.nan
    energy, h = leg.planet_orbit
    low = float(apsides(planet.mu, energy, h)[0])
    r, vr, vt = (float(x) for x in propagate(planet.mu, low, 0.0, h / low, -before))
    step = 0.05

    def periapsis(dr, dt):
        u, w = vr + dr, vt + dt
        return float(apsides(planet.mu, (u * u + w * w) / 2 - planet.mu / r, r * w)[0])

    slopes = [(periapsis(step * a, step * b) - periapsis(-step * a, -step * b)) / (2 * step) for a, b in ((1, 0), (0, 1))]
    return abs(miss) / math.hypot(*slopes)
