"""What is found of a flight near the ground or in the air of a body: entries, launches, landings on the engine. Part of :mod:`analyser.findings`, where the rules stand."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from analyser.estimate import Estimate

__all__ = ["Ascent", "ChuteOpening", "Descent", "DescentMoment", "Entry"]


@dataclass(frozen=True)
class ChuteOpening:
    """A parachute opening in an entry: MET s, altitude m, speed through the air m/s; ``told_by`` is "event" (marked in the readings) or "deceleration" (the craft
    slowed as it could not have without)."""

    met: Estimate
    altitude: Estimate
    speed: Estimate
    told_by: str


@dataclass(frozen=True)
class Entry:
    """A fall into the air of a body. Speeds in m/s, inertial but where it says through the air; altitudes in m; decelerations (by drag, as felt) in m/s^2; times in MET s.

    ``kind`` is "landing", "pass" (left the air again), "ahead" (not flown in the readings) or "unfinished". ``speed``, ``flight_path_angle`` (rad, negative down) and ``met``
    are at the top of the air, ``periapsis_altitude`` that of the orbit above it. ``peak_*`` is reckoned from the orbit above the air and the ballistic coefficient (kg/m^2, from
    "craft file" or "readings"); ``read_*`` is the greatest that was read, by ``read_from``: "felt acceleration", or "speeds" (a mean between two readings).
    From the top of the air to ``account_end`` ("parachute", "touchdown", "ignition", "leaving the air"): speed - drag_loss + gravity_gain = end_speed.
    The corridor is that of this arrival and craft; ``corridor_miss`` is positive above it. ``warnings`` in words, what a pilot must know; ``path`` holds rows of MET, altitude,
    speed through the air and deceleration; ``edges`` those of altitude and speed through the air at the upper and at the lower end of the corridor, ``readings`` the same as read.
    """

    body: str
    kind: str
    before: int
    met: Estimate
    speed: Estimate
    flight_path_angle: Estimate
    periapsis_altitude: Estimate
    ballistic: Estimate
    ballistic_from: str
    peak_deceleration: Estimate
    peak_met: Estimate
    peak_altitude: Estimate
    read_deceleration: Estimate
    read_met: Estimate
    read_altitude: Estimate
    read_from: str
    openings: tuple[ChuteOpening, ...]
    account_end: str
    end_speed: Estimate
    drag_loss: Estimate
    gravity_gain: Estimate
    touchdown_speed: Estimate
    corridor_low: float = math.nan
    corridor_high: float = math.nan
    corridor_limit: float = math.nan
    corridor_limit_from: str = ""
    corridor_miss: Estimate = Estimate.unknown("m", "no corridor is known")
    warnings: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    path: tuple[tuple[float, float, float, float], ...] = ()
    edges: tuple[tuple[tuple[float, float], ...], ...] = ()
    readings: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Ascent:
    """A launch through air, against the least that this craft can do into the orbit flown. All in m/s but ``body``.

    ``cost`` is what the burns ``burns`` spent from lift-off to that orbit; cost - best = waste. ``gravity``, ``drag`` and ``steering`` are those of the climb as flown, ``best_*``
    those of the optimised pitch programme, ``extra_*`` the differences; ``extra_rest`` is the rest of the waste: speed that was left to burn at the top or gained
    beyond need. The four extras add up to the waste. ``shares`` are the three losses over the speed of the orbit flown, beside which those of ``published`` launchers
    (least, most) stand. ``path`` holds rows of seconds after lift-off, altitude m, speed over the ground as flown, ``best_path`` those of the optimum.
    """

    body: str
    burns: tuple[int, ...]
    leg: str
    cost: Estimate
    best: float
    waste: Estimate
    gravity: Estimate
    drag: Estimate
    steering: Estimate
    best_gravity: float
    best_drag: float
    best_steering: float
    extra_gravity: Estimate
    extra_drag: Estimate
    extra_steering: Estimate
    extra_rest: Estimate
    shares: dict[str, Estimate] = field(default_factory=dict)
    published: dict[str, tuple[float, float]] = field(default_factory=dict)
    reason: str = ""  # why there is no optimum to hold it against
    path: tuple[tuple[float, float, float], ...] = ()
    best_path: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class DescentMoment:
    """One moment of a descent on the engine. ``height`` m over the ground, ``speed`` over the ground and ``sink`` (positive down) m/s. Full thrust against the motion from here
    stops the craft ``spare`` m over the ground (negative: below it); it could have coasted ``wait`` s more, down to ``braking_height`` m over the ground (both nan where the
    coast from here stays above the ground)."""

    met: float
    height: float
    speed: float
    sink: float
    spare: float
    wait: float
    braking_height: float


@dataclass(frozen=True)
class Descent:
    """A landing on the engine on a body without air, against the least that this craft can do. Costs in m/s.

    ``cost`` is what the burns ``burns`` spent from the arc ``orbit``, the last orbit clear of the ground, to rest; ``best`` the least for this craft's thrust, ``bound``
    that with impulses; cost - best = waste. Once it was nearly still over the ground, the craft came down the last ``slow_height`` m in ``slow_time`` s: straight down
    at that constant rate costs ``slow_at_rate``, falling and stopping at full thrust as late as it can be ``slow_least``. ``moments`` begin with the ignition of the last burn.
    """

    body: str
    leg: str
    burns: tuple[int, ...]
    orbit: int
    cost: Estimate
    best: float
    bound: float
    waste: Estimate
    slow_height: float = math.nan
    slow_time: float = math.nan
    slow_at_rate: float = math.nan
    slow_least: float = math.nan
    moments: tuple[DescentMoment, ...] = ()
    reason: str = ""  # why there is no least to hold it against
