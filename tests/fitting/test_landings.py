"""Touchdown from the readings around it."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pytest
from simulator.random_flights import random_flight, write_flight_folder
from tables import WORLDS, table

from analyser.fitting import fit_flight
from analyser.fitting.arcs import ground_arc
from analyser.fitting.bodies import reference_bodies
from analyser.fitting.landings import touchdown
from analyser.fitting.panel_rows import panel_rows
from analyser.fitting.propellant import propellant_history
from analyser.flight import Flight
from analyser.ingest import load_flight, load_world, read_table

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


PANELS = (
    ("body", "altitude", "speed", "vertical_speed", "throttle", "propellant"),
    ("body", "altitude", "radar_altitude", "speed", "surface_speed", "vertical_speed", "throttle", "propellant"),
)


def landed(seed: int):
    """(Landing, truth) of a seeded descent on a random moon, read 3 to 8 times in its last two minutes; None where no such flight is."""
    try:
        flight = random_flight(seed, mission="landing", near_ground=(3, 5, 8)[seed % 3], per_coast=3, columns=PANELS[seed % 2])
    except RuntimeError:
        return None
    with tempfile.TemporaryDirectory() as folder:
        loaded = load_flight(write_flight_folder(Path(folder) / "flight", flight))
    body, _ = reference_bodies(loaded.readings.table, loaded.world, None)
    rows, propellant = panel_rows(loaded.readings.table, loaded.world, body), propellant_history(loaded.readings.table, loaded.craft)
    standing = np.flatnonzero(rows.standing)
    moon = loaded.world[str(body[standing[0]])]
    height = float(np.nanmedian(rows.value["altitude"][standing]))
    arc = ground_arc(1, moon, tuple(int(row) for row in standing), rows.met[standing], moon.radius + height, 0.3)
    return touchdown(arc, tuple(range(standing[0])), rows, propellant, math.nan), flight.truth["touchdowns"][-1]


def test_landing_speeds_hold_the_truth():
    """Over many landings; intervals half as wide would not hold (the control)."""
    held = {"vertical_speed": [], "horizontal_speed": []}
    halved = []
    for found, true in filter(None, map(landed, range(8000, 8090))):
        for name, list_ in held.items():
            figure = getattr(found, name)
            if figure.known:
                list_.append(figure.low <= true[name] <= figure.high)
        if (sink := found.vertical_speed).known:
            halved.append(abs(true["vertical_speed"] - sink.value) <= (sink.high - sink.low) / 4)
    for name, list_ in held.items():
        assert len(list_) > 70
        assert np.mean(list_) >= 0.95 - 3.1 * math.sqrt(0.95 * 0.05 / len(list_)), name
    assert np.mean(halved) < 0.85


def test_a_height_far_up_leaves_the_speed_along_the_ground_open(tmp_path):
    (only,) = landings(tmp_path, "0, Lull, 8000, , 60, -58.0, 40,\n400,, 0, 0.0, 0.0, 0.0, 0,\n460,, 0, 0.0, 0.0, 0.0, 0,\n")
    assert not only.horizontal_speed.known and only.horizontal_speed.reason


def test_a_speed_misread_on_the_ground_is_no_landing_speed(tmp_path):
    rows = "0, Lull, 86, 86.5, 3.6, -3.6, 100,\n26,, 11, 11.4, 2.1, -2.1, 100,\n36,, 0, 0.0, {}, 0.0, 0,\n90,, 0, 0.0, 0.0, 0.0, 0,\n"
    (right,), (slipped,) = landings(tmp_path, rows.format("0.0")), landings(tmp_path, rows.format("340"))
    assert slipped.horizontal_speed.high < 5.0
    assert slipped.vertical_speed.low < right.vertical_speed.value < slipped.vertical_speed.high


def test_a_speed_misread_on_the_ground_without_radar_does_not_split_the_stay(tmp_path):
    head = "met, body, altitude [m], speed [m/s], vertical_speed [m/s], throttle [%], propellant [kg]\n"
    down = "0, Lull, 86, 15.1, -3.6, 60, 900\n26,, 11, 9.2, -2.1, 60, 890\n"
    ground = "40,, 0, 7.9, 0.0, 0, 888\n90,, 0, 79.0, 0.0, 0, 888\n160,, 0, 7.9, 0.0, 0, 888\n300,, 0, 9.7, 0.0, 0, 888\n"
    table(tmp_path, head + down + ground)
    found = fit_flight(Flight("x", WORLD, read_table(tmp_path / "readings.csv")))
    assert [arc.kind for arc in found.arcs if arc.kind == "landed"] == ["landed"]
    assert [item.kind for item in found.landings] == ["touchdown"]
    assert [(item.row, item.column) for item in found.set_aside] == [(5, "speed"), (7, "speed")]
    assert "79.0 m/s fits if it was 7.90 m/s" in found.set_aside[0].suggestion


@pytest.mark.parametrize("last", ["2000", ""])
def test_a_last_height_that_is_misread_or_missing_leaves_the_landing_known(tmp_path, last):
    rows = "0, Lull, 86, , 3.6, -3.6, 40,\n10,, 55, , 3.0, -3.0, 40,\n18,, 33, , 2.6, -2.6, 40,\n26,, 14, , 2.2, -2.2, 40,\n30,, {}, , 2.0, -2.0, 40,\n40,, 0, , 0.0, 0.0, 0,\n90,, 0, , 0.0, 0.0, 0,\n"
    (right,), (slipped,) = landings(tmp_path, rows.format("6")), landings(tmp_path, rows.format(last))
    assert slipped.vertical_speed.low < right.vertical_speed.value < slipped.vertical_speed.high
    assert abs(slipped.met.value - right.met.value) < 2.0
