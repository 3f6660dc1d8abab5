"""What a panel showed at one moment, and the states of motion that would be shown alike.

A box spans what the digits leave open, one axis for each input; :func:`state_maker` turns a point of it into a state.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from analyser.errors import InputError
from analyser.fitting import scalar_conic as conic
from analyser.fitting.digits import Shown
from analyser.flight import Body
from analyser.records import Record

State = tuple[float, float, float]  # radius m, radial speed m/s, transverse speed m/s, inertial axes

SAID = {
    "altitude": "the altitude", "speed": "the speed", "vertical_speed": "the vertical speed",
    "horizontal_speed": "the horizontal speed", "flight_path_angle": "the flight-path angle",
    "latitude": "the latitude", "heading": "the heading", "later_altitude": "the second altitude", "seconds": "the time between",
}  # fmt: skip


class Reading(Record):
    """What the panel showed, SI and radians; None: not read.

    ``surface`` says that the speeds are over the rotating surface; ``latitude`` and ``heading`` (of the motion, from north through
    east) then turn them into inertial ones: over the equator eastwards where not given. ``later_altitude`` is
    the altitude ``seconds`` after (negative: before) the rest.
    """

    altitude: Shown
    speed: Shown | None = None
    vertical_speed: Shown | None = None
    horizontal_speed: Shown | None = None
    flight_path_angle: Shown | None = None
    surface: bool = False
    latitude: Shown | None = None
    heading: Shown | None = None
    later_altitude: Shown | None = None
    seconds: Shown | None = None


def axes_of(reading: Reading) -> tuple[list[tuple[str, Shown]], list[str]]:
    """The inputs that are reckoned with, by name, and what must be said about them."""
    remarks = []
    axes = [("altitude", reading.altitude)]
    angles = ("vertical_speed", "flight_path_angle", "horizontal_speed")
    given = [(name, getattr(reading, name)) for name in ("speed", *angles) if getattr(reading, name) is not None]
    names = [name for name, _ in given]
    pair = reading.later_altitude is not None and reading.seconds is not None
    if "speed" not in names and not {"vertical_speed", "horizontal_speed"} <= set(names):
        raise InputError(
            "a speed is needed: --speed, or --vertical-speed with --horizontal-speed. an altitude alone fits every orbit "
            "that passes it",
            place="the reading",
        )
    if len(given) > 2:  # altitude and two more settle the motion; the order above is that of how well gauges show them
        keep = names[:2]
        remarks.append(f"{', '.join(SAID[name] for name in names[2:])} not used: {SAID[keep[0]]} and {SAID[keep[1]]} settle the motion")
        given = given[:2]
    axes.extend(given)
    if len(given) < 2:
        if pair and abs(reading.seconds.value) <= 2 * reading.seconds.reach:
            raise InputError("the time between the two readings is no longer than its own last digit: leave more time between", place="the reading")
        if pair:
            axes += [("later_altitude", reading.later_altitude), ("seconds", reading.seconds)]
        else:
            axes.append(("direction", Shown(0.0, math.pi / 2)))
            remarks.append("the vertical speed is not read: the direction of the motion is open")
    if reading.surface:
        axes.append(("latitude", reading.latitude or Shown(0.0)))
        axes.append(("heading", reading.heading or Shown(math.pi / 2)))
        if reading.heading is None or reading.latitude is None:
            remarks.append("surface speed taken as eastwards over the equator; other motion: --heading and --latitude")
    return axes, remarks


def state_maker(reading: Reading, body: Body, axes: Sequence[tuple[str, Shown]]) -> Callable[[Sequence[float]], State | None]:
    """A function from a point of the box to (r, vr, vt); None where the point contradicts itself."""
    names = [name for name, _ in axes]
    at = {name: index for index, name in enumerate(names)}
    rate = body.rotation_rate if reading.surface else 0.0
    pair = "later_altitude" in at

    def to_state(point: Sequence[float]) -> State | None:
        r = body.radius + point[0]
        if r <= 0:
            return None
        if pair:
            split = _climb_between(body.mu, r, point[at["speed"]], body.radius + point[at["later_altitude"]], point[at["seconds"]])
            if split is None:
                return None
            vr, horizontal = split
        else:
            split = _components(point, at)
            if split is None:
                return None
            vr, horizontal = split
        if reading.surface:
            heading, latitude = point[at["heading"]], point[at["latitude"]]
            east = horizontal * math.sin(heading) + rate * r * math.cos(latitude)
            horizontal = math.hypot(east, horizontal * math.cos(heading))
        return r, vr, horizontal

    return to_state


def _components(point: Sequence[float], at: dict[str, int]) -> tuple[float, float] | None:
    """Vertical and horizontal speed of a point, m/s."""
    if "speed" in at:
        speed = point[at["speed"]]
        if speed < 0:
            return None
        if "vertical_speed" in at:
            vr = point[at["vertical_speed"]]
            rest = speed * speed - vr * vr
            return (vr, math.sqrt(rest)) if rest >= 0 else None
        if "horizontal_speed" in at:
            horizontal = point[at["horizontal_speed"]]
            rest = speed * speed - horizontal * horizontal
            return (math.sqrt(rest), horizontal) if rest >= 0 else None
        angle = point[at["flight_path_angle"] if "flight_path_angle" in at else at["direction"]]
        return speed * math.sin(angle), abs(speed * math.cos(angle))
    return point[at["vertical_speed"]], abs(point[at["horizontal_speed"]])


def _climb_between(mu: float, r: float, speed: float, later: float, seconds: float) -> tuple[float, float] | None:
    """Vertical and horizontal speed that take a craft from radius ``r`` to ``later`` in ``seconds``; None where none does."""
    if seconds == 0 or speed <= 0 or later <= 0:
        return None

    def gap(vr: float) -> float:
        vt = math.sqrt(max(0.0, speed * speed - vr * vr))
        return conic.after(mu, r, vr, vt, seconds)[0] - later

    # Start from the mean climb, corrected by the mean radial pull; then secant steps (the gap is nearly straight in vr).
    pull = speed * speed / r - mu / (r * r)
    first = max(-speed, min(speed, (later - r) / seconds - pull * seconds / 2))
    second = max(-speed, min(speed, first + 0.001 * speed if first < 0.5 * speed else first - 0.001 * speed))
    gap_first, gap_second = gap(first), gap(second)
    for _ in range(12):
        if abs(gap_second) <= 1e-7 * abs(later) * 1e-3 or gap_second == gap_first:
            break
        third = second - gap_second * (second - first) / (gap_second - gap_first)
        third = max(-speed, min(speed, third))
        first, gap_first, second, gap_second = second, gap_second, third, gap(third)
    if abs(gap_second) > 1e-6 * later:
        return None
    return second, math.sqrt(max(0.0, speed * speed - second * second))


def contradiction(reading: Reading, body: Body) -> str:
    """Why no state is shown like this, and what to look at."""
    if reading.altitude.value + reading.altitude.reach <= -body.radius:
        return f"an altitude of {reading.altitude.value / 1e3:g} km lies below the centre of {body.name}, whose radius is {body.radius / 1e3:g} km"
    if reading.speed is not None and reading.speed.value + reading.speed.reach < 0:
        return "a speed is never below 0: the sign belongs to the vertical speed"
    if reading.later_altitude is not None and reading.vertical_speed is None:
        return (
            "no single coast joins the two readings. check the time between and both altitudes, and that no burn lies between "
            "(the two should lie less than a quarter of an orbit apart)"
        )
    if reading.speed is not None and reading.vertical_speed is not None:
        return (
            f"the vertical speed {abs(reading.vertical_speed.value):g} m/s is larger than the speed {reading.speed.value:g} m/s. "
            "one of them is misread, or has a decimal point too few"
        )
    if reading.speed is not None and reading.horizontal_speed is not None:
        return "the horizontal speed is larger than the speed. one of them is misread"
    return "the readings contradict each other: check each digit and sign"
