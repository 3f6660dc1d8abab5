"""Each gauge's own surroundings on the panel: they show where it is when the panel is no plane, and whether something lies over it.

A panel's homography is that of a plane; what stands before or behind it is seen shifted when the head moves. What is printed about a gauge
does not change, so the shift is where it fits best. Where it fits nowhere, although the rest of the panel does, something hides the gauge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.images import grey_of, load_opencv
from analyser.ingest.register import Registration, project

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

LONG = 128  # pixels across a gauge with its surroundings, as they are compared
REACH = 7  # pixels of those by which it may be shifted
AROUND = 0.28  # of the gauge's shorter side, how far its surroundings reach
WITHIN = 0.06  # of the gauge's shorter side, how far inside its corners nothing changes yet: the edge of its glass
CELLS = (8, 6)  # across and down, that are looked at one by one
GLOW = 0.25  # of a lamp's size, how far it shines on what is about it
WIDE = 5.0  # pixels (LONG across) over which light and shade are taken to be even
TEXTURED = 2.0  # grey levels of fine structure that a cell must have on the reference picture to tell anything
FITS = 0.55  # least correlation at which a shift is believed
GAIN = 0.02  # by how much it must be better than no shift
LEAST_SHIFT = 0.5  # pixels of those: less is what the panel's own homography knows better
CLEAR = 0.72  # median correlation of the panel's cells from which one can tell that a gauge is hidden
GONE = 0.6  # of that median: a cell that fits worse shows something else
PARTLY, WHOLLY = 0.25, 0.8  # shares of a gauge's cells
LEAST_CELLS = 6


@dataclass(frozen=True)
class Place:
    """Where one gauge is: ``homography`` from reference to screenshot pixels there, and ``hidden``: what lies over it in words, "" where nothing does."""

    homography: "np.ndarray"
    hidden: str = ""


class Surroundings:
    """What is printed about each gauge on the reference picture."""

    def __init__(self, reference: "np.ndarray", gauges: "Sequence[Gauge]"):
        grey = grey_of(reference)
        self._around = [_Around(grey, gauge, gauges) for gauge in gauges]

    def places(self, pixels: "np.ndarray", view: Registration) -> list[Place]:
        """Where each gauge is in a screenshot, in colour or grey, whose panel was found at ``view``."""
        import numpy as np

        grey = grey_of(pixels)
        looks = [around.look(grey, view.homography) for around in self._around]
        every = np.concatenate([cells for _, cells in looks]) if looks else np.zeros(0)
        usual = float(np.median(every)) if len(every) >= LEAST_CELLS else 0.0
        places = []
        for around, (homography, cells) in zip(self._around, looks):
            gone = float((cells < GONE * usual).mean()) if usual > CLEAR and len(cells) >= LEAST_CELLS else 0.0
            how = "" if gone < PARTLY else "hidden" if gone > WHOLLY else "partly hidden"
            places.append(Place(homography, f"{around.name} is {how}: something lies over it" if how else ""))
        return places


class _Around:
    """One gauge's surroundings, fine structure only, seen straight on at LONG pixels across."""

    def __init__(self, grey: "np.ndarray", gauge: "Gauge", gauges: "Sequence[Gauge]"):
        import numpy as np

        cv2 = load_opencv()
        self.name = gauge.name
        corners = np.array(gauge.corners, float)
        reach = AROUND * min(gauge.size)
        (left, top), (right, bottom) = corners.min(axis=0) - reach, corners.max(axis=0) + reach
        height, width = grey.shape
        left, top, right, bottom = max(0.0, left), max(0.0, top), min(float(width), right), min(float(height), bottom)
        self.scale = LONG / max(right - left, bottom - top)
        self.size = (max(8, round((right - left) * self.scale)), max(8, round((bottom - top) * self.scale)))
        self._to_reference = np.array([[1 / self.scale, 0, left + 0.5 / self.scale - 0.5], [0, 1 / self.scale, top + 0.5 / self.scale - 0.5], [0, 0, 1]])
        mask = np.full(self.size[::-1], 255, np.uint8)
        to_own = np.linalg.inv(self._to_reference)
        for other in gauges:  # what any gauge shows is no surroundings
            quad, middle = np.array(other.corners, float), np.mean(other.corners, axis=0)
            inside = 2 * WITHIN * min(gauge.size) / min(other.size) if other is gauge and other.kind != "tape" else 0.0
            inside = -GLOW if other.kind == "lamp" else inside  # a lamp that is lit shines on its rim
            quad = middle + (1 - inside) * (quad - middle)
            outline = np.round(project(to_own, quad)).astype(np.int32)
            cv2.fillPoly(mask, [outline], 0)
            if other.kind == "tape":  # it is filled up to its very edge
                cv2.polylines(mask, [outline], True, 0, 3)
        self.mask = mask
        self._usable = _usable(mask, REACH)
        self.known = _fine(self._seen(grey, np.eye(3), REACH), *self._usable)[REACH:-REACH, REACH:-REACH].copy()
        self.known[mask == 0] = 0
        self._cells = self._textured()
        cell = np.full(mask.shape, -1)
        for index, where in enumerate(self._cells):
            cell[where] = np.where(mask[where] > 0, index, -1)
        self._pixels = np.flatnonzero(cell.ravel() >= 0)
        self._owner = cell.ravel()[self._pixels]

    def _seen(self, grey: "np.ndarray", homography: "np.ndarray", border: int) -> "np.ndarray":
        import numpy as np

        cv2 = load_opencv()
        shift = np.array([[1.0, 0, -border], [0, 1, -border], [0, 0, 1]])
        size = (self.size[0] + 2 * border, self.size[1] + 2 * border)
        return cv2.warpPerspective(
            grey, homography @ self._to_reference @ shift, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
        )

    def _textured(self) -> list[tuple[slice, slice]]:
        import numpy as np

        wide, tall = self.size
        across, down = (CELLS if wide >= tall else CELLS[::-1])
        cells = []
        for row in range(down):
            for column in range(across):
                where = (slice(row * tall // down, (row + 1) * tall // down), slice(column * wide // across, (column + 1) * wide // across))
                use = self.mask[where] > 0
                if use.mean() > 0.25 and float(self.known[where][use].std()) > TEXTURED:
                    cells.append(where)
        return cells

    def look(self, grey: "np.ndarray", homography: "np.ndarray") -> "tuple[np.ndarray, np.ndarray]":
        """(the homography here, the correlation of each textured cell)."""
        import numpy as np

        cv2 = load_opencv()
        seen = _fine(self._seen(grey, homography, REACH), *self._usable)
        if not self._cells:
            return homography, np.zeros(0)
        fits = cv2.matchTemplate(seen, self.known, cv2.TM_CCORR_NORMED, mask=(self.mask > 0).astype(np.float32))
        fits = np.nan_to_num(fits, nan=-1.0, posinf=-1.0, neginf=-1.0)
        row, column = np.unravel_index(int(fits.argmax()), fits.shape)
        best = float(fits[row, column])
        inside = 0 < row < fits.shape[0] - 1 and 0 < column < fits.shape[1] - 1
        dx = dy = 0.0
        if best >= max(FITS, float(fits[REACH, REACH]) + GAIN) and inside:
            dx, dy = column - REACH + _peak(fits[row, column - 1 : column + 2]), row - REACH + _peak(fits[row - 1 : row + 2, column])
        if math.hypot(dx, dy) < LEAST_SHIFT:  # nothing speaks for a shift
            row = column = REACH
            dx = dy = 0.0
        cells = self._cell_fits(seen[row : row + self.size[1], column : column + self.size[0]])
        return homography @ np.array([[1, 0, dx / self.scale], [0, 1, dy / self.scale], [0, 0, 1]]), cells

    def _cell_fits(self, seen: "np.ndarray") -> "np.ndarray":
        import numpy as np

        pixels, owner = self._pixels, self._owner
        a, b = self.known.ravel()[pixels], seen.ravel()[pixels]
        sums = [np.bincount(owner, weights, len(self._cells)) for weights in (None, a, b, a * a, b * b, a * b)]
        count, first, second, first_square, second_square, product = sums
        spread = (first_square - first**2 / count) * (second_square - second**2 / count)
        return (product - first * second / count) / np.sqrt(np.maximum(spread, 0) + 1e-6)


def _usable(mask: "np.ndarray", border: int) -> "tuple[np.ndarray, np.ndarray]":
    """Where no gauge shows anything, 0 or 1, and how much of each pixel's surroundings that is."""
    import numpy as np

    cv2 = load_opencv()
    clear = cv2.erode(mask, np.ones((3, 3), np.uint8))  # what a gauge shows is smeared over its edge
    clear = (cv2.copyMakeBorder(clear, border, border, border, border, cv2.BORDER_REPLICATE) > 0).astype(np.float32)
    return clear, cv2.GaussianBlur(clear, (0, 0), WIDE) + 1e-3


def _fine(picture: "np.ndarray", clear: "np.ndarray", share: "np.ndarray") -> "np.ndarray":
    """Edges and print without light and shade, which are judged by what is ``clear`` alone: a gauge that shows something else changes nothing beside it."""
    import numpy as np

    cv2 = load_opencv()
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.8)
    return soft - cv2.GaussianBlur(soft * clear, (0, 0), WIDE) / share


def _peak(three) -> float:
    """Where a parabola through three values has its top, from the middle one."""
    low, middle, high = (float(each) for each in three)
    bend = low - 2 * middle + high
    return 0.0 if bend >= 0 else max(-0.5, min(0.5, 0.5 * (low - high) / bend))
