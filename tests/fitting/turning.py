"""Flights about Ardent whose burns turn the plane or the apse line, flown by the simulator and read off a panel with places."""

import math
from pathlib import Path

import numpy as np
from simulator import steering
from simulator.bodies import read_world
from simulator.conditions import delta_v
from simulator.craft import Craft, Stage
from simulator.missions import in_orbit, shape_now
from simulator.random_flights import COLUMNS, SimulatedFlight, notes_of, panel_of, times_of
from simulator.truth import truth_of

from analyser.fitting import elements
from analyser.fitting.plane_flight import coast_time

PLACED = (*COLUMNS, "pitch", "heading", "latitude", "longitude")
WORLD = read_world(Path(__file__).resolve().parents[2] / "samples" / "worlds" / "ardent.toml")
HERON = (Stage("lander", 2900.0, 6400.0, 58e3, 318.0),)


def read(sim, rng, plan, columns=PLACED, per_burn=5):
    """The flight as its pilot noted it."""
    gauges = panel_of(rng, math.sqrt(WORLD["Ardent"].mu / 1090e3), 5, 6400.0)
    book = notes_of(sim, rng, gauges, times_of(sim, rng, 10, per_burn), columns)
    return SimulatedFlight("turn", WORLD, sim.craft, book.csv(), truth_of(sim), sim, plan, book)


def turning_flight(plan: str, seed: int = 1, columns=PLACED, off_node: float = 0.0, sign: float = 1.0, axis: str = "nose", law=None, per_burn: int = 5):
    """A turn of about 6 degrees at the ascending node (or so many rad past it) of a round orbit about Ardent that is tilted by 30."""
    sim = in_orbit(WORLD, Craft("Heron", HERON, axis), "Ardent", 200e3, 200e3, 0.0, 0.0, math.radians(30), 0.5)
    period = shape_now(sim)["period"]
    size = 2 * math.sqrt(WORLD["Ardent"].mu / 1090e3) * math.sin(math.radians(3))
    sim.coast(duration=period * (1 + off_node / (2 * math.pi)) - 0.5 * size * 9300 / 58e3)
    sim.burn(law or steering.normal(1.0, sign), delta_v(size))
    sim.coast(duration=0.7 * period)
    return read(sim, np.random.default_rng(seed), plan, columns, per_burn)


def planned_flight(plan: str, apsides, angles, impulses, seed: int = 1, columns=PLACED):
    """The impulses of a plan flown one by one, from an ellipse about Ardent with these apsis altitudes, m, that lies with these angles (inclination, node, argument of
    periapsis, rad): each burn about its place, thrust held in the impulse's direction."""
    tilt, node, argument = angles
    mu = WORLD["Ardent"].mu
    sim = in_orbit(WORLD, Craft("Heron", HERON, "nose"), "Ardent", *apsides, argument, 2.0, tilt, node)
    for impulse in impulses:
        position, velocity = np.array(sim.y[:3]), np.array(sim.y[3:6])
        energy = velocity @ velocity / 2 - mu / np.linalg.norm(position)
        period = 2 * math.pi * mu / (-2 * energy) ** 1.5
        ahead = coast_time(mu, energy, (position, velocity), _state_at(mu, position, velocity, impulse.position))
        # half of the delta-v before the place, by the rocket equation
        exhaust, mass = 318 * 9.80665, sim.y[6]
        lead = mass * -math.expm1(-impulse.delta_v / 2 / exhaust) * exhaust / 58e3
        sim.coast(duration=ahead - lead if ahead > 0.15 * period else ahead + period - lead)
        sim.burn(steering.held(tuple(impulse.velocity_after - impulse.velocity_before)), delta_v(impulse.delta_v))
    sim.coast(duration=0.8 * shape_now(sim)["period"])
    return read(sim, np.random.default_rng(seed), plan, columns)


def _state_at(mu, position, velocity, place):
    """The state of an orbit where it passes the direction of a place."""
    found = elements.classical_elements(mu, position, velocity)
    momentum = np.cross(position, velocity)
    apse = np.cross(velocity, momentum) / mu - position / np.linalg.norm(position)
    e = np.linalg.norm(apse)
    true = math.atan2(place @ np.cross(momentum, apse) / np.linalg.norm(momentum), place @ apse)
    return tuple(
        np.array(x) for x in elements.state_from_elements(
            mu, momentum @ momentum / mu, e, found.inclination, found.longitude_of_ascending_node, found.argument_of_periapsis, true
        )
    )  # fmt: skip
