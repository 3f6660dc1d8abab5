"""Replanning a flown flight, and the margin over time: against the whole plan, the gauge, the simulator's sample flights."""

import dataclasses
import math
from pathlib import Path

import pytest

from analyser.errors import InputError
from analyser.fitting import fit_flight, margins, powered
from analyser.fitting.ideal import Place, plan_mission
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.tanks import Tanks
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
    # at the start, from nearly the plan's own orbit, it is nearly the plan's own margin
    assert found.margins[0].margin.value == pytest.approx(found.ideal.margin_delta_v, abs=3.0)
    assert found.margins[-1].legs == ("entry",) and found.margins[-1].needed.value == 0.0


def test_what_burns_waste_comes_off_the_margin(first_try):
    """A leg flown from goal to goal takes off the margin what it spent over its ideal; no burn can add to it by more than the model's slack."""
    flight, found = first_try
    falls = [a.margin.value - b.margin.value for a, b in zip(found.margins, found.margins[1:])]
    assert min(falls) > -3.0
    descent = next(leg for leg in found.legs if leg.name == "descent")
    after = {item.burn: item for item in found.margins if item.burn is not None}
    before = after[descent.burns[0] - 1]
    fall = before.margin.value - after[descent.burns[-1]].margin.value
    assert fall == pytest.approx(descent.waste.value, rel=0.12)


def test_a_rest_planned_at_length_is_the_row_of_the_table(first_try):
    flight, found = first_try
    for item in found.margins[1:12:5]:
        rest = margins.replan(flight, found, item.met)
        assert tuple(leg.name for leg in rest.ideal.legs) == item.legs
        assert rest.ideal.delta_v == pytest.approx(item.needed.value, abs=0.5)  # landings are carried over in the table
        assert rest.ideal.margin_delta_v == pytest.approx(item.margin.value, abs=0.5)


def test_less_in_the_tanks_is_short(first_try):
    """The same flight read with 1300 kg less in the tanks: by the rocket equation, and not enough."""
    flight, found = first_try
    table = flight.readings.table.copy()
    table.loc[table.index[:12], "propellant"] -= 1300.0
    poor = dataclasses.replace(flight, readings=dataclasses.replace(flight.readings, table=table))
    rest = margins.replan(poor, found, found.margins[0].met)
    exhaust = 318 * STANDARD_GRAVITY
    assert rest.margin.available.value == pytest.approx(exhaust * math.log((2900 + 8100) / 2900), rel=1e-9)
    assert rest.ideal.margin < found.ideal.margin - 300 and rest.ideal.margin == pytest.approx(8100 - 11000 * -math.expm1(-rest.ideal.delta_v / exhaust), abs=1e-3)


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
    """From one mass to another: within 1e-3 of the delta-v of the optimum solved anew."""
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
    assert carried.delta_v == pytest.approx(solved.delta_v, rel=1e-3)
    memory.near(kind, LULL, orbit, tanks(push * 2.0))
    assert len(memory.solved) == 2  # too far to carry


def test_a_plan_keeps_its_landings(first_try):
    flight, found = first_try
    memory = PoweredMemory()
    plan_mission(flight.plan, flight.world, flight.craft, memory=memory)
    assert {one.kind for one in memory.solved} == {"descent", "ascent"}
