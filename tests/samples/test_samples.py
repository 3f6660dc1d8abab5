"""The simulator that the tests and the sample flights stand on: its physics, its independence, and that it repeats itself.

Second opinions here are written out in this file (closed forms of the textbooks), not taken from the analyser.
"""

from __future__ import annotations

import ast
import csv
import io
import json
import math
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
if str(SAMPLES) not in sys.path:
    sys.path.insert(0, str(SAMPLES))

from simulator import random_coast, random_flight, write_flight_folder  # noqa: E402
from simulator import steering as st  # noqa: E402
from simulator.bodies import Body, read_world, world_of, world_toml  # noqa: E402
from simulator.craft import STANDARD_GRAVITY, Craft, Stage, read_craft  # noqa: E402
from simulator.missions import in_orbit  # noqa: E402
from simulator.conditions import at_apsis, delta_v  # noqa: E402
from simulator.motion import MASS, Simulation  # noqa: E402
from simulator.truth import truth_of  # noqa: E402

TYPED = ("first-try", "second-try", "wrong-way", "fourth-try", "launch")


def one_body(mu: float = 3.0e12, radius: float = 700e3, spin: float = 0.0):
    return world_of("test", [Body("Ball", mu, radius, spin=spin)])


TUG = Craft("Tug", (Stage("only", 2000.0, 3000.0, 40e3, 310.0),))


# -- physics -------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_a_coast_keeps_energy_and_momentum(seed):
    flight = random_coast(seed)
    sim = flight.sim
    mu = sim.segments[0].body.mu
    energies, momenta = [], []
    for met in np.linspace(sim.segments[0].start, sim.segments[-1].end, 40):
        _, y = sim.state_at(met)
        energies.append(y[3:6] @ y[3:6] / 2 - mu / np.linalg.norm(y[:3]))
        momenta.append(np.linalg.norm(np.cross(y[:3], y[3:6])))
    assert np.ptp(energies) < 1e-8 * abs(np.mean(energies))
    assert np.ptp(momenta) < 1e-8 * np.mean(momenta)


def test_a_coast_follows_the_textbook_ellipse():
    """Kepler's equation, solved here by bisection, against the integrator (Curtis, Orbital Mechanics for Engineering
    Students, section 3.4)."""
    world = one_body()
    mu, radius = world["Ball"].mu, world["Ball"].radius
    sim = in_orbit(world, TUG, "Ball", 120e3, 2500e3, angle=0.7)
    sim.coast(duration=9000.0)
    rp, ra = radius + 120e3, radius + 2500e3
    a, e = (rp + ra) / 2, (ra - rp) / (ra + rp)
    for met in (0.0, 811.0, 2750.5, 6000.0, 9000.0):
        mean = math.sqrt(mu / a**3) * met
        low, high = mean - 1.0, mean + 1.0
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if middle - e * math.sin(middle) < mean else (low, middle)
        x, y = a * (math.cos(low) - e), a * math.sqrt(1 - e * e) * math.sin(low)
        expected = (x * math.cos(0.7) - y * math.sin(0.7), x * math.sin(0.7) + y * math.cos(0.7))
        _, state = sim.state_at(met)
        assert state[:2] == pytest.approx(expected, abs=0.02)


def test_told_elements_are_those_the_orbit_was_made_with():
    world = one_body()
    sim = in_orbit(world, TUG, "Ball", 120e3, 2500e3, angle=0.7, anomaly=-0.4)
    sim.coast(duration=3000.0)
    arc = truth_of(sim)["arcs"][0]
    assert arc["periapsis_altitude"] == pytest.approx(120e3, abs=0.01)
    assert arc["apoapsis_altitude"] == pytest.approx(2500e3, abs=0.01)
    # the periapsis passage by looking where the height stops falling
    mets = np.linspace(0, 3000, 30001)
    heights = [np.linalg.norm(sim.state_at(t)[1][:3]) for t in mets]
    assert arc["periapsis_time"] == pytest.approx(mets[int(np.argmin(heights))], abs=0.2)


def test_a_burn_keeps_the_rocket_equation():
    """Tsiolkovsky: delta-v = exhaust speed times the logarithm of the mass ratio."""
    sim = in_orbit(one_body(), TUG, "Ball", 200e3, 210e3)
    sim.coast(duration=50.0)
    before = sim.y[MASS]
    sim.burn(st.prograde(0.6), delta_v(430.0))
    assert 310.0 * STANDARD_GRAVITY * math.log(before / sim.y[MASS]) == pytest.approx(430.0, abs=1e-6)
    assert truth_of(sim)["burns"][0]["propellant"] == pytest.approx(before - sim.y[MASS])


def test_empty_tanks_end_a_burn():
    sim = in_orbit(one_body(), TUG, "Ball", 200e3, 210e3)
    assert sim.burn(st.prograde(), duration=1e5) == "empty"
    assert sim.propellant == pytest.approx(0.0, abs=1e-6)
    assert sim.met == pytest.approx(3000.0 / TUG.stages[0].flow, rel=1e-9)


@pytest.mark.parametrize("mission, seeds", [("orbits", range(8)), ("landing", range(3)), ("there and back", range(1))])
def test_speed_change_is_spent_less_its_losses(mission, seeds):
    """Along the path: speed after - speed before = spent - steering - gravity - drag."""
    for seed in seeds:
        for burn in random_flight(seed, mission=mission).truth["burns"]:
            told = burn["spent"] - burn["steering_loss"] - burn["gravity_loss"] - burn["drag_loss"]
            assert burn["speed_after"] - burn["speed_before"] == pytest.approx(told, abs=1e-5 * burn["spent"])


def test_net_never_beats_spent_but_for_the_arc_that_the_burn_sweeps():
    """Second order in the arc, and a little more where the shared radius ends at an apsis (the radial speed goes with the
    square root of the height over it)."""
    over = []
    for seed in range(30):
        for burn in random_flight(seed).truth["burns"]:
            if burn["net"] is not None:
                over.append((burn["net"] - burn["spent"]) / burn["spent"] - 0.3 * burn["swept"] ** 2)
    assert len(over) > 50
    assert np.percentile(over, 95) < 2e-4
    assert max(over) < 3e-3


def test_a_short_burn_is_its_own_impulse():
    """A push of 1/1000 s is an impulse: net must be the vector difference of the velocities."""
    giant = Craft("Giant", (Stage("only", 2000.0, 3000.0, 3e8, 310.0),))
    sim = in_orbit(one_body(), giant, "Ball", 200e3, 900e3, anomaly=1.1)
    sim.coast(duration=100.0)
    before = np.array(sim.v)
    sim.burn(st.prograde(off=0.8), delta_v(150.0))
    after = np.array(sim.v)
    sim.coast(duration=100.0)
    burn = truth_of(sim)["burns"][0]
    assert burn["net"] == pytest.approx(np.linalg.norm(after - before), rel=1e-4)
    assert burn["net"] == pytest.approx(150.0, rel=1e-3)


def test_crossing_a_sphere_of_influence_keeps_place_and_velocity():
    for seed in range(3):
        sim = random_flight(seed, mission="transfer").sim
        crossing = next(t for t in sim.transitions)
        met = crossing["met"]
        moon = sim.world[crossing["to"]]
        outer = next(s for s in sim.segments if s.body.name == crossing["from"] and abs(s.end - met) < 1e-6)
        inner = next(s for s in sim.segments if s.body.name == crossing["to"] and abs(s.start - met) < 1e-6)
        place, moving = moon.place(met)
        assert outer.end_state[:3] - np.array(place) == pytest.approx(inner.state[:3], abs=1e-3)
        assert outer.end_state[3:6] - np.array(moving) == pytest.approx(inner.state[3:6], abs=1e-6)
        assert np.linalg.norm(inner.state[:3]) == pytest.approx(moon.soi, rel=1e-9)


def test_all_bodies_pulling_keeps_the_jacobi_integral():
    """In the restricted three-body problem the Jacobi integral stays (Curtis, section 2.12): a check of the other body's pull.

    Centred on the planet the moon's field is that of its pull here less its pull on the planet; as the whole field turns
    evenly, E - n h stays, to the integrator's accuracy (1e-9 of the energy).
    """
    world = read_world(SAMPLES / "worlds" / "ardent.toml")
    craft = read_craft(SAMPLES / "craft" / "heron.toml")
    planet, moon = world["Ardent"], world["Lull"]

    def integral(state, met):
        place = np.array(moon.place(met)[0])
        r, v = state[:3], state[3:6]
        n = moon.mean_motion
        pull = -planet.mu / np.linalg.norm(r) - moon.mu * (1 / np.linalg.norm(place - r) - place @ r / np.linalg.norm(place) ** 3)
        return v @ v / 2 + pull - n * (r[0] * v[1] - r[1] * v[0])

    drift = {}
    for every in (True, False):
        sim = in_orbit(world, craft, "Ardent", 3000e3, 9000e3, angle=2.0, all_pull=every)
        sim.coast(duration=60000.0)
        values = [integral(sim.state_at(t)[1], t) for t in np.linspace(0, 60000, 25)]
        drift[every] = np.ptp(values)
    assert drift[True] < 1e-9 * planet.mu / (planet.radius + 3000e3)
    assert drift[False] > 100.0  # without the moon's pull it is not kept: the check can fail


def test_drag_slows_and_terminal_speed_is_the_textbook_one():
    """Weight equals drag: v^2 = 2 m g / (rho Cd A)."""
    truth = json.loads((SAMPLES / "flights" / "fourth-try" / "truth.json").read_text())
    down = truth["touchdowns"][-1]
    mass = 2900.0 + down["propellant"]
    expected = math.sqrt(2 * mass * (6.1e12 / 890e3**2) / (1.1 * (420.0 + 4.0)))
    assert -down["vertical_speed"] == pytest.approx(expected, rel=0.02)


def test_touchdown_speed_is_over_the_turning_ground():
    world = one_body(mu=2e11, radius=300e3, spin=1e-4)
    sim = Simulation(world, TUG, "Ball", (300e3 + 5.0, 0.0, 0.0), (0.0, 1e-4 * 300e3 + 3.0, 0.0))
    assert sim.coast(duration=100.0) == "ground"
    down = sim.touchdowns[0]
    assert down["horizontal_speed"] == pytest.approx(3.0, abs=1e-3)
    assert down["vertical_speed"] == pytest.approx(-math.sqrt(2 * 5.0 * (2e11 / 300e3**2)), rel=1e-2)


def test_apsis_events_stop_at_the_apsis():
    sim = in_orbit(one_body(), TUG, "Ball", 100e3, 800e3, anomaly=0.3)
    sim.coast(until=at_apsis("apoapsis"))
    assert sim.altitude == pytest.approx(800e3, abs=0.05)


def test_moon_comes_back_after_its_period():
    world = world_of("w", [Body("P", 6e12, 9e5), Body("M", 2e11, 3e5, parent="P", semi_major_axis=2e7, eccentricity=0.3, mean_anomaly=1.0,
                                                     argument_of_periapsis=0.4, inclination=0.2, node=1.3)])
    moon = world["M"]
    period = 2 * math.pi * math.sqrt(2e7**3 / 6e12)
    (p0, v0), (p1, _) = moon.place(500.0), moon.place(500.0 + period)
    assert p1 == pytest.approx(p0, abs=1e-3)
    # velocity is the rate of the place
    a, b = np.array(moon.place(499.0)[0]), np.array(moon.place(501.0)[0])
    assert (b - a) / 2 == pytest.approx(v0, abs=1e-4)


# -- notes and slips ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_typed_numbers_are_the_truth_rounded(seed):
    flight = random_flight(seed)
    rows = {row["row"]: row for row in flight.truth["rows"]}
    lines = flight.csv.splitlines()
    heads = next(csv.reader([lines[0]]))
    scale = {"km": 1e3, "m": 1.0, "Mm": 1e6, "m/s": 1.0, "kg": 1.0, "%": 0.01}
    checked = 0
    for number, cells in enumerate(csv.reader(io.StringIO("\n".join(lines[1:]))), start=2):
        for head, cell in zip(heads[1:], cells[1:]):
            name, _, rest = head.partition(" [")
            if name in ("body", "event", "stage") or not cell:
                continue
            digits, _, unit = cell.partition(" ")
            factor = scale[unit or rest.rstrip("]")]
            half = 0.5 * 10.0 ** -len(digits.partition(".")[2]) * factor
            assert float(digits) * factor == pytest.approx(rows[number][name], abs=half * (1 + 1e-9)), (number, name)
            checked += 1
        assert float(cells[0]) == pytest.approx(rows[number]["met"], abs=0.5)
    assert checked > 50


def test_a_gauge_may_be_off_or_read_late():
    plain, off = random_flight(4), random_flight(4, bias={"altitude": 5e4}, lag={"speed": 30.0})
    moved = [abs(a.truth["speed"] - float(b.cells["speed"])) for a, b in zip(plain.book.rows, off.book.rows)]
    assert max(moved) > 1.0
    for a, b in zip(plain.book.rows, off.book.rows):
        assert a.met == b.met
        assert float(b.cells["altitude"].split()[0]) != float(a.cells["altitude"].split()[0])


def test_slips_are_recorded_where_they_were_planted():
    flight = random_flight(5, slip_rate=0.1, slip_kinds=("swap", "point", "unit", "sign", "clock", "repeat", "body"))
    lines = flight.csv.splitlines()
    heads = [head.partition(" [")[0] for head in lines[0].split(",")]
    assert len(flight.truth["slips"]) > 3
    for slip in flight.truth["slips"]:
        cells = lines[slip["row"] - 1].split(",")
        assert cells[heads.index(slip["column"])] == slip["typed"] != slip["true"]


def test_a_flight_repeats_itself():
    for mission in ("orbits", "landing"):
        one, two = (random_flight(7, mission=mission, slip_rate=0.05) for _ in range(2))
        assert one.csv == two.csv
        assert one.truth == two.truth
    assert random_flight(8).csv != random_flight(9).csv


def test_a_flight_folder_holds_what_it_was_made_of(tmp_path):
    flight = random_flight(2, stages=2)
    folder = write_flight_folder(tmp_path / "f", flight)
    told = tomllib.loads((folder / "flight.toml").read_text())
    world = read_world(folder / told["world"])
    assert world_toml(world) == world_toml(flight.world)
    assert {n: b.mu for n, b in world.bodies.items()} == {n: b.mu for n, b in flight.world.bodies.items()}
    assert read_craft(folder / told["craft"]) == flight.craft
    assert (folder / "readings.csv").read_text() == flight.csv


# -- the samples themselves ----------------------------------------------------------------------


def test_a_sample_flight_is_made_again_its_readings_to_the_byte():
    sys.path.insert(0, str(SAMPLES))
    import make_samples

    world = read_world(SAMPLES / "worlds" / "ardent.toml")
    craft = read_craft(SAMPLES / "craft" / "heron-on-stilt.toml")
    flown, book, told = make_samples.FLIGHTS["launch"](world, craft)
    folder = SAMPLES / "flights" / "launch"
    assert book.csv(told.get("comments", ())) == (folder / "readings.csv").read_text(encoding="utf-8")
    again = make_samples.rounded(truth_of(flown.sim)["burns"])
    committed = json.loads((folder / "truth.json").read_text())["burns"]
    assert len(again) == len(committed)
    for one, other in zip(again, committed):
        assert one.keys() == other.keys() - {"needed"}
        for key, value in one.items():
            # the last digits hang on the processor's vector instructions
            assert value == (pytest.approx(other[key], rel=1e-6, abs=1e-4) if isinstance(value, float) else other[key]), key


@pytest.mark.parametrize("name", TYPED)
def test_truth_lies_beside_each_typed_flight(name):
    folder = SAMPLES / "flights" / name
    truth = json.loads((folder / "truth.json").read_text())
    lines = (folder / "readings.csv").read_text().splitlines()
    assert truth["arcs"] and truth["burns"] and truth["slips"]
    for slip in truth["slips"]:
        assert slip["typed"] in lines[slip["row"] - 1]
    assert len(truth["rows"]) <= 120
    # every coast that lasts is read at least three times
    for arc in truth["arcs"]:
        if arc["kind"] == "coast" and arc["end"] - arc["start"] > 300:
            assert sum(arc["start"] <= row["met"] <= arc["end"] for row in truth["rows"]) >= 3


def test_screens_say_what_their_truth_says():
    folder = SAMPLES / "flights" / "screens"
    truth = json.loads((folder / "truth.json").read_text())
    files = sorted(path.name for path in (folder / "screenshots").iterdir())
    assert files == [image["image"] for image in truth["images"]]
    assert 30 <= len(files) <= 60
    for image in truth["images"]:
        assert float(image["texts"]["speed"]) == pytest.approx(image["speed"], abs=0.0501)


def test_samples_stay_small():
    size = sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    assert size < 15e6


def test_the_simulator_imports_nothing_of_the_analyser():
    seen = 0
    for path in SAMPLES.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not any(name.split(".")[0] == "analyser" for name in names), path
            seen += len(names)
    assert seen > 20
