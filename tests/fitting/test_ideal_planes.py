"""Plans that ask for a plane and an apse line: against closed forms, and their burns flown one by one into the orbit wanted."""

import math

import numpy as np
import pytest

from analyser.fitting import elements, ideal
from analyser.fitting.lying import Angles, angle_between, least_to_lie
from analyser.fitting.maneuvers import plane_angle
from analyser.fitting.transfer import orbit_of_apsides
from analyser.flight import STANDARD_GRAVITY, Atmosphere, Body, Craft, Goal, Leg, Plan, Stage, World

MU, RADIUS = 6.1e12, 890e3
ARDENT = Body("Ardent", MU, RADIUS, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5457e3)
WORLD = World("made", {"Ardent": ARDENT, "Lull": LULL})
HERON = Craft("Heron", (Stage("lander", 2900.0, 9400.0, 58e3, 318.0),))
DEG = math.radians(1)


def orbit(low, high, tilt=math.nan, node=math.nan, argument=math.nan):
    angles = (angle * DEG for angle in (tilt, node, argument))
    tilt, node, argument = angles
    return Goal("orbit", "Ardent", low, high, tilt, longitude_of_ascending_node=node, argument_of_periapsis=argument)


def planned(start, *goals):
    return ideal.plan_mission(Plan("p", start, tuple(Leg(f"leg {k}", goal) for k, goal in enumerate(goals))), WORLD, HERON, check=False)


def ends(found, axis):
    """Elements before the first impulse and after the last."""
    states = (found.impulses[0].position, found.impulses[0].velocity_before), (found.impulses[-1].position, found.impulses[-1].velocity_after)
    return [getattr(elements.classical_elements(MU, *state), axis) for state in states]


def test_a_turn_of_a_round_orbit_is_at_the_node_and_costs_what_the_books_say():
    """2 v sin(angle / 2) (Vallado, Fundamentals of Astrodynamics and Applications, section 6.4)."""
    found = planned(orbit(200e3, 200e3, 30), orbit(200e3, 200e3, 36))
    ((burn,),) = (leg.burns for leg in found.legs)
    speed = math.sqrt(MU / 1090e3)
    assert burn.delta_v == pytest.approx(2 * speed * math.sin(3 * DEG), rel=1e-9)
    assert burn.normal == pytest.approx(speed * math.sin(6 * DEG), rel=1e-6)
    assert burn.plane_change == pytest.approx(6 * DEG) and burn.argument_of_latitude == pytest.approx(0.0, abs=1e-6)
    assert burn.what.endswith("at the ascending node") and "left" in burn.what
    down = planned(orbit(200e3, 200e3, 36), orbit(200e3, 200e3, 30)).legs[0].burns[0]
    # less inclination: to the left where the orbit comes down through the equator
    assert (math.copysign(1, down.normal), "descending" in down.what) in ((1.0, True), (-1.0, False))
    assert down.delta_v == pytest.approx(burn.delta_v, rel=1e-9)


def test_the_propellant_and_the_margin_count_the_turn():
    flat, turned = planned(orbit(200e3, 200e3, 30), orbit(200e3, 200e3)), planned(orbit(200e3, 200e3, 30), orbit(200e3, 200e3, 36))
    exhaust = 318 * STANDARD_GRAVITY
    assert flat.delta_v == pytest.approx(0.0, abs=1e-6)
    assert turned.margin == pytest.approx(12300 * math.exp(-turned.delta_v / exhaust) - 2900, abs=1e-6)
    assert turned.margin_delta_v == pytest.approx(flat.margin_delta_v - turned.delta_v, abs=1e-3)


def test_a_turn_of_the_node_is_the_angle_between_the_planes():
    found = planned(orbit(200e3, 200e3, 40, 10), orbit(200e3, 200e3, 40, 50))
    angle = plane_angle(40 * DEG, 40 * DEG, 40 * DEG)
    assert found.delta_v == pytest.approx(2 * math.sqrt(MU / 1090e3) * math.sin(angle / 2), rel=1e-9)
    # and where one is not known, only the inclination counts, and that is said
    open_node = planned(orbit(200e3, 200e3, 40), orbit(200e3, 200e3, 40, 50))
    assert open_node.delta_v == pytest.approx(0.0, abs=1e-6)
    assert any("node" in remark and "not known" in remark for remark in open_node.legs[0].remarks)


def test_the_plane_is_carried_from_leg_to_leg():
    found = planned(orbit(200e3, 200e3), orbit(200e3, 200e3, 20), orbit(200e3, 400e3), orbit(200e3, 400e3, 20), orbit(200e3, 400e3, 0))
    assert any("over the equator" in remark for remark in found.remarks)
    costs = [leg.delta_v for leg in found.legs]
    assert costs[0] == pytest.approx(2 * math.sqrt(MU / 1090e3) * math.sin(10 * DEG), rel=1e-9)
    assert costs[2] == pytest.approx(0.0, abs=1e-4)
    # back by 20 degrees at the apoapsis, or with the turn shared between both
    apoapsis = 2 * float(orbit_of_apsides(MU, 1090e3, 1290e3)[1]) / 1290e3 * math.sin(10 * DEG)
    assert 0.9 * apoapsis < costs[3] <= apoapsis * (1 + 1e-9)


def test_an_apse_line_asked_for_is_paid_for():
    """One ellipse turned in its plane by one impulse: 2 mu / h e sin(turn / 2) (Curtis, Orbital Mechanics for Engineering Students, section 6.7); two are never dearer."""
    found = planned(orbit(200e3, 900e3, 20, 0, 40), orbit(200e3, 900e3, argument=70))
    energy, h = orbit_of_apsides(MU, 1090e3, 1790e3)
    single = 2 * MU / h * (700 / 2880) * math.sin(15 * DEG)
    assert 0.3 * single < found.delta_v <= single * (1 + 1e-9)
    assert planned(orbit(200e3, 900e3, 20, 0, 40), orbit(200e3, 900e3)).delta_v == pytest.approx(0.0, abs=1e-5)
    # from a round orbit it is a matter of where to burn, and costs nothing more
    free, fixed = (planned(orbit(200e3, 200e3, 20), orbit(200e3, 900e3, argument=argument)) for argument in (math.nan, 70))
    assert fixed.delta_v == pytest.approx(free.delta_v, rel=1e-9)
    (burn,) = fixed.legs[0].burns
    assert burn.argument_of_latitude == pytest.approx(70 * DEG, abs=1e-6)


@pytest.mark.parametrize(("here", "there"), [
    ((30, 10, 40), (36, 10, math.nan)), ((30, 10, 40), (30, 50, 100)), ((30, 10, math.nan), (45, 10, 90)), ((20, 0, 40), (20, 0, 110)), ((0, math.nan, math.nan), (28, 70, 200)),
    ((60, 0, 10), (120, 0, 10)),
])  # fmt: skip
def test_the_burns_lead_to_the_orbit_as_it_is_to_lie(here, there):
    first, second = (Angles(*(angle * DEG for angle in angles)) for angles in (here, there))
    orbits = [tuple(float(x) for x in orbit_of_apsides(MU, *apsides)) for apsides in ((1.09e6, 1.6e6), (1.2e6, 2.4e6))]
    found = least_to_lie(MU, orbits[0], first, orbits[1], second, radius_min=RADIUS)
    tilts, nodes, arguments = (ends(found, name) for name in ("inclination", "longitude_of_ascending_node", "argument_of_periapsis"))
    assert tilts == pytest.approx([first.inclination, second.inclination], abs=1e-6)
    if math.isfinite(second.argument):
        assert math.remainder(arguments[1] - second.argument, 2 * math.pi) == pytest.approx(0.0, abs=1e-6)
    if math.isfinite(first.argument) and math.isfinite(second.argument):
        assert math.remainder(arguments[0] - first.argument, 2 * math.pi) == pytest.approx(0.0, abs=1e-6)
    if math.isfinite(second.node):
        assert math.remainder(nodes[1] - second.node, 2 * math.pi) == pytest.approx(0.0, abs=1e-6)
    one, last = found.impulses[0], found.impulses[-1]
    for (position, velocity), (energy, h) in (((one.position, one.velocity_before), orbits[0]), ((last.position, last.velocity_after), orbits[1])):
        assert velocity @ velocity / 2 - MU / np.linalg.norm(position) == pytest.approx(energy, rel=1e-7)
        assert np.linalg.norm(np.cross(position, velocity)) == pytest.approx(h, rel=1e-7)
    if len(found.impulses) == 2:
        position, velocity = elements.propagate(MU, one.position, one.velocity_after, found.duration)
        np.testing.assert_allclose(position, last.position, atol=1e-6 * last.radius)
        np.testing.assert_allclose(velocity, last.velocity_before, atol=1e-6 * last.speed_before)
    assert angle_between(first, second) == pytest.approx(
        plane_angle(first.inclination, second.inclination, 0.0 if math.isnan(first.node + second.node) else second.node - first.node), abs=1e-7
    )


def test_a_periapsis_with_a_turn_goes_out_as_far_as_pays():
    """A large turn on the way to a periapsis: the orbit reached is as high as makes the whole cheapest; none of other heights costs less."""
    goal = Goal("periapsis", "Ardent", 150e3, inclination=50 * DEG)
    found = planned(orbit(200e3, 200e3, 0), goal).legs[0].delta_v
    others = [planned(orbit(200e3, 200e3, 0), orbit(150e3, high, 50)).legs[0].delta_v for high in (200e3, 500e3, 1500e3, 5000e3, 20000e3, 60000e3)]
    assert found <= min(others) * (1 + 1e-6)
    assert found > 0.7 * min(others)


def test_arrivals_and_lift_offs_take_the_plane_asked_for():
    moon = Goal("periapsis", "Lull", 30e3, inclination=60 * DEG)
    found = planned(orbit(200e3, 200e3, 0), moon, Goal("orbit", "Lull", 30e3, 30e3, 60 * DEG), Goal("orbit", "Lull", 30e3, 30e3, 70 * DEG))
    assert any("60 deg" in remark and "not counted" in remark for remark in found.legs[0].remarks)
    assert found.legs[2].delta_v == pytest.approx(2 * math.sqrt(2.1e11 / 340e3) * math.sin(5 * DEG), rel=1e-6)
    costs = [planned(Goal("landed", "Lull"), Goal("orbit", "Lull", 20e3, 20e3, tilt * DEG)).delta_v for tilt in (0, 90, 180)]
    ground = 2 * math.pi / 247_500.0 * 310e3
    assert costs[2] - costs[0] == pytest.approx(2 * ground, rel=1e-3)  # against the ground's turning, by vectors
    assert costs[0] < costs[1] < costs[2]


@pytest.mark.parametrize("goal", [orbit(70e3, 2000e3), orbit(70e3, 2000e3, argument=200), orbit(70e3, 2000e3, 50, 0, 200)])
def test_burns_and_coasts_between_them_keep_above_the_air(goal):
    """From an ellipse that dips into the air, and between ellipses whose shortest way would."""
    for low in (34e3, 80e3):
        leg = planned(orbit(low, 2500e3, 20, 0, 30), goal).legs[0]
        assert leg.delta_v > 0 and all(burn.altitude >= 58e3 - 1 for burn in leg.burns)
    if not math.isnan(goal.argument_of_periapsis):
        here, there = Angles(20 * DEG, 0.0, 30 * DEG), Angles(20 * DEG, 0.0, 30 * DEG).after(Angles(goal.inclination, goal.longitude_of_ascending_node, goal.argument_of_periapsis))
        orbits = [tuple(float(x) for x in orbit_of_apsides(MU, RADIUS + low, RADIUS + high)) for low, high in ((80e3, 2500e3), (70e3, 2000e3))]
        found = least_to_lie(MU, orbits[0], here, orbits[1], there, radius_min=RADIUS + 58e3)
        one, last = found.impulses
        positions, _ = elements.propagate(MU, one.position, one.velocity_after, np.linspace(0, found.duration, 2000))
        assert np.linalg.norm(positions, axis=1).min() >= (RADIUS + 58e3) * (1 - 1e-6)
        np.testing.assert_allclose(positions[-1], last.position, atol=1e-6 * last.radius)
