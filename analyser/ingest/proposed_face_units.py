"""The unit on a dial's face, where it is too short for the reading of a whole page: a letter or three that stand apart."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from analyser.ingest import ocr
from analyser.ingest.beam import ALPHABET, best_path
from analyser.ingest.images import load_opencv
from analyser.ingest.proposed_figures import grouped, letters_in
from analyser.ingest.proposed_names import spellings_on_faces
from analyser.ingest.proposed_print import Box, Line, numbers_in, share_within
from analyser.ingest.recogniser import score

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

DIAL = 640  # pixels across at which a face is looked at
PLACES = (0.14, 0.62)  # parts of the radius between which the middle of a unit stands
TALL = (0.05, 0.3)  # of the radius, how high its letters are
TOUCH = 0.12  # of a letter's height between marks that are one
APART = 0.9  # of a letter's height that is free on either side of it
CLEAR, LIKELY = 0.7, 0.1  # probability of a unit by the networks that is enough, and where Tesseract reads the same
RIVAL = 0.1  # of it that any other unit may have
ALIKE = {"g": "9q", "t": "+"}  # what the networks may take a unit for that only the other reader tells
TAKEN = 0.45  # probability of those from which it is one
RING = 0.12  # of the radius within which numbers stand in a ring


def face_unit(crop: "np.ndarray", column: str, lines: "Sequence[Line]" = ()) -> str:
    """The unit that stands on a dial's face, "" where none does for certain.

    Parameters
    ----------
    crop : ndarray, (height, width, 3), uint8
        The dial straight on, its hub in the middle.
    column : str
        What the dial reads: only its units are looked for.
    lines : sequence of Line
        What was read on the face, in pixels of ``crop``: single letters of words are no units.
    """
    meant = spellings_on_faces(column)
    if not meant:
        return ""
    cv2 = load_opencv()
    enlarge = DIAL / crop.shape[0]
    grey = cv2.resize(cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY), (DIAL, DIAL), interpolation=cv2.INTER_CUBIC if enlarge > 1 else cv2.INTER_AREA)
    words = [tuple(round(side * enlarge) for side in line.box) for line in lines if len(re.findall(r"[A-Za-z]", line.text)) > 3]
    boxes = [box for box in _alone(grey) if not any(share_within(box, word) > 0.5 for word in words)]
    if not boxes:
        return ""
    pictures = [_cut(grey, box) for box in boxes]
    looks = score(pictures)
    texts = ocr.read_lines(pictures, "".join(sorted({letter for way in meant for letter in way})))
    rings = [_from_hub(box) for box, logs in zip(boxes, looks) if numbers_in(best_path(logs))]  # where numbers stand
    found = set()
    for box, logs, line in zip(boxes, looks, texts):
        among = sum(abs(ring - _from_hub(box)) < RING for ring in rings) > 1
        found.add(_agreed(logs, meant.get(line.text.replace(" ", ""), ""), meant, among))
    found -= {""}
    return found.pop() if len(found) == 1 else ""


def _agreed(logs: "np.ndarray", other: str, meant: dict[str, str], among_numbers: bool) -> str:
    """The unit that a picture shows by the networks' word, and by the ``other`` reader's where that alone is not enough; "" where it shows none."""
    chances = dict.fromkeys(meant.values(), 0.0)
    for way, unit in meant.items():
        chances[unit] += _chance(logs, way)
    best = max(chances, key=chances.__getitem__)
    if all(chance <= RIVAL * chances[best] for unit, chance in chances.items() if unit != best) and chances[best] > (LIKELY if other == best else CLEAR):
        return best
    taken_for = sum(_chance(logs, letter) for letter in ALIKE.get(other, ""))
    return other if taken_for > TAKEN and not among_numbers else ""


def _chance(logs: "np.ndarray", text: str) -> float:
    """Probability that columns spell just this text: the sum over all paths (Graves, Fernandez, Gomez & Schmidhuber 2006, section 4.1)."""
    import numpy as np

    classes = [0]
    for letter in text:
        classes += [ALPHABET.index(letter) + 1, 0]
    ways = np.full(len(classes), -math.inf)
    ways[0] = 0.0
    skips = np.array([place >= 2 and classes[place] != 0 and classes[place] != classes[place - 2] for place in range(len(classes))])
    for column in logs[:, classes]:
        one, two = np.r_[-math.inf, ways[:-1]], np.where(skips, np.r_[-math.inf, -math.inf, ways[:-2]], -math.inf)
        ways = np.logaddexp(np.logaddexp(ways, one), two) + column
    return float(np.exp(np.logaddexp(ways[-1], ways[-2])))


def _alone(grey: "np.ndarray") -> list[Box]:
    """Where a few letters stand by themselves on a face, DIAL pixels across: not the hub, and nothing beside them that would make them part of more."""
    radius = DIAL / 2
    letters, dots = letters_in(grey, (TALL[0] * radius, TALL[1] * radius), 0.4 * radius)
    groups = _joined([*grouped(letters, dots), *(dot for dot in dots if dot[3] - dot[1] > 0.5 * TALL[0] * radius)])

    def free(box: Box) -> bool:
        tall = box[3] - box[1]
        beside = (box[0] - APART * tall, box[1], box[2] + APART * tall, box[3])
        return not any(other != box and min(beside[2], other[2]) > max(beside[0], other[0]) and min(box[3], other[3]) - max(box[1], other[1]) > 0.3 * tall for other in groups)

    return [box for box in groups if PLACES[0] < _from_hub(box) < PLACES[1] and free(box) and box[2] - box[0] < 4 * (box[3] - box[1])]


def _joined(boxes: list[Box]) -> list[Box]:
    """Boxes that all but touch taken together: the rings of a percent sign and its stroke."""
    joined: list[Box] = []
    for left, top, right, bottom in sorted(boxes):
        near = [
            box for box in joined
            if left - box[2] < TOUCH * (box[3] - box[1]) and box[0] - right < TOUCH * (box[3] - box[1]) and min(bottom, box[3]) > max(top, box[1])
        ]  # fmt: skip
        joined = [box for box in joined if box not in near]
        lefts, tops, rights, bottoms = zip((left, top, right, bottom), *near)
        joined.append((min(lefts), min(tops), max(rights), max(bottoms)))
    return joined


def _from_hub(box: Box) -> float:
    """How far the middle of a box is from the hub, parts of the radius."""
    return math.hypot((box[0] + box[2]) / 2 - DIAL / 2, (box[1] + box[3]) / 2 - DIAL / 2) / (DIAL / 2)


def _cut(grey: "np.ndarray", box: Box) -> "np.ndarray":
    left, top, right, bottom = box
    room = max(4, (bottom - top) // 3)
    return grey[max(0, top - room) : bottom + room, max(0, left - room) : right + room]
