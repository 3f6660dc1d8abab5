"""The ideal plan: chains that close, propellant by the rocket equation through stages, unknown parts, every kind of leg."""

import math

import pytest

from analyser.fitting import ideal, transfer
from analyser.fitting.tanks import Tanks
from analyser.flight import STANDARD_GRAVITY, Atmosphere, Body, Craft, Goal, Leg, Plan, Stage, World

ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5457e3)
FAR = Body("Far", 9e10, 240e3, math.inf, "Ardent", 60_000e3, sphere_of_influence=9000e3)
WORLD = World("made", {"Ardent": ARDENT, "Lull": LULL, "Far": FAR})
HERON = Craft("Heron", (Stage("lander", 2900.0, 9400.0, 58e3, 318.0),))
BACK = Plan(
    "There and back",
    Goal("orbit", "Ardent", 80e3, 80e3),
    (
        Leg("transfer", Goal("periapsis", "Lull", 30e3)), Leg("capture", Goal("orbit", "Lull", 30e3, 30e3)), Leg("descent", Goal("landed", "Lull")),
        Leg("ascent", Goal("orbit", "Lull", 20e3, 20e3)), Leg("return", Goal("periapsis", "Ardent", 34e3)),
        Leg("entry", Goal("landed", "Ardent", by="atmosphere")),
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def there_and_back():
    return ideal.plan_mission(BACK, WORLD, HERON)


def test_every_leg_is_there_and_adds_up(there_and_back):
    assert [leg.name for leg in there_and_back.legs] == [leg.name for leg in BACK.legs]
    for leg in there_and_back.legs:
        assert leg.delta_v == pytest.approx(sum(burn.delta_v for burn in leg.burns), abs=1e-9)
        assert leg.propellant == pytest.approx(sum(burn.propellant for burn in leg.burns), abs=1e-9)
        assert math.isfinite(leg.duration)
    # all of it burnt by one stage: the rocket equation over the whole
    exhaust = 318 * STANDARD_GRAVITY
    burnt = 12300 * -math.expm1(-there_and_back.delta_v / exhaust)
    assert there_and_back.margin == pytest.approx(9400 - burnt, abs=1e-3)
    assert there_and_back.margin_delta_v == pytest.approx(exhaust * math.log(12300 / 2900) - there_and_back.delta_v, abs=1e-3)


def test_legs_are_what_hand_reckoning_says(there_and_back):
    """Within a few per cent of the textbook's patched conics with spheres of influence as points, and each above its bound."""
    legs = {leg.name: leg for leg in there_and_back.legs}
    r, d = 970e3, 21_000e3
    leave = math.sqrt(2 * 6.1e12 * d / r / (r + d)) - math.sqrt(6.1e12 / r)
    excess = math.sqrt(6.1e12 / d) - math.sqrt(2 * 6.1e12 * r / d / (r + d))
    brake = math.sqrt(excess**2 + 2 * 2.1e11 / 340e3) - math.sqrt(2.1e11 / 340e3)
    assert legs["transfer"].delta_v == pytest.approx(leave, rel=0.02)
    assert legs["transfer"].delta_v + legs["capture"].delta_v < leave + brake
    assert legs["capture"].delta_v == pytest.approx(brake, rel=0.15)
    (burn,) = legs["capture"].burns
    assert burn.altitude == pytest.approx(30e3, abs=5)
    assert burn.speed_after == pytest.approx(math.sqrt(2.1e11 / 340e3), abs=0.1)
    bound = transfer.least_delta_v(2.1e11, *ideal.Place.around(LULL, 30e3, 30e3).orbit, *ideal.Place.on(LULL).orbit, radius_min=310e3)
    assert bound < legs["descent"].delta_v < 1.03 * bound
    assert legs["entry"].delta_v == 0 and "no burn" in legs["entry"].remarks[0]


def test_a_pilot_can_copy_the_burns(there_and_back):
    burns = [burn for leg in there_and_back.legs for burn in leg.burns]
    for burn in burns:
        assert burn.what and burn.altitude >= 0 and burn.delta_v > 0 and burn.met >= 0
        assert burn.duration == pytest.approx(burn.propellant * 318 * STANDARD_GRAVITY / 58e3)
        if "brake" not in burn.what and "lift off" not in burn.what:
            assert abs(burn.speed_after - burn.speed_before) == pytest.approx(burn.delta_v, abs=0.01)
    assert "ahead" in burns[0].what
    assert there_and_back.leg("ascent").burns[0].what.startswith("lift off")


def test_plan_from_a_flown_orbit_costs_what_it_is_off_by():
    """From the goal's own orbit nothing; from one with too low a periapsis, the burn that lifts it."""
    here = ideal.Place.around(LULL, 20e3, 20e3)
    assert ideal.plan_leg(Goal("orbit", "Lull", 20e3, 20e3), WORLD, HERON, here).ideal.delta_v == pytest.approx(0, abs=1e-6)
    low = ideal.Place.around(LULL, 12e3, 20e3)
    found = ideal.plan_leg(Goal("orbit", "Lull", 20e3, 20e3), WORLD, HERON, low)
    (burn,) = found.ideal.burns
    assert burn.what == "prograde at apoapsis"
    assert burn.delta_v == pytest.approx(math.sqrt(2.1e11 / 330e3) - low.angular_momentum / 330e3)
    assert found.end.orbit == pytest.approx(here.orbit)


def test_what_the_rest_costs_can_be_replanned():
    """From the end of the descent with half the propellant gone the rest is planned as the whole plan had it."""
    whole = ideal.plan_mission(BACK, WORLD, HERON)
    rest = Plan("rest", Goal("landed", "Lull"), BACK.legs[3:])
    left = Tanks(HERON, 0, 3245.0)
    found = ideal.plan_mission(rest, WORLD, HERON, tanks=left)
    assert found.delta_v == pytest.approx(sum(leg.delta_v for leg in whole.legs[3:]), abs=0.5)
    assert found.margin == pytest.approx(whole.margin, abs=5)
    short = ideal.plan_mission(rest, WORLD, HERON, tanks=Tanks(HERON, 0, 1100.0))
    assert short.margin < 0 and short.margin_delta_v < 0 and "short" in short.remarks[-1]


def test_stages_drop_on_the_way():
    """A burn through a staging costs what the two stages' rocket equations say."""
    craft = Craft("two", (Stage("first", 1000.0, 5000.0, 200e3, 280.0), Stage("second", 500.0, 2000.0, 40e3, 320.0)))
    tanks, used, duration = Tanks.full(craft).spend(2500.0)
    g = STANDARD_GRAVITY
    first = 280 * g * math.log(8500 / 3500)
    second = 2500 * -math.expm1(-(2500 - first) / (320 * g))
    assert (tanks.stage, used) == (1, pytest.approx(5000 + second))
    assert duration == pytest.approx(5000 * 280 * g / 200e3 + second * 320 * g / 40e3)
    assert Tanks.full(craft).delta_v == pytest.approx(first + 320 * g * math.log(2500 / 500))
    assert tanks.delta_v == pytest.approx(Tanks.full(craft).delta_v - 2500)
    beyond = Tanks.full(craft).spend(7500.0)[0]
    assert beyond.remaining < 0 and beyond.delta_v == pytest.approx(Tanks.full(craft).delta_v - 7500, rel=1e-9)


def test_unknown_craft_parts_are_nan_with_a_reason():
    bare = ideal.plan_mission(BACK, WORLD)
    assert math.isnan(bare.margin) and "no craft file" in bare.remarks[0]
    assert all(math.isfinite(leg.delta_v) for leg in bare.legs)
    part = Craft("part", (Stage("lander", 2900.0, 9400.0, math.nan, 318.0),))
    found = ideal.plan_mission(BACK, WORLD, part)
    assert "thrust of lander" in found.remarks[0]
    assert math.isfinite(found.margin) and math.isnan(found.legs[0].burns[0].duration)
    assert any("bound with impulses" in remark for remark in found.leg("descent").remarks)


def test_launch_through_air_is_marked_as_an_estimate():
    craft = Craft("stack", (Stage("booster", 4100.0, 30000.0, 640e3, 275.0), Stage("lander", 2900.0, 9400.0, 58e3, 318.0)))
    plan = Plan("launch", Goal("landed", "Ardent"), (Leg("launch", Goal("orbit", "Ardent", 80e3, 80e3)),))
    (leg,) = ideal.plan_mission(plan, WORLD, craft).legs
    bound = float(transfer.least_delta_v(6.1e12, *ideal.Place.on(ARDENT).orbit, *ideal.Place.around(ARDENT, 80e3, 80e3).orbit, radius_min=890e3))
    assert 1.1 * bound < leg.delta_v < 1.3 * bound
    assert leg.remarks[-1].startswith("an estimate")


@pytest.mark.parametrize(
    ("start", "goal", "least", "most"),
    [
        (Goal("orbit", "Ardent", 80e3, 80e3), Goal("orbit", "Lull", 30e3, 30e3), 1250, 1320),  # straight into the moon's orbit
        (Goal("landed", "Lull"), Goal("periapsis", "Ardent", 34e3), 1150, 1250),  # home from the ground
        (Goal("orbit", "Lull", 30e3, 30e3), Goal("orbit", "Ardent", 80e3, 80e3), 1250, 1320),  # and down into a circle
        (Goal("orbit", "Lull", 30e3, 30e3), Goal("landed", "Ardent", by="atmosphere"), 335, 360),
        (Goal("orbit", "Ardent", 80e3, 80e3), Goal("landed", "Ardent", by="atmosphere"), 1, 30),
        (Goal("orbit", "Lull", 30e3, 30e3), Goal("escape", "Lull"), 290, 326),
        (Goal("orbit", "Lull", 30e3, 30e3), Goal("periapsis", "Far", 30e3), 330, 420),  # from moon to moon
        (Goal("orbit", "Ardent", 80e3, 80e3), Goal("orbit", "Ardent", 80e3, 500e3), 200, 260),
        (Goal("orbit", "Lull", 30e3, 90e3), Goal("periapsis", "Lull", 10e3), 1, 20),
    ],
)
def test_kinds_of_legs(start, goal, least, most):
    found = ideal.plan_leg(goal, WORLD, HERON, ideal._start(start, WORLD, 0.0))
    assert least < found.ideal.delta_v < most
    assert found.end.body == ("Ardent" if goal.kind == "escape" else goal.body)
    assert found.end.landed == (goal.kind == "landed")


def test_what_cannot_be_planned_says_so_and_the_rest_stays_in_the_table():
    deep = World("deep", {**WORLD.bodies, "Pebble": Body("Pebble", 1e7, 5e3, math.inf, "Lull", 2000e3, sphere_of_influence=40e3)})
    plan = Plan("no", Goal("orbit", "Ardent", 80e3, 80e3), (Leg("a", Goal("orbit", "Pebble", 2e3, 2e3)), Leg("b", Goal("landed", "Pebble"))))
    found = ideal.plan_mission(plan, deep, HERON)
    assert len(found.legs) == 2 and math.isnan(found.legs[0].delta_v) and math.isnan(found.margin)
    assert "put a leg" in found.legs[0].remarks[0]
    assert math.isnan(found.delta_v)
