"""analyser export: files that other tools read, whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path

from analyser.cli import main
from analyser.ingest import read_table

FLIGHT = Path(__file__).resolve().parent.parent / "samples" / "flights" / "launch"


def test_export_writes_a_message_for_each_orbit_and_the_readings(tmp_path, capsys):
    assert main(["export", str(FLIGHT), "--out", str(tmp_path / "notes"), "--json"]) == 0
    written = [Path(name) for name in json.loads(capsys.readouterr().out)["written"]]
    assert all(path.is_file() for path in written)
    assert {path.suffix for path in written} == {".opm", ".oem", ".csv"}
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
