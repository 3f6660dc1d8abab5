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


def scales_board(dice: np.random.Generator, light: bool) -> tuple[np.ndarray, list, list]:
    """A board with a dial, an upright and a lying bar, plates and round lamps with words; what the scales are (degrees or pixels, and values), and the words."""
    from PIL import Image, ImageDraw, ImageFont

    fine = 2  # drawn so many times as large
    face, small = (ImageFont.truetype(str(fonts()[0]), size * fine) for size in (18, 14))
    board, ink, glass = ((206, 198, 180), (40, 34, 30), (240, 238, 226)) if light else ((50, 60, 74), (226, 230, 232), (14, 16, 20))
    image = Image.new("RGB", (1280 * fine, 720 * fine), board)
    pen = ImageDraw.Draw(image)

    def text(x: float, y: float, words: str, font=small, anchor: str = "la") -> None:
        pen.text((x * fine, y * fine), words, font=font, fill=ink, anchor=anchor)

    def box(*sides: float, **colours) -> None:
        pen.rectangle([side * fine for side in sides], **colours)

    def at(angle: float, part: float) -> tuple[float, float]:
        return 300 + 120 * part * np.sin(np.radians(angle)), 220 - 120 * part * np.cos(np.radians(angle))

    # the dial: six numbers over a random sweep
    sweep, top_value = float(dice.integers(110, 150)), float(dice.choice([10, 20, 50, 250]))
    pen.ellipse([174 * fine, 94 * fine, 426 * fine, 346 * fine], fill=(30, 30, 30))
    pen.ellipse([180 * fine, 100 * fine, 420 * fine, 340 * fine], fill=glass)
    for step in range(21):
        angle = -sweep + step * sweep / 10
        pen.line([(x * fine, y * fine) for x, y in (at(angle, 0.80 if step % 4 == 0 else 0.88), at(angle, 0.96))], fill=ink, width=(3 if step % 4 == 0 else 1) * fine)
        if step % 4 == 0:
            text(*at(angle, 0.66), f"{top_value * step / 20:g}", anchor="mm")
    text(300, 268, "SPEED", anchor="mm")
    text(300, 290, "m/s", anchor="mm")
    needle = -sweep + 0.3 * 2 * sweep
    pen.polygon([(x * fine, y * fine) for x, y in (at(needle, 0.8), at(needle + 90, 0.04), at(needle + 180, 0.2), at(needle - 90, 0.04))], fill=(220, 70, 40))
    # bars
    most = float(dice.choice([100, 400, 2500]))
    text(560, 60, "PROPELLANT kg", face)
    box(577, 97, 633, 403, fill=(25, 25, 25))
    box(580, 100, 630, 400, fill=glass)
    box(580, 400 - 300 * 0.62, 630, 400, fill=(70, 120, 190))
    for step in range(5):
        box(638, 399 - 75 * step, 645, 400 - 75 * step, fill=ink)
        text(650, 400 - 75 * step, f"{most * step / 4:g}", anchor="lm")
    text(800, 120, "THROTTLE", face)
    box(797, 147, 1203, 193, fill=(25, 25, 25))
    box(800, 150, 1200, 190, fill=glass)
    box(800, 150, 800 + 400 * 0.4, 190, fill=(210, 110, 50))
    for step in range(6):
        box(799 + 80 * step, 198, 800 + 80 * step, 205, fill=ink)
        text(800 + 80 * step, 208, f"{20 * step} %", anchor="ma")
    words = [str(word) for word in dice.permutation(["ENGINE", "GEAR DOWN", "CHUTE", "WARNING", "DOCKED", "CONTACT"])[:4]]
    for place, word in enumerate(words[:2]):
        box(798 + 200 * place, 298, 922 + 200 * place, 352, fill=(25, 25, 25))
        box(800 + 200 * place, 300, 920 + 200 * place, 350, fill=(150, 144, 130) if light else (40, 44, 48))
        text(860 + 200 * place, 325, word, anchor="mm")
    for place, word in enumerate(words[2:]):
        x = 860 + 200 * place
        pen.ellipse([(x - 25) * fine, 425 * fine, (x + 25) * fine, 475 * fine], fill=(25, 25, 25))
        pen.ellipse([(x - 22) * fine, 428 * fine, (x + 22) * fine, 472 * fine], fill=(110, 100, 90) if light else (40, 44, 48))
        text(x, 484, word, anchor="ma")
    big = np.asarray(image)[:, :, ::-1]
    scales = [("dial", (-sweep, 0.0), (sweep, top_value)), ("tape", (400.0, 0.0), (100.0, most)), ("tape", (800.0, 0.0), (1200.0, 100.0))]
    return cv2.resize(big, (1280, 720), interpolation=cv2.INTER_AREA), scales, words


@pytest.mark.parametrize("light", (False, True))
@pytest.mark.parametrize("seed", (1, 2))
def test_scales_of_dials_and_bars_and_the_words_of_lamps_are_proposed(seed, light):
    board, scales, words = scales_board(np.random.default_rng(seed), light)
    found = propose(board)
    gauges = {each.reads: each for each in found if each.kind in ("dial", "tape")}
    assert {(each.kind, each.reads, each.unit) for each in gauges.values()} == {("dial", "speed", "m/s"), ("tape", "propellant", "kg"), ("tape", "throttle", "%")}
    for each, (kind, low, high) in zip((gauges["speed"], gauges["propellant"], gauges["throttle"]), scales):
        places, values = (np.array(column) for column in zip(*each.scale))
        left, top, right, bottom = each.box
        if kind == "tape":  # pixels along it
            places = left + places * (right - left) if right - left > bottom - top else bottom - places * (bottom - top)
        line = np.polyfit(values, places, 1)
        assert len(each.scale) == 2
        for place, value in (low, high):
            assert abs(np.polyval(line, value) - place) < 2.0  # degrees, pixels
    assert {each.label for each in found if each.kind == "lamp"} == set(words)


def test_a_proposed_board_of_dials_bars_and_lamps_is_read(tmp_path):
    board, scales, words = scales_board(np.random.default_rng(3), False)
    cv2.imwrite(str(tmp_path / "shot.png"), board)
    write_proposal(tmp_path / "shot.png", tmp_path / "board")
    detail = read_screenshots(tmp_path / "board" / "panel.toml", [tmp_path / "shot.png"]).detail
    said = {value.column: value.value for value in detail.itertuples() if value.column != "note"}
    assert said["speed"] == pytest.approx(0.3 * scales[0][2][1], abs=0.01 * scales[0][2][1])
    assert said["propellant"] == pytest.approx(0.62 * scales[1][2][1], abs=0.015 * scales[1][2][1])
    assert said["throttle"] == pytest.approx(0.4, abs=0.015)
    notes = detail[detail["column"] == "note"]
    assert len(notes) == 4 and set(notes["status"]) == {"read"} and set(notes["raw"]) == {"not lit"}


def test_a_scale_that_is_not_straight_is_not_passed_off_as_known():
    """A number that the needle hides on such a scale is asked for; on a straight one it is not needed."""
    from analyser.ingest.proposals import Proposal
    from analyser.ingest.proposed_file import missing, to_toml
    from analyser.ingest.proposed_scales import fitted

    logarithmic = [(-120.0, [1.0], 1.0), (-40.0, [10.0], 1.0), (40.0, [100.0], 1.0), (120.0, [1000.0], 1.0)]
    scale, straight, _ = fitted(logarithmic)
    assert scale == tuple((place, values[0]) for place, values, _ in logarithmic) and not straight
    straight_marks = [(20.0 * step, [5.0 * step], 1.0) for step in range(6)]
    straight_marks[2] = (40.0, [80.0], 0.6)  # misread
    scale, straight, _ = fitted(straight_marks)
    assert straight and np.allclose(scale, ((0.0, 0.0), (100.0, 25.0)))
    assert fitted([(0.0, [5.0], 1.0), (50.0, [3.0], 1.0), (60.0, [9.0], 1.0), (70.0, [1.0], 1.0), (90.0, [7.0], 1.0), (99.0, [2.0], 1.0)])[0] == ()
    dial = Proposal("dial", (0, 0, 100, 100), "speed", unit="m/s", scale=((-120.0, 1.0), (40.0, 100.0), (120.0, 1000.0)), unread=(-40.0,))
    assert "-40 deg" in missing([dial])[0][0] and "\n[gauges" not in to_toml([dial])


def test_read_outs_without_a_frame_are_found_with_room_for_their_figures():
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("RGB", (1280, 720), (6, 10, 8))
    pen = ImageDraw.Draw(image)
    large = ImageFont.truetype(str(fonts()[1]), 34)
    for row, (label, text) in enumerate((("MET", "T+01:02:47"), ("ALT", "61.940 km"), ("V/S", "-12.5 m/s"), ("FUEL", "1744 kg"))):
        pen.text((60, 70 + 90 * row), label, font=large, fill=(70, 170, 100))
        pen.text((260, 70 + 90 * row), text, font=large, fill=(110, 240, 150))
    found = propose(np.asarray(image)[:, :, ::-1].copy())
    assert {each.reads for each in found} == {"met", "altitude", "vertical_speed", "propellant"}
    for each in found:
        assert each.kind == "readout" and each.box[0] < 258 and each.box[0] > 150


def test_names_below_their_gauges_are_not_taken_from_the_gauge_above():
    from analyser.ingest.proposed_print import Line, names_of

    windows = [(100, 100 + 115 * row, 430, 156 + 115 * row) for row in range(4)]
    below = [Line(word, (100, 170 + 115 * row, 240, 186 + 115 * row)) for row, word in enumerate(("Elapsed", "Height", "Speed", "Climb"))]
    assert names_of(windows, below, 1080) == ["Elapsed", "Height", "Speed", "Climb"]
    above = [Line(line.text, (100, line.box[1] - 94, 240, line.box[3] - 94)) for line in below]
    assert names_of(windows, above, 1080) == ["Elapsed", "Height", "Speed", "Climb"]


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
