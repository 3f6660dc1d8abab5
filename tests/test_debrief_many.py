"""Many flights: all of them found, none lost, none done twice, one bad one in nobody's way."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from short_flights import archive, run, short_flight

import analyser.logbook_rows
from analyser.debriefing import REPORT, Job
from analyser.errors import InputError
from analyser.ingest import flight_inputs, load_flight
from analyser.logbook import Logbook
from analyser.many import find_flights
from analyser.workers import run_here

SAMPLES = Path(__file__).resolve().parent.parent / "samples" / "flights"


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ANALYSER_STATE", str(tmp_path / "state"))


def recorded() -> list[str]:
    return sorted(item.name for item in Logbook("reports/logbook.sqlite").attempts())


def stamps(report: str = "reports") -> dict[str, int]:
    return {path.parent.name: path.stat().st_mtime_ns for path in Path(report).rglob("findings.json")}


# Which flights --------------------------------------------------------------------------------------------------------


def test_flights_are_found_however_deep(tmp_path):
    archive(tmp_path / "flights", 6)
    short_flight(tmp_path / "flights" / "0" / "hop-000" / "kept aside")
    short_flight(tmp_path / "flights" / ".hidden" / "hop")
    (tmp_path / "flights" / "0" / "up").symlink_to(tmp_path / "flights")
    found = find_flights([tmp_path / "flights"])
    assert list(found.values()) == [*(f"0/hop-00{number}" for number in range(5)), "1/hop-005"]


def test_two_of_one_name_get_reports_of_their_own(tmp_path):
    for year in ("2031", "2032"):
        short_flight(tmp_path / year / "hop")
    assert list(find_flights(["2031/hop", "2032/hop"]).values()) == ["2031/hop", "2032/hop"]
    assert list(find_flights(["2031/hop", "2031", "2031/hop/flight.toml"]).values()) == ["hop"]
    with pytest.raises(InputError, match="nothing of that name"):
        find_flights(["2033"])


def test_the_inputs_are_listed_without_reading_them(tmp_path):
    flight = load_flight(SAMPLES / "launch")
    assert flight_inputs(SAMPLES / "launch") == (flight.name, flight.files)
    shown = [path.name for path in flight_inputs(SAMPLES / "screens")[1]]
    pictures = {path.name for path in (SAMPLES / "screens" / "screenshots").iterdir()}
    assert pictures <= set(shown) and {"flight.toml", "panel.toml", "reference.png", "ardent.toml"} <= set(shown)


# One bad flight, going on after a stop --------------------------------------------------------------------------------


def test_a_bad_flight_is_in_nobodys_way(capsys, tmp_path):
    archive(tmp_path / "flights", 4)
    (tmp_path / "flights" / "0" / "hop-001" / "readings.csv").write_text("met,altitude [km]\n0,many\n")
    code, out, err = run(capsys, "debrief", "flights", "--jobs", "1")
    assert code == 2
    assert out.endswith("3 of 4 flights debriefed\n") and "hop-001/readings.csv" in err and "Traceback" not in err
    assert recorded() == ["Short hop 0", "Short hop 2", "Short hop 3"]
    found = json.loads(run(capsys, "debrief", "flights", "--json")[1])
    assert [item.get("name") for item in found] == ["Short hop 0", None, "Short hop 2", "Short hop 3"]
    assert "many" in found[1]["error"] and found[0]["skipped"] and found[0]["arcs"]


def test_a_fault_of_ours_is_in_nobodys_way_either(capsys, tmp_path, monkeypatch):
    archive(tmp_path / "flights", 3)
    import analyser.fitting

    def broken(flight):
        if flight.name == "Short hop 1":
            raise ZeroDivisionError("of ours")
        return fit(flight)

    fit = analyser.fitting.fit_flight
    monkeypatch.setattr(analyser.fitting, "fit_flight", broken, raising=False)
    code, _, err = run(capsys, "debrief", "flights", "--jobs", "1")
    assert code == 2 and "a fault of the analyser, not of the flight (ZeroDivisionError: of ours)" in err and "Traceback" in err
    assert recorded() == ["Short hop 0", "Short hop 2"]


def test_what_was_done_is_not_done_again(capsys, tmp_path):
    folders = archive(tmp_path / "flights", 4)
    assert run(capsys, "debrief", "flights", "--jobs", "1", "-q")[0] == 0
    first = stamps()
    code, out, _ = run(capsys, "debrief", "flights", "--jobs", "1")
    assert code == 0 and out == "4 of 4 flights debriefed, 4 of them before, from the same input (--again does them anew)\n"
    assert stamps() == first
    # changed input, corrections by hand, a report that is not whole, a flight the logbook lacks: each is done, the others are not
    with open(folders[0] / "readings.csv", "a") as file:
        file.write("700, Lull, 52.1,,\n")
    assert run(capsys, "debrief", "flights", "--jobs", "1", "-q")[0] == 0
    assert {name for name, stamp in stamps().items() if stamp != first[name]} == {"hop-000"}
    Path("reports/0/hop-001/debrief.md").unlink()
    with sqlite3.connect("reports/logbook.sqlite") as database:
        database.execute("UPDATE revisions SET fingerprint = 'none' WHERE attempt = 3")
    second = stamps()
    assert run(capsys, "debrief", "flights", "--jobs", "1", "-q")[0] == 0
    assert {name for name, stamp in stamps().items() if stamp != second[name]} == {"hop-001", "hop-002"}
    assert Path("reports/0/hop-001/debrief.md").exists() and len(recorded()) == 4
    third = stamps()
    assert run(capsys, "debrief", "flights", "--jobs", "1", "--again", "-q")[0] == 0
    assert not set(stamps().values()) & set(third.values())
    # a flight named by itself is debriefed whenever it is named
    fourth = stamps()
    assert run(capsys, "debrief", folders[1], "--out", "reports/0/hop-001", "--logbook", "reports/logbook.sqlite", "-q")[0] == 0
    assert stamps()["hop-001"] != fourth["hop-001"]


def test_corrections_by_hand_are_another_input(capsys, tmp_path):
    folder = short_flight(tmp_path / "flights" / "hop")
    assert run(capsys, "debrief", "flights", "-q")[0] == 0
    first = stamps()
    (folder / "corrections.csv").write_text("source,row,column,action,value,when,by\nreadings.csv,3,speed,set aside,,2031-04-01T00:00:00,P-01\n")
    assert run(capsys, "debrief", "flights", "-q")[0] in (0, 1)
    assert stamps() != first
    assert "corrections.csv" in {name for name, _, _ in Logbook("reports/logbook.sqlite").attempt(1).inputs}


def test_doubtful_flights_still_need_the_person_when_they_were_done_before(capsys, tmp_path):
    folder = short_flight(tmp_path / "flights" / "hop", rows=1)
    (folder / "readings.csv").write_text("met,speed [m/s]\n0,500\n")
    assert [run(capsys, "debrief", "flights", "-q")[0] for _ in range(2)] == [1, 1]


# --all ----------------------------------------------------------------------------------------------------------------


def test_all_attempts_anew_with_a_newer_version(capsys, tmp_path, monkeypatch):
    folders = archive(tmp_path / "flights", 5)
    assert run(capsys, "debrief", *folders, "--jobs", "1", "-q")[0] == 0
    with sqlite3.connect("reports/logbook.sqlite") as database:
        database.execute("UPDATE revisions SET analyser_version = '0.0.9'")
    with open(folders[1] / "readings.csv", "a") as file:
        file.write("700, Lull, 52.1,,\n")
    folders[2].rename(tmp_path / "moved")
    text = (folders[3] / "flight.toml").read_text()
    (folders[3] / "flight.toml").write_text(text.replace("P-01", "P-07"))
    Logbook("reports/logbook.sqlite").delete(5)
    code, out, err = run(capsys, "debrief", "--all", "--jobs", "1")
    assert code == 2  # one folder holds another flight
    assert "attempt 3 (Short hop 2)" in err and "not there any more" in err
    assert "hop-001: its inputs are not those that were recorded (changed: readings.csv)" in err
    assert "attempt 4 was of P-01 2031-04-04, and this folder holds one of P-07 2031-04-04 now" in err
    assert "2 of 4 flights debriefed" in out and "(attempt 1, now revision 2)" in out
    book = Logbook("reports/logbook.sqlite")
    assert [len(book.revisions(number)) for number in range(1, 6)] == [2, 2, 1, 1, 1]
    assert [version for _, _, version in book.revisions(1)] == ["0.0.9", "0.1.0"]
    assert book.attempt(2, 1).fingerprint != book.attempt(2, 2).fingerprint
    # once more: this version has found them already
    (folders[3] / "flight.toml").write_text(text)
    before = stamps()
    code, out, _ = run(capsys, "debrief", "--all", "--jobs", "1")
    assert code == 1 and "3 of 4 flights debriefed, 2 of them before" in out
    assert {name for name, stamp in stamps().items() if stamp != before[name]} == {"hop-003"}
    code, out, _ = run(capsys, "debrief", "--all", "--again", "--jobs", "1")
    assert "(attempt 1, still revision 2)" in out


def test_two_attempts_in_one_folder(capsys, tmp_path):
    folder = short_flight(tmp_path / "hop")
    run(capsys, "debrief", folder, "-q")
    (folder / "flight.toml").write_text((folder / "flight.toml").read_text().replace("2031-04-01", "2031-05-01"))
    run(capsys, "debrief", folder, "-q")
    code, out, err = run(capsys, "debrief", "--all", "--again", "--jobs", "1", "--json")
    first, second = json.loads(out)
    assert code == 2 and "attempt 1 was of P-01 2031-04-01" in first["error"] and second["arcs"] and "attempt 1 was of" in err
    assert [len(Logbook("reports/logbook.sqlite").revisions(number)) for number in (1, 2)] == [1, 1]


def test_all_writes_where_the_reports_are(capsys, tmp_path):
    archive(tmp_path / "flights", 2)
    assert run(capsys, "debrief", "flights", "--out", "notes", "-q")[0] == 0
    assert run(capsys, "debrief", "--all", "--again", "--logbook", "notes/logbook.sqlite", "-q")[0] == 0
    assert not Path("reports").exists() and set(stamps("notes")) == {"hop-000", "hop-001"}


@pytest.mark.parametrize(
    "arguments, words",
    [
        (("--all",), "no logbook yet"), (("--all", "x"), "leave the folders out"), ((), "name a flight folder"), (("x", "--jobs", "0"), "1 or more"),
        (("--all", "--no-logbook"), "leave one of them out"), (("x", "--jobs", "2", "--scheduler", "y"), "leave --jobs out"), (("none",), "nothing of that name"),
    ],
)  # fmt: skip
def test_wrong_words(capsys, arguments, words):
    code, _, err = run(capsys, "debrief", *arguments)
    assert code == 2 and words in err and not Path("reports").exists()


def test_a_deleted_attempt_stays_deleted_and_that_is_said(capsys, tmp_path):
    folder = short_flight(tmp_path / "hop")
    run(capsys, "debrief", folder, "-q")
    Logbook("reports/logbook.sqlite").delete(1)
    code, _, err = run(capsys, "debrief", folder, "-q")
    assert code == 1 and "analyser logbook restore 1" in err and recorded() == []


def test_files_that_change_while_they_are_read_are_read_again(tmp_path, monkeypatch):
    """What is recorded as the input is what was read, not what came after."""
    from analyser import debriefing, ingest
    from analyser.fingerprints import inputs_of

    folder = short_flight(tmp_path / "hop")
    load, reads = ingest.load_flight, []

    def busy(*arguments, **options):
        flight = load(*arguments, **options)
        reads.append(1)
        if len(reads) < changes:
            (folder / "readings.csv").write_text((folder / "readings.csv").read_text() + f"{700 + len(reads)}, Lull, 52.1,,\n")
        return flight

    monkeypatch.setattr(ingest, "load_flight", busy, raising=False)
    changes = 2
    outcome = debriefing.debrief_flight(Job(str(folder), "notes"))
    assert len(reads) == 2 and outcome.fingerprint == inputs_of(load(folder)).fingerprint
    changes = 99
    with pytest.raises(InputError, match="change while they are read"):
        debriefing.debrief_flight(Job(str(folder), "notes"))


# Several processes ----------------------------------------------------------------------------------------------------


def process(*arguments: object) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-m", "analyser", *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def children(parent: int) -> list[int]:
    """Processes whose parent is ``parent``, but for helpers that do no work."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
                if int(fields[1]) == parent and fields[0] != "Z" and b"spawn_main" in (entry / "cmdline").read_bytes():
                    found.append(int(entry.name))
            except OSError:
                pass
    return found


def wait_until(true, seconds: float = 30) -> bool:
    for _ in range(int(seconds / 0.02)):
        if true():
            return True
        time.sleep(0.02)
    return False


def alive(number: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{number}/status").read_text()
    except OSError:
        return False


def test_two_processes_find_what_one_finds_and_go_on_where_one_is_killed(tmp_path):
    folders = archive(tmp_path / "flights", 6)
    one = list(run_here([Job(str(folder), f"one/{folder.name}") for folder in folders[:2]], 1))
    killed = []
    outcomes = []
    for outcome in run_here([Job(str(folder), f"two/{folder.name}") for folder in folders], 2):
        outcomes.append(outcome)
        if not killed:
            killed = children(os.getpid())[:1]
            os.kill(killed[0], signal.SIGKILL)
    assert killed and not [outcome.error for outcome in outcomes if outcome.error]
    assert sorted(outcome.name for outcome in outcomes) == sorted(f"Short hop {number}" for number in range(6))
    for outcome in one:
        name = Path(outcome.job.folder).name
        for file in REPORT:
            assert Path(f"one/{name}/{file}").read_bytes() == Path(f"two/{name}/{file}").read_bytes()


def test_killed_or_interrupted_the_processes_end_and_the_next_run_goes_on(capsys, tmp_path):
    archive(tmp_path / "flights", 8)
    for number in (signal.SIGKILL, signal.SIGINT):
        begun = process("debrief", "flights", "--jobs", "2")
        first = begun.stdout.readline()
        assert first.startswith("debrief: "), begun.stderr.read()
        workers = children(begun.pid)
        begun.send_signal(number)
        out, err = begun.communicate(timeout=60)
        assert workers and wait_until(lambda: not any(map(alive, workers)))
        assert begun.returncode == (-9 if number == signal.SIGKILL else 130) and "Traceback" not in err
        assert number == signal.SIGKILL or "done and kept; the same command goes on from there" in err
        said = [line for line in (first + out).splitlines() if line.startswith("debrief: ")]
        assert len(recorded()) >= len(said)
    before = len(recorded())
    assert before < 8, "the runs were not stopped early enough to show anything"
    code, out, _ = run(capsys, "debrief", "flights", "--jobs", "1")
    assert code == 0 and f"8 of 8 flights debriefed, {before} of them before" in out
    assert len(recorded()) == len(set(recorded())) == 8
    assert not list(Path("reports").rglob(".writing-*"))


def test_flights_of_one_name_are_told_apart_by_their_folders(capsys, tmp_path):
    folders = [short_flight(tmp_path / year / "hop", number) for number, year in enumerate(("2031", "2032", "2033"))]
    run(capsys, "debrief", *folders[:2], "--jobs", "1", "-q")
    found = json.loads(run(capsys, "compare", "2032/hop", "--json")[1])
    assert [item["name"] for item in found["attempts"]] == ["Short hop 1"]
    assert len(json.loads(run(capsys, "compare", folders[2], "--json")[1])["attempts"]) == 2  # not recorded from there: by name
