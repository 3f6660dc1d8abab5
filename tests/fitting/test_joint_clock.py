"""The clock's error of a row under thrust: one for all its gauges, told by the motion as closely as speed and propellant show it."""

from __future__ import annotations

import dataclasses
import math
from unittest import mock

import numpy as np
from reconstruction import reconstruct
from simulator.random_flights import random_flight

from analyser.fitting.joint_evidence import likeliest


def burns(seed: int):
    """(Tie, true times less those of the clock at its readings) of a flight's burns that are read under thrust."""
    chains = []

    def keep(solved):
        chains.extend(solved)
        return likeliest(solved)

    simulated = dataclasses.replace(random_flight(seed, burns=3, per_burn=5), plan="")
    with mock.patch("analyser.fitting.joint.likeliest", side_effect=keep):
        reconstruct(simulated)
    mets = np.array([row["met"] for row in simulated.truth["rows"]])
    for chain in chains:
        for k, tie in enumerate(chain.ties):
            if tie.readings is not None:
                yield chain, k, mets[tie.readings.positions] - tie.readings.met


def test_readings_of_one_row_tell_its_clock_error_together():
    """The relative lateness of two rows of a burn, each rounded to a second, comes out much better than the clock tells it."""
    by_clock, told = [], []
    for seed in (3, 5, 7, 9):
        for chain, k, true in burns(seed):
            late = chain.ties[k].late
            by_clock += [*np.diff(true)]
            told += [*(np.diff(late) - np.diff(true))]
    assert len(told) > 10
    assert np.std(by_clock) > 0.25
    assert math.sqrt(np.mean(np.square(told))) < 0.15
