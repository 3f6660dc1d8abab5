"""Damaged pictures and panel files end in readings, "not found" or one clear error; memory does not grow with the number of screenshots."""

from __future__ import annotations

import tracemalloc

import numpy as np
from drawn_panel import draw_panel, texts_at, write_panel
from mutations import MOST_MEMORY, bomb_png, run

from analyser.ingest import screenshots
from analyser.ingest.panel import load_panel


def test_nothing_crashes_and_errors_name_their_file(tmp_path):
    outcomes = run(tmp_path, 75, seed=5)
    assert [each for each in outcomes if each.what == "CRASH"] == []
    for each in outcomes:
        if each.what == "error":
            assert str(tmp_path) in each.told and "\n" not in each.told, each
    came = {each.kind: each.what for each in outcomes}
    for name in ("plain.png", "grey.png", "grey-alpha.png", "palette.png", "rgba.png", "plain.jpg", "grey.jpg", "cmyk.jpg", "progressive.jpg",
                 "plain.webp", "exact.webp", "plain.bmp", "palette.bmp", "deep.png"):  # fmt: skip
        assert came[f"whole: {name}"] == "read", name
    for name in ("huge.png", "long.png", "wide.png", "none.png", "zip.png", "text.png"):
        assert came[f"huge: {name}"] == "error", name
    for name in ("empty.png", "moving.gif", "moving.webp", "plain.tiff"):
        assert came[f"whole: {name}"] == "error", name


def test_a_small_file_that_decodes_into_a_large_picture_stays_within_bounds(tmp_path):
    (tmp_path / "bomb.png").write_bytes(bomb_png(5_000))
    panel = write_panel(tmp_path / "panel")
    tracemalloc.start()
    readings = screenshots.read_screenshots(panel, [tmp_path / "bomb.png"])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert not len(readings) and peak < MOST_MEMORY


def test_memory_does_not_grow_with_the_number_of_screenshots(tmp_path, monkeypatch):
    monkeypatch.setattr(screenshots, "CHUNK", 4)
    path = write_panel(tmp_path)
    path.write_text(path.read_text().partition("[gauges.body]")[0])  # words are read by another program, once a chunk: that takes long
    panel = load_panel(path)
    pictures = [draw_panel(texts_at(step)) for step in range(4)]

    def peak(count: int) -> int:
        looks = screenshots.Looks(panel)
        tracemalloc.start()
        for index in range(count):
            looks.add(pictures[index % 4])
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert len(looks.boxes) == count
        return found

    peak(4)  # what is loaded once
    few, many = peak(8), peak(32)
    assert many < 1.1 * few + 24 * len(panel.gauges) * 4_000
    assert many < few + 24 * np.asarray(pictures[0]).nbytes * 0.1  # far below keeping the pictures
