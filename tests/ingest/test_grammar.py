"""What texts on the glass mean, and the automaton that only lets such texts through."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.grammar import Grammar, hours_shown

ALPHABET = " 0123456789.,:+-'%°/abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
ALTITUDE = Grammar(units=(("m", 1.0), ("km", 1e3), ("Mm", 1e6)), fixed_factor=None)
CLOCK = Grammar("clock")


@pytest.mark.parametrize(
    ("text", "value", "step"),
    [
        ("12.5km", 12500, 100), ("61.94 km", 61940, 10), ("812 m", 812, 1), ("-1 234.5 km", -1234500, 100),
        ("0.5KM", 500, 100), ("1,234,567 m", 1234567, 1), ("12,34 Mm", 12340000, 10000), ("1.234.567 m", 1234567, 1),
    ],
)  # fmt: skip
def test_numbers_with_units(text, value, step):
    (shown,) = ALTITUDE.parse(text)
    assert shown.value == pytest.approx(value) and shown.step == pytest.approx(step)


def test_a_comma_before_three_digits_has_two_meanings_until_the_mark_is_known():
    assert {shown.value for shown in ALTITUDE.parse("1,234 m")} == {1234.0, 1.234}
    assert [shown.value for shown in ALTITUDE.parse("1,234 m", ".")] == [1234.0]
    assert [shown.value for shown in ALTITUDE.parse("1,234 m", ",")] == [1.234]


@pytest.mark.parametrize("text", ["12", "12..5 m", "m", "", "1,23,4 m", "12.5 kg", "--3 m", "12.5 km km"])
def test_what_is_not_shown_means_nothing(text):
    assert ALTITUDE.parse(text) == ()


@pytest.mark.parametrize(
    ("text", "seconds", "step"),
    [
        ("T+00:12:40", 760, 1), ("3d 04:12:55", 274375, 1), ("3 04:12:55", 274375, 1), ("754", 754, 1), ("12:40", 760, 1),
        ("1d 4h 3m 2s", 100982, 1), ("T-00:00:10.5", -10.5, 0.1), ("123:04:05", 443045, 1), ("MET 02:00:00", 7200, 1),
    ],
)  # fmt: skip
def test_clocks(text, seconds, step):
    (shown,) = CLOCK.parse(text)
    assert shown.value == pytest.approx(seconds) and shown.step == pytest.approx(step)


def test_a_clock_has_no_minute_61():
    assert CLOCK.parse("00:61:00") == () and CLOCK.parse("1d 25:00:00") == ()


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet=" 0123456789.,:+-kmMTdhs'", max_size=12))
def test_automaton_and_expression_agree_on_every_text(text):
    for grammar in (ALTITUDE, CLOCK, Grammar(signed=False)):
        for mark in ("", ".", ","):
            pattern = grammar.pattern(mark)
            assert compile_pattern(pattern, ALPHABET).accepts(text) == bool(re.fullmatch(pattern, text))


@pytest.mark.parametrize(
    ("text", "degrees", "step"),
    [
        ("12.34° N", 12.34, 0.01), ("12.34S", -12.34, 0.01), ("-12.3", -12.3, 0.1), ("S 12.3", -12.3, 0.1), ("12°34.5'S", -12.575, 1 / 600),
        ("12°05' N", 12 + 5 / 60, 1 / 60), ("-5 S", None, None), ("12.34° E", None, None), ("95.0 N", None, None), ("N 5 S", None, None),
    ],
)  # fmt: skip
def test_latitudes_with_a_letter_for_the_side(text, degrees, step):
    grammar = Grammar(fixed_factor=math.pi / 180, low=-math.pi / 2, high=math.pi / 2, sides="NS")
    found = grammar.parse(text, ".")
    if degrees is None:
        assert not found
        return
    (shown,) = found
    assert compile_pattern(grammar.pattern("."), ALPHABET).accepts(text)
    assert math.degrees(shown.value) == pytest.approx(degrees) and math.degrees(shown.step) == pytest.approx(step)


def test_longitudes_have_letters_of_their_own():
    grammar = Grammar(units=(("°", math.pi / 180),), fixed_factor=None, sides="EW")
    assert math.degrees(grammar.parse("120.5° W", ".")[0].value) == pytest.approx(-120.5)
    assert not grammar.parse("120.5° S", ".")


@pytest.mark.parametrize(
    ("days", "text", "value"),
    [
        (None, "100:21:19", 361279.0), (None, "1 00:21:19", 87679.0), (True, "1 00:21:19", 87679.0), (True, "3d 04h 10m 05s", 274205.0), (True, "100:21:19", None),
        (True, "04:10:05", None), (False, "100:21:19", 361279.0), (False, "1 00:21:19", None), (False, "3d 04h 10m 05s", None), (False, "04h 10m 05s", 15005.0),
    ],
)  # fmt: skip
def test_a_clock_shows_days_always_never_or_perhaps(days, text, value):
    found = Grammar("clock", days=days).parse(text)
    assert [shown.value for shown in found] == ([] if value is None else [value])


@pytest.mark.parametrize(("text", "last"), [("100:21:19", 0), ("T+124:00:00", 24), ("1245:01:02.5", 45), ("23:59:59", None), ("018:05:39", None), ("1 00:21:19", None), ("1d 00:21:19", None), ("100:21", None)])
def test_hours_that_may_be_days_run_together(text, last):
    assert hours_shown(text) == last
