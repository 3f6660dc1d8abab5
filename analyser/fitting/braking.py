"""Braking to a stop at the ground, from one reading: when at the latest to start, how long it lasts, what it takes.

The craft coasts down its orbit, then thrusts against its motion over the ground (straight retrograde) at one throttle until it
stands still. A point mass over a smooth, airless sphere; the mass falls as propellant burns. Terrain, attitude
manoeuvres and the engine's start are not modelled: what is told is the last moment, and a pilot starts before it.
"""

from __future__ import annotations

import math

from analyser.estimate import Estimate
from analyser.fitting import scalar_conic as conic
from analyser.fitting.digits import Shown, estimate, samples
from analyser.fitting.engine import Engine
from analyser.fitting.fix import Fix
from analyser.fitting.shown_state import State
from analyser.flight import Body
from analyser.records import Record

# Each step of the braking lasts this share of the time left to a stop: the last seconds, where the direction turns fast,
# then get as many steps as the first minutes.
_SHARE = 1 / 9
_REST = 0.004  # of the speed at the start: below it the rest is reckoned as a straight line


class Braking(Record):
    """Braking at one throttle, at the latest moment.

    ``start_altitude`` m above the ground; ``wait`` s until then; ``duration`` s; ``propellant`` kg; ``delta_v`` m/s; ``left``
    kg of propellant at touchdown. Where it is ``too_late`` these are those of braking at once, ``contact_speed`` is the
    speed at the ground then, m/s, and ``reason`` says so; ``reason`` also says why nothing is known.
    """

    throttle: float
    too_late: bool
    start_altitude: Estimate
    wait: Estimate
    duration: Estimate
    propellant: Estimate
    left: Estimate
    delta_v: Estimate
    contact_speed: Estimate
    reason: str = ""


def stop(
    mu: float, state: State, thrust: float, exhaust_speed: float, mass: float, surface_rate: float = 0.0, floor: float = 0.0
) -> tuple[float, float, float, float]:
    """Thrust straight against the motion over the ground until at rest.

    Parameters
    ----------
    mu : float
        m^3/s^2.
    state : (radius, radial speed, transverse speed)
        At the start; inertial axes, m and m/s.
    thrust, exhaust_speed, mass : float
        N, m/s, kg at the start.
    surface_rate : float
        Angular speed of the ground in the plane of the motion, rad/s.
    floor : float
        Radius of the ground, m; where the path passes through it, the speed over the ground there is told.

    Returns
    -------
    (radius at rest, duration, propellant, contact speed)
        m, s, kg, m/s (0: it stops above the floor). The path is followed below the floor, so that the radius is a smooth
        function of the state. Where thrust can't stop the craft the radius is ``-inf``.

    Notes
    -----
    Runge-Kutta of fourth order in polar coordinates, steps in proportion to the time left. Against adaptive integration the radius
    at rest agrees within 0.01 % of the height lost.
    """
    r, vr, vt = state
    flow = thrust / exhaust_speed
    begin = math.hypot(vr, vt - surface_rate * r)
    if begin == 0:
        return r, 0.0, 0.0, 0.0
    time, contact = 0.0, 0.0

    def rates(r: float, vr: float, vt: float, m: float) -> tuple[float, float, float]:
        across = vt - surface_rate * r
        size = math.hypot(vr, across)
        push = thrust / m / size
        return vr, vt * vt / r - mu / (r * r) - push * vr, -vr * vt / r - push * across

    for _ in range(400):
        across = vt - surface_rate * r
        speed = math.hypot(vr, across)
        force = thrust / (mass - flow * time)
        pull = mu / (r * r) - vt * vt / r
        net = force + pull * vr / speed  # deceleration along the path
        if speed <= _REST * begin:
            # The rest: straight along the path, with what gravity does to it.
            if net <= 0:
                return -math.inf, math.inf, math.inf, speed
            left = speed / net
            return r + vr * left / 2, time + left, flow * (time + left), contact
        step = speed / max(net, 0.3 * force) * _SHARE
        m0, m1, m2 = mass - flow * time, mass - flow * (time + step / 2), mass - flow * (time + step)
        if m2 < 0.02 * mass or r + vr * step < 0.3 * state[0]:
            return -math.inf, math.inf, math.inf, speed
        a = rates(r, vr, vt, m0)
        b = rates(r + a[0] * step / 2, vr + a[1] * step / 2, vt + a[2] * step / 2, m1)
        c = rates(r + b[0] * step / 2, vr + b[1] * step / 2, vt + b[2] * step / 2, m1)
        d = rates(r + c[0] * step, vr + c[1] * step, vt + c[2] * step, m2)
        before, speed_before = r, speed
        r += step / 6 * (a[0] + 2 * b[0] + 2 * c[0] + d[0])
        vr += step / 6 * (a[1] + 2 * b[1] + 2 * c[1] + d[1])
        vt += step / 6 * (a[2] + 2 * b[2] + 2 * c[2] + d[2])
        time += step
        if before >= floor > r and not contact:
            share = (before - floor) / (before - r)
            contact = speed_before + share * (math.hypot(vr, vt - surface_rate * r) - speed_before)
    return -math.inf, math.inf, math.inf, begin


def latest_start(mu: float, orbit: conic.Shape, top: float, ground: float, engine: Engine, surface_rate: float = 0.0) -> float:
    """The radius on the way down at which braking must start at the latest to stop at ``ground``, m; inf where even ``top`` is too low.

    ``top`` is the radius from which it comes down (its radius now, or its apoapsis).
    """
    push = engine.thrust * engine.throttle

    def margin(radius: float) -> float:
        climb, across = conic.crossing(mu, orbit, radius)
        return stop(mu, (radius, -climb, across), push, engine.exhaust_speed, engine.mass, surface_rate)[0] - ground

    high, low = top, ground
    margin_high = margin(high)
    if not margin_high >= 0:
        return math.inf
    margin_low = margin(low)
    for count in range(60):
        if high - low < 0.2 + 1e-5 * (high - ground):
            break
        middle = (low + high) / 2
        if count % 3 and math.isfinite(margin_low):  # mostly false position, now and then a bisection against slow ends
            middle = high - (high - low) * margin_high / (margin_high - margin_low)
            middle = min(max(middle, low + 0.02 * (high - low)), high - 0.02 * (high - low))
        value = margin(middle)
        if value >= 0:
            high, margin_high = middle, value
        else:
            low, margin_low = middle, value
    return high


def landing(fix: Fix, engine: Engine, height: Shown | None = None) -> Braking:
    """Braking from a fix at the engine's throttle.

    Parameters
    ----------
    fix : Fix
        It must come down to the ground: ``fix.ground.chance`` above 0.
    engine : Engine
    height : Shown, optional
        Radar height over the terrain, m: the ground then lies that far below, not at the datum.

    Returns
    -------
    Braking
        Intervals from the digits: the answer is taken as straight over the box of what the digits allow (its slopes
        from one neighbour on each axis), which holds where that box is small beside the fall.
    """
    body = fix.body
    unknown = lambda unit, reason: Estimate.unknown(unit, reason)  # noqa: E731
    missing = _missing(engine)
    if missing or fix.ground.chance == 0:
        reason = missing or "the coast doesn't meet the ground: lower the periapsis first"
        return Braking(engine.throttle, False, *(unknown(unit, reason) for unit in ("m", "s", "s", "kg", "kg", "m/s", "m/s")), reason=reason)
    drop = Shown(0.0) if height is None else height
    axes = [Shown(0.0, 1.0), Shown(0.0, 1.0), Shown(0.0, 1.0), drop]
    scatter = _scatter(fix)
    solved = _brake_all(body, fix.state, engine, _ground(fix.state, body, height))
    if solved is None:
        reason = f"at {engine.throttle:.0%} throttle the thrust can't stop the fall"
        return Braking(engine.throttle, True, *(unknown(unit, reason) for unit in ("m", "s", "s", "kg", "kg", "m/s", "m/s")), reason=reason)
    too_late = solved[5]
    columns = _spread(fix, body, engine, height, solved, scatter, len(axes))
    altitude, wait, duration, propellant, contact = (
        estimate(solved[index], columns[index], unit) for index, unit in enumerate(("m", "s", "s", "kg", "m/s"))
    )
    delta_v = _delta_v(engine, propellant)
    left = Estimate(engine.propellant - propellant.value, propellant.sigma, engine.propellant - propellant.high, engine.propellant - propellant.low, "kg")
    reason = ""
    if too_late:
        reason = f"too late: at {engine.throttle:.0%} throttle it can't stop above the ground"
    elif left.value < 0:
        reason = "the propellant left is not enough to stop"
    return Braking(engine.throttle, too_late, altitude, wait, duration, propellant, left, delta_v, contact, reason)


def _missing(engine: Engine) -> str:
    names = {"thrust": engine.thrust, "specific impulse": engine.exhaust_speed, "mass": engine.mass}
    unknown = [name for name, value in names.items() if math.isnan(value)]
    return f"the craft file doesn't give the {' and the '.join(unknown)}" if unknown else ""


def _ground(state: State, body: Body, height: Shown | None) -> float:
    return body.radius if height is None else state[0] - height.value


def _brake_all(body: Body, state: State, engine: Engine, ground: float):
    """(start height over the ground, wait, duration, propellant, contact speed, too late) of one state; None: thrust too weak."""
    mu, rate = body.mu, body.rotation_rate
    orbit = conic.shape(mu, *state)
    passed = conic.time_since_periapsis(mu, *state)
    top = state[0] if state[1] <= 0 else min(orbit.apoapsis, 100 * body.radius)
    push = engine.thrust * engine.throttle
    start = latest_start(mu, orbit, top, ground, engine, rate)
    if math.isfinite(start):
        climb, across = conic.crossing(mu, orbit, start)
        moment = (start, -climb, across)
        wait = conic.time_down_to(mu, orbit, passed, start) if start < top else (0.0 if state[1] <= 0 else orbit.period / 2 - passed)
        wait = 0.0 if not math.isfinite(wait) or (math.isfinite(orbit.period) and wait > orbit.period * 0.999) else wait
    else:
        moment, wait = state, 0.0
    radius, duration, propellant, contact = stop(mu, moment, push, engine.exhaust_speed, engine.mass, rate, ground)
    if not math.isfinite(radius):
        return None
    late = not math.isfinite(start)
    return moment[0] - ground, wait, duration, propellant, contact if late else 0.0, late


def _scatter(fix: Fix) -> list[tuple[float, float, float]]:
    r, vr, vt = fix.state
    return [(one[0] - r, one[1] - vr, one[2] - vt) for one in fix.states]


def _spread(fix: Fix, body: Body, engine: Engine, height: Shown | None, solved, scatter, axes: int) -> list[list[float]]:
    """Results over the samples of the fix, along the slopes at the nominal state."""
    steps = [max(max(abs(one[axis]) for one in scatter), scale) for axis, scale in enumerate((0.5, 0.005, 0.005))]
    slopes = []
    for axis, step in enumerate(steps):
        moved = list(fix.state)
        moved[axis] += step
        neighbour = _brake_all(body, tuple(moved), engine, _ground(fix.state, body, height))
        slopes.append([0.0] * 5 if neighbour is None or neighbour[5] != solved[5] else [(neighbour[i] - solved[i]) / step for i in range(5)])
    radar = [0.0] * 5
    drops = [0.0] * len(scatter)
    if height is not None and height.reach:
        neighbour = _brake_all(body, fix.state, engine, _ground(fix.state, body, height) - height.reach)
        if neighbour is not None and neighbour[5] == solved[5]:
            radar = [(neighbour[i] - solved[i]) / height.reach for i in range(5)]
        drops = [point[0] - height.value for point in samples([height, Shown(0.0), Shown(0.0)], len(scatter))]
        slopes[0] = [0.0] * 5  # the radar gives the height: the altimeter only the strength of gravity
    return [
        [
            max(0.0, solved[i] + one[0] * slopes[0][i] + one[1] * slopes[1][i] + one[2] * slopes[2][i] + drop * radar[i])
            for one, drop in zip(scatter, drops, strict=True)
        ]
        for i in range(5)
    ]


def _delta_v(engine: Engine, propellant: Estimate) -> Estimate:
    def of(burnt: float) -> float:
        return engine.exhaust_speed * math.log(engine.mass / (engine.mass - burnt)) if burnt < engine.mass else math.inf

    value = of(propellant.value)
    slope = engine.exhaust_speed / (engine.mass - propellant.value)
    return Estimate(value, slope * propellant.sigma, of(propellant.low), of(propellant.high), "m/s")


def landings(fix: Fix, engine: Engine, height: Shown | None = None) -> tuple[Braking, ...]:
    """Braking at full throttle, and at the engine's own where that is less."""
    full = landing(fix, engine.changed(throttle=1.0), height)
    return (full,) if engine.throttle == 1.0 else (full, landing(fix, engine, height))
