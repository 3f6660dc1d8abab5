"""The logbook: nothing twice, nothing lost, nothing foreign touched. Every write test closes and reopens."""

import hashlib
import json
import math
import multiprocessing
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from made_flight import made_findings, made_flight, written_flight

import analyser.logbook_rows
from analyser.errors import InputError, OutputError
from analyser.findings import Estimate
from analyser.logbook import FIGURES, MIGRATIONS, Logbook, fingerprint


@pytest.fixture
def path(tmp_path):
    return tmp_path / "reports" / "logbook.sqlite"


def test_the_same_flight_twice_is_one_attempt(path, tmp_path):
    flight, findings = written_flight(tmp_path / "one"), made_findings()
    first = Logbook(path).record(flight, findings)
    again = Logbook(path).record(flight, findings)
    assert (first.attempt, first.revision, first.new, first.changed) == (1, 1, True, True)
    assert (again.attempt, again.revision, again.new, again.changed) == (1, 1, False, False)
    assert len(Logbook(path).attempts()) == 1


def test_a_copy_of_the_folder_is_the_same_attempt(path, tmp_path):
    Logbook(path).record(written_flight(tmp_path / "one"), made_findings())
    moved = Logbook(path).record(written_flight(tmp_path / "copy of one"), made_findings())
    assert (moved.attempt, moved.new) == (1, False)


def test_changed_readings_are_a_new_revision_and_the_old_is_kept(path, tmp_path):
    flight = written_flight(tmp_path / "one")
    Logbook(path).record(flight, made_findings(1.0))
    (tmp_path / "one" / "readings.csv").write_text("met,altitude [km]\n0,81\n")
    changed = Logbook(path).record(flight, made_findings(0.5))
    assert (changed.attempt, changed.revision, changed.new) == (1, 2, False)
    book = Logbook(path)
    new, old = book.attempt(1), book.attempt(1, revision=1)
    assert new.figures["waste"][0] == pytest.approx(10 + 38 / 2 + 7 + 41 / 2 + 1.4 + 148 / 2)
    assert old.figures["waste"][0] == pytest.approx(10 + 38 + 7 + 41 + 1.4 + 148)
    assert new.fingerprint != old.fingerprint
    assert [revision for revision, _, _ in book.revisions(1)] == [1, 2]


def test_a_newer_version_is_a_new_revision(path, tmp_path, monkeypatch):
    flight = written_flight(tmp_path / "one")
    Logbook(path).record(flight, made_findings())
    monkeypatch.setattr(analyser.logbook_rows, "__version__", "99.0")
    assert Logbook(path).record(flight, made_findings()).revision == 2
    assert [version for _, _, version in Logbook(path).revisions(1)][1] == "99.0"


def test_another_date_or_pilot_in_the_same_folder_is_another_attempt(path, tmp_path):
    Logbook(path).record(written_flight(tmp_path / "one"), made_findings())
    (tmp_path / "one" / "readings.csv").write_text("met,altitude [km]\n0,90\n")
    other = Logbook(path).record(written_flight(tmp_path / "one", date="2031-04-13"), made_findings())
    assert other.attempt == 2


def test_flights_without_folder_are_told_apart_by_name_pilot_and_date(path):
    Logbook(path).record(made_flight(), made_findings())
    assert Logbook(path).record(made_flight(name="Third try"), made_findings()).attempt == 2
    assert Logbook(path).record(made_flight(), made_findings()).attempt == 1


def test_the_fingerprint_is_of_name_and_content(tmp_path):
    flight = written_flight(tmp_path / "one")
    marks = {fingerprint(flight), fingerprint(written_flight(tmp_path / "two")), fingerprint(flight)}
    assert len(marks) == 1
    (tmp_path / "one" / "readings.csv").write_text("x")
    assert fingerprint(flight) not in marks
    (tmp_path / "one" / "readings.csv").unlink()
    with pytest.raises(InputError, match="readings.csv: can't be read again"):
        fingerprint(flight)


def test_everything_comes_back(path, tmp_path):
    flight, findings = written_flight(tmp_path / "one"), made_findings()
    Logbook(path).record(flight, findings)
    found = Logbook(path).attempt(1)
    assert found.findings == json.loads(json.dumps(findings.to_dict(), allow_nan=False))
    assert found.findings["arcs"][0]["covariance"][0][0] == 9e4
    assert (found.name, found.pilot, found.plan, found.craft) == ("Second try, late braking", "P-01", "There and back", "Heron")
    assert set(found.figures) == set(FIGURES)
    assert found.figures["touchdown_vertical_speed"] == pytest.approx((-1.9, 0.2))
    assert math.isnan(found.figures["touchdown_horizontal_speed"][0])
    assert [leg["name"] for leg in found.legs] == ["transfer", "capture", "descent", "ascent"]
    assert found.legs[1]["correction_loss"] == pytest.approx(32.0)
    assert [habit["cause"] for habit in found.habits][:2] == ["gravity loss", "correction loss"]
    assert json.loads(found.legs[0]["miss"])["periapsis_altitude"]["value"] == -2500.0


def test_filters(path):
    for name, pilot in (("a", "P-01"), ("b", "P-02"), ("c", "P-02")):
        Logbook(path).record(made_flight(name=name, pilot=pilot), made_findings())
    Logbook(path).record(made_flight(name="d", plan=None), made_findings(legs=()))
    book = Logbook(path)
    assert [item.name for item in book.attempts(pilot="P-02")] == ["b", "c"]
    assert [item.name for item in book.attempts(plan="")] == ["d"]
    assert [item.name for item in book.attempts(names=["a", "d"])] == ["a", "d"]
    assert {plan: count for plan, count, _ in book.plans()} == {"There and back": 3, "": 1}


def test_deleting_is_undone(path):
    Logbook(path).record(made_flight(), made_findings())
    Logbook(path).delete(1)
    assert Logbook(path).attempts() == []
    assert [item.id for item in Logbook(path).attempts(deleted=True)] == [1]
    with pytest.raises(InputError, match="deleted already"):
        Logbook(path).delete(1)
    Logbook(path).restore(1)
    assert [item.id for item in Logbook(path).attempts()] == [1]
    with pytest.raises(InputError, match="not among the deleted"):
        Logbook(path).restore(1)
    with pytest.raises(InputError, match="attempt 7 is not in the logbook"):
        Logbook(path).attempt(7)


def test_export_and_import_give_the_same_logbook(path, tmp_path):
    flight = written_flight(tmp_path / "one", name='"><script>alert(1)</script>')
    Logbook(path).record(flight, made_findings())
    (tmp_path / "one" / "readings.csv").write_text("met,altitude [km]\n0,81\n")
    Logbook(path).record(flight, made_findings(0.5))
    Logbook(path).record(made_flight(name="other"), made_findings(0.2))
    Logbook(path).delete(2)
    assert Logbook(path).export(tmp_path / "kept.jsonl") == 2
    other = tmp_path / "other.sqlite"
    assert Logbook(other).load(tmp_path / "kept.jsonl") == 3
    assert Logbook(other).load(tmp_path / "kept.jsonl") == 0
    assert str(Logbook(other).attempts()) == str(Logbook(path).attempts())  # nan is not itself, its name is
    assert str(Logbook(other).attempts(deleted=True)) == str(Logbook(path).attempts(deleted=True))
    assert Logbook(other).attempt(1, 1).findings == Logbook(path).attempt(1, 1).findings
    Logbook(other).export(tmp_path / "again.jsonl")
    assert (tmp_path / "again.jsonl").read_bytes() == (tmp_path / "kept.jsonl").read_bytes()


def test_importing_old_revisions_does_not_hide_newer_ones(path, tmp_path):
    flight = written_flight(tmp_path / "one")
    Logbook(path).record(flight, made_findings(1.0))
    Logbook(path).export(tmp_path / "old.jsonl")
    other = tmp_path / "other.sqlite"
    time.sleep(0.01)
    Logbook(other).record(flight, made_findings(0.5))
    assert Logbook(other).load(tmp_path / "old.jsonl") == 1
    assert Logbook(other).attempts()[0].figures["waste"][0] == pytest.approx(131.9)


def test_names_with_odd_line_ends_survive_export(path, tmp_path):
    name = "Second\u2028try\x85\x0b"
    Logbook(path).record(made_flight(name=name), made_findings())
    Logbook(path).export(tmp_path / "kept.jsonl")
    assert Logbook(tmp_path / "other.sqlite").load(tmp_path / "kept.jsonl") == 1
    assert Logbook(tmp_path / "other.sqlite").attempts()[0].name == name


@pytest.mark.parametrize(
    "change, words",
    [
        (lambda entry: entry.update(name=7), "name of an attempt should be text, and is 7"),
        (lambda entry: entry.update(mood="good"), "keys are not those of an attempt"),
        (lambda entry: entry["revisions"][0].update(duration=[1]), r"duration of a revision should be a number, and is \[1\]"),
        (lambda entry: entry["revisions"][0].update(fingerprint=None), "fingerprint of a revision should be text"),
        (lambda entry: entry["revisions"][0].update(readings=2**70), "readings of a revision can't be kept"),
        (lambda entry: entry["revisions"][0].update(findings="{}"), "findings are not an object"),
        (lambda entry: entry["revisions"][0]["legs"].append(entry["revisions"][0]["legs"][0]), "two of its legs have the same position"),
        (lambda entry: entry["revisions"][0]["habits"][0].update(cost="dear"), "cost of its habits should be a number"),
        (lambda entry: entry.update(revisions=[]), "no revisions"),
        (lambda entry: entry.update(pilot="\ud800"), "pilot of an attempt can't be kept"),
    ],
)
def test_a_changed_export_is_refused_whole_with_the_reason(path, tmp_path, change, words):
    Logbook(path).record(made_flight(), made_findings())
    Logbook(path).export(tmp_path / "kept.jsonl")
    good = (tmp_path / "kept.jsonl").read_text()
    entry = json.loads(good)
    change(entry)
    (tmp_path / "kept.jsonl").write_text(good + json.dumps(entry) + "\n")
    other = tmp_path / "other.sqlite"
    with pytest.raises(InputError, match=f"kept.jsonl, line 2: .*{words}"):
        Logbook(other).load(tmp_path / "kept.jsonl")
    assert Logbook(other).attempts() == []


def test_an_export_of_the_first_layout_can_be_imported(path, tmp_path):
    Logbook(path).record(made_flight(), made_findings())
    Logbook(path).export(tmp_path / "kept.jsonl")
    entry = json.loads((tmp_path / "kept.jsonl").read_text())
    del entry["report"], entry["revisions"][0]["inputs"]
    for leg in entry["revisions"][0]["legs"]:
        del leg["start"], leg["finish"]
    (tmp_path / "kept.jsonl").write_text(json.dumps(entry) + "\n")
    other = tmp_path / "other.sqlite"
    assert Logbook(other).load(tmp_path / "kept.jsonl") == 1
    assert Logbook(other).attempts()[0].figures["waste"] == Logbook(path).attempts()[0].figures["waste"]


def test_a_logbook_of_the_first_layout_is_brought_up_to_date(path, monkeypatch):
    """What the first layout kept stays; the times of its legs come out of the findings."""
    monkeypatch.setattr("analyser.logbook_file.MIGRATIONS", MIGRATIONS[:1])
    Logbook(path)
    entry = analyser.logbook_rows.entry_of(made_flight(), made_findings())
    with sqlite3.connect(path) as database:
        row = analyser.logbook_rows._insert(database, "attempts", {**entry.about, "recorded": "2031"})
        row = analyser.logbook_rows._insert(database, "revisions", {**entry.revision, "attempt": row, "number": 1})
        for leg in entry.legs:
            kept = {key: value for key, value in leg.items() if key not in ("start", "finish")}
            analyser.logbook_rows._insert(database, "legs", {**kept, "revision": row})
    monkeypatch.undo()
    (found,) = Logbook(path).attempts()
    assert [(leg["start"], leg["finish"]) for leg in found.legs] == [(leg["start"], leg["finish"]) for leg in entry.legs]
    assert any(leg["start"] is not None for leg in found.legs)
    assert found.report == "" and Logbook(path).attempt(1).inputs == ()


def test_the_inputs_of_a_revision_are_kept(path, tmp_path):
    flight = written_flight(tmp_path / "one")
    Logbook(path).record(flight, made_findings(), report=tmp_path / "notes")
    found = Logbook(path).attempt(1)
    content = (tmp_path / "one" / "readings.csv").read_bytes()
    assert ("readings.csv", len(content), hashlib.sha256(content).hexdigest()) in found.inputs
    assert found.report == (tmp_path / "notes").as_posix()
    Logbook(path).record(flight, made_findings())
    assert Logbook(path).attempt(1).report == (tmp_path / "notes").as_posix()


@pytest.mark.parametrize("text", ["{}", "nonsense", '{"revisions": []}', "[1]", '{"name": "x", "revisions": [{}]}'])
def test_a_file_that_is_no_export_adds_nothing(path, tmp_path, text):
    Logbook(path).record(made_flight(), made_findings())
    Logbook(path).export(tmp_path / "kept.jsonl")
    broken = tmp_path / "broken.jsonl"
    broken.write_text((tmp_path / "kept.jsonl").read_text() + text + "\n")
    other = tmp_path / "other.sqlite"
    with pytest.raises(InputError, match="broken.jsonl, line 2: is not a line of an exported logbook"):
        Logbook(other).load(broken)
    assert Logbook(other).attempts(deleted=False) == []


@pytest.mark.parametrize(
    "content, words",
    [(b"met,altitude\n0,80\n" * 10, "not an SQLite file"), (b"SQLite format 3\0" + b"\xff" * 5000, "damaged|can't be used"), (b"SQL", "not an SQLite file")],
)
def test_a_file_that_is_no_logbook_is_left_alone(tmp_path, content, words):
    path = tmp_path / "logbook.sqlite"
    path.write_bytes(content)
    with pytest.raises((InputError, OutputError), match=words):
        Logbook(path)
    assert path.read_bytes() == content
    assert [entry.name for entry in tmp_path.iterdir()] == ["logbook.sqlite"]


def test_a_damaged_logbook_is_said_to_be(path):
    findings = made_findings()
    for number in range(12):
        Logbook(path).record(made_flight(name=f"{number}"), findings)
    content = bytearray(path.read_bytes())
    content[8192 : len(content) // 2] = b"\xaa" * (len(content) // 2 - 8192)
    path.write_bytes(content)
    with pytest.raises(InputError, match="the logbook is damaged"):
        Logbook(path).attempts()
    assert path.read_bytes() == bytes(content)


def test_someone_elses_database_and_a_newer_layout_are_left_alone(tmp_path):
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as database:
        database.execute("CREATE TABLE recipes (name TEXT)")
    before = other.read_bytes()
    with pytest.raises(InputError, match="a database of something else"):
        Logbook(other)
    assert other.read_bytes() == before
    newer = tmp_path / "newer.sqlite"
    Logbook(newer).record(made_flight(), made_findings())
    with sqlite3.connect(newer) as database:
        database.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    before = newer.read_bytes()
    with pytest.raises(InputError, match="written by a newer analyser"):
        Logbook(newer)
    assert newer.read_bytes() == before
    with pytest.raises(InputError, match="is a folder"):
        Logbook(tmp_path)


def test_a_migration_that_fails_leaves_the_old_layout(path, monkeypatch):
    Logbook(path).record(made_flight(), made_findings())
    monkeypatch.setattr("analyser.logbook_file.MIGRATIONS", (*MIGRATIONS, "ALTER TABLE attempts ADD COLUMN mood TEXT; SELECT * FROM nowhere"))
    with pytest.raises(OutputError, match="nowhere"):
        Logbook(path)
    monkeypatch.undo()
    with sqlite3.connect(path) as database:
        columns = {row[1] for row in database.execute("PRAGMA table_info(attempts)")}
        assert "mood" not in columns
        assert database.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
    monkeypatch.setattr("analyser.logbook_file.MIGRATIONS", (*MIGRATIONS, "ALTER TABLE attempts ADD COLUMN mood TEXT"))
    assert len(Logbook(path).attempts()) == 1


def test_nan_is_null_and_an_estimate_without_sigma_is_kept(path):
    findings = made_findings(legs=(), landings=(), advice=())
    Logbook(path).record(made_flight(plan=None), findings)
    found = Logbook(path).attempt(1)
    assert math.isnan(found.figures["waste"][0])
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT waste, waste_sigma FROM revisions").fetchone() == (None, None)
    assert isinstance(findings.burns[0].spent, Estimate)


def _record_some(path, first, count):
    findings = made_findings()
    for number in range(first, first + count):
        Logbook(path).record(made_flight(name=f"flight {number}"), findings)


def test_several_processes_at_once(path):
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_record_some, args=(path, 100 * index, 8)) for index in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0, 0, 0]
    assert len({item.name for item in Logbook(path).attempts()}) == 32
    with sqlite3.connect(path) as database:
        assert database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


WRITER = """
import sys
sys.path.insert(0, {tests!r})
from made_flight import made_findings, made_flight
from analyser.logbook import Logbook
findings = made_findings()
number = int(sys.argv[2])
while True:
    Logbook(sys.argv[1]).record(made_flight(name=f"flight {{number}}"), findings)
    print(number, flush=True)
    number += 1
"""


def test_a_kill_loses_nothing_that_was_reported_as_recorded(path):
    reported = set()
    for kill in range(5):
        script = WRITER.format(tests=str(Path(__file__).parent))
        process = subprocess.Popen([sys.executable, "-c", script, str(path), str(1000 * kill)], stdout=subprocess.PIPE, text=True)
        reported.add(int(process.stdout.readline()))
        time.sleep(0.013 * (kill + 1))
        os.kill(process.pid, signal.SIGKILL)
        rest, _ = process.communicate()
        reported |= {int(line) for line in rest.splitlines(keepends=True) if line.endswith("\n")}
        kept = {int(item.name.split()[1]) for item in Logbook(path).attempts()}
        assert reported <= kept
        with sqlite3.connect(path) as database:
            assert database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert len(reported) >= 5
