"""Falls through air as told of flights: intervals hold the simulator's truth, parachutes are found and none invented, the orbit rests on readings above the air alone."""

import collections
import dataclasses

import numpy as np
import pytest
from planted_entries import COLUMNS, judge, planted_entry
from reconstruction import reconstruct

from analyser.fitting import fit_flight
from analyser.ingest import load_flight
from simulator.random_flights import write_flight_folder

CASES = [({}, (0, 1)), ({"drag_told": False}, (2, 3)), ({"chute": False}, (6,)), ({"event": True}, (8,)), ({"columns": (*COLUMNS, "acceleration"), "readings": 6}, (10, 12))]


@pytest.fixture(scope="module")
def tallies():
    honest, boasting = collections.defaultdict(list), collections.defaultdict(list)
    for more, seeds in CASES:
        for seed in seeds:
            flight = planted_entry(seed, **more)
            entries = reconstruct(flight).entries
            judge(honest, flight, entries=entries)
            judge(boasting, flight, boast=5.0, entries=entries)
    return honest, boasting


def test_every_entry_and_every_parachute_is_found_and_none_invented(tallies):
    honest, _ = tallies
    assert all(honest["found"]) and len(honest["found"]) == 8
    assert all(honest["openings"]), honest["misses"]


def test_intervals_hold_the_truth(tallies):
    # 95 % of some 95: eight misses would be one in a hundred
    held = [one for name, tally in tallies[0].items() if name not in ("found", "openings", "misses") for one in tally]
    assert len(held) > 85 and np.mean(held) > 0.9, tallies[0]["misses"]


def test_intervals_a_fifth_as_wide_would_not(tallies):
    held = [one for name, tally in tallies[1].items() if name not in ("found", "openings", "misses") for one in tally]
    assert np.mean(held) < 0.75


@pytest.mark.parametrize("seed", [4010, 4044, 4046])
def test_the_time_is_known_no_better_than_the_clock_allows(seed):
    """Short, hard falls, whose rates change within the second that the clock shows."""
    flight = planted_entry(seed)
    (entry,) = reconstruct(flight).entries
    clocks = sum(row["met"] <= entry.peak_met.value + 60 for row in flight.truth["rows"])
    assert entry.met.sigma > 0.9 / np.sqrt(12 * clocks)
    assert abs(entry.met.value - flight.truth["entry"]["met"]) < 3 * entry.met.sigma


@pytest.fixture(scope="module")
def fallen(tmp_path_factory):
    """One flight with a parachute, as loaded."""
    simulated = planted_entry(4)
    return load_flight(write_flight_folder(tmp_path_factory.mktemp("entry") / "flight", simulated)), simulated


def test_the_orbit_rests_on_the_readings_above_the_air(fallen):
    flight, simulated = fallen
    arc = fit_flight(flight).arcs[0]
    above = simulated.truth["entry"]["met"]
    assert max(flight.readings.table["met"].iloc[list(arc.rows)]) < above + 1
    table = flight.readings.table[flight.readings.table["met"] < above].reset_index(drop=True)
    alone = fit_flight(dataclasses.replace(flight, readings=dataclasses.replace(flight.readings, table=table)))
    assert alone.arcs[0].state == pytest.approx(arc.state, rel=1e-9)
    # what has not been flown yet is foretold
    (entry,) = alone.entries
    told = simulated.truth["entry"]
    assert entry.kind == "ahead" and not entry.openings
    assert entry.peak_deceleration.low < told["peak"] < entry.peak_deceleration.high


def test_what_drag_took_and_gravity_gave_adds_up(fallen):
    (entry,) = fit_flight(fallen[0]).entries
    assert entry.account_end == "parachute"
    assert entry.speed.value - entry.drag_loss.value + entry.gravity_gain.value == pytest.approx(entry.end_speed.value, abs=0.02)


def test_limits_of_the_craft_file_are_held_against_it(fallen):
    flight, simulated = fallen
    told = simulated.truth["entry"]

    def warned(**limits):
        (entry,) = fit_flight(dataclasses.replace(flight, craft=dataclasses.replace(flight.craft, **limits))).entries
        return entry.warnings

    assert warned() == ()
    assert warned(max_acceleration=1.2 * told["peak"], max_parachute_speed=1.2 * told["chute_speed"]) == ()
    (hard,) = warned(max_acceleration=0.8 * told["peak"])
    assert "beyond" in hard and "that the craft file allows" in hard
    (fast,) = warned(max_parachute_speed=0.8 * told["chute_speed"])
    assert "the parachute was opened at" in fast and "wait until it is slower" in fast


def test_a_pass_leaves_the_air_again_and_is_told_so():
    from simulator.conditions import altitude_above, altitude_below
    from simulator.missions import in_orbit
    from simulator.random_flights import SimulatedFlight, notes_of, panel_of
    from simulator.truth import truth_of

    made = planted_entry(4)
    planet, craft = made.world.planet, made.craft
    circular = np.sqrt(planet.mu / planet.radius)
    mass = craft.empty_mass(0) + craft.stages[0].propellant
    sim = in_orbit(made.world, craft, planet.name, 0.92 * planet.air.top, 3 * planet.radius, 0.3, 3.6)
    sim.coast(until=altitude_below(planet.air.top - 1e-3), duration=1e6)
    down = sim.met
    sim.coast(until=altitude_above(planet.air.top + 1), duration=1e5)
    up = sim.met
    assert not sim.landed
    sim.coast(duration=0.4 * up)
    mets = [*np.linspace(down * 0.2, down - 5, 7), *np.linspace(down + 5, up - 5, 5), *np.linspace(up + 20, sim.met - 5, 7)]
    book = notes_of(sim, np.random.default_rng(5), panel_of(np.random.default_rng(5), circular, 5), mets, COLUMNS)
    found = reconstruct(SimulatedFlight("pass", made.world, craft, book.csv(), {**truth_of(sim), "rows": [], "slips": []}, sim, "", book))
    entry, next_time = found.entries
    assert next_time.kind == "ahead"  # it will come back
    assert entry.kind == "pass" and entry.account_end == "leaving the air" and len(found.burns) == 0
    assert entry.met.low - 1 < down < entry.met.high + 1
    left = float(np.linalg.norm(sim.state_at(up)[1][3:6]))
    assert entry.end_speed.low - 0.1 < left < entry.end_speed.high + 0.1
    # the corridor lies below it, and says by how much
    assert entry.corridor_miss.low > 0 and any("above the corridor" in one for one in entry.warnings)
    assert mass / craft.drag_area == pytest.approx(entry.ballistic.value, rel=0.02)


def test_one_that_flies_off_for_good_meets_no_air():
    from simulator.motion import Simulation
    from simulator.random_flights import SimulatedFlight, notes_of, panel_of
    from simulator.truth import truth_of

    made = planted_entry(4)
    planet = made.world.planet
    r = 1.6 * planet.radius
    fast = 1.15 * np.sqrt(2 * planet.mu / r)
    sim = Simulation(made.world, made.craft, planet.name, (r, 0.0, 0.0), (0.96 * fast, 0.28 * fast, 0.0))
    sim.coast(duration=0.8 * r / fast)
    book = notes_of(sim, np.random.default_rng(5), panel_of(np.random.default_rng(5), fast, 5), list(np.linspace(5, sim.met - 5, 7)), COLUMNS)
    found = reconstruct(SimulatedFlight("off", made.world, made.craft, book.csv(), {**truth_of(sim), "rows": [], "slips": []}, sim, "", book))
    (arc,) = found.arcs
    assert arc.eccentricity.low > 1 and arc.periapsis_altitude.high < planet.air.top and found.entries == ()
