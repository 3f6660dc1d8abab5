"""Makes the recogniser's probabilities honest: fits them to how often it is right on fonts it was not trained on.

    python -m analyser.ingest.training.calibrate WORK/cut

writes ``weights/recogniser.json`` and prints how honest the result is on the test's fonts, which it does not fit.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from analyser.ingest import recogniser
from analyser.ingest.automaton import compile_pattern
from analyser.ingest.grammar import Grammar
from analyser.ingest.recogniser import ALPHABET, UNREADABLE, recognise
from analyser.ingest.training import texts
from analyser.ingest.training.crops import EXTREME, HARD, MILD, Drawer, Severity
from analyser.ingest.training.fonts import faces

LENGTHS = (("m", 1.0), ("km", 1e3), ("Mm", 1e6))
GRAMMARS = (
    Grammar("clock"), Grammar(), Grammar(signed=False), Grammar(units=LENGTHS, fixed_factor=None), Grammar(units=LENGTHS, fixed_factor=None),
    Grammar(units=(("m/s", 1.0), ("km/s", 1e3)), fixed_factor=None), Grammar(units=(("kg", 1.0), ("t", 1e3)), fixed_factor=None),
    Grammar(units=(("%", 0.01),), fixed_factor=0.01),
)  # fmt: skip


def text_of(grammar: Grammar, dice: np.random.Generator, plain: bool) -> str:
    """A text that the grammar can show, decimals marked by a point."""
    automaton = compile_pattern(grammar.pattern("."), ALPHABET)
    while True:
        text = texts.clock(dice, plain) if grammar.kind == "clock" else texts.number(dice, True)
        if grammar.kind != "clock" and dice.random() < 0.15:
            whole, point, part = text.partition(".")
            sign = "-" if whole.startswith("-") else ""
            text = f"{sign}{int(whole.strip('+- ') or 0):,}{point}{part}"
        if grammar.units and not plain:
            text += (" " if dice.random() < 0.7 else "") + grammar.units[dice.integers(len(grammar.units))][0]
        if automaton.accepts(text):
            return text


def trials(drawer: Drawer, dice: np.random.Generator, severity: Severity, count: int) -> Iterator[tuple]:
    """(share, mass, found, raw, right, text) of ``count`` crops."""
    groups: dict[Grammar, list] = {}
    for _ in range(count):
        face, plain = drawer.face(dice)
        grammar = GRAMMARS[dice.integers(len(GRAMMARS))]
        if plain and grammar.units:
            grammar = GRAMMARS[int(dice.integers(3))]
        text = text_of(grammar, dice, plain)
        drawer.face = lambda _, chosen=(face, plain): chosen
        crop, seen = drawer.draw(dice, severity, text)
        del drawer.face
        groups.setdefault(grammar, []).append((crop, seen))
    for grammar, members in groups.items():
        automaton = compile_pattern(grammar.pattern("."), ALPHABET)
        for (_, text), found in zip(members, recognise([crop for crop, _ in members], automaton)):
            values: dict[tuple, float] = {}
            for spelling in found.spellings:
                for shown in grammar.parse(spelling.text, ".")[:1]:
                    key = (shown.value, shown.step)
                    values[key] = values.get(key, 0.0) + math.exp(spelling.weight)
            if not values:
                yield 0.5, 1e-12, "", found.raw, False, text
                continue
            best = max(values, key=values.get)
            truth = grammar.parse(text, ".") if UNREADABLE not in text else ()
            right = bool(truth) and math.isclose(truth[0].value, best[0]) and math.isclose(truth[0].step, best[1])
            yield values[best] / sum(values.values()), found.mass, found.spellings[0].text, found.raw, right, text


def fit(rows: list[tuple]) -> list[float]:
    """Weights of a logistic regression by Newton's method, drawn to 0 by a trifle."""
    x = np.array([recogniser.evidence(*row[:4]) for row in rows])
    y = np.array([row[4] for row in rows], float)
    weights = np.zeros(x.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(x @ weights, -40, 40)))
        gradient = x.T @ (p - y) + 1e-2 * weights
        curvature = (x * (p * (1 - p))[:, None]).T @ x + 1e-2 * np.eye(len(weights))
        weights -= np.linalg.solve(curvature, gradient)
    return [float(round(weight, 4)) for weight in weights]


def main() -> None:
    folder = Path(sys.argv[1])
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 2500
    recogniser.CALIBRATION.write_text(json.dumps({"temperature": 1.0, "logistic": [0.0, 1.0, 0.0, -2.0, -4.0]}))
    recogniser.calibration.cache_clear()
    spoilt = Severity((11, 48), (0.0, 0.08), (1, 12), (35, 92), (30, 210), 0.04, 2.5, 0.3, cover=0.5, cut=0.5)
    drawer, dice = Drawer(faces(folder, "calibrate"), drawn=0.05), np.random.default_rng(21)
    rows = [row for severity, share in ((MILD, 1.0), (HARD, 1.0), (EXTREME, 0.5), (spoilt, 0.05)) for row in trials(drawer, dice, severity, int(count * share))]
    weights = fit(rows)
    recogniser.CALIBRATION.write_text(json.dumps({"temperature": 1.0, "logistic": weights}) + "\n")
    recogniser.calibration.cache_clear()
    print("logistic", weights)
    drawer, dice = Drawer(faces(folder, "test"), drawn=0.0), np.random.default_rng(22)
    for name, severity in (("mild", MILD), ("hard", HARD), ("extreme", EXTREME), ("spoilt", spoilt)):
        rows = [(recogniser.honest_probability(*row[:4]), row) for row in trials(drawer, dice, severity, count)]
        right = sum(row[4] for _, row in rows) / len(rows)
        line = f"{name}: right {right:.4f}"
        for limit in (0.9, 0.98, 0.99, 0.995, 0.998, 0.999):
            taken = [row for p, row in rows if p >= limit]
            line += f"; >={limit}: taken {len(taken) / len(rows):.3f} wrong {sum(not row[4] for row in taken)}"
        print(line)
        for p, row in rows:
            if not row[4] and (p > 0.995 or name == "mild"):
                print("   wrong:", repr(row[5]), repr(row[2]), repr(row[3]), round(p, 5))


if __name__ == "__main__":
    main()
