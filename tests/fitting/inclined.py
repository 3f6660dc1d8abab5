"""Simulated coasts out of the equator's plane, with latitude and longitude read: random worlds, orbits, digits, clocks and slips, seeded.

The motion is integrated by the simulator, which shares no formula with the fit.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from simulator.bodies import world_toml
from simulator.instruments import INF, Column, random_slip
from simulator.missions import in_orbit, shape_now
from simulator.random_flights import notes_of, panel_of
from simulator.random_worlds import log_uniform, random_craft, random_world
from simulator.truth import arcs_of

from analyser.fitting.elements import classical_elements
from analyser.fitting.intervals import describe
from analyser.fitting.observations import observe
from analyser.fitting.orbit import fit_coast
from analyser.fitting.plane import PlaneFit
from analyser.fitting.plane_fit import fit_plane
from analyser.fitting.plane_figures import plane_figures, rotations
from analyser.fitting.sampling import state_samples
from analyser.flight import World
from analyser.ingest import read_table
from analyser.ingest.descriptions import load_world

PLACED = ("body", "altitude", "speed", "vertical_speed", "latitude", "longitude")


@dataclass(frozen=True)
class Inclined:
    """A coast as read (``table``, about ``body`` of ``world``) and as it was: ``truth`` by the names of the estimates, ``slips`` as planted."""

    table: object
    world: World
    body: str
    truth: dict
    slips: list


def inclined_coast(
    seed: int, columns=PLACED, inclination: float | None = None, roundness: float | None = None, slip_rate: float = 0.0, places: int | None = None,
    readings: int | None = None, turns: float | None = None,
) -> Inclined:  # fmt: skip
    """One closed orbit read 3 to 15 times over a tenth to one and a half turns.

    ``places``: decimals of the angles, degrees (0 to 2 by chance); ``slip_rate``: of slips in latitude and longitude.
    """
    rng = np.random.default_rng([seed, 21])
    while True:
        world = random_world(rng)
        body = world.planet if rng.random() < 0.6 else world.moons(world.planet.name)[0]
        if body.spin:
            break
    tilt = float(np.arccos(rng.uniform(-1, 1))) if inclination is None else inclination
    low = body.radius * log_uniform(rng, 0.03, 0.8)
    room = 0.4 * body.soi if math.isfinite(body.soi) else 0.4 * world.moons(body.name)[0].semi_major_axis
    high = low + (body.radius + low) * (log_uniform(rng, 0.02, 2.0) if roundness is None else roundness)
    high = max(min(high, room - body.radius), low)
    craft = random_craft(rng, 0.1 * math.sqrt(body.mu / body.radius), body.mu / body.radius**2)
    sim = in_orbit(world, craft, body.name, low, high, *(float(x) for x in rng.uniform(0, 2 * math.pi, 2)), tilt, float(rng.uniform(0, 2 * math.pi)))
    duration = shape_now(sim)["period"] * (float(rng.uniform(0.1, 1.5)) if turns is None else turns)
    sim.coast(duration=duration)
    number = int(rng.integers(3, 16)) if readings is None else readings
    mets = [duration * (k + rng.uniform(0.05, 0.95)) / number for k in range(number)]
    gauges = panel_of(rng, math.sqrt(body.mu / body.radius))
    decimals = int(rng.choice([0, 1, 1, 2, 2])) if places is None else places
    for name in ("latitude", "longitude", "heading"):
        gauges[name] = Column("deg", ((INF, "deg", decimals),))
    book = notes_of(sim, rng, gauges, mets, columns, clock_decimals=int(rng.choice([0, 0, 1])))
    for row in book.rows:
        for name in ("latitude", "longitude"):
            if name in row.cells and rng.random() < slip_rate:
                right = row.cells[name]
                if random_slip(row, {name: gauges[name]}, rng, ("swap", "point", "sign")) and abs(float(row.cells[name])) > (90 if name == "latitude" else 360):
                    row.cells[name] = right  # such a one is refused at the door
                    row.slips.pop()
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "readings.csv").write_text(book.csv())
        (Path(folder) / "world.toml").write_text(world_toml(world))
        table = read_table(Path(folder) / "readings.csv").table
        read_world = load_world(Path(folder) / "world.toml")
    for slip in book.slips:
        digit = math.radians(10.0**-decimals)
        turn = math.remainder(math.radians(float(slip["typed"])) - slip["true_value"], 2 * math.pi if slip["column"] == "longitude" else math.inf)
        slip["sigmas"] = abs(turn) / (digit / math.sqrt(12))
        slip["position"] = next(k for k, row in enumerate(book.rows) if row.met == slip["met"])
    arc = arcs_of(sim)[0]
    found = classical_elements(body.mu, np.array(arc["state"]["position"]), np.array(arc["state"]["velocity"]))
    truth = {
        "inclination": float(found.inclination), "ascending_node_longitude": float(found.longitude_of_ascending_node),
        "argument_of_periapsis": float(found.argument_of_periapsis), "longitude_of_periapsis": float(found.longitude_of_periapsis),
        "period": arc["period"], "semi_major_axis": arc["semi_major_axis"], "eccentricity": arc["eccentricity"],
    }  # fmt: skip
    return Inclined(table, read_world, body.name, truth, book.slips)


def fitted(coast: Inclined) -> tuple[dict, PlaneFit]:
    """Estimates of a coast by name, of its shape and its plane, and the fit behind them."""
    body = coast.world[coast.body]
    plain = fit_coast(observe(coast.table, body))
    found = fit_plane(plain, coast.table, tuple(range(len(coast.table))))
    estimates = describe(found.fit, body)
    if found.plane is not None:
        states = state_samples(found.fit.state, found.fit.covariance, 0)
        estimates |= plane_figures(body.mu, found.plane, states, rotations(found.plane, states, 0), estimates["periapsis_time"], found.node_reason)
    return estimates, found
