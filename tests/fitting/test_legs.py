"""Legs: losses that add up to the last digit, intervals that hold the simulator's truth, burns dealt out to the plan's legs.

A larger run: ``leg_truth.py`` beside this file.
"""

from __future__ import annotations

import math

import pytest
from leg_truth import LOSSES, holds, judged_detours, judged_legs, needed_by_search, needed_by_theory, true_losses, whole
from reconstruction import reconstruct
from simulator.random_flights import random_flight


@pytest.fixture(scope="module")
def flights():
    return list(judged_legs(range(100, 114)))


@pytest.fixture(scope="module")
def judged(flights):
    return [item for _, _, legs in flights for item in legs]


@pytest.fixture(scope="module")
def detours():
    return [item for _, _, legs in judged_detours(range(14)) for item in legs]


@pytest.fixture(scope="module")
def found(flights):
    return [findings for _, findings, _ in flights] + [reconstruct(random_flight(203, mission="landing")), reconstruct(random_flight(204, mission="transfer"))]


def test_the_losses_add_up(found):
    legs = [leg for findings in found for leg in findings.legs if leg.flown and leg.waste.known]
    assert len(legs) > 5
    for leg in legs:
        parts = [part.value for part in (leg.burn_loss, leg.placement_loss, leg.correction_loss) if part.known]
        assert math.fsum(parts) == pytest.approx(leg.spent.value - leg.needed.value, abs=1e-9)
        assert leg.waste.value == pytest.approx(leg.spent.value - leg.needed.value, abs=1e-9)


def test_the_losses_of_burns_add_up_to_those_of_the_leg(found):
    for findings in found:
        for leg in findings.legs:
            own = [findings.burns[k] for k in leg.burns]
            if not own or not leg.waste.known or any(not burn.net.known for burn in own):
                continue
            assert leg.burn_loss.value == pytest.approx(math.fsum(burn.burn_loss.value for burn in own), abs=1e-9)
            assert leg.placement_loss.value == pytest.approx(math.fsum(burn.placement_loss.value for burn in own), abs=1e-9)


def test_each_burn_belongs_to_one_leg(found):
    for findings in found:
        owned = [number for leg in findings.legs for number in leg.burns]
        assert len(owned) == len(set(owned))
        for number in owned:
            assert findings.burns[number].leg in {leg.name for leg in findings.legs}


@pytest.mark.parametrize("loss", LOSSES)
def test_intervals_hold_the_truth(judged, loss):
    assert len(judged) >= 25
    inside = sum(holds(leg, true, loss) for leg, true in judged)
    # of 95 % intervals, fewer than this share hold by chance in about one run of a hundred
    assert inside / len(judged) >= 0.95 - 2.33 * math.sqrt(0.95 * 0.05 / len(judged))


def test_what_was_burnt_to_come_back_holds_the_truth(detours):
    """Legs of one burn have no correction loss: it is held against the truth where a pilot flew past and came back, or went the wrong way first."""
    assert len(detours) >= 12 and all(len(leg.burns) == 2 for leg, _ in detours)
    assert all(true["correction_loss"] > 1.0 for _, true in detours)
    for name in ("spent", "needed", "correction_loss", "waste"):
        assert sum(holds(leg, true, name) for leg, true in detours) >= len(detours) - 2
        assert any(not holds(leg, true, name, 0.1) for leg, true in detours)  # what boasts is caught


def test_the_sums_over_a_flight_hold_the_truth_and_are_known_better_than_independent_legs(flights):
    judged = [(findings.sums, whole(findings, legs), legs) for _, findings, legs in flights if whole(findings, legs) is not None]
    assert len(judged) >= 5
    for name in ("spent", "needed", "waste"):
        assert sum(holds(sums, true, name) for sums, true, _ in judged) >= len(judged) - 1
    ratios = sorted(sums.spent.sigma / math.sqrt(math.fsum(leg.spent.sigma**2 for leg, _ in legs)) for sums, _, legs in judged)
    assert ratios[len(ratios) // 2] < 0.9
    for sums, _, legs in judged:
        assert sums.spent.value == pytest.approx(math.fsum(leg.spent.value for leg, _ in legs), abs=1e-9)
        assert sums.burn_loss.value + sums.placement_loss.value + sums.correction_loss.value == pytest.approx(sums.spent.value - sums.needed.value, abs=1e-9)


def test_boasting_sigmas_are_caught(judged):
    """Negative control: intervals a quarter as wide fail the same test."""
    shares = [sum(holds(leg, true, name, 0.25) for leg, true in judged) / len(judged) for name in ("spent", "needed", "waste")]
    assert min(shares) < 0.95 - 2.33 * math.sqrt(0.95 * 0.05 / len(judged))


def test_the_truth_itself_agrees_with_the_blind_search():
    """``needed`` of the truth comes from the analyser's transfers; a search that knows no theory finds the same losses."""
    simulated = random_flight(210, burns=2)
    truth = simulated.truth
    first = true_losses(simulated.sim, truth, [0, 1], needed_by_theory)
    second = true_losses(simulated.sim, truth, [0, 1], needed_by_search)
    assert first is not None
    for name in LOSSES:
        assert first[name] == pytest.approx(second[name], abs=0.003 * first["spent"])

