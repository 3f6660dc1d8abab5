"""Several looks at one strip: what the others see, how texts' probabilities add up, and that only doubtful crops are looked at again."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

from analyser.ingest import recogniser
from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import ALPHABET, CLASSES, Spelling
from analyser.ingest.looks import doubtful, joined, otherwise, probabilities

LETTERS = "12."


def columns(dice: np.random.Generator, count: int) -> np.ndarray:
    """Columns that show the blank or one of LETTERS, some of them the blank for sure."""
    shares = np.zeros((count, CLASSES))
    shares[:, [0, *(ALPHABET.index(letter) + 1 for letter in LETTERS)]] = dice.dirichlet(np.ones(len(LETTERS) + 1), size=count)
    return shares


def sums_by_text(shares: np.ndarray) -> dict[str, float]:
    """Every path of the columns, by brute force."""
    classes = [0, *(ALPHABET.index(letter) + 1 for letter in LETTERS)]
    sums: dict[str, float] = {}
    for path in product(range(len(classes)), repeat=len(shares)):
        text = "".join(LETTERS[c - 1] for i, c in enumerate(path) if c and (i == 0 or c != path[i - 1]))
        sums[text] = sums.get(text, 0.0) + math.prod(shares[column, classes[c]] for column, c in enumerate(path))
    return sums


def test_a_texts_probability_is_the_sum_of_all_its_paths():
    dice = np.random.default_rng(1)
    looks = np.stack([columns(dice, 5), columns(dice, 5)])
    texts = ["1", "11", "12", "1.2", "2.", "2121", "11.2"]
    expected = [[sums_by_text(look).get(text, 0.0) for text in texts] for look in looks]
    assert probabilities(looks, texts) == pytest.approx(np.array(expected), rel=1e-9)


def test_columns_that_are_blank_for_sure_part_characters_and_change_nothing_else():
    dice = np.random.default_rng(2)
    sure = np.zeros((4, CLASSES))
    sure[:, 0] = 1.0
    inked = columns(dice, 4)
    gapped = np.concatenate([sure[:1], inked[:2], sure, inked[2:], sure[:2]])
    texts = ["1", "11", "12", "1.2"]
    expected = [sums_by_text(np.concatenate([inked[:2], sure[:1], inked[2:]])).get(text, 0.0) for text in texts]
    assert probabilities(gapped[None], texts)[0] == pytest.approx(expected, rel=1e-9)


def test_what_all_looks_say_is_the_mean_and_what_only_another_sees_is_in_it():
    automaton = compile_pattern(r"\d+", ALPHABET)
    one, other = np.full((2, 3, CLASSES), 1e-9)
    for shares, letters in ((one, {"1": 0.8, "7": 0.2}), (other, {"2": 0.9, "1": 0.1})):
        shares[::2, 0] = 1.0
        for letter, share in letters.items():
            shares[1, ALPHABET.index(letter) + 1] = share
    found = joined([one, other], [Spelling("1", math.log(0.8)), Spelling("7", math.log(0.2))], automaton)
    assert [each.text for each in found] == ["1", "2", "7"] or [each.text for each in found] == ["2", "1", "7"]
    assert {each.text: math.exp(each.weight) for each in found} == pytest.approx({"1": 0.45, "2": 0.45, "7": 0.1}, abs=1e-3)
    letters = compile_pattern(r"[17]", ALPHABET)  # where the grammar has it
    assert {each.text for each in joined([one, other], [Spelling("1", math.log(0.8))], letters)} == {"1"}


def test_one_look_is_enough_where_a_text_is_sure_whatever_its_spaces():
    assert not doubtful([Spelling("5 km", math.log(0.6)), Spelling("5km", math.log(0.38))])
    assert doubtful([Spelling("5 km", math.log(0.6)), Spelling("6 km", math.log(0.38))])
    assert not doubtful([])  # nothing to choose from


def test_the_other_looks_keep_every_stroke_in_its_column():
    strip = np.full((32, 80), -0.5, np.float32)
    strip[8:24, 10:13], strip[8:24, 60:63] = 2.0, 2.0
    looks = otherwise(strip)
    assert len(looks) >= 2 and all(look.shape == strip.shape and look.dtype == np.float32 for look in looks)
    assert {bool(look[16].mean() * strip[16].mean() < 0) for look in looks} == {True, False}  # light on dark and dark on light
    for look in looks:
        ink = np.abs(look - look[16, 36]).mean(axis=0)
        for low, high in ((0, 36), (36, 80)):
            assert abs(np.average(np.arange(low, high), weights=ink[low:high]) - np.average(np.arange(low, high), weights=np.abs(strip + 0.5).mean(axis=0)[low:high])) < 1.6


def test_only_doubtful_strips_are_looked_at_again(monkeypatch):
    asked = []
    shares_of = recogniser.shares_of
    monkeypatch.setattr(recogniser, "shares_of", lambda strips, name: (asked.append((name, len(strips))), shares_of(strips, name))[1])
    dice = np.random.default_rng(3)
    crops = [np.clip(dice.normal(100, 30, (34, 140)), 0, 255).astype(np.uint8) for _ in range(6)]
    automaton = compile_pattern(r"\d+(\.\d+)?", ALPHABET)
    found = recogniser.recognise(crops, automaton, sure=2.0)
    unsure = sum(doubtful(each.spellings) for each in found)
    (quick, first), (deep, again), (others, more) = asked
    assert (quick, first, deep, again, others) == ("quick", 6, "deep", 6, "deep")
    assert more % 2 == 0 and more >= 2 * unsure
    asked.clear()
    monkeypatch.setattr(recogniser, "doubtful", lambda spellings: False)
    recogniser.recognise(crops, automaton, sure=2.0)
    assert [count for _, count in asked[2:]] in ([], [0])
