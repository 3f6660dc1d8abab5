"""Replanning a flown flight, and the margin over time: against the whole plan, the gauge, the simulator's sample flights."""

import dataclasses
import math
from pathlib import Path

import pytest
from reconstruction import reconstruct
from simulator.random_flights import random_flight

from analyser.errors import InputError
from analyser.fitting import fit_flight, margins, powered
from analyser.fitting.ideal import Place, plan_mission
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import least_delta_v
from analyser.flight import STANDARD_GRAVITY, Body, Craft, Stage
from analyser.ingest.flights import load_flight

FLIGHTS = Path(__file__).resolve().parents[2] / "samples" / "flights"
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5457e3)


@pytest.fixture(scope="module")
def first_try():
    flight = load_flight(FLIGHTS / "first-try")
    return flight, fit_flight(flight)


def test_the_margin_is_the_tanks_less_the_rest(first_try):
    flight, found = first_try
    assert [item.burn for item in found.margins] == [None, *range(len(found.burns))]
    exhaust = 318 * STANDARD_GRAVITY
    for item in found.margins:
        assert item.available.value == pytest.approx(exhaust * math.log((2900 + item.propellant.value) / 2900), rel=1e-9)
        assert item.margin.value == pytest.approx(item.available.value - item.needed.value, abs=1e-9)
        assert item.margin.low < item.margin.value < item.margin.high
    # at the start it is the plan's own margin but for what the orbit differs from the plan's start, which no way of flying on can be worth more than
    first, ardent = found.margins[0], flight.world["Ardent"]
    radius, climb, level = found.arcs[0].state
    orbits = ((climb**2 + level**2) / 2 - ardent.mu / radius, radius * level), Place.around(ardent, 80e3, 80e3).orbit
    apart = max(float(least_delta_v(ardent.mu, *a, *b, radius_min=ardent.radius)) for a, b in (orbits, orbits[::-1]))
    assert abs(first.needed.value - found.ideal.delta_v) < apart + first.doubt + 0.05
    assert apart < 5.0
    assert found.margins[-1].legs == ("entry",) and found.margins[-1].needed.value == 0.0


def falls_of(margins):
    """(fall of the margin through a burn, least that it may be): below 0 by no more than what is stated, and three standard deviations of both."""
    known = [item for item in margins if item.margin.known]
    return [
        (a.margin.value - b.margin.value, -(a.doubt + b.doubt + b.goal_slack + 3 * math.hypot(a.margin.sigma, b.margin.sigma)))
        for a, b in zip(known, known[1:])
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["first-try", "wrong-way"])
def test_no_burn_adds_to_the_margin_in_the_samples(name, first_try):
    """What is left to fly at its least costs at least as much less as a burn spent: a least that rises is none."""
    found = first_try[1] if name == "first-try" else fit_flight(load_flight(FLIGHTS / name))
    falls = falls_of(found.margins)
    assert len(falls) > 8
    assert all(fall > least for fall, least in falls), falls
    assert all(item.doubt < 1.0 for item in found.margins)


@pytest.mark.parametrize(("seed", "mission"), [(3, "transfer"), (4, "there and back"), (5, "transfer"), (7, "orbits"), (8, "orbits"), (9, "landing")])
def test_no_burn_adds_to_the_margin_in_random_flights(seed, mission):
    """Worlds with moons on circles and ellipses, landings, changes of orbit."""
    falls = falls_of(reconstruct(random_flight(seed, mission=mission)).margins)
    assert falls and all(fall > least for fall, least in falls), falls


def test_what_a_descent_wastes_comes_off_the_margin(first_try):
    """A leg flown from goal to goal takes off the margin what it spent over the least of its craft, solved anew from the orbit it began in."""
    flight, found = first_try
    descent = next(leg for leg in found.legs if leg.name == "descent")
    after = {item.burn: item for item in found.margins if item.burn is not None}
    before = after[descent.burns[0] - 1]
    fall = before.margin.value - after[descent.burns[-1]].margin.value
    arc = found.arcs[before.arc]
    radius, climb, level = arc.state
    orbit = (climb**2 + level**2) / 2 - LULL.mu / radius, radius * level
    engine = (58e3, 318 * STANDARD_GRAVITY)
    best = powered.descent(LULL.mu, LULL.radius, orbit, 2900.0 + before.propellant.value, *engine, surface_speed=LULL.surface_rotation_speed)
    # after the ideal descent the craft would have been heavier, and its climb dearer
    climbs = [
        powered.ascent(LULL.mu, LULL.radius, Place.around(LULL, 20e3, 20e3).orbit, mass, *engine, surface_speed=LULL.surface_rotation_speed).delta_v
        for mass in ((2900.0 + before.propellant.value) * math.exp(-best.delta_v / engine[1]), 2900.0 + after[descent.burns[-1]].propellant.value)
    ]
    wasted = descent.spent.value - best.delta_v - (climbs[0] - climbs[1])
    assert fall == pytest.approx(wasted, abs=before.doubt + after[descent.burns[-1]].doubt + 3 * descent.spent.sigma)


def test_a_rest_planned_at_length_is_the_row_of_the_table(first_try):
    flight, found = first_try
    for item in found.margins[1:12:5]:
        rest = margins.replan(flight, found, item.met)
        assert tuple(leg.name for leg in rest.ideal.legs) == item.legs
        # landings are carried over in the table, and it says how good that is
        assert rest.ideal.delta_v == pytest.approx(item.needed.value, abs=item.doubt + 0.01)
        assert rest.ideal.margin_delta_v == pytest.approx(item.margin.value, abs=item.doubt + 0.01)


def bounds_of_landing_and_climb() -> dict[str, float]:
    """By the textbook: along the ground, into the ellipse, and there; the ground turns."""
    turning = 2 * math.pi / 247_500.0 * 310e3
    found = {}
    for leg, top in (("descent", 340e3), ("ascent", 330e3)):
        leave = math.sqrt(2 * 2.1e11 * top / 310e3 / (310e3 + top))
        found[leg] = leave - turning + math.sqrt(2.1e11 / top) - leave * 310e3 / top
    return found


def test_less_in_the_tanks_is_short(first_try):
    """The same flight read with 1300 kg less in the tanks: by the rocket equation, and not enough."""
    flight, found = first_try
    table = flight.readings.table.copy()
    table.loc[table.index[:12], "propellant"] -= 1300.0
    poor = dataclasses.replace(flight, readings=dataclasses.replace(flight.readings, table=table))
    rest = margins.replan(poor, found, found.margins[0].met)
    exhaust = 318 * STANDARD_GRAVITY
    assert rest.margin.available.value == pytest.approx(exhaust * math.log((2900 + 8100) / 2900), rel=1e-9)
    # a lighter craft lands and climbs more cheaply, but never below the bound with impulses: between these two lies what is left
    full = margins.replan(flight, found, found.margins[0].met).ideal
    losses = [full.leg(name).delta_v - bound for name, bound in bounds_of_landing_and_climb().items()]
    low, high = (8100 - 11000 * -math.expm1(-delta_v / exhaust) for delta_v in (full.delta_v, full.delta_v - math.fsum(losses)))
    assert low < rest.ideal.margin < high
    assert 0 < high - low < 60.0


@pytest.mark.parametrize(
    ("met", "said"), [(-5.0, "outside the flight"), (4.0e5, "outside the flight"), (4400.0, "is in burn 1")],
)
def test_moments_that_name_no_orbit_are_told(first_try, met, said):
    with pytest.raises(InputError, match=said):
        margins.replan(*first_try, met)


def test_what_a_rest_needs_is_told(first_try):
    flight, found = first_try
    with pytest.raises(InputError, match="craft"):
        margins.replan(dataclasses.replace(flight, craft=None), found, 5000.0)
    with pytest.raises(InputError, match="no plan"):
        margins.replan(dataclasses.replace(flight, plan=None), found, 5000.0)
    with pytest.raises(InputError, match="nothing is left"):
        margins.replan(flight, found, found.arcs[-1].end)
    assert margins.margins_over_time(dataclasses.replace(flight, plan=None), found) == ()


@pytest.mark.parametrize("kind", ["descent", "ascent"])
@pytest.mark.parametrize(("push", "scale"), [(1.6, 1.012), (3.0, 1.04), (3.0, 0.96), (8.0, 1.3)])
def test_a_landing_carried_over_is_the_landing_solved(kind, push, scale):
    """From one mass to another: within its own stated error of the optimum solved anew from a cold start."""
    exhaust = 318 * STANDARD_GRAVITY

    def tanks(push):
        craft = Craft("made", (Stage("one", 1000.0, 9000.0, push * 10_000.0 * LULL.surface_gravity, 318.0),))
        return Tanks(craft, 0, 9000.0)

    orbit = Place.around(LULL, 30e3, 30e3).orbit
    memory = PoweredMemory()
    memory.solve(kind, LULL, orbit, tanks(push))
    carried = memory.near(kind, LULL, orbit, tanks(push * scale))
    assert len(memory.solved) == 1
    solved = getattr(powered, kind)(LULL.mu, LULL.radius, orbit, 10_000.0, tanks(push * scale).thrust, exhaust, surface_speed=LULL.surface_rotation_speed)
    # it says itself how far it can be off, and that is never more than 1e-3
    assert abs(carried.delta_v - solved.delta_v) < carried.mesh_change * solved.delta_v
    assert carried.mesh_change < 1e-3
    memory.near(kind, LULL, orbit, tanks(push * 2.0))
    assert len(memory.solved) == 2  # too far to carry


def test_a_plan_keeps_its_landings(first_try):
    flight, found = first_try
    memory = PoweredMemory()
    plan_mission(flight.plan, flight.world, flight.craft, memory=memory)
    assert {one.kind for one in memory.solved} == {"descent", "ascent"}


def test_the_rest_of_a_flight_is_planned_without_judging_it(first_try):
    flight, found = first_try
    alone = fit_flight(flight, judged=False)
    assert (alone.legs, alone.advice, alone.entries, alone.ideal) == ((), (), (), None)
    assert [dataclasses.replace(burn, leg="") for burn in found.burns] == list(alone.burns) and found.transitions == alone.transitions
    for met in (found.arcs[0].start, found.arcs[4].end):
        assert margins.replan(flight, alone, met).margin == margins.replan(flight, found, met).margin
