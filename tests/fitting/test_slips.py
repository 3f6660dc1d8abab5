"""Slips of the pen: each kind named, none named where the expectation is too vague to tell."""

import math

import pytest

from analyser.fitting.slips import explain, explain_clock, spell


@pytest.mark.parametrize(
    "column, value, sigma, meant, words",
    [
        ("altitude", 12.4e3, 29.0, 124.0e3, "decimal point"),
        ("speed", 2134.0, 0.29, 1234.0, "swapped"),
        ("vertical_speed", 41.2, 0.029, -41.2, "sign"),
        ("altitude", 61.94e3, 2.9, 61.94e3 * 0.3048, "read in ft"),
        ("speed", 5537.9, 0.029, 5537.9 * 0.3048, "read in ft/s"),
        ("speed", 25562.0, 0.29, 2556.2, "decimal point"),
        ("altitude", 71.94e3, 2.9, 61.94e3, "one digit wrong"),
        ("speed", 992.5, 0.029, 9992.5, "left out"),
        ("speed", 22134.0, 0.29, 2134.0, "too many"),
        ("speed", 1000.0, 0.29, 1852.0 / 3600 * 1000, "read in kn"),
        ("flight_path_angle", 0.2, 1e-4, math.radians(0.2), "read in deg"),
    ],
)
def test_each_slip_is_named(column, value, sigma, meant, words):
    found = explain(column, value, sigma, meant, sigma)
    assert words in found.sentence
    assert found.meant == pytest.approx(meant, abs=4 * sigma * max(1.0, meant / value))


def test_the_sentence_says_what_it_may_have_been():
    assert explain("altitude", 12.4e3, 29.0, 124.0e3, 20.0).sentence.startswith("12.4 km fits if it was 124 km")


def test_a_copied_row_is_named_first():
    assert "row before" in explain("speed", 2134.0, 0.29, 1990.0, 0.5, previous=2134.0).sentence


def test_a_vague_expectation_names_nothing():
    assert explain("altitude", 12.4e3, 29.0, 124.0e3, 60e3) is None
    assert explain("altitude", 12.4e3, 29.0, 87.123e3, 1.0) is None
    assert explain("altitude", 12.4e3, 29.0, math.nan, 1.0) is None


def test_values_are_spelt_as_they_were_typed():
    assert spell("altitude", 61940.0, 10.0) == "61.94 km"
    assert spell("altitude", 812.0, 1.0) == "812 m"
    assert spell("vertical_speed", -12.5, 0.1) == "-12.5 m/s"


def test_clock_slips():
    assert explain_clock(775.0, 1375.0, 1.0) == "00:12:55 fits if it was 00:22:55 (one digit wrong)"
    assert "swapped" in explain_clock(12 * 60 + 54.0, 21 * 60 + 54.0, 1.0)
    assert explain_clock(775.0, 4321.0, 1.0) == ""
