"""The command line as a person meets it: help that teaches, exit codes, JSON, quiet, what is written where."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from analyser.cli import COMMANDS, main
from analyser.fitting import scalar_conic as conic

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"
WORLD, CRAFT, PLAN = SAMPLES / "worlds" / "ardent.toml", SAMPLES / "craft" / "heron.toml", SAMPLES / "plans" / "there-and-back.toml"


def coast(count: int = 5) -> str:
    """A table of readings of one orbit about Lull, as a panel would show them."""
    lines = ["met, body, altitude [km], speed [m/s], vertical_speed [m/s]"]
    for index in range(count):
        r, vr, vt = conic.after(2.1e11, 350e3, 5.0, 780.0, 120.0 * index)
        lines.append(f"{120 * index}, Lull, {(r - 310e3) / 1e3:.2f}, {math.hypot(vr, vt):.1f}, {vr:.1f}")
    return "\n".join(lines) + "\n"


TABLE = coast()


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    """Each test in a folder of its own, with a memory of its own."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setenv("ANALYSER_STATE", str(tmp_path / "state"))


@pytest.fixture
def flight(tmp_path):
    folder = tmp_path / "short-hop"
    folder.mkdir()
    (folder / "flight.toml").write_text(f'name = "Short hop"\npilot = "P-01"\nworld = "{WORLD}"\n')
    (folder / "readings.csv").write_text(TABLE)
    return folder


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = main([str(word) for word in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def process(*arguments: object, **more) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-m", "analyser", *map(str, arguments)], capture_output=True, text=True, timeout=120, **more)


# Help -----------------------------------------------------------------------------------------------------------------


def test_help_lists_every_command_and_the_exit_codes(capsys):
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    text = capsys.readouterr().out
    assert end.value.code == 0
    for name in COMMANDS:
        assert f"\n    {name} " in text
    assert "exit codes" in text and "not for navigating" in text


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_teaches_by_example(command, capsys):
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    text = capsys.readouterr().out
    assert end.value.code == 0
    assert f"analyser {command} " in text.split("examples:", 1)[1]
    assert "--json" in text and "-q" in text


def test_no_command_or_a_wrong_one_is_2(capsys):
    for arguments in ([], ["debreif", "x"], ["fix", "--altitudo", "3"]):
        with pytest.raises(SystemExit) as end:
            main(arguments)
        assert end.value.code == 2
        assert "usage: analyser" in capsys.readouterr().err


# The main job -----------------------------------------------------------------------------------------------------------


def test_debrief_writes_reports_and_records_the_attempt(capsys, flight):
    code, out, _ = run(capsys, "debrief", flight)
    assert code == 0
    page = Path("reports/short-hop/debrief.html")
    assert out.strip().endswith(f"debrief: {page}")
    for name in ("debrief.html", "debrief.md", "findings.json", "readings.csv", "readings_detail.csv"):
        assert (page.parent / name).stat().st_size > 0
    from analyser.logbook import Logbook

    assert [attempt.name for attempt in Logbook("reports/logbook.sqlite").attempts()] == ["Short hop"]
    assert not list(flight.glob("reports*"))


def test_debrief_of_one_flight_into_a_folder_of_choice(capsys, flight, tmp_path):
    code, out, _ = run(capsys, "debrief", flight, "--out", tmp_path / "notes", "-q")
    assert code == 0 and out == f"debrief: {tmp_path / 'notes' / 'debrief.html'}\n"
    assert (tmp_path / "notes" / "logbook.sqlite").exists()
    assert not Path("reports").exists()


def test_debrief_of_a_folder_of_flights(capsys, flight):
    twin = flight.parent / "twin"
    twin.mkdir()
    for name in ("flight.toml", "readings.csv"):
        (twin / name).write_bytes((flight / name).read_bytes())
    code, _, _ = run(capsys, "debrief", flight.parent, "--no-logbook")
    assert code == 0
    assert {path.parent.name for path in Path("reports").glob("*/debrief.html")} == {"short-hop", "twin"}
    assert not Path("reports/logbook.sqlite").exists()


def test_debrief_as_json(capsys, flight):
    code, out, _ = run(capsys, "debrief", flight, "--json")
    found = json.loads(out)
    assert code == 0 and found["version"] == 1 and found["name"] == "Short hop"
    assert found["arcs"][0]["body"] == "Lull"


def test_nothing_fitted_asks_for_the_person(capsys, flight):
    (flight / "readings.csv").write_text("met, throttle [%]\n0, 0\n60, 0\n")
    code, _, _ = run(capsys, "debrief", flight)
    assert code == 1


def test_fit_of_a_bare_table(capsys, flight, tmp_path):
    code, out, _ = run(capsys, "fit", flight / "readings.csv", "--world", WORLD)
    assert code == 0 and "Lull" in out
    code, out, _ = run(capsys, "fit", flight / "readings.csv", "--world", WORLD, "--json", "--out", tmp_path / "out")
    arc = json.loads(out)["arcs"][0]
    assert arc["periapsis_altitude"]["low"] < arc["periapsis_altitude"]["value"] < arc["periapsis_altitude"]["high"]
    assert json.loads((tmp_path / "out" / "findings.json").read_text()) == json.loads(out)


def test_read_writes_a_table_that_reads_again(capsys, flight, tmp_path):
    code, out, _ = run(capsys, "read", flight)
    assert code == 0 and "5 moments read, 0 values doubtful" in out
    again = tmp_path / "again"
    code, out, _ = run(capsys, "fit", "reports/short-hop/readings.csv", "--world", WORLD, "--json", "--out", again)
    assert code == 0 and json.loads(out)["arcs"]


def test_plan(capsys):
    code, out, _ = run(capsys, "plan", PLAN, "--world", WORLD, "--craft", CRAFT)
    assert code == 0
    for leg in ("transfer", "capture", "descent", "ascent", "return", "entry"):
        assert leg in out
    code, out, _ = run(capsys, "plan", PLAN, "--world", WORLD, "--craft", CRAFT, "--json")
    assert json.loads(out)["delta_v"] == pytest.approx(sum(leg["delta_v"] for leg in json.loads(out)["legs"]))


# fix --------------------------------------------------------------------------------------------------------------------


def test_the_short_form_is_the_long_form(capsys):
    short = run(capsys, "fix", "Lull", "61.9km", "992", "-3", "--world", WORLD, "--json")
    long = run(capsys, "fix", "--body", "lull", "--altitude", "61.9 km", "--speed", "992 m/s", "--vertical-speed", "-3m/s", "--world", WORLD, "--json")
    assert short == long and short[0] == 0
    found = json.loads(short[1])
    assert found["body"] == "Lull" and found["altitude"] == pytest.approx(61900)
    assert found["apoapsis_altitude"]["low"] < found["apoapsis_altitude"]["value"] < found["apoapsis_altitude"]["high"]


def test_digits_as_typed_make_the_interval(capsys):
    def width(*speed: str) -> float:
        found = json.loads(run(capsys, "fix", "Lull", "61.90km", *speed, "--world", WORLD, "--json")[1])["apoapsis_altitude"]
        return found["high"] - found["low"]

    assert width("992", "-3.0") == pytest.approx(10 * width("992.0", "-3.0"), rel=0.15)
    assert width("992.0+-0.5", "-3.0") > 3 * width("992.0", "-3.0")


def test_the_world_is_remembered_by_folder_and_never_in_it(capsys, tmp_path, monkeypatch):
    assert run(capsys, "fix", "Lull", "61.9km", "992", "-3", "--world", WORLD)[0] == 0
    code, out, _ = run(capsys, "fix", "Lull", "61.9km", "992", "-3")
    assert code == 0 and "as last used here" in out
    assert list(Path.cwd().iterdir()) == []
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path / "other")
    code, _, err = run(capsys, "fix", "Lull", "61.9km", "992", "-3")
    assert code == 2 and "--world" in err
    code, out, _ = run(capsys, "fix", "Moon", "100km", "1633", "0")
    assert code == 0 and "built in" in out
    (tmp_path / "other" / "worlds").mkdir()
    (tmp_path / "other" / "worlds" / "one.toml").write_bytes(WORLD.read_bytes())
    code, out, _ = run(capsys, "fix", "Lull", "61.9km", "992", "-3")
    assert code == 0 and "found near by" in out
    (tmp_path / "other" / "worlds" / "two.toml").write_bytes(WORLD.read_bytes())
    code, _, err = run(capsys, "fix", "Lull", "61.9km", "992", "-3")
    assert code == 2 and "one.toml" in err and "two.toml" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["fix"], ["altitude is missing", "fix Lull 61.9km 992 -3"]),
        (["fix", "61.9km", "992", "-3"], ["body comes first"]),
        (["fix", "Lul", "61.9km", "992"], ["did you mean Lull"]),
        (["fix", "Lull", "61.9", "km", "992", "-3"], ["unit is written without a blank"]),
        (["fix", "Lull", "61.9kn", "992"], ["option --altitude", "kn"]),
        (["fix", "Lull", "61.9km", "fast"], ["option --speed", "fast"]),
        (["fix", "Lull", "61.9km"], ["a speed is needed"]),
        (["fix", "Lull", "61.9km", "100", "-300"], ["larger than the speed"]),
        (["fix", "Lull", "-400km", "3", "2"], ["below the centre of Lull"]),
        (["fix", "Lull", "61.9km", "-992", "-3"], ["the sign belongs to the vertical speed"]),
        (["fix", "Lull", "61.9km", "992", "-3", "--throttle", "0"], ["option --throttle"]),
        (["fix", "Lull", "61.9km", "992", "-3", "--goal", "capture"], ["--plan"]),
        (["fix", "Lull", "61.9km", "992", "--goal", "further"], ["option --goal", "apoapsis 21400 km"]),
        (["fix", "Lull", "61.9km", "992", "-3", "--goal", "land"], ["option --craft"]),
        (["fix", "Lull", "61.9km", "992", "-3", "--craft", str(CRAFT), "--propellant", "99 t"], ["more than the stage"]),
        (["fix", "Lull", "61.9km", "992", "-3", "--craft", str(CRAFT), "--throttle", "130%"], ["option --throttle"]),
        (["fix", "Lull", "61.9km", "992", "--then", "61km", "0s"], ["leave more time between"]),
        (["fix", "Lull", "61.9km", "100", "--then", "91.2km", "30s"], ["no single coast"]),
        (["fix", "Lull", "61.9km", "992", "--goal", "apoapsis 80 km about Nowhere"], ["Nowhere"]),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) and value and value[0] == "fix" else "",
)
def test_errors_of_fix_teach(capsys, arguments, words):
    code, out, err = run(capsys, *arguments, "--world", WORLD)
    assert code == 2 and out == ""
    for word in words:
        assert word in err


def test_every_figure_carries_its_interval(capsys):
    """Each time and each speed of the answer stands with the interval that the digits give it."""
    _, out, _ = run(capsys, "fix", "Lull", "3.2km", "140", "-95", "--goal", "land", "--craft", CRAFT, "--propellant", "900kg", "--world", WORLD)
    said = " ".join(out.split())
    for pattern in (r"apoapsis [\d.]+ m \(", r"in \d+ min \d+ s \(\+-", r"period \d+ min \d+ s \(\+-", r"GROUND in [\d.]+ s \([\d.]+ to", r"at [\d.]+ m/s \([\d.]+ to [\d.]+\), [\d.]+ m/s \([\d.]+ to",
                    r"circular speed [\d.]+ m/s \(", r"escape speed [\d.]+ m/s \(", r"burns [\d.]+ s \([\d.]+ to", r"[\d.]+ kg \([\d.]+ to"):  # fmt: skip
        assert re.search(pattern, said), (pattern, said)
    _, out, _ = run(capsys, "fix", "Ardent", "80km", "2508", "0", "--world", WORLD)
    assert "when is not known" in out and "air        not met" in out


def test_goal_overshot_says_the_way_back(capsys):
    code, out, _ = run(capsys, "fix", "Lull", "61.9km", "992.0", "-3.0", "--goal", "apoapsis 80 km", "--craft", CRAFT, "--propellant", "1744kg", "--world", WORLD)
    assert code == 0
    assert "OVERSHOT" in out and "retrograde" in out and "kg" in out and "; burns " in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_braking_at_full_and_given_throttle_and_too_late(capsys):
    base = ["fix", "Lull", "3.2km", "140", "-95", "--goal", "land", "--craft", CRAFT, "--propellant", "900kg", "--world", WORLD]
    code, out, _ = run(capsys, *base, "--throttle", "60%")
    assert code == 0 and "at 100% throttle: start at the latest" in out and "at 60% throttle: start at the latest" in out
    code, out, _ = run(capsys, "fix", "Lull", "900m", "190", "-180", "--goal", "land", "--craft", CRAFT, "--propellant", "4000kg", "--world", WORLD)
    assert code == 0 and "TOO LATE" in out


def test_a_screenshot_instead_of_typing(capsys):
    """The orbit that one picture shows, against the truth that the simulator wrote beside it."""
    shots = SAMPLES / "flights" / "screens"
    panel = SAMPLES / "panels" / "heron" / "panel.toml"
    code, out, err = run(capsys, "fix", "--screenshot", shots / "screenshots" / "shot-001.jpg", "--panel", panel, "--body", "Ardent", "--world", WORLD, "--json")
    assert code == 0, err
    truth = json.loads((shots / "truth.json").read_text())["arcs"][0]
    found = json.loads(out)
    for name in ("apoapsis_altitude", "periapsis_altitude"):
        assert found[name]["low"] < truth[name] < found[name]["high"]
    code, out, _ = run(capsys, "fix", "--screenshot", shots / "screenshots" / "shot-001.jpg", "--body", "Ardent", "--altitude", "90km", "--json")
    assert code == 0 and json.loads(out)["altitude"] == pytest.approx(90e3)  # world and panel as last used; what is typed wins
    code, _, err = run(capsys, "fix", "--screenshot", shots / "screenshots" / "shot-001.jpg", "--world", WORLD)
    assert code == 2 and "which body" in err


def test_compare_what_the_logbook_keeps(capsys, flight):
    code, _, err = run(capsys, "compare")
    assert code == 2 and "no logbook yet" in err
    for name in ("short-hop", "long-hop"):
        folder = flight.parent / name
        folder.mkdir(exist_ok=True)
        (folder / "flight.toml").write_text(f'name = "{name}"\npilot = "P-01"\nworld = "{WORLD}"\n')
        (folder / "readings.csv").write_text(TABLE)
        assert run(capsys, "debrief", folder, "-q")[0] == 0
    code, out, _ = run(capsys, "compare")
    assert code == 0 and "short-hop" in out and "long-hop" in out
    code, out, _ = run(capsys, "compare", flight.parent / "long-hop", "--json")
    assert code == 0 and "short-hop" not in out and json.loads(out)
    code, out, _ = run(capsys, "compare", "--out", "notes", "-q")
    assert code == 0 and Path("notes/compare.html").exists()
    code, _, err = run(capsys, "compare", "never-flown")
    assert code == 2 and "never-flown" in err


# Manners ----------------------------------------------------------------------------------------------------------------


def test_output_is_plain_text_of_80_columns(flight):
    done = process("fix", "Lull", "61.9km", "650", "--then", "61.5km", "60s", "--world", WORLD, env={**os.environ, "NO_COLOR": "1", "ANALYSER_STATE": ""})
    assert done.returncode == 0 and "\x1b" not in done.stdout
    assert done.stdout.isascii() and all(len(line) <= 80 for line in done.stdout.splitlines())


def test_a_terminal_that_knows_only_ascii(flight):
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "ANALYSER_STATE": ""}
    done = process("fit", flight, env=environment)
    assert done.returncode == 0 and "Lull" in done.stdout and "Traceback" not in done.stderr


def test_a_reader_that_leaves_is_no_trouble(flight):
    code = f"{sys.executable} -m analyser card Lull --world {WORLD} | head -n 1"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", code], capture_output=True, text=True, timeout=60, env={**os.environ, "ANALYSER_STATE": ""})
    assert done.stderr == "" and done.stdout.startswith("Lull")


def test_an_interrupt_is_130(monkeypatch, flight):
    import analyser.ingest.flights

    def interrupted(*_args, **_keywords):
        raise KeyboardInterrupt

    monkeypatch.setattr(analyser.ingest.flights, "load_flight", interrupted)
    assert main(["debrief", str(flight)]) == 130


def test_python_minus_m_and_the_script_are_one(flight):
    script = Path(sys.executable).with_name("analyser")
    if not script.exists():
        pytest.skip("the console script is not installed beside this Python")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, timeout=60)
    assert done.stdout == process("--version").stdout != ""
