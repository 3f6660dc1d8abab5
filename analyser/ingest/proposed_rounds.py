"""Round things on a panel: attitude balls, dials, and small ones that may be lamps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.attitude import halves, horizon
from analyser.ingest.dials import needle_angle
from analyser.ingest.images import load_opencv
from analyser.ingest.proposed_print import Box, share_within

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

EVEN = 9.0  # levels by which a lamp's glass may vary
LAMPS = (90, 24)  # of the picture's height one part in so many: the least and the greatest radius of a lamp


def rounds_in(pixels: "np.ndarray") -> list[tuple[str, Box]]:
    """Round gauges, each a ball of two halves ("attitude") or a dial with a needle ("dial")."""
    import numpy as np

    cv2 = load_opencv()
    height, width = pixels.shape[:2]
    grey = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), (0, 0), 1.5)
    circles = cv2.HoughCircles(grey, cv2.HOUGH_GRADIENT, 1.5, 0.12 * height, param1=60, param2=70, minRadius=height // 22, maxRadius=height // 3)
    found: list[tuple[str, Box]] = []
    for x, y, r in circles[0] if circles is not None else ():
        left, top, right, bottom = (round(float(v)) for v in (x - r, y - r, x + r, y + r))
        if left < 0 or top < 0 or right > width or bottom > height or any(share_within((left, top, right, bottom), other) > 0.3 for _, other in found):
            continue
        if _rim(grey, float(x), float(y), float(r)) < 0.75:
            continue
        # the gauge itself is the innermost of the rings about it
        r = min(part * r for part in np.arange(0.80, 1.001, 0.01) if part > 0.995 or _rim(grey, float(x), float(y), float(part * r), 1.0) > 0.85)
        left, top, right, bottom = (round(float(v)) for v in (x - r, y - r, x + r, y + r))
        crop = pixels[top:bottom, left:right]
        if horizon(crop, *halves(crop)[:2])[2] > 0.8:
            r *= _innermost(pixels, float(x), float(y), float(r))
            found.append(("attitude", tuple(round(float(v)) for v in (x - r, y - r, x + r, y + r))))
        elif not needle_angle(crop)[1]:
            found.append(("dial", (left, top, right, bottom)))
    return found


def _innermost(pixels: "np.ndarray", x: float, y: float, r: float) -> float:
    """The part of ``r`` at which the innermost clear change of colour runs round: a ball's own edge, within its bezel."""
    import numpy as np

    angles = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    parts = np.arange(0.82, 1.0001, 0.005)

    def colours(at: "np.ndarray") -> "np.ndarray":
        columns = np.clip(np.round(x + at[:, None] * np.cos(angles)).astype(int), 0, pixels.shape[1] - 1)
        rows = np.clip(np.round(y + at[:, None] * np.sin(angles)).astype(int), 0, pixels.shape[0] - 1)
        return pixels[rows, columns].astype(np.float32)

    change = np.median(np.abs(colours(parts * r + 2) - colours(parts * r - 2)).max(axis=2), axis=1)
    top = [place for place in range(len(parts)) if change[place] == change[max(0, place - 2) : place + 3].max() and change[place] > max(0.35 * change.max(), 12)]
    return float(parts[top[0]]) if top else 1.0


def _rim(grey: "np.ndarray", x: float, y: float, r: float, reach: float = 2.0) -> float:
    """Part of a circle along which there is an edge within twice ``reach`` pixels."""
    import numpy as np

    angles = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    steps = r + reach * np.arange(-2, 3)
    columns = np.clip(np.round(x + steps[:, None] * np.cos(angles)).astype(int), 0, grey.shape[1] - 1)
    rows = np.clip(np.round(y + steps[:, None] * np.sin(angles)).astype(int), 0, grey.shape[0] - 1)
    across = grey[rows, columns].astype(int)
    return float((across.max(axis=0) - across.min(axis=0) > 12).mean())


def round_lamps(pixels: "np.ndarray", taken: "Sequence[Box]") -> list[Box]:
    """Small round things of one colour with a rim, apart from what is ``taken``."""
    import numpy as np

    cv2 = load_opencv()
    height, width = pixels.shape[:2]
    grey = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), (0, 0), 1.0)
    circles = cv2.HoughCircles(grey, cv2.HOUGH_GRADIENT, 1.2, 0.03 * height, param1=60, param2=24, minRadius=height // LAMPS[0], maxRadius=height // LAMPS[1])
    found: list[Box] = []
    for x, y, r in circles[0] if circles is not None else ():
        box = tuple(round(float(v)) for v in (x - r, y - r, x + r, y + r))
        if box[0] < 0 or box[1] < 0 or box[2] > width or box[3] > height or any(share_within(box, other) > 0.05 for other in [*taken, *found]):
            continue
        inside = grey[box[1] : box[3], box[0] : box[2]]
        down, across = np.mgrid[0 : inside.shape[0], 0 : inside.shape[1]]
        disc = np.hypot(down + 0.5 - inside.shape[0] / 2, across + 0.5 - inside.shape[1] / 2) < 0.7 * float(r)
        if disc.sum() > 20 and float(inside[disc].std()) < EVEN and _rim(grey, float(x), float(y), float(r), 1.0) > 0.9:
            found.append(box)
    return found
