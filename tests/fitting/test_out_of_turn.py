"""Lines that stand out of the order of their clocks."""

import dataclasses

import numpy as np
import pytest
from reconstruction import reconstruct
from simulator.instruments import clock_text
from simulator.random_flights import random_flight

from analyser.fitting.slips import explain_clock_between


def slipped(seed, place, seconds):
    flight = random_flight(seed)
    row = sorted(flight.book.rows, key=lambda row: row.met)[place]
    row.clock = clock_text(row.met + seconds)
    return flight, row, reconstruct(dataclasses.replace(flight, csv=flight.book.csv(), plan=""))


@pytest.mark.parametrize("seed, place, seconds", [(16, 21, -3600.0), (19, 17, -3600.0), (16, 6, 36000.0)])
def test_a_clock_far_from_the_flight_makes_no_coast_of_its_own(seed, place, seconds):
    flight, row, findings = slipped(seed, place, seconds)
    assert [(item.row, item.column) for item in findings.set_aside] == [(row.line, "met")]
    assert len(findings.burns) == len(flight.truth["burns"])
    assert np.allclose([burn.spent.value for burn in findings.burns], [burn["spent"] for burn in flight.truth["burns"]], rtol=2e-3)


def test_the_lines_on_either_side_tell_the_time_that_was_meant():
    flight, row, findings = slipped(19, 41, 3600.0)
    told = next(item for item in findings.set_aside if item.column == "met")
    assert told.row == row.line and clock_text(row.met) in told.suggestion


@pytest.mark.parametrize("place", [5, 12, 20])  # of the middle one the engine burnt
def test_a_line_added_at_the_end_with_the_right_clock_is_kept(place):
    flight = random_flight(0)
    lines = flight.csv.splitlines()
    late = lines.pop(place)
    head = lines[0].split(",").index("body")
    cells = late.split(",")
    cells[head] = cells[head] or next(line.split(",")[head] for line in lines[1:] if line.split(",")[head])
    findings = reconstruct(dataclasses.replace(flight, csv="\n".join([*lines, ",".join(cells)]) + "\n", plan=""))
    assert not findings.set_aside


def test_a_clock_between_two_lines():
    assert explain_clock_between(3725.0, 4300.0, 4400.0) == "01:02:05 fits if it was 01:12:05 (one digit wrong)"
    assert explain_clock_between(3725.0, 3700.0, 4400.0) == ""  # too many would do
    assert explain_clock_between(-3725.0, 3700.0, 3800.0) == "T-01:02:05 fits if it was T+01:02:05 (sign)"
