"""The page that shows what is read where."""

from __future__ import annotations

import re

import cv2
from drawn_panel import draw_panel, seen_from, texts_at, write_panel

from analyser.ingest.panel_check import write_panel_check


def test_the_page_shows_every_gauge_and_nothing_from_outside(tmp_path):
    panel = write_panel(tmp_path / "panel <script>alert(1)</script>")
    cv2.imwrite(str(tmp_path / "a.png"), seen_from(draw_panel(texts_at(3)), 1))
    readings = write_panel_check(panel, [tmp_path / "a.png"], tmp_path / "out" / "check.html")
    page = (tmp_path / "out" / "check.html").read_text(encoding="utf-8")
    assert len(readings) == 1
    for seen in ("altimeter", "64.64 km", "64640", "00:14:31", "Lull"):
        assert seen in page
    assert "<script" not in page
    assert not re.search(r"(src|href)='(?!data:)", page)
    assert page.count("<tr>") == 1 + 6


def test_the_commands_propose_and_check(tmp_path, capsys):
    from analyser.cli import main

    cv2.imwrite(str(tmp_path / "shot.png"), draw_panel(texts_at(0)))
    assert main(["panel", "new", str(tmp_path / "shot.png"), "--out", str(tmp_path / "board")]) == 1
    assert "panel.toml" in capsys.readouterr().out
    assert {path.name for path in (tmp_path / "board").iterdir()} == {"panel.toml", "reference.png", "gauges.png"}
    panel = write_panel(tmp_path / "known")
    assert main(["panel", "check", str(panel), str(tmp_path / "shot.png"), "--out", str(tmp_path)]) in (0, 1)
    assert (tmp_path / "panel-check.html").exists()
    assert main(["panel", "new", str(tmp_path / "missing.png"), "--out", str(tmp_path / "other")]) == 2
