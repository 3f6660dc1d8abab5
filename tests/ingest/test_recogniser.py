"""Our recogniser on a small committed set of crops, in fonts that it was never trained on (tests/panels/make_crops.py)."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import folded, glance, glances
from analyser.ingest.grammar import Grammar
from analyser.ingest.ocr import Line
from analyser.ingest.panel import Gauge
from analyser.ingest.readout import ACCEPT, Seen, interpret, see_readouts
from analyser.ingest.recogniser import ALPHABET, HEIGHT, STEP, WEIGHTS, recognise, score, search, to_strip
from analyser.ingest.training.calibrate import GRAMMARS

CROPS = Path(__file__).resolve().parent.parent / "panels" / "crops.npz"


def crops(level: str):
    """(crop, text, grammar) of the committed set."""
    with np.load(CROPS) as stored:
        pixels, shapes, texts, kinds, levels = (stored[name] for name in ("pixels", "shapes", "texts", "kinds", "levels"))
    starts = np.concatenate([[0], np.cumsum(shapes.prod(axis=1))])
    for index in np.flatnonzero(levels == level):
        yield pixels[starts[index] : starts[index + 1]].reshape(shapes[index]), str(texts[index]), GRAMMARS[kinds[index]]


@pytest.fixture(scope="module", params=["mild", "hard"])
def read(request):
    """(level, [(text, truth, first value, probability)])."""
    groups: dict = {}
    for crop, text, grammar in crops(request.param):
        groups.setdefault(grammar, []).append((crop, text))
    results = []
    for grammar, members in groups.items():
        gauge = _Shows(grammar)
        for (_, text), seen in zip(members, see_readouts(gauge, [crop for crop, _ in members])):
            reading = interpret(gauge, seen, ".")
            (truth,) = grammar.parse(text, ".")
            best = reading.best
            results.append((text, truth.value, best.value if best else math.nan, best.probability if best else 0.0, reading.doubt))
    return request.param, results


class _Shows(Gauge):
    """A read-out with a grammar given outright."""

    def __init__(self, grammar):
        super().__init__("under test", "readout", ("altitude",), ((0, 0), (1, 0), (1, 1), (0, 1)))
        object.__setattr__(self, "_grammar", grammar)

    @property
    def grammar(self):
        return self._grammar


def test_most_are_read_and_none_is_wrong_without_saying_so(read):
    level, results = read
    right = sum(math.isclose(truth, value) for _, truth, value, _, _ in results) / len(results)
    accepted = [row for row in results if not row[4]]
    wrong = [row for row in accepted if not math.isclose(row[1], row[2])]
    assert not wrong
    assert right > {"mild": 0.95, "hard": 0.93}[level]
    assert len(accepted) / len(results) > {"mild": 0.80, "hard": 0.70}[level]


def test_probabilities_are_honest(read):
    """Of the values said to be less than sure, about as many are right as said: at least what a binomial spread allows."""
    _, results = read
    said = np.array([probability for *_, probability, _ in results])
    right = np.array([math.isclose(truth, value) for _, truth, value, _, _ in results])
    spread = math.sqrt((said * (1 - said)).sum())
    assert abs(right.sum() - said.sum()) < 3.5 * spread + 2


def test_the_search_only_gives_texts_of_the_grammar():
    grammar = GRAMMARS[3]
    automaton = compile_pattern(grammar.pattern("."), ALPHABET)
    found = recognise([crop for crop, _, each in crops("hard") if each is grammar][:10], automaton)
    assert found and all(grammar.parse(each.text, ".") for one in found for each in one.spellings)
    assert all(0 <= one.risk <= 1 for one in found)


def test_the_search_adds_up_every_path_of_a_text():
    """Against brute force: all paths of three columns over a short alphabet."""
    from itertools import product

    dice = np.random.default_rng(1)
    letters = "12."
    logs = np.full((4, len(ALPHABET) + 2), -50.0)
    classes = [0, *(ALPHABET.index(letter) + 1 for letter in letters)]
    logs[:, classes] = np.log(dice.dirichlet(np.ones(4), size=4))
    sums: dict[str, float] = {}
    for path in product(range(4), repeat=4):
        text = "".join(letters[c - 1] for i, c in enumerate(path) if c and (i == 0 or c != path[i - 1]))
        sums[text] = sums.get(text, 0) + math.exp(sum(logs[i, classes[c]] for i, c in enumerate(path)))
    automaton = compile_pattern(r"\d+(\.\d+)?", ALPHABET)
    found = {each.text: math.exp(each.weight) for each in search(logs, automaton, width=500)}
    expected = {text: share for text, share in sums.items() if automaton.accepts(text)}
    assert set(found) == set(expected)
    assert all(found[text] == pytest.approx(expected[text], rel=1e-6) for text in expected)


def test_scores_are_probabilities_whatever_the_size_of_the_crop():
    dice = np.random.default_rng(2)
    for shape in ((9, 200), (60, 20), (33, 144), (500, 30)):
        crop = dice.integers(0, 255, shape).astype(np.uint8)
        assert to_strip(crop).shape[0] == HEIGHT and to_strip(crop).shape[1] % STEP == 0
        (logs,) = score([crop])
        assert np.allclose(np.exp(logs).sum(axis=1), 1)


def test_noise_and_blank_glass_are_never_accepted():
    dice = np.random.default_rng(3)
    gauge = _Shows(GRAMMARS[1])
    blanks = [np.full((34, 140), level, np.uint8) for level in (0, 12, 130, 255)]
    noise = [np.clip(dice.normal(100, 30, (34, 140)), 0, 255).astype(np.uint8) for _ in range(20)]
    faint = [np.clip(dice.normal(30, 2, (34, 140)), 0, 255).astype(np.uint8) for _ in range(20)]
    for seen in see_readouts(gauge, blanks + noise + faint):
        reading = interpret(gauge, seen, ".")
        assert reading.doubt, reading.best
    assert ACCEPT >= 0.99


def test_the_weights_are_small():
    assert sum(path.stat().st_size for path in WEIGHTS.glob("*.onnx")) < 4_000_000


def test_a_glance_says_how_risky_it_is():
    """Columns as a network would give them: sure, unsure of a character, and of whether there is one at all."""
    def columns(*shares: dict[str, float]) -> np.ndarray:
        logs = np.full((len(shares), len(ALPHABET) + 2), 1e-9)
        for row, share in zip(logs, shares):
            for letter, part in share.items():
                row[ALPHABET.index(letter) + 1 if letter else 0] = part
        return logs / logs.sum(axis=1, keepdims=True)

    blank = {"": 1.0}
    text, risk = glance(columns(blank, {"1": 1.0}, {"1": 0.5, "": 0.5}, blank, {"2": 1.0}, blank))
    assert text == "12" and risk < 1e-6  # where a character ends does not matter
    text, risk = glance(columns(blank, {"1": 0.9, "7": 0.1}, blank, {"2": 1.0}))
    assert text == "12" and 0.099 < risk < 0.2  # at most twice what it is
    text, risk = glance(columns({"1": 1.0}, {"": 0.7, ".": 0.3}, {"2": 1.0}))
    assert text == "12" and 0.25 < risk < 0.4
    text, risk = glance(columns({"1": 1.0}, {"": 0.6, "1": 0.4}, {"1": 1.0}))
    assert text == "11" and risk > 0.3  # one or two
    text, risk = glance(columns({"5": 1.0}, {"": 0.5, " ": 0.5}, {"m": 1.0}))
    assert text in ("5m", "5 m") and risk < 1e-6
    text, risk = glance(columns({"5": 1.0}, {"": 0.5, " ": 0.5}, {"6": 1.0}))
    assert risk > 0.3  # between digits a space may tell days from hours
    text, risk = glance(columns({"4": 1.0}, {".": 0.6, ",": 0.4}, {"1": 1.0}))
    assert text == "4.1" and risk < 1e-6  # either mark means the same here
    text, risk = glance(columns({"4": 1.0}, {".": 0.6, ",": 0.4}, {"1": 1.0}, blank, {"2": 1.0}, blank, {"7": 1.0}))
    assert risk > 0.3  # but not where it may part thousands


def test_glances_at_many_are_those_at_each():
    """No crop's characters count for its neighbour's, not even the same ones side by side."""
    dice = np.random.default_rng(5)
    texts = ["11", "1", "1.250", "", "0 14:05:59", "-7,5 km", "8"]
    many = [columns_of(text) if text else np.eye(len(ALPHABET) + 2, dtype=np.float32)[[0, 0, 0]] for text in texts]
    for shares in many:
        shares += dice.uniform(0, 0.002, shares.shape).astype(np.float32)
        shares /= shares.sum(axis=1, keepdims=True)
    alone, together = [glance(shares) for shares in many], glances(many)
    assert [text for text, _ in together] == texts == [text for text, _ in alone]
    assert [risk for _, risk in together] == pytest.approx([risk for _, risk in alone], rel=1e-5)
    assert together[3][1] == 1.0 and 0.1 < together[0][1] < 0.99 and glances([]) == []


@pytest.mark.parametrize("raw, glanced", [("55 km", "55?km"), ("55? km", "55 km")])
def test_what_either_network_sees_covered_is_never_believed_by_itself(raw, glanced):
    gauge = _Shows(GRAMMARS[3])
    sure = Seen((("55 km", 0.9999),), "55 km", "55 km", 1e-4)
    assert interpret(gauge, sure, ".").doubt == ""
    covered = interpret(gauge, replace(sure, raw=raw, glanced=glanced), ".")
    assert covered.best.value == 55e3 and "covered" in covered.doubt


def test_letters_that_a_gauge_does_not_show_count_as_those_alike():
    """A kilometre read as "kn", a south read as "s"; but what is mostly strange letters is left as it was seen."""
    kilometres = compile_pattern(GRAMMARS[3].pattern("."), ALPHABET).shown
    south = compile_pattern(Grammar(sides="NS").pattern("."), ALPHABET).shown
    assert read_off("12.5 kn", kilometres) == "12.5 km" and read_off("1O.5 km", kilometres) == "10.5 km"
    assert read_off("12.5s", south) == "12.5S" and read_off("l2.5 S", south) == "12.5 S"
    assert read_off("SEnSOr", kilometres) == "SEnSOr"
    shares = columns_of("12.5 kn")
    assert np.allclose(folded(shares, kilometres).sum(axis=1), shares.sum(axis=1), atol=1e-6)  # nothing is lost or made


def columns_of(text: str) -> np.ndarray:
    """Columns that spell a text, a blank after each character."""
    shares = np.full((2 * len(text), len(ALPHABET) + 2), 1e-6, np.float32)
    shares[1::2, 0] = 1
    for place, letter in enumerate(text):
        shares[2 * place, ALPHABET.index(letter) + 1] = 1
    return shares / shares.sum(axis=1, keepdims=True)


def read_off(text: str, shown: frozenset[str]) -> str:
    return glance(folded(columns_of(text), shown))[0]


def test_bare_glass_beside_a_number_is_left_out_and_nothing_of_the_number():
    glass = np.full((32, 320), 20, np.uint8)
    glass[8:24, 200:204], glass[8:24, 214:218] = 220, 90  # a bright stroke and a dull one
    glass[:, 0], glass[:, -1] = 110, 110  # the bezel
    strip = to_strip(glass)
    assert strip.shape[1] < 80
    inked = np.flatnonzero(np.ptp(strip[4:28, 4:-4], axis=0) > 0.2) + 4
    assert len(inked) == 8 and 8 <= inked[0] and inked[-1] < strip.shape[1] - 8
    glass[20:22, 40] = 60  # a faint dot far from them: everything from there on is kept
    assert to_strip(glass).shape[1] >= 180


def test_dashes_need_no_second_look():
    automaton = compile_pattern(GRAMMARS[1].pattern("."), ALPHABET)
    dashes = np.full((34, 140), 15, np.uint8)
    for left in (40, 60, 80, 100):
        dashes[16:19, left : left + 12] = 210
    (found,) = recognise([dashes], automaton)
    assert not found.deep and not found.spellings and set(found.raw) == {"-"}
    assert interpret(_Shows(GRAMMARS[1]), see_readouts(_Shows(GRAMMARS[1]), [dashes])[0], ".").doubt == ""


def test_a_comma_seen_where_the_panel_writes_points_is_no_other_value():
    gauge = _Shows(GRAMMARS[1])
    reading = interpret(gauge, Seen((("41,4", 0.5), ("41.4", 0.499)), "41,4", "41,4", 0.3), ".")
    assert reading.best.value == 41.4 and len(reading.candidates) == 1 and not reading.doubt
    assert interpret(gauge, Seen((("1,414", 0.6), ("1.414", 0.399)), "1,414", "1,414", 0.3), ".").doubt  # thousands or decimals


def test_the_same_crop_is_read_once_and_given_to_all():
    crop = next(crops("mild"))
    automaton = compile_pattern(crop[2].pattern("."), ALPHABET)
    one, other, again = recognise([crop[0], 255 - crop[0], crop[0].copy()], automaton)
    assert one == again and one is again


def test_a_second_reader_that_contradicts_changes_no_order():
    gauge = _Shows(GRAMMARS[1])
    look = Seen((("125.27", 0.6), ("425.27", 0.38)), "125.27", "125.27", 0.3)
    alone = interpret(gauge, look, ".")
    against = interpret(gauge, replace(look, second=Line("425.27", 0.95)), ".")
    assert against.best.value == alone.best.value == 125.27 and "disagree" in against.doubt
    along = interpret(gauge, replace(look, second=Line("125.27", 0.95)), ".")
    assert along.best.probability > alone.best.probability
