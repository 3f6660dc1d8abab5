"""Dials, balls, bars and lamps, drawn here with known values."""

from __future__ import annotations

import math

from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from drawn_balls import BY_30, chart
from drawn_balls import ball as marked_ball

from analyser.errors import DescriptionError
from analyser.ingest.attitude import see_attitude
from analyser.ingest.ball_heading import read_heading
from analyser.ingest.dials import needle_angle, see_dials
from analyser.ingest.lamps import see_lamps
from analyser.ingest.panel import Gauge, load_panel
from analyser.ingest.tapes import see_tapes

SIDE = 160
SQUARE = ((0.0, 0.0), (SIDE, 0.0), (SIDE, SIDE), (0.0, SIDE))


def dial(degrees: float, dark: bool = False, tail: float = 0.25, needle: bool = True) -> np.ndarray:
    """A dial with ticks and figures, drawn four times as large."""
    scale, face, ink = 4, (35, 30, 30) if dark else (200, 220, 225), (210, 215, 210) if dark else (30, 30, 35)
    size, middle, radius = SIDE * scale, SIDE * scale / 2, SIDE * scale / 2 * 0.98
    picture = np.full((size, size, 3), (90, 80, 70), np.uint8)
    cv2.circle(picture, (int(middle), int(middle)), int(radius), face, -1, cv2.LINE_AA)

    def at(angle: float, part: float) -> tuple[int, int]:
        return round(middle + math.sin(math.radians(angle)) * radius * part), round(middle - math.cos(math.radians(angle)) * radius * part)

    for tick in range(-135, 136, 27):
        cv2.line(picture, at(tick, 0.8), at(tick, 0.94), ink, 8, cv2.LINE_AA)
        x, y = at(tick, 0.62)
        cv2.putText(picture, str(abs(tick) // 27), (x - 18, y + 18), cv2.FONT_HERSHEY_SIMPLEX, 1.3, ink, 4, cv2.LINE_AA)
    cv2.circle(picture, at(60, 0.9), 18, (40, 40, 220), -1, cv2.LINE_AA)  # a pointer on the rim that is not the needle
    if needle:
        colour = (40, 60, 220)
        cv2.fillPoly(picture, [np.array([at(degrees, 0.85), at(degrees + 90, 0.035), at(degrees + 180, tail), at(degrees - 90, 0.035)])], colour, cv2.LINE_AA)
        cv2.circle(picture, (int(middle), int(middle)), 30, ink, -1, cv2.LINE_AA)
    small = cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(int(degrees * 10) % 1000).normal(0, 3, small.shape)
    return np.clip(small + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("dark", [False, True])
def test_one_look_at_a_needle_is_right_to_half_a_degree_but_beside_figures(dark):
    errors = []
    for degrees in np.arange(-131.3, 134, 13.7):
        angle, doubt = needle_angle(dial(degrees, dark))
        assert not doubt, (degrees, doubt)
        errors.append(abs((math.degrees(angle) - degrees + 180) % 360 - 180))
    assert np.median(errors) < 0.5 and np.percentile(errors, 85) < 1.0 and max(errors) < 4.0


def gauge(kind: str, reads: tuple[str, ...], **more) -> Gauge:
    return Gauge("under test", kind, reads, SQUARE, **more)


def test_a_second_look_takes_the_face_away():
    degrees = np.array([-120.0, -54.0, -27.0, 0.0, 27.0, 81.0, 108.0])  # several right on a figure
    climb = gauge("dial", ("vertical_speed",), scale=((math.radians(-135), -200.0), (0.0, 0.0), (math.radians(135), 100.0)))
    readings = [looks[0].reading for looks in see_dials(climb, [dial(each) for each in degrees], dial(45.0))]
    wanted = np.interp(degrees, [-135, 0, 135], [-200, 0, 100])
    slopes = np.where(degrees < 0, 200 / 135, 100 / 135)
    errors = [abs(reading.best.value - value) / slope for reading, value, slope in zip(readings, wanted, slopes)]
    assert all(not reading.doubt for reading in readings)
    assert max(errors) < 1.0


def test_a_dial_without_needle_or_off_its_scale_is_doubtful():
    climb = gauge("dial", ("vertical_speed",), scale=((math.radians(-135), -200.0), (math.radians(135), 100.0)))
    blank, off = (looks[0].reading for looks in see_dials(climb, [dial(0, needle=False), dial(180.0)], dial(45.0)))
    assert blank.doubt
    assert "off the scale" in off.doubt


def ball(pitch: float, roll: float, light: float = 1.0) -> np.ndarray:
    grid = (np.arange(SIDE) + 0.5) / SIDE * 2 - 1
    x, y = np.meshgrid(grid, -grid)
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
    height = (-x * math.sin(roll) + y * math.cos(roll)) * math.cos(pitch) + z * math.sin(pitch)
    picture = np.where((height >= 0)[..., None], (220, 170, 90), (40, 80, 130)) * (0.75 + 0.25 * z)[..., None]
    picture[x**2 + y**2 > 1] = 60
    picture[np.abs(y) < 0.02] = (0, 200, 250)  # a fixed mark across
    return np.clip(cv2.GaussianBlur(picture * light, (0, 0), 0.8), 0, 255).astype(np.uint8)


def test_ball_pitch_and_roll():
    dice = np.random.default_rng(4)
    truths = [(p, r) for p, r in zip(dice.uniform(-0.8, 0.8, 25), dice.uniform(-3, 3, 25))]
    looks = see_attitude(gauge("attitude", ("pitch", "roll")), [ball(p, r, dice.uniform(0.4, 1.0)) for p, r in truths], ball(0.1, 0.0))
    errors = []
    for (pitch, roll), (one, two) in zip(truths, looks):
        assert not one.reading.doubt
        errors.append((abs(one.reading.best.value - pitch), abs((two.reading.best.value - roll + math.pi) % (2 * math.pi) - math.pi)))
    assert np.degrees(np.median(errors, axis=0)).max() < 1.0 and np.degrees(np.max(errors)) < 4


def test_a_ball_all_of_one_colour_is_doubtful():
    looks = see_attitude(gauge("attitude", ("pitch", "roll")), [np.full((SIDE, SIDE, 3), 120, np.uint8)], ball(0.1, 0.0))
    assert all(look.reading.doubt for look in looks[0])


FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
WHOLE_BALL = ("pitch", "roll", "heading")


@pytest.mark.parametrize("steep", [-75, -63, -50, -30, 30, 50, 56, 63, 75])
def test_a_reference_picture_that_shows_little_of_one_half_gives_the_right_halves_or_none(steep):
    """The two halves are never taken for each other: right, or doubtful with a word on the picture."""
    for lean in (-50, -10, 20):
        looks = see_attitude(gauge("attitude", ("pitch", "roll")), [ball(0.3, 0.4), ball(-0.5, -0.2)], ball(math.radians(steep), math.radians(lean)))
        for (pitch, roll), truth in zip(looks, ((0.3, 0.4), (-0.5, -0.2))):
            if pitch.reading.doubt:
                assert abs(steep) > 45 and "reference picture" in pitch.reading.doubt
            else:
                assert abs(pitch.reading.best.value - truth[0]) < 0.05 and abs(roll.reading.best.value - truth[1]) < 0.05


@pytest.mark.parametrize("most", (30, 60, 100))
@pytest.mark.parametrize("turned", (0, 1, 2))
def test_a_ball_all_of_one_colour_in_glare_is_doubtful(most, turned):
    store = gauge("attitude", ("pitch", "roll"))
    sky = lit_from_below(np.rot90(ball(math.radians(89), 0.0), turned), most)
    (pitch, roll), (known, _) = see_attitude(store, [np.ascontiguousarray(sky), lit_from_below(ball(0.3, 0.2), most)], ball(0.1, 0.0))
    assert pitch.reading.doubt and roll.reading.doubt
    assert not known.reading.doubt and known.reading.best.value == pytest.approx(0.3, abs=0.04)  # the same light on a ball with its horizon


def test_heading_from_the_marks_along_the_horizon():
    paper = chart(BY_30, FONTS / "cmss10.ttf", 8.0, 5.0)
    dice = np.random.default_rng(12)
    truths = list(zip(dice.uniform(-0.5, 0.5, 8), dice.uniform(-1.2, 1.2, 8), dice.uniform(0, 2 * math.pi, 8)))
    crops = [marked_ball(paper, *truth, light=dice.uniform(0.6, 1.0), dice=dice) for truth in truths]
    looks = see_attitude(gauge("attitude", WHOLE_BALL, options={"headings": BY_30}), crops, marked_ball(paper, 0.1, 0.0, 0.3))
    errors = []
    for (_, _, heading), (_, _, look) in zip(truths, looks):
        if not look.reading.doubt:
            errors.append(abs(math.degrees((look.reading.best.value - heading + math.pi) % (2 * math.pi) - math.pi)))
        else:
            assert look.reading.best is None
    assert len(errors) >= 6
    assert np.median(errors) < 1.5 and max(errors) < 4


def test_heading_is_missing_with_a_reason_where_its_marks_cannot_be_read():
    bare, marked = chart(("",) * 12, FONTS / "cmss10.ttf"), chart(BY_30, FONTS / "cmss10.ttf", 8.0, 5.0)
    reference = marked_ball(marked, 0.1, 0.0, 0.3)
    asked = gauge("attitude", WHOLE_BALL, options={"headings": BY_30})
    blurred = cv2.GaussianBlur(marked_ball(marked, 0.1, 0.2, 1.0), (0, 0), 6)
    looks = see_attitude(asked, [marked_ball(bare, 0.1, 0.2, 1.0), blurred], reference)
    assert all(look[2].reading.best is None and look[2].reading.doubt for look in looks)
    assert "cannot be read" in looks[0][2].reading.doubt
    steep = cv2.cvtColor(marked_ball(marked, 1.05, 0.2, 1.0), cv2.COLOR_BGR2GRAY)
    assert "rim" in read_heading(steep, 1.05, 0.2, BY_30).trouble
    (untold,) = see_attitude(gauge("attitude", WHOLE_BALL), [reference], reference)
    assert untold[2].reading.best is None and "headings" in untold[2].reading.doubt
    assert not untold[0].reading.doubt


def test_a_bar_that_fills_from_the_bottom():
    def bar(share: float) -> np.ndarray:
        picture = np.full((200, 30, 3), (40, 35, 30), np.uint8)
        picture[200 - round(200 * share) :] = (60, 200, 240)
        return cv2.GaussianBlur(picture, (0, 0), 1.0)

    store = gauge("tape", ("propellant",), scale=((0.0, 0.0), (1.0, 800.0)))
    shares = [0.1, 0.33, 0.5, 0.875]
    for share, looks in zip(shares, see_tapes(store, [bar(share) for share in shares], bar(0.6))):
        assert not looks[0].reading.doubt
        assert looks[0].reading.best.value == pytest.approx(800 * share, abs=8)
    full, empty = (looks[0].reading for looks in see_tapes(store, [bar(1.0), bar(0.0)], bar(0.6)))
    assert full.best.value == 800 and empty.best.value == 0


def lit_from_below(picture: np.ndarray, most: float) -> np.ndarray:
    """The picture with glare that grows little by little towards its lower end."""
    return np.clip(picture + (np.linspace(0, 1, len(picture)) ** 2 * most)[:, None, None], 0, 255).astype(np.uint8)


@pytest.mark.parametrize("most", (20, 40, 60, 90))
def test_glare_on_an_empty_or_full_bar_is_no_level(most):
    empty, half, full = (np.full((200, 30, 3), (24, 22, 20), np.uint8) for _ in range(3))
    half[100:] = full[:] = (110, 220, 120)
    store = gauge("tape", ("propellant",), scale=((0.0, 0.0), (1.0, 800.0)))
    seen = see_tapes(store, [lit_from_below(each, most) for each in (empty, half, full)], half)
    for (look,), value in zip(seen, (0, 400, 800)):
        assert look.reading.doubt or look.reading.best.value == pytest.approx(value, abs=8)
    assert not seen[1][0].reading.doubt  # a true level is seen also in glare


def test_a_pointer_that_slides():
    def strip(share: float) -> np.ndarray:
        picture = np.full((30, 300, 3), (200, 205, 200), np.uint8)
        cv2.line(picture, (round(300 * share), 0), (round(300 * share), 30), (30, 30, 200), 5)
        return picture

    trim = gauge("tape", ("pitch",), scale=((0.0, -1.0), (1.0, 1.0)), options={"shows": "mark"})
    for share, looks in zip((0.2, 0.71), see_tapes(trim, [strip(0.2), strip(0.71)], strip(0.5))):
        assert looks[0].reading.best.value == pytest.approx(2 * share - 1, abs=0.02)
    two = strip(0.2)
    two[:, 220:226] = (30, 30, 200)
    assert see_tapes(trim, [two], strip(0.5))[0][0].reading.doubt


def test_lamps_are_told_from_the_reference_also_in_the_dark():
    def lamp(lit: bool, light: float) -> np.ndarray:
        picture = np.full((60, 60, 3), 90, np.uint8)
        cv2.circle(picture, (30, 30), 16, (60, 220, 250) if lit else (30, 60, 70), -1)
        return (picture * light).astype(np.uint8)

    braking = gauge("lamp", ("event",), options={"on": "braking"})
    looks = see_lamps(braking, [lamp(True, 1.0), lamp(False, 1.0), lamp(False, 0.8), lamp(True, 0.8)], lamp(False, 1.0))
    assert [look[0].reading.best.text if look[0].reading.best else "" for look in looks] == ["braking", "", "", "braking"]


def test_panel_key_of_the_marks_on_a_ball(tmp_path):
    path = tmp_path / "panel.toml"
    text = 'reference = "r.png"\n[gauges.ball]\nkind = "attitude"\nreads = ["pitch", "roll", "heading"]\ncorners = [[0, 0], [90, 0], [90, 90], [0, 90]]\n'
    path.write_text(text + 'headings = ["N", "", "E", "", "S", "", "W", ""]\n')
    assert load_panel(path).gauges["ball"].options["headings"] == ("N", "", "E", "", "S", "", "W", "")
    for wrong in ('"N"', '["N", "E"]', '["N", "E", "N", "W"]', '["N", "E", "S", 27]', '["N", "E", "S", "west"]', '["", "", "", ""]'):
        path.write_text(text + f"headings = {wrong}\n")
        with pytest.raises(DescriptionError, match="headings"):
            load_panel(path)


LAMPS = {"amber": (40, 170, 250), "green": (70, 220, 60), "red": (50, 50, 235), "blue": (240, 150, 60), "white": (235, 235, 235)}


def round_lamp(colour: str, lit: bool, light: float, dice: np.random.Generator, glare: float = 0.0) -> np.ndarray:
    """A lamp on a panel in this light; one that is lit shines by itself, glare lies somewhere about."""
    own = np.array(LAMPS[colour], float)
    picture = np.full((60, 60, 3), (90, 88, 86), np.float32) * light
    cv2.circle(picture, (30, 30), 16, tuple(own * max(light, 0.6) if lit else (own * 0.22 + 8) * light), -1)
    y, x = np.mgrid[:60, :60]
    across, down = dice.uniform(0, 60, 2)
    picture += glare * np.exp(-(((x - across) / 30) ** 2 + ((y - down) / 20) ** 2))[..., None]
    picture = cv2.GaussianBlur(picture, (0, 0), 0.9) + dice.normal(0, 5, picture.shape)
    return cv2.imdecode(cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 60])[1], cv2.IMREAD_COLOR)


@pytest.mark.parametrize("colour", LAMPS)
@pytest.mark.parametrize(("light", "glare", "doubtful"), [((0.8, 1.1), 0, 0), ((0.4, 0.6), 0, 0), ((0.12, 0.3), 0, 0), ((0.7, 1.0), 120, 16)])
def test_a_lamp_is_told_dim_dark_and_under_glare_or_is_doubtful(colour, light, glare, doubtful):
    dice = np.random.default_rng(8)
    lit = [True, False] * 10
    crops = [round_lamp(colour, each, dice.uniform(*light), dice, dice.uniform(0.4, 1) * glare) for each in lit]
    looks = see_lamps(gauge("lamp", ("event",), options={"on": "braking"}), crops, round_lamp(colour, False, 1.0, dice))
    told = [(each, look[0].reading) for each, look in zip(lit, looks) if not look[0].reading.doubt]
    assert all((reading.best is not None) == each for each, reading in told)
    assert len(told) >= len(lit) - doubtful
    assert all(reading.raw == f"lit, {colour}" for each, reading in told if each and not glare)


def test_a_lamp_that_cannot_be_seen_is_doubtful():
    dice = np.random.default_rng(9)
    reference = round_lamp("amber", False, 1.0, dice)
    white, black = np.full_like(reference, 250), np.zeros_like(reference)
    looks = see_lamps(gauge("lamp", ("event",)), [white, black], reference)
    assert [bool(look[0].reading.doubt) for look in looks] == [True, True]
