"""Dials with several needles, each of another make: shapes of needles, counterweights, colours, lengths, ratios, words and pointers by chance, and the
reference picture at any value, needles over each other or not. As a program it prints how well they are read:

    python tests/ingest/drawn_makes.py [--each 9] [--flights 12] [--seed 1] [--shapes baton,ring,leaf]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import cv2
import numpy as np
from drawn_dials import FINE, SIGHTS, Face, draw_dial, gauge_of, random_look, round_marks, seen

MIDDLE, RADIUS = FINE / 2 - 0.5, FINE / 2 * 0.98
SHAPES = ("tapered", "baton", "lollipop", "arrow")


def at(degrees: float, part: float, aside: float = 0.0) -> tuple[float, float]:
    """A place ahead of the hub and aside of a needle at ``degrees``, pixels."""
    s, c = math.sin(math.radians(degrees)), math.cos(math.radians(degrees))
    return MIDDLE + RADIUS * (s * part + c * aside), MIDDLE - RADIUS * (c * part - s * aside)


@dataclass(frozen=True)
class Needle:
    """A needle as drawn; lengths are parts of the radius, ``weight`` is the radius of its counterweight or 0."""

    shape: str
    tip: float
    width: float
    tail: float
    weight: float
    colour: tuple[int, int, int]

    def draw(self, picture: np.ndarray, degrees: float) -> None:
        tip, width, tail = self.tip, self.width, self.tail

        def outline(*places: tuple[float, float]) -> None:
            mirrored = [(part, -aside) for part, aside in reversed(places)]
            points = np.round(np.array([at(degrees, *place) for place in (*places, *mirrored)]) * 16).astype(np.int32)
            cv2.fillPoly(picture, [points], self.colour, cv2.LINE_AA, 4)

        def disc(part: float, size: float, thick: float = -1.0) -> None:
            x, y = at(degrees, part)
            cv2.circle(picture, (round(x), round(y)), round(RADIUS * size), self.colour, round(RADIUS * thick) if thick > 0 else -1, cv2.LINE_AA)

        if self.shape == "tapered":
            outline((tip, 0.004), (0, width), (-tail, width * 0.5))
        elif self.shape == "baton":
            outline((tip, width * 0.6), (-tail, width * 0.6))
        elif self.shape == "lollipop":
            outline((tip, width * 0.3), (-tail, width * 0.4))
            disc(tip * 0.72, width * 1.5)
        elif self.shape == "arrow":
            outline((tip * 0.8, width * 0.4), (-tail, width * 0.4))
            outline((tip, 0.0), (tip * 0.7, width * 1.1))
        elif self.shape == "ring":
            outline((tip, width * 0.25), (-tail, width * 0.4))
            disc(tip * 0.6, width * 1.6, width * 0.7)
        else:  # a leaf
            outline((tip, 0.003), (tip * 0.5, width * 1.1), (0.05, width * 0.35), (-tail, width * 0.35))
        if self.weight:
            disc(-tail * 0.8, self.weight)
        disc(0.0, 0.06)


class Make:
    """A dial of two or three needles made by chance; ``top``: the value (m) at which it begins anew."""

    def __init__(self, dice: np.random.Generator, count: int, shapes: tuple[str, ...] = SHAPES) -> None:
        glass, ink, common = random_look(dice)
        self.ratio = 10 if count == 3 or dice.random() < 0.75 else int(dice.choice([8, 12, 20]))
        tips = [(0.42, 0.62), (0.78, 0.9)] if count == 2 else [(0.34, 0.44), (0.55, 0.66), (0.8, 0.9)]
        usual = str(dice.choice(shapes))
        loud = tuple(int(v) for v in dice.permutation([230, 70, 30]))
        self.two_colours = bool(dice.random() < 0.25) and sum(abs(p - q) for p, q in zip(loud, glass)) > 300 and loud != common
        self.needles = []
        for place, (least, most) in enumerate(tips):
            shape = usual if dice.random() < 0.6 else str(dice.choice(shapes))
            width = float(dice.uniform(0.04, 0.065) - 0.015 * place * (2 if count == 2 else 1))
            weight = float(width * dice.uniform(1.1, 1.8)) if dice.random() < 0.5 else 0.0
            colour = loud if self.two_colours and place == count - 1 else common
            self.needles.append(Needle(shape, float(dice.uniform(least, most)), width, float(dice.uniform(0.08, 0.3)), weight, colour))
        marks = int(dice.choice([20, 40, 50]))
        bug = float(dice.uniform(-180, 180)) if dice.random() < 0.7 else None
        self.face = Face(round_marks(marks, 5 if marks > 20 else 2), glass, ink, bug)
        self.words = float(dice.choice([-1, 1]) * dice.uniform(0.3, 0.45)) if dice.random() < 0.5 else None
        self.top = 1e3 * self.ratio ** (count - 1)
        self.reference = float(dice.uniform(0, self.top))

    def per_turn(self, place: int) -> float:
        return self.top / self.ratio**place

    def lines(self) -> str:
        """What a panel file says of it."""

        def row(place: int, needle: Needle) -> str:
            colour = ', colour = "#{2:02x}{1:02x}{0:02x}"'.format(*needle.colour) if self.two_colours else ""
            return f"{{ length = {needle.tip:.2f}, per_turn = {self.per_turn(place):.1f}{colour} }}"

        rows = ", ".join(row(place, needle) for place, needle in enumerate(self.needles))
        return f'kind = "dial"\nreads = "altitude"\nunit = "m"\nneedles = [{rows}]'

    def draw(self, value: float) -> np.ndarray:
        picture = draw_dial(self.face, [])
        if self.words is not None:
            for line, words in enumerate(("ALT", "x100 m")):
                (wide, tall), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, 0.8, 2)
                x, y = at(0, self.words - 0.1 * line)
                cv2.putText(picture, words, (round(x - wide / 2), round(y + tall / 2)), cv2.FONT_HERSHEY_SIMPLEX, 0.8, self.face.ink, 2, cv2.LINE_AA)
        for place, needle in enumerate(self.needles):
            needle.draw(picture, value / self.per_turn(place) * 360)
        return picture


def judge_makes(folder, count: int, level: str, flights: int, each: int, seed: int, shapes: tuple[str, ...] = SHAPES) -> dict:
    """How well ``flights`` makes of dials with ``count`` needles are read, ``each`` pictures of each: median error of the fast needle (degrees), number
    of pictures, of readings, and the silent errors of over 8 degrees as (make, value, reading)."""
    from analyser.ingest.dials import see_dials

    errors, wrong = [], []
    for flight in range(flights):
        dice = np.random.default_rng([seed, flight, count])
        make = Make(dice, count, shapes)
        values = dice.uniform(0, make.top, each)
        pictures = [seen(make.draw(value), SIGHTS[level], dice) for value in values]
        reference = cv2.resize(seen(make.draw(make.reference), SIGHTS["mild"], dice), pictures[0].shape[1::-1], interpolation=cv2.INTER_AREA)
        for value, (look,) in zip(values, see_dials(gauge_of(folder, make.lines()), pictures, reference)):
            if look.reading.doubt:
                continue
            away = (look.reading.best.value - value + make.top / 2) % make.top - make.top / 2  # it begins anew at its top
            errors.append(abs(away) / make.per_turn(count - 1) * 360)
            if errors[-1] > 8:
                wrong.append((flight, round(value), round(look.reading.best.value)))
    return {"median": float(np.median(errors)) if errors else math.nan, "asked": flights * each, "read": len(errors), "wrong": wrong}


def main() -> None:
    import tempfile
    from pathlib import Path

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=9)
    parser.add_argument("--flights", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shapes", default=",".join(SHAPES))
    options = parser.parse_args()
    print("| needles | mild | hard | extreme |\n| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        for count in (2, 3):
            cells = []
            for level in SIGHTS:
                found = judge_makes(Path(name), count, level, options.flights, options.each, options.seed, tuple(options.shapes.split(",")))
                cells.append(f"{found['median']:.2f} deg, read {found['read']} of {found['asked']}, wrong {len(found['wrong'])} {found['wrong'] or ''}".strip())
            print(f"| {count} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
