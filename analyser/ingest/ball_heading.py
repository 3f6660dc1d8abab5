"""The heading that an attitude ball shows: the marks along its horizon, read once pitch and roll are known.

The part of the ball about the horizon is unrolled into a strip, upright, as wide as the same angle everywhere, and read by the recogniser of
read-outs. For every heading it is known which marks would stand where on that strip; the heading whose marks the recogniser finds in
their places is taken, if no other comes near. On the ball headings grow to the right, as the land ahead of the craft does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.beam import ALPHABET
from analyser.ingest.images import load_opencv
from analyser.ingest.recogniser import score

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

REACH = 62  # degrees to either side of the nose that are unrolled
WHOLE = 44  # degrees within which a mark is wanted whole
ROOM = 12.0  # degrees to either side of a mark that are its own, at most
HEIGHTS = (9.0, 14.0)  # degrees that a strip is high
MIDDLES = (0.0, 6.0, -6.0)  # degrees above the horizon of its middle
STEEPEST = math.radians(55)  # pitch beyond which the horizon is too near the rim to be read
STRIP = 32  # pixels that a strip is high
FAINT = 1e-3  # chance below which a mark counts as not found
SURE = math.log(300)  # how much likelier the best heading must be than any other
APART = 8  # degrees by which another heading is another
SIGMA = math.radians(1.0)
TOO_STEEP = "the horizon with the heading's marks is too near the ball's rim"
NOT_READ = "the heading's marks on the ball cannot be read"


@dataclass(frozen=True)
class Heading:
    """``value`` in rad, nan with the reason in ``trouble`` where it cannot be read; ``seen``: the marks found; ``sigma``: rad."""

    value: float
    trouble: str = ""
    seen: tuple[str, ...] = ()
    sigma: float = SIGMA


def read_heading(grey: "np.ndarray", pitch: float, roll: float, marks: "Sequence[str]") -> Heading:
    """Read the heading.

    Parameters
    ----------
    grey : ndarray, (height, width), uint8
        The ball, from rim to rim.
    pitch, roll : float
        rad, as read from its horizon.
    marks : sequence of str
        What is written along the horizon, evenly spaced, from north (0) by way of east; "" for a place without a mark.
    """
    import numpy as np

    if abs(pitch) > STEEPEST:
        return Heading(math.nan, TOO_STEEP)
    looks = [(height, middle) for height in HEIGHTS for middle in MIDDLES]
    strips = [unrolled(grey, pitch, roll, *look) for look in looks]
    both = [each for strip in strips for each in (strip, 255 - strip)]  # light marks or dark ones
    scores = score(both)
    found: list = [None] * len(both)
    for columns in {len(logs) for logs in scores}:
        alike = [index for index, logs in enumerate(scores) if len(logs) == columns]
        for index, chance in zip(alike, _weighed(np.array([scores[index] for index in alike]), marks)):
            found[index] = chance
    best = max(range(len(found)), key=lambda index: found[index].max())
    chances = found[best]
    top = int(chances.argmax())
    away = np.abs((np.arange(360) - top + 180) % 360 - 180)
    others = max(float(each[away > APART].max()) for each in found)
    if chances[top] - others < SURE:
        return Heading(math.nan, NOT_READ)
    near = away <= 3
    weight = np.exp(chances[near] - chances[top])
    offset = (np.arange(360)[near] - top + 180) % 360 - 180
    heading = top + float((weight * offset).sum() / weight.sum())
    seen = [(mark, place) for mark, place in _in_sight(marks, heading)]
    strip = strips[best // 2]
    shifts = [shift for mark, place in seen if not math.isnan(shift := _aside(strip, place, marks))]
    if not shifts:
        return Heading(math.nan, NOT_READ)
    heading -= float(np.median(shifts))
    return Heading(math.radians(heading) % (2 * math.pi), "", tuple(mark for mark, _ in seen))


def unrolled(grey: "np.ndarray", pitch: float, roll: float, high: float, middle: float) -> "np.ndarray":
    """The ball about its horizon, (STRIP, width), uint8: REACH degrees to either side of the nose, ``high`` degrees high about ``middle``."""
    import numpy as np

    cv2 = load_opencv()
    width = _width(high)
    azimuth = np.radians((np.arange(width) + 0.5) / width * 2 * REACH - REACH)[None, :]
    elevation = np.radians(middle + high * (0.5 - (np.arange(STRIP) + 0.5) / STRIP))[:, None]
    right = np.cos(elevation) * np.sin(azimuth)
    ahead = np.cos(elevation) * np.cos(azimuth)
    up = -math.sin(pitch) * ahead + math.cos(pitch) * np.sin(elevation)
    x = right * math.cos(roll) - up * math.sin(roll)
    y = right * math.sin(roll) + up * math.cos(roll)
    height, across = grey.shape
    picture = cv2.remap(grey, ((x + 1) * across / 2 - 0.5).astype(np.float32), ((1 - y) * height / 2 - 0.5).astype(np.float32), cv2.INTER_CUBIC,
                        borderMode=cv2.BORDER_REPLICATE).astype(np.float32)  # fmt: skip
    # sky and ground, light and shade: what is the same along a row for as long as a mark is wide is taken away
    flat = picture - cv2.GaussianBlur(picture, (0, 0), sigmaX=STRIP * 1.2, sigmaY=0.6)
    return np.clip(128 + flat * (50 / max(float(flat.std()), 3.0)), 0, 255).astype(np.uint8)


def _width(high: float) -> int:
    return 16 * round(2 * REACH / high * STRIP / 16)


def _in_sight(marks: "Sequence[str]", heading: float) -> list[tuple[str, float]]:
    """Marks that stand whole before the pilot at a heading (degrees), and where, degrees right of the nose."""
    spacing = 360 / len(marks)
    places = [((index * spacing - heading + 180) % 360 - 180, mark) for index, mark in enumerate(marks) if mark]
    return [(mark, place) for place, mark in places if abs(place) <= WHOLE]


def _weighed(logs: "np.ndarray", marks: "Sequence[str]") -> "np.ndarray":
    """For each strip and each heading in whole degrees how well the recogniser's columns (strips, columns, classes) agree with the marks that
    would be in sight, (strips, 360); 0: not at all."""
    import numpy as np

    columns = logs.shape[1]
    room = min(ROOM, 0.45 * 360 / len(marks))
    degree = 2 * REACH / columns  # of one column
    places = np.arange(-WHOLE, WHOLE + 1)
    middles = (places + REACH) / degree
    begins = np.maximum(np.round(middles - room / degree).astype(int), 0)
    length = int(round(2 * room / degree))
    parts = logs[:, np.minimum(begins[:, None] + np.arange(length), columns - 1)]  # (strips, places, length, classes)
    total = np.zeros((len(logs), 360))
    chances: dict[str, np.ndarray] = {}
    for index, mark in enumerate(marks):
        if not mark:
            continue
        if mark not in chances:
            chances[mark] = np.maximum(_spelt(parts, mark, middles - begins - 0.5), math.log(FAINT)) - math.log(FAINT)
        total[:, np.round(index * 360 / len(marks) - places).astype(int) % 360] += chances[mark]
    return total


def _spelt(parts: "np.ndarray", text: str, middles: "np.ndarray") -> "np.ndarray":
    """Log probabilities (strips, places) that columns (strips, places, length, classes) spell a text and nothing else, a little less where not
    about the middles (places,), by the forward sums of connectionist temporal classification."""
    import numpy as np

    classes = [0]
    for letter in text:
        classes += [ALPHABET.find(letter) + 1, 0]
    kinds = np.array(classes)
    chances = np.exp(parts[..., kinds].astype(np.float64))
    skips = np.array([index >= 2 and kind > 0 and kind != classes[index - 2] for index, kind in enumerate(classes)])
    states = np.zeros((*parts.shape[:2], len(classes)))
    states[..., 0] = 1.0
    for column in range(parts.shape[2]):
        entered = states.copy()
        entered[..., 1:] += states[..., :-1]
        entered[..., 2:] += states[..., :-2] * skips[2:]
        states = entered * chances[:, :, column]
    letters = sorted(set(classes[1::2]))
    inked = np.exp(parts[..., letters]).sum(axis=3)
    aside = (inked * np.arange(parts.shape[2])).sum(axis=2) / np.maximum(inked.sum(axis=2), 1e-9) - middles
    return np.log(states[..., -1] + states[..., -2] + 1e-30) - 0.05 * aside**2


def _aside(strip: "np.ndarray", place: float, marks: "Sequence[str]") -> float:
    """How far right of its place, degrees, the ink of a mark stands."""
    import numpy as np

    degree = strip.shape[1] / (2 * REACH)
    room = min(ROOM, 0.4 * 360 / len(marks))
    begin, end = (int(round((place + REACH + side) * degree)) for side in (-room, room))
    part = np.abs(strip[:, max(begin, 0) : end].astype(float) - 128).mean(axis=0)
    part = np.maximum(part - np.percentile(part, 40) * 1.3, 0)
    if part.sum() <= 0:
        return math.nan
    x = (np.arange(len(part)) + max(begin, 0) + 0.5) / degree - REACH
    return float((part * x).sum() / part.sum()) - place
