"""analyser export: files that other tools read, whole or not at all. Each is read back by a reader that is not ours."""

from __future__ import annotations

import csv
import json
import math
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import cv2
import numpy as np
import pandas
import pytest
from made_flight import made_findings, made_flight

from analyser.cli import main
from analyser.fitting import fit_flight
from analyser.ingest import load_flight, read_table
from analyser.reporting.sheets import findings_sheets, sheet_csv, sheet_parquet

FLIGHT = Path(__file__).resolve().parent.parent / "samples" / "flights" / "launch"
LISTS = ("arcs", "burns", "legs", "transitions", "landings", "set-aside", "advice", "margins", "residuals", "track")


@pytest.fixture(scope="module")
def everything(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notes")
    assert main(["export", str(FLIGHT), "--out", str(folder), "--tables", "csv,parquet", "--figures", "svg,png", "-q"]) == 0
    flight = load_flight(FLIGHT)
    return folder, flight, fit_flight(flight)


def test_export_writes_a_message_for_each_orbit_and_the_readings(tmp_path, capsys):
    assert main(["export", str(FLIGHT), "--out", str(tmp_path / "notes"), "--json"]) == 0
    written = [Path(name) for name in json.loads(capsys.readouterr().out)["written"]]
    assert all(path.is_file() for path in written)
    assert {path.suffix for path in written} == {".opm", ".oem", ".csv"}
    assert set(written) == set((tmp_path / "notes").iterdir())
    text = next(path for path in written if path.suffix == ".opm").read_text()
    assert text.startswith("CCSDS_OPM_VERS = 2.0") and "CENTER_NAME = ARDENT" in text
    again = read_table(tmp_path / "notes" / "readings.csv")
    assert len(again) == len(read_table(FLIGHT / "readings.csv"))


def test_export_where_nothing_may_be_written_is_one_sentence(tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    assert main(["export", str(FLIGHT), "--out", str(tmp_path / "file" / "notes")]) == 2
    shown = capsys.readouterr()
    assert "file" in shown.err and "Traceback" not in shown.err
    assert (tmp_path / "file").read_text() == "in the way"


def test_findings_as_csv_hold_every_estimate_with_its_interval(everything):
    folder, _, findings = everything
    for name in LISTS:
        assert (folder / f"findings-{name}.csv").is_file()
    arcs = list(csv.DictReader(open(folder / "findings-arcs.csv", newline="", encoding="utf-8")))
    assert [row["number"] for row in arcs] == [str(number) for number in range(1, len(findings.arcs) + 1)]
    for row, arc in zip(arcs, findings.arcs, strict=True):
        for key in ("periapsis_altitude", "period", "energy"):
            estimate = getattr(arc, key)
            unit = next(item.unit for item in (getattr(other, key) for other in findings.arcs) if item.unit)
            for ending, part in (("", "value"), ("_sigma", "sigma"), ("_low", "low"), ("_high", "high")):
                said, meant = row[f"{key}{ending} [{unit}]"], getattr(estimate, part)
                assert (said == "" and math.isnan(meant)) or float(said) == meant
            assert row[f"{key}_reason"] == estimate.reason
        if arc.covariance is not None:
            assert float(row["covariance_radial_speed_radius [m/s m]"]) == arc.covariance[1][0]
            assert float(row["state_radius [m]"]) == arc.state[0]
        assert json.loads(row["rows"]) == list(arc.rows) if arc.rows else row["rows"] == ""
    legs = list(csv.DictReader(open(folder / "findings-legs.csv", newline="", encoding="utf-8")))
    assert [(row["name"], row["flown"], float(row["spent [m/s]"])) for row in legs] == [(leg.name, str(leg.flown), leg.spent.value) for leg in findings.legs]
    missed = findings.legs[0].miss
    assert missed and all(float(legs[0][f"miss_{key} [{item.unit}]"]) == item.value for key, item in missed.items() if item.known and item.unit != "1")


def test_parquet_is_read_by_pandas_and_holds_the_same(everything):
    import pyarrow.parquet

    folder, flight, findings = everything
    readings = pandas.read_parquet(folder / "readings.parquet")
    table = flight.readings.table
    assert list(readings.columns) == list(table.columns)
    for name in table.columns:
        if table[name].dtype.kind == "f":
            np.testing.assert_array_equal(readings[name].to_numpy(float), table[name].to_numpy(float))
        else:
            assert readings[name].tolist() == table[name].tolist()
    detail = pandas.read_parquet(folder / "readings_detail.parquet")
    assert detail["raw"].tolist() == flight.readings.detail["raw"].tolist()
    burns = pandas.read_parquet(folder / "findings-burns.parquet")
    assert burns["spent"].tolist() == [burn.spent.value for burn in findings.burns]
    unknown = [math.isnan(burn.net.value) for burn in findings.burns]
    assert burns["net"].isna().tolist() == unknown and all(bool(reason) == missing for reason, missing in zip(burns["net_reason"], unknown, strict=True))
    residuals = pandas.read_parquet(folder / "findings-residuals.parquet")
    assert residuals["residual"].tolist() == pytest.approx(findings.fit["residual"].tolist(), nan_ok=True)
    schema = pyarrow.parquet.read_schema(folder / "findings-burns.parquet")
    assert schema.field("spent").metadata[b"unit"] == b"m/s" and schema.metadata[b"flight"].decode() == flight.name
    assert pyarrow.parquet.read_schema(folder / "readings.parquet").field("altitude_sigma").metadata[b"unit"] == b"m"
    for sheet in folder.glob("findings-*.csv"):
        other = pandas.read_parquet(sheet.with_suffix(".parquet"))
        assert len(other) == len(list(csv.reader(open(sheet, newline="", encoding="utf-8")))) - 1


def test_figures_are_svg_and_png(everything):
    folder, _, _ = everything
    drawn = {path.stem for path in folder.glob("figure-*.svg")}
    assert drawn == {path.stem for path in folder.glob("figure-*.png")} and {"figure-burns", "figure-time", "figure-orbits-1"} <= drawn
    for name in drawn:
        root = ElementTree.parse(folder / f"{name}.svg").getroot()
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert len(root.findall(".//{http://www.w3.org/2000/svg}path")) > 3
        picture = cv2.imread(str(folder / f"{name}.png"))
        _, _, wide, high = map(float, root.get("viewBox").split())
        assert picture is not None and picture.shape[1] / picture.shape[0] == pytest.approx(wide / high, rel=0.02)
        assert picture.std() > 5  # something is drawn


def test_nothing_found_is_a_table_without_rows():
    findings = made_findings(legs=(), landings=(), advice=())
    sheets = {sheet.name: sheet for sheet in findings_sheets(findings)}
    assert sheet_csv(sheets["landings"]) == "number\r\n"
    import io

    assert len(pandas.read_parquet(io.BytesIO(sheet_parquet(sheets["landings"])))) == 0


def test_names_stay_text_in_a_spreadsheet():
    import dataclasses

    findings = made_findings()
    findings = dataclasses.replace(findings, legs=tuple(dataclasses.replace(leg, name="=cmd()", goal='a "b",\n;c') for leg in findings.legs))
    sheet = next(sheet for sheet in findings_sheets(findings) if sheet.name == "legs")
    rows = list(csv.DictReader(sheet_csv(sheet).splitlines(keepends=True)))
    assert rows[0]["name"] == "'=cmd()" and rows[0]["goal"] == 'a "b",\n;c'
    assert made_flight().name not in rows[0].values()


def test_without_the_package_or_with_a_wrong_form_nothing_is_written(tmp_path, capsys, monkeypatch):
    for arguments, words in ((("--tables", "xlsx"), "xlsx is not among csv, parquet"), (("--figures", "svg,gif"), "gif is not among svg, png")):
        assert main(["export", str(FLIGHT), "--out", str(tmp_path / "notes"), *arguments]) == 2
        assert words in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", str(FLIGHT), "--out", str(tmp_path / "notes"), "--tables", "parquet"]) == 2
    assert "bash samples/setup.sh parquet" in capsys.readouterr().err
    assert not (tmp_path / "notes").exists()
