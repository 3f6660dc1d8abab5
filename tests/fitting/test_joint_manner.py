"""How steadily a pilot flies, as the readings of a flight show it; intervals of pilots who turn their nose."""

from __future__ import annotations

import dataclasses
import math
from unittest import mock

import numpy as np
from loose_pilots import flight_of, tally_of
from reconstruction import reconstruct
from simulator.random_flights import COLUMNS

from analyser.fitting.joint_evidence import likeliest, log_evidence
from analyser.fitting.joint_manner import STEADY, Manner

LOOKED = {"per_burn": 6, "columns": (*COLUMNS, "pitch"), "burns": 3}
FIGURES = ("spent", "net", "ignition", "cutoff")


def chains(seed: int, pilot: str, **options):
    """The solved chains of a flight, as the manner is chosen from them."""
    seen = []

    def keep(solved):
        seen.extend(solved)
        return likeliest(solved)

    with mock.patch("analyser.fitting.joint.likeliest", side_effect=keep):
        reconstruct(flight_of(seed, pilot, **options))
    return seen


def test_evidence_is_that_of_the_readings_with_every_unknown_averaged_over():
    """Against the density of the residuals by their own covariance, with next to nothing known of the burn beforehand."""
    (solved,) = chains(3000, "steady", burns=1)
    (tie,), ((value, slope),) = solved.ties, solved.parts
    u = np.concatenate([solved.coasts[0], np.zeros(tie.unknowns), solved.coasts[1]])
    prior = np.concatenate([np.ones(tie.before.size), np.full(tie.unknowns, 1e6), np.ones(tie.after.size)])
    own = tie.sigmas()

    def density(manner):
        sigmas = dataclasses.replace(tie, manner=manner).sigmas()
        spread = (own[:, None] * slope * prior) @ (own[:, None] * slope).T + np.diag(sigmas**2)
        miss = own * (value - slope @ u)  # at the unknowns' own best
        scale = np.sqrt(np.diag(spread))
        spread, miss = spread / np.outer(scale, scale), miss / scale
        return -np.linalg.slogdet(spread)[1] / 2 - np.log(scale).sum() - miss @ np.linalg.solve(spread, miss) / 2

    for manner in (Manner(0.02, STEADY.wobble), Manner(STEADY.drift, math.radians(1.0))):
        assert abs((log_evidence(solved, manner) - log_evidence(solved, STEADY)) - (density(manner) - density(STEADY))) < 0.02


def test_a_loose_hand_shows_and_a_steady_one_is_believed():
    """By the flights of one pilot together: a few burns tell little, and the likeliest manner of one flight may be another."""
    solved = {pilot: [chain for seed in range(3003, 3005) for chain in chains(seed, pilot, **LOOKED)] for pilot in ("steady", "throttle", "swing")}

    def gain(pilot, manner):
        return sum(log_evidence(chain, manner) - log_evidence(chain, STEADY) for chain in solved[pilot])

    assert likeliest(solved["steady"]) == STEADY
    for pilot, manner in (("throttle", Manner(0.01, STEADY.wobble)), ("swing", Manner(STEADY.drift, math.radians(1.0)))):
        assert gain(pilot, manner) > 3 and gain("steady", manner) < 0
        assert likeliest(solved[pilot]) != STEADY


def test_a_throttle_that_is_not_believed_steady_widens_its_burns():
    simulated = flight_of(3004, "steady", **LOOKED)
    steady = reconstruct(simulated)
    with mock.patch("analyser.fitting.joint.likeliest", return_value=Manner(0.05, STEADY.wobble)):
        loose = reconstruct(simulated)
    ratios = [other.cutoff.sigma / one.cutoff.sigma for one, other in zip(steady.burns, loose.burns)]
    assert min(ratios) > 0.95 and max(ratios) > 1.3


def test_intervals_hold_the_truth_of_pilots_whose_nose_turns():
    for pilot in ("stars", "turn"):
        tally = tally_of(range(1100, 1104), pilot, burns=3)
        held = sum(tally.held[name][0] for name in FIGURES) / sum(tally.held[name][1] for name in FIGURES)
        assert 0.9 <= held
    boasting = tally_of(range(1100, 1104), "turn", boast=2.5, burns=3)
    assert sum(boasting.held[name][0] for name in FIGURES) / sum(boasting.held[name][1] for name in FIGURES) < 0.85
