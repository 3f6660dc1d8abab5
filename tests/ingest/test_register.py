"""The panel is found in screenshots to a pixel, or honestly not found."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from drawn_panel import GAUGES, HEIGHT, WIDTH, draw_panel, font, texts_at

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "panels"))
from cockpits import LEVELS, look  # noqa: E402

from analyser.ingest.register import PanelFinder, Registration, project  # noqa: E402

CORNERS = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]], float)


@pytest.fixture(scope="module")
def finder():
    quads = [[[x, y], [x + w, y], [x + w, y + h], [x, y + h]] for x, y, w, h, *_ in GAUGES.values()]
    return PanelFinder(draw_panel(texts_at(0)), quads)


@pytest.mark.parametrize(("level", "limit"), [("mild", 2.0), ("hard", 5.0)])
def test_corners_are_found_from_other_view_points(finder, level, limit):
    dice = np.random.default_rng(5)
    for step in range(4):
        picture, truth = look(draw_panel(texts_at(step + 1)), LEVELS[level], dice)
        view = finder.find(picture)
        assert view.found, view.reason
        assert np.abs(project(view.homography, CORNERS) - project(truth, CORNERS)).max() < limit


def test_a_steady_view_is_followed_and_no_error_builds_up(finder):
    dice = np.random.default_rng(6)
    view = finder.find(draw_panel(texts_at(0)))
    followed = 0
    for step in range(12):
        move = np.array([[1, 0, 1.5 * step], [0, 1, -1.0 * step], [0, 0, 1]])
        import cv2

        picture = cv2.warpPerspective(draw_panel(texts_at(step)), move, (WIDTH, HEIGHT))
        picture = np.clip(picture + dice.normal(0, 3, picture.shape), 0, 255).astype(np.uint8)
        next_view = finder.track(picture, view)
        followed += next_view.found
        view = next_view if next_view.found else finder.search(picture)
        assert np.abs(project(view.homography, CORNERS) - project(move, CORNERS)).max() < 2.0
    assert followed >= 10


def test_another_picture_is_not_the_panel(finder):
    noise = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
    blank = np.full((HEIGHT, WIDTH, 3), 40, np.uint8)
    from PIL import Image, ImageDraw

    other = Image.new("RGB", (WIDTH, HEIGHT), (120, 130, 90))
    pen = ImageDraw.Draw(other)
    for index in range(40):
        pen.text((20 + 150 * (index % 8), 20 + 120 * (index // 8)), f"ROW {index}", font=font("DejaVuSans", 24), fill=(10, 10, 10))
    known = finder.find(draw_panel(texts_at(0)))
    for picture, before in ((noise[:360, :640], None), (blank, known), (np.asarray(other), known)):
        view = finder.find(picture, before)
        assert not view.found and view.reason


def test_nothing_is_followed_from_a_view_that_was_not_found(finder):
    assert not finder.track(draw_panel(texts_at(0)), Registration(None)).found
