"""Draws the sheet of digits that drum counters are matched against: what training fonts have in common, style by style.

Each row of ``weights/drum_digits.png`` is one style, the mean of the fonts that look like it; each column a digit, all as high and the widest
as wide as its box. Only fonts of the training part are drawn. Run after the fonts were fetched and cut (see ``fonts``):

    python -m analyser.ingest.training.digit_styles [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from analyser.ingest.drum_models import BOX, SHEET
from analyser.ingest.training.fonts import faces
from analyser.ingest.training.glyphs import FontFace

STYLES = 20


def digits_of(path: Path, size: tuple[int, int] = BOX) -> "np.ndarray | None":
    """The ten digits of a font, (10, height, width), 0 to 1 in boxes of a ``size`` (width, height); None where it has not all."""
    face = FontFace(path)
    if not set("0123456789") <= face.known:
        return None
    glyphs = [face.glyph(digit) for digit in "0123456789"]
    top = min(each.top for each in glyphs)
    height = max(each.top + each.mask.shape[0] for each in glyphs) - top
    width = max(each.mask.shape[1] for each in glyphs)
    boxes = []
    for each in glyphs:
        box = np.zeros((height, width), np.uint8)
        left = (width - each.mask.shape[1]) // 2
        box[each.top - top : each.top - top + each.mask.shape[0], left : left + each.mask.shape[1]] = each.mask
        boxes.append(cv2.resize(box, size, interpolation=cv2.INTER_AREA) / 255)
    return np.array(boxes)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(".recogniser-work/cut")
    drawn = [digits_of(face.path) for face in faces(folder, "train") if not face.segments]
    fonts = np.array([each for each in drawn if each is not None], np.float32)
    cv2.setRNGSeed(1)
    _, which, _ = cv2.kmeans(fonts.reshape(len(fonts), -1), STYLES, None, (3, 100, 0.01), 4, cv2.KMEANS_PP_CENTERS)
    groups = sorted((fonts[which.ravel() == style] for style in range(STYLES)), key=len, reverse=True)
    rows = [np.hstack(list(group.mean(axis=0))) for group in groups if len(group) >= 3]  # a font like no other is left out
    cv2.imwrite(str(SHEET), np.round(np.vstack(rows) * 255).astype(np.uint8))
    print(f"{len(rows)} styles of {len(fonts)} fonts: {SHEET}, {SHEET.stat().st_size} bytes")


if __name__ == "__main__":
    main()
