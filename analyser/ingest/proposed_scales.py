"""What the numbers beside a bar, or round a dial, say of its scale."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.dials import needle_angle
from analyser.ingest.images import load_opencv
from analyser.ingest.proposed_figures import grouped, letters_in, numbers_said
from analyser.ingest.proposed_print import Box
from analyser.ingest.unrolled import ANGLES, INNER, OUTER, RADII, difference_from_face, unrolled

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

Mark = tuple[float, list[float], float]  # a place, the values that its number may say, and how sure that is (1: both readers say so)
Scale = tuple[tuple[float, float], ...]

STRAIGHT = 0.03  # of the whole scale: marks this near a line make it straight
ROUND = 0.02  # of the whole scale: an end this near to a round value has that
DIAL = 640  # pixels across at which a dial's numbers are read
NUMBERS = (0.34, 0.80)  # part of the radius between which the middles of numbers stand
TICKS = (0.81, 0.87)  # and where only the long ticks are
SNAP = 4.0  # degrees that a number may stand beside its tick
BENEATH = 7.0  # degrees within which the needle may lie over a number
BESIDE = 0.09  # of the picture's height, how far from a bar its numbers are


def fitted(marks: "Sequence[Mark]") -> tuple[Scale, bool, float]:
    """The scale that most marks agree on, whether it is straight (then two marks are given), and how many agree; () where too few do. Values only rise
    or only fall along it."""
    line, weight = _on_a_line(marks)
    if line:
        return line, True, weight
    best: tuple[float, list[tuple[float, float]]] = (0.0, [])
    for sign in (1.0, -1.0):
        chains: list[tuple[float, list[tuple[float, float]]]] = []
        for place, values, sure in sorted(marks):
            for value in values:
                reachable = [chain for chain in chains if chain[1][-1][0] < place - 1e-9 and sign * (value - chain[1][-1][1]) > 0]
                weight, before = max(reachable, key=lambda chain: chain[0], default=(0.0, []))
                chains.append((weight + sure, [*before, (place, value)]))
        best = max([best, *chains], key=lambda chain: chain[0])
    return (tuple(best[1]), False, best[0]) if len(best[1]) >= max(3, math.ceil(0.6 * len(marks))) else ((), False, 0.0)


def _on_a_line(marks: "Sequence[Mark]") -> tuple[Scale, float]:
    """The outermost of the marks that lie on one straight line, if most do, and how many do."""
    import numpy as np

    # the surer last, which is then the one that counts where two stand at one place
    single = sorted(((place, value, sure) for place, values, sure in marks for value in values), key=lambda mark: mark[2])
    best: list[tuple[float, float, float]] = []
    for index, (place, value, _) in enumerate(single):
        for other, shown, _ in single[index + 1 :]:
            if abs(other - place) < 1e-6 or shown == value:
                continue
            slope = (shown - value) / (other - place)
            whole = abs(slope) * (max(each for each, *_ in marks) - min(each for each, *_ in marks))
            near = {each[0]: each for each in single if abs(each[1] - value - slope * (each[0] - place)) < STRAIGHT * whole}
            if sum(sure for *_, sure in near.values()) > sum(sure for *_, sure in best) + 1e-9:
                best = sorted(near.values())
    enough = 2 if len(marks) == 2 and min(sure for *_, sure in marks) == 1.0 else 3
    if len(best) < enough or sum(sure for *_, sure in best) < 0.6 * sum(sure for *_, sure in marks):
        return (), 0.0
    places, values, _ = (np.array(column) for column in zip(*best))
    slope, start = np.polyfit(places, values, 1)
    # the values as printed, where the line through all marks has them
    line = tuple((float((value - start) / slope), float(value)) for value in (values[0], values[-1]))
    return line, float(sum(sure for *_, sure in best))


def _longer(scale: Scale, ends: tuple[float, float]) -> Scale:
    """A straight scale out to both ends, whose values are taken to be round where they nearly are."""
    (place, value), (other, shown) = scale
    slope = (shown - value) / (other - place)
    whole = abs(slope) * (ends[1] - ends[0])
    power = 10.0 ** math.floor(math.log10(whole / 4))
    round_to = max(nice * power for nice in (1, 2, 2.5, 5) if nice * power <= whole / 4 + 1e-9)
    made = []
    for end in ends:
        there = value + slope * (end - place)
        near = round(there / round_to) * round_to
        at = end + (near - there) / slope
        made.append((at, near) if abs(near - there) < ROUND * whole else (end, there))
    return tuple(made)


def bar_scales(grey: "np.ndarray", bars: "Sequence[Box]") -> list[tuple[Scale, list[Box]]]:
    """Of each bar its scale, places from 0 to 1 along it, and where the numbers stand that say so: on that side of it which tells most."""
    found: list[tuple[Scale, list[Box]]] = []
    for bar in bars:
        left, top, right, bottom = bar
        upright = bottom - top > right - left
        best: tuple[Scale, list[Box]] = ((), [])
        for strip in _beside(bar, grey.shape):
            found_there, ticks = _numbers_in_strip(grey, strip, bar)
            numbers = [box for box in found_there if not any(other != bar and _nearer(other, bar, box) for other in bars)]
            read: dict[Box, Mark] = {}
            for box, (values, sure) in zip(numbers, numbers_said([_cut(grey, box) for box in numbers])):
                x, y, beyond, below = box
                middle = (y + below) / 2 if upright else (x + beyond) / 2
                near = min(ticks, key=lambda tick: abs(tick - middle), default=math.inf)  # it is the tick that shows the place
                middle = near if abs(near - middle) < 1.3 * (below - y) else middle
                place = (bottom - middle) / (bottom - top) if upright else (middle - left) / (right - left)
                if values and -0.08 < place < 1.08:
                    read[box] = (place, values, sure)
            scale, straight, _ = fitted(list(read.values()))
            if scale and len(read) > len(best[1]):
                best = _longer(scale, (0.0, 1.0)) if straight else scale, list(read)
        found.append(best)
    return found


def _beside(bar: Box, shape: tuple[int, ...]) -> list[Box]:
    """Strips on either side of a bar in which its numbers may stand."""
    left, top, right, bottom = bar
    height, width = shape
    reach, slack = round(BESIDE * height), round(0.025 * height)
    if bottom - top > right - left:
        strips = [(right + 1, top - slack, right + reach, bottom + slack), (left - reach, top - slack, left - 1, bottom + slack)]
    else:
        reach //= 2
        strips = [(left - 2 * slack, bottom + 1, right + 2 * slack, bottom + reach), (left - 2 * slack, top - reach, right + 2 * slack, top - 1)]
    return [(max(0, a), max(0, b), min(width, c), min(height, d)) for a, b, c, d in strips]


def _nearer(other: Box, bar: Box, box: Box) -> bool:
    def away(one: Box) -> int:
        return max(box[0] - one[2], one[0] - box[2], 0) + max(box[1] - one[3], one[1] - box[3], 0)

    return away(other) < away(bar)


def _numbers_in_strip(grey: "np.ndarray", strip: Box, bar: Box) -> tuple[list[Box], list[float]]:
    """Where numbers stand in a strip beside a bar, and where along it the ticks between the bar and them are; all pixels."""
    import numpy as np

    left, top, right, bottom = strip
    if right - left < 8 or bottom - top < 8:
        return [], []
    height, upright = grey.shape[0], bar[3] - bar[1] > bar[2] - bar[0]
    letters, dots = letters_in(grey[top:bottom, left:right], (0.007 * height, 0.04 * height), 0.08 * height)
    boxes = [(x + left, y + top, beyond + left, below + top) for x, y, beyond, below in grouped(letters, dots)]
    if boxes and not upright:  # their row: ticks may be as high as figures
        row = float(np.median([(y + below) / 2 for x, y, beyond, below in boxes if beyond - x > 0.8 * (below - y)] or [-math.inf]))
        boxes = [box for box in boxes if abs((box[1] + box[3]) / 2 - row) < 0.5 * (box[3] - box[1])]
    ticks = []
    for x, y, beyond, below in letters + dots:
        long, thin = (beyond - x, below - y) if upright else (below - y, beyond - x)
        place = (y + below) / 2 + top if upright else (x + beyond) / 2 + left
        gap = max(x + left - bar[2], bar[0] - beyond - left) if upright else max(y + top - bar[3], bar[1] - below - top)
        if long > 1.5 * thin and thin <= max(3, 0.007 * height) and gap < 0.02 * height:
            ticks.append(place)
    return boxes, ticks


def _cut(grey: "np.ndarray", box: Box) -> "np.ndarray":
    left, top, right, bottom = box
    room = max(2, (bottom - top) // 4)
    return grey[max(0, top - room) : bottom + room, max(0, left - room) : right + room]


def dial_scale(crop: "np.ndarray") -> tuple[Scale, tuple[float, ...]]:
    """A dial's scale, degrees clockwise from up, by the numbers on its face, as far as its long ticks reach, () where they can't be read; and, where
    it is not straight, the long ticks whose numbers are missing in it.

    Parameters
    ----------
    crop : ndarray, (height, width, 3), uint8
        The dial straight on, its hub in the middle.
    """
    import numpy as np

    cv2 = load_opencv()
    enlarge = DIAL / crop.shape[0]
    grey = cv2.resize(cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY), (DIAL, DIAL), interpolation=cv2.INTER_CUBIC if enlarge > 1 else cv2.INTER_AREA)
    boxes = _number_boxes(grey)
    pictures = [grey[max(0, top - 5) : bottom + 5, max(0, left - 7) : right + 7] for left, top, right, bottom in boxes]
    if not pictures:
        return (), ()
    ticks = _ticks(crop)
    needle = math.degrees(needle_angle(crop)[0])
    marks: list[Mark] = []
    for (left, top, right, bottom), (values, sure) in zip(boxes, numbers_said(pictures)):
        angle = math.degrees(math.atan2((left + right) / 2 - DIAL / 2, DIAL / 2 - (top + bottom) / 2))
        near = min(ticks, key=lambda tick: abs(_turn(tick - angle)), default=math.nan)
        if values:
            beneath = abs(_turn(needle - angle)) < BENEATH
            marks.append((angle + _turn(near - angle) if abs(_turn(near - angle)) < SNAP else angle, values, 0.3 * sure if beneath else sure))
    if len(marks) < 3:
        return (), ()
    marks.sort()
    # where the scale begins is not known: there, where most marks agree on it
    turns = [[(angle + (360 if place < first else 0), values, sure) for place, (angle, values, sure) in enumerate(marks)] for first in range(len(marks))]
    scale, straight, _ = max((fitted(turn) for turn in turns), key=lambda found: (found[2], found[1]))
    if not scale:
        return (), ()
    middle = (scale[0][0] + scale[-1][0]) / 2
    whole_turns = 360 * round(middle / 360)
    scale, middle = tuple((angle - whole_turns, value) for angle, value in scale), middle - whole_turns
    along = sorted(middle + _turn(tick - middle) for tick in ticks)
    unread = () if straight else tuple(round(tick, 1) for tick in along if all(abs(tick - angle) > SNAP for angle, _ in scale))
    if straight and ticks:
        scale = _longer(scale, (min(scale[0][0], *along), max(scale[1][0], *along)))
    return tuple((round(angle, 1), value) for angle, value in scale), unread


def _turn(degrees: float) -> float:
    return (degrees + 180) % 360 - 180


def _number_boxes(grey: "np.ndarray") -> list[Box]:
    """Where numbers stand on a dial's face, DIAL pixels across."""
    radius = DIAL / 2

    def on_face(box: Box) -> bool:
        return NUMBERS[0] < math.hypot((box[0] + box[2]) / 2 - radius, (box[1] + box[3]) / 2 - radius) / radius < NUMBERS[1]

    letters, dots = letters_in(grey, (0.05 * radius, 0.28 * radius), 0.3 * radius)
    return grouped([box for box in letters if on_face(box)], [box for box in dots if on_face(box)])


def _ticks(crop: "np.ndarray") -> list[float]:
    """Angles of the long ticks, degrees clockwise from up."""
    import numpy as np

    differs = difference_from_face(unrolled(crop))
    if differs is None:
        return []
    radii = np.linspace(INNER, OUTER, RADII)
    ring = differs[:, (radii > TICKS[0]) & (radii < TICKS[1])].min(axis=1)
    ring = ring + np.arange(ANGLES) * 1e-6  # of equal ones the last
    near = np.maximum.reduce([np.roll(ring, shift) for shift in range(-4, 5)])
    tops = np.flatnonzero((ring >= near) & (ring > 0.4 * np.percentile(ring, 99.5)) & (ring > 1.5))
    found = []
    for top in tops.tolist():  # the middle of each, not its first step
        rows = (top + np.arange(-5, 6)) % ANGLES
        weight = np.maximum(ring[rows] - 0.5 * ring[top], 0)
        found.append(_turn((top + float((weight * np.arange(-5, 6)).sum() / weight.sum())) * 360 / ANGLES))
    return found
