"""Slips among readings under thrust, where no orbit vouches for a reading."""

from __future__ import annotations

import pytest
from tables import WORLDS, table

from analyser.fitting.bodies import reference_bodies
from analyser.fitting.panel_rows import panel_rows
from analyser.fitting.underway import screen_underway
from analyser.ingest import load_world

WORLD = load_world(WORLDS / "ardent.toml")
HEAD = "met, body, altitude [m], speed [m/s], vertical_speed [m/s]\n"
# an even descent: -2 m/s^2 of climb against -80 m/s, speed falling 5 m/s a second
GOOD = [(10 * k, 9000 - 800 * k + 10 * k**2, 600 - 50 * k, -80.0 + 2 * k) for k in range(8)]


def screened(folder, rows):
    found = table(folder, HEAD + "".join(f"{met}, Lull, {altitude:.0f}, {speed:.1f}, {climb:.1f}\n" for met, altitude, speed, climb in rows))
    panel = panel_rows(found, WORLD, reference_bodies(found, WORLD)[0])
    inside = list(range(1, len(rows) - 1))
    items = screen_underway(panel, inside, (0, len(rows) - 1), WORLD, found["source"].to_numpy(object), found["row"].to_numpy())
    return [(item.position, item.column) for item in items], [item.suggestion for item in items]


def test_nothing_is_set_aside_in_a_good_descent(tmp_path):
    assert screened(tmp_path, GOOD)[0] == []


@pytest.mark.parametrize(("column", "value", "told"), [
    (1, 66900.0, "decimal point"),
    (2, 540.0, "swapped"),
    (3, 74.0, "sign"),
    (3, -740.0, "decimal point"),
])  # fmt: skip
def test_a_slip_is_set_aside_with_what_it_was(tmp_path, column, value, told):
    rows = [list(row) for row in GOOD]
    rows[3][column] = value
    places, suggestions = screened(tmp_path, rows)
    assert places == [(3, ("met", "altitude", "speed", "vertical_speed")[column])]
    assert told in suggestions[0]
