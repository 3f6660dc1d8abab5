"""A panel file proposed from one screenshot: every gauge found, named from its label, and the file can be used."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "panels"))
from cockpits import SHOWN, Cockpit, moments  # noqa: E402

from analyser.errors import InputError  # noqa: E402
from analyser.ingest.panel import load_panel  # noqa: E402
from analyser.ingest.proposals import propose, write_proposal  # noqa: E402
from analyser.ingest.screenshots import read_screenshots  # noqa: E402


def fonts() -> list[Path]:
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return [folder / "DejaVuSans.ttf", folder / "DejaVuSansMono-Bold.ttf"]


def test_gauges_of_random_panels_are_found():
    hits = asked = extra = 0
    for seed in range(3):
        dice = np.random.default_rng(seed)
        cockpit = Cockpit(70 + seed, fonts())
        found = propose(cockpit.draw(moments(dice, 1, cockpit.high)[0]))
        near = {
            name
            for name, place in cockpit.places.items()
            if any(each.kind == SHOWN[name][1] and np.abs(np.subtract(each.box, place)).max() < 10 for each in found)
        }
        hits, asked, extra = hits + len(near), asked + len(cockpit.places), extra + len(found) - len(near)
    assert hits >= 0.9 * asked and extra <= 0.15 * asked


def test_the_proposed_file_reads_what_its_labels_say(tmp_path):
    """A board with plain labels; the proposal is then used as it is."""
    from PIL import Image, ImageDraw, ImageFont

    mono, sans = ImageFont.truetype(str(fonts()[1]), 32), ImageFont.truetype(str(fonts()[0]), 18)
    image = Image.new("RGB", (1280, 720), (70, 84, 74))
    pen = ImageDraw.Draw(image)
    dice = np.random.default_rng(2)
    for _ in range(40):
        x, y, w = *dice.integers([20, 420], [1200, 690]), dice.integers(6, 30)
        pen.ellipse([x, y, x + w, y + w], fill=tuple(int(v) for v in dice.integers(30, 160, 3)))
    shown = {"ALTITUDE": "61.94 km", "SPEED m/s": "992.5", "CLIMB m/s": "-12.5", "ELAPSED": "00:12:40"}
    for index, (label, text) in enumerate(shown.items()):
        x, y = 90 + 580 * (index % 2), 90 + 150 * (index // 2)
        pen.text((x, y - 30), label, font=sans, fill=(240, 240, 230))
        pen.rectangle([x, y, x + 260, y + 56], fill=(12, 16, 14), outline=(10, 10, 10))
        pen.text((x + 20, y + 8), text, font=mono, fill=(255, 190, 90))
    image.save(tmp_path / "shot.png")
    write_proposal(tmp_path / "shot.png", tmp_path / "board")
    panel = load_panel(tmp_path / "board" / "panel.toml")
    assert {gauge.column for gauge in panel.gauges.values()} == {"altitude", "speed", "vertical_speed", "met"}
    detail = read_screenshots(panel.path, [tmp_path / "shot.png"]).detail
    said = {value.column: value.value for value in detail.itertuples() if value.status == "read"}
    right = {"altitude": 61940.0, "speed": 992.5, "vertical_speed": -12.5, "met": 760.0}
    assert len(said) >= 3 and all(said[column] == pytest.approx(right[column]) for column in said)
    with pytest.raises(InputError, match="panel here already"):
        write_proposal(tmp_path / "shot.png", tmp_path / "board")


def drum_board(wheels: int, dice: np.random.Generator) -> np.ndarray:
    """A plain board with a labelled drum counter and a labelled read-out."""
    from drawn_drums import Look, draw_wheels, positions
    from PIL import Image, ImageDraw, ImageFont

    sans = ImageFont.truetype(str(fonts()[0]), 18)
    image = Image.new("RGB", (1280, 720), tuple(int(v) for v in dice.integers(60, 130, 3)))
    pen = ImageDraw.Draw(image)
    pen.text((100, 66), "PROPELLANT kg", font=sans, fill=(240, 240, 230))
    drawn = draw_wheels(positions(float(dice.uniform(0, 10**wheels)), wheels), Look(fonts()[1], paper=(228, 234, 236), ink=(25, 25, 30)), dice)
    high = 54
    small = Image.fromarray(cv2.resize(drawn, (round(drawn.shape[1] * high / drawn.shape[0]), high), interpolation=cv2.INTER_AREA))
    pen.rectangle([94, 94, 106 + small.width, 106 + high], fill=(20, 20, 20))
    image.paste(small, (100, 100))
    pen.text((700, 66), "SPEED m/s", font=sans, fill=(240, 240, 230))
    pen.rectangle([700, 96, 960, 152], fill=(12, 16, 14), outline=(10, 10, 10))
    pen.text((720, 104), "992.5", font=ImageFont.truetype(str(fonts()[1]), 32), fill=(255, 190, 90))
    return np.asarray(image)[:, :, ::-1].copy()


@pytest.mark.parametrize("wheels", (3, 4, 5, 6))
def test_a_drum_counter_is_proposed_with_its_wheels_counted(wheels):
    found = {each.reads: each for each in propose(drum_board(wheels, np.random.default_rng(wheels)))}
    assert found["propellant"].kind == "drum" and found["propellant"].wheels == wheels and found["propellant"].unit == "kg"
    assert found["speed"].kind == "readout" and found["speed"].wheels == 0


def test_a_balls_bezel_is_no_part_of_it():
    from drawn_balls import BY_30, ball, chart

    board = np.full((720, 1280, 3), (90, 100, 84), np.uint8)
    cv2.circle(board, (640, 360), 132, (45, 42, 40), -1, cv2.LINE_AA)
    one = ball(chart(BY_30, fonts()[0]), 0.1, 0.15, 0.3, 240)
    inside = np.hypot(*np.mgrid[-119.5:120, -119.5:120]) <= 120
    board[240:480, 520:760][inside] = one[inside]
    (only,) = [each for each in propose(board) if each.kind == "attitude"]
    assert np.abs(np.subtract(only.box, (520, 240, 760, 480))).max() <= 4


def test_a_picture_without_gauges_is_refused(tmp_path):
    cv2.imwrite(str(tmp_path / "plain.png"), np.full((720, 1280, 3), 90, np.uint8))
    with pytest.raises(InputError, match="by hand"):
        write_proposal(tmp_path / "plain.png", tmp_path / "board")
    assert not (tmp_path / "board").exists()
