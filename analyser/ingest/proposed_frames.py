"""Upright rectangles on a panel: windows of read-outs, drum counters, bars that fill, plates that may be lamps."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv
from analyser.ingest.proposed_print import Box, share_within
from analyser.ingest.tapes import CLEAR, STEPS, profile_of, step_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from analyser.ingest.proposed_print import Line

LONG = 2.5  # times as long as wide: a bar
PLAIN = 7.0  # levels (Lab) by which either part of a bar may vary across it
DARK = 9.0  # grey levels by which the gaps between wheels are darker, or lighter, than the wheels
RIM = 0.16  # of a bar's width that may be its frame
FIGURES = r"(?:T ?)?[-+\u2212]?\d[\d.,:' d]*"  # how a frameless read-out begins
LEAST = 0.018  # of the picture's height: lower print is no read-out


def rectangles(pixels: "np.ndarray", gap: int = 2) -> list[Box]:
    """Every upright rectangle of one ground, the smallest first; ``gap``: pixels by which its outline may be broken, which also makes one of many a word."""
    import numpy as np

    cv2 = load_opencv()
    height, width = pixels.shape[:2]
    boxes = set()
    smooth = cv2.GaussianBlur(pixels, (0, 0), 1.0)
    for channel in cv2.split(cv2.cvtColor(smooth, cv2.COLOR_BGR2LAB)):
        for low, high in ((15, 40), (40, 100)):
            edges = cv2.dilate(cv2.Canny(channel, low, high), np.ones((gap, gap), np.uint8))
            for contour in cv2.findContours(edges, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)[0]:
                x, y, w, h = cv2.boundingRect(contour)
                if min(w, h) > 0.012 * height and max(w / width, h / height) < 0.6 and cv2.contourArea(contour) > 0.86 * w * h:
                    boxes.add((x, y, x + w, y + h))
    return sorted(boxes, key=lambda box: (box[2] - box[0]) * (box[3] - box[1]))


def windows_in(boxes: "Sequence[Box]", shape: tuple[int, ...]) -> list[Box]:
    """Those that may be windows of read-outs, the innermost where they are nested."""
    height, width = shape[:2]
    kept: list[Box] = []
    for box in boxes:
        w, h = box[2] - box[0], box[3] - box[1]
        if 0.02 * width < w < 0.5 * width and 0.018 * height < h < 0.16 * height and 1.2 < w / h < 10 and all(share_within(other, box) < 0.5 for other in kept):
            kept.append(box)
    return kept


def with_counters(grey: "np.ndarray", windows: list[Box], every: "Sequence[Box]") -> tuple[list[Box], dict[Box, int]]:
    """Windows, those that lie in a drum counter (each wheel may look like a window of its own) replaced by it; how many wheels each counter has."""
    counters = []
    for box in every:
        wheels, within = wheels_in(grey, box)
        if wheels:
            counters.append((wheels, (within[0] - within[2]) * (within[3] - within[1]), within))
    counts: dict[Box, int] = {}
    for wheels, _, box in sorted(counters, reverse=True):
        if not any(share_within(box, other) > 0.2 or share_within(other, box) > 0.2 for other in counts):
            counts[box] = wheels
    return [box for box in windows if not any(share_within(box, other) > 0.5 for other in counts)] + list(counts), counts


def wheels_in(grey: "np.ndarray", box: Box) -> tuple[int, Box]:
    """How many wheels of a drum counter a window shows, and the box about them alone; 0 where it is none.

    Wheels stand at even distances with dark gaps from top to bottom between them, and are lighter (or darker) than those gaps where no figure is.
    """
    import numpy as np

    left, top, right, bottom = box
    height = bottom - top
    if height < 16 or not 1.2 < (right - left) / height < 8:
        return 0, box
    crop = grey[top + round(0.12 * height) : bottom - round(0.12 * height), left:right].astype(np.float32)
    best = (0.0, 0, box)
    # of each column: a gap is dark all along, or light all along
    for gaps in (np.median(crop) - crop.max(axis=0), crop.min(axis=0) - np.median(crop)):
        begin, end = _without_frame(gaps, round(0.15 * height))
        inner, width = gaps[begin:end], end - begin
        for count in range(2, 9):
            pitch = width / count
            if not 0.35 < pitch / height < 1.5:
                continue
            reach = max(2, round(0.06 * pitch))
            places = [round(pitch * step) for step in range(1, count)]
            found = [float(inner[max(0, place - reach) : place + reach + 1].max()) for place in places]
            between = [float(inner[round(pitch * step + 0.2 * pitch) : round(pitch * step + 0.8 * pitch)].max()) for step in range(count)]
            if min(found) > DARK and min(found) > 2 * max(max(between), 1.0) and count > best[1]:
                best = (min(found), count, (left + begin, top, left + end, bottom))
    return best[1:]


def _without_frame(gaps: "np.ndarray", most: int) -> tuple[int, int]:
    """Where the wheels begin and end: columns that look like gaps at either end belong to the frame."""
    begin = max((place + 1 for place in range(most) if gaps[place] > DARK), default=0)
    end = min((len(gaps) - 1 - place for place in range(most) if gaps[len(gaps) - 1 - place] > DARK), default=len(gaps))
    return begin, end


def bars_in(pixels: "np.ndarray", boxes: "Sequence[Box]") -> list[Box]:
    """Rectangles much longer than wide that show two plain colours, one behind the other: bars partly filled."""
    height, width = pixels.shape[:2]
    found: list[Box] = []
    for box in sorted([*boxes, *_joined(boxes)], key=lambda box: (box[2] - box[0]) * (box[3] - box[1])):
        w, h = box[2] - box[0], box[3] - box[1]
        if max(w, h) > LONG * min(w, h) and max(w / width, h / height) > 0.07 and not any(share_within(box, other) > 0.5 or share_within(other, box) > 0.5 for other in found):
            if _is_bar(pixels, box):
                found.append(box)
    return found


def _joined(boxes: "Sequence[Box]") -> set[Box]:
    """Rectangles made of two that stand end to end: the filled and the empty part of a bar whose frame hides in its colours."""
    made = set()
    for one in boxes:
        for other in boxes:
            level = abs(one[1] - other[1]) < 5 and abs(one[3] - other[3]) < 5 and abs(one[2] - other[0]) < 6
            stacked = abs(one[0] - other[0]) < 5 and abs(one[2] - other[2]) < 5 and abs(one[3] - other[1]) < 6
            if level or stacked:
                made.add((min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])))
    return made


def _is_bar(pixels: "np.ndarray", box: Box) -> bool:
    import numpy as np

    cv2 = load_opencv()
    left, top, right, bottom = box
    crop = pixels[top:bottom, left:right]
    profile = profile_of(crop)
    end = STEPS // 40  # the frame
    place, share = step_of(profile[end:-end])
    place += end
    first, second = np.median(profile[end:place], axis=0), np.median(profile[place:-end], axis=0)
    if not 0.06 * STEPS < place < 0.94 * STEPS or share < 0.9 or float(np.linalg.norm(first - second)) < 1.5 * CLEAR:
        return False
    lab = cv2.cvtColor(crop, cv2.COLOR_BGR2LAB).astype(np.float32)
    if lab.shape[0] > lab.shape[1]:
        lab = lab[::-1].transpose(1, 0, 2)
    rim, split = max(2, round(RIM * lab.shape[0])), round(place / STEPS * lab.shape[1])
    slack = max(3, round(0.02 * lab.shape[1]))
    parts = lab[rim:-rim, slack : split - slack], lab[rim:-rim, split + slack : -slack]
    return all(part.size and float(np.percentile(np.abs(part - np.median(part, axis=(0, 1))), 97)) < PLAIN for part in parts)


def frameless(lines: "Sequence[Line]", gauges: "Sequence[Box]", shape: tuple[int, ...]) -> list[tuple[Box, str]]:
    """Read-outs that stand on the panel without a frame: lines of figures, with room for more of them; and their text."""
    height = shape[0]
    found = []
    for line in lines:
        left, top, right, bottom = line.box
        tall = bottom - top
        plain = re.fullmatch(rf"({FIGURES})\s*([A-Za-z%\u00b0][A-Za-z/%\u00b2\u00b00-9^]{{0,4}})?", line.text)
        if not plain or tall < LEAST * height or any(share_within(line.box, box) > 0.2 for box in gauges):
            continue
        if sum(letter.isdigit() for letter in plain[1]) < 3 and not plain[2]:
            continue
        others = [other.box for other in lines if other is not line] + list(gauges)
        beside = [box for box in others if min(bottom, box[3]) - max(top, box[1]) > 0]
        least = max([0, *(box[2] for box in beside if box[2] <= left)])
        most = min([shape[1], *(box[0] for box in beside if box[0] >= right)])
        room = round(0.3 * tall)
        found.append(((max(left - tall, (least + left) // 2), top - room, min(right + 2 * tall, (most + right) // 2), bottom + room), line.text))
    return found


def plates_in(pixels: "np.ndarray", boxes: "Sequence[Box]", taken: "Sequence[Box]") -> list[Box]:
    """Small plates that may be lamps with a word on them."""
    height = pixels.shape[0]
    kept: list[Box] = []
    for box in boxes:
        w, h = box[2] - box[0], box[3] - box[1]
        if 0.022 * height < h < 0.11 * height and 0.8 < w / h < 5 and all(share_within(box, other) < 0.3 and share_within(other, box) < 0.3 for other in [*taken, *kept]):
            kept.append(box)
    return kept
