"""What the characters of a read-out say about the texts that it may show: each is held against examples of what it is claimed to be, and of all others."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.ingest.glyph_shapes import Shapes
from analyser.ingest.glyphs import Glyph, Rows, evened, loose_ink, patches, placed, scaled
from analyser.ingest.readout import ACCEPT, CONTRADICTED, UNSURE, Candidate, GaugeReading, unsure

if TYPE_CHECKING:
    import numpy as np

LIKELIHOOD = Path(__file__).parent / "weights" / "glyphs.json"
CONSIDERED, FAINT = 4, 2e-3  # candidates compared, and the probability that they must have
LEAST_LOOK = 0.02  # a candidate must have this probability by itself to be chosen over the first
KEEP = 0.9  # probability, characters compared, that a reading accepted at once must keep
LOOSE = 2  # inked columns side by side that may belong to no character
SPREAD, UNTAUGHT = 0.01, 0.05  # doubt that each character has beside what the network shows, and one that was never taught
UNDOUBTED, LIKE, UNLIKE = 0.05, 10.0, 0.25  # doubt of a character below which it is plain; how much likelier the middle one of these must be; share that may be unlike
LEAST, LEAST_USUAL, MOST_USUAL = 0.003, 0.015, 0.2  # bounds of unlikeness in the evidence
WORTH = 2.0  # how much likelier its characters must make a reading that they alone make certain
NEAR = 3  # pixels: characters of two texts this near each other are one


@lru_cache(maxsize=1)
def likelihood() -> dict:
    """For ``figures`` (with letters) and ``marks``: ``weights`` of the logistic regression in :func:`times_likelier`, and ``most``, how many times likelier a
    character gets at most."""
    return json.loads(LIKELIHOOD.read_text(encoding="utf-8"))


def evidence(own: float, rival: float, usual: float) -> tuple[float, ...]:
    """What the likelihood is reckoned from: unlikeness to the character claimed, to the nearest other, and as usual between two of one character. The
    cleaner the pictures, the more the others tell."""
    own, rival, usual = max(own, LEAST), max(rival, LEAST), min(max(usual, LEAST_USUAL), MOST_USUAL)
    away, apart, clean = math.log(own / usual), math.log(rival / own), -math.log(usual) / 3
    return 1.0, away, apart, away * clean, apart * clean


def times_likelier(character: str, own: float, rival: float, usual: float) -> float:
    """How many times likelier such a likeness is of the character claimed than of another (``training/glyph_likelihood.py``). Marks are so small that
    they can only confirm."""
    fitted = likelihood()["figures" if character.isalnum() else "marks"]
    most = math.log(fitted["most"])
    score = sum(weight * value for weight, value in zip(fitted["weights"], evidence(own, rival, usual)))
    return math.exp(min(max(score, -most if character.isalnum() else 0.0), most))


@dataclass(frozen=True)
class Line:
    """A strip: what a network makes of its columns, the characters of the likeliest text, and between which rows figures stand."""

    strip: np.ndarray
    shares: np.ndarray
    glyphs: tuple[Glyph, ...]
    rows: Rows | None

    def evened(self, usual: Rows | None, glyphs: tuple[Glyph, ...]) -> tuple[np.ndarray, tuple[Glyph, ...]]:
        """The strip and characters in it at the size at which all are compared; ``usual``: the rows of the gauge's figures."""
        rows = self.rows if self.rows and not (usual and usual.near(self.rows)) else usual
        return (evened(self.strip, rows), scaled(glyphs, rows.scale)) if rows else (self.strip, glyphs)


class Comparison:
    """The texts that one strip may show against what was taught."""

    def __init__(self, line: Line, usual: Rows | None, shapes: Shapes):
        self.line, self.usual, self.shapes = line, usual, shapes
        self.strip = line.evened(usual, ())[0]
        self._nearest: dict[tuple[int, int], dict[str, float]] = {}

    def times(self, glyph: Glyph) -> float:
        """How many times likelier the character is than another; 1 where it was never taught, or nothing else was."""
        where = (glyph.centre, glyph.half)
        if where not in self._nearest:
            self._nearest[where] = self.shapes.nearest(patches(self.strip, [glyph.centre])[0], glyph.half)
        nearest = self._nearest[where]
        others = [unlike for letter, unlike in nearest.items() if letter != glyph.character]
        if glyph.character not in self.shapes.known or not others:
            return 1.0
        return times_likelier(glyph.character, nearest[glyph.character], min(others), self.shapes.usual)

    def comparable(self, glyphs: tuple[Glyph, ...]) -> bool:
        """Whether the characters that nobody doubts look like what was taught: else size, blur or font are others."""
        plain = [self.times(glyph) for glyph in glyphs if glyph.doubt < UNDOUBTED and glyph.character in self.shapes.known]
        return not plain or sorted(plain)[len(plain) // 2] >= LIKE and sum(times < 1 for times in plain) <= UNLIKE * len(plain)

    def text(self, candidate: Candidate) -> _Text:
        """A candidate with its characters, wherever they would stand."""
        there = placed(self.line.shares, candidate.text)
        glyphs = self.line.evened(self.usual, there)[1]
        grown = self.strip.shape[1] / self.line.strip.shape[1]
        widths = {letter: math.ceil(width / grown) for letter, width in self.shapes.widths.items()}
        return _Text(
            candidate, glyphs, tuple(glyph.character in self.shapes.known for glyph in glyphs), tuple(self.times(glyph) for glyph in glyphs),
            loose_ink(self.line.strip, there, widths) <= LOOSE,
        )  # fmt: skip


@dataclass(frozen=True)
class _Text:
    """A candidate with its characters, whether each was taught, how many times likelier each is than another, and whether it accounts for all the ink."""

    candidate: Candidate
    glyphs: tuple[Glyph, ...]
    taught: tuple[bool, ...]
    times: tuple[float, ...]
    covers: bool

    @property
    def whole(self) -> float:
        """How many times likelier the text is than something else: each character counts as much as the network doubts it."""
        if not self.glyphs:
            return 1.0
        doubts = [glyph.doubt + (SPREAD if taught else UNTAUGHT) for glyph, taught in zip(self.glyphs, self.taught)]
        whole = sum(doubts) / sum(doubt / times for doubt, times in zip(doubts, self.times))
        return whole if self.covers else min(whole, 1.0)

    def over(self, other: "_Text") -> float:
        """How many times likelier than another text, by the characters in which they differ."""
        if not self.glyphs or not other.glyphs:
            return 1.0
        mine = _least(self, other)
        theirs = _least(other, self)
        times = mine / theirs
        return times if self.covers else min(times, 1.0)


def _least(one: _Text, other: _Text) -> float:
    """Of the characters of ``one`` that ``other`` has not: how many times likelier the least likely is."""
    here = [
        times for glyph, times in zip(one.glyphs, one.times)
        if not any(glyph.character == each.character and abs(glyph.centre - each.centre) <= NEAR for each in other.glyphs)
    ]  # fmt: skip
    return min(here, default=1.0)


def reweighed(reading: GaugeReading, compared: Comparison) -> GaugeReading | None:
    """The reading with what its characters look like counted; None where that tells nothing."""
    texts = []
    for candidate in reading.candidates[:CONSIDERED]:
        if texts and candidate.probability < FAINT:
            break
        texts.append(compared.text(candidate))
        if not compared.comparable(texts[0].glyphs):
            return None
    listed = sum(each.probability for each in reading.candidates)
    unlisted = max(1e-6, 1 - listed) + listed - sum(each.candidate.probability for each in texts)
    chances = []
    for text in texts:
        own = text.candidate.probability
        against = sum(other.candidate.probability / text.over(other) for other in texts if other is not text) + unlisted / text.whole
        chances.append(own / (own + against))
    excess = max(1.0, sum(chances))
    chances = [chance / excess for chance in chances]
    first = max(range(len(texts)), key=chances.__getitem__)
    if max(abs(chance - text.candidate.probability) for chance, text in zip(chances, texts)) < 1e-4:
        return None
    return _told(reading, texts, chances, first)


def _told(reading: GaugeReading, texts: list[_Text], chances: list[float], first: int) -> GaugeReading:
    """The reading with new chances of its texts, of which ``first`` is the likeliest now, and in words what that changes."""
    weighed = [replace(text.candidate, probability=chance) for text, chance in zip(texts, chances)]
    left = (1 - sum(chances)) / max(1 - sum(text.candidate.probability for text in texts), 1e-6)
    weighed += [replace(each, probability=each.probability * min(left, 1.0)) for each in reading.candidates[len(texts) :]]
    changed = replace(reading, candidates=tuple(sorted(weighed, key=lambda each: -each.probability)))
    best, before, chance = texts[first], reading.best, chances[first]
    if not reading.doubt:
        if first == 0 and chance >= KEEP:
            return reading
        return replace(changed, doubt=f"the characters of {before.text!r} do not look like those of other readings (probability {chances[0]:.1%})")
    unsure_only = reading.doubt.startswith(UNSURE) and ";" not in reading.doubt
    if chance >= ACCEPT and (best.whole < WORTH or best.candidate.probability < LEAST_LOOK):
        return reading  # others look even less likely, but nothing speaks for this one
    if chance < (ACCEPT if unsure_only else CONTRADICTED):
        return replace(changed, doubt=unsure(chance) if unsure_only else reading.doubt)
    if first == 0:
        reason = f"by itself {before.probability:.1%} sure; its characters look like those of readings that are certain"
    else:
        reason = f"the characters look like those of {best.candidate.text!r} in readings that are certain, not like {before.text!r}"
    return replace(changed, doubt="", reason=reason, recovered=first != 0)
