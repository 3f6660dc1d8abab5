"""Braking begun too late: named where the ground was met hard, and shown to cost next to nothing where it was not."""

import math
import re

import numpy as np
import pytest
from planted_descents import falling, planted_descent
from reconstruction import reconstruct
from simulator.descents import NoBrake, solve_brake
from simulator.random_missions import Unfit


@pytest.mark.parametrize("seed", [2, 6, 7, 21])
def test_a_landing_that_the_ground_stopped_is_named_with_the_speed_left(seed):
    flight = planted_descent(seed, "late braking")
    touched = flight.sim.touchdowns[-1]
    true = math.hypot(touched["vertical_speed"], touched["horizontal_speed"])
    found = reconstruct(flight)
    first = found.advice[0]
    assert first.cause == "late braking" and first.leg == "descent"
    assert first.cost == pytest.approx(true, abs=max(2.0, 0.08 * true))
    assert re.search(r"too late", first.sentence) and re.search(r"start at the latest [\d.]+ (m|km) over the ground", first.sentence)
    assert math.isnan(first.propellant)  # missing, not wasted
    assert all(item.cause != "braking" for item in found.advice)


@pytest.mark.parametrize("fault", ["clean", "early braking", "hover"])
def test_a_soft_landing_is_never_late(fault):
    assert all(item.cause != "late braking" for item in reconstruct(planted_descent(7, fault)).advice)


def drawn(seed: int):
    """Steep falls to random moons."""
    for attempt in range(80):
        try:
            yield falling(np.random.default_rng([seed, 12, attempt]), "late braking")[0]
        except (Unfit, ValueError):
            continue


def test_a_late_start_that_the_pitch_still_saves_costs_next_to_nothing():
    """Why lateness is told by the touchdown and not as a waste: by the simulator's own shooting, an ignition a good part of the burn later than the best, saved by holding the
    thrust higher, costs under 1 m/s; a little later still, and nothing saves it."""
    solved = 0
    for seed in (1, 4, 5, 8, 10):
        sim = next(drawn(seed))
        stage = sim.craft.stages[0]
        exhaust = stage.specific_impulse * 9.80665
        try:
            best = solve_brake(sim, 0.3, 1.5)
            late = solve_brake(sim, 0.3, 1.5, wait=best.wait + 0.06 * best.length, near=best)
        except NoBrake:
            continue
        first, second = (-exhaust * math.log1p(-stage.thrust / exhaust * one.length / float(sim.y[6])) for one in (best, late))
        solved += 1
        assert -0.05 < second - first < 1.0
    assert solved >= 3
