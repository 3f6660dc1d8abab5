"""What a person may hand to the command line by mistake: each gets one paragraph that names the file and the place, exit code 2,
no traceback, and leaves nothing half-written behind."""

from __future__ import annotations

import errno
import os
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from analyser.cli import main

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
WORLD = SAMPLES / "worlds" / "ardent.toml"
PANEL = """reference = "reference.png"
[gauges.altimeter]
kind = "readout"
reads = "altitude"
corners = [[50, 40], [220, 40], [220, 80], [50, 80]]
unit = "km"
"""
GOOD = "met, altitude [km], speed [m/s]\n10, 61.9, 992\n20, 61.8, 993\n30, 61.7, 993\n"


@pytest.fixture(autouse=True)
def no_memory(monkeypatch):
    monkeypatch.setenv("ANALYSER_STATE", "")


@pytest.fixture
def flight(tmp_path):
    """A flight folder that is sound; tests spoil one thing of it."""
    folder = tmp_path / "some-flight"
    folder.mkdir()
    (folder / "world.toml").write_text(WORLD.read_text())
    (folder / "flight.toml").write_text('name = "Some flight"\nworld = "world.toml"\n')
    (folder / "readings.csv").write_text(GOOD)
    return folder


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def refused(capsys, *arguments: object, naming: tuple[str, ...]) -> str:
    """Run the command line in this process; it must refuse in one paragraph that names all of ``naming``."""
    code = main([str(word) for word in arguments])
    shown = capsys.readouterr()
    assert code == 2, shown
    message = shown.err.strip()
    assert message.startswith(f"analyser {arguments[0]}: "), message
    assert "Traceback" not in message and "\n\n" not in message
    for word in naming:
        assert word in message, (word, message)
    assert not re.search(r"\b(None|nan|<class|object at 0x|KeyError|ValueError|Errno)\b", message), message
    assert len(message) < 3000
    return message


# Tables -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "naming"),
    [
        ("", ("readings.csv",)),
        ("\n\n# only a comment\n", ("readings.csv",)),
        ("met, altitude [km], speed [m/s]\n", ("readings.csv", "line 1")),
        ("met, altitude [km], speed [m/s]\n10, NaN km2, 992\n", ("readings.csv", "line 2", "altitude")),
        ("met, altitude [km], speed [m/s]\n10, inf, 992\n", ("readings.csv", "line 2", "altitude")),
        ("met, altitude [km], speed [m/s]\n10, 61.9, 1e400\n", ("readings.csv", "line 2", "speed")),
        ("met, altitude [km], speed [m/s]\nsoon, 61.9, 992\n", ("readings.csv", "line 2", "met")),
        ("met, altitude [parsec], speed [m/s]\n10, 61.9, 992\n", ("readings.csv", "line 1", "parsec")),
        ("met, altitde [km], speed [m/s]\n10, 61.9, 992\n", ("readings.csv", "altitde", "altitude")),
        ("altitude [km], speed [m/s]\n61.9, 992\n", ("readings.csv", "met")),
        ("met, altitude [km], note\n10, 61.9, \"never closed\n20, 62, \n30, 63, \n", ("readings.csv",)),
        ("met" + ", column" * 10_000 + "\n10" + ", 1" * 10_000 + "\n", ("readings.csv",)),
        ("met, altitude [km], speed [m/s]\n10, 61.9, 992, 5, 6\n", ("readings.csv", "line 2")),
        ("met, body, altitude [km]\n10, Lulll, 61.9\n", ("readings.csv", "line 2", "Lull")),
    ],
    ids=lambda value: value[:24].replace("\n", " ") if isinstance(value, str) else "",
)
def test_bad_tables(flight, capsys, content, naming):
    (flight / "readings.csv").write_text(content)
    before = snapshot(flight.parent)
    refused(capsys, "fit", flight, naming=naming)
    assert snapshot(flight.parent) == before


@pytest.mark.parametrize("command", ["debrief", "read"])
def test_a_bad_table_leaves_nothing_behind(flight, capsys, monkeypatch, command):
    (flight / "readings.csv").write_text("met, altitude [km], speed [m/s]\n10, inf, 992\n20, 62, 1e400\n")
    monkeypatch.chdir(flight.parent)
    before = snapshot(flight.parent)
    refused(capsys, command, "some-flight", naming=("readings.csv", "line 2", "line 3", "altitude", "speed"))
    assert snapshot(flight.parent) == before


@pytest.mark.parametrize("content", [b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, b"\x00" * 5000, b"PK\x03\x04" + b"\xff" * 500, b"\xff\xfe\x00\xd8" * 50])
def test_a_table_that_is_no_text(flight, capsys, content):
    (flight / "readings.csv").write_bytes(content)
    refused(capsys, "fit", flight, naming=("readings.csv",))


def test_missing_things_are_named(tmp_path, capsys, flight):
    refused(capsys, "debrief", tmp_path / "nowhere", naming=("nowhere", "flight folder"))
    empty = tmp_path / "empty"
    empty.mkdir()
    refused(capsys, "debrief", empty, naming=("empty", "flight.toml"))
    (flight / "readings.csv").unlink()
    refused(capsys, "debrief", flight, naming=("readings.csv",))
    refused(capsys, "fit", tmp_path / "no.csv", "--world", WORLD, naming=("no.csv",))
    table = tmp_path / "table.csv"
    table.write_text(GOOD)
    refused(capsys, "fit", table, naming=("--world",))
    refused(capsys, "fit", table, "--world", tmp_path / "none.toml", naming=("none.toml",))


# Descriptions -------------------------------------------------------------------------------------------------------

BODY = '[bodies.{name}]\ngravitational_parameter = "2e11 m^3/s^2"\nradius = "{radius}"\n'


@pytest.mark.parametrize(
    ("content", "naming"),
    [
        ("", ("world.toml", "bodies")),
        ("this is no TOML", ("world.toml", "line 1")),
        (BODY.format(name="Ardent", radius="-890 km"), ("world.toml", "radius", "line 3")),
        (BODY.format(name="Ardent", radius="890 kn"), ("world.toml", "radius", "kn")),
        (BODY.format(name="Ardent", radius="1e999 km"), ("world.toml", "radius")),
        (BODY.format(name="Ardent", radius="890 km") + "colour = 3\n", ("world.toml", "colour", "line 4")),
        (BODY.format(name="Ardent", radius="890 km") + 'gravitatonal_parameter = "2 m^3/s^2"\n', ("gravitational_parameter",)),
        (
            BODY.format(name="A", radius="9 km") + 'parent = "B"\nsemi_major_axis = "1000 km"\n'
            + BODY.format(name="B", radius="9 km") + 'parent = "A"\nsemi_major_axis = "1000 km"\n',
            ("world.toml", "loop"),
        ),
        (BODY.format(name="A", radius="9 km") + 'parent = "A"\nsemi_major_axis = "1000 km"\n', ("world.toml", "itself")),
    ],
    ids=["empty", "no TOML", "negative radius", "wrong unit", "too large", "unknown key", "near key", "loop of parents", "own parent"],
)  # fmt: skip
def test_bad_worlds(flight, capsys, content, naming):
    (flight / "world.toml").write_text(content)
    before = snapshot(flight)
    refused(capsys, "debrief", flight, naming=naming)
    assert snapshot(flight) == before


def test_a_plan_that_names_a_missing_body(flight, capsys):
    (flight / "plan.toml").write_text('start = { body = "Ardent", orbit = "80 x 80 km" }\n[[legs]]\nname = "x"\ngoal = { landed = "Lulll" }\n')
    (flight / "flight.toml").write_text('world = "world.toml"\nplan = "plan.toml"\n')
    refused(capsys, "debrief", flight, naming=("plan.toml", "Lulll", "Lull", "line 4"))
    refused(capsys, "plan", flight / "plan.toml", "--world", WORLD, naming=("plan.toml", "Lulll"))


def test_unknown_keys_of_a_flight(flight, capsys):
    (flight / "flight.toml").write_text('world = "world.toml"\npilott = "P-01"\n')
    refused(capsys, "debrief", flight, naming=("flight.toml", "pilott", "pilot", "line 2"))
    (flight / "flight.toml").write_text('world = "elsewhere.toml"\n')
    refused(capsys, "debrief", flight, naming=("flight.toml", "elsewhere.toml", "world"))


def test_craft_without_sense(flight, capsys):
    (flight / "craft.toml").write_text('[[stages]]\nname = "lander"\ndry_mass = "-2 t"\n')
    (flight / "flight.toml").write_text('world = "world.toml"\ncraft = "craft.toml"\n')
    refused(capsys, "debrief", flight, naming=("craft.toml", "dry_mass", "line 3"))


# Pictures -----------------------------------------------------------------------------------------------------------


def png(width: int, height: int, rows: bytes | None = None) -> bytes:
    """A grey PNG; ``rows`` None: a plain one of this size."""
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    data = rows if rows is not None else (b"\0" + b"\x80" * width) * height
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)) + chunk(b"IDAT", zlib.compress(data)) + chunk(b"IEND", b"")


@pytest.fixture
def panel(tmp_path):
    folder = tmp_path / "panel"
    folder.mkdir()
    (folder / "panel.toml").write_text(PANEL)
    (folder / "reference.png").write_bytes(png(320, 200))
    return folder / "panel.toml"


@pytest.mark.parametrize(
    ("content", "naming"),
    [
        (b"", ("shot.png",)),
        (b"this is text, not a picture\n" * 20, ("shot.png",)),
        (png(320, 200)[:150], ("shot.png",)),
        (png(20_000, 20_000, b"\0" * 100), ("shot.png", "20000")),
        (png(320, 200, b"\0" * 100), ("shot.png",)),
        (b"\xff\xd8\xff\xe0" + b"\0" * 64, ("shot.png",)),
    ],
    ids=["empty", "text", "truncated", "20,000 x 20,000", "too little data", "broken JPEG"],
)
def test_bad_pictures(tmp_path, capsys, panel, content, naming):
    shot = tmp_path / "shot.png"
    shot.write_bytes(content)
    out = tmp_path / "out"
    refused(capsys, "read", "--panel", panel, shot, "--out", out, naming=naming)
    assert not out.exists() or not list(out.iterdir())
    refused(capsys, "fix", "--screenshot", shot, "--panel", panel, "--body", "Lull", "--world", WORLD, naming=naming)


def test_a_picture_that_is_a_folder_or_missing(tmp_path, capsys, panel):
    refused(capsys, "read", "--panel", panel, tmp_path / "none.png", "--out", tmp_path / "out", naming=("none.png",))
    empty = tmp_path / "shots"
    empty.mkdir()
    refused(capsys, "read", "--panel", panel, empty, "--out", tmp_path / "out", naming=("shots", "pictures"))
    refused(capsys, "read", "--panel", panel, tmp_path / "none.png", naming=("--out",))


@pytest.mark.parametrize(
    ("content", "naming"),
    [
        (PANEL.replace("readout", "reedout"), ("panel.toml", "reedout", "readout")),
        (PANEL.replace('"altitude"', '"altitud"'), ("panel.toml", "altitud")),
        (PANEL.replace("[220, 40]", "[220, nan]"), ("panel.toml", "corners")),
        (PANEL.replace("reference.png", "none.png"), ("none.png",)),
    ],
    ids=["kind", "column", "corner", "reference"],
)
def test_bad_panels(tmp_path, capsys, panel, content, naming):
    panel.write_text(content)
    shot = tmp_path / "shot.png"
    shot.write_bytes(png(320, 200))
    refused(capsys, "read", "--panel", panel, shot, "--out", tmp_path / "out", naming=naming)


# Where results go ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["debrief", "read"])
def test_an_output_folder_below_a_file(flight, capsys, command):
    blocked = flight / "readings.csv" / "reports"
    before = snapshot(flight)
    refused(capsys, command, flight, "--out", blocked, naming=("readings.csv", "--out"))
    assert snapshot(flight) == before


@pytest.mark.parametrize(("number", "words"), [(errno.ENOSPC, "full"), (errno.EACCES, "read-only")])
@pytest.mark.parametrize("command", ["debrief", "read"])
def test_a_disk_that_is_full_or_read_only(flight, tmp_path, capsys, monkeypatch, command, number, words):
    """What was there before stays, whole; nothing else is left."""
    out = tmp_path / "out"
    assert main([command, str(flight), "--out", str(out)]) in (0, 1)
    capsys.readouterr()
    before = snapshot(out)
    assert before
    (flight / "readings.csv").write_text(GOOD + "40, 61.6, 993\n")

    def refuse(*_args, **_keywords):
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refuse)
        refused(capsys, command, flight, "--out", out, naming=(str(out), words))
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", refuse)
        refused(capsys, command, flight, "--out", out, naming=(str(out), words))
    assert snapshot(out) == before


def test_a_card_on_a_full_disk(tmp_path, capsys, monkeypatch):
    def refuse(*_args, **_keywords):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "replace", refuse)
    refused(capsys, "card", "Lull", "--world", WORLD, "--out", tmp_path / "out", naming=("full",))
    assert not list((tmp_path / "out").glob("*"))


# Names that look like markup ------------------------------------------------------------------------------------------


def test_markup_in_names_stays_inert(flight, capsys):
    evil = '<script>alert(1)</script>"><img src=x onerror=alert(2)>'
    (flight / "flight.toml").write_text(f"name = '{evil}'\npilot = '{evil}'\nworld = 'world.toml'\nremarks = '{evil}'\n")
    (flight / "readings.csv").write_text(GOOD.replace("\n", ", note\n", 1).replace("992\n", f"992, \"{evil.replace(chr(34), chr(34) * 2)}\"\n"))
    assert main(["debrief", str(flight), "--out", str(flight / "out")]) in (0, 1)
    page = (flight / "out" / "debrief.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page and "<img src=x" not in page
    assert "&lt;script&gt;" in page


def test_markup_in_a_body_stays_inert_on_the_card(tmp_path, capsys):
    world = tmp_path / "world.toml"
    world.write_text(BODY.format(name='"<script>x</script>"', radius="300 km"))
    assert main(["card", "<script>x</script>", "--world", str(world), "--out", str(tmp_path / "out")]) == 0
    (page,) = (tmp_path / "out").glob("*.html")
    assert "<script>" not in page.read_text(encoding="utf-8") and "&lt;script&gt;" in page.read_text(encoding="utf-8")
    assert page.parent == tmp_path / "out"


# In the flesh: whole processes ----------------------------------------------------------------------------------------


def run(*arguments: object, **more) -> subprocess.CompletedProcess:
    environment = {**os.environ, "ANALYSER_STATE": "", "OMP_NUM_THREADS": "1"}
    return subprocess.run([sys.executable, "-m", "analyser", *map(str, arguments)], capture_output=True, text=True, timeout=120, env=environment, **more)


def test_a_whole_process_says_one_thing_and_ends_with_2(flight):
    (flight / "readings.csv").write_text("met, altitude [km]\n10, 1e400\n")
    done = run("debrief", flight)
    assert done.returncode == 2 and done.stdout == ""
    assert "readings.csv" in done.stderr and "line 2" in done.stderr and "Traceback" not in done.stderr


def test_one_bad_flight_among_several_does_not_stop_the_others(flight, tmp_path):
    bad = tmp_path / "bad-flight"
    bad.mkdir()
    (bad / "flight.toml").write_text('world = "none.toml"\n')
    done = run("debrief", bad, flight, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "none.toml" in done.stderr and "Traceback" not in done.stderr
    assert (tmp_path / "out" / "some-flight" / "debrief.html").exists()
    assert not (tmp_path / "out" / "bad-flight").exists()


def test_a_bug_keeps_its_traceback(flight, monkeypatch):
    import analyser.ingest.flights

    def broken(*_args, **_keywords):
        raise ZeroDivisionError("a slip of ours")

    monkeypatch.setattr(analyser.ingest.flights, "load_flight", broken)
    with pytest.raises(ZeroDivisionError):
        main(["debrief", str(flight)])
