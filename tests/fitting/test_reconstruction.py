"""Whole flights, reconstructed from their notes, hold the truth: coverage, burns found, slips caught.

A few dozen seeded flights; ``python tests/fitting/reconstruction.py --flights 300`` makes the table of DEVELOPERS.md from as many as wanted.
Worlds, craft, gauges, burns and slips are random (:mod:`simulator.random_flights`), none of them a sample's.
"""

import math

import pytest
from bounds import bounds_of
from reconstruction import Tally, compare, narrowing, reconstruct
from simulator.random_flights import random_flight

FLIGHTS = range(1000, 1020)
SLIPPED = range(1100, 1112)


def least(count: int) -> float:
    """The share below which fewer than one honest estimate in a thousand would fall by chance, for ``count`` 95 % intervals that are half as many
    independent ones: the figures of one orbit, and coasts joined by a burn, err together."""
    return 0.95 - 3.1 * math.sqrt(0.95 * 0.05 / (count / 2))


@pytest.fixture(scope="module")
def flown():
    """(joined, coast by coast, boasting): tallies of the same flights."""
    tallies = Tally(), Tally(), Tally(boast=2.5)
    for seed in FLIGHTS:
        simulated = random_flight(seed)
        joined = reconstruct(simulated)
        for tally, found in zip(tallies, (joined, reconstruct(simulated, joined=False), joined)):
            compare(tally, found, simulated.truth, f"seed {seed}", bounds_of(simulated) if tally is tallies[0] else None)
    return tallies


QUANTITIES = ("semi_major_axis", "eccentricity", "periapsis_altitude", "apoapsis_altitude", "period", "periapsis_time", "ignition", "cutoff", "spent", "net")


@pytest.mark.parametrize("name", QUANTITIES)
def test_intervals_hold_the_truth(flown, name):
    joined = flown[0]
    inside, given = joined.held[name]
    assert given > 30
    assert inside / given >= least(given), [miss for miss in joined.misses if miss[1] == name]


@pytest.mark.parametrize("name", ("semi_major_axis", "periapsis_altitude", "period", "spent", "net"))
def test_narrower_intervals_fail_the_same_test(flown, name):
    """Negative control: intervals two and a half times too narrow are caught."""
    inside, given = flown[2].held[name]
    assert inside / given < least(given)


@pytest.mark.parametrize("name", [name for name in QUANTITIES if name not in ("ignition", "cutoff")])
def test_intervals_are_hardly_wider_than_they_must_be(flown, name):
    """Median interval over that of the Cramer-Rao bound, which is computed from the true motion."""
    assert 0.9 < flown[0].over_bound(name) < 1.3


def test_ignition_and_cutoff_within_the_spacing_of_readings(flown):
    assert max(abs(part) for part in flown[0].spacing) <= 1


def test_every_burn_is_found_and_none_invented(flown):
    joined = flown[0]
    assert joined.burns > 30
    assert (joined.found, joined.invented) == (joined.burns, 0), joined.misses


def test_good_readings_are_kept(flown):
    assert flown[0].thrown_away < 0.005 * flown[0].values


def test_joined_intervals_are_narrower(flown):
    """What burns spent and their net by a quarter or more in the middle, figures of the orbits too, and hardly ever wider."""
    ratio = narrowing(flown[0], flown[1])
    assert ratio["spent"][0] < 0.75 and ratio["net"][0] < 0.75
    for name in QUANTITIES[:6]:
        middle, most, _ = ratio[name]
        assert middle < 0.99 and most < 1.05, name


def test_slips_are_caught_and_spoil_nothing():
    tally = Tally()
    for seed in SLIPPED:
        simulated = random_flight(seed, slip_rate=0.03)
        compare(tally, reconstruct(simulated), simulated.truth, f"seed {seed}")
    assert tally.gross > 30
    assert tally.caught >= 0.95 * tally.gross, tally.misses
    assert tally.thrown_away < 0.005 * tally.values
    assert (tally.found, tally.invented) == (tally.burns, 0)
    for name in QUANTITIES:
        inside, given = tally.held[name]
        assert inside / given >= least(given) - 0.01, name
