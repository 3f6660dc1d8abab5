"""Which body the altimeter refers to: typed, mistyped, or not typed at all."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from simulator.random_flights import random_flight, write_flight_folder
from tables import WORLDS, table

from analyser.fitting.bodies import reference_bodies
from analyser.ingest import load_flight, load_world

SAMPLES = Path(__file__).resolve().parents[2] / "samples" / "flights"
WORLD = load_world(WORLDS / "ardent.toml")


@pytest.mark.parametrize("name", ["first-try", "second-try", "fourth-try"])
def test_untyped_bodies_are_those_that_were_typed(name):
    flight = load_flight(SAMPLES / name)
    typed, _ = reference_bodies(flight.readings.table, flight.world, flight.plan)
    blank = flight.readings.table.drop(columns="body")
    guessed, remarks = reference_bodies(blank, flight.world, flight.plan)
    assert guessed.tolist() == typed.tolist()
    assert "Ardent, then Lull, then Ardent" in remarks[0]


def test_a_body_mistyped_in_between_is_mended_and_told(tmp_path):
    text = "met, body, altitude [km], speed, vertical_speed\n0, Lull, 100.0, 700, 10\n60, Ardent, 100.6, 699, 9.5\n120, Lull, 101.2, 698, 9.0\n"
    body, remarks = reference_bodies(table(tmp_path, text), WORLD)
    assert body.tolist() == ["Lull"] * 3
    assert "line 3" in remarks[0] and "Ardent" in remarks[0]


def test_a_real_visit_is_not_mended_away(tmp_path):
    text = "met, body, altitude [km], speed, vertical_speed\n0, Ardent, 15151, 441, 388\n3000, Lull, 4759, 417, -413\n9000, Ardent, 16000, 441, 388\n"
    assert reference_bodies(table(tmp_path, text), WORLD)[0].tolist() == ["Ardent", "Lull", "Ardent"]


@pytest.mark.parametrize("per_coast, slips", [(10, 0.03), (4, 0.03), (10, 0.0)])
def test_untyped_bodies_of_random_flights_there_and_back(tmp_path, per_coast, slips):
    """No body column, no plan, no events; slips in some readings."""
    wrong = count = 0
    for seed in (0, 4, 9, 10):
        gauges = ("altitude", "speed", "vertical_speed", "throttle", "propellant")
        flight = replace(random_flight(seed, mission="there and back", per_coast=per_coast, slip_rate=slips, columns=gauges), plan="")
        loaded = load_flight(write_flight_folder(tmp_path / f"{seed}", flight))
        table = loaded.readings.table
        assert "body" not in table or not any(table["body"])
        body, _ = reference_bodies(table, loaded.world, None)
        true = {row["row"]: row["body"] for row in flight.truth["rows"]}
        assert len(set(true.values())) == 2
        wrong += sum(true[int(line)] != name for line, name in zip(table["row"], body, strict=True))
        count += len(body)
    assert wrong <= 0.01 * count


@pytest.mark.parametrize("seed", [300, 306, 307])
def test_bodies_mistyped_anywhere_are_mended_and_no_others(seed, tmp_path):
    flight = random_flight(seed, mission="there and back")
    rows = sorted(flight.book.rows, key=lambda row: row.met)
    true = [row.truth["body"] for row in rows]
    wrong = [place for place in range(3, len(rows) - 3, 9) if len(set(true[place - 2 : place + 3])) == 1 and rows[place].truth["kind"] == "coast"]
    for place in wrong:
        rows[place].cells["body"] = next(name for name in flight.world.bodies if name != true[place])
    loaded = load_flight(write_flight_folder(tmp_path / "flight", replace(flight, csv=flight.book.csv(), plan="")))
    body, remarks = reference_bodies(loaded.readings.table, loaded.world)
    assert len(wrong) > 5 and len(remarks) == len(wrong)
    assert body.tolist() == true
