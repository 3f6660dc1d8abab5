"""Glyphs as masks: from font files, and two kinds of display drawn here, seven segments and dot matrix."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

DIGIT_HEIGHT = 40  # pixels of a digit in every mask

_SEGMENTS = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd", "6": "afgedc", "7": "abc", "8": "abcdefg",
    "9": "abcdfg", "-": "g", " ": "",
}  # fmt: skip
_DOTS = {
    "0": "01110 10001 10011 10101 11001 10001 01110", "1": "00100 01100 00100 00100 00100 00100 01110",
    "2": "01110 10001 00001 00110 01000 10000 11111", "3": "11110 00001 00001 01110 00001 00001 11110",
    "4": "00010 00110 01010 10010 11111 00010 00010", "5": "11111 10000 11110 00001 00001 10001 01110",
    "6": "00110 01000 10000 11110 10001 10001 01110", "7": "11111 00001 00010 00100 01000 01000 01000",
    "8": "01110 10001 10001 01110 10001 10001 01110", "9": "01110 10001 10001 01111 00001 00010 01100",
    ".": "0 0 0 0 0 0 1", ",": "00 00 00 00 00 01 10", ":": "0 0 1 0 1 0 0", "-": "0000 0000 0000 1111 0000 0000 0000",
    "+": "00000 00100 00100 11111 00100 00100 00000", " ": "000 000 000 000 000 000 000", "'": "1 1 0 0 0 0 0",
    "%": "11001 11010 00010 00100 01000 01011 10011", "/": "00001 00001 00010 00100 01000 10000 10000",
    "k": "1000 1000 1001 1010 1100 1010 1001", "m": "00000 00000 11010 10101 10101 10101 10101",
    "s": "0000 0000 0111 1000 0110 0001 1110", "M": "10001 11011 10101 10101 10001 10001 10001",
    "g": "0000 0000 0111 1001 0111 0001 0110", "t": "010 010 111 010 010 010 011", "h": "1000 1000 1110 1001 1001 1001 1001",
    "d": "0001 0001 0111 1001 1001 1001 0111", "T": "11111 00100 00100 00100 00100 00100 00100",
    "f": "0011 0100 1110 0100 0100 0100 0100", "n": "0000 0000 1110 1001 1001 1001 1001", "i": "1 0 1 1 1 1 1",
    "K": "10001 10010 10100 11000 10100 10010 10001", "S": "01111 10000 10000 01110 00001 00001 11110",
    "E": "11111 10000 10000 11110 10000 10000 11111", "G": "01110 10001 10000 10111 10001 10001 01111",
    "D": "11110 10001 10001 10001 10001 10001 11110", "°": "010 101 010 000 000 000 000",
}  # fmt: skip


@dataclass(frozen=True)
class Glyph:
    """A character's mask, (height, width) uint8; where its left edge and top lie against the pen and the digits'
    top; and how far the pen moves on."""

    mask: np.ndarray
    left: int
    top: int
    advance: float


class FontFace:
    """A font file at the size at which its digits are DIGIT_HEIGHT high."""

    def __init__(self, path: Path):
        from PIL import ImageFont

        self.name = path.stem
        probe = ImageFont.truetype(str(path), 100)
        left, top, right, bottom = probe.getbbox("8")
        self.font = ImageFont.truetype(str(path), max(8, round(100 * DIGIT_HEIGHT / max(bottom - top, 20))))
        self.top = self.font.getbbox("8")[1]
        self.known = _characters(path)
        self.glyph = lru_cache(maxsize=200)(self._glyph)

    def _glyph(self, character: str) -> Glyph:
        left, top, right, bottom = self.font.getbbox(character)
        advance = self.font.getlength(character)
        if right <= left or bottom <= top:
            return Glyph(np.zeros((1, 1), np.uint8), 0, 0, advance)
        mask = np.array(self.font.getmask(character, mode="L"), np.uint8).reshape(self.font.getmask(character, mode="L").size[::-1])
        return Glyph(mask, left, top - self.top, advance)

    def ghost(self) -> str:
        """What shows where a segment is not lit: an 8 in fonts that draw segments."""
        return "8"


@lru_cache(maxsize=1000)
def _characters(path: Path) -> frozenset[str]:
    from fontTools.ttLib import TTFont

    with TTFont(str(path), lazy=True) as font:
        return frozenset(chr(code) for code in font.getBestCmap())


class SegmentFace:
    """Seven segments with a random slant, thickness, gap and width."""

    known = frozenset("0123456789-.: ")

    def __init__(self, dice: np.random.Generator):
        self.width = DIGIT_HEIGHT * dice.uniform(0.42, 0.68)
        self.thick = DIGIT_HEIGHT * dice.uniform(0.07, 0.17)
        self.gap = DIGIT_HEIGHT * dice.uniform(0.0, 0.03)
        self.slant = dice.uniform(0, 0.22) if dice.random() < 0.7 else 0.0
        self.bevel = dice.uniform(0.0, 0.5)
        self.space = DIGIT_HEIGHT * dice.uniform(0.12, 0.4)
        self.round_dot = dice.random() < 0.5
        self.dot_takes_room = dice.random() < 0.6
        self.dot = self.thick * dice.uniform(0.7, 1.25)
        # makers differ in the tails of 6, 7 and 9
        self.segments = dict(_SEGMENTS)
        if dice.random() < 0.3:
            self.segments["6"] = "fgedc"
        if dice.random() < 0.3:
            self.segments["9"] = "abcfg"
        if dice.random() < 0.3:
            self.segments["7"] = "abcf"
        self.glyph = lru_cache(maxsize=200)(self._glyph)

    def _glyph(self, character: str) -> Glyph:
        scale = 4
        width, height, thick, gap = (value * scale for value in (self.width, DIGIT_HEIGHT, self.thick, self.gap))
        lean = self.slant * height
        if character in ".:":
            size = self.dot * scale
            canvas = np.zeros((int(height) + 4, int(size + lean) + 8), np.uint8)
            for y in (height - size / 2,) if character == "." else (height * 0.3, height * 0.72):
                x = size / 2 + 2 + (1 - y / height) * lean
                if self.round_dot:
                    cv2.circle(canvas, (round(x), round(y)), max(2, round(size / 2)), 255, -1, cv2.LINE_AA)
                else:
                    half = size / 2
                    cv2.rectangle(canvas, (round(x - half), round(y - half)), (round(x + half), round(y + half)), 255, -1)
            advance = self.thick * 1.3 + self.space * 0.5 if self.dot_takes_room or character == ":" else self.thick * 0.6
            left = -self.space * 0.7 if character == "." and not self.dot_takes_room else -self.space * 0.3
            return self._shrunk(canvas, left, advance)
        canvas = np.zeros((int(height) + 4, int(width + lean) + 4), np.uint8)
        half = thick / 2
        left, right, top, middle, bottom = half, width - half, half, height / 2, height - half
        lines = {
            "a": (left, top, right, top), "g": (left, middle, right, middle), "d": (left, bottom, right, bottom),
            "f": (left, top, left, middle), "b": (right, top, right, middle),
            "e": (left, middle, left, bottom), "c": (right, middle, right, bottom),
        }  # fmt: skip
        for name in self.segments[character]:
            x0, y0, x1, y1 = lines[name]
            points = []
            cut = gap + half * self.bevel
            if y0 == y1:
                points = [(x0 + gap, y0), (x0 + cut, y0 - half), (x1 - cut, y0 - half), (x1 - gap, y0), (x1 - cut, y0 + half), (x0 + cut, y0 + half)]
            else:
                points = [(x0, y0 + gap), (x0 + half, y0 + cut), (x0 + half, y1 - cut), (x0, y1 - gap), (x0 - half, y1 - cut), (x0 - half, y0 + cut)]
            leaning = [(x + (1 - y / height) * lean, y) for x, y in points]
            cv2.fillPoly(canvas, [np.round(leaning).astype(np.int32)], 255, cv2.LINE_AA)
        return self._shrunk(canvas, 0.0, self.width + self.space)

    def _shrunk(self, canvas: np.ndarray, left: float, advance: float) -> Glyph:
        size = (max(1, canvas.shape[1] // 4), max(1, canvas.shape[0] // 4))
        return Glyph(cv2.resize(canvas, size, interpolation=cv2.INTER_AREA), round(left), 0, advance)

    def ghost(self) -> str:
        return "8"


class DotFace:
    """A dot matrix of five by seven with random dots."""

    known = frozenset(_DOTS)

    def __init__(self, dice: np.random.Generator):
        self.pitch = DIGIT_HEIGHT / 7
        self.fill = dice.uniform(0.35, 1.05)
        self.square = dice.random() < 0.4
        self.narrow = dice.uniform(0.75, 1.1)
        self.space = dice.uniform(0.8, 1.6)
        self.glyph = lru_cache(maxsize=200)(self._glyph)

    def _glyph(self, character: str) -> Glyph:
        rows = _DOTS[character].split()
        scale, pitch = 4, self.pitch * 4
        canvas = np.zeros((int(7 * pitch), max(1, int(len(rows[0]) * pitch * self.narrow))), np.uint8)
        radius = pitch / 2 * self.fill
        for row, line in enumerate(rows):
            for column, dot in enumerate(line):
                if dot == "1":
                    x, y = (column + 0.5) * pitch * self.narrow, (row + 0.5) * pitch
                    if self.square:
                        cv2.rectangle(canvas, (round(x - radius * self.narrow), round(y - radius)), (round(x + radius * self.narrow), round(y + radius)), 255, -1)
                    else:
                        cv2.circle(canvas, (round(x), round(y)), max(1, round(radius)), 255, -1, cv2.LINE_AA)
        size = (max(1, canvas.shape[1] // scale), max(1, canvas.shape[0] // scale))
        mask = cv2.resize(canvas, size, interpolation=cv2.INTER_AREA)
        return Glyph(mask, 0, 0, (len(rows[0]) + self.space) * self.pitch * self.narrow)

    def ghost(self) -> str:
        return ""


class MatrixFace:
    """A font shown on a matrix of lamps or coarse pixels."""

    def __init__(self, dice: np.random.Generator, font: FontFace):
        self.font, self.known = font, font.known
        self.pitch = DIGIT_HEIGHT / dice.integers(7, 24)
        self.fill = dice.uniform(0.3, 1.0)
        self.square = dice.random() < 0.5
        self.level = dice.uniform(0.3, 0.55)
        self.glyph = lru_cache(maxsize=200)(self._glyph)

    def _glyph(self, character: str) -> Glyph:
        plain = self.font.glyph(character)
        if plain.mask.size <= 1:
            return plain
        columns = max(1, round(plain.mask.shape[1] / self.pitch))
        rows = max(1, round(plain.mask.shape[0] / self.pitch))
        lit = cv2.resize(plain.mask, (columns, rows), interpolation=cv2.INTER_AREA) > 255 * self.level
        step = 8
        cell = np.zeros((step, step), np.uint8)
        if self.square:
            margin = round(step * (1 - self.fill) / 2)
            cell[margin : step - margin, margin : step - margin] = 255
        else:
            cv2.circle(cell, (step // 2, step // 2), max(1, round(step / 2 * self.fill)), 255, -1)
        mask = np.kron(lit.astype(np.uint8), cell)
        size = (max(1, round(columns * self.pitch)), max(1, round(rows * self.pitch)))
        top = round(round(plain.top / self.pitch) * self.pitch)
        return Glyph(cv2.resize(mask, size, interpolation=cv2.INTER_AREA), plain.left, top, plain.advance)

    def ghost(self) -> str:
        return ""
