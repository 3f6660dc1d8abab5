"""Round dials, drum counters and balls drawn with known values, and what a camera makes of them. As a program it prints how well they are read:

    python tests/ingest/drawn_dials.py [--each 60]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import cv2
import numpy as np

FINE = 640  # pixels at which everything is drawn first


@dataclass(frozen=True)
class Sight:
    """How a gauge is seen: size in pixels, how far its corners are misplaced (pixels), and what camera and light do."""

    size: int
    slip: float
    blur: float
    noise: float
    quality: int
    light: tuple[float, float]
    glare: float


SIGHTS = {
    "mild": Sight(150, 0.3, 0.5, 3, 85, (0.8, 1.1), 0.1),
    "hard": Sight(120, 0.8, 0.8, 7, 55, (0.5, 1.1), 0.6),
    "extreme": Sight(72, 1.0, 0.8, 6, 35, (0.2, 0.5), 0.6),
}


def seen(picture: np.ndarray, sight: Sight, dice: np.random.Generator) -> np.ndarray:
    """A picture drawn large as it looks rectified from a screenshot: corners a little off, blurred, lit, under glare, noisy, JPEG."""
    height, width = picture.shape[:2]
    size = (sight.size, round(sight.size * height / width))
    flat = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    there = (flat + 0.5) * (sight.size / width) - 0.5 + dice.normal(0, sight.slip, (4, 2)).astype(np.float32)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.45 * width / sight.size)
    image = cv2.warpPerspective(soft, cv2.getPerspectiveTransform(flat, there), size, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    image *= dice.uniform(*sight.light)
    if dice.random() < sight.glare:
        rows, columns = np.mgrid[0 : size[1], 0 : size[0]]
        x, y, wide = dice.uniform(0, size[0]), dice.uniform(0, size[1]), dice.uniform(0.15, 0.5) * sight.size
        image += (np.exp(-(((columns - x) / wide) ** 2 + ((rows - y) / (0.6 * wide)) ** 2)) * dice.uniform(20, 110))[..., None]
    image = cv2.GaussianBlur(image, (0, 0), sight.blur)
    image = np.clip(image + dice.normal(0, sight.noise, image.shape), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, sight.quality])[1], cv2.IMREAD_COLOR)


@dataclass(frozen=True)
class Hand:
    """A needle as drawn: its tip and its counterweight's end (parts of the radius), its width, its colour (blue, green, red)."""

    tip: float
    tail: float = 0.2
    width: float = 0.035
    colour: tuple[int, int, int] = (40, 60, 220)


@dataclass(frozen=True)
class Face:
    """A dial without needles. ``marks``: degrees and words; ``bug``: degrees of a pointer on the rim, or None."""

    marks: tuple[tuple[float, str], ...]
    glass: tuple[int, int, int] = (35, 30, 30)
    ink: tuple[int, int, int] = (210, 215, 210)
    bug: float | None = None


def draw_dial(face: Face, hands: list[tuple[Hand, float]]) -> np.ndarray:
    """The dial straight on, FINE pixels; ``hands`` with their angles in degrees clockwise from up, the lowest first."""
    middle, radius = FINE / 2 - 0.5, FINE / 2 * 0.98
    picture = np.full((FINE, FINE, 3), (90, 80, 70), np.uint8)

    def exact(degrees: float, part: float) -> tuple[float, float]:
        return middle + math.sin(math.radians(degrees)) * radius * part, middle - math.cos(math.radians(degrees)) * radius * part

    def at(degrees: float, part: float) -> tuple[int, int]:
        x, y = exact(degrees, part)
        return round(x), round(y)

    cv2.circle(picture, (round(middle), round(middle)), round(radius), face.glass, -1, cv2.LINE_AA)
    for degrees, words in face.marks:
        cv2.line(picture, at(degrees, 0.84 if words else 0.89), at(degrees, 0.96), face.ink, 7 if words else 4, cv2.LINE_AA)
        (wide, tall), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, 1.2, 4)
        x, y = at(degrees, 0.70)
        cv2.putText(picture, words, (x - wide // 2, y + tall // 2), cv2.FONT_HERSHEY_SIMPLEX, 1.2, face.ink, 4, cv2.LINE_AA)
    if face.bug is not None:
        cv2.fillPoly(picture, [np.array([at(face.bug, 0.82), at(face.bug - 6, 0.97), at(face.bug + 6, 0.97)])], (30, 160, 250), cv2.LINE_AA)
    for hand, degrees in hands:
        outline = [exact(degrees, hand.tip), exact(degrees + 90, hand.width), exact(degrees + 180, hand.tail), exact(degrees - 90, hand.width)]
        cv2.fillPoly(picture, [np.round(np.array(outline) * 16).astype(np.int32)], hand.colour, cv2.LINE_AA, 4)
        cv2.circle(picture, at(degrees + 180, hand.tail * 0.7), round(radius * hand.width * 1.6), hand.colour, -1, cv2.LINE_AA)
        cv2.circle(picture, (round(middle), round(middle)), round(radius * 0.07), hand.colour, -1, cv2.LINE_AA)
    return picture


def round_marks(count: int, every: int = 1) -> tuple[tuple[float, str], ...]:
    """``count`` marks right round, the first up, every so many with its number."""
    return tuple((360 * k / count, str(k) if k % every == 0 else "") for k in range(count))


def random_look(dice: np.random.Generator) -> tuple[tuple, tuple, tuple]:
    """(glass, ink, needle) colours that can be told apart."""
    if dice.random() < 0.6:
        glass, ink = tuple(int(v) for v in dice.integers(5, 45, 3)), tuple(int(v) for v in dice.integers(170, 250, 3))
    else:
        glass, ink = tuple(int(v) for v in dice.integers(180, 245, 3)), tuple(int(v) for v in dice.integers(5, 60, 3))
    needle = ink if dice.random() < 0.5 else tuple(int(v) for v in dice.permutation([230, 70, 30]))
    return glass, ink, needle if sum(abs(p - q) for p, q in zip(needle, glass)) > 250 else ink


def two_needles(value: float, dice: np.random.Generator, look, bug: float | None = None) -> np.ndarray:
    """An altimeter of 10 km a turn of the short needle and 1 km of the long one."""
    glass, ink, needle = look
    face = Face(round_marks(50, 5), glass, ink, bug)
    return draw_dial(face, [(Hand(0.52, 0.16, 0.06, needle), value / 1e4 * 360), (Hand(0.86, 0.24, 0.03, needle), value / 1e3 * 360)])


TWO = 'needles = [{ length = 0.52, per_turn = "10 km" }, { length = 0.86, per_turn = "1 km" }]'
THREE = 'needles = [{ length = 0.38, per_turn = "100 km" }, { length = 0.6, per_turn = "10 km" }, { length = 0.88, per_turn = "1 km" }]'


def three_needles(value: float, dice: np.random.Generator, look, bug: float | None = None) -> np.ndarray:
    """An altimeter with a third, slowest needle."""
    glass, ink, needle = look
    hands = [(Hand(0.38, 0.12, 0.06, needle), value / 1e5 * 360), (Hand(0.6, 0.16, 0.05, needle), value / 1e4 * 360),
             (Hand(0.88, 0.24, 0.025, needle), value / 1e3 * 360)]  # fmt: skip
    return draw_dial(Face(round_marks(50, 5), glass, ink, bug), hands)


#: a scale that is anything but straight: angle in degrees, value
LOGARITHMIC = [[-130, 1], [-43.333, 10], [43.333, 100], [130, 1000]]


def one_needle(degrees: float, dice: np.random.Generator, look, bug: float | None = None) -> np.ndarray:
    """A dial of -135 to 135 degrees with a heavy counterweight."""
    glass, ink, needle = look
    marks = tuple((-135 + 13.5 * k, str(k // 2) if k % 4 == 0 else "") for k in range(21))
    return draw_dial(Face(marks, glass, ink, bug), [(Hand(0.84, 0.36, 0.035, needle), degrees)])


def gauge_of(folder, lines: str):
    """A gauge as the panel file's ``lines`` say."""
    from analyser.ingest.panel import load_panel

    (folder / "panel.toml").write_text(
        'reference = "r.png"\n[gauges.tested]\ncorners = [[0, 0], [100, 0], [100, 100], [0, 100]]\n' + lines, encoding="utf-8"
    )
    return load_panel(folder / "panel.toml").gauges["tested"]


def judge_dials(folder, kind: str, level: str, each: int, seed: int = 1, flights: int = 6) -> dict[str, float]:
    """Median error of the (fast) needle's angle in degrees, shares read and wrong by over 8 degrees, over ``flights`` looks of dials."""
    from analyser.ingest.dials import see_dials

    draw, lines, span = {
        "one needle": (one_needle, 'kind = "dial"\nreads = "speed"\nunit = "m/s"\nscale = [[-135, -135], [135, 135]]', (-133, 133)),
        "two needles": (two_needles, f'kind = "dial"\nreads = "altitude"\nunit = "m"\n{TWO}', (0, 1e4)),
        "three needles": (three_needles, f'kind = "dial"\nreads = "altitude"\nunit = "m"\n{THREE}', (0, 1e5)),
    }[kind]
    gauge = gauge_of(folder, lines)
    errors, asked, doubts = [], 0, []
    for flight in range(flights):
        dice = np.random.default_rng([seed, flight, len(kind), each])
        look, bug = random_look(dice), float(dice.uniform(-180, 180))
        values = dice.uniform(*span, max(2, each // flights))
        pictures = [seen(draw(value, dice, look, bug), SIGHTS[level], dice) for value in values]
        reference = seen(draw(span[0] + 0.31 * (span[1] - span[0]), dice, look, bug), SIGHTS["mild"], dice)
        reference = cv2.resize(reference, pictures[0].shape[1::-1], interpolation=cv2.INTER_AREA)
        scale = 1.0 if kind == "one needle" else 0.36  # degrees of the fast needle a unit
        for value, (look_at,) in zip(values, see_dials(gauge, pictures, reference)):
            asked += 1
            doubts += [look_at.reading.doubt] if look_at.reading.doubt else []
            if not look_at.reading.doubt:
                errors.append(abs(look_at.reading.best.value - value) * scale)
    found = np.array(errors)
    return {"median": float(np.median(found)), "read": len(found) / asked, "wrong": int((found > 8).sum()), "asked": asked, "doubts": doubts}


def main() -> None:
    import tempfile
    from pathlib import Path

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=60)
    options = parser.parse_args()
    print("| | mild | hard | extreme |\n| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        for kind in ("one needle", "two needles", "three needles"):
            cells = []
            for level in SIGHTS:
                found = judge_dials(Path(name), kind, level, options.each)
                cells.append(f"{found['median']:.2f} deg, read {found['read']:.0%}, wrong {found['wrong']} of {found['asked']}")
            print(f"| {kind} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
