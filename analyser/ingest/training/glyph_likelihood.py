"""How much likelier a likeness to a character's own examples makes it: fits ``weights/glyphs.json``.

    python -m analyser.ingest.training.glyph_likelihood WORK/cut [--gauges 600]

Gauges are drawn in the fonts of the training's and the calibration's parts, each as a flight shows it: one font, size and colours, another text and
another look in each screenshot. Each character is then claimed to be itself, and to be the other character that it looks most like, with its
own examples at hand (a quarter of the weight) or, as when a font's character was never read for certain, without them. Printed: how honest the
ratios are for families that were left out of the fit.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np

from analyser.ingest.glyph_evidence import LIKELIHOOD, evidence
from analyser.ingest.glyph_shapes import Examples, Shapes, reliable, usual_rows
from analyser.ingest.glyphs import evened, patches, placed, rows_of, scaled
from analyser.ingest.recogniser import DEEP, shares_of, to_strip
from analyser.ingest.training.calibrate import GRAMMARS, LEVELS, fitted, text_of
from analyser.ingest.training.crops import Drawer, Severity, _Line
from analyser.ingest.training.fonts import faces

LOOKS, TEACHING = 14, 7  # of a gauge; so many of them are read for certain
KNOWN = 0.25  # weight of claims that the examples of the true character speak against
MOST = {"figures": 200.0, "marks": 30.0}  # fonts unseen may be odder: no ratio beyond this, however well borne out
FOLDS = 5
STEPS = (-np.inf, -4, -2, 0, 1, 2, 3, 4, 5, np.inf)


@dataclass(frozen=True)
class Claim:
    """A patch claimed to be ``character``: the evidence, whether it is, whether its true character was taught, and the font's family."""

    character: str
    values: tuple[float, ...]
    true: bool
    known: bool
    family: str


def drawn(drawer: Drawer, dice: np.random.Generator, severity: Severity) -> tuple[list[np.ndarray], list[str], str]:
    """Crops of one gauge in LOOKS screenshots, their texts, and the name of its font."""
    face, plain = drawer.face(dice)
    grammar = GRAMMARS[int(dice.integers(3 if plain else len(GRAMMARS)))]
    other, manner = drawer.other(dice), int(dice.integers(1 << 30))
    digit = float(np.exp(dice.uniform(*np.log(severity.height))))
    contrast = dice.uniform(*severity.contrast)
    ground = dice.uniform(0, 255 - contrast)
    levels = (ground, ground + contrast) if dice.random() < 0.65 else (ground + contrast, ground)
    padding = dice.uniform(0.15, 0.5)
    crops, texts = [], []
    for _ in range(LOOKS):
        line = _Line(np.random.default_rng(manner), text_of(grammar, dice, plain), face, other, plain)
        if line.text:
            crops.append(_seen(dice, line, severity, digit / (line.bottom - line.top) * dice.uniform(0.97, 1.03), padding, levels))
            texts.append(line.text)
    return crops, texts, getattr(face, "name", type(face).__name__)


def _seen(dice, line: _Line, severity: Severity, scale: float, padding: float, levels: tuple[float, float]) -> np.ndarray:
    """The line as one screenshot shows it."""
    tall = line.bottom - line.top
    left, right = line.left - tall * 0.3, line.right + tall * 0.3
    top, bottom = line.top - padding * tall, line.bottom + padding * tall
    shift = dice.normal(0, severity.wobble * tall, 2)
    size = (max(8, round((right - left) * scale)), max(8, round((bottom - top) * scale)))
    view = np.array([[scale, 0, (shift[0] - left) * scale], [0, scale, (shift[1] - top) * scale]])
    mask = cv2.GaussianBlur(line.mask, (0, 0), 0.42 / scale) if scale < 0.9 else line.mask
    ink = cv2.warpAffine(mask, view, size, flags=cv2.INTER_LINEAR).astype(np.float32) / 255
    picture = levels[0] + (levels[1] - levels[0]) * ink
    sigma = dice.uniform(*severity.blur) * tall * scale
    if sigma > 0.2:
        picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    picture = picture + dice.normal(0, dice.uniform(*severity.noise), picture.shape)
    quality = int(dice.integers(severity.quality[0], severity.quality[1] + 1))
    coded = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)


def claims(drawer: Drawer, dice: np.random.Generator, severity: Severity) -> list[Claim]:
    """What the characters of one gauge's later looks are claimed to be, after its first were read for certain."""
    crops, texts, name = drawn(drawer, dice, severity)
    strips = [to_strip(crop) for crop in crops]
    found = [placed(shares, text) for shares, text in zip(shares_of(strips, DEEP), texts)]
    rows = usual_rows(rows_of(strip, glyphs) for strip, glyphs in zip(strips, found))
    if rows is None:
        return []
    strips, found = [evened(strip, rows) for strip in strips], [scaled(glyphs, rows.scale) for glyphs in found]
    examples = Examples()
    for look in range(min(TEACHING, len(strips))):
        examples.learn(strips[look], found[look], look)
    if not examples.letters:
        return []
    shapes = reliable(examples)
    made = []
    for strip, glyphs in zip(strips[TEACHING:], found[TEACHING:]):
        for glyph, patch in zip(glyphs, patches(strip, [glyph.centre for glyph in glyphs]) if glyphs else ()):
            made += _claims(glyph.character, shapes.nearest(patch, glyph.half), shapes, name.split("-")[0])
    return made


def _claims(true: str, nearest: dict[str, float], shapes: Shapes, family: str) -> list[Claim]:
    others = sorted((unlike, letter) for letter, unlike in nearest.items() if letter.casefold() != true.casefold())
    if len(others) < 2:
        return []
    (first, letter), (second, _) = others[:2]
    made = [Claim(letter, evidence(first, second, shapes.usual), False, False, family)]
    if true in nearest:
        made.append(Claim(true, evidence(nearest[true], first, shapes.usual), True, True, family))
        made.append(Claim(letter, evidence(first, nearest[true], shapes.usual), False, True, family))
    return made


def _weights(rows: list[Claim]) -> np.ndarray:
    """As many false claims as true ones, KNOWN of them with the true character taught."""
    true, known = np.array([row.true for row in rows]), np.array([row.known for row in rows])
    each = {False: (1 - KNOWN) * true.sum() / max((~true & ~known).sum(), 1), True: KNOWN * true.sum() / max((~true & known).sum(), 1)}
    return np.array([1.0 if row.true else each[row.known] for row in rows])


def _scores(rows: list[Claim], weights: list[float]) -> np.ndarray:
    return np.array([row.values for row in rows]) @ np.array(weights)


def _fit(rows: list[Claim]) -> list[float]:
    return fitted(np.array([row.values for row in rows]), np.array([row.true for row in rows], float), _weights(rows))


def held_out(rows: list[Claim]) -> np.ndarray:
    """The logarithm of each claim's ratio, by a fit without the families of its fold."""
    families = sorted({row.family for row in rows})
    fold = {family: place % FOLDS for place, family in enumerate(np.random.default_rng(1).permutation(families).tolist())}
    folds = np.array([fold[row.family] for row in rows])
    scores = np.zeros(len(rows))
    for each in range(FOLDS):
        scores[folds == each] = _scores([row for row, one in zip(rows, folds) if one == each], _fit([row for row, one in zip(rows, folds) if one != each]))
    return scores


def reliability(rows: list[Claim], scores: np.ndarray) -> list[str]:
    """Lines of a table: of claims with such a ratio, the share among the true and among the false ones, and the ratio of these."""
    true, weights = np.array([row.true for row in rows]), _weights(rows)
    lines = ["| logarithm of the ratio | promised | true claims | false claims | borne out |", "| --- | --- | --- | --- | --- |"]
    for low, high in zip(STEPS, STEPS[1:]):
        part = (scores >= low) & (scores < high)
        if part.any():
            rights, wrongs = (weights * (part & true)).sum() / true.sum(), (weights * (part & ~true)).sum() / true.sum()
            out = f"{np.log(rights / wrongs):.2f}" if rights and wrongs else "-"
            lines.append(f"| {low} to {high} | {np.average(scores[part], weights=weights[part]):.2f} | {rights:.4f} | {wrongs:.5f} ({(part & ~true).sum()}) | {out} |")
    return lines


def _part(job: tuple[str, str, str, int, int]) -> list[Claim]:
    cv2.setNumThreads(1)
    folder, part, level, seed, count = job
    drawer = Drawer(faces(Path(folder), part), drawn=0.15)
    dice = np.random.default_rng([31, seed, list(LEVELS).index(level)])
    return [claim for _ in range(count) for claim in claims(drawer, dice, LEVELS[level])]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("--gauges", type=int, default=600, help="gauges a level")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    jobs = [
        (str(options.fonts), part, level, seed, 20)
        for level in ("mild", "hard", "extreme") for seed in range(max(1, options.gauges // 40)) for part in ("train", "calibrate")
    ]  # fmt: skip
    with Pool(options.processes) as pool:
        rows = [claim for made in pool.map(_part, jobs, chunksize=1) for claim in made]
    result = {}
    for name in MOST:
        mine = [row for row in rows if row.character.isalnum() == (name == "figures")]
        result[name] = {"weights": _fit(mine), "most": MOST[name]}
        print(f"{name}: {len(mine)} claims, {sum(row.true for row in mine)} true", *reliability(mine, held_out(mine)), sep="\n", flush=True)
    LIKELIHOOD.write_text(json.dumps(result) + "\n", encoding="utf-8")
    print(LIKELIHOOD.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
