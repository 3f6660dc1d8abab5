"""A clock that was set back in flight: the coast it was set back in tells how long it stood; where none does, that is said."""

import dataclasses

import numpy as np
import pytest
from reconstruction import reconstruct
from simulator.instruments import clock_text
from simulator.random_flights import random_flight


def set_back(seed, mission, part, stood=0.7):
    """A random flight whose clock was set to zero between two rows: (findings, true MET of the first row after, its line)."""
    flight = random_flight(seed, mission=mission)
    rows = sorted(flight.book.rows, key=lambda row: row.met)
    place = int(part * len(rows))
    zero = stood * rows[place].met + (1 - stood) * rows[place - 1].met
    for row in rows[place:]:
        row.clock = clock_text(row.met - zero)
    findings = reconstruct(dataclasses.replace(flight, csv=flight.book.csv(), plan=""))
    return flight, findings, rows[place]


@pytest.mark.parametrize("seed, mission, part", [(0, "orbits", 0.5), (1, "orbits", 0.3), (3, "orbits", 0.6), (4, "landing", 0.5)])
def test_the_coast_tells_how_long_the_clock_stood(seed, mission, part):
    flight, findings, row = set_back(seed, mission, part)
    assert not findings.set_aside
    assert any(f"line {row.line}: the orbit read before and after says" in remark for remark in findings.remarks)
    burns = [(burn["ignition"], burn["spent"]) for burn in flight.truth["burns"]]
    found = [(burn.ignition.value, burn.spent.value) for burn in findings.burns]
    assert len(found) == len(burns)
    assert np.allclose([spent for _, spent in found], [spent for _, spent in burns], rtol=2e-3)
    assert np.abs(np.subtract([met for met, _ in found], [met for met, _ in burns])).max() < 15.0


def test_a_clock_set_back_in_a_burn_is_said_and_spends_no_more_for_it():
    flight, findings, row = set_back(2, "orbits", 0.2)
    assert any(f"line {row.line}: how long the clock stood before it started again can't be told" in remark for remark in findings.remarks)
    assert len(findings.burns) == len(flight.truth["burns"])
    assert np.allclose([burn.spent.value for burn in findings.burns], [burn["spent"] for burn in flight.truth["burns"]], rtol=5e-3)


@pytest.mark.parametrize("seed, part, jump", [(0, 0.5, 3600.0), (1, 0.3, 3600.0), (2, 0.5, 600.0), (3, 0.8, 60.0)])
def test_a_clock_that_jumped_in_a_coast_is_no_burn(seed, part, jump):
    flight = random_flight(seed)
    rows = sorted(flight.book.rows, key=lambda row: row.met)
    place = int(part * len(rows))
    for row in rows[place:]:
        row.clock = clock_text(row.met + jump)
    findings = reconstruct(dataclasses.replace(flight, csv=flight.book.csv(), plan=""))
    assert any(f"line {rows[place].line}: the clock jumped by {jump / 60:+.0f} min" in remark for remark in findings.remarks)
    assert not findings.set_aside
    assert np.allclose([burn.ignition.value for burn in findings.burns], [burn["ignition"] for burn in flight.truth["burns"]], atol=15.0)
