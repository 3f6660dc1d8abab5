"""The page that shows what is read where."""

from __future__ import annotations

import re

import cv2
from drawn_panel import draw_panel, seen_from, texts_at, write_panel

from analyser.ingest.panel_check import write_panel_check


def test_the_page_shows_every_gauge_and_nothing_from_outside(tmp_path):
    panel = write_panel(tmp_path / "panel <script>alert(1)</script>")
    cv2.imwrite(str(tmp_path / "a.png"), seen_from(draw_panel(texts_at(3)), 1))
    page = write_panel_check(panel, [tmp_path / "a.png"], tmp_path / "check.html").read_text(encoding="utf-8")
    for seen in ("altimeter", "64.64 km", "64640", "00:14:31", "Lull"):
        assert seen in page
    assert "<script" not in page
    assert not re.search(r"(src|href)='(?!data:)", page)
    assert page.count("<tr>") == 1 + 6
