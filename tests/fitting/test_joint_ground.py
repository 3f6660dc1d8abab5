"""The contact with the ground in the joint estimate: terrain as an unknown, and what a descent says of the coast before it."""

from __future__ import annotations

import dataclasses
import tempfile
from pathlib import Path

import numpy as np
import pytest
from simulator.random_flights import random_flight, write_flight_folder

from analyser.fitting import conic, fit_flight
from analyser.fitting.contact_path import Contact, reach
from analyser.fitting.panel_rows import panel_rows
from analyser.flight import Body, make_world
from analyser.ingest import load_flight

RAISED = 2340.0  # m
COLUMNS = ("body", "altitude", "radar_altitude", "speed", "surface_speed", "vertical_speed", "throttle", "propellant")


def on_high_ground(seed: int, shown: bool, misread: float = 0.0):
    """A landing whose ground lies RAISED over the altimeter's datum; ``shown``: with altitudes read on the ground. ``misread``: added to radar altitudes."""
    simulated = dataclasses.replace(random_flight(seed, mission="landing", near_ground=6, per_coast=5, columns=COLUMNS), plan="")
    with tempfile.TemporaryDirectory() as folder:
        flight = load_flight(write_flight_folder(Path(folder) / "flight", simulated))
    moon = simulated.truth["touchdowns"][-1]["body"]
    bodies = {name: body.changed(radius=body.radius - RAISED) if name == moon else body for name, body in flight.world.bodies.items()}
    table = flight.readings.table.copy()
    about = table["body"].replace("", np.nan).ffill() == moon
    table.loc[about, "altitude"] += RAISED
    if not shown:
        table.loc[(table["surface_speed"].fillna(table["speed"]) < 0.3) & about, ["altitude", "altitude_sigma"]] = np.nan
    table["radar_altitude"] += misread
    return flight.changed(world=flight.world.changed(bodies=bodies), readings=flight.readings.changed(table=table))


@pytest.mark.parametrize("shown", [True, False])
def test_terrain_is_found_with_an_interval_that_holds_it(shown):
    found = []
    for seed in range(8100, 8110):
        try:
            landing = fit_flight(on_high_ground(seed, shown)).landings[-1]
        except RuntimeError:
            continue
        assert landing.terrain_height.known
        found.append((landing.terrain_height.value - RAISED) / landing.terrain_height.sigma)
        assert landing.terrain_height.sigma < 60.0
    assert len(found) >= 7
    assert np.max(np.abs(found)) < 3.5 and np.mean(np.abs(found) < 1.96) > 0.8


def test_a_radar_that_reads_wrong_moves_the_terrain_by_as_much():
    """The control: the height comes from the readings, not from the answer."""
    right, wrong = (fit_flight(on_high_ground(8100, False, misread)).landings[-1].terrain_height for misread in (0.0, 30.0))
    assert wrong.value - right.value == pytest.approx(-30.0, abs=10.0)
    assert not wrong.low < RAISED < wrong.high


MOON = Body("M", 2.1e11, 3.1e5, rotation_period=2.4e5)


def fallen(fall: float, every: float, body: Body = MOON):
    """Rows of a free fall to the ground, and the state at its beginning."""
    import pandas as pd

    ground = np.array([body.radius, -40.0, 300.0])
    mets = np.arange(1000.0, 1000.0 - fall - 1e-9, -every)[1:]
    states = np.stack(conic.propagate(body.mu, *ground, mets - 1000.0), axis=1)
    table = pd.DataFrame({
        "met": mets, "met_sigma": 0.01, "altitude": states[:, 0] - body.radius, "altitude_sigma": 0.03, "speed": np.hypot(*states[:, 1:].T), "speed_sigma": 0.003,
        "vertical_speed": states[:, 1], "vertical_speed_sigma": 0.003, "body": body.name,
    })  # fmt: skip
    rows = panel_rows(table, make_world("w", [body]), np.array([body.name] * len(table)))
    return rows, np.stack(conic.propagate(body.mu, *ground, -fall))


def test_the_way_from_the_ground_up_agrees_with_the_fall():
    """Readings every 5 s leave little open: the state at the beginning of the fall is found within its own doubt, and the doubt is small."""
    rows, start = fallen(60.0, 5.0)
    contact = Contact(1000.0, 0.01, MOON.radius, (-40.0, 1.0), (300.0, 1.0))
    found = reach(MOON, contact, (940.0, 0.01), list(range(len(rows.met))), rows, 4.0)
    sigma = np.sqrt(np.diag(found.covariance))
    assert np.all(np.abs(found.mean[:3] - start) < 3 * sigma[:3] + 1e-3)
    assert sigma[0] < 1.0 and sigma[1] < 0.2
    assert abs(found.mean[3] - MOON.radius) < 3 * sigma[3] and sigma[3] < 5.0


def test_fewer_readings_on_the_way_leave_more_open():
    doubts = []
    for every in (5.0, 15.0, 60.0):
        rows, _ = fallen(60.0, every)
        contact = Contact(1000.0, 0.01, MOON.radius, (-40.0, 1.0), (300.0, 1.0))
        doubts.append(reach(MOON, contact, (935.0, 0.01), list(range(len(rows.met))), rows, 4.0).covariance[3, 3] ** 0.5)
    assert doubts[0] < 0.3 * doubts[1] < 0.3 * doubts[2]


def test_no_reading_on_the_way_ties_nothing():
    rows, _ = fallen(60.0, 5.0)
    assert reach(MOON, Contact(1000.0, 0.0, MOON.radius, (0.0, 1.0), (0.0, 1.0)), (900.0, 1.0), [], rows, 4.0) is None
