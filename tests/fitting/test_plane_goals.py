"""Flights flown by plans that ask for a plane and an apse line: the plan's burns, flown by the simulator, reach the goal, and the audit counts the turn."""

import math

import pytest
from reconstruction import load_flight, reconstruct, write_flight_folder
from turning import COLUMNS, WORLD, planned_flight, turning_flight

from analyser.fitting import fit_flight
from analyser.fitting.lying import Angles, least_to_lie
from analyser.fitting.margins import replan
from analyser.fitting.transfer import orbit_of_apsides

MU = WORLD["Ardent"].mu
DEG = math.radians(1)


def plan_of(start: str, goal: str) -> str:
    return f'name = "Turn"\nstart = {{ body = "Ardent", {start} }}\n[[legs]]\nname = "turn"\ngoal = {{ body = "Ardent", {goal} }}\n'


ROUND = 'orbit = "200 x 200 km", inclination = "{} deg"'


def test_planned_and_the_margin_count_the_turn():
    findings = reconstruct(turning_flight(plan_of(ROUND.format(30), ROUND.format(36))))
    (leg,), (burn,) = findings.legs, findings.burns
    turn = 2 * math.sqrt(MU / 1090e3) * math.sin(3 * DEG)
    assert leg.planned.value == pytest.approx(turn, rel=1e-6)
    assert leg.needed.value == pytest.approx(turn, rel=0.01)
    first, last = findings.margins[0], findings.margins[-1]
    assert first.needed.value == pytest.approx(turn, rel=0.02)
    # the goal was reached: what is left after it is nothing, and the margin fell by what the burn cost over the least
    assert last.legs == () and last.needed.value == 0.0
    assert first.margin.value - last.margin.value == pytest.approx(burn.spent.value - first.needed.value, abs=3 * first.margin.sigma + 3 * last.margin.sigma + 1e-6)


def test_the_rest_of_a_flight_counts_the_turn(tmp_path):
    flight = load_flight(write_flight_folder(tmp_path / "flight", turning_flight(plan_of(ROUND.format(30), ROUND.format(36)))))
    findings = fit_flight(flight)
    rest = replan(flight, findings, findings.arcs[0].start)
    turn = 2 * math.sqrt(MU / 1090e3) * math.sin(3 * DEG)
    assert rest.ideal.delta_v == pytest.approx(turn, rel=0.02)
    burn = max(rest.ideal.legs[0].burns, key=lambda burn: burn.delta_v)
    assert burn.plane_change == pytest.approx(6 * DEG, abs=0.1 * DEG) and "node" in burn.what


def test_without_places_the_margin_counts_no_turn_and_the_leg_says_so():
    findings = reconstruct(turning_flight(plan_of(ROUND.format(30), ROUND.format(36)), columns=COLUMNS))
    assert findings.margins[0].needed.value < 6.0
    assert findings.legs[0].planned.value > 200.0
    assert any("don't show the plane" in remark for remark in findings.legs[0].remarks)


def flown(here, there, goal):
    """A plan from one lie of an ellipse to another (inclination, node, argument of periapsis, deg), flown impulse by impulse."""
    first, second = (Angles(*(angle * DEG for angle in angles)) for angles in (here, there))
    orbits = [tuple(float(x) for x in orbit_of_apsides(MU, 890e3 + low, 890e3 + high)) for low, high in ((200e3, 900e3), (300e3, 900e3))]
    ideal = least_to_lie(MU, orbits[0], first, orbits[1], second, radius_min=890e3)
    start = 'orbit = "200 x 900 km", inclination = "{} deg", longitude_of_ascending_node = "{} deg", argument_of_periapsis = "{} deg"'.format(*here)
    simulated = planned_flight(plan_of(start, f'orbit = "300 x 900 km", {goal}'), (200e3, 900e3), (first.inclination, first.node, first.argument), ideal.impulses)
    return ideal, reconstruct(simulated)


@pytest.mark.parametrize(("here", "there", "goal"), [
    ((30, 20, 40), (30, 20, 75), 'argument_of_periapsis = "75 deg"'),
    ((30, 20, 40), (36, 20, 75), 'inclination = "36 deg", argument_of_periapsis = "75 deg"'),
    ((30, 20, 40), (30, 40, 40), 'inclination = "30 deg", longitude_of_ascending_node = "40 deg", argument_of_periapsis = "40 deg"'),
])  # fmt: skip
def test_a_plan_flown_reaches_the_plane_and_the_apse_line(here, there, goal):
    ideal, findings = flown(here, there, goal)
    (leg,) = findings.legs
    assert leg.planned.value == pytest.approx(ideal.delta_v, rel=1e-4)
    assert findings.margins[0].needed.value == pytest.approx(ideal.delta_v, rel=0.02)
    assert leg.needed.value == pytest.approx(ideal.delta_v, rel=0.04)
    assert leg.still_needed.value < 0.05 * ideal.delta_v
    for name, wanted in (("inclination", "inclination"), ("ascending_node_longitude", "longitude_of_ascending_node"), ("argument_of_periapsis", "argument_of_periapsis")):
        if wanted in goal:
            assert abs(leg.miss[name].value) < 1.0 * DEG, name
        else:
            assert name not in leg.miss
    parts = leg.burn_loss.value + leg.correction_loss.value + (leg.placement_loss.value if leg.placement_loss.known else 0.0)
    assert parts == pytest.approx(leg.spent.value - leg.needed.value, abs=1e-6)
    assert leg.out_of_plane_loss.value < 0.1 * ideal.delta_v


def test_an_apse_line_left_where_it_was_is_a_miss_and_still_to_do():
    _, findings = flown((30, 20, 40), (30, 20, 75), 'argument_of_periapsis = "110 deg"')
    (leg,) = findings.legs
    assert leg.miss["argument_of_periapsis"].value == pytest.approx(-35 * DEG, abs=1 * DEG)
    energy, h = orbit_of_apsides(MU, 1190e3, 1790e3)
    single = 2 * MU / float(h) * (600 / 2980) * math.sin(17.5 * DEG)
    assert 0.3 * single < leg.still_needed.value < 1.05 * single
