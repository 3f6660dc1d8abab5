"""A clock set back in the middle of the screenshots: found by the order of the files; digits lost from a clock, and files in no order, are not taken for it."""

from __future__ import annotations

import random

import cv2
import pytest
from drawn_panel import draw_panel, seen_from, texts_at, write_panel
from test_decode import seen

from analyser.cli import main
from analyser.ingest import load_flight, read_table
from analyser.ingest.corrected import apply_corrections
from analyser.ingest.corrections import Correction
from analyser.ingest.picture_runs import screenshot_runs
from analyser.ingest.screenshots import read_screenshots


def flown(clocks: list[str], order: list[int] | None = None):
    """Screenshots of a climb on a thirsty engine, one a clock; ``order``: which moment each file shows."""
    values = []
    for row, moment in enumerate(order or range(len(clocks))):
        values.append(seen(row, "clock", (clocks[moment], 0.9999)))
        values.append(seen(row, "height", (str(20000 + 900 * moment), 0.9999)))
        values.append(seen(row, "tank", (str(1700 - 11 * moment), 0.9999)))
    return values


def seconds(*parts: tuple[int, int]) -> list[str]:
    """Clocks 47 s apart: (first, count) of each run."""
    return [str(first + 47 * index) for first, count in parts for index in range(count)]


def runs(values, stamps=None) -> list[int]:
    return [run for _, run in sorted(screenshot_runs(values, stamps).items())]


@pytest.mark.parametrize(("parts", "wanted"), [
    ([(2130, 9), (30, 8)], [0] * 9 + [1] * 8), ([(2130, 9), (1730, 5)], [0] * 9 + [1] * 5), ([(400, 6), (5, 6), (9, 6)], [0] * 6 + [1] * 6 + [2] * 6),
    ([(400, 17)], []),
])  # fmt: skip
def test_a_clock_set_back_starts_a_run(parts, wanted):
    assert runs(flown(seconds(*parts))) == wanted


def test_a_screenshot_whose_clock_is_not_certain_goes_with_those_before():
    values = flown(seconds((2130, 9), (30, 8)))
    values[3 * 12] = seen(12, "clock", ("218", 0.6))
    assert runs(values) == [0] * 9 + [1] * 8


def test_of_those_about_the_restart_the_clock_as_far_as_seen_tells():
    values = flown(seconds((2130, 9), (30, 8)))
    values[3 * 8] = seen(8, "clock", ("2506", 0.6))
    values[3 * 9] = seen(9, "clock", ("30", 0.6), ("2530", 0.3))
    values[3 * 10] = seen(10, "clock", ("77", 0.6))
    assert runs(values) == [0] * 9 + [1] * 8


@pytest.mark.parametrize(("parts", "why"), [
    ([(1540, 9), (1540 + 47 * 9 - 1000, 4)], "the thousands are gone in the last four"), ([(1540, 7), (963, 3), (2010, 4)], "the thousands are gone in three, then back"),
    ([(7200, 9), (623, 5)], "four digits become three"), ([(13100, 9), (12100 + 47 * 9, 6)], "a three was read as a two"),
])  # fmt: skip
def test_digits_lost_or_misread_are_no_restart(parts, why):
    assert runs(flown(seconds(*parts))) == [], why


def test_a_field_of_the_clock_misread_is_no_restart():
    at = [3000 + 47 * index for index in range(16)]
    clocks = [f"{time // 3600 + (2 if index < 10 else 0):02d}:{time // 60 % 60:02d}:{time % 60:02d}" for index, time in enumerate(at)]
    values = []
    for row, text in enumerate(clocks):
        hours, minutes, second = (int(part) for part in text.split(":"))
        clock = seen(row, "clock", (str(3600 * hours + 60 * minutes + second), 0.9999))
        values.append(type(clock)(**{**clock.__dict__, "reading": type(clock.reading)(clock.reading.candidates, "", text)}))
        values.append(seen(row, "height", (str(20000 + 900 * row), 0.9999)))
    assert runs(values) == []


@pytest.mark.parametrize("seed", range(6))
def test_files_in_no_order_are_no_restart(seed):
    order = list(range(16))
    random.Random(seed).shuffle(order)
    assert runs(flown(seconds((900, 16)), order)) == []


def test_two_folders_of_one_flight_copied_together_are_no_restart():
    assert runs(flown(seconds((900, 16)), [*range(0, 16, 2), *range(1, 16, 2)])) == []


def test_the_times_of_the_files_tell_where_their_names_do_not():
    clocks, order = seconds((2130, 8), (30, 8)), list(range(16))
    random.Random(3).shuffle(order)
    values = flown(clocks, order)
    assert runs(values) == []
    assert runs(values, [1000 + moment for moment in order]) == [moment // 8 for moment in order]
    assert runs(values, [1000] * 16) == []


SET_BACK = 7  # of so many moments before the clock is set back, and as many after


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    """A flight folder whose clock goes back to 30 s in the middle of a coast."""
    folder = tmp_path_factory.mktemp("set-back")
    write_panel(folder / "panel")
    (folder / "screenshots").mkdir()
    for step in range(2 * SET_BACK):
        met = 760 + 37 * step if step < SET_BACK else 30 + 37 * (step - SET_BACK)
        texts = {**texts_at(step), "clock": f"T+{met // 3600:02d}:{met // 60 % 60:02d}:{met % 60:02d}"}
        cv2.imwrite(str(folder / "screenshots" / f"shot-{step}.png"), seen_from(draw_panel(texts), step))
    (folder / "world.toml").write_text('name = "w"\n[bodies.Lull]\ngravitational_parameter = "2.1e11 m^3/s^2"\nradius = "310 km"\n')
    (folder / "flight.toml").write_text('name = "set back"\nworld = "world.toml"\npanel = "panel/panel.toml"\n')
    return folder


@pytest.fixture(scope="module")
def readings(flight):
    return load_flight(flight).readings


PLACED = [760.0 + 37 * step for step in range(SET_BACK)] + [760.0 + 37 * 6 + 30 + 37 * step for step in range(SET_BACK)]


def test_screenshots_after_a_restart_keep_their_order_and_are_told(readings):
    assert readings.table["source"].tolist() == [f"shot-{step}.png" for step in range(2 * SET_BACK)]
    assert readings.table["clock_run"].tolist() == [0] * SET_BACK + [1] * SET_BACK
    assert readings.table["met"].tolist() == PLACED
    assert any("shot-7.png: the clock starts again (T+00:16:22, then T+00:00:30)" in remark and "after shot-6.png" in remark for remark in readings.remarks)
    assert not any("order is not that" in remark for remark in readings.remarks)
    doubtful = readings.detail[readings.detail["status"] == "doubtful"]
    assert doubtful.empty, doubtful


def test_a_clock_set_right_by_hand_stays_in_its_run(readings):
    mended = apply_corrections(readings, [Correction("shot-9.png", 9, "met", "correct", "00:01:40", "", "", "")])
    row = mended.table[mended.table["source"] == "shot-9.png"].iloc[0]
    assert row["met"] == 760 + 37 * 6 + 100 and row["clock_run"] == 1


def test_read_and_debrief_write_the_runs_and_a_debrief_of_what_was_written_is_the_same(flight, tmp_path):
    assert main(["read", str(flight), "--out", str(tmp_path / "read"), "-q"]) == 0
    assert main(["debrief", str(flight), "--out", str(tmp_path / "out"), "-q"]) in (0, 1)
    written = next((tmp_path / "out").rglob("readings.csv"))
    assert written.read_text() == (tmp_path / "read" / "readings.csv").read_text()
    again = read_table(written)
    assert again.table["met"].tolist() == PLACED and again.table["clock_run"].tolist() == [0] * SET_BACK + [1] * SET_BACK


def test_names_without_order_are_sorted_by_the_clock_as_before(flight, tmp_path):
    shots = [flight / "screenshots" / f"shot-{step}.png" for step in (3, 0, 5, 1, 6, 2, 4)]
    readings = read_screenshots(flight / "panel" / "panel.toml", shots)
    assert "clock_run" not in readings.table and readings.table["met"].is_monotonic_increasing
    assert any("order is not that" in remark for remark in readings.remarks)
