"""The ground's own height and place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tables import WORLDS, table

from analyser.fitting import fit_flight
from analyser.flight import Flight
from analyser.ingest import load_world, read_table

WORLD = load_world(WORLDS / "ardent.toml")
DOWN = "met, body, altitude [m], radar_altitude [m], surface_speed [m/s], vertical_speed [m/s], throttle [%], latitude [deg], longitude [deg], event\n"


def landing(folder, rows: str):
    table(folder, DOWN + rows)
    return fit_flight(Flight("x", WORLD, read_table(folder / "readings.csv"))).landings[0]


def test_the_altimeter_on_the_ground_tells_its_height_and_the_place_is_kept(tmp_path):
    only = landing(tmp_path, "0, Lull, 2426, 86.5, 3.6, -3.6, 100,,\n32,, 2340, 0.0, 0.0, 0.0, 0, 1.23, -179.99, touchdown\n90,, 2340, 0.0, 0.0, 0.0, 0, 1.23, 179.99,\n")
    assert only.terrain_height.low <= 2340 <= only.terrain_height.high and only.terrain_height.high - only.terrain_height.low < 1.3
    assert math.degrees(only.latitude.value) == pytest.approx(1.23)
    assert abs(abs(math.degrees(only.longitude.value)) - 180) < 0.02


def test_radar_against_altimeter_tells_it_where_nothing_was_read_on_the_ground(tmp_path):
    only = landing(tmp_path, "0, Lull, 2640, 300, 9.6, -9.6, 100,,\n26,, 2351, 11.4, 2.1, -2.1, 100,,\n32,, , 0.0, 0.0, 0.0, 0,,, touchdown\n90,, , 0.0, 0.0, 0.0, 0,,,\n")
    assert only.terrain_height.value == pytest.approx(2339.6, abs=0.5)
    assert 1.0 < only.terrain_height.high - only.terrain_height.low < 2.5
    assert not only.latitude.known and "latitude" in only.latitude.reason


def test_a_radar_that_looked_at_other_country_is_left_out(tmp_path):
    only = landing(tmp_path, "0, Lull, 2640, 900, 9.6, -9.6, 100,,\n26,, 2351, 11.4, 2.1, -2.1, 100,,\n32,, 2340, 0.0, 0.0, 0.0, 0,,, touchdown\n90,, 2340, 0.0, 0.0, 0.0, 0,,,\n")
    assert only.terrain_height.value == pytest.approx(2340, abs=0.5)


def test_nothing_read_is_said(tmp_path):
    only = landing(tmp_path, "0, Lull, , 86.5, 3.6, -3.6, 100,,\n32,, , 0.0, 0.0, 0.0, 0,,, touchdown\n90,, , 0.0, 0.0, 0.0, 0,,,\n")
    assert not only.terrain_height.known and "neither" in only.terrain_height.reason
    assert np.isnan(only.terrain_height.value)
