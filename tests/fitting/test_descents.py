"""Landings on the engine held against the least and against full thrust begun later, on simulated descents whose truth is known."""

import math
from dataclasses import replace

import pytest
from planted_descents import planted_descent
from reconstruction import reconstruct
from simulator.random_flights import write_flight_folder

from analyser.fitting import fit_flight
from analyser.ingest import load_flight


@pytest.mark.parametrize("seed", [1, 4])
def test_braking_that_stops_high_is_one_descent_with_height_in_hand(seed):
    flight = planted_descent(seed, "early braking")
    found = reconstruct(flight)
    (descent,) = found.descents
    # from the orbit before the burn that led into the ground: all that was spent
    assert len(descent.burns) == len(found.burns)
    assert descent.cost.low - 0.2 <= flight.truth["spent"] <= descent.cost.high + 0.2
    assert descent.bound < descent.best < descent.cost.value
    assert descent.waste.value == pytest.approx(descent.cost.value - descent.best, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 4])
def test_a_clean_descent_has_little_in_hand_and_a_slow_one_much(seed):
    clean, slow = (reconstruct(planted_descent(seed, fault)).descents[0] for fault in ("clean", "slow let-down"))
    assert -2.0 < clean.waste.value < 0.02 * clean.best < slow.waste.value
    assert math.isnan(clean.slow_height) or clean.slow_height < slow.slow_height
    # a let-down costs more at a constant rate than falling and stopping late; what was flown lies with the former
    assert slow.slow_least < 0.8 * slow.slow_at_rate
    held, late = (max((one.wait for one in found.moments[1:] if math.isfinite(one.wait)), default=0.0) for found in (slow, clean))
    assert held > late


def test_each_moment_is_as_read():
    flight = planted_descent(1, "slow let-down")
    found = reconstruct(flight)
    (descent,) = found.descents
    assert descent.moments[0].met == found.burns[descent.burns[-1]].ignition.value
    assert [one.met for one in descent.moments] == sorted(one.met for one in descent.moments)
    for one in descent.moments:
        assert one.spare < one.height or math.isnan(one.spare)
        assert not math.isfinite(one.braking_height) or one.braking_height < one.height


def test_without_a_craft_there_is_no_least(tmp_path):
    flight = load_flight(write_flight_folder(tmp_path / "flight", planted_descent(1, "clean")))
    for descent in fit_flight(replace(flight, craft=None)).descents:
        assert math.isnan(descent.best) and descent.reason
