"""A column whose header names another unit than was read: told by what stays constant in a coast."""

from pathlib import Path

import numpy as np
import pytest
from simulator.random_flights import random_flight, write_flight_folder

from analyser.fitting import fit_flight, understood
from analyser.fitting.column_units import mend_units
from analyser.flight import Flight
from analyser.ingest import load_flight

SAMPLE = Path(__file__).resolve().parents[2] / "samples" / "flights" / "first-try"
WRONG_WAY = SAMPLE.parent / "wrong-way"
COLUMNS = ("altitude", "speed", "vertical_speed")


def flight(folder, seed, mission, **options):
    return load_flight(write_flight_folder(folder / "flight", random_flight(seed, mission=mission, per_coast=5, **options)))


def scaled(loaded, columns, factor):
    table = loaded.readings.table
    return table.assign(**{name + end: table[name + end] * factor for name in columns for end in ("", "_sigma")})


@pytest.mark.parametrize("columns, factor, written, meant", [
    (("speed",), 1 / 3.6, "km/h", "m/s"), (("altitude",), 0.3048, "ft", "m"), (("altitude",), 1000.0, "km", "m"),
    (("speed", "vertical_speed"), 1852 / 3600, "kn", "m/s"),
])  # fmt: skip
@pytest.mark.parametrize("seed, mission", [(700, "orbits"), (701, "landing"), (702, "there and back")])
def test_a_column_in_another_unit_is_found_and_told(columns, factor, written, meant, seed, mission, tmp_path):
    loaded = flight(tmp_path, seed, mission)
    found, remarks = mend_units(scaled(loaded, columns, factor), loaded.world, loaded.plan)
    for name in COLUMNS:
        assert np.allclose(found[name].to_numpy(float), loaded.readings.table[name].to_numpy(float), rtol=1e-6, equal_nan=True)
    (remark,) = remarks
    assert "check the unit in the table's header" in remark
    assert factor == 1000.0 or f"as {meant} though they are written as {written}" in remark  # km for m is Mm for km


@pytest.mark.parametrize("seed", range(8))
def test_slips_alone_ask_for_no_other_unit(seed, tmp_path):
    loaded = flight(tmp_path, seed, "orbits", slip_rate=0.08)
    table, remarks = mend_units(loaded.readings.table, loaded.world)
    assert table is loaded.readings.table and not remarks


def test_the_fit_goes_on_with_the_unit_that_was_meant(tmp_path):
    loaded = flight(tmp_path, 702, "orbits")
    table = scaled(loaded, ("speed",), 1 / 3.6)
    wrong = fit_flight(Flight("x", loaded.world, type(loaded.readings)(table, loaded.readings.detail), craft=loaded.craft))
    right = fit_flight(Flight("x", loaded.world, loaded.readings, craft=loaded.craft))
    assert [arc.rows for arc in wrong.arcs] == [arc.rows for arc in right.arcs]
    assert any("taken as m/s" in remark for remark in wrong.taken) and set(wrong.taken) <= set(wrong.remarks)
    assert not any("taken as m/s" in remark for remark in wrong.open_questions)
    assert not right.taken


@pytest.mark.parametrize("header, unit", [("altitude [km]", "altitude [ft]"), ("speed [m/s]", "speed [kn]")])
def test_cells_that_name_their_own_unit_are_left_as_they_are(header, unit, tmp_path):
    # the sample's far altitudes are typed with their unit, "11.615 Mm"
    text = (SAMPLE / "readings.csv").read_text()
    assert header in text
    described = (SAMPLE / "flight.toml").read_text().replace('"../../', f'"{SAMPLE.parents[1]}/')
    for name, lines in (("right", text), ("wrong", text.replace(header, unit, 1))):
        (tmp_path / name).mkdir()
        (tmp_path / name / "flight.toml").write_text(described)
        (tmp_path / name / "readings.csv").write_text(lines)
    right, wrong = (load_flight(tmp_path / name) for name in ("right", "wrong"))
    found, remarks = mend_units(wrong.readings.table, wrong.world, wrong.plan, wrong.readings.detail)
    assert len(remarks) == 1
    column = header.split(" ")[0]
    assert np.allclose(found[column].to_numpy(float), right.readings.table[column].to_numpy(float), rtol=1e-6, equal_nan=True)


def test_a_table_that_makes_no_sense_ends_in_findings_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(understood, "mend_units", lambda table, *_: (table, ()))
    (tmp_path / "readings.csv").write_text((WRONG_WAY / "readings.csv").read_text().replace("altitude [km]", "altitude [ft]", 1))
    (tmp_path / "flight.toml").write_text((WRONG_WAY / "flight.toml").read_text().replace('"../../', f'"{SAMPLE.parents[1]}/'))
    findings = fit_flight(load_flight(tmp_path))
    assert findings.arcs and findings.set_aside
