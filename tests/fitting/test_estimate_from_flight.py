"""A body's constants from a whole flight's coasts, found with a world file that is somewhat wrong."""

import dataclasses
import json
import tempfile
from pathlib import Path

from simulator.random_flights import random_flight, write_flight_folder

from analyser.cli import main
from analyser.fitting import fit_flight
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


def test_command_prints_it(capsys):
    with tempfile.TemporaryDirectory() as folder:
        simulated = random_flight(2, burns=1)
        place = write_flight_folder(Path(folder) / "flight", simulated)
        assert main(["fit", str(place), "--estimate", "gm,radius", "--json"]) in (0, 1)
        found = json.loads(capsys.readouterr().out)
        assert set(found["quantities"]) == {"gm", "radius"}
        assert main(["fit", str(place), "--estimate", "weight"]) == 2
        assert "gm, radius, rotation" in capsys.readouterr().err
