"""Plans that end in air aim into the entry corridor, and say where a periapsis lies in it."""

import math

import pytest
from test_entry_path import ARDENT
from test_launch import STILT

from analyser.fitting.corridor import corridor
from analyser.fitting.entry_plan import corridor_of, corridor_words
from analyser.fitting.ideal import Place, plan_leg
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import apsides
from analyser.flight import Craft, Goal, Stage, World

HERON = Craft("Heron", (Stage("lander", 2900.0, 9400.0, 58e3, 318.0),), drag_area=4.0, max_acceleration=30.0)
WORLD = World("made", {"Ardent": ARDENT})
DOWN = Goal("landed", "Ardent", by="atmosphere")
HOME = Place.around(ARDENT, 30e3, 20e6)


def test_a_low_orbit_is_left_into_the_corridor():
    leg = plan_leg(DOWN, WORLD, HERON, Place.around(ARDENT, 80e3, 80e3), check=True).ideal
    (burn,) = leg.burns
    radius = ARDENT.radius + burn.altitude
    low = float(apsides(ARDENT.mu, burn.speed_after**2 / 2 - ARDENT.mu / radius, radius * burn.speed_after)[0]) - ARDENT.radius
    ways = corridor(ARDENT, burn.speed_after**2 / 2 - ARDENT.mu / radius, 12300 / 4, 30.0)
    # the plan's corridor is that of a craft within three per cent
    assert low == pytest.approx(ways.aim, abs=600) and ways.miss(low) == 0
    assert any("entry corridor: periapsis" in one and "the craft file" in one for one in leg.remarks)


def test_a_periapsis_outside_is_told_with_its_miss_and_where_to_aim():
    ways = corridor_of(ARDENT, HOME.energy, Tanks.full(HERON))
    assert ways.known and math.isfinite(ways.lowest)
    assert "is inside" in corridor_words(ways, ways.aim)
    assert f"2.0 km too high: aim for {ways.aim / 1e3:.1f} km" in corridor_words(ways, ways.highest + 2e3)
    assert "1.5 km too low" in corridor_words(ways, ways.lowest - 1.5e3)
    high = Place.around(ARDENT, ways.highest + 4e3, 20e6)
    leg = plan_leg(DOWN, WORLD, HERON, high, check=True).ideal
    assert not leg.burns and any("too high: aim for" in one for one in leg.remarks)


def test_what_is_not_known_is_said():
    assert corridor_of(ARDENT, HOME.energy, Tanks(None)) is None
    bare = Craft("bare", HERON.stages)
    leg = plan_leg(DOWN, WORLD, bare, Place.around(ARDENT, 80e3, 80e3), check=True).ideal
    assert any("where the entry corridor lies is not known (the craft's mass and drag area are not known)" in one for one in leg.remarks)
    assert corridor_of(ARDENT, HOME.energy, Tanks.full(STILT)).limit_usual


def test_a_craft_file_names_its_limits(tmp_path):
    from analyser.errors import DescriptionError
    from analyser.ingest import load_craft

    path = tmp_path / "craft.toml"
    path.write_text('name = "Heron"\ndrag_area = "4 m^2"\nmax_acceleration = "6 g"\nmax_parachute_speed = "240 m/s"\n')
    craft = load_craft(path)
    assert craft.max_acceleration == pytest.approx(6 * 9.80665) and craft.max_parachute_speed == 240.0
    path.write_text('name = "Heron"\nmax_acceleration = "0 g"\n')
    with pytest.raises(DescriptionError, match="max_acceleration"):
        load_craft(path)
