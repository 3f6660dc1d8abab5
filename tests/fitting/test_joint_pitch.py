"""The nose's pitch as evidence of the thrust's direction in the joint estimate."""

from __future__ import annotations

import copy
import dataclasses
import math
import tempfile
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from simulator.random_flights import COLUMNS, random_flight, write_flight_folder

from analyser.fitting import fit_flight
from analyser.fitting.joint_belief import contradicted, disbelieved
from analyser.fitting.joint_burn import ANGLE
from analyser.fitting.joint_chain import Solved
from analyser.ingest import load_flight


def ties(seed: int, turned: bool = False):
    """The burns of a flight on which pitch was read, as the joint estimate begins them; ``turned``: by the same craft with its nose at the other end."""
    found = []

    def keep(tie):
        found.append(copy.deepcopy(tie))
        return disbelieved(tie)

    simulated = dataclasses.replace(random_flight(seed, burns=2, columns=(*COLUMNS, "pitch")), plan="")
    with tempfile.TemporaryDirectory() as folder:
        flight = load_flight(write_flight_folder(Path(folder) / "flight", simulated))
    if turned:
        table = flight.readings.table.copy()
        table["pitch"] = -table["pitch"]
        flight = flight.changed(craft=flight.craft.changed(thrust_axis={"nose": "tail", "tail": "nose"}[flight.craft.thrust_axis]), readings=flight.readings.changed(table=table))
    with mock.patch("analyser.fitting.joint.disbelieved", side_effect=keep):
        fit_flight(flight)
    return found


def angle_sigma(tie) -> float:
    solved = Solved.of([tie])
    place = tie.before.size + ANGLE
    return float(math.sqrt(solved.covariances[0][place, place]) * tie.unit[ANGLE])


def vague(tie, pitches: bool):
    """The same burn where the orbit after it, and the readings under thrust, tell next to nothing of its direction."""
    changed = copy.deepcopy(tie)
    changed.after.root = changed.after.root * 3e3
    changed.readings = changed.used = None
    if not pitches:
        changed.pitches = []
    changed.set_slop(changed.centre, changed.turning)
    return changed


@pytest.mark.parametrize("turned", [False, True])
def test_pitch_agrees_with_the_orbits_whichever_way_the_craft_pushes(turned):
    read = [tie for seed in (3, 6, 8) for tie in ties(seed, turned) if tie.pitches]
    assert len(read) >= 4
    for tie in read:
        solved = Solved.of([tie])
        assert not contradicted(tie, solved)


def test_pitch_tells_the_direction_where_the_orbits_do_not():
    ratios = [angle_sigma(vague(tie, True)) / angle_sigma(vague(tie, False)) for seed in (3, 6, 8) for tie in ties(seed) if tie.pitches]
    assert np.median(ratios) < 0.8 and max(ratios) < 1.01


def test_a_misread_pitch_is_dropped_and_the_burn_still_joins():
    tie = next(tie for tie in ties(6) if tie.pitches)
    tie.pitches = [(met, seen - 0.7 if seen > 0 else seen + 0.7, sigma) for met, seen, sigma in tie.pitches]
    assert contradicted(tie, Solved.of([tie]))
    assert disbelieved(tie) == "" and not tie.pitches
