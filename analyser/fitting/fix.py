"""One reading into an orbit, with intervals, in plain ``math``: the answer in flight.

A reading is what the panel showed at one moment: altitude, speed, and the vertical speed or the flight-path angle; or two
readings with the time between where the vertical speed is missing. What follows from it (:class:`Fix`) is reckoned for every
true state that would be shown alike (:mod:`analyser.fitting.digits`), so that each interval says what the digits can tell.

Not modelled: drag, thrust, other bodies' pull, and the terrain: "ground" is the altimeter's datum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from analyser.errors import InputError
from analyser.estimate import Estimate
from analyser.fitting import scalar_conic as conic
from analyser.fitting.digits import TAIL, Shown, dominant, estimate, middle, samples
from analyser.fitting.shown_state import SAID, Reading, State, axes_of, contradiction, state_maker
from analyser.flight import Body
from analyser.records import Record

class Meeting(Record):
    """Meeting the ground, the air or the edge of the sphere of influence.

    ``chance`` is the share of what the digits allow that does meet it, 0..1; the estimates are over that share: time until
    then, s; inertial speed and vertical speed there, m/s.
    """

    chance: float
    wait: Estimate
    speed: Estimate
    vertical_speed: Estimate


class Fix(Record):
    """What one reading says. Altitudes m, times s from the reading on, speeds m/s, inertial axes; intervals 95 %.

    ``states`` are the sampled states and ``state`` the nominal one; ``bound`` is the share of them that comes back, 0..1.
    A time to an apsis may be negative where the reading was taken at it, as far as the digits can tell.
    """

    body: Body
    reading: Reading
    state: State
    states: tuple[State, ...]
    bound: float
    apoapsis_altitude: Estimate
    periapsis_altitude: Estimate
    eccentricity: Estimate
    period: Estimate
    time_to_apoapsis: Estimate
    time_to_periapsis: Estimate
    speed_at_apoapsis: Estimate
    speed_at_periapsis: Estimate
    circular_speed: Estimate
    escape_speed: Estimate
    excess_speed: Estimate
    speed: Estimate
    vertical_speed: Estimate
    flight_path_angle: Estimate
    ground: Meeting
    air: Meeting
    departure: Meeting
    advice: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def vague(self, name: str) -> bool:
        """Whether the altitude called ``name`` is known too badly for one number to stand for it."""
        return weak(getattr(self, name), self.body.radius)


def fix_reading(reading: Reading, body: Body) -> Fix:
    """Everything that one reading says about the motion.

    Parameters
    ----------
    reading : Reading
        At least an altitude and a speed. Without the vertical speed, the angle or a second altitude the direction
        is open, and the intervals span all that is possible.
    body : Body
        The body that altimeter and speeds refer to.

    Returns
    -------
    Fix

    Raises
    ------
    InputError
        The reading contradicts itself, or is below the centre of the body.
    """
    axes, remarks = axes_of(reading)
    to_state = state_maker(reading, body, axes)
    nominal = to_state(tuple(item.value for _, item in axes))
    points, states = [], []
    for point in samples([item for _, item in axes]):
        state = to_state(point)
        if state is not None:
            points.append(point)
            states.append(state)
    if not states:
        raise InputError(contradiction(reading, body), place="the reading")
    if nominal is None:
        nominal = states[len(states) // 2]
    open_direction = any(name == "direction" for name, _ in axes)
    return _evaluate(reading, body, nominal, points, states, axes, remarks, 0.0 if open_direction else TAIL)


def fix_states(body: Body, nominal: State, states: Sequence[State]) -> Fix:
    """What follows from a state that is known in another way: ``states`` are samples of what it may be, equally likely.

    Parameters
    ----------
    nominal, states : (radius m, radial speed, transverse speed m/s)
        Inertial axes about ``body``.
    """
    r, vr, vt = nominal
    reading = Reading(Shown(r - body.radius), Shown(math.hypot(vr, vt)), Shown(vr))
    return _evaluate(reading, body, nominal, [], list(states), [], [], TAIL)


# From states to what they mean -----------------------------------------------------------------------------------


def _evaluate(reading, body: Body, nominal: State, points, states: list[State], axes, remarks: list[str], tail: float) -> Fix:
    mu = body.mu
    shapes = [conic.shape(mu, *state) for state in states]
    since = [conic.time_since_periapsis(mu, *state) for state in states]
    shape, passed = conic.shape(mu, *nominal), conic.time_since_periapsis(mu, *nominal)
    leaves = "no apoapsis: the craft leaves"

    unread = "the vertical speed is not read"

    def told(value: float, values: list[float], unit: str, reason: str = "") -> Estimate:
        return estimate(value, values, unit, reason, tail)

    def turning(found: Estimate) -> Estimate:
        # With the direction open there is a range of what is possible, and no value in it is likelier than another.
        return found if tail else Estimate(math.nan, found.sigma, found.low, found.high, found.unit, unread)

    apoapsis = turning(told(shape.apoapsis - body.radius, [one.apoapsis - body.radius for one in shapes], "m", leaves))
    periapsis = turning(told(shape.periapsis - body.radius, [one.periapsis - body.radius for one in shapes], "m"))
    bound = sum(one.alpha > 0 for one in shapes) / len(shapes)
    nearest = told(-passed, [-value for value in since], "s")
    periods = [one.period for one in shapes]
    to_periapsis = _time_to_passage(-passed, [-value for value in since], shape.period, periods, tail)
    to_apoapsis = _time_to_passage(shape.period / 2 - passed, [one.period / 2 - value for one, value in zip(shapes, since, strict=True)],
                                   shape.period, periods, tail, leaves)  # fmt: skip
    if bound == 0:
        to_periapsis = nearest
    speeds = [math.hypot(vr, vt) for _, vr, vt in states]
    circular = told(math.sqrt(mu / nominal[0]), [math.sqrt(mu / r) for r, _, _ in states], "m/s")
    energies = [-mu * one.alpha for one in shapes]  # v_inf^2
    h_over_apoapsis = [one.angular_momentum / one.apoapsis if one.alpha > 0 else math.nan for one in shapes]
    found = dict(
        body=body, reading=reading, state=nominal, states=tuple(states), bound=bound,
        apoapsis_altitude=apoapsis, periapsis_altitude=periapsis,
        eccentricity=turning(told(shape.eccentricity, [one.eccentricity for one in shapes], "1")),
        period=told(shape.period, periods, "s", "no period: the craft leaves"),
        time_to_apoapsis=turning(to_apoapsis), time_to_periapsis=turning(to_periapsis),
        speed_at_apoapsis=turning(told(shape.angular_momentum / shape.apoapsis if shape.alpha > 0 else math.nan,
                                       h_over_apoapsis, "m/s", leaves)),
        speed_at_periapsis=turning(told(_over(shape.angular_momentum, shape.periapsis),
                                        [_over(one.angular_momentum, one.periapsis) for one in shapes], "m/s")),
        circular_speed=circular, escape_speed=_times(math.sqrt(2), circular),
        excess_speed=told(math.sqrt(-mu * shape.alpha) if shape.alpha < 0 else math.nan,
                          [math.sqrt(value) if value > 0 else math.nan for value in energies], "m/s", "the craft doesn't leave"),
        speed=told(math.hypot(nominal[1], nominal[2]), speeds, "m/s"),
        vertical_speed=turning(told(nominal[1], [state[1] for state in states], "m/s")),
        flight_path_angle=turning(told(math.atan2(nominal[1], nominal[2]), [math.atan2(state[1], state[2]) for state in states], "rad")),
        ground=_meeting(mu, nominal, states, shapes, since, body.radius, "down", tail),
        air=_meeting(mu, nominal, states, shapes, since, body.radius + body.air_top if body.air_top > 0 else math.nan, "down", tail),
        departure=_meeting(mu, nominal, states, shapes, since, body.sphere_of_influence, "up", tail),
    )  # fmt: skip
    advice = _advice(found, points, shapes, axes, body)
    return Fix(**found, advice=tuple(advice), remarks=(*remarks, *_remarks(nominal, body)))


def _times(factor: float, found: Estimate) -> Estimate:
    return Estimate(factor * found.value, factor * found.sigma, factor * found.low, factor * found.high, found.unit, found.reason)


def _over(angular_momentum: float, radius: float) -> float:
    return angular_momentum / radius if radius > 0 else math.inf


def _time_to_passage(nominal: float, values: list[float], period: float, periods: list[float], tail: float, reason: str = "") -> Estimate:
    """Time to the next passage of an apsis; to the nearest one, perhaps just passed, where the digits can't tell which side.

    Passages come every period, so each sample's is taken that lies nearest to the nominal one, counted in periods: near escape these
    differ manifold from sample to sample.
    """
    pairs = [(value, one) for value, one in zip(values, periods, strict=True) if math.isfinite(one) and math.isfinite(value)]
    if not pairs or not math.isfinite(period) or not math.isfinite(nominal):
        return estimate(math.nan, [value if math.isfinite(value) else math.inf for value in values], "s", reason or "the craft leaves", tail)
    nearest = nominal - period * round(nominal / period)
    around_now = [value - one * round(value / one) for value, one in pairs]
    low, high = middle(around_now, tail)
    if low <= 0 <= high and high - low < period / 2:
        return estimate(nearest, around_now, "s", tail=tail)
    ahead = nearest if nearest >= 0 else nearest + period
    laps = [value / one - round(value / one - ahead / period) for value, one in pairs]
    low, high = middle(laps, tail)
    if high - low > 0.8:
        return Estimate.unknown("s", "the orbit is too near a circle, for these digits, to tell where it is")
    values = [lap * one for lap, (_, one) in zip(laps, pairs, strict=True)] + [math.inf] * (len(periods) - len(pairs))
    return estimate(ahead, values, "s", tail=tail)


def _meeting(mu: float, nominal: State, states, shapes, since, radius: float, way: str, tail: float) -> Meeting:
    """When and how fast the radius is crossed, downwards or upwards."""
    if not math.isfinite(radius):
        none = Estimate.unknown("s", "there is none here")
        return Meeting(0.0, none, none, none)
    time_to = conic.time_down_to if way == "down" else conic.time_up_to
    sign = -1.0 if way == "down" else 1.0

    def one(state: State, shape: conic.Shape, passed: float) -> tuple[float, float, float] | None:
        inside = state[0] < radius
        if inside == (way == "down"):
            return (0.0, math.hypot(state[1], state[2]), state[1])  # already beyond it
        wait = time_to(mu, shape, passed, radius)
        if not math.isfinite(wait):
            return None
        vr, vt = conic.crossing(mu, shape, radius)
        return wait, math.hypot(vr, vt), sign * vr

    found = [hit for hit in map(one, states, shapes, since) if hit]
    direction_open = tail == 0
    if not found:
        none = Estimate.unknown("s", "not met")
        return Meeting(0.0, none, none, none)
    middle_one = one(nominal, conic.shape(mu, *nominal), conic.time_since_periapsis(mu, *nominal)) or (math.nan,) * 3
    if direction_open:
        none = Estimate.unknown("s", "the vertical speed is not read")
        return Meeting(len(found) / len(states), none, none, none)
    columns = list(zip(*found, strict=True))
    estimates = [estimate(value, column, unit, tail=tail) for value, column, unit in zip(middle_one, columns, ("s", "m/s", "m/s"), strict=True)]
    return Meeting(len(found) / len(states), *estimates)


def weak(found: Estimate, scale: float) -> bool:
    """Whether an altitude is known too badly for one number to stand for it. ``scale``: the radius it adds to, m."""
    width = found.high - found.low
    if not found.known or not math.isfinite(width):
        return math.isfinite(found.low)
    return width > 0.25 * abs(found.value) and width > 0.005 * scale


def _advice(found: dict, points, shapes, axes, body: Body) -> list[str]:
    """What to read more finely, and why."""
    if any(name == "direction" for name, _ in axes):
        return ["read the vertical speed, or the altitude again a minute later (--then): without it the orbit is open"]
    advice = []
    for name, label, values in (
        ("apoapsis_altitude", "apoapsis", [one.apoapsis for one in shapes]),
        ("periapsis_altitude", "periapsis", [one.periapsis for one in shapes]),
    ):
        if not weak(found[name], body.radius):
            continue
        which = dominant(points, values) if points else None
        if which is None:
            continue
        axis = axes[which][0]
        if axis in SAID:
            advice.append(f"{label}: read {SAID[axis]} to one more digit")
    return advice


def _remarks(nominal: State, body: Body) -> list[str]:
    altitude = nominal[0] - body.radius
    remarks = []
    if 0 <= altitude < body.air_top:
        remarks.append(f"inside the air of {body.name} (top {body.air_top / 1e3:g} km): drag is not reckoned with")
    if altitude < 0:
        remarks.append("the altitude is below the datum: as on low ground, or misread")
    if nominal[0] > body.sphere_of_influence:
        remarks.append(f"this is outside {body.name}'s sphere of influence: the panel may refer to another body")
    return remarks
