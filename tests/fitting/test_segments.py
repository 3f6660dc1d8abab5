"""Where the coasts are, on simulated flights with and without the gauges that tell of burning."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reconstruction import run
from tables import WORLDS, table

from analyser.fitting import conic
from analyser.fitting.bodies import reference_bodies
from analyser.fitting.chain import build_chain
from analyser.fitting.pairs import pair_misfit
from analyser.fitting.panel_rows import panel_rows
from analyser.fitting.propellant import propellant_history
from analyser.ingest import load_world

WORLD = load_world(WORLDS / "ardent.toml")
LULL = WORLD["Lull"]


def lines(state, mets, start=0.0):
    """Rows of one coast about Lull, rounded as a panel does."""
    out = []
    for met in mets:
        r, vr, vt = (float(part) for part in conic.propagate(LULL.mu, *state, met - start))
        out.append(f"{met:.0f}, Lull, {(r - LULL.radius) / 1e3:.2f}, {math.hypot(vr, vt):.1f}, {vr:.1f}")
    return out


def chain(folder, rows):
    found = table(folder, "met, body, altitude [km], speed [m/s], vertical_speed [m/s]\n" + "\n".join(rows) + "\n")
    body, _ = reference_bodies(found, WORLD)
    panel = panel_rows(found, WORLD, body)
    return build_chain(found, panel, propellant_history(found, None), WORLD), panel


def test_one_coast_is_one_arc(tmp_path):
    found, panel = chain(tmp_path, lines((350e3, 5.0, 790.0), range(0, 3000, 300)))
    assert [arc.rows for arc in found.arcs] == [tuple(range(10))]
    assert pair_misfit(panel, WORLD).max() < 25


def test_a_burn_that_only_turns_the_apse_line_is_found(tmp_path):
    # the radial speed turned round at one place: energy and angular momentum stay, the clock tells
    first = (350e3, 40.0, 790.0)
    at = [float(part) for part in conic.propagate(LULL.mu, *first, 1000.0)]
    found, _ = chain(tmp_path, lines(first, range(0, 1000, 150)) + lines((at[0], -at[1], at[2]), range(1050, 2400, 150), 1000.0))
    assert [arc.rows for arc in found.arcs] == [tuple(range(7)), tuple(range(7, 16))]


def test_a_slip_does_not_break_a_coast(tmp_path):
    rows = lines((350e3, 5.0, 790.0), range(0, 3000, 300))
    cells = rows[4].split(", ")
    rows[4] = ", ".join([*cells[:3], cells[3].replace(".", ""), cells[4]])
    found, _ = chain(tmp_path, rows)
    assert [arc.rows for arc in found.arcs] == [tuple(range(10))]
    assert [(item.position, item.column) for item in found.fits[0].set_aside] == [(4, "speed")]


def test_energy_and_momentum_of_rows_are_those_of_the_orbit(tmp_path):
    _, panel = chain(tmp_path, lines((350e3, 5.0, 790.0), range(0, 900, 300)))
    energy = (5.0**2 + 790.0**2) / 2 - LULL.mu / 350e3
    assert np.all(np.abs(panel.energy - energy) < 4 * panel.energy_sigma)
    assert np.all(np.abs(panel.momentum - 350e3 * 790.0) < 4 * panel.momentum_sigma)


@pytest.mark.parametrize("columns", [
    ("body", "altitude", "speed", "vertical_speed", "throttle", "propellant"),
    ("altitude", "speed", "vertical_speed", "throttle", "propellant"),
    ("body", "altitude", "speed", "vertical_speed"),
])  # fmt: skip
def test_burns_are_found_and_none_invented(columns):
    tally = run(range(300, 308), columns=columns)
    assert tally.burns >= 12
    assert (tally.found, tally.invented) == (tally.burns, 0), tally.misses


def test_many_readings_of_few_digits_invent_no_burn():
    """Neighbouring readings are then rounded alike: two orbits follow the stairs more closely than the one that was flown."""
    tally = run([302, 304, 310], burns=1, per_coast=900)
    assert (tally.found, tally.invented, tally.burns) == (3, 0, 3), tally.misses


def test_a_small_burn_among_many_readings_is_found(tmp_path):
    """Half a metre per second, five times the last digit; the thousandth of it is what no reading shows."""
    first = (350e3, 5.0, 790.0)
    at = [float(part) for part in conic.propagate(LULL.mu, *first, 1000.0)]
    for push, coasts in ((0.5, 2), (5e-4, 1)):
        found, _ = chain(tmp_path, lines(first, range(0, 1000, 5)) + lines((at[0], at[1], at[2] + push), range(1000, 2000, 5), 1000.0))
        assert len(found.arcs) == coasts
