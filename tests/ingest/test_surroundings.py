"""Gauges that stand before or behind the panel's plane are read where they are; what lies over a gauge is named."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_panel import GAUGES, draw_panel, seen_from, texts_at, write_panel

from analyser.ingest.panel import load_panel
from analyser.ingest.register import PanelFinder, project
from analyser.ingest.screenshots import read_screenshots
from analyser.ingest.surroundings import Surroundings


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    return load_panel(write_panel(tmp_path_factory.mktemp("panel")))


@pytest.fixture(scope="module")
def known(panel):
    reference, gauges = draw_panel(texts_at(0)), list(panel.gauges.values())
    return gauges, PanelFinder(reference, [gauge.corners for gauge in gauges]), Surroundings(reference, gauges)


def test_a_gauge_off_the_plane_is_found_where_it_is(known):
    gauges, finder, surroundings = known
    plain = draw_panel(texts_at(3))
    moved, shifts = plain.copy(), {}
    for index, gauge in enumerate(gauges):  # each with its frame and label shifted by itself, as parallax does
        (x0, y0), (x1, y1) = np.array(gauge.corners, int).min(axis=0) - (20, 30), np.array(gauge.corners, int).max(axis=0) + 20
        dx, dy = (6, -4) if index % 2 else (-5, 5)
        moved[y0 + dy : y1 + dy, x0 + dx : x1 + dx] = plain[y0:y1, x0:x1]
        shifts[gauge.name] = (dx, dy)
    truth = np.array([[0.98, -0.01, 14.0], [0.01, 0.98, 6.0], [0, 0, 1]])
    picture = cv2.warpPerspective(moved, truth, plain.shape[1::-1], flags=cv2.INTER_CUBIC)
    view = finder.find(picture)
    assert view.found
    places = surroundings.places(picture, view)
    before, after = [], []
    for gauge, place in zip(gauges, places):
        assert not place.hidden
        there = project(truth, np.array(gauge.corners) + shifts[gauge.name])
        after.append(np.abs(project(place.homography, gauge.corners) - there).max())
        before.append(np.abs(project(view.homography, gauge.corners) - there).max())
    assert np.median(before) > 4 and np.median(after) < 2.2 and max(after) < 3.5
    assert all(then <= now + 0.3 for now, then in zip(before, after))


def test_gauges_on_the_plane_stay_where_the_panel_says(known):
    gauges, finder, surroundings = known
    picture = seen_from(draw_panel(texts_at(5)), 9)
    view = finder.find(picture)
    for gauge, place in zip(gauges, surroundings.places(picture, view)):
        assert np.abs(project(place.homography, gauge.corners) - project(view.homography, gauge.corners)).max() < 1.0


def test_what_lies_over_a_gauge_is_named(panel, tmp_path):
    paths = []
    for step, (dx, dy, wide, tall) in enumerate([(110, 20, 90, 60), (200, 30, 70, 40), (5000, 0, 1, 1)]):
        picture = seen_from(draw_panel(texts_at(step)), step, shift=5)
        x, y = GAUGES["altimeter"][:2]
        cv2.ellipse(picture, (x + dx, y + dy), (wide, tall), 20, 0, 360, (70, 95, 150), -1, cv2.LINE_AA)
        paths.append(tmp_path / f"{step}.png")
        cv2.imwrite(str(paths[-1]), picture)
    detail = read_screenshots(panel.path, paths).detail
    altitudes = detail[detail["column"] == "altitude"]
    assert list(altitudes["status"])[:2] == ["doubtful", "doubtful"] and altitudes["status"].iloc[2] == "read"
    assert all("altimeter is" in reason and "hidden" in reason for reason in altitudes["reason"][:2])
    others = detail[(detail["row"] < 2) & detail["column"].isin(["met", "propellant"])]
    assert not any("hidden" in reason for reason in others["reason"])
