"""Draws the small set of read-outs that the ordinary test run reads, with fonts that the recogniser was not trained on:

    python tests/panels/make_crops.py WORK/cut        writes tests/panels/crops.npz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from analyser.ingest.training.calibrate import GRAMMARS, text_of
from analyser.ingest.training.crops import HARD, MILD, Drawer
from analyser.ingest.training.fonts import faces

COUNT = 150  # of each level


def main() -> None:
    drawer = Drawer(faces(Path(sys.argv[1]), "test"), drawn=0.0)
    dice = np.random.default_rng(33)
    pixels, shapes, texts, kinds, levels = [], [], [], [], []
    for name, severity in (("mild", MILD), ("hard", HARD)):
        for _ in range(COUNT):
            face, plain = drawer.face(dice)
            kind = int(dice.integers(3 if plain else len(GRAMMARS)))
            text = text_of(GRAMMARS[kind], dice, plain)
            drawer.face = lambda _, chosen=(face, plain): chosen
            crop, seen = drawer.draw(dice, severity, text)
            del drawer.face
            if crop.shape[0] > 44:  # small files
                import cv2

                crop = cv2.resize(crop, (round(crop.shape[1] * 44 / crop.shape[0]), 44), interpolation=cv2.INTER_AREA)
            pixels.append(crop.ravel())
            shapes.append(crop.shape)
            texts.append(seen)
            kinds.append(kind)
            levels.append(name)
    np.savez_compressed(
        Path(__file__).parent / "crops.npz", pixels=np.concatenate(pixels), shapes=np.array(shapes), texts=np.array(texts),
        kinds=np.array(kinds), levels=np.array(levels),
    )  # fmt: skip


if __name__ == "__main__":
    main()
