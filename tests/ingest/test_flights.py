"""Flight folders."""

import sys
import types
from pathlib import Path

import pandas as pd
import pytest

from analyser.errors import DescriptionError, InputError, TableError
from analyser.flight import Readings
from analyser.ingest import load_flight, read_table
from analyser.ingest.frames import DETAIL

WORLD = '[bodies.Ardent]\nsurface_gravity = 7.7\nradius = "890 km"\n'
CRAFT = '[[stages]]\nname = "lander"\npropellant = "6.4 t"\n'
PLAN = 'start = { landed = "Ardent" }\nlegs = [{ name = "up", goal = { body = "Ardent", orbit = "80 x 80 km" } }]\n'
FLIGHT = """\
name = "Second try, late braking"
pilot = "P-01"
date = 2031-04-12
world = "../worlds/ardent.toml"
craft = "../craft/heron.toml"
plan = "../plans/up.toml"
remarks = "smooth"
"""
TABLE = "met,body,altitude [km],propellant [%]\n10,ardent,12.5,50\n20,,13.5,\n"


@pytest.fixture
def folder(tmp_path):
    for name, text in [
        ("worlds/ardent.toml", WORLD),
        ("craft/heron.toml", CRAFT),
        ("plans/up.toml", PLAN),
        ("flight/flight.toml", FLIGHT),
        ("flight/readings.csv", TABLE),
    ]:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return tmp_path / "flight"


def change(folder, old, new):
    path = folder / "flight.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize("by_file", [False, True])
def test_a_flight_folder(folder, by_file):
    flight = load_flight(folder / "flight.toml" if by_file else str(folder))
    assert (flight.name, flight.pilot, flight.date, flight.remarks) == ("Second try, late braking", "P-01", "2031-04-12", "smooth")
    assert flight.world.root.name == "Ardent"
    assert flight.craft.stages[0].propellant == 6400.0
    assert flight.plan.legs[0].name == "up"
    assert flight.folder == folder
    assert flight.readings.table["body"].tolist() == ["Ardent", "Ardent"]
    assert flight.readings.table["propellant"].iloc[0] == 3200.0  # percent of the craft's load
    assert [path.name for path in flight.files] == ["flight.toml", "readings.csv", "ardent.toml", "heron.toml", "up.toml"]
    assert all(path.exists() for path in flight.files)


def test_what_may_be_left_out_and_what_is_built_in(folder):
    (folder / "flight.toml").write_text('world = "solar"\n')
    (folder / "readings.csv").unlink()
    (folder / "readings.tsv").write_text("met\tbody\tspeed [m/s]\n1\tMoon\t1600\n")
    flight = load_flight(folder)
    assert flight.name == "flight"
    assert flight.craft is None and flight.plan is None and flight.date == ""
    assert flight.world["Moon"].parent == "Earth"


def test_names_are_kept_as_they_are(folder):
    change(folder, '"Second try, late braking"', '"<script>alert(1)</script> & \\"more\\""')
    assert load_flight(folder).name == '<script>alert(1)</script> & "more"'


def test_a_table_by_itself(folder):
    world = folder.parent / "worlds" / "ardent.toml"
    flight = load_flight(folder / "readings.csv", world=world, craft=folder.parent / "craft" / "heron.toml")
    assert flight.name == "readings"
    assert flight.craft.name == "heron"
    assert [path.name for path in flight.files] == ["readings.csv", "ardent.toml", "heron.toml"]
    with pytest.raises(InputError, match="in which world"):
        load_flight(folder / "readings.csv")
    (folder / "flight.toml").unlink()
    assert load_flight(folder, world=flight.world).name == "flight"
    with pytest.raises(DescriptionError, match="no flight.toml"):
        load_flight(folder)
    with pytest.raises(InputError, match="no such file or folder"):
        load_flight(folder / "none")


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ("worlds/ardent", "worlds/none", "line 4, key 'world'", "there is no file"),
        ("craft/heron", "craft/none", "line 5, key 'craft'", "there is no file"),
        ("plans/up", "plans/none", "line 6, key 'plan'", "there is no file"),
        ('"../worlds/ardent.toml"', '"solr"', "solr", "did you mean 'solar'"),
        ('"../worlds/ardent.toml"', '""', "line 4", "a file name is wanted"),
        ('"../worlds/ardent.toml"', "5", "line 4", "a text in quotes"),
        ('world = "../worlds/ardent.toml"', "", "flight.toml", "the key 'world' is missing"),
        ("pilot", "pilto", "line 2, key 'pilto'", "did you mean 'pilot'?"),
        ("2031-04-12", "5", "line 3", "a date is wanted"),
        ("2031-04-12", "2031-14-12", "line 3", "no valid TOML"),
        ("remarks", 'panel = "panel.toml"\nremarks', "line 7, key 'panel'", "there is no file"),
        ("remarks", 'readings = "else.csv"\nremarks', "line 7, key 'readings'", "there is no file"),
        ("remarks", 'screenshots = "shots"\nremarks', "line 7, key 'screenshots'", "there is no folder"),
    ],
)
def test_wrong_flights_say_which_key_named_what(folder, old, new, place, told):
    change(folder, old, new)
    with pytest.raises(DescriptionError) as caught:
        load_flight(folder)
    assert place in str(caught.value) and told in str(caught.value), str(caught.value)


def test_a_body_that_is_not_in_the_world(folder):
    (folder / "readings.csv").write_text(TABLE.replace("ardent", "Lull"))
    with pytest.raises(TableError, match="there is no body 'Lull'"):
        load_flight(folder)


def test_no_readings_at_all(folder):
    (folder / "readings.csv").unlink()
    with pytest.raises(DescriptionError, match="no readings"):
        load_flight(folder)
    (folder / "screenshots").mkdir()
    with pytest.raises(DescriptionError, match="no readings"):
        load_flight(folder)
    (folder / "screenshots" / "a.png").write_bytes(b"")
    with pytest.raises(DescriptionError, match="no panel"):
        load_flight(folder)


def test_screenshots_without_a_panel_are_told(folder):
    (folder / "screenshots").mkdir()
    (folder / "screenshots" / "a.png").write_bytes(b"")
    assert "not read" in load_flight(folder).readings.remarks[0]


def test_screenshots_are_read_in_order_and_merged(folder, monkeypatch):
    """With a reader of pictures in place of the real one, which has tests of its own."""
    shots = folder / "screenshots"
    shots.mkdir()
    for name in ("shot10.png", "shot9.PNG", "notes.txt", ".hidden.png"):
        (shots / name).write_bytes(b"")
    (folder / "panel.toml").write_text('reference = "front.png"\n')
    (folder / "front.png").write_bytes(b"")
    change(folder, "remarks", 'panel = "panel.toml"\nremarks')
    asked = {}

    def read_screenshots(panel, images, progress=None, craft=None, motion=None):
        asked.update(panel=panel, images=images, progress=progress, craft=craft, motion=motion)
        table = pd.DataFrame({"met": [15.0], "met_sigma": [0.3], "speed": [900.0], "speed_sigma": [0.3],
                              "source": ["shot9.PNG"], "row": [0]})  # fmt: skip
        detail = pd.DataFrame([["shot9.PNG", 0, 15.0, "speed", "asi", "900", 900.0, 0.3, 0.9, "read", "", ""]], columns=DETAIL)
        return Readings(table, detail, ("one picture was dark",))

    reader = types.ModuleType("analyser.ingest.screenshots")
    reader.read_screenshots = read_screenshots
    monkeypatch.setitem(sys.modules, "analyser.ingest.screenshots", reader)
    progress = print
    flight = load_flight(folder, progress=progress, motion=lambda world: ("expects", world.name))
    assert asked["motion"] == ("expects", flight.world.name)
    assert asked["panel"] == folder / "panel.toml"
    assert [path.name for path in asked["images"]] == ["shot9.PNG", "shot10.png"]
    assert asked["progress"] is progress and asked["craft"] is flight.craft
    assert flight.readings.table["met"].tolist() == [10.0, 15.0, 20.0]
    assert flight.readings.table["body"].tolist() == ["Ardent"] * 3
    assert flight.readings.remarks == ("one picture was dark",)
    names = [path.name for path in flight.files]
    assert names[:6] == ["flight.toml", "readings.csv", "panel.toml", "front.png", "shot9.PNG", "shot10.png"]


def test_the_samples_load():
    samples = Path(__file__).parents[2] / "samples" / "flights"
    typed = [path.parent for path in samples.glob("*/flight.toml") if (path.parent / "readings.csv").exists()]
    assert typed, "no sample flights"
    for folder in typed:
        flight = load_flight(folder)
        assert len(flight.readings) > 10
        assert len(flight.readings.table) == len(read_table(folder / "readings.csv"))
