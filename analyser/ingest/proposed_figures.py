"""Numbers on a panel: where figures stand side by side, and what they say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest import ocr
from analyser.ingest.images import load_opencv
from analyser.ingest.proposed_print import Box, numbers_in
from analyser.ingest.recogniser import best_path, score

if TYPE_CHECKING:
    import numpy as np


def letters_in(grey: "np.ndarray", tall: tuple[float, float], wide: float) -> tuple[list[Box], list[Box]]:
    """Marks as high as figures, and lower ones (points, signs, ticks)."""
    import numpy as np

    cv2 = load_opencv()
    size = min(61, 2 * (min(grey.shape) // 2) - 1)
    away = cv2.absdiff(grey, cv2.medianBlur(grey, max(3, size)))
    ink = (away > max(18.0, 0.45 * float(np.percentile(away, 99)))).astype(np.uint8)
    _, _, found, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    boxes = [(x, y, x + w, y + h) for x, y, w, h, area in found[1:].tolist() if w < wide and area >= 3]
    return [box for box in boxes if tall[0] < box[3] - box[1] < tall[1]], [box for box in boxes if box[3] - box[1] <= tall[0]]


def grouped(letters: list[Box], dots: list[Box]) -> list[Box]:
    """Figures that stand side by side taken together, with a point between and a sign before them."""
    groups: list[Box] = []
    for box in sorted(letters):
        for index, group in enumerate(groups):
            height = group[3] - group[1]
            dotted = any(group[2] - 3 < dot[0] and dot[2] < box[0] + 3 and dot[1] > group[1] + 0.5 * height and dot[3] < group[3] + 0.2 * height for dot in dots)
            if -0.3 * height < box[0] - group[2] < (1.0 if dotted else 0.5) * height and abs(box[1] - group[1]) + abs(box[3] - group[3]) < 0.6 * height:
                groups[index] = (group[0], min(group[1], box[1]), max(group[2], box[2]), max(group[3], box[3]))
                break
        else:
            groups.append(box)
    widened = []
    for left, top, right, bottom in groups:
        height = bottom - top
        signs = [dot for dot in dots if top + 0.3 * height < (dot[1] + dot[3]) / 2 < bottom - 0.2 * height and -0.1 * height < left - dot[2] < 0.5 * height]
        widened.append((min([left, *(dot[0] for dot in signs)]), top, right, bottom))
    return widened


def numbers_said(pictures: "list[np.ndarray]") -> list[tuple[list[float], float]]:
    """Of each picture the values that its number may say, and how sure that is: two readers are asked."""
    if not pictures:
        return []
    own = [numbers_in(best_path(logs)) for logs in score(pictures)]
    others = [numbers_in(line.text) for line in ocr.read_lines(pictures, "0123456789.,-+%")]
    return [(list(dict.fromkeys([*one, *other])), 1.0 if one and one == other else 0.6) for one, other in zip(own, others)]
