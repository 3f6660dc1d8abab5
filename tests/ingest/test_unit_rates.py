"""A unit on the glass that is not sure: what a look says of the figures alone, and what the vertical speed says of the unit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_recogniser import crops

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import CLASSES, UNREADABLE, WILD_CLASS, folded
from analyser.ingest.decode import decode
from analyser.ingest.grammar import WILD, Grammar
from analyser.ingest.panel import Gauge
from analyser.ingest.readout import ACCEPT, LEAST_UNIT, Candidate, GaugeReading, Seen, by_figures, figures_in
from analyser.ingest.recogniser import ALPHABET, recognise
from analyser.ingest.screenshots import Value
from analyser.ingest.unit_rates import weigh_units
from analyser.units import UNITS

SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
FACTORS = {"m": 1.0, "km": 1e3, "Mm": 1e6}
HEIGHT = Gauge("height", "readout", ("altitude",), SQUARE, units=tuple(FACTORS.items()))
RISE = Gauge("rise", "readout", ("vertical_speed",), SQUARE)
CLOCK = Gauge("clock", "readout", ("met",), SQUARE)


def look(row: int, gauge: Gauge, *candidates: tuple[str, float]) -> Value:
    made = tuple(
        Candidate(text, float(number) * FACTORS.get(unit, 1.0), FACTORS.get(unit, 1.0) * 10.0 ** -len(number.partition(".")[2]), probability, unit)
        for text, probability in candidates for number, _, unit in [text.partition(" ")]
    )  # fmt: skip
    doubt = "" if made[0].probability >= ACCEPT else "not sure"
    reading = GaugeReading(made, doubt, made[0].text)
    return Value(row, gauge, gauge.column, reading, (0, 0, 1, 1), "doubtful" if doubt else "read", made[0].value, 0.3, "", made[0].probability, doubt)


def climb(rate: float, start: float, units: dict[str, float], rows: int = 8, figures: float = 0.9985) -> list[Value]:
    """A steady climb in km shown to the last 10 m, whose unit is never sure: ``units`` are the probabilities of each, given the figures."""
    values = []
    for row in range(rows):
        time = 1000.0 + 90 * row
        shown = f"{(start + rate * 90 * row) / 1e3:.2f}"
        height = look(row, HEIGHT, *((f"{shown} {unit}", figures * share) for unit, share in units.items()))
        values += [look(row, CLOCK, (f"{time:.0f}", 0.9999)), height, look(row, RISE, (f"{rate:.1f}", 0.9999))]
    return values


def heights(values: list[Value]) -> list[Value]:
    return [value for value in values if value.column == "altitude"]


def test_kilometres_are_told_from_metres_by_the_rate():
    found = heights(decode(climb(40.0, 85000.0, {"m": 0.6, "km": 0.39, "Mm": 0.01})))
    assert [value.value for value in found] == pytest.approx([85000.0 + 3600 * row for row in range(8)])
    assert {value.status for value in found} == {"recovered"} and all("vertical speed" in value.reason for value in found)
    values = climb(40.0, 85000.0, {"m": 0.6, "km": 0.39, "Mm": 0.01})
    alone = heights(weigh_units(values, {value.row: value.value for value in values if value.column == "met"}))
    assert {value.status for value in alone} == {"recovered"} and max(value.probability for value in alone) <= 0.9985  # the figures are no surer than they were


def test_a_rate_near_nought_tells_nothing():
    assert {value.status for value in heights(decode(climb(0.0, 85000.0, {"m": 0.6, "km": 0.4})))} == {"doubtful"}


def test_figures_that_are_not_sure_stay_so():
    assert {value.status for value in heights(decode(climb(40.0, 85000.0, {"m": 0.6, "km": 0.4}, figures=0.95)))} == {"doubtful"}


def test_a_rate_that_is_not_known_for_certain_tells_nothing():
    values = climb(40.0, 85000.0, {"m": 0.6, "km": 0.4})
    unsure = [replace(value, status="doubtful") if value.column == "vertical_speed" else value for value in values]
    assert {value.status for value in heights(decode(unsure))} == {"doubtful"}


def test_a_unit_that_was_sure_and_goes_against_the_rate_is_doubted():
    """The same wrong letter every time: the figures climb by kilometres."""
    found = heights(decode(climb(40.0, 85000.0, {"m": 0.9985, "km": 0.0015}, figures=0.9999)))
    assert {value.status for value in found} == {"doubtful"} and "vertical speed" in found[3].reason


def test_a_unit_that_changes_as_the_craft_climbs_is_no_contradiction():
    values = []
    for row in range(8):
        height = 8500.0 + 40.0 * 30 * row
        text = f"{height:.0f} m" if height < 1e4 else f"{height / 1e3:.2f} km"
        values += [look(row, CLOCK, (f"{30 * row + 100}", 0.9999)), look(row, HEIGHT, (text, 0.9999)), look(row, RISE, ("40.0", 0.9999))]
    assert {value.status for value in heights(decode(values))} == {"read"}


def test_a_height_of_nought_tells_no_unit():
    values = climb(40.0, 85000.0, {"m": 0.6, "km": 0.39})
    values[1] = look(0, HEIGHT, ("0.00 m", 0.9999))
    values[4] = look(1, HEIGHT, ("0.00 km", 0.7), ("0.00 m", 0.2))
    found = heights(decode(values))
    assert found[0].status == "read" and found[0].value == 0 and found[1].status == "doubtful"
    assert [value.value for value in found[3:]] == pytest.approx([85000.0 + 3600 * row for row in range(3, 8)]) and "doubtful" not in {value.status for value in found[3:]}


def test_no_unit_is_spelt_with_the_wild_letter():
    assert not [unit for units in UNITS.values() for unit in units if WILD in unit]


def test_letters_count_as_one_and_figures_stay():
    dice = np.random.default_rng(3)
    shares = dice.dirichlet(np.full(CLASSES, 0.1), 40).astype(np.float32)
    plain = folded(shares, frozenset(WILD + "0123456789"))
    assert plain.sum(axis=1) == pytest.approx(np.ones(40), abs=1e-5)
    figures = [ALPHABET.index(letter) + 1 for letter in "0123456789.,+-"]
    assert np.array_equal(plain[:, figures], shares[:, figures])
    others = [index for index in range(1, CLASSES - 1) if index != WILD_CLASS and ALPHABET[index - 1] not in " 0123456789.,:+-'"]
    assert not plain[:, others].any()


def test_figures_are_read_whatever_the_unit():
    shows = [(crop, text) for crop, text, grammar in crops("mild") if grammar.figures]
    assert len(shows) > 20
    pattern = compile_pattern(Grammar(units=tuple(FACTORS.items()), fixed_factor=None).figures, ALPHABET)
    found = recognise([crop for crop, _ in shows], pattern)
    right = [each.spellings and figures_in(each.spellings[0].text.replace(" ", "")) == figures_in(text.replace(" ", "")) for each, (_, text) in zip(found, shows)]
    assert np.mean(right) > 0.95


def test_what_is_sure_of_the_figures_is_shared_among_the_units():
    merged = (Candidate("386.15 m", 386.15, 0.01, 0.39, "m", 2), Candidate("386.15 km", 386150.0, 10.0, 0.18, "km", 2), Candidate("386.151 m", 386.151, 1e-3, 0.01, "m", 3))
    sure = Seen((("386.15 xx", 0.97), ("386.151 xx", 0.001)), "386.15 xx", "386.15 xx", 1e-4)
    found = by_figures(HEIGHT.grammar, merged, sure)
    same = [each for each in found if figures_in(each.text) == "386.15"]
    assert {each.unit for each in same} == {"m", "km", "Mm"} and sum(each.probability for each in same) > ACCEPT
    assert found[0].unit == "m" and found[0].probability < 0.7  # of the units a look is less sure than it says
    assert next(each for each in same if each.unit == "Mm").probability >= found[0].probability * math.sqrt(LEAST_UNIT) * 0.99
    assert sum(each.probability for each in found) <= 1
    unsure = replace(sure, texts=(("386.15 xx", 0.4), ("306.15 xx", 0.3)), risk=0.5, raw="3?6.15 xx")
    assert UNREADABLE in unsure.raw and sum(each.probability for each in by_figures(HEIGHT.grammar, merged, unsure) if figures_in(each.text) == "386.15") < 0.9
