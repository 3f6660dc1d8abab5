"""What needles look like: at first just lines as long as the panel file says, then learnt from the pictures, with taper, tail and counterweight.

A shape is how much of each place a needle covers where it points up, 0 to 1, (ANGLES, RADII) on the grid of ``needle_ink``.
"""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv
from analyser.ingest.needle_ink import ANGLES, RADII, radii

if TYPE_CHECKING:
    import numpy as np

HALF, SOFT = 0.012, 0.015  # half the width of a needle that is only known to be a line, and of its edge; parts of the radius
WIDEST, TAIL, PAST = 0.13, 0.5, 1.06  # how far a shape may reach aside, backward (parts of the radius), and beyond its length
FAINT = 0.12  # what covers less is no needle
USUAL = 0.3  # what a needle covers is covered in all pictures but for noise; other needles and figures cover more only here and there
TIP = (0.5, 0.75)  # part of its length where a needle must have something to be one
CAP = 0.16  # part of the radius within which nothing counts
BLOT = 6.0  # pixels that blur and compression make alike
EDGE = 0.62  # part of the radius beyond which figures are printed


@functools.cache
def _places() -> "tuple[np.ndarray, np.ndarray]":
    """How far aside and ahead of the hub each place is, parts of the radius."""
    import numpy as np

    turn = np.arange(ANGLES)[:, None] * (2 * math.pi / ANGLES)
    return radii()[None] * np.sin(turn), radii()[None] * np.cos(turn)


def line(length: float) -> "np.ndarray":
    """The shape of a needle of which only the length is known."""
    import numpy as np

    aside, ahead = _places()
    wide = np.clip((HALF - np.abs(aside)) / SOFT + 0.5, 0, 1)
    return (wide * np.clip((0.97 * length - ahead) / 0.02 + 0.5, 0, 1) * (ahead > 0)).astype(np.float32)


def learnt(length: float, layers: "list[np.ndarray]", rows: list[int], strengths: list[float]) -> "np.ndarray":
    """The shape of a needle from pictures in which it is known where it points.

    Parameters
    ----------
    length : float
        Where its tip is, part of the radius.
    layers : list of ndarray
        Ink of its colour in each picture.
    rows : list of int
        Where it points in each, degrees.
    strengths : list of float
        How much ink a needle has in each.
    """
    import numpy as np

    looks = []
    for layer, row, strong in zip(layers, rows, strengths):
        straight = np.roll(layer, -row, axis=0) / strong
        looks += [straight, np.roll(straight[::-1], 1, axis=0)]  # a needle's two sides are alike
    shape = np.sort(np.stack(looks), axis=0)[int(USUAL * len(looks))]
    shape = load_opencv().blur(np.concatenate([shape[-2:], shape, shape[:2]]), (1, 3))[2:-2]
    aside, ahead = _places()
    may = (np.abs(aside) < WIDEST) & (((ahead > 0) & (ahead < PAST * length)) | ((ahead < 0) & (ahead > -TAIL)))
    shape = np.clip(shape, 0, 1) * may
    return np.where(shape < FAINT, 0, shape).astype(np.float32)


def is_needle(shape: "np.ndarray", length: float) -> bool:
    """Whether a learnt shape reaches the tip."""
    import numpy as np

    near = (radii() > TIP[0] * length) & (radii() < TIP[1] * length)
    beside = np.r_[-6:7] % ANGLES
    return bool(np.median(shape[beside][:, near].max(axis=0)) > 0)


def area(size: float) -> "np.ndarray":
    """How much each place counts by its area where the dial's radius is ``size`` pixels, (ANGLES, RADII)."""
    import numpy as np

    each = radii() * (radii()[1] - radii()[0]) * (2 * math.pi / ANGLES) * size**2 / BLOT * (radii() > CAP)
    return np.broadcast_to(each.astype(np.float32), (ANGLES, RADII))


def often_bare() -> "np.ndarray":
    """How much a place counts while it is not known what is printed on the face, (RADII,)."""
    import numpy as np

    return np.where(radii() > EDGE, 0.4, 1.0).astype(np.float32)


def bare(layer: "np.ndarray", covered: "np.ndarray", strong: float) -> "np.ndarray":
    """1 where nothing of this ink is printed on the face, 0 where something is: the reference picture's ink that its needles do not cover;
    what they cover there is not known."""
    import numpy as np

    cv2 = load_opencv()
    printed = np.clip(layer / strong - covered, 0, 1)
    soft = cv2.GaussianBlur(np.concatenate([printed[-6:], printed, printed[:6]]), (0, 0), 0.7)
    wide = cv2.dilate(soft, np.ones((3, 3), np.uint8))[6:-6]
    return np.clip(1 - 4 * (wide - 0.1), 0, 1) * np.where(covered > FAINT, often_bare(), 1.0)
