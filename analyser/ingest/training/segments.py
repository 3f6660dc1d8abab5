"""Fourteen segments, drawn: digits and capitals from bars, halves of a middle bar, uprights and diagonals."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from analyser.ingest.training.glyphs import DIGIT_HEIGHT, Glyph

# outer bars a b c d e f as in seven segments; g h: left and right half of the middle; i k: upper and lower upright in
# the middle; l m: upper diagonals, left and right; n o: lower diagonals, left and right
_LIT = {
    "0": "abcdef", "1": "bc", "2": "abdegh", "3": "abcdgh", "4": "bcfgh", "5": "acdfgh", "6": "acdefgh", "7": "abc", "8": "abcdefgh",
    "9": "abcdfgh", "-": "gh", "+": "ghik", "/": "mn", "'": "i", " ": "", "A": "abcefgh", "B": "abcdhik", "C": "adef", "D": "abcdik",
    "E": "adefgh", "F": "aefg", "G": "acdefh", "H": "bcefgh", "I": "adik", "J": "bcde", "K": "efgmo", "L": "def", "M": "bceflm",
    "N": "bceflo", "O": "abcdef", "P": "abefgh", "Q": "abcdefo", "R": "abefgho", "S": "acdfgh", "T": "aik", "U": "bcdef", "V": "efmn",
    "W": "bcefno", "X": "lmno", "Y": "klm", "Z": "admn", "%": "cfmn",
}  # fmt: skip


class FourteenFace:
    """Fourteen segments with a random slant, thickness, gap and width."""

    known = frozenset(_LIT) | frozenset(".:,")

    def __init__(self, dice: np.random.Generator):
        self.width = DIGIT_HEIGHT * dice.uniform(0.45, 0.75)
        self.thick = DIGIT_HEIGHT * dice.uniform(0.06, 0.14)
        self.gap = DIGIT_HEIGHT * dice.uniform(0.0, 0.03)
        self.dot = self.thick * dice.uniform(0.7, 1.25)
        self.slant = dice.uniform(0, 0.2) if dice.random() < 0.6 else 0.0
        self.space = DIGIT_HEIGHT * dice.uniform(0.12, 0.4)
        self.lit = dict(_LIT)
        if dice.random() < 0.4:  # a crossed zero
            self.lit["0"] = "abcdefmn"
        if dice.random() < 0.3:
            self.lit["1"] = "bcm"
        if dice.random() < 0.3:
            self.lit["7"] = "amk" if dice.random() < 0.5 else "amn"
        if dice.random() < 0.25:
            self.lit["9"] = "abcfgh"
            self.lit["6"] = "cdefgh"
        self.glyph = lru_cache(maxsize=200)(self._glyph)

    def _glyph(self, character: str) -> Glyph:
        scale = 4
        height, thick, gap = DIGIT_HEIGHT * scale, self.thick * scale, self.gap * scale
        width = self.width * scale
        lean = self.slant * height
        if character in ".:,":
            size = self.dot * scale
            canvas = np.zeros((int(height * 1.2) + 4, int(size + lean) + 8), np.uint8)
            for y in (height * 0.3, height * 0.72) if character == ":" else (height - size / 2,):
                x = size / 2 + 2 + (1 - y / height) * lean
                cv2.circle(canvas, (round(x), round(y)), max(2, round(size / 2)), 255, -1, cv2.LINE_AA)
                if character == ",":
                    cv2.line(canvas, (round(x), round(y)), (round(x - size / 3), round(y + size * 1.3)), 255, max(2, round(size / 2)), cv2.LINE_AA)
            return _shrunk(canvas, scale, -self.space * 0.3, self.thick * 1.3 + self.space * 0.5)
        canvas = np.zeros((height + 4, int(width + lean) + 4), np.uint8)
        half = thick / 2
        left, right, middle, top, centre, bottom = half, width - half, width / 2, half, height / 2, height - half
        slack = thick * 0.75  # diagonals stay clear of the bars around
        bars = {
            "a": (left, top, right, top), "d": (left, bottom, right, bottom), "f": (left, top, left, centre), "b": (right, top, right, centre),
            "e": (left, centre, left, bottom), "c": (right, centre, right, bottom), "g": (left, centre, middle, centre),
            "h": (middle, centre, right, centre), "i": (middle, top, middle, centre), "k": (middle, centre, middle, bottom),
            "l": (left + slack, top + slack, middle - slack, centre - slack), "m": (right - slack, top + slack, middle + slack, centre - slack),
            "n": (middle - slack, centre + slack, left + slack, bottom - slack), "o": (middle + slack, centre + slack, right - slack, bottom - slack),
        }  # fmt: skip
        for name in self.lit[character]:
            x0, y0, x1, y1 = bars[name]
            along = np.array([x1 - x0, y1 - y0])
            along = along / max(np.hypot(*along), 1e-6)
            across = np.array([-along[1], along[0]]) * half * (0.8 if name in "lmno" else 1.0)
            a, b = np.array([x0, y0]) + along * gap, np.array([x1, y1]) - along * gap
            points = [a, a + (along * half + across), b + (across - along * half), b, b - (across + along * half), a + (along * half - across)]
            leaning = [(x + (1 - y / height) * lean, y) for x, y in points]
            cv2.fillPoly(canvas, [np.round(leaning).astype(np.int32)], 255, cv2.LINE_AA)
        return _shrunk(canvas, scale, 0.0, self.width + self.space)

    def ghost(self) -> str:
        return "8"


def _shrunk(canvas: np.ndarray, scale: int, left: float, advance: float) -> Glyph:
    size = (max(1, canvas.shape[1] // scale), max(1, canvas.shape[0] // scale))
    return Glyph(cv2.resize(canvas, size, interpolation=cv2.INTER_AREA), round(left), 0, advance)
