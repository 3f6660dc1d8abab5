"""Which way a burn pushed, as the attitude read during it shows.

Pitch and heading are those of the craft's nose; a craft whose ``thrust_axis`` is "tail" pushes the other way. Pitch alone shows how far above the horizon the
thrust pointed, not whether forward or back: that is taken from the change of orbit where it is clear, else left open. With heading, and the plane of the
orbit for the course, the whole direction is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.conic import propagate_with_angle
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.plane_change import Turn
from analyser.fitting.plane_sights import sky, wrapped
from analyser.fitting.timing import BurnTimes

#: How well a pilot holds an attitude between two readings of it, rad (common practice, no source).
_HELD = math.radians(3.0)
_UNSURE = math.radians(0.5) / math.sqrt(3.0)  # of a reading without a sigma: a whole degree
_CLEAR = math.radians(20.0)  # the orbits show a direction when they know it better than this
_APART = math.radians(15.0)  # attitude and orbits disagree from here on
NOT_SEEN = "no pitch was read during the burn"


@dataclass(frozen=True)
class Aim:
    """Thrust as the attitude shows it: n moments of a burn.

    ``met`` (n,) s; ``direction`` (n, 3) unit vectors of thrust: up, forward along the horizon, left; ``motion`` (n, 3) those of the velocity; ``sigma``
    of the angles, rad. ``whole`` says whether heading and course were known; else thrust lies in the plane of the motion and forward or
    back as the change of orbit has it (``sense`` +1, -1, or 0: open).
    """

    met: np.ndarray
    direction: np.ndarray
    motion: np.ndarray
    sigma: float
    whole: bool
    sense: int

    @property
    def along(self) -> np.ndarray:
        """Cosine of the angle between thrust and motion, (n,)."""
        return np.einsum("ni,ni->n", self.direction, self.motion)

    @property
    def mean(self) -> np.ndarray:
        """Unit vector of the mean thrust."""
        total = np.average(self.direction, axis=0, weights=_shares(self.met))
        return total / max(float(np.linalg.norm(total)), 1e-12)


@dataclass(frozen=True)
class Change:
    """The change of velocity that the orbits show at the burn's middle: unit vector (up, forward, left), and how well its angle is known, rad."""

    direction: np.ndarray
    sigma: float
    level: float  # of the flight path before, rad

    @property
    def clear(self) -> bool:
        """Whether the orbits tell the direction at all."""
        return self.sigma < _CLEAR


def change_of(before: FittedArc, after: FittedArc, times: BurnTimes, turn: Turn | str) -> Change | None:
    """What the orbits show of a burn between two coasts about one body; None for any other burn."""
    if "landed" in (before.kind, after.kind) or before.body.name != after.body.name:
        return None
    first, second = (np.array([float(part) for part in arc.at(times.middle)]) for arc in (before, after))
    turned = turn.angle if isinstance(turn, Turn) else 0.0
    change = np.array([second[1] - first[1], second[2] * math.cos(turned) - first[2], second[2] * math.sin(turned)])
    size = float(np.linalg.norm(change))
    spread = 0.0
    for arc in (before, after):
        state = arc.samples[::8].T
        _, up, level, _ = propagate_with_angle(arc.body.mu, *state, times.middle - arc.epoch)
        spread += float(np.var(up) + np.var(level))
        # gravity turns the velocity while the moment of the burn is not known
    spread += (float(np.std(times.ignition_samples + times.cutoff_samples)) / 2 * float(first[2]) / float(first[0]) * size) ** 2
    if isinstance(turn, Turn):
        spread += (second[2] * turn.sigma) ** 2
    if size < 1e-9:
        return Change(np.zeros(3), math.pi, 0.0)
    return Change(change / size, math.sqrt(spread) / size, math.atan2(first[1], first[2]))


def aim_of(
    before: FittedArc, after: FittedArc, inside: tuple[int, ...], times: BurnTimes, rows: PanelRows, tail: bool, change: Change | None
) -> Aim | None:
    """The attitude's word on a burn, or None where no pitch was read in it.

    Parameters
    ----------
    inside : rows taken between the two arcs; those under thrust are used.
    tail : bool
        Whether the craft pushes towards its tail.
    change : Change, optional
        What the orbits show, to tell forward from back where no heading does.
    """
    first, last = times.ignition.low - 1.0, times.cutoff.high + 1.0
    pitch, heading, throttle = (rows.value[name] for name in ("pitch", "heading", "throttle"))
    used = [row for row in inside if math.isfinite(pitch[row]) and not throttle[row] <= 0.005 and first <= rows.met[row] <= last]
    motion = {row: found for row in used if (found := _motion(before, after, row, times, rows)) is not None}
    used = [row for row in used if row in motion]
    if not used:
        return None
    courses = {row: _course(before, after, row, times, rows) for row in used}
    whole = all(courses[row] is not None and math.isfinite(heading[row]) for row in used)
    up = np.sin(pitch[used]) * (-1 if tail else 1)
    sense = 0 if whole else _sense(change)
    level = np.cos(pitch[used])
    if whole:
        bearing = wrapped(heading[used] - np.array([courses[row] for row in used])) + (math.pi if tail else 0.0)
        direction = np.stack([up, level * np.cos(bearing), -level * np.sin(bearing)], axis=1)
    else:
        direction = np.stack([up, level * (sense or 1), np.zeros(len(used))], axis=1)
    read = [rows.sigma["pitch"][row] for row in used] + ([rows.sigma["heading"][row] for row in used] if whole else [])
    read = [sigma if math.isfinite(sigma) and sigma > 0 else _UNSURE for sigma in read]
    return Aim(rows.met[used].astype(float), direction, np.array([motion[row] for row in used]), math.hypot(max(read), _HELD / math.sqrt(len(used))), whole, sense)


def _sense(change: Change | None) -> int:
    """Forward or back along the horizon, where the orbits are clear about it."""
    if change is None or not change.clear or abs(change.direction[1]) < 2 * change.sigma + 0.05:
        return 0
    return 1 if change.direction[1] > 0 else -1


def _motion(before: FittedArc, after: FittedArc, row: int, times: BurnTimes, rows: PanelRows):
    """Direction of the velocity in a row: as read, else between the coasts' own."""
    speed, climb = float(rows.speed[row]), float(rows.vertical[row])
    if math.isfinite(speed + climb) and speed > 1.0 and abs(climb) <= speed:
        return np.array([climb / speed, math.sqrt(1 - (climb / speed) ** 2), 0.0])
    if before.kind != "coast" or after.kind != "coast" or before.body.name != after.body.name:
        return None
    part = _part(rows.met[row], times)
    one, other = (np.array([float(x) for x in arc.at(rows.met[row])[1:]]) for arc in (before, after))
    found = (1 - part) * one + part * other
    size = float(np.hypot(*found))
    return np.array([found[0] / size, found[1] / size, 0.0]) if size > 1.0 else None


def _course(before: FittedArc, after: FittedArc, row: int, times: BurnTimes, rows: PanelRows) -> float | None:
    """Heading of the motion in a row, from the planes of the coasts."""
    known = [(arc, share) for arc, share in ((before, 1 - _part(rows.met[row], times)), (after, _part(rows.met[row], times))) if arc.plane is not None]
    if not known or sum(share for _, share in known) <= 0:
        known = [(arc, 1.0) for arc, _ in known]
    if not known:
        return None
    total = 0.0
    for arc, share in known:
        angle = propagate_with_angle(arc.body.mu, *arc.state, rows.met[row] - arc.epoch)[3]
        total = total + share * np.exp(1j * sky(arc.plane.rotation, np.atleast_1d(angle)).heading[0])
    return float(np.angle(total)) % (2 * math.pi)


def _part(met: float, times: BurnTimes) -> float:
    return min(max((float(met) - times.ignition.value) / max(times.duration, 1e-3), 0.0), 1.0)


def _shares(met: np.ndarray) -> np.ndarray:
    """What part of the burn each reading stands for: half-way to its neighbours."""
    if len(met) < 2 or met[-1] <= met[0]:
        return np.full(len(met), 1.0 / len(met))
    width = np.gradient(met)
    return np.maximum(width, 1e-6) / np.maximum(width, 1e-6).sum()


@dataclass(frozen=True)
class Told:
    """What the attitude adds to a burn's audit: the mean angle off the line of motion; steering loss and wrong-way part reckoned from it; words."""

    off_axis: Estimate
    steering: Estimate
    wrong_way: Estimate
    direction: str
    remarks: tuple[str, ...]


def told_by_attitude(aim: Aim | None, change: Change | None, spent: float, spent_sigma: float, tail: bool, kind: str = "orbit") -> Told:
    """Hold the attitude against the change of orbit and reckon losses from it.

    ``kind`` is that of the burn: a landing brakes whatever the orbits say.
    """
    if aim is None:
        unknown = Estimate.unknown("m/s", NOT_SEEN)
        return Told(Estimate.unknown("rad", NOT_SEEN), unknown, unknown, "", ())
    if kind == "landing" and not (aim.whole or aim.sense):
        # pitch alone leaves forward and back open, and a landing brakes
        aim = replace(aim, direction=aim.direction * np.array([1.0, -1.0, 1.0]), sense=-1)
    remarks = _disagreement(aim, change, tail)
    brakes = _brakes(aim, change, kind)
    direction = "" if change is not None and change.clear else _words(aim)
    if brakes is None:
        why = "pitch alone does not show whether the thrust was forward or back, and the orbits do not either"
        unknown = Estimate.unknown("m/s", why)
        return Told(Estimate.unknown("rad", why), unknown, unknown, direction, remarks)
    share = _shares(aim.met)
    cosine = np.clip(aim.along * (-1 if brakes else 1), -1, 1)
    angle = float(np.arccos(np.clip(float(share @ cosine), -1, 1)))
    off_axis = Estimate(angle, aim.sigma, max(angle - 1.96 * aim.sigma, 0.0), min(angle + 1.96 * aim.sigma, math.pi), "rad")
    if not math.isfinite(spent):
        unknown = Estimate.unknown("m/s", "what was spent is unknown")
        return Told(off_axis, unknown, unknown, direction, remarks)
    ends = [1 - math.cos(min(end, math.pi)) for end in (off_axis.low, angle, off_axis.high)]
    low, value, high = (max(spent, 0.0) * end for end in ends)
    doubt = math.hypot(spent_sigma if math.isfinite(spent_sigma) else 0.0, 0.0) * ends[1]
    steering = Estimate(value, max((high - low) / 3.92, doubt), max(low - 2 * doubt, 0.0), high + 2 * doubt, "m/s")
    backwards = float(share @ np.clip(-cosine, 0, None)) * spent
    apart = spent * 0.5 * aim.sigma + 0.5 * spent / len(aim.met) * (0 < np.count_nonzero(cosine < 0) < len(cosine))
    return Told(off_axis, steering, Estimate(backwards, apart / 1.96, max(backwards - apart, 0.0), backwards + (apart if backwards else 0.0), "m/s"), direction, remarks)


def _brakes(aim: Aim, change: Change | None, kind: str) -> bool | None:
    """Whether the burn was to slow the craft: by the orbits, else by the attitude; None where neither tells."""
    if kind == "landing":
        return True
    if kind == "liftoff":
        return False
    if change is not None and change.clear:
        motion = np.array([math.sin(change.level), math.cos(change.level), 0.0])
        return bool(change.direction @ motion < 0)
    if aim.whole or aim.sense:
        return bool(float(_shares(aim.met) @ aim.along) < 0)
    return None


def _disagreement(aim: Aim, change: Change | None, tail: bool) -> tuple[str, ...]:
    if change is None or not change.clear:
        return ()
    mean, wanted = aim.mean, change.direction
    if not (aim.whole or aim.sense):
        # forward or back is open: only the height above the horizon is held against the orbits
        off = abs(math.asin(np.clip(mean[0], -1, 1)) - math.asin(np.clip(wanted[0], -1, 1)))
        other = abs(math.asin(np.clip(-mean[0], -1, 1)) - math.asin(np.clip(wanted[0], -1, 1)))
    elif aim.whole:
        off, other = (math.acos(np.clip(float(sign * mean @ wanted), -1, 1)) for sign in (1, -1))
    else:
        flat = np.array([wanted[0], math.hypot(wanted[1], wanted[2]) * aim.sense, 0.0])
        off = math.acos(np.clip(float(mean @ flat), -1, 1))
        other = math.acos(np.clip(float(np.array([-mean[0], mean[1], 0.0]) @ flat), -1, 1))
    room = max(_APART, 3 * math.hypot(aim.sigma, change.sigma))
    if off <= room:
        return ()
    seen = f"the attitude read during the burn and the change of orbit differ by {math.degrees(off):.0f} deg"
    if other <= room:
        axis = "nose" if tail else "tail"
        return (seen + f'; they agree if the craft pushes towards its {axis}: check thrust_axis = "{axis}" in the craft file',)
    return (seen + ": the nose was elsewhere for most of the burn, or pitch or heading were misread",)


def _words(aim: Aim) -> str:
    """The thrust's direction in words, where the attitude tells it whole."""
    if not (aim.whole or aim.sense):
        elevation = math.degrees(math.asin(np.clip(aim.mean[0], -1, 1)))
        return "outward" if elevation > 60 else "inward" if elevation < -60 else ""
    motion = np.average(aim.motion, axis=0, weights=_shares(aim.met))
    along, up = float(aim.mean @ motion), float(aim.mean @ np.array([motion[1], -motion[0], 0.0]))
    parts = [
        (abs(along), "prograde" if along > 0 else "retrograde"), (abs(up), "outward" if up > 0 else "inward"),
        (abs(float(aim.mean[2])), "to the left" if aim.mean[2] > 0 else "to the right"),
    ]  # fmt: skip
    return " and ".join(word for size, word in parts if size > math.sin(math.radians(20)))


def steering_check(told: Told, steering: Estimate, spent: float) -> tuple[str, ...]:
    """A remark where the steering loss along the path and that by the attitude contradict each other."""
    if not (told.steering.known and steering.known) or not math.isfinite(spent):
        return ()
    apart = abs(told.steering.value - steering.value)
    if apart <= max(0.05 * abs(spent), 4 * math.hypot(told.steering.sigma, steering.sigma)):
        return ()
    return (
        f"steering loss is {steering.value:.1f} m/s by the readings along the path and {told.steering.value:.1f} m/s by the attitude read: "
        "thrust, masses or attitude are not what the craft file and the panel say",
    )


__all__ = ["Aim", "Change", "NOT_SEEN", "Told", "aim_of", "change_of", "steering_check", "told_by_attitude"]
