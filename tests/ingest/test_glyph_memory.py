"""Doubtful readings held against how their gauge drew the same characters in certain ones."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw

sys.path.insert(0, str(Path(__file__).resolve().parent))
from drawn_panel import draw_panel, font, seen_from, texts_at, write_panel  # noqa: E402

from analyser.ingest import screenshots  # noqa: E402
from analyser.ingest.glyph_evidence import likelihood, times_likelier  # noqa: E402
from analyser.ingest.glyph_memory import MOST_DOUBTFUL, GlyphMemory, trusted  # noqa: E402
from analyser.ingest.glyph_shapes import EXAMPLES  # noqa: E402
from analyser.ingest.glyphs import ASIDE, FIGURE, Glyph, evened, placed, rows_of, scaled  # noqa: E402
from analyser.ingest.panel import Gauge  # noqa: E402
from analyser.ingest.recogniser import score, to_strip  # noqa: E402
from analyser.ingest.readout import ACCEPT, Candidate, GaugeReading, Seen, unsure  # noqa: E402

CORNERS = ((0, 0), (1, 0), (1, 1), (0, 1))
GAUGES = {name: Gauge(name, "readout", ("speed",), CORNERS) for name in ("pace", "other")}
TAUGHT = ("40.19", "27.43", "85.16", "93.70", "61.28", "35.94", "78.05", "10.47", "29.86", "56.32", "24.91", "67.03", "98.15")


def crop(text: str, seed: int, face: str = "DejaVuSansMono", noise: float = 3.0, size: int = 30) -> np.ndarray:
    """A read-out, seen a little otherwise for every seed."""
    dice = np.random.default_rng(seed)
    image = Image.new("L", (190, 46), 12)
    ImageDraw.Draw(image).text((24 + dice.uniform(-1, 1), 5 + dice.uniform(-1, 1)), text, font=font(face, size), fill=210)
    picture = cv2.GaussianBlur(np.asarray(image, np.float32), (0, 0), dice.uniform(0.4, 0.8))
    return np.clip(picture + dice.normal(0, noise, picture.shape), 0, 255).astype(np.uint8)


def read_for_certain(text: str) -> GaugeReading:
    return GaugeReading((Candidate(text, float(text), 0.01, 0.9999),), "", text)


def in_doubt(*texts: tuple[str, float]) -> GaugeReading:
    candidates = tuple(Candidate(text, float(text), 0.01, probability) for text, probability in texts)
    return GaugeReading(candidates, unsure(texts[0][1]), texts[0][0])


class Flight:
    """Looks at gauges and what was made of them."""

    def __init__(self, taught=TAUGHT, labels=None, face: str = "DejaVuSansMono", gauge: str = "pace"):
        self.memory, self.readings, self.looks = GlyphMemory(), {}, {}
        for text, label in zip(taught, labels or taught):
            self.look(crop(text, len(self.readings), face), read_for_certain(label), gauge)

    def look(self, picture: np.ndarray, reading: GaugeReading, gauge: str = "pace") -> tuple[int, str]:
        """Add one look; where it stands."""
        key = (len(self.readings), gauge)
        sure = not reading.doubt and reading.best.probability > 0.999
        texts = tuple((each.text, each.probability) for each in reading.candidates)
        self.looks[key] = Seen(texts, reading.raw, reading.raw, 1e-6 if sure else 0.5, deep=False)
        self.memory.keep(*key, picture, self.looks[key])
        self.readings[key] = reading
        return key

    def weighed(self, picture: np.ndarray, reading: GaugeReading, gauge: str = "pace") -> GaugeReading:
        """What becomes of one more look."""
        key = self.look(picture, reading, gauge)
        return self.memory.weighed(self.readings, GAUGES).get(key, reading)


@pytest.fixture(scope="module")
def flight():
    return Flight()


def test_a_doubtful_reading_whose_characters_look_as_they_should_is_certain(flight):
    reading = flight.weighed(crop("47.36", 90), in_doubt(("47.36", 0.97), ("41.36", 0.02)))
    assert not reading.doubt and reading.best.text == "47.36" and reading.best.probability > 0.998
    assert "look like" in reading.reason and "97.0%" in reading.reason and not reading.recovered
    assert sum(each.probability for each in reading.candidates) <= 1 + 1e-9


def test_another_candidate_is_chosen_where_the_characters_are_its_own(flight):
    reading = flight.weighed(crop("47.36", 91), in_doubt(("41.36", 0.50), ("47.36", 0.499)))
    assert not reading.doubt and reading.recovered and reading.best.text == "47.36"
    assert "'47.36'" in reading.reason and reading.raw == "41.36"
    wrong = flight.weighed(crop("47.36", 92), in_doubt(("41.36", 0.97), ("47.36", 0.001)))
    assert wrong.doubt and wrong.best.probability < 0.9  # too unlikely by itself to be chosen: nothing is certain then


def test_what_was_never_taught_gains_nothing():
    flight = Flight([text for text in TAUGHT if "7" not in text])
    for seed, text in enumerate(("47.36", "77.00")):
        reading = flight.weighed(crop(text, 93 + seed), in_doubt((text, 0.97)))
        assert reading.doubt and reading.best.probability < 0.99
    assert not flight.weighed(crop("46.31", 94), in_doubt(("46.31", 0.97))).doubt  # all of these were


def test_a_character_that_is_doubted_more_often_than_certain_teaches_nothing():
    doubted = [(Glyph("9", 20, 8, 0.3), Glyph("4", 40, 8, 0.001))] * 3
    assert trusted(["94", "49.1", "1"], doubted) == {"4", "1"}
    assert trusted(["94", "49.1", "9"], doubted) == {"4", "9"}


def test_labels_that_were_mixed_up_support_nothing():
    swap = str.maketrans("49", "94")
    mixed = [text.translate(swap) if place % 2 else text for place, text in enumerate(TAUGHT)]
    flight = Flight(labels=mixed)
    for seed, (text, wrong) in enumerate((("49.36", "99.36"), ("94.36", "44.36"), ("24.31", "29.31"))):
        assert flight.weighed(crop(text, 200 + seed), in_doubt((wrong, 0.97), (text, 0.02))).doubt
        assert flight.weighed(crop(text, 210 + seed), in_doubt((text, 0.97), (wrong, 0.02))).doubt


def test_one_label_on_two_shapes_supports_neither():
    flight = Flight(labels=[text.replace("4", "9") for text in TAUGHT])
    for seed in range(3):
        assert flight.weighed(crop("84.36", 220 + seed), in_doubt(("89.36", 0.97), ("84.36", 0.02))).doubt


def test_a_text_that_leaves_ink_over_gains_nothing(flight):
    reading = flight.weighed(crop("47.36", 95), in_doubt(("4736", 0.97), ("47.36", 0.02)))
    assert reading.doubt and reading.best.probability < ACCEPT
    assert flight.weighed(crop("147.36", 96), in_doubt(("47.36", 0.97))).doubt


def test_a_reading_accepted_at_once_that_looks_like_another_is_doubtful(flight):
    flight.look(crop("88.88", 97), in_doubt(("88.88", 0.9)))
    silent = GaugeReading((Candidate("41.36", 41.36, 0.01, 0.9965),), "", "41.36")
    assert "'41.36'" in flight.weighed(crop("47.36", 98), silent).doubt
    right = GaugeReading((Candidate("47.36", 47.36, 0.01, 0.9965),), "", "47.36")
    assert not flight.weighed(crop("47.36", 99), right).doubt


def test_gauges_teach_each_other_only_where_they_write_alike():
    few = ("40.19", "18.90", "91.04")  # no 7, no 3, no 6
    for face, certain in (("DejaVuSansMono", True), ("cmtt10", False)):
        flight = Flight()
        for place, text in enumerate(few):
            flight.look(crop(text, 300 + place, face), read_for_certain(text), "other")
        reading = flight.weighed(crop("47.36", 310, face), in_doubt(("47.36", 0.97), ("41.36", 0.02)), "other")
        assert (not reading.doubt) == certain


def test_gauges_teach_each_other_in_any_size():
    flight = Flight()
    for place, text in enumerate(("40.19", "18.90", "91.04")):
        flight.look(crop(text, 320 + place, size=22), read_for_certain(text), "other")
    assert not flight.weighed(crop("47.36", 330, size=22), in_doubt(("47.36", 0.97), ("41.36", 0.02)), "other").doubt


def test_figures_are_found_and_made_of_one_height():
    for size in (18, 24, 30):
        strip = to_strip(crop("47.36", 5, size=size))
        glyphs = placed(np.exp(score([crop("47.36", 5, size=size)])[0]), "47.36")
        assert "".join(glyph.character for glyph in glyphs) == "47.36"
        rows = rows_of(strip, glyphs)
        assert rows.bottom - rows.top == pytest.approx(size * 0.729 * 32 / 46, abs=1.6)  # the font's figures are 0.729 of its size high
        even, there = evened(strip, rows), scaled(glyphs, rows.scale)
        again = rows_of(even, there)
        assert again.bottom - again.top == pytest.approx(FIGURE, abs=1.5) and (again.top + again.bottom) / 2 == pytest.approx(16, abs=0.8)
        centres, places = [glyph.centre for glyph in there], np.arange(5)
        assert np.abs(centres - np.polyval(np.polyfit(places, centres, 1), places)).max() <= ASIDE  # one width for all, found as nearly as shifts make up for
    assert rows_of(strip, placed(np.exp(score([crop("47.36", 5)])[0]), "-")) is None  # no figure in it
    assert placed(np.full((3, 77), 1 / 77), "12345") == () and placed(np.full((30, 77), 1 / 77), "µ") == ()


def test_memory_is_bounded_and_teaching_soon_stops():
    memory = GlyphMemory()
    picture = crop("47.36", 1)
    dice = np.random.default_rng(2)
    for row in range(600):
        text = f"{dice.uniform(10, 99):.2f}"
        memory.keep(row, "pace", picture, Seen(((text, 1.0),), text, text, 1e-6, deep=False))
    assert len(memory.strips) <= 11 * EXAMPLES
    for row in range(600, 1200):
        memory.keep(row, "pace", picture, Seen((("47.36", 0.5),), "47.36", "47.36", 0.5, deep=False))
    assert len(memory.strips) <= 11 * EXAMPLES + MOST_DOUBTFUL


def test_strips_are_written_and_taken_up_again(flight):
    again = GlyphMemory()
    for row, gauge in flight.memory.strips:
        for name, text in flight.memory.written(row, GAUGES).items():
            again.take_up(row, name, text, flight.looks[row, gauge])
    assert list(again.strips) == list(flight.memory.strips) and len(again.strips) > 5
    assert all(np.array_equal(again.strips[key], strip) for key, strip in flight.memory.strips.items())
    assert again.weighed(flight.readings, GAUGES) == flight.memory.weighed(flight.readings, GAUGES)
    for damaged in ("", "%%%", "AAAA"):
        with pytest.raises(ValueError):
            again.take_up(0, "pace", damaged, Seen((("1", 0.5),), "1", "1", 0.5, deep=False))


def test_the_ratio_is_capped_and_goes_with_the_likeness():
    for letter, kind in (("4", "figures"), (".", "marks")):
        most = likelihood()[kind]["most"]
        assert times_likelier(letter, 0.0, 1.0, 0.05) == pytest.approx(most)
        assert times_likelier(letter, 1.0, 0.001, 0.05) == pytest.approx(1 / most if kind == "figures" else 1.0)
        ratios = [times_likelier(letter, own, 0.3, 0.05) for own in (0.02, 0.05, 0.1, 0.2, 0.4)]
        assert ratios == sorted(ratios, reverse=True)


def test_screenshots_say_when_the_characters_made_a_reading_certain(tmp_path, monkeypatch):
    panel = write_panel(tmp_path)
    files = []
    for step in range(8):
        files.append(tmp_path / f"{step}.png")
        cv2.imwrite(str(files[-1]), seen_from(draw_panel(texts_at(step)), step, 4.0))

    def less_sure(gauge, look, mark):
        reading = plain(gauge, look, mark)
        if gauge.name == "tank" and reading.best and reading.best.text == texts_at(5)["tank"]:
            return replace(reading, candidates=(replace(reading.best, probability=0.98),), doubt=unsure(0.98))
        return reading

    plain = screenshots.interpret
    monkeypatch.setattr(screenshots, "interpret", less_sure)
    keep = GlyphMemory.keep
    monkeypatch.setattr(GlyphMemory, "keep", lambda self, row, gauge, picture, look: keep(
        self, row, gauge, picture, replace(look, risk=0.5, deep=False) if (row, gauge) == (5, "tank") else look
    ))  # fmt: skip
    detail = screenshots.read_screenshots(panel, files).detail.set_index(["row", "gauge"])
    asked = detail.loc[(5, "tank")]
    assert asked["status"] == "read" and asked["value"] == float(texts_at(5)["tank"])
    assert "look like those" in asked["reason"]
