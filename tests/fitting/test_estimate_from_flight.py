"""A body's constants from a whole flight's coasts, found with a world file that is somewhat wrong."""

import dataclasses
import json
import tempfile
from pathlib import Path

import pytest
from simulator.random_flights import random_flight, write_flight_folder

from analyser.cli import main
from analyser.fitting import fit_flight
from analyser.fitting.first_constants import with_first_constants
from analyser.fitting.unknown_world import estimate_from_flight
from analyser.ingest import load_flight


def test_a_guess_that_is_off_is_put_right(tmp_path):
    simulated = random_flight(2, burns=2)
    flight = load_flight(write_flight_folder(tmp_path / "flight", simulated))
    name = simulated.truth["arcs"][0]["body"]
    true = flight.world[name]
    bodies = {**flight.world.bodies, name: dataclasses.replace(true, mu=1.00005 * true.mu)}
    wrong = dataclasses.replace(flight, world=dataclasses.replace(flight.world, bodies=bodies))
    found = estimate_from_flight(wrong, fit_flight(wrong), name, ("gm",))
    gm = found.quantities["gm"]
    assert abs(gm.value - true.mu) < 4 * gm.sigma
    assert gm.sigma < 1e-3 * true.mu


SURFACE = ("body", "altitude", "surface_speed", "vertical_speed", "throttle", "propellant")
BOTH = ("body", "altitude", "speed", "surface_speed", "vertical_speed", "throttle", "propellant")


@pytest.mark.parametrize(("seed", "columns", "slips"), [(100, SURFACE, 0.0), (102, SURFACE, 0.03), (105, BOTH, 0.0), (113, BOTH, 0.03)])
@pytest.mark.parametrize("factors", [(3.0, 1 / 3, 3.0), (1 / 3, 3.0, 1 / 3)])
def test_guesses_three_times_off_are_put_right(tmp_path, seed, columns, slips, factors):
    """All three constants at once, each three times too large or too small."""
    simulated = random_flight(seed, burns=2, columns=columns, slip_rate=slips)
    flight = load_flight(write_flight_folder(tmp_path / "flight", simulated))
    name = simulated.truth["arcs"][0]["body"]
    true = flight.world[name]
    body = dataclasses.replace(true, mu=factors[0] * true.mu, radius=factors[1] * true.radius, rotation_period=true.rotation_period / factors[2])
    wrong = dataclasses.replace(flight, world=dataclasses.replace(flight.world, bodies={**flight.world.bodies, name: body}))
    near = with_first_constants(wrong, name, ("gm", "radius", "rotation"))
    found = estimate_from_flight(near, fit_flight(near), name, ("gm", "radius", "rotation"))
    for quantity, value in (("gm", true.mu), ("radius", true.radius), ("rotation", true.rotation_rate)):
        figure = found.quantities[quantity]
        assert abs(figure.value - value) < 4 * figure.sigma
        assert figure.sigma < 0.01 * value


def test_constants_that_fit_are_left_alone(tmp_path):
    flight = load_flight(write_flight_folder(tmp_path / "flight", random_flight(100, burns=2)))
    assert with_first_constants(flight, "", ("gm", "radius", "rotation")) is flight


def test_command_prints_it(capsys):
    with tempfile.TemporaryDirectory() as folder:
        simulated = random_flight(2, burns=1)
        place = write_flight_folder(Path(folder) / "flight", simulated)
        assert main(["fit", str(place), "--estimate", "gm,radius", "--json"]) in (0, 1)
        found = json.loads(capsys.readouterr().out)
        assert set(found["quantities"]) == {"gm", "radius"}
        assert main(["fit", str(place), "--estimate", "weight"]) == 2
        assert "gm, radius, rotation" in capsys.readouterr().err
