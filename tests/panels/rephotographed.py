"""How well a panel is read from photographs of a screen that shows it. They are drawn, not taken: the screen's coloured stripes against the camera's
pixels (moire), a lens that bends straight lines, light that falls off, a dark band of a screen caught between two pictures. By hand:

    python -m analyser.ingest.training.fonts WORK          (fetches the fonts)
    python tests/panels/rephotographed.py WORK/cut [--panels 10] [--shots 8] [--picture FILE]

No level of ``evaluate.py``: its table stands apart. Panels and fonts are those of its test split.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

import cv2
import evaluate
import numpy as np
from cockpits import HEIGHT, WIDTH, Cockpit, View, look, moments

STRIPES = 3  # across a pixel of the screen: red, green, blue
VIEW = View(12, (0.88, 1.0), 0.015, (0.0, 0.0), (0, 0.1), (100, 100), (1, 1), 0.0)
BENT = (-0.05, 0.03)  # of the distance from the middle, at the picture's corners
FALL = (0.1, 0.4)  # of the light, lost in the corners
BAND, DARK = (0.15, 0.45), (0.7, 0.92)  # of the height; of the light
NOISE, QUALITY = (2, 6), (60, 92)


def rephotographed(picture: np.ndarray, _: View, dice: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A photograph of a screen that shows ``picture``, and the homography from the screen's to the camera's pixels, the lens apart."""
    _, homography = look(picture, VIEW, dice)
    fine = np.repeat(np.repeat(picture, STRIPES, axis=0), STRIPES, axis=1)
    stripes = np.zeros((1, fine.shape[1], 3), np.float32)
    for channel in range(3):  # blue, green, red from the right
        stripes[0, 2 - channel :: STRIPES, channel] = STRIPES
    rows = np.where(np.arange(fine.shape[0]) % STRIPES == STRIPES - 1, 0.55, 1.225)[:, None, None].astype(np.float32)  # dark lines between rows
    screen = cv2.GaussianBlur(np.clip(fine * (0.35 * stripes + 0.65) * rows, 0, 255), (0, 0), 1.1)
    down, across = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    x, y = (across - WIDTH / 2) / (WIDTH / 2), (down - HEIGHT / 2) / (WIDTH / 2)
    far = (x**2 + y**2) / (1 + (HEIGHT / WIDTH) ** 2)
    bent = 1 + float(dice.uniform(*BENT)) * far
    there = np.stack([x * bent * WIDTH / 2 + WIDTH / 2, y * bent * WIDTH / 2 + HEIGHT / 2, np.ones_like(x)]).reshape(3, -1)
    back = np.linalg.inv(homography) @ there
    place = ((back[:2] / back[2] + 0.5) * STRIPES - 0.5).reshape(2, HEIGHT, WIDTH).astype(np.float32)
    image = cv2.remap(screen.astype(np.float32), place[0], place[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(18, 16, 14))
    image *= (1 - float(dice.uniform(*FALL)) * far)[..., None] * float(dice.uniform(0.75, 1.1))
    middle, wide = dice.uniform(0, HEIGHT), dice.uniform(*BAND) * HEIGHT / 2
    inside = 1 / (1 + np.exp((np.abs(np.arange(HEIGHT) - middle) - wide) / 12))
    image *= (1 - (1 - dice.uniform(*DARK)) * inside)[:, None, None].astype(np.float32)
    image = np.clip(image + dice.normal(0, dice.uniform(*NOISE), image.shape), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, int(dice.integers(*QUALITY))])[1], cv2.IMREAD_COLOR), homography


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", help="WORK/cut")
    parser.add_argument("--panels", type=int, default=10)
    parser.add_argument("--shots", type=int, default=8)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--picture", type=Path, help="write one of the photographs here, to look at")
    options = parser.parse_args()
    if options.picture:
        fonts = [face.path for face in evaluate.faces(Path(options.fonts), "test")]
        dice = np.random.default_rng(options.seed)
        cockpit = Cockpit(options.seed, fonts)
        cv2.imwrite(str(options.picture), rephotographed(cockpit.draw(moments(dice, 1, cockpit.high, cockpit.style)[0]), VIEW, dice)[0])
    evaluate.look = rephotographed
    counts: Counter = Counter()
    found, errors, silent = 0, {"dial": [], "pitch": [], "roll": []}, []
    for index in range(options.panels):
        one = evaluate.flight_of((options.fonts, evaluate.KINDS[index % 2], "mild", 10_000 + index, options.shots, options.seed, "", 0))
        counts += one["counts"]
        found += sum(corner is not None for corner in one["corners"])
        silent += one["silent"]
        for name in errors:
            errors[name] += one[name]
    asked = counts["values"]
    print(f"panel found {found} of {counts['shots']}; values right {counts['right'] / asked:.2%}, accepted {counts['accepted'] / asked:.2%} of {asked}, accepted and wrong {len(silent)}")
    print(", ".join(f"{name} {np.median(each):.2f} deg ({len(each)} read)" for name, each in errors.items() if each))
    for each in silent:
        print("wrong:", *each[3:])


if __name__ == "__main__":
    main()
