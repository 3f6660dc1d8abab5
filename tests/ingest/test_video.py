"""A recording gives the same readings as screenshots; what did not change is not read twice."""

from __future__ import annotations

import cv2
import pytest
from drawn_panel import HEIGHT, WIDTH, draw_panel, texts_at, write_panel

from analyser.errors import ImageError, InputError
from analyser.ingest.video import read_video, sample_video


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Four moments of the panel, each held for a second at eight frames a second."""
    folder = tmp_path_factory.mktemp("recording")
    path = folder / "flight.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 8, (WIDTH, HEIGHT))
    if not writer.isOpened():
        pytest.skip("this OpenCV writes no recordings")
    for step in range(4):
        picture = draw_panel(texts_at(step))
        for _ in range(8):
            writer.write(picture)
    writer.release()
    return folder, path


def test_readings_of_a_recording(recording, tmp_path):
    folder, path = recording
    panel = write_panel(folder / "panel")
    readings = read_video(panel, path, tmp_path / "frames", every=0.5)
    assert list(readings.table["met"]) == [760 + 37 * step for step in range(4)]
    assert list(readings.table["altitude"]) == pytest.approx([61940 + 900 * step for step in range(4)])


def test_an_interrupted_run_goes_on_where_it_stopped(recording, tmp_path):
    _, path = recording
    first = sample_video(path, tmp_path, every=1.0)
    assert len(first) == 4
    times = [each.stat().st_mtime_ns for each in first[:3]]
    first[3].unlink()
    again = sample_video(path, tmp_path, every=1.0)
    assert again == first and [each.stat().st_mtime_ns for each in again[:3]] == times


def test_what_is_no_recording_is_refused(tmp_path):
    (tmp_path / "notes.mp4").write_text("no recording")
    with pytest.raises(ImageError, match="no recording"):
        sample_video(tmp_path / "notes.mp4", tmp_path / "frames")
    with pytest.raises(ImageError, match="no such"):
        sample_video(tmp_path / "missing.mp4", tmp_path / "frames")
    with pytest.raises(InputError, match="above 0"):
        sample_video(tmp_path / "notes.mp4", tmp_path / "frames", every=0)
