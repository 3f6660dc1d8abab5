"""What is printed on a panel: every line of it with its place, light on dark or dark on light, and which line names which gauge."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest import ocr
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

Box = tuple[int, int, int, int]

WIDE = 3200  # pixels across at which print is read: letters of a dozen pixels become as large as Tesseract likes them
GROUND = 31  # pixels at twice the size within which a panel's ground is alike
SURE = 0.35  # least confidence of a word
GAP = 1.3  # of a line's height: words further apart are two lines
REACH = 0.055  # of the picture's height, how far a gauge's name may be from it
OTHER_SIDE = 0.6  # how much further a name counts that is on another side than most names of this panel


@dataclass(frozen=True)
class Line:
    """A line of print and its place: left, top, right, bottom, pixels."""

    text: str
    box: Box


def printed(grey: "np.ndarray") -> list[Line]:
    """Every line of print in a picture, from the top left to the bottom right.

    Parameters
    ----------
    grey : ndarray, (height, width), uint8
    """
    import numpy as np

    cv2 = load_opencv()
    enlarge = min(2.0, WIDE / max(grey.shape))
    large = cv2.resize(grey, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC if enlarge > 1 else cv2.INTER_AREA)
    away = cv2.absdiff(large, cv2.medianBlur(large, 2 * GROUND + 1))
    around = cv2.GaussianBlur(cv2.dilate(away, np.ones((41, 41))), (0, 0), 15).astype(np.float32)
    words = ocr.read_words(255 - np.clip(away * (255 / np.maximum(around, 40.0)), 0, 255).astype(np.uint8))
    placed = [ocr.Word(word.text, word.confidence, tuple(round(side / enlarge) for side in word.box)) for word in words]
    lines = _lines([word for word in placed if re.search(r"[A-Za-z0-9%]", word.text) and 6 <= word.box[3] - word.box[1] <= 0.12 * grey.shape[0]])
    sure = [line for line in lines if any(word.confidence > SURE for word in line)]
    unsure = [line for line in sure if any(word.confidence <= SURE for word in line)]
    again = dict(zip(map(id, unsure), ocr.read_lines([_cut(grey, line) for line in unsure])))  # a line by itself is read more surely
    found = []
    for line in sure:
        read = again.get(id(line))
        kept = line if read and read.confidence > SURE else [word for word in line if word.confidence > SURE]
        found.append(Line(read.text if kept is line and read else " ".join(word.text for word in kept), _around(kept)))
    return sorted(found, key=lambda line: (line.box[1], line.box[0]))


def _cut(grey: "np.ndarray", line: list[ocr.Word]) -> "np.ndarray":
    left, top, right, bottom = _around(line)
    return grey[max(0, top - 3) : bottom + 3, max(0, left - 4) : right + 4]


def _around(line: list[ocr.Word]) -> Box:
    lefts, tops, rights, bottoms = zip(*(word.box for word in line))
    return min(lefts), min(tops), max(rights), max(bottoms)


def _lines(words: list[ocr.Word]) -> list[list[ocr.Word]]:
    """Words that stand side by side, from left to right."""
    lines: list[list[ocr.Word]] = []
    for word in sorted(words, key=lambda word: word.box[0]):
        left, top, right, bottom = word.box
        for line in lines:
            box = _around(line)
            height = min(bottom - top, box[3] - box[1])
            overlap = min(bottom, box[3]) - max(top, box[1])
            if overlap > 0.5 * height and -0.5 * height < left - box[2] < GAP * max(bottom - top, box[3] - box[1]):
                line.append(word)
                break
        else:
            lines.append([word])
    return lines


def names_of(boxes: "Sequence[Box]", lines: "Sequence[Line]", height: int) -> list[str]:
    """The line of print that names each gauge, "" where none is near; no line names two, and most stand on the same side of their gauges.

    Parameters
    ----------
    boxes : sequence of Box
        The gauges.
    lines : sequence of Line
    height : int
        Of the picture.
    """
    pairs = []
    for place, box in enumerate(boxes):
        for line in lines:
            found = _beside(box, line.box) if re.search(r"[A-Za-z].*[A-Za-z]", line.text) else None
            if found and found[0] < (REACH * height if found[1] in ("above", "below") else 4 * REACH * height):
                pairs.append((*found, place, line))
    sides = [min((pair for pair in pairs if pair[2] == place), default=(0, ""), key=lambda pair: pair[0])[1] for place in range(len(boxes))]
    usual = max(("above", "left", "below", "right"), key=sides.count)
    names, taken = [""] * len(boxes), set()
    for distance, side, place, line in sorted(pairs, key=lambda pair: pair[0] + (0 if pair[1] == usual else OTHER_SIDE * REACH * height)):
        if not names[place] and id(line) not in taken:
            names[place] = line.text
            taken.add(id(line))
    return names


def looked_again(grey: "np.ndarray", boxes: "Sequence[Box]") -> list[list[str]]:
    """What stands right above and right below each gauge, read line by line: surer than a whole page at once, and knows nothing of its neighbours."""
    crops, owners = [], []
    for index, (left, top, right, bottom) in enumerate(boxes):
        tall = int(min(max(24, 0.9 * (bottom - top)), 0.06 * grey.shape[0]))
        for high, low in ((top - tall, top), (bottom, bottom + tall)):
            strip = grey[max(0, high) : max(0, low), max(0, left - 4) : max(right, left + round(0.16 * grey.shape[1]))]
            line = _line_of_words(strip, nearest_below=low == top)
            if line is not None:
                crops.append(line)
                owners.append(index)
    found: list[list[str]] = [[] for _ in boxes]
    for index, line in zip(owners, ocr.read_lines(crops)):
        if line.confidence > 0.3 and re.search(r"[A-Za-z]{2}", line.text):
            found[index].append(line.text)
    return found


def _line_of_words(strip: "np.ndarray", nearest_below: bool) -> "np.ndarray | None":
    """The line of print in a strip, cut out closely: rows of small marks of like height, without the rims that run along or across the strip."""
    import numpy as np

    if strip.shape[0] < 10 or strip.shape[1] < 20 or float(np.std(strip)) < 4:
        return None
    cv2 = load_opencv()
    ground = cv2.medianBlur(strip, 2 * (min(strip.shape[0], 60) // 2) + 1)
    away = cv2.absdiff(strip, ground)
    ink = (away > max(14, 0.4 * float(np.percentile(away, 98.5)))).astype(np.uint8)
    _, _, marks, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    tall, wide = strip.shape
    letters = [(x, y, w, h) for x, y, w, h, area in marks[1:] if 6 <= h < 0.85 * tall and w < 4 * h and w < 0.5 * wide and area >= 6]
    if len(letters) < 2:
        return None
    # the line is where most letters share their middle; of equal ones that nearest to the gauge
    lines = [[other for other in letters if abs(other[1] + other[3] / 2 - y - h / 2) < 0.35 * h and 0.5 * h < other[3] < 2 * h] for x, y, w, h in letters]
    best = max(lines, key=lambda line: (len(line), line[0][1] if nearest_below else -line[0][1]))
    if len(best) < 2:
        return None
    best, rest = [], sorted(best)
    for letter in rest:  # words further along belong to another gauge
        if best and letter[0] > max(x + w for x, _, w, _ in best) + 2 * max(h for *_, h in best):
            break
        best.append(letter)
    top, bottom = min(y for _, y, _, _ in best), max(y + h for _, y, _, h in best)
    left, right = min(x for x, _, _, _ in best), max(x + w for x, _, w, _ in best)
    slack = max(2, (bottom - top) // 5)
    return strip[max(0, top - slack) : bottom + slack, max(0, left - 2 * slack) : right + 2 * slack]


def _beside(gauge: Box, line: Box) -> tuple[float, str] | None:
    """How far a line is from a gauge and on which side of it; None where it is at no side of it."""
    across = min(gauge[2], line[2]) - max(gauge[0], line[0])
    down = min(gauge[3], line[3]) - max(gauge[1], line[1])
    if across > 0.3 * min(line[2] - line[0], gauge[2] - gauge[0]):
        if line[3] <= gauge[1] + 4:
            return max(0.0, gauge[1] - line[3]), "above"
        if line[1] >= gauge[3] - 4:
            return max(0.0, line[1] - gauge[3]), "below"
    if down > 0.5 * (line[3] - line[1]):
        if line[2] <= gauge[0] + 4:
            return max(0.0, gauge[0] - line[2]), "left"
        if line[0] >= gauge[2] - 4:
            return max(0.0, line[0] - gauge[2]), "right"
    return None


def share_within(one: Box, other: Box) -> float:
    """How much of ``one`` lies within ``other``."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    tall = min(one[3], other[3]) - max(one[1], other[1])
    return max(0, wide) * max(0, tall) / max(1, (one[2] - one[0]) * (one[3] - one[1]))


def numbers_in(text: str) -> list[float]:
    """The number that a mark on a scale says: as written, and without what may be a tick beside it; none where it is no number."""
    if re.fullmatch(r"[oO]", text.strip()):
        return [0.0]
    found = re.fullmatch(r"[^\w.,+-]*([-+\u2212\u2014]?)[^\w.,]*(\d+(?:[.,]\d+)?|[.,]\d+)[^\w]*", text.strip())
    if not found:
        return []
    size = float(found[2].replace(",", "."))
    return [size, -size] if found[1] in ("-", "\u2212", "\u2014") and size else [size]
