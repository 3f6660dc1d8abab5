"""Round dials: the angle of the needle, and through the scale the value.

Round the middle, at every radius, most of what one meets is the dial's face; the needle is what differs from it in one
unbroken line outwards from the hub. Ticks, figures and a pointer on the rim don't reach the hub; a counterweight does
but ends sooner than the needle.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.dial_faces import face_shift
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.needles import refined, see_needles
from analyser.ingest.readout import Candidate, GaugeReading, Seen
from analyser.ingest.unrolled import (
    ANGLES, INNER, OUTER, RADII, angle_sigma, between_pi, difference_from, difference_from_face, face_beside, likeness, lights, unrolled,
)  # fmt: skip

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

LEAST_LENGTH = 0.42  # part of the radius that a needle must reach
SHORT, ENOUGH = 0.72, 4  # a needle that reaches this part of its usual length only may be its tail; the usual one is known from so many pictures
TAIL = 25.0  # degrees about the needle's back where a second line is its tail
CLEAR = 1.35  # how many times better than the next the needle must be
BEYOND = math.radians(4)  # a needle may rest this far outside its scale


def see_dials(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one dial in many screenshots. ``crops`` are in colour, straight on.

    In a second look each needle is sought against the dial's face as the other pictures show it where their needles
    are elsewhere, so that a figure or a tick beneath the needle does not pull it.
    """
    import numpy as np

    known = unrolled(reference, gauge.hub)
    shifts = [face_shift(unrolled(crop, gauge.hub), known) for crop in crops]
    rings = [*(_laid(crop, gauge.hub, shift) for crop, shift in zip(crops, shifts)), known]
    if gauge.needles:
        return see_needles(gauge, rings, [angle_sigma(crop) for crop in crops], min(reference.shape[:2]) / 2)
    colours = [likeness(ring, gauge.colour) for ring in rings]
    first = [_needle(_coloured(difference_from_face(ring), colour)) for ring, colour in zip(rings, colours)]
    angles = [[angle] for angle, *_ in first]
    reaches = [reach for _, doubt, reach in first if not doubt]
    usual = float(np.median(reaches)) if len(reaches) >= ENOUGH else 0.0
    stack = np.stack(rings)
    light = lights(stack)
    readings = []
    for index in range(len(crops)):
        angle, doubt, reach = first[index]
        if not doubt and reach < SHORT * usual:
            doubt = f"what stands out reaches {reach:.0%} of the radius, the needle elsewhere {usual:.0%}"
        face = face_beside(stack, light, angles, index, angle)
        if face is not None:
            angle, doubt, _ = _needle(_coloured(difference_from(rings[index], face), colours[index]), (angle, doubt, reach))
        readings.append((Seen(reading=_reading(gauge, angle, doubt, angle_sigma(crops[index]))),))
    return readings


def _laid(crop: "np.ndarray", hub: tuple[float, float], shift: tuple[float, float, float]) -> "np.ndarray":
    """A dial unrolled as its face lies on the reference picture."""
    twist, right, down = shift
    height, width = crop.shape[:2]
    part = min(width, height) / 2
    return unrolled(crop, (hub[0] + right * part / width, hub[1] + down * part / height), twist)


def _coloured(differs: "np.ndarray | None", colour) -> "np.ndarray | None":
    return None if differs is None else differs * colour


def _reading(gauge: "Gauge", angle: float, doubt: str, sigma: float) -> GaugeReading:
    if math.isnan(angle):
        return GaugeReading(doubt=doubt)
    low, high = gauge.scale[0][0], gauge.scale[-1][0]
    turned = [angle + turn * 2 * math.pi for turn in (-1, 0, 1)]
    inside = [each for each in turned if low - BEYOND <= each <= high + BEYOND]
    raw = f"{math.degrees(angle):.1f} deg"
    if not inside:
        return GaugeReading(doubt=f"the needle points to {raw}, off the scale", raw=raw)
    angle = min(inside, key=lambda each: max(low - each, each - high, 0.0))
    value, slope = value_at(gauge, angle)
    candidate = Candidate(raw, value, abs(slope) * sigma / UNIFORM, 0.9 if doubt else 0.999)
    return GaugeReading((candidate,), doubt, raw)


def value_at(gauge: "Gauge", angle: float) -> tuple[float, float]:
    """Value at a needle angle (rad), and how fast it changes with the angle; straight between the scale's marks."""
    import numpy as np

    angles, values = zip(*gauge.scale)
    value = float(np.interp(angle, angles, values))
    place = min(max(int(np.searchsorted(angles, angle)) - 1, 0), len(angles) - 2)
    return value, (values[place + 1] - values[place]) / (angles[place + 1] - angles[place])


def needle_angle(crop: "np.ndarray") -> tuple[float, str]:
    """Angle of the needle clockwise from up, rad (nan: none), and why it is doubtful or "".

    Parameters
    ----------
    crop : ndarray, (height, width, 3), uint8
        The dial straight on, its hub in the middle.
    """
    return _needle(difference_from_face(unrolled(crop)))[:2]


def _needle(differs: "np.ndarray | None", first: tuple[float, str, float] | None = None) -> tuple[float, str, float]:
    """(angle, doubt, part of the radius reached) of the needle in what differs from the face; a second look only refines what the ``first`` found."""
    import numpy as np

    if differs is None:
        return first or (math.nan, "the dial is too dark or blank to see a needle", math.nan)
    # an unbroken line from the hub: at each angle the least difference so far (smoothed a little), summed outwards
    wrapped = np.concatenate([differs[-2:], differs, differs[:2]])  # a needle may be a bit off centre
    near = np.maximum.reduce([wrapped[shift : shift + ANGLES] for shift in range(5)])
    smooth = (near + np.roll(near, 1, axis=1) + np.roll(near, 2, axis=1)) / 3
    smooth[:, :2] = near[:, :2]
    floor = np.minimum.accumulate(smooth, axis=1)
    merit = floor.sum(axis=1)
    best = int(merit.argmax())
    if first is not None and abs(between_pi(best * 2 * math.pi / ANGLES - first[0])) > math.radians(8):
        return first
    strength = floor[best, int(0.25 * RADII)]
    if strength < 1.5:
        return first or (math.nan, "no needle stands out from the dial's face", math.nan)
    reach = INNER + (OUTER - INNER) * float((floor[best] > 0.4 * strength).sum()) / RADII
    angle = refined(differs, best, floor[best] > 0.4 * strength)
    if first is not None:
        return angle, first[1], first[2]
    return angle, _doubt(merit, best, reach), reach


def _doubt(merit: "np.ndarray", best: int, reach: float) -> str:
    """Why the clearest line may not be the needle, or ""."""
    import numpy as np

    step = 360 / ANGLES
    away = np.abs((np.arange(ANGLES) - best) * step)
    away = np.minimum(away, 360 - away)
    rest, back = merit.copy(), merit.copy()
    rest[(away < 14) | (away > 180 - TAIL)] = 0
    back[away < 180 - TAIL] = 0
    if reach < LEAST_LENGTH:
        return f"what stands out reaches only {reach:.0%} of the radius"
    if merit[best] < CLEAR * rest.max():
        return "a second line from the hub is nearly as clear as the needle"
    if merit[best] < 1.15 * back.max():
        return "both ends of the needle are nearly alike"
    return ""
