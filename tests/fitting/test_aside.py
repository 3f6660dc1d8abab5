"""Readings that no fit looks at are told all the same, and rows on the ground are known by little."""

from __future__ import annotations

import math

import numpy as np
from tables import WORLDS, table

from analyser.fitting import fit_flight
from analyser.fitting.conic import propagate
from analyser.fitting.panel_rows import panel_rows
from analyser.flight import Flight
from analyser.ingest import load_world, read_table

WORLD = load_world(WORLDS / "ardent.toml")
LULL = WORLD["Lull"]


def test_a_minus_before_a_height_or_a_speed_is_set_aside_by_name(tmp_path):
    rows = []
    for met, height, pace in zip(range(0, 2400, 300), (1, 1, -1, 1, 1, 1, 1, 1), (1, 1, 1, 1, 1, -1, 1, 1)):
        radius, climb, across = (float(part) for part in propagate(LULL.mu, 370e3, 4.0, 745.0, met))
        rows.append(f"{met}, Lull, {height * (radius - LULL.radius) / 1e3:.2f}, {pace * math.hypot(climb, across):.1f}, {climb:.1f}\n")
    table(tmp_path, "met, body, altitude [km], speed [m/s], vertical_speed [m/s]\n" + "".join(rows))
    found = fit_flight(Flight("x", WORLD, read_table(tmp_path / "readings.csv"))).set_aside
    assert [(item.row, item.column) for item in found] == [(4, "altitude"), (7, "speed")]
    for item in found:
        assert f"{-item.value / (1e3 if item.column == 'altitude' else 1):.1f}"[:-2] in item.suggestion and "sign" in item.suggestion


def test_a_row_with_no_more_than_a_still_speed_over_the_ground_stands(tmp_path):
    found = table(tmp_path, "met, body, altitude [m], surface_speed [m/s]\n0, Lull, 0, 0.0\n60, , 0, 0.0\n90, , 40, 12.0\n")
    panel = panel_rows(found, WORLD, np.array(["Lull"] * 3, dtype=object))
    assert panel.standing.tolist() == [True, True, False]
