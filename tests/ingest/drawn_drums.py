"""Drum counters drawn with known values, and what a camera makes of them. As a program it prints how well they are read:

    python tests/ingest/drawn_drums.py FONTS [--each 60]

FONTS is a folder of font files; those of the test part of the split (see ``analyser/ingest/training/fonts.py``) are drawn with.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

sys.path.insert(0, str(Path(__file__).parent))
from drawn_dials import SIGHTS, seen  # noqa: E402

PITCH = 120  # pixels from digit to digit at which wheels are drawn first
WHEEL = {"mild": 30, "hard": 24, "extreme": 14}  # pixels that a wheel is wide as seen


@dataclass(frozen=True)
class Look:
    """How a counter is made: its font, height of a digit and of the window in parts of the pitch, width of a wheel in pixels of the fine
    drawing, colours of paper and ink, whether the next digit comes from below (1) or above (-1), how dark the drum's edges are, and how
    far each wheel stands off its place (standard deviation, parts of the pitch)."""

    font: Path
    tall: float = 0.72
    window: float = 1.0
    width: int = 90
    paper: tuple[int, int, int] = (25, 25, 25)
    ink: tuple[int, int, int] = (225, 230, 230)
    roll: int = 1
    shade: float = 0.4
    slack: float = 0.0


def positions(value: float, digits: int) -> list[float]:
    """Where each wheel stands, first wheel first: a wheel moves only while the one after it passes from 9 to 0."""
    found = [value % 10]
    for place in range(1, digits):
        carry = max(0.0, found[-1] % 10 - 9) if place == 1 or found[-1] % 10 >= 9 else 0.0
        whole = math.floor(value / 10**place) % 10
        found.append(whole + carry)
    return found[::-1]


def draw_wheels(places: list[float], look: Look, dice: np.random.Generator) -> np.ndarray:
    """A counter whose wheels stand at these places, drawn large."""
    font = ImageFont.truetype(str(look.font), 100)
    left, top, right, bottom = font.getbbox("8")
    font = ImageFont.truetype(str(look.font), round(100 * look.tall * PITCH / (bottom - top)))
    left, top, right, bottom = font.getbbox("8")
    widest = max(font.getbbox(digit)[2] - font.getbbox(digit)[0] for digit in "0123456789")
    high, wide = round(look.window * PITCH), max(look.width, round(widest * 1.15))
    picture = np.empty((high, wide * len(places), 3), np.float32)
    for index, place in enumerate(places):
        place += dice.normal(0, look.slack)
        wheel = Image.new("RGB", (wide, high), look.paper)
        pen = ImageDraw.Draw(wheel)
        for digit in range(math.floor(place) - 2, math.floor(place) + 4):
            text = str(digit % 10)
            middle = high / 2 + look.roll * (digit - place) * PITCH
            l, _, r, _ = font.getbbox(text)
            pen.text((wide / 2 - (l + r) / 2, middle - (top + bottom) / 2), text, font=font, fill=look.ink)
        picture[:, index * wide : (index + 1) * wide] = np.asarray(wheel)
        picture[:, index * wide : index * wide + 2] *= 0.4
    across = (np.arange(high) + 0.5) / high * 2 - 1
    picture *= (1 - look.shade * across**4)[:, None, None]
    return np.clip(picture, 0, 255).astype(np.uint8)


def photographed(picture: np.ndarray, digits: int, level: str, dice: np.random.Generator) -> np.ndarray:
    """The grey crop that a reader is handed."""
    sight = SIGHTS[level]
    sight = replace(sight, size=WHEEL[level] * digits, slip=sight.slip * 0.7)
    return cv2.cvtColor(seen(picture, sight, dice), cv2.COLOR_BGR2GRAY)


def random_look(font: Path, dice: np.random.Generator) -> Look:
    light = dice.random() < 0.4
    dark_one, light_one = tuple(int(c) for c in dice.integers(10, 60, 3)), tuple(int(c) for c in dice.integers(190, 250, 3))
    paper, ink = (light_one, dark_one) if light else (dark_one, light_one)
    return Look(font, dice.uniform(0.6, 0.85), dice.uniform(0.9, 1.25), round(dice.uniform(75, 110)), paper, ink,
                1 if dice.random() < 0.7 else -1, dice.uniform(0, 0.6), 0.015)  # fmt: skip


def random_value(digits: int, dice: np.random.Generator) -> float:
    """Any value; one in three while wheels carry."""
    value = dice.uniform(0, 10**digits)
    if dice.random() < 1 / 3:
        unit = 10 ** int(dice.integers(1, digits))
        value = (math.floor(value / unit) + 1) * unit - dice.uniform(0, 1)
    return value % 10**digits


def judge(fonts: list[Path], level: str, each: int, seed: int = 1) -> dict[str, float]:
    """Counters of so many screenshots a flight, each flight another look: errors in steps of the last wheel."""
    from analyser.ingest.drums import see_drums
    from analyser.ingest.panel import Gauge

    dice = np.random.default_rng(seed)
    errors, pulls, doubts, wrong = [], [], 0, []
    shots = 6
    for flight in range(math.ceil(each / shots)):
        digits = int(dice.integers(3, 7))
        look = random_look(fonts[int(dice.integers(len(fonts)))], dice)
        gauge = Gauge("under test", "drum", ("altitude",), ((0, 0), (100, 0), (100, 30), (0, 30)), options={"digits": digits})
        values = [random_value(digits, dice) for _ in range(shots + 1)]
        crops = [photographed(draw_wheels(positions(value, digits), look, dice), digits, "mild" if i == 0 else level, dice) for i, value in enumerate(values)]
        for value, (looked,) in zip(values[1:], see_drums(gauge, crops[1:], crops[0])):
            reading = looked.reading
            if reading.doubt or not reading.best:
                doubts += 1
                continue
            error = (reading.best.value - value + 10**digits / 2) % 10**digits - 10**digits / 2
            errors.append(abs(error))
            pulls.append(error / (reading.best.step / math.sqrt(12)))
            if abs(error) > 0.4:
                wrong.append((look.font.stem, value, reading.raw, round(reading.best.probability, 4)))
    count = doubts + len(errors)
    near = [each for each in errors if each <= 0.4]
    return {"count": count, "doubtful": doubts / count, "median": float(np.median(near)), "p95": float(np.percentile(near, 95)),
            "silent": len(wrong), "pull": float(np.std([p for p, e in zip(pulls, errors) if e <= 0.4])), "which": wrong}  # fmt: skip


def main() -> None:
    from analyser.ingest.training.fonts import faces

    parser = argparse.ArgumentParser()
    parser.add_argument("fonts", type=Path)
    parser.add_argument("--each", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    fonts = [face.path for face in faces(given.fonts, "test") if not face.segments]
    for level in SIGHTS:
        print(level, judge(fonts, level, given.each, given.seed), flush=True)


if __name__ == "__main__":
    main()
