"""Screenshots of a drawn panel become readings; what is not sure is doubtful, never wrong."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_panel import GAUGES, HEIGHT, WIDTH, draw_panel, seen_from, texts_at, write_panel

from analyser.errors import DescriptionError, ImageError, InputError
from analyser.ingest.screenshots import read_screenshots

MOMENTS = 8


def truth(step: int) -> dict[str, object]:
    met = 760 + 37 * step
    return {
        "met": met, "altitude": round(61.94 + 0.9 * step, 2) * 1e3, "speed": round(992.5 + 3.3 * step, 1),
        "vertical_speed": -12.0 + 5 * step, "propellant": 1744 - 13 * step, "body": "Lull",
    }  # fmt: skip


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flight")
    panel = write_panel(folder / "panel")
    paths = []
    for step in range(MOMENTS):
        picture = seen_from(draw_panel(texts_at(step)), step)
        if step == 5:  # a hand over the altimeter
            x, y, width, height = GAUGES["altimeter"][:4]
            cv2.rectangle(picture, (x - 60, y - 60), (x + width + 80, y + height + 60), (70, 90, 120), -1)
        if step == 6:  # another scene altogether
            picture = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
        path = folder / f"shot{MOMENTS - step}.jpg"  # names in the wrong order: the clock counts
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 85])
        paths.append(path)
    paths.reverse()
    return panel, paths, read_screenshots(panel, paths)


def test_no_value_is_wrong_and_most_are_read(flight):
    _, _, readings = flight
    right = 0
    for value in readings.detail.itertuples():
        if value.status != "read":
            continue
        expected = truth(MOMENTS - 1 - value.row)[value.column]
        if value.column == "body":
            assert value.raw == expected
        else:
            assert value.value == pytest.approx(expected, abs=1e-6), value
        right += 1
    assert right >= 0.9 * 6 * (MOMENTS - 2)


def test_rows_are_in_the_order_of_the_clock(flight):
    _, paths, readings = flight
    assert readings.table["met"].is_monotonic_increasing
    assert any("order" in remark for remark in readings.remarks)
    first = readings.table.iloc[0]
    assert paths[int(first["row"])].name == first["source"]


def test_sigma_is_the_last_digit_taken_as_uniform(flight):
    _, _, readings = flight
    seen = readings.detail[readings.detail.status == "read"].set_index("column")["sigma"]
    assert seen["altitude"].iloc[0] == pytest.approx(10 / math.sqrt(12))
    assert seen["vertical_speed"].iloc[0] == pytest.approx(0.1 / math.sqrt(12))


def test_a_lost_panel_gives_nothing_and_says_so(flight):
    _, _, readings = flight
    lost = readings.detail[readings.detail.row == MOMENTS - 1 - 6]
    assert set(lost.status) == {"doubtful"} and lost.value.isna().all()
    assert all("panel was not found" in reason for reason in lost.reason)
    assert any("not found" in remark for remark in readings.remarks)


def test_a_covered_gauge_is_doubtful(flight):
    _, _, readings = flight
    covered = readings.detail[(readings.detail.row == MOMENTS - 1 - 5) & (readings.detail.column == "altitude")].iloc[0]
    assert covered.status == "doubtful" and math.isnan(covered.value) and covered.reason


def test_the_crop_box_holds_the_gauge(flight):
    _, paths, readings = flight
    value = readings.detail[(readings.detail.column == "altitude") & (readings.detail.status == "read")].iloc[0]
    left, top, right, bottom = value.crop
    assert 200 < right - left < 260 and 36 < bottom - top < 60
    assert cv2.imread(str(paths[value.row]))[top:bottom, left:right].size


def test_bad_pictures_stop_with_their_name(flight, tmp_path):
    panel, _, _ = flight
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(ImageError, match="text.png"):
        read_screenshots(panel, [tmp_path / "text.png"])
    with pytest.raises(InputError, match="no screenshots"):
        read_screenshots(panel, [])


def test_gauges_must_lie_on_the_reference(tmp_path):
    panel = write_panel(tmp_path)
    panel.write_text(panel.read_text().replace("[[500, 120]", "[[-500, 120]"))
    with pytest.raises(DescriptionError, match="outside the reference"):
        read_screenshots(panel, [tmp_path / "reference.png"])
