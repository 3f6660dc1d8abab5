"""Mission elapsed time in every form that a panel or a person gives it."""

import math

import pytest

from analyser.errors import InputError
from analyser.ingest.clock import read_clock, read_clocks

FORMS = [
    ("760", 760.0, 1.0),
    ("760.5", 760.5, 0.1),
    ("760 s", 760.0, 1.0),
    ("12:40", 760.0, 1.0),
    ("75:30", 4530.0, 1.0),
    ("00:12:40", 760.0, 1.0),
    ("T+00:12:40", 760.0, 1.0),
    ("t+ 00:12:40", 760.0, 1.0),
    ("T + 00:12:40", 760.0, 1.0),
    ("T 00:12:40", 760.0, 1.0),
    ("MET 00:12:40", 760.0, 1.0),
    ("+00:12:40", 760.0, 1.0),
    ("00:12:40.25", 760.25, 0.01),
    ("00:12:40,25", 760.25, 0.01),
    ("1:02:03", 3723.0, 1.0),
    ("27:00:00", 97200.0, 1.0),
    ("123:00:00", 442800.0, 1.0),
    ("1 02:03:04", 93784.0, 1.0),
    ("1d 02:03:04", 93784.0, 1.0),
    ("1d02:03:04", 93784.0, 1.0),
    ("1 d 02:03:04.5", 93784.5, 0.1),
    ("T+1 d 02:03:04", 93784.0, 1.0),
    ("1/02:03:04", 93784.0, 1.0),
    ("1:02:03:04", 93784.0, 1.0),
    ("1 d 02:03", 93780.0, 60.0),
    ("2 days 00:00:01", 172801.0, 1.0),
    ("1 h 02 min", 3720.0, 60.0),
    ("12 min 40 s", 760.0, 1.0),
    ("12m40s", 760.0, 1.0),
    ("T-00:00:10", -10.0, 1.0),
    ("T\u221200:05:00", -300.0, 1.0),
    ("-00:00:10", -10.0, 1.0),
    ("-10", -10.0, 1.0),
    ("T-5", -5.0, 1.0),
]


@pytest.mark.parametrize(("text", "seconds", "step"), FORMS)
def test_forms(text, seconds, step):
    found, sigma = read_clock(text)
    assert found == pytest.approx(seconds, abs=1e-9)
    assert sigma == pytest.approx(step / math.sqrt(12))


@pytest.mark.parametrize("text", ["", "noon", "12:60", "00:60:00", "1 d 24:00:00", "1:2:3:4:5", "nan", "inf", "1e400", "12:3.4.5",
                                  "T+", "::", "12:", "1 d 1 d", "--5", "T+-5", "00:12:40 PM", "2031-04-12 00:12:40"])  # fmt: skip
def test_what_is_no_clock(text):
    with pytest.raises(InputError, match="write it like"):
        read_clock(text)


def test_two_numbers_may_be_hours_and_minutes_where_the_header_says_so():
    assert read_clock("01:30", pair="hh:mm") == (5400.0, pytest.approx(60 / math.sqrt(12)))
    assert read_clock("1.5", bare=60.0)[0] == 90.0


def test_a_column_and_its_bad_cells():
    found = read_clocks(["00:00:01", "", "x", "5"], [2, 3, 4, 5])
    assert found.seconds[0] == 1.0 and found.seconds[3] == 5.0
    assert [index for index, _ in found.bad] == [1, 2]


def test_a_clock_that_wraps_is_carried_on_and_told():
    found = read_clocks(["23:59:50", "00:00:10", "12:00:00", "23:30:00", "00:10:00"], [2, 3, 4, 5, 6])
    assert found.seconds.tolist() == [86390.0, 86410.0, 129600.0, 171000.0, 173400.0]
    assert len(found.remarks) == 2
    assert found.remarks[0].startswith("line 3:") and "midnight" in found.remarks[0]


@pytest.mark.parametrize(
    "cells",
    [
        ["24:59:50", "00:00:10"],  # hours beyond 24: this clock does not wrap
        ["22:00:00", "00:00:10"],  # two hours before midnight: more likely a line out of order
        ["23:59:50", "02:00:10"],
        ["86390", "10"],  # seconds never wrap
        ["23:59:50", "00:00:10", "23:00:00", "22:00:00"],  # out of order otherwise
    ],
)
def test_what_else_explains_a_fall_is_left_alone(cells):
    found = read_clocks(cells, list(range(len(cells))))
    assert found.remarks == []
    assert found.seconds.max() < 90000
