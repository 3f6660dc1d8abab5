"""Following a flight while it is flown: what each reading means, files that grow, vanish and are edited, a real terminal."""

from __future__ import annotations

import fcntl
import json
import math
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from analyser.fitting import scalar_conic as conic
from analyser.fitting.following import Follower, Moment
from analyser.ingest.descriptions import load_world
from analyser.watching import FolderTail, TableTail

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
WORLD = SAMPLES / "worlds" / "ardent.toml"
HEADER = "met, body, altitude [km], speed [m/s], vertical_speed [m/s]\n"
START = (350e3, 5.0, 780.0)


@pytest.fixture(scope="module")
def world():
    return load_world(WORLD)


def shown(body, state, met: float, sigma: float = 0.03) -> Moment:
    """A moment as the panel would show it: 10 m, 0.1 m/s."""
    r, vr, vt = state

    def rounded(value: float, step: float) -> tuple[float, float]:
        return round(value / step) * step, step / math.sqrt(12)

    values = {"altitude": rounded(r - body.radius, 10.0), "speed": rounded(math.hypot(vr, vt), 0.1), "vertical_speed": rounded(vr, 0.1)}
    return Moment(met, sigma, values, body.name)


def coast(body, count: int, state=START, begin: float = 0.0, step: float = 30.0) -> list[Moment]:
    return [shown(body, conic.after(body.mu, *state, index * step), begin + index * step) for index in range(count)]


def typed(moment: Moment) -> str:
    """A moment as a line of a table, with the digits that the panel shows."""
    value = {name: pair[0] for name, pair in moment.values.items()}
    return f"{moment.met:.0f},, {value['altitude'] / 1e3:.2f}, {value['speed']:.1f}, {value['vertical_speed']:.1f}\n"


LINES = [typed(moment) for moment in coast(load_world(WORLD)["Lull"], 6)]
FALLING = [typed(moment) for moment in coast(load_world(WORLD)["Lull"], 3, (350e3, -5.0, 700.0))]


# What a reading means -----------------------------------------------------------------------------------------------


def test_the_estimate_sharpens_over_a_coast_and_holds_the_truth(world):
    body = world["Lull"]
    truth = conic.shape(body.mu, *START)
    follower = Follower(world)
    widths = []
    for moment in coast(body, 40):
        update = follower.take(moment)
        assert update.kind == "coast" and not update.odd
        found = update.fix.apoapsis_altitude
        widths.append(found.high - found.low)
    assert update.moments == 40
    assert widths[-1] < widths[0] / 5
    for found, radius in ((update.fix.apoapsis_altitude, truth.apoapsis), (update.fix.periapsis_altitude, truth.periapsis)):
        assert abs(found.value - (radius - body.radius)) < 3 * found.sigma


@pytest.mark.parametrize(
    ("column", "spoil", "hint"),
    [("speed", lambda v: v / 10, "the decimal point"), ("altitude", lambda v: v * 1000, "the decimal point"),
     ("speed", lambda v: v + 90.0, ""), ("vertical_speed", lambda v: v + 25.0, "")],
)  # fmt: skip
def test_one_wrong_reading_is_named_and_not_believed(world, column, spoil, hint):
    body = world["Lull"]
    follower = Follower(world)
    moments = coast(body, 12)
    for moment in moments[:10]:
        before = follower.take(moment)
    value, sigma = moments[10].values[column]
    wrong = Moment(moments[10].met, 0.03, {**moments[10].values, column: (spoil(value), sigma)}, "Lull")
    update = follower.take(wrong)
    assert update.kind == "odd" and [odd.column for odd in update.odd] == [column]
    assert update.odd[0].expected.value == pytest.approx(value, abs=30 * sigma)
    assert update.odd[0].suggestion == hint
    assert update.fix.apoapsis_altitude.value == pytest.approx(before.fix.apoapsis_altitude.value, abs=10)
    after = follower.take(moments[11])
    assert after.kind == "coast" and after.moments == 11


def test_a_burn_between_two_readings_is_seen_with_its_size(world):
    body = world["Lull"]
    follower = Follower(world)
    for moment in coast(body, 10):
        follower.take(moment)
    r, vr, vt = conic.after(body.mu, *START, 300.0)
    after = (r, vr + 12.0, vt + 20.0)
    update = follower.take(shown(body, after, 300.0))
    assert update.kind == "changed"
    assert update.change.low < math.hypot(12.0, 20.0) < update.change.high
    update = follower.take(shown(body, conic.after(body.mu, *after, 60.0), 360.0))
    assert update.kind == "coast" and update.moments == 2


def test_a_burn_that_only_changes_the_speed_is_seen_at_the_second_reading(world):
    body = world["Lull"]
    follower = Follower(world)
    level = (350e3, 0.0, 800.0)  # at periapsis: a burn along the path leaves the vertical speed alone
    for index in range(10):
        follower.take(shown(body, conic.after(body.mu, *level, (index - 9) * 30.0), index * 30.0))
    slower = (350e3, 0.0, 790.0)
    assert follower.take(shown(body, slower, 270.0)).kind == "odd"
    update = follower.take(shown(body, conic.after(body.mu, *slower, 60.0), 330.0))
    assert update.kind == "changed" and update.moments == 2
    assert update.change.value == pytest.approx(10.0, abs=0.5)


def test_the_first_reading_of_a_coast_is_unconfirmed(world):
    """A slip in it can't be seen before the next, which then says that one of the two is wrong; the third settles it."""
    body = world["Lull"]
    follower = Follower(world)
    moments = coast(body, 4)
    value, sigma = moments[0].values["speed"]
    slip = Moment(moments[0].met, 0.03, {**moments[0].values, "speed": (value - 90.0, sigma)}, "Lull")
    first = follower.take(slip)
    assert first.unconfirmed
    second = follower.take(moments[1])
    assert second.kind == "changed" and "misread" in second.reason and second.unconfirmed
    assert second.before is first.fix
    third = follower.take(moments[2])
    assert third.kind == "coast" and third.moments == 2 and not third.unconfirmed and third.before is None


def test_thrust_air_ground_and_another_body_end_a_coast(world):
    follower = Follower(world)
    body = world["Lull"]
    moments = coast(body, 3)
    for moment in moments:
        follower.take(moment)
    burning = Moment(100.0, 0.03, {**moments[-1].values, "throttle": (0.6, 0.01)})
    assert follower.take(burning).kind == "burn"
    standing = Moment(200.0, 0.03, {"altitude": (12.0, 0.3), "vertical_speed": (0.0, 0.03), "surface_speed": (0.0, 0.03), "radar_altitude": (1.0, 0.3)})
    assert follower.take(standing).kind == "landed"
    other = Moment(300.0, 0.03, {"altitude": (81e3, 30.0), "speed": (2506.0, 0.3), "vertical_speed": (3.0, 0.03)}, "Ardent")
    update = follower.take(other)
    assert update.kind == "coast" and update.body.name == "Ardent" and update.moments == 1
    low = Moment(400.0, 0.03, {"altitude": (40e3, 30.0), "speed": (2506.0, 0.3), "vertical_speed": (-30.0, 0.03)})
    assert follower.take(low).kind == "air"
    assert follower.take(Moment(500.0, 0.03, {"propellant": (300.0, 1.0)})).kind == "unusable"


def test_the_altimeter_changing_its_body_is_followed(world):
    """Common practice, no source: "a jump from about a thousand km to about ten thousand km within one pair of readings is a change of
    sphere of influence, not a misreading". No row names a body."""
    lull, ardent = world["Lull"], world["Ardent"]
    follower = Follower(world, "Lull")
    start = (360e3, 0.0, 1200.0)
    shape, edge = conic.shape(lull.mu, *start), lull.sphere_of_influence
    leaving = conic.time_up_to(lull.mu, shape, 0.0, edge)

    def unnamed(moment: Moment) -> Moment:
        return Moment(moment.met, moment.met_sigma, moment.values)

    for index in range(8):
        met = leaving * index / 8
        assert follower.take(unnamed(shown(lull, conic.after(lull.mu, *start, met), met))).kind == "coast"
    outside = unnamed(shown(ardent, (18e6, -200.0, 400.0), leaving + 60.0))
    update = follower.take(outside)
    assert update.kind == "changed" and update.body.name == "Ardent" and "Ardent" in update.reason
    update = follower.take(unnamed(shown(ardent, conic.after(ardent.mu, 18e6, -200.0, 400.0, 600.0), leaving + 660.0)))
    assert update.kind == "coast" and update.body.name == "Ardent" and update.moments == 2
    # And in: up to Lull's path, then an altitude over Lull.
    follower = Follower(world, "Ardent")
    up = (970e3, 0.0, 3467.0)
    for index in range(8):
        met = 3600.0 * index
        follower.take(unnamed(shown(ardent, conic.after(ardent.mu, *up, met), met)))
    arriving = unnamed(shown(lull, (5.3e6, -300.0, 150.0), 3600.0 * 8))
    update = follower.take(arriving)
    assert update.body.name == "Lull" and update.kind == "changed"


def test_a_misread_altitude_is_no_change_of_body(world):
    lull = world["Lull"]
    follower = Follower(world, "Lull")
    for moment in coast(lull, 8):
        follower.take(Moment(moment.met, moment.met_sigma, moment.values))
    moment = shown(lull, conic.after(lull.mu, *START, 240.0), 240.0)
    wrong = Moment(240.0, 0.03, {**moment.values, "altitude": (moment.values["altitude"][0] * 100, 2.9)})
    update = follower.take(wrong)
    assert update.kind == "odd" and update.body.name == "Lull"


def test_work_and_memory_do_not_grow(world):
    """Three thousand readings taken in: what is kept of them, which is all that any later work looks at, stays small and spans the coast."""
    body = world["Lull"]
    follower = Follower(world)
    first = coast(body, 50)
    for index in range(3_000):
        moment = first[index] if index < 50 else shown(body, conic.after(body.mu, *START, index * 3.0 + 1500.0), index * 3.0 + 1500.0)
        update = follower.take(moment, tell=False)
    assert update.moments == 3_000
    kept = follower._coast.moments
    assert len(kept) <= 241 and kept[0].met == 0.0 and kept[-1].met == moment.met
    assert follower.take(shown(body, conic.after(body.mu, *START, 12_000.0), 12_000.0)).kind == "coast"


# Files that grow ------------------------------------------------------------------------------------------------------


def rows(count: int, begin: int = 0) -> str:
    return "".join(f"{index * 10},, {40 + index * 0.01:.2f}, 780.1, 1.0\n" for index in range(begin, begin + count))


def settle(tail, rounds: int = 2):
    """Everything that is new, a last line without an end included."""
    moments, notes = [], []
    for _ in range(rounds):
        news = tail.poll()
        moments += news.moments
        notes += news.notes
        tail._changed -= 10.0  # as if the file had rested
    return moments, notes


def test_a_table_that_grows_line_by_line(tmp_path, world):
    path = tmp_path / "readings.csv"
    tail = TableTail(path, world=world)
    assert tail.poll().moments == ()  # not there yet
    path.write_text(HEADER)
    assert tail.poll().moments == ()
    with path.open("a") as file:
        file.write("0, Lull, 40.00, 780.1, 1.0\n")
    (moment,) = tail.poll().moments
    assert (moment.met, moment.body, moment.row) == (0.0, "Lull", 2) and moment.values["altitude"][0] == 40e3
    with path.open("a") as file:
        file.write("10,, 40.")  # half a line: not yet
    assert tail.poll().moments == ()
    with path.open("a") as file:
        file.write("01, 780.1, 1.0\n# a remark\n\n20,, 40.02, 780.1, 1.0\n")
    found = tail.poll().moments
    assert [(one.met, one.row) for one in found] == [(10.0, 3), (20.0, 6)]
    assert {one.body for one in found} == {"Lull"}  # carried on from the first row
    assert tail.poll().moments == ()


def test_a_last_line_without_an_end_counts_when_the_file_rests(tmp_path, world):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "0, Lull, 40.00, 780.1, 1.0")
    tail = TableTail(path, world=world)
    assert tail.poll().moments == ()
    moments, _ = settle(tail)
    assert [one.met for one in moments] == [0.0]


def test_bad_lines_are_told_with_their_number_and_the_rest_is_taken(tmp_path, world):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "0, Lull, 40.00, 780.1, 1.0\n10,, forty, 780, 1\n20,, 40.02, 780.1, 1.0\nsoon,, 40.03, 780.1, 1.0\n30,, 40.03, 780.1, 1.0\n")
    moments, notes = settle(TableTail(path, world=world))
    assert [one.met for one in moments] == [0.0, 20.0, 30.0]
    assert [one.row for one in moments] == [2, 4, 6]
    assert len(notes) == 2 and "line 3" in notes[0] and "altitude" in notes[0] and "line 5" in notes[1]


def test_a_burst_is_taken_whole(tmp_path, world):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER)
    tail = TableTail(path, world=world)
    tail.poll()
    with path.open("a") as file:
        file.write(rows(1000).replace("0,,", "0, Lull,", 1))
    moments = tail.poll().moments
    assert len(moments) == 1000 and [one.row for one in moments] == list(range(2, 1002))


def test_only_what_is_new_is_read_again(tmp_path, world, monkeypatch):
    """However long the table is, one more line makes the reader see that line, the header and a few before it."""
    import analyser.ingest

    path = tmp_path / "readings.csv"
    path.write_text(HEADER + rows(3000).replace("0,,", "0, Lull,", 1))
    tail = TableTail(path, world=world)
    assert len(tail.poll().moments) == 3000
    real, sizes = analyser.ingest.read_table, []

    def counted(name, *more):
        sizes.append(len(Path(name).read_text().splitlines()))
        return real(name, *more)

    monkeypatch.setattr(analyser.ingest, "read_table", counted, raising=False)
    with path.open("a") as file:
        file.write(rows(1, 3000))
    (moment,) = tail.poll().moments
    assert moment.row == 3002 and moment.body == ""  # as before
    assert sizes and max(sizes) <= 22


def test_a_table_saved_anew_by_an_editor(tmp_path, world):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "0, Lull, 40.00, 780.1, 1.0\n10,, 40.01, 780.1, 1.0\n")
    tail = TableTail(path, world=world)
    assert len(tail.poll().moments) == 2
    whole = path.read_text() + "20,, 40.02, 780.1, 1.0\n"
    (tmp_path / "new").write_text(whole)
    os.replace(tmp_path / "new", path)  # as editors do: the same beginning, one line more
    news = tail.poll()
    assert [one.met for one in news.moments] == [20.0] and not news.restarted
    path.write_text(whole.replace("40.01", "41.01"))  # a line corrected
    news = tail.poll()
    assert news.restarted and [one.met for one in news.moments] == [0.0, 10.0, 20.0]
    assert news.moments[1].values["altitude"][0] == pytest.approx(41.01e3)


def test_a_table_that_vanishes_and_comes_back(tmp_path, world):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "0, Lull, 40.00, 780.1, 1.0\n")
    tail = TableTail(path, world=world)
    assert len(tail.poll().moments) == 1
    path.unlink()
    assert "gone" in tail.poll().notes[0] and tail.poll().notes == ()
    path.write_text(HEADER + "0, Lull, 40.00, 780.1, 1.0\n10,, 40.01, 780.1, 1.0\n")
    assert [one.met for one in settle(tail)[0]] == [10.0]


# Screenshots ----------------------------------------------------------------------------------------------------------

PNG = b"\x89PNG\r\n\x1a\n" + b"x" * 200
END = b"\0\0\0\0IEND\xaeB`\x82"


class Pictures:
    """Stands in for the reader of screenshots: which pictures it was handed."""

    def __init__(self, refuse: str = ""):
        self.seen: list[str] = []
        self.refuse = refuse

    def __call__(self, panel, paths, craft):
        import pandas as pd

        from analyser.errors import ImageError
        from analyser.flight import Readings

        self.seen += [path.name for path in paths]
        if self.refuse in [path.name for path in paths]:
            raise ImageError("it ends too early", self.refuse)
        rows = [{"met": 10.0 * index, "met_sigma": 0.3, "body": "Lull", "altitude": 4e4, "altitude_sigma": 3.0, "source": path.name, "row": index} for index, path in enumerate(paths)]
        return Readings(pd.DataFrame(rows), pd.DataFrame({"status": []}))


def test_pictures_are_taken_once_whole(tmp_path, monkeypatch):
    read = Pictures()
    tail = FolderTail(tmp_path, Path("panel.toml"), read=read)
    (tmp_path / "a.png").write_bytes(PNG)
    assert tail.poll().moments == ()  # half-written, or so it may be
    (tmp_path / "a.png").write_bytes(PNG + b"more")
    assert tail.poll().moments == ()  # still growing
    (tmp_path / "a.png").write_bytes(PNG + b"more" + END)
    assert [one.source for one in tail.poll().moments] == ["a.png"]
    assert tail.poll().moments == () and read.seen == ["a.png"]
    (tmp_path / "b.png").write_bytes(PNG)
    assert tail.poll().moments == () and tail.poll().moments == ()
    monkeypatch.setattr("analyser.watching._QUIET", 0.0)
    assert [one.source for one in tail.poll().moments] == ["b.png"]  # it has rested


def test_a_burst_of_200_with_one_bad_and_one_deleted(tmp_path):
    read = Pictures(refuse="shot007.png")
    for index in range(200):
        (tmp_path / f"shot{index:03d}.png").write_bytes(PNG + END)
    (tmp_path / "notes.txt").write_text("not a picture")
    tail = FolderTail(tmp_path, Path("panel.toml"), read=read)
    (tmp_path / "shot100.png").unlink()
    looks = [tail.poll() for _ in range(60)]
    assert max(len(news.moments) for news in looks) < 10  # told of bit by bit, not after the last
    moments, notes = [one for news in looks for one in news.moments], [one for news in looks for one in news.notes]
    assert len(moments) == 198 and len(notes) == 1 and "shot007.png" in notes[0]
    assert sorted(one.source for one in moments) == [one.source for one in moments] and len(set(read.seen)) == 199
    assert tail.poll().moments == ()


def test_a_picture_among_thousands(tmp_path, monkeypatch):
    """A folder in which nothing came or went is not gone through at each look; a new picture, and one written over, are found."""
    import analyser.watching

    for index in range(300):
        (tmp_path / f"shot{index:03d}.png").write_bytes(PNG + END)
    past = time.time() - 60
    os.utime(tmp_path, (past, past))
    tail = FolderTail(tmp_path, Path("panel.toml"), read=Pictures())
    for _ in range(80):
        tail.poll()
    real, looks = os.scandir, []
    monkeypatch.setattr(analyser.watching.os, "scandir", lambda folder: looks.append(folder) or real(folder))
    for _ in range(20):
        tail.poll()
    assert 1 <= len(looks) <= 3
    (tmp_path / "shot300.png").write_bytes(PNG + END)
    assert [one.source for one in tail.poll().moments] == ["shot300.png"]
    (tmp_path / "shot005.png").write_bytes(PNG + b"other" + END)
    assert [one.source for _ in range(11) for one in tail.poll().moments] == ["shot005.png"]


def test_a_folder_that_is_not_there(tmp_path):
    assert FolderTail(tmp_path / "later", Path("panel.toml"), read=Pictures()).poll().moments == ()


# The command, whole ---------------------------------------------------------------------------------------------------


def environment() -> dict[str, str]:
    # the size is the terminal's own: whoever runs the tests on several cores may have set another
    around = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    return {**around, "ANALYSER_STATE": "", "OMP_NUM_THREADS": "1", "TERM": "xterm", "PYTHONUNBUFFERED": "1"}


@pytest.fixture
def flight(tmp_path):
    folder = tmp_path / "flight"
    folder.mkdir()
    (folder / "flight.toml").write_text(f'world = "{WORLD}"\n')
    (folder / "readings.csv").write_text(HEADER + LINES[0].replace(",,", ", Lull,") + LINES[1])
    return folder


def test_without_a_terminal_it_prints_plain_lines_and_writes_nothing(flight):
    before = {path.name: path.stat().st_mtime_ns for path in flight.iterdir()}
    done = subprocess.run([sys.executable, "-m", "analyser", "watch", str(flight), "--once", "--screen"], capture_output=True, text=True, timeout=60, env=environment(), stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stderr
    lines = [line for line in done.stdout.splitlines() if line.startswith("T+")]
    assert len(lines) == 2 and "2 readings" in done.stdout
    assert "\x1b" not in done.stdout and "\a" not in done.stdout and max(map(len, done.stdout.splitlines())) <= 80
    assert {path.name: path.stat().st_mtime_ns for path in flight.iterdir()} == before


def test_json_lines(flight):
    done = subprocess.run([sys.executable, "-m", "analyser", "watch", str(flight), "--once", "--json", "--goal", "apoapsis 90 km"], capture_output=True, text=True, timeout=60, env=environment())
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["moments"] for one in found] == [1, 2]
    assert found[1]["fix"]["apoapsis_altitude"]["low"] < found[1]["fix"]["apoapsis_altitude"]["high"]
    assert found[1]["fix"]["aim"]["verdict"] in ("short", "beyond")


class Terminal:
    """A process in a real pseudo-terminal."""

    def __init__(self, *arguments: str, columns: int = 80, lines: int = 24, **variables: str):
        self.pid, self.file = pty.fork()
        if self.pid == 0:
            os.execvpe(sys.executable, [sys.executable, "-m", "analyser", *arguments], {**environment(), **variables})
        self.text = ""
        self.resize(columns, lines)

    def resize(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self.file, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def until(self, pattern: str, seconds: float = 30.0) -> str:
        """What it printed until ``pattern`` shows, from the last such call on."""
        end = time.monotonic() + seconds
        while not re.search(pattern, self.text):
            assert time.monotonic() < end, f"{pattern!r} did not come; what came: {self.text!r}"
            ready, _, _ = select.select([self.file], [], [], 0.1)
            if ready:
                try:
                    self.text += os.read(self.file, 65536).decode()
                except OSError:
                    break
        found, self.text = self.text, ""
        assert re.search(pattern, found), f"{pattern!r} did not come; what came: {found!r}"
        return found

    def end(self, number: int = signal.SIGINT) -> int:
        os.write(self.file, b"\x03") if number == signal.SIGINT else os.kill(self.pid, number)
        end = time.monotonic() + 20
        while time.monotonic() < end:
            if select.select([self.file], [], [], 0.05)[0]:
                try:
                    self.text += os.read(self.file, 65536).decode()
                except OSError:
                    pass
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                os.close(self.file)
                return os.waitstatus_to_exitcode(status)
        os.kill(self.pid, signal.SIGKILL)
        raise AssertionError("it did not end")


def add(flight: Path, line: str) -> None:
    with (flight / "readings.csv").open("a") as file:
        file.write(line)


def test_in_a_terminal_a_line_for_each_reading_and_ctrl_c_ends_it(flight):
    terminal = Terminal("watch", str(flight))
    terminal.until("2 readings")
    add(flight, LINES[2])
    said = terminal.until("3 readings")
    assert "T+00:01:00 Lull" in said and "Traceback" not in said
    assert terminal.end() == 0
    assert "3 readings followed" in terminal.text and "Traceback" not in terminal.text


def test_a_narrow_window(flight):
    terminal = Terminal("watch", str(flight), columns=40)
    said = terminal.until("2 readings")
    assert max(len(line.strip("\r")) for line in said.split("\n")) <= 40
    terminal.end()


def test_the_bell_and_bold_for_the_ground_and_no_color(flight):
    (flight / "readings.csv").write_text(HEADER + FALLING[0].replace(",,", ", Lull,"))
    terminal = Terminal("watch", str(flight))
    said = terminal.until("GROUND in")
    assert "\a" in said and "\x1b[1m" in said
    add(flight, FALLING[1])
    assert "\a" not in terminal.until("2 readings")  # it rings once
    terminal.end()
    terminal = Terminal("watch", str(flight), "--no-bell", NO_COLOR="1")
    said = terminal.until("2 readings")
    assert "\a" not in said and "\x1b" not in said
    terminal.end()


def frames(text: str) -> list[list[str]]:
    """What each redrawing of the full screen showed, line by line."""
    return [re.sub(r"\x1b\[[\d;?]*[A-Za-z]", "", part).split("\r\n") for part in text.split("\x1b[H")[1:]]


def test_the_full_screen_view_redraws_and_gives_the_screen_back(flight):
    terminal = Terminal("watch", str(flight), "--screen", "--goal", "apoapsis 90 km")
    said = terminal.until(r"(?s)goal: apoapsis 90 km.*\x1b\[J")
    assert "\x1b[?1049h" in said and "\x1b[2J" not in said
    terminal.resize(50, 12)
    said = terminal.until(r"(?s)\x1b\[H.*periapsis.*\x1b\[J")
    frame = frames(said)[-1]
    assert len(frame) <= 12 and max(map(len, frame)) <= 50
    add(flight, LINES[2])
    terminal.until("reading 3")
    assert terminal.end() == 0
    assert "\x1b[?1049l" in terminal.text and "\x1b[?25h" in terminal.text


def test_the_ground_stands_out_on_the_full_screen_too(flight):
    (flight / "readings.csv").write_text(HEADER + FALLING[0].replace(",,", ", Lull,"))
    terminal = Terminal("watch", str(flight), "--screen")
    said = terminal.until(r"(?s)MEETS THE GROUND.*\x1b\[J")
    assert "\a" in said and re.search(r"\x1b\[1m[^\x1b]*MEETS THE GROUND", said)
    terminal.end()
    terminal = Terminal("watch", str(flight), "--screen", "--no-bell", NO_COLOR="1")
    said = terminal.until(r"(?s)MEETS THE GROUND.*\x1b\[J")
    assert "\a" not in said and "\x1b[1m" not in said
    terminal.end()


def test_what_cannot_be_followed_is_refused(tmp_path, capsys, monkeypatch):
    from analyser.cli import main

    monkeypatch.setenv("ANALYSER_STATE", "")
    monkeypatch.chdir(tmp_path)
    assert main(["watch", str(tmp_path / "nowhere"), "--world", str(WORLD)]) == 2
    assert "nowhere" in capsys.readouterr().err
    (tmp_path / "shots").mkdir()
    (tmp_path / "shots" / "a.png").write_bytes(PNG + END)
    assert main(["watch", str(tmp_path / "shots"), "--world", str(WORLD)]) == 2
    assert "--panel" in capsys.readouterr().err
    assert main(["watch", str(tmp_path / "later.csv")]) == 2
    assert "--world" in capsys.readouterr().err
    assert main(["watch", str(tmp_path / "later.csv"), "--world", str(WORLD), "--once"]) == 1
    assert main(["watch", str(tmp_path / "later.csv"), "--world", str(WORLD), "--interval", "-1"]) == 2
