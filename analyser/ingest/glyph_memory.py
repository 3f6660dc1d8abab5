"""The flight's own glyphs: a reading that is not certain, held against how its gauge drew the same characters in readings that are.

A gauge writes in one font all flight long. While looks stream in, the strips of some certain readings are kept, enough to show each
character a few times, and the strips of those that are in doubt. At the end the characters of what may stand in a strip are compared with the
certain ones, picture with picture, which owes nothing to what the networks make of a font. Memory: at most MOST_DOUBTFUL strips in doubt and
a few dozen certain ones a gauge, of about 6 kB each.
"""

from __future__ import annotations

import json
import math
from base64 import b64decode, b64encode
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import ALPHABET, UNREADABLE, folded
from analyser.ingest.glyph_shapes import EXAMPLES, Examples, Shapes, pooled, reliable, usual_rows
from analyser.ingest.glyphs import Glyph, Rows, evened, loose_ink, patches, placed, rows_of, scaled
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import ACCEPT, CONTRADICTED, UNSURE, Candidate, GaugeReading, Seen, first_guess, unsure
from analyser.ingest.recogniser import DEEP, HEIGHT, QUICK, shares_of, to_strip

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

LIKELIHOOD = Path(__file__).parent / "weights" / "glyphs.json"
SURE = 0.998  # probability from which a reading teaches; what is less sure is held against what was taught
MOST_DOUBTFUL = 200  # strips in doubt kept a gauge
DEPTH = 32.0  # grey levels of a kept strip for one standard deviation
CONSIDERED, FAINT = 4, 2e-3  # candidates compared, and the probability that they must have
LEAST_LOOK = 0.02  # a candidate must have this probability by itself to be chosen over the first
KEEP = 0.9  # probability, characters compared, that a reading accepted at once must keep
LOOSE = 2  # inked columns side by side that may belong to no character
SPREAD, UNTAUGHT = 0.01, 0.05  # doubt that each character has beside what the network shows, and one that was never taught
UNDOUBTED, LIKE, UNLIKE = 0.05, 10.0, 0.25  # doubt of a character below which it is plain; how much likelier the middle one of these must be; share that may be unlike
LEAST, LEAST_USUAL, MOST_USUAL = 0.003, 0.015, 0.2  # bounds of unlikeness in the evidence
LEAST_SHOWN = 2  # certain readings that must show a character
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


class GlyphMemory:
    """Strips of some read-outs of a flight.

    Attributes
    ----------
    strips : dict of (int, str) to ndarray, (HEIGHT, width), uint8
        By the screenshot's place and the gauge's name.
    """

    def __init__(self) -> None:
        self.strips: dict[tuple[int, str], np.ndarray] = {}
        self._taught: defaultdict[str, Counter] = defaultdict(Counter)
        self._doubtful: Counter = Counter()

    def keep(self, row: int, gauge: str, crop: "np.ndarray", look: Seen) -> None:
        """Keep the strip of one look where it is in doubt, or shows characters that were seen too rarely yet."""
        import numpy as np

        if self._wanted(gauge, look):
            self.strips[row, gauge] = np.clip(to_strip(crop) * DEPTH + 128, 0, 255).astype(np.uint8)

    def written(self, row: int, gauges: Iterable[str]) -> dict[str, str]:
        """The strips of one screenshot as text, by the gauge's name."""
        here = {gauge: self.strips[row, gauge] for gauge in gauges if (row, gauge) in self.strips}
        return {gauge: b64encode(load_opencv().imencode(".png", strip)[1].tobytes()).decode() for gauge, strip in here.items()}

    def take_up(self, row: int, gauge: str, written: str, look: Seen) -> None:
        """Keep a strip that :meth:`written` gave; ValueError where it is none."""
        import numpy as np

        data = np.frombuffer(b64decode(written, validate=True), np.uint8)
        strip = load_opencv().imdecode(data, 0) if len(data) else None
        if strip is None or strip.shape[0] != HEIGHT:
            raise ValueError("this is no strip")
        if self._wanted(gauge, look):
            self.strips[row, gauge] = strip

    def _wanted(self, gauge: str, look: Seen) -> bool:
        if look.reading is not None or not look.texts:
            return False
        if first_guess(look) < SURE or UNREADABLE in look.raw + look.glanced:
            self._doubtful[gauge] += 1
            return self._doubtful[gauge] <= MOST_DOUBTFUL
        letters = look.texts[0][0].replace(" ", "")
        if all(self._taught[gauge][letter] >= EXAMPLES for letter in letters):
            return False
        self._taught[gauge].update(letters)
        return True

    def weighed(self, readings: dict[tuple[int, str], GaugeReading], gauges: dict[str, "Gauge"]) -> dict[tuple[int, str], GaugeReading]:
        """The readings that change when their characters are held against those read for certain; all by (screenshot's place, gauge's name)."""
        asked = [key for key in self.strips if key in readings and _in_question(readings[key])]
        if not any(readings[key].doubt for key in asked):
            return {}  # a font that is read without a doubt anywhere needs no second look
        sure = [key for key in self.strips if key in readings and _accepted(readings[key]) and not _in_question(readings[key])]
        doubtful = self._lines(asked, DEEP, readings, gauges)
        lines = {**self._lines(sure, QUICK, readings, gauges), **doubtful}
        rows: dict[str, list] = {}
        for (_, gauge), line in lines.items():
            rows.setdefault(gauge, []).append(line.rows)
        usual = {gauge: usual_rows(found) for gauge, found in rows.items()}
        taught: defaultdict[str, Examples] = defaultdict(Examples)
        for row, gauge in sure:
            if taught[gauge].lacks(readings[row, gauge].best.text):
                taught[gauge].learn(*lines[row, gauge].evened(usual[gauge], lines[row, gauge].glyphs), row)
        believed = trusted((reading.best.text for reading in readings.values() if _accepted(reading)), (line.glyphs for line in doubtful.values()))
        every = {name: reliable(examples).only(believed) for name, examples in taught.items() if examples.letters}
        shapes = {name: pooled(name, every) for name in {gauge for _, gauge in asked} if every}
        changed = {}
        for (row, gauge), line in doubtful.items():
            if gauge in shapes and len(shapes[gauge].letters):
                reading = _reweighed(readings[row, gauge], _Comparison(line, usual[gauge], shapes[gauge]))
                if reading is not None:
                    changed[row, gauge] = reading
        return changed

    def _lines(self, keys: list[tuple[int, str]], network: str, readings, gauges) -> dict[tuple[int, str], _Line]:
        """What the strips of some readings show, by a network."""
        strips = [_normal(self.strips[key]) for key in keys]
        found = {}
        for key, strip, shares in zip(keys, strips, shares_of(strips, network)):
            shares = folded(shares, _shown(gauges[key[1]]))
            glyphs = placed(shares, readings[key].best.text)
            found[key] = _Line(strip, shares, glyphs, rows_of(strip, glyphs))
        return found


def trusted(certain: Iterable[str], doubtful: Iterable[Sequence[Glyph]]) -> set[str]:
    """Characters that at least as many readings show for certain as others show in doubt: of a font in which a 4 may be a 9 the few nines that seem certain
    may be fours. ``certain``: texts; ``doubtful``: characters of readings in doubt."""
    shown = Counter(letter for text in certain for letter in set(text))
    doubted = Counter(letter for glyphs in doubtful for letter in {glyph.character for glyph in glyphs if glyph.doubt > UNDOUBTED})
    return {letter for letter, count in shown.items() if count >= max(LEAST_SHOWN, doubted[letter])}


@dataclass(frozen=True)
class _Line:
    """A strip: what a network makes of its columns, the characters of the likeliest text, and between which rows figures stand."""

    strip: np.ndarray
    shares: np.ndarray
    glyphs: tuple[Glyph, ...]
    rows: Rows | None

    def evened(self, usual: Rows | None, glyphs: tuple[Glyph, ...]) -> tuple[np.ndarray, tuple[Glyph, ...]]:
        """The strip and characters in it at the size at which all are compared; ``usual``: the rows of the gauge's figures."""
        rows = self.rows if self.rows and not (usual and usual.near(self.rows)) else usual
        return (evened(self.strip, rows), scaled(glyphs, rows.scale)) if rows else (self.strip, glyphs)


def _normal(strip: "np.ndarray") -> "np.ndarray":
    import numpy as np

    return (strip.astype(np.float32) - 128) / DEPTH


def _shown(gauge: "Gauge") -> frozenset[str]:
    return compile_pattern(gauge.grammar.pattern(), ALPHABET).shown


def _accepted(reading: GaugeReading) -> bool:
    return bool(reading.candidates) and not reading.doubt and reading.candidates[0].probability >= ACCEPT


def _in_question(reading: GaugeReading) -> bool:
    return bool(reading.candidates) and (bool(reading.doubt) or reading.candidates[0].probability < SURE)


class _Comparison:
    """The texts that one strip may show against what was taught."""

    def __init__(self, line: _Line, usual: Rows | None, shapes: Shapes):
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


def _reweighed(reading: GaugeReading, compared: _Comparison) -> GaugeReading | None:
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
