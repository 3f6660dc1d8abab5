"""A gauge's habits of writing, and what they say of a look that is not sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_decode import seen

from analyser.ingest.beam import CLASSES, PREFIX, best_path, folded
from analyser.ingest.formats import weigh_formats
from analyser.ingest.readout import ACCEPT
from analyser.ingest.recogniser import ALPHABET

CLOCK_SHOWS = frozenset(" 0123456789.:+-TMEGtdDhHmMsS/")


def of(*texts: str) -> list:
    return [seen(row, "height", (text, 0.9999)) for row, text in enumerate(texts)]


@pytest.mark.parametrize(
    ("habit", "first", "second"),
    [
        (("11", "60", "75", "32", "40", "18"), ("54", 0.987), ("5.4", 0.0126)),
        (("1102.4", "1087.1", "1050.9", "1033.0", "1019.8"), ("1004.8", 0.985), ("+004.8", 0.0143)),
        (("12.50", "13.75", "11.02", "10.44", "10.61"), ("11.14", 0.96), ("+1.14", 0.0395)),
    ],
)
def test_a_text_as_the_gauge_writes_is_believed_rather_than_one_as_it_never_does(habit, first, second):
    *_, value = weigh_formats([*of(*habit), seen(9, "height", first, second)])
    assert value.status == "read" and value.value == float(first[0]) and value.probability >= ACCEPT and "as this gauge writes" in value.reason


def test_a_clock_that_always_shows_its_sign_has_not_lost_it():
    clocks = [seen(row, "clock", (f"+{8 + row}", 0.9999)) for row in range(6)]
    *_, value = weigh_formats([*clocks, seen(9, "clock", ("+37", 0.985), ("437", 0.0145))])
    assert value.status == "read" and value.value == 37


def test_no_days_are_likelier_than_eight_where_a_look_leaves_both():
    first, last = 56340.0, 8 * 86400.0 + 56340.0
    *_, value = weigh_formats([seen(0, "clock", (f"{first:.0f}", 0.982), (f"{last:.0f}", 0.0165))])
    assert value.status == "read" and value.value == first and value.probability < 0.9985  # ten times likelier at the most
    for texts in (((f"{last:.0f}", 0.982), (f"{first:.0f}", 0.0165)), ((f"{first:.0f}", 0.9), (f"{last:.0f}", 0.0995))):
        assert weigh_formats([seen(0, "clock", *texts)])[0].status == "doubtful"  # the other way round nothing is gained, and a poor look stays one
    height = seen(0, "height", (f"{first:.0f}", 0.982), (f"{last:.0f}", 0.0165))
    assert weigh_formats([height]) == [height]


def test_likely_clocks_tell_a_habit_too_but_not_for_certain():
    clocks = [seen(row, "clock", (f"+{30 + row}", 0.97), (f"4{30 + row}", 0.029)) for row in range(8)]
    found = weigh_formats(clocks)
    assert {value.status for value in found} == {"read"} and max(value.probability for value in found) < 0.998
    heights = [seen(row, "height", (f"+{30 + row}", 0.97), (f"4{30 + row}", 0.029)) for row in range(8)]
    assert weigh_formats(heights) == heights  # for a number a sign lost every time would be no wonder
    assert weigh_formats([seen(0, "clock", ("+30", 0.97), ("430", 0.029))])[0].status == "doubtful"


def test_the_likelier_text_may_be_the_one_that_is_written_otherwise():
    *_, value = weigh_formats([*of(*["54", "11", "75", "60"] * 12), seen(99, "height", ("5.4", 0.55), ("54", 0.4498))])
    assert value.value == 54 and value.reading.candidates[0].text == "54" and value.status == "doubtful"  # likely, and not sure


def test_few_readings_are_no_habit_and_mixed_ones_tell_nothing():
    unsure = seen(9, "height", ("54", 0.987), ("5.4", 0.0126))
    assert weigh_formats([*of("11", "60", "75"), unsure])[-1] == unsure
    mixed = weigh_formats([*of("11", "6.0", "75", "3.2", "41", "8.8"), unsure])[-1]
    assert mixed.status == "doubtful" and mixed.probability == pytest.approx(0.987, abs=1e-3)


def test_a_minus_is_no_habit():
    values = weigh_formats([*of("11.0", "9.1", "7.4", "5.2", "3.3"), seen(9, "height", ("-1.4", 0.97), ("1.4", 0.029))])
    assert values[-1].reading.best.text == "-1.4" and values[-1].status == "doubtful"


def test_what_is_sure_stays_and_doubtful_readings_are_no_habit():
    odd = seen(9, "height", ("5.4", 0.9999))
    assert weigh_formats([*of("11", "60", "75", "32", "40"), odd])[-1] is odd
    doubtful = [replace(value, status="doubtful") for value in of("11", "60", "75", "32", "40")]
    unsure = seen(9, "height", ("54", 0.987), ("5.4", 0.0126))
    assert weigh_formats([*doubtful, unsure])[-1] == unsure


def spelt(text: str, sure: float = 0.999) -> np.ndarray:
    """Columns that spell a text, a blank between characters."""
    shares = np.full((2 * len(text) + 1, CLASSES), (1 - sure) / (CLASSES - 1), np.float32)
    shares[::2, 0] = sure
    for place, letter in enumerate(text):
        shares[2 * place + 1, (ALPHABET + "?").index(letter) + 1] = sure
    return shares


@pytest.mark.parametrize(("seen_as", "meant"), [("6+12:20:01", "+12:20:01"), ("?-00:00:10", "-00:00:10"), ("M3T +12:20:01", "+12:20:01"), ("T+12:20:01", "+12:20:01")])
def test_what_stands_before_a_clocks_sign_is_its_prefix_whatever_it_looks_like(seen_as, meant):
    assert best_path(folded(spelt(seen_as), CLOCK_SHOWS)) == meant


@pytest.mark.parametrize("text", ["12:20:01", "1 12:20:01", "12345+:01", "3d 01:02:03"])
def test_a_clock_without_a_sign_or_with_much_before_it_is_left_as_it_is(text):
    assert best_path(folded(spelt(text), CLOCK_SHOWS)) == text and len(text.partition("+")[0]) > PREFIX - 3


def test_a_sign_that_is_less_sure_is_one_where_two_figures_of_hours_follow():
    assert best_path(folded(spelt("6+11:15:12", 0.7), CLOCK_SHOWS)) == "+11:15:12"


def test_a_sign_that_is_not_sure_may_be_a_figure():
    assert best_path(folded(spelt("0+1:15:12", 0.9), CLOCK_SHOWS)) == "0+1:15:12"
