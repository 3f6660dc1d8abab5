"""Attitude balls with headings written along the horizon, drawn with known attitude."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

BY_30 = ("N", "30", "60", "E", "120", "150", "S", "210", "240", "W", "300", "330")
DEGREE = 6  # pixels of the chart for one degree


def chart(marks: tuple[str, ...], font: Path, tall: float = 7.0, above: float = 5.0) -> np.ndarray:
    """Sky and ground with marks ``tall`` degrees high, their middles ``above`` degrees over the horizon, all around; (180, 360) degrees."""
    picture = Image.new("RGB", (360 * DEGREE, 180 * DEGREE), (90, 150, 210))
    pen = ImageDraw.Draw(picture)
    pen.rectangle([0, 90 * DEGREE, 360 * DEGREE, 180 * DEGREE], fill=(130, 90, 50))
    pen.line([0, 90 * DEGREE, 360 * DEGREE, 90 * DEGREE], fill=(240, 240, 240), width=5)
    face = ImageFont.truetype(str(font), round(tall * DEGREE * 1.35))
    for index, mark in enumerate(marks):
        x = index * 360 * DEGREE / len(marks)
        for around in (x, x + 360 * DEGREE):
            pen.text((around, (90 - above) * DEGREE), mark, font=face, fill=(250, 250, 250), anchor="mm")
    return np.asarray(picture)[:, :, ::-1].copy()


def ball(paper: np.ndarray, pitch: float, roll: float, heading: float, size: int = 180, light: float = 1.0, dice=None) -> np.ndarray:
    """The ball straight on, (size, size, 3), drawn three times as large; angles in rad."""
    fine = size * 3
    grid = (np.arange(fine) + 0.5) / fine * 2 - 1
    x, y = np.meshgrid(grid, -grid)
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
    right, up = x * math.cos(roll) + y * math.sin(roll), -x * math.sin(roll) + y * math.cos(roll)
    zenith = up * math.cos(pitch) + z * math.sin(pitch)
    ahead = -up * math.sin(pitch) + z * math.cos(pitch)
    azimuth = (np.degrees(np.arctan2(right, ahead) + heading)) % 360
    elevation = np.degrees(np.arcsin(np.clip(zenith, -1, 1)))
    picture = cv2.remap(paper, (azimuth * DEGREE).astype(np.float32), ((90 - elevation) * DEGREE).astype(np.float32), cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_WRAP).astype(np.float32)  # fmt: skip
    picture *= (0.7 + 0.3 * z)[..., None] * light
    picture[x**2 + y**2 > 1] = 45
    small = cv2.resize(picture, (size, size), interpolation=cv2.INTER_AREA)
    if dice is not None:
        small = cv2.GaussianBlur(small, (0, 0), 0.6) + dice.normal(0, 3, small.shape)
    return np.clip(small, 0, 255).astype(np.uint8)
