"""Touchdown from the readings around it."""

from __future__ import annotations

import pytest
from tables import WORLDS, table

from analyser.fitting import fit_flight
from analyser.flight import Flight
from analyser.ingest import load_world, read_table

WORLD = load_world(WORLDS / "ardent.toml")
HEAD = "met, body, altitude [m], radar_altitude [m], surface_speed [m/s], vertical_speed [m/s], throttle [%], event\n"


def landings(folder, rows: str):
    table(folder, HEAD + rows)
    return fit_flight(Flight("x", WORLD, read_table(folder / "readings.csv"))).landings


def test_touchdown_is_reckoned_to_the_moment_that_was_marked(tmp_path):
    # 11.4 m in 6 s from -2.1 m/s, braking evenly: 2 * 1.9 - 2.1 = 1.7 m/s
    found = landings(tmp_path, "0, Lull, 86, 86.5, 3.6, -3.6, 100,\n26,, 11, 11.4, 2.1, -2.1, 100,\n32,, 0, 0.0, 0.0, 0.0, 0, touchdown\n90,, 0, 0.0, 0.0, 0.0, 0,\n")
    (only,) = found
    assert only.kind == "touchdown" and only.met.value == pytest.approx(32.0)
    assert only.vertical_speed.low < -1.7 < only.vertical_speed.high
    assert -1.2 > only.vertical_speed.value > -2.4


def test_a_reading_far_above_the_ground_tells_no_landing_speed(tmp_path):
    (only,) = landings(tmp_path, "0, Lull, 8000, , 60, -58.0, 40,\n400,, 0, 0.0, 0.0, 0.0, 0,\n460,, 0, 0.0, 0.0, 0.0, 0,\n")
    assert not only.vertical_speed.known
    assert "8000 m up" in only.vertical_speed.reason
    assert 0 < only.met.low < only.met.high <= 400


def test_a_reading_at_contact_is_taken_as_read(tmp_path):
    (only,) = landings(tmp_path, "0, Lull, 40, 40.0, 6.0, -5.0, 60,\n9,, 0, 0.0, 4.6, -4.5, 20, touchdown\n60,, 0, 0.0, 0.0, 0.0, 0,\n")
    assert only.vertical_speed.value == pytest.approx(-4.5)
    assert only.horizontal_speed.value == pytest.approx((4.6**2 - 4.5**2) ** 0.5, abs=0.3)
