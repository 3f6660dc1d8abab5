"""Cuts a panel's gauges out of a screenshot, each seen straight on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.images import grey_of, load_opencv
from analyser.ingest.instruments import READERS
from analyser.ingest.register import Registration, project

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge
    from analyser.ingest.surroundings import Place

MAX_CROP = 640  # pixels: no gauge is rectified larger


@dataclass(frozen=True)
class Cut:
    """One gauge in one screenshot: ``picture`` as its kind's reader wants it, or None with the reason in ``missing``; ``box`` (left, top, right,
    bottom; screenshot pixels) is where it lies, None where it is out of sight."""

    picture: "np.ndarray | None"
    box: tuple[int, int, int, int] | None = None
    missing: str = ""


def rectify(pixels: "np.ndarray", homography: "np.ndarray", gauge: "Gauge", margin: float = 0.0) -> "np.ndarray":
    """A gauge seen straight on, at the size it has in the screenshot.

    ``margin`` is a part of the gauge's height, added on every side.
    """
    import numpy as np

    cv2 = load_opencv()
    width, height = gauge.size
    seen = project(homography, gauge.corners)
    a, b, c, d = seen
    scale = math.sqrt(max(cv2.contourArea(seen.astype(np.float32)), 1.0) / (width * height))
    scale = min(max(scale, 12 / height), MAX_CROP / max(width, height))
    pad = margin * height
    size = (max(8, round((width + 2 * pad) * scale)), max(8, round((height + 2 * pad) * scale)))
    flat = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    # corners are places on the picture, where pixel i reaches from i to i + 1; homographies speak of pixels' middles
    to_middle = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    to_screen = homography @ to_middle @ cv2.getPerspectiveTransform(flat, np.array(gauge.corners, np.float32))
    to_flat = np.array([[1 / scale, 0, 0.5 / scale - pad], [0, 1 / scale, 0.5 / scale - pad], [0, 0, 1]])
    return cv2.warpPerspective(
        pixels, to_screen @ to_flat, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def cut(pixels: "np.ndarray", view: Registration, gauge: "Gauge", place: "Place | None" = None, grey: "np.ndarray | None" = None) -> Cut:
    """One gauge of a screenshot whose panel was found, or not, at ``view``; the gauge itself at ``place``, where that is known better.

    ``grey``: the screenshot in grey, where that is at hand: most readers want no colours.
    """
    import numpy as np

    if not view.found:
        return Cut(None, None, f"the panel was not found: {view.reason}")
    height, width = pixels.shape[:2]
    homography = place.homography if place else view.homography
    seen = project(homography, gauge.corners)
    left, top = np.floor(seen.min(axis=0)).astype(int)
    right, bottom = np.ceil(seen.max(axis=0)).astype(int) + 1
    box = (int(max(left, 0)), int(max(top, 0)), int(min(right, width)), int(min(bottom, height)))
    slack = 0.02 * min(gauge.size)
    if left < -slack or top < -slack or right > width + slack + 1 or bottom > height + slack + 1:
        return Cut(None, box if box[2] > box[0] and box[3] > box[1] else None, "this gauge is partly outside the screenshot")
    if place and place.hidden:
        return Cut(None, box, place.hidden)
    reader = READERS[gauge.kind]
    source = pixels if reader.colour or grey is None else grey
    return Cut(as_read(rectify(source, homography, gauge, reader.margin), gauge), box)


def as_read(crop: "np.ndarray", gauge: "Gauge") -> "np.ndarray":
    """A crop in colour or grey, as the reader of the gauge's kind wants it."""
    return crop if READERS[gauge.kind].colour else grey_of(crop)
