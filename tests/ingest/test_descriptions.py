"""World, craft and plan files: what they say, and what they get told."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies

from analyser.errors import DescriptionError, OutputError
from analyser.flight import Goal, Leg, Plan
from analyser.ingest.descriptions import builtin_worlds, dump_plan, load_craft, load_plan, load_world

PUBLISHED = Path(__file__).parent.parent / "published" / "solar_system.csv"

WORLD = """\
name = "Ardent and its moon"

[bodies.Ardent]
gravitational_parameter = "6.1e12 m^3/s^2"
radius = "890 km"
rotation_period = "7 h 12 min"

[bodies.Ardent.atmosphere]
top = "58 km"
surface_density = "1.1 kg/m^3"
scale_height = "6.2 km"

[bodies.Lull]
parent = "Ardent"
gravitational_parameter = "2.1e11 m^3/s^2"
radius = "310 km"
rotation_period = "synchronous"
semi_major_axis = "21000 km"
eccentricity = 0.0
inclination = "0 deg"
mean_anomaly_at_epoch = "40 deg"
"""
CRAFT = """\
name = "Heron"
thrust_axis = "tail"
drag_area = "4 m^2"
[[stages]]
name = "booster"
dry_mass = "4.1 t"
[[stages]]
propellant = "6.4 t"
thrust = "58 kN"
specific_impulse = "318 s"
"""
PLAN = """\
name = "There and back"
start = { body = "Ardent", orbit = "80 x 80 km", inclination = "5 deg" }
[[legs]]
name = "transfer"
goal = { body = "Lull", periapsis = "30 km" }
[[legs]]
name = "capture"
goal = { body = "Lull", orbit = "120 x 30 km" }
[[legs]]
goal = { landed = "Lull" }
[[legs]]
name = "leave"
goal = { escape = "Lull" }
[[legs]]
name = "entry"
goal = { landed = "Ardent", by = "atmosphere" }
"""


@pytest.fixture
def write(tmp_path):
    def write(text, name="description.toml"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_world(write):
    world = load_world(write(WORLD))
    ardent, lull = world["Ardent"], world["Lull"]
    assert world.name == "Ardent and its moon"
    assert world.root is ardent
    assert (ardent.mu, ardent.radius, ardent.rotation_period) == (6.1e12, 890e3, 25920.0)
    assert (ardent.atmosphere.top, ardent.atmosphere.surface_density, ardent.atmosphere.scale_height) == (58e3, 1.1, 6200.0)
    assert ardent.sphere_of_influence == math.inf
    assert (lull.semi_major_axis, lull.eccentricity, lull.parent) == (2.1e7, 0.0, "Ardent")
    assert lull.mean_anomaly_at_epoch == pytest.approx(math.radians(40))
    # Laplace's sphere, a (mu / parent's mu)^(2/5), and the period by Kepler's third law, written out.
    assert lull.sphere_of_influence == pytest.approx(2.1e7 * (2.1e11 / 6.1e12) ** 0.4)
    assert lull.rotation_period == pytest.approx(2 * math.pi * (2.1e7**3 / 6.1e12) ** 0.5)
    assert lull.atmosphere is None


def test_what_may_be_said_otherwise(write):
    text = WORLD.replace('gravitational_parameter = "6.1e12 m^3/s^2"', 'surface_gravity = "7.5 m/s^2"')
    text = text.replace('radius = "310 km"', "radius_km = 310").replace('semi_major_axis = "21000 km"', '"semi_major_axis [Mm]" = 21')
    text = text.replace('mean_anomaly_at_epoch = "40 deg"', 'sphere_of_influence = "5000 km"')
    text = text.replace('rotation_period = "7 h 12 min"', 'rotation_period = "none"')
    world = load_world(write(text))
    assert world["Ardent"].mu == pytest.approx(7.5 * 890e3**2)
    assert world["Ardent"].rotation_rate == 0.0
    assert world["Lull"].radius == 310e3
    assert world["Lull"].semi_major_axis == 2.1e7
    assert world["Lull"].sphere_of_influence == 5e6
    assert math.isnan(world["Lull"].mean_anomaly_at_epoch)


def test_air_by_a_table(write):
    text = WORLD.replace('surface_density = "1.1 kg/m^3"\nscale_height = "6.2 km"',
                         'table = [["0 km", "1.1 kg/m^3"], ["20 km", 0.04]]')  # fmt: skip
    assert load_world(write(text))["Ardent"].atmosphere.table == ((0.0, 1.1), (20e3, 0.04))
    for rows, told in [
        ('[["0 km", "1.1 kg/m^3"]]', "two or more pairs"),
        ('[["0 km", "1.1 kg/m^3"], ["0 km", 0.04]]', "must rise"),
        ('[["0 km", "1.1 kg/m^3"], ["20 km", 0.0]]', "larger than 0"),
        ('[["0 km", "1.1 kg/m^3"], ["20 km", "0.04 kg"]]', "unit of mass"),
        ("5", "two or more pairs"),
    ]:
        with pytest.raises(DescriptionError, match=told):
            load_world(write(text.replace('[["0 km", "1.1 kg/m^3"], ["20 km", 0.04]]', rows)))


WRONG_WORLDS = [
    ('radius = "890 km"', 'raduis = "890 km"', "line 5, key 'bodies.Ardent.raduis'", "did you mean 'radius'?"),
    ('radius = "890 km"', 'radius = "-890 km"', "line 5, key 'bodies.Ardent.radius'", "larger than 0"),
    ('radius = "890 km"', 'radius = "0 km"', "line 5", "larger than 0"),
    ('radius = "890 km"', 'radius = "890 kg"', "line 5", "'kg' is a unit of mass"),
    ('radius = "890 km"', 'radius_furlong = 890', "line 5", "unknown key"),
    ('radius = "890 km"', "radius = true", "line 5", "no quantity"),
    ('radius = "890 km"', "radius = inf", "line 5", "not a finite number"),
    ('radius = "890 km"', "radius = nan", "line 5", "not a finite number"),
    ('radius = "890 km"', "radius = 1e400", "line 5", "not a finite number"),
    ('radius = "890 km"', 'radius = "890 km"\nradius_m = 5', "line 6", "given twice"),
    ('radius = "890 km"', "", "key 'bodies.Ardent'", "the key 'radius' is missing"),
    ('gravitational_parameter = "6.1e12 m^3/s^2"', "", "line 3", "surface_gravity"),
    ('gravitational_parameter = "6.1e12 m^3/s^2"', 'gravitational_parameter = "-1 m^3/s^2"', "line 4", "larger than 0"),
    ('gravitational_parameter = "6.1e12', 'surface_gravity = 7\ngravitational_parameter = "6.1e12', "line 4", "not both"),
    ('"7 h 12 min"', '"synchronous"', "line 6", "only a body that orbits another"),
    ('"7 h 12 min"', '"0 s"', "line 6", "impossible"),
    ('"7 h 12 min"', '7 h 12 min"', "line 6", "no valid TOML"),
    ('parent = "Ardent"', 'parent = "Ardnet"', "line 14, key 'bodies.Lull.parent'", "did you mean 'Ardent'?"),
    ('parent = "Ardent"', 'parent = "Lull"', "line 14", "can't orbit itself"),
    ('parent = "Ardent"', "", "key 'bodies.Lull'", "both Ardent and Lull orbit nothing"),
    ("[bodies.Ardent]", '[bodies.Ardent]\nparent = "Lull"', "line 4", "in a loop"),
    ("[bodies.Ardent]", "[bodies.Ardent]\neccentricity = 0.1", "line 4", "orbits nothing"),
    ("eccentricity = 0.0", "eccentricity = 1.0", "line 19", "below 1"),
    ("eccentricity = 0.0", "eccentricity = -0.1", "line 19", "below 1"),
    ("eccentricity = 0.0", "eccentricity = 0.97", "line 18", "would meet the ground of Ardent"),
    ('inclination = "0 deg"', "inclination = 28.5", "line 20", 'write "28.5 deg"'),
    ('inclination = "0 deg"', 'inclination = "200 deg"', "line 20", "0 to 180 deg"),
    ('semi_major_axis = "21000 km"', "", "key 'bodies.Lull'", "'semi_major_axis' is missing"),
    ('scale_height = "6.2 km"', "", "key 'bodies.Ardent.atmosphere'", "belong together"),
    ('top = "58 km"', 'top = "0 km"', "line 9", "above 0"),
    ('name = "Ardent and its moon"', "name = 5", "line 1", "a text in quotes"),
    ('name = "Ardent and its moon"', 'name = "x"\nnmae = "y"', "line 2", "did you mean 'name'?"),
    ('name = "Ardent and its moon"', "name = ", "line 1", "no valid TOML"),
    (WORLD, 'bodies = 5\n', "line 1", "needs bodies"),
    (WORLD, '[bodies]\n', "line 1", "needs bodies"),
    (WORLD, "bodies.Ardent = 5\n", "line 1", "a table of keys is wanted"),
    (WORLD, "", "", "the key 'bodies' is missing"),
]


@pytest.mark.parametrize(("old", "new", "place", "told"), WRONG_WORLDS)
def test_wrong_worlds_say_where_and_what(write, old, new, place, told):
    assert old in WORLD
    path = write(WORLD.replace(old, new, 1))
    with pytest.raises(DescriptionError) as caught:
        load_world(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert place in message and told in message, message
    assert "\n" not in message


def test_a_long_loop_of_parents(write):
    bodies = "".join(f'[bodies.b{index}]\nparent = "b{(index + 1) % 50}"\nradius = 1\ngravitational_parameter = 1\n'
                     f"semi_major_axis = 10\n" for index in range(50))  # fmt: skip
    with pytest.raises(DescriptionError, match="loop"):
        load_world(write(bodies))


def test_files_that_are_none(tmp_path, write):
    with pytest.raises(DescriptionError, match="no such"):
        load_world(tmp_path / "none.toml")
    with pytest.raises(DescriptionError, match="built in is 'solar'.*did you mean 'solar'"):
        load_world("solr")
    with pytest.raises(DescriptionError, match="folder"):
        load_world(tmp_path)
    (tmp_path / "binary.toml").write_bytes(bytes(range(256)))
    with pytest.raises(DescriptionError):
        load_world(tmp_path / "binary.toml")
    (tmp_path / "bom.toml").write_bytes(b"\xef\xbb\xbf" + WORLD.replace("\n", "\r\n").encode())
    assert "Lull" in load_world(tmp_path / "bom.toml")


def test_the_real_bodies_come_built_in():
    assert builtin_worlds() == ("solar",)
    world = load_world("solar")
    assert [body.name for body in world] == ["Sun", "Earth", "Moon", "Mars"]
    assert world.root.name == "Sun"
    with PUBLISHED.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) >= 16
    found = {
        "GM": lambda body: body.mu / 1e9,
        "mean radius": lambda body: body.radius / 1e3,
        "sidereal rotation period": lambda body: body.rotation_period / 86400,
        "semi-major axis": lambda body: body.semi_major_axis / 1e3,
        "sphere of influence (Laplace)": lambda body: body.sphere_of_influence / 1e3,
        "density": lambda body: dict(body.atmosphere.table)[10e3],
    }
    for row in rows:
        value = found[row["quantity"]](world[row["body"]])
        assert value == pytest.approx(float(row["value"]), rel=float(row["tolerance"])), row


def test_a_craft(write):
    craft = load_craft(write(CRAFT))
    assert (craft.name, craft.thrust_axis, craft.drag_area) == ("Heron", "tail", 4.0)
    booster, second = craft.stages
    assert booster.dry_mass == 4100.0 and math.isnan(booster.thrust)
    assert second.name == "stage 2" and second.propellant == 6400.0 and second.thrust == 58e3
    assert load_craft(write('name = "unknown"\n')).stages == ()


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ('"tail"', '"side"', "line 2", "none of 'nose', 'tail'"),
        ('"4.1 t"', '"-4.1 t"', "line 6, key 'stages[1].dry_mass'", "larger than 0"),
        ('"58 kN"', '"58 kg"', "line 9, key 'stages[2].thrust'", "unit of mass"),
        ('"318 s"', '"318 min"', "line 10", "unit of time"),
        ("propellant", "propelant", "line 8, key 'stages[2].propelant'", "did you mean 'propellant'?"),
        ("[[stages]]\npropellant", '[[stages]]\nname = "Booster"\npropellant', "line 8", "names must differ"),
        ("[[stages]]\nname", "[stages]\nname", "line 7", "no valid TOML"),
        (CRAFT[CRAFT.index("[[stages]]") :], "[stages]\nname = 'x'", "line 4, key 'stages'", "begin each with [[stages]]"),
        (CRAFT[CRAFT.index("[[stages]]") :], "stages = 5", "line 4, key 'stages'", "tables are wanted"),
        ('drag_area = "4 m^2"', "drag_area = -4", "line 3", "0 or more"),
    ],
)
def test_wrong_craft(write, old, new, place, told):
    assert old in CRAFT
    with pytest.raises(DescriptionError) as caught:
        load_craft(write(CRAFT.replace(old, new, 1)))
    assert place in str(caught.value) and told in str(caught.value), str(caught.value)


def test_a_plan(write):
    world = load_world(write(WORLD, "world.toml"))
    plan = load_plan(write(PLAN), world)
    assert plan.start.kind == "orbit" and plan.start.inclination == pytest.approx(math.radians(5))
    assert [leg.name for leg in plan.legs] == ["transfer", "capture", "leg 3", "leave", "entry"]
    assert [leg.goal.kind for leg in plan.legs] == ["periapsis", "orbit", "landed", "escape", "landed"]
    assert plan.legs[0].goal.periapsis == 30e3
    assert (plan.legs[1].goal.periapsis, plan.legs[1].goal.apoapsis) == (30e3, 120e3)
    assert (plan.legs[4].goal.body, plan.legs[4].goal.by) == ("Ardent", "atmosphere")


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ('body = "Ardent"', 'body = "Ardnet"', "line 2, key 'start.body'", "did you mean 'Ardent'?"),
        ('landed = "Lull"', 'landed = "Nowhere"', "line 10, key 'legs[3].goal.landed'", "there is no body 'Nowhere'"),
        ('orbit = "120 x 30 km"', 'orbit = "120 km"', "line 8", "no orbit"),
        ('orbit = "120 x 30 km"', 'orbit = "120 x -30 km"', "line 8", "meets the ground"),
        ('orbit = "120 x 30 km"', 'orbit = "120 x 30 kg"', "line 8", "unit of mass"),
        ('periapsis = "30 km"', 'periapsis = "-400 km"', "line 5", "below the centre"),
        ('periapsis = "30 km"', 'periapsis = "30 km", landed = "Lull"', "line 5", "found periapsis and landed"),
        (', periapsis = "30 km"', "", "line 5", "found none of them"),
        ('body = "Lull", periapsis', "periapsis", "line 5", "'body' is missing"),
        ('periapsis = "30 km"', 'periaps = "30 km"', "line 5", "did you mean 'periapsis'?"),
        ('landed = "Lull"', 'landed = "Lull", by = "atmosphere"', "line 10", "has no atmosphere"),
        ('landed = "Lull"', 'landed = "Lull", by = "magic"', "line 10", "none of"),
        ('escape = "Lull"', 'escape = "Lull", by = "engine"', "line 13", "landed only"),
        ('escape = "Lull"', 'escape = "Lull", body = "Lull"', "line 13", "names the body itself"),
        ('name = "leave"', 'name = "transfer"', "line 12", "names must differ"),
        ('start = { body = "Ardent", orbit', 'strat = { body = "Ardent", orbit', "line 2", "did you mean 'start'?"),
        ('orbit = "80 x 80 km", inclination = "5 deg"', 'periapsis = "80 km"', "line 2", "a plan starts in an orbit or landed"),
        ('orbit = "80 x 80 km", inclination', 'orbit = "80 x 80 km", argument_of_periapsis', "line 2", "a round orbit has no periapsis"),
        ('inclination = "5 deg"', 'longitude_of_ascending_node = "5 deg"', "line 2", "name the tilt too"),
        ('inclination = "5 deg"', 'inclination = "5 deg", longitude_of_ascending_node = "400 deg"', "line 2", "-360 to 360 deg"),
        ('periapsis = "30 km"', 'periapsis = "30 km", argument_of_periapsis = "10 deg"', "", "argument_of_periapsis goes with orbit only"),
        (PLAN[PLAN.index("[[legs]]") :], "", "", "a plan needs legs"),
    ],
)
def test_wrong_plans(write, old, new, place, told):
    assert old in PLAN
    world = load_world(write(WORLD, "world.toml"))
    with pytest.raises(DescriptionError) as caught:
        load_plan(write(PLAN.replace(old, new, 1)), world)
    assert place in str(caught.value) and told in str(caught.value), str(caught.value)


def same(one, two):
    return repr(replace(one, path=None)) == repr(replace(two, path=None))  # repr: nan is nan


def test_how_an_orbit_is_to_lie_reads_back_and_is_said(write, tmp_path):
    asked = 'orbit = "80 x 200 km", inclination = "5 deg", longitude_of_ascending_node = "-20 deg", argument_of_periapsis = "90 deg"'
    plan = load_plan(write(PLAN.replace('orbit = "80 x 80 km", inclination = "5 deg"', asked)))
    assert plan.start.longitude_of_ascending_node == pytest.approx(math.radians(-20)) and plan.start.argument_of_periapsis == pytest.approx(math.radians(90))
    dump_plan(plan, tmp_path / "again.toml")
    assert same(load_plan(tmp_path / "again.toml"), plan)
    assert str(plan.start) == "80 x 200 km about Ardent, inclined 5 deg, ascending node at -20 deg, periapsis 90 deg from the node"


def test_plans_round_trip(write, tmp_path):
    plan = load_plan(write(PLAN))
    text = dump_plan(plan, tmp_path / "again.toml")
    assert same(load_plan(tmp_path / "again.toml"), plan)
    assert 'goal = { body = "Lull", orbit = "30 x 120 km" }' in text


LENGTHS = strategies.floats(0, 1e12, allow_nan=False)
NAMES = strategies.text(strategies.characters(blacklist_categories=("Cs",)), min_size=1, max_size=12).filter(
    lambda text: text == text.strip() and text
)
GOALS = strategies.one_of(
    strategies.builds(lambda body, ends, tilt: Goal("orbit", body, min(ends), max(ends), tilt), NAMES,
                      strategies.tuples(LENGTHS, LENGTHS), strategies.one_of(strategies.just(math.nan), strategies.floats(0, 3.14))),
    strategies.builds(lambda body, height: Goal("periapsis", body, height), NAMES, LENGTHS),
    strategies.builds(lambda body, by: Goal("landed", body, by=by), NAMES, strategies.sampled_from(["engine", "atmosphere"])),
    strategies.builds(lambda body: Goal("escape", body), NAMES),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(NAMES, strategies.lists(strategies.tuples(NAMES, GOALS), min_size=1, max_size=4, unique_by=lambda leg: leg[0]), NAMES)
def test_any_plan_round_trips(tmp_path_factory, name, legs, body):
    plan = Plan(name, Goal("landed", body), tuple(Leg(*leg) for leg in legs))
    path = tmp_path_factory.mktemp("plans") / "plan.toml"
    dump_plan(plan, path)
    assert same(load_plan(path), plan)


def test_a_plan_that_can_not_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        dump_plan(Plan("p", Goal("landed", "A"), (Leg("l", Goal("escape", "A")),)), tmp_path / "file" / "plan.toml")
