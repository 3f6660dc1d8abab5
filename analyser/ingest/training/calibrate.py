"""Makes the recogniser's probabilities honest: fits them to how often it is right on fonts it was not trained on.

    python -m analyser.ingest.training.calibrate WORK/cut [--count 5000]

writes ``weights/recogniser.json`` and prints how honest the result is on the test's fonts, which it does not fit.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from analyser.ingest import trust
from analyser.ingest.automaton import compile_pattern
from analyser.ingest.grammar import Grammar, marked
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


SPOILT = Severity((11, 48), (0.0, 0.08), (1, 12), (35, 92), (30, 210), 0.04, 2.5, 0.3, cover=0.5, cut=0.5)
LEVELS = {"mild": MILD, "hard": HARD, "extreme": EXTREME, "spoilt": SPOILT}
SPOILT_SHARE = 0.002
ODD = 3.0  # how much a font that is hard to read counts
NEAR = 0.3  # risks that the quick network's probability is fitted to
STEPS = (0.0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 0.9999, 1.01)


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


@dataclass(frozen=True)
class Trial:
    """One crop: its text, what each network made of it, and whether that is right; ``font``: the file it was drawn with."""

    text: str
    glanced: str
    risk: float
    allowed: bool  # the grammar has the quick network's text
    glance_right: bool
    found: str
    share: float
    mass: float
    raw: str
    right: bool
    font: str


def trials(drawer: Drawer, dice: np.random.Generator, severity: Severity, count: int) -> Iterator[Trial]:
    """``count`` crops, looked at by both networks."""
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
        groups.setdefault(grammar, []).append((crop, seen, getattr(face, "name", type(face).__name__)))
        if len(groups[grammar]) >= 64:
            yield from _judged(grammar, groups.pop(grammar))
    for grammar, members in groups.items():
        yield from _judged(grammar, members)


def _judged(grammar: Grammar, members: list) -> Iterator[Trial]:
    automaton = compile_pattern(grammar.pattern(), ALPHABET)
    for (_, text, font), found in zip(members, recognise([crop for crop, *_ in members], automaton, sure=2.0)):
        truth = () if UNREADABLE in text else grammar.parse(text, ".")
        shares: dict[float, float] = {}
        texts_of: dict[float, str] = {}
        for spelling in found.spellings:
            for shown in (grammar.parse(spelling.text, ".") or grammar.parse(marked(spelling.text, "."), "."))[:1]:
                shares[shown.value] = shares.get(shown.value, 0.0) + math.exp(spelling.weight)
                texts_of.setdefault(shown.value, spelling.text)
        best = max(shares, key=shares.__getitem__) if shares else math.nan
        glanced = (grammar.parse(found.glanced, ".") or grammar.parse(marked(found.glanced, "."), "."))[:1]
        total = sum(shares.values())
        yield Trial(
            text, found.glanced, found.risk, bool(glanced), _same(glanced, truth), texts_of.get(best, ""), shares[best] / total if shares else 0.0,
            min(total, 1.0), found.raw, bool(truth) and bool(shares) and math.isclose(best, truth[0].value), font,
        )  # fmt: skip


def _same(found: tuple, truth: tuple) -> bool:
    return bool(found) and bool(truth) and math.isclose(found[0].value, truth[0].value)


def fitted(x: np.ndarray, right: np.ndarray, counts: np.ndarray, loose: float = 1e-2) -> list[float]:
    """Weights of a logistic regression, each row counted so often (Newton's method; Hastie, Tibshirani & Friedman, *The Elements of
    Statistical Learning*, 4.4)."""
    weights = np.zeros(x.shape[1])
    for _ in range(60):
        p = 1 / (1 + np.exp(-np.clip(x @ weights, -40, 40)))
        gradient = x.T @ (counts * (p - right)) + loose * weights
        curvature = (x * (counts * p * (1 - p))[:, None]).T @ x + loose * np.eye(len(weights))
        weights -= np.linalg.solve(curvature, gradient)
    return [float(round(weight, 4)) for weight in weights]


def calibrated(plain: list[Trial], rows: list[Trial], spoilt: list[Trial]) -> dict:
    """What ``weights/recogniser.json`` holds, from trials of fonts that the networks were not trained on.

    The quick look is judged by ``plain`` ones, drawn with the fonts as they are in views that it is for, mild and hard; the deep one by ``rows``, drawn with odder ones.
    ``spoilt`` ones, cut or covered, count as one in SPOILT_SHARE of the others: so often a gauge is taken to be so without being found to be.
    For the deep look the third of the fonts that is read worst counts ODD times: the fonts at hand are few, and a pilot's may be odder.
    """
    every = [*rows, *spoilt]
    each = len(rows) * SPOILT_SHARE / max(len(spoilt), 1)
    counts = np.array([1.0] * len(rows) + [each] * len(spoilt))
    families: dict[str, list[bool]] = {}
    for row in rows:
        families.setdefault(row.font.split("-")[0], []).append(row.right)
    odd = set(sorted(families, key=lambda family: np.mean(families[family]))[: len(families) // 3])
    weighed = counts * np.array([ODD if row.font.split("-")[0] in odd else 1.0 for row in rows] + [1.0] * len(spoilt))
    asked = [(row, 1.0) for row in plain] + [(row, len(plain) * SPOILT_SHARE / max(len(spoilt), 1)) for row in spoilt]
    asked = [(row, count) for row, count in asked if row.allowed and row.risk < NEAR]
    quick = fitted(
        np.array([trust.glance_evidence(row.risk, row.glanced) for row, _ in asked]), np.array([row.glance_right for row, _ in asked], float),
        np.array([count for _, count in asked]),
    )  # fmt: skip
    enough = np.array([trust.glance_evidence(row.risk, row.glanced) for row in every]) @ quick >= trust.log_odds(trust.SURE)
    kept = np.array([bool(row.found) and not (row.allowed and one) for row, one in zip(every, enough)])
    rest = [row for row, one in zip(every, kept) if one]
    deep = fitted(
        np.array([trust.evidence(row.share, row.mass, row.found, row.raw, row.glanced, row.risk) for row in rest]),
        np.array([row.right for row in rest], float), weighed[kept],
    )  # fmt: skip
    return {"quick": quick, "deep": deep, "most": round(1 - 1 / len(rows), 6)}


PART = 500  # crops drawn from one seed: the same ones however many processes draw them


def _part(job: tuple[str, str, str, int, int, int, bool]) -> list[Trial]:
    import cv2

    cv2.setNumThreads(1)
    folder, part, level, seed, place, count, odd = job
    drawer = Drawer(faces(Path(folder), part), drawn=0.05 if part == "calibrate" else 0.0, restyled=0.25 if odd else 0.0)
    return list(trials(drawer, np.random.default_rng([seed, list(LEVELS).index(level), place]), LEVELS[level], count))


def judged(folder: Path, part: str, counts: dict[str, int], seed: int, processes: int = 1, odd: bool = False) -> dict[str, list[Trial]]:
    """Trials of a part of the split by level, ``counts`` of each; equal for equal seeds, whatever the number of processes.

    ``odd``: with lines odder than the fonts themselves, as a pilot's may be.
    """
    jobs = [
        (str(folder), part, level, seed, start // PART, min(PART, count - start), odd) for level, count in counts.items() for start in range(0, count, PART)
    ]
    if processes > 1:
        with Pool(processes) as pool:
            done = pool.map(_part, jobs, chunksize=1)
    else:
        done = [_part(job) for job in jobs]
    rows: dict[str, list[Trial]] = {level: [] for level in counts}
    for (_, _, level, *_), found in zip(jobs, done):
        rows[level] += found
    return rows


def glanced(row: Trial) -> bool:
    """Whether the quick look is enough for it."""
    return row.allowed and trust.after_a_glance(row.risk, row.glanced) >= trust.SURE


def probability(row: Trial) -> tuple[float, bool]:
    """(probability that what is read is right, whether it is) as the recogniser gives it."""
    if glanced(row):
        return trust.after_a_glance(row.risk, row.glanced), row.glance_right
    return (trust.after_a_look(row.share, row.mass, row.found, row.raw, row.glanced, row.risk), row.right) if row.found else (0.0, False)


def reliability(rows: list[Trial]) -> list[str]:
    """Lines of a table: of the values said to be this sure, how many, how many right, how many were promised."""
    said = np.array([probability(row) for row in rows])
    lines = ["| said to be right | values | promised | right |", "| --- | --- | --- | --- |"]
    for low, high in zip(STEPS, STEPS[1:]):
        p = said[(said[:, 0] >= low) & (said[:, 0] < high)]
        if len(p):
            lines.append(f"| {low:.2%} to {min(high, 1.0):.2%} | {len(p)} | {p[:, 0].mean():.3%} | {p[:, 1].mean():.3%} |")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("--count", type=int, default=5000, help="crops a level")
    parser.add_argument("--check", action="store_true", help="leave the file as it is, only look how honest it is on the test's fonts")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--untested", action="store_true", help="do not look how honest it is")
    options = parser.parse_args()
    count = options.count
    if not options.check:
        plain = judged(options.fonts, "calibrate", {"mild": count, "hard": count}, 21, options.processes)
        rows = judged(options.fonts, "calibrate", {"mild": count, "hard": count, "extreme": 2 * count // 3, "spoilt": count // 4}, 21, options.processes, odd=True)
        spoilt = rows.pop("spoilt")
        found = calibrated(sum(plain.values(), []), sum(rows.values(), []), spoilt)
        trust.CALIBRATION.write_text(json.dumps(found) + "\n", encoding="utf-8")
        trust.calibration.cache_clear()
        print(trust.CALIBRATION.read_text())
    if options.untested:
        return
    tests = judged(options.fonts, "test", {"mild": count, "hard": count, "extreme": count, "spoilt": count // 8}, 22, options.processes)
    for name, rows in tests.items():
        said = [probability(row) for row in rows]
        glances = sum(map(glanced, rows))
        print(f"{name}: right {np.mean([right for _, right in said]):.2%}, a glance enough for {glances / len(rows):.1%}")
        for limit in (0.9, 0.98, 0.99, 0.995, 0.998, 0.999):
            taken = [right for p, right in said if p >= limit]
            print(f"  at {limit}: accepted {len(taken) / len(rows):.2%}, wrong {sum(not right for right in taken)} of {len(taken)}")
        print("\n".join(reliability(rows)), flush=True)


if __name__ == "__main__":
    main()
