"""The flight's own glyphs: a reading that is not certain, held against how its gauge drew the same characters in readings that are.

A gauge writes in one font all flight long. While looks stream in, the strips of some certain readings are kept, enough to show each
character a few times, and the strips of those that are in doubt. At the end the characters of what may stand in a strip are compared with the
certain ones, picture with picture, which owes nothing to what the networks make of a font. Memory: at most MOST_DOUBTFUL strips in doubt and
a few dozen certain ones a gauge, of about 6 kB each.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import ALPHABET, UNREADABLE, folded
from analyser.ingest.glyph_evidence import UNDOUBTED, Comparison, Line, reweighed
from analyser.ingest.glyph_shapes import EXAMPLES, Examples, pooled, reliable, usual_rows
from analyser.ingest.glyphs import Glyph, placed, rows_of
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import ACCEPT, GaugeReading, Seen, first_guess
from analyser.ingest.recogniser import DEEP, HEIGHT, QUICK, shares_of, to_strip

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

SURE = 0.998  # probability from which a reading teaches; what is less sure is held against what was taught
MOST_DOUBTFUL = 200  # strips in doubt kept a gauge
DEPTH = 32.0  # grey levels of a kept strip for one standard deviation
LEAST_SHOWN = 2  # certain readings that must show a character


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
                reading = reweighed(readings[row, gauge], Comparison(line, usual[gauge], shapes[gauge]))
                if reading is not None:
                    changed[row, gauge] = reading
        return changed

    def _lines(self, keys: list[tuple[int, str]], network: str, readings, gauges) -> dict[tuple[int, str], Line]:
        """What the strips of some readings show, by a network."""
        strips = [_normal(self.strips[key]) for key in keys]
        found = {}
        for key, strip, shares in zip(keys, strips, shares_of(strips, network)):
            shares = folded(shares, _shown(gauges[key[1]]))
            glyphs = placed(shares, readings[key].best.text)
            found[key] = Line(strip, shares, glyphs, rows_of(strip, glyphs))
        return found


def trusted(certain: Iterable[str], doubtful: Iterable[Sequence[Glyph]]) -> set[str]:
    """Characters that at least as many readings show for certain as others show in doubt: of a font in which a 4 may be a 9 the few nines that seem certain
    may be fours. ``certain``: texts; ``doubtful``: characters of readings in doubt."""
    shown = Counter(letter for text in certain for letter in set(text))
    doubted = Counter(letter for glyphs in doubtful for letter in {glyph.character for glyph in glyphs if glyph.doubt > UNDOUBTED})
    return {letter for letter, count in shown.items() if count >= max(LEAST_SHOWN, doubted[letter])}


def _normal(strip: "np.ndarray") -> "np.ndarray":
    import numpy as np

    return (strip.astype(np.float32) - 128) / DEPTH


def _shown(gauge: "Gauge") -> frozenset[str]:
    return compile_pattern(gauge.grammar.pattern(), ALPHABET).shown


def _accepted(reading: GaugeReading) -> bool:
    return bool(reading.candidates) and not reading.doubt and reading.candidates[0].probability >= ACCEPT


def _in_question(reading: GaugeReading) -> bool:
    return bool(reading.candidates) and (bool(reading.doubt) or reading.candidates[0].probability < SURE)
