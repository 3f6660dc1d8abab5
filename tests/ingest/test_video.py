"""A recording gives the same readings as screenshots; what did not change is not read twice; a stopped run goes on."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest
from drawn_panel import HEIGHT, WIDTH, draw_panel, texts_at, write_panel

from analyser.cli import main
from analyser.errors import ImageError, InputError
from analyser.ingest import load_flight, video
from analyser.ingest.video import read_video

ROOT = Path(__file__).resolve().parents[2]
TIMES = [760 + 37 * step for step in range(4)]


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Four moments of the panel, each held for a second at eight frames a second."""
    folder = tmp_path_factory.mktemp("recording")
    path = folder / "flight.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 8, (WIDTH, HEIGHT))
    assert writer.isOpened()
    for step in range(4):
        picture = draw_panel(texts_at(step))
        for _ in range(8):
            writer.write(picture)
    writer.release()
    return write_panel(folder / "panel"), path


def test_readings_of_a_recording_and_what_leads_back_to_them(recording, tmp_path):
    panel, path = recording
    told = []
    readings = read_video(panel, path, tmp_path, every=0.5, progress=lambda *done: told.append(done))
    assert list(readings.table["met"]) == TIMES
    assert list(readings.table["altitude"]) == pytest.approx([61940 + 900 * step for step in range(4)])
    assert told[-1] == (8, 8) and len(told) == 8
    pictures = video.kept_pictures(tmp_path, readings.detail["source"])
    assert len(pictures) == 4
    shown = cv2.imread(str(pictures[2]))
    assert abs(shown.astype(int) - draw_panel(texts_at(2))).mean() < 6


def test_pictures_are_kept_where_a_read_out_changes_only(recording, tmp_path):
    panel, path = recording
    readings = read_video(panel, path, tmp_path, every=0.125, on_change=True)
    assert list(readings.table["met"]) == TIMES
    assert sorted(readings.table["source"]) == [f"frame-{second:010.3f}.jpg" for second in range(4)]


class Stopped(BaseException):
    """What a kill looks like from within."""


@pytest.mark.parametrize("on_change", [False, True])
def test_a_stopped_run_goes_on_where_it_was(recording, tmp_path, monkeypatch, on_change):
    panel, path = recording
    whole = read_video(panel, path, tmp_path / "whole", every=0.5, on_change=on_change)
    monkeypatch.setattr(video, "CHUNK", 2)

    def stop(done, _):
        if done >= 6:
            raise Stopped

    with pytest.raises(Stopped):
        read_video(panel, path, tmp_path / "stopped", every=0.5, progress=stop, on_change=on_change)
    looked = []
    again = read_video(panel, path, tmp_path / "stopped", every=0.5, progress=lambda done, _: looked.append(done), on_change=on_change)
    assert min(looked) > 3  # what came before was not looked at again
    assert list(again.table["met"]) == list(whole.table["met"]) and list(again.detail["raw"]) == list(whole.detail["raw"])
    looked.clear()
    once_more = read_video(panel, path, tmp_path / "stopped", every=0.5, progress=lambda done, _: looked.append(done), on_change=on_change)
    assert not looked and list(once_more.table["met"]) == list(whole.table["met"])


def test_a_damaged_note_of_how_far_it_got_is_not_believed(recording, tmp_path):
    panel, path = recording
    read_video(panel, path, tmp_path, every=2.0)
    note = json.loads((tmp_path / "sampled.json").read_text())
    (tmp_path / "sampled.json").write_text(json.dumps({**note, "names": ["../../elsewhere.jpg"] * 2}))
    assert list(read_video(panel, path, tmp_path, every=2.0).table["met"]) == TIMES[::2]
    (tmp_path / "seen-00000.json").write_text("[{")
    assert list(read_video(panel, path, tmp_path, every=2.0).table["met"]) == TIMES[::2]


def test_what_is_no_recording_is_refused(recording, tmp_path):
    panel, path = recording
    (tmp_path / "notes.mp4").write_text("no recording")
    for name, words in (("notes.mp4", "no recording"), ("missing.mp4", "no such")):
        with pytest.raises(ImageError, match=words):
            read_video(panel, tmp_path / name, tmp_path / "frames")
    for every, words in ((0, "above 0"), (float("nan"), "above 0"), (1e-5, "longer interval")):
        with pytest.raises(InputError, match=words):
            read_video(panel, path, tmp_path / "frames", every=every)
    (tmp_path / "cut.mp4").write_bytes(path.read_bytes()[:2000])
    with pytest.raises(ImageError):
        read_video(panel, tmp_path / "cut.mp4", tmp_path / "frames")


def test_the_command_reads_a_recording(recording, tmp_path, capsys):
    panel, path = recording
    code = main(["read", "--panel", str(panel), str(path), "--out", str(tmp_path), "--every", "2 s", "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code in (0, 1) and told["readings"] == 2
    assert (tmp_path / "readings.csv").read_text().count("\n") == 3
    assert len(list((tmp_path / "frames" / path.name).glob("*.jpg"))) == 2
    for words in (["--every", "soon"], ["--every", "0 s"]):
        assert main(["read", "--panel", str(panel), str(path), "--out", str(tmp_path), *words]) == 2
    assert "interval" in capsys.readouterr().err
    assert main(["read", "--panel", str(panel), str(tmp_path / "frames" / path.name), "--on-change", "--out", str(tmp_path)]) == 2


def test_a_flight_may_hold_a_recording(recording, tmp_path):
    panel, path = recording
    folder = tmp_path / "flight"
    (folder / "screenshots").mkdir(parents=True)
    (folder / "screenshots" / "lull.mp4").write_bytes(path.read_bytes())
    text = f'name = "On camera"\nworld = "../worlds/ardent.toml"\npanel = "{panel}"\nrecording_every = "1 s"\n'
    (tmp_path / "worlds").mkdir()
    (tmp_path / "worlds" / "ardent.toml").write_text((ROOT / "samples" / "worlds" / "ardent.toml").read_text())
    (folder / "flight.toml").write_text(text)
    flight = load_flight(folder, frames=tmp_path / "frames")
    assert list(flight.readings.table["met"]) == TIMES
    assert folder / "screenshots" / "lull.mp4" in flight.files
    assert len(video.kept_pictures(tmp_path / "frames" / "lull.mp4", flight.readings.table["source"])) == len(TIMES)
    (folder / "screenshots" / "lull.mp4").rename(folder / "elsewhere.mp4")
    (folder / "flight.toml").write_text(text + 'recording = "elsewhere.mp4"\n')
    assert list(load_flight(folder, frames=tmp_path / "frames").readings.table["met"]) == TIMES
