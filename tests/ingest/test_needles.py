"""Dials with several needles, heavy counterweights, pointers on the rim and scales that are not straight; drawn, seen at an angle, noisy."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_dials import LOGARITHMIC, SIGHTS, THREE, TWO, Face, Hand, draw_dial, gauge_of, judge_dials, one_needle, random_look, round_marks, seen, three_needles, two_needles
from drawn_makes import judge_makes

from analyser.errors import DescriptionError
from analyser.ingest.dials import see_dials


@pytest.mark.parametrize(("kind", "level", "most", "least_read"), [
    ("one needle", "mild", 0.4, 0.97), ("one needle", "hard", 0.9, 0.9), ("two needles", "mild", 0.4, 0.9), ("two needles", "hard", 0.9, 0.75),
    ("three needles", "mild", 0.4, 0.9), ("three needles", "hard", 0.6, 0.7),
])  # fmt: skip
def test_needles_are_read_and_never_wrongly(tmp_path, kind, level, most, least_read):
    found = judge_dials(tmp_path, kind, level, 18, seed=7, flights=3)
    assert found["wrong"] == 0
    assert found["median"] < most and found["read"] >= least_read, found


@pytest.mark.parametrize(("count", "level", "most", "least_read"), [(2, "mild", 0.4, 0.9), (3, "mild", 0.4, 0.85), (3, "hard", 0.6, 0.6)])
def test_dials_of_any_make_are_read_and_never_wrongly(tmp_path, count, level, most, least_read):
    found = judge_makes(tmp_path, count, level, flights=4, each=5, seed=23, shapes=("ring", "leaf", "baton", "arrow"))
    assert not found["wrong"]
    assert found["median"] < most and found["read"] >= least_read * found["asked"], found


def altimeter(tmp_path, more=""):
    return gauge_of(tmp_path, f'kind = "dial"\nreads = "altitude"\nunit = "m"\n{TWO}\n{more}')


def test_the_value_is_that_of_both_needles_together(tmp_path):
    dice = np.random.default_rng(3)
    look = random_look(dice)
    values = [30.0, 1111.0, 4990.0, 5010.0, 9995.0]  # one over the other; just before and after the slow one's mark
    pictures = [seen(two_needles(value, dice, look), SIGHTS["mild"], dice) for value in values]
    for value, (look_at,) in zip(values, see_dials(altimeter(tmp_path), pictures, pictures[0])):
        if not look_at.reading.doubt:
            assert look_at.reading.best.value == pytest.approx(value, abs=6)
            assert 0.5 < look_at.reading.best.step / math.sqrt(12) < 4
    assert sum(not look_at.reading.doubt for (look_at,) in see_dials(altimeter(tmp_path), pictures, pictures[0])) >= 4


def test_needles_that_contradict_each_other_are_doubtful(tmp_path):
    face = Face(round_marks(50, 5))
    pictures = [seen(draw_dial(face, [(Hand(0.52, 0.16, 0.06), slow), (Hand(0.86, 0.24, 0.03), 90.0)]), SIGHTS["mild"], np.random.default_rng(1))
                for slow in (117.0, 135.0)]  # fmt: skip
    right, between = (looks[0].reading for looks in see_dials(altimeter(tmp_path), pictures, pictures[0]))
    assert not right.doubt and right.best.value == pytest.approx(3250, abs=6)
    assert between.doubt
    alone = draw_dial(face, [(Hand(0.86, 0.24, 0.03), 90.0)])
    assert see_dials(altimeter(tmp_path), [alone], alone)[0][0].reading.doubt


def test_two_needles_of_two_quantities(tmp_path):
    gauge = gauge_of(tmp_path, """kind = "dial"
reads = ["speed", "vertical_speed"]
needles = [{ reads = "speed", unit = "m/s", length = 0.5, scale = [[-135, 0], [135, 3000]], colour = "orange" },
           { reads = "vertical_speed", unit = "m/s", length = 0.86, scale = [[-135, -100], [135, 100]], colour = "#f0f0f0" }]""")  # fmt: skip
    pictures, truths = [], []
    dice = np.random.default_rng(8)
    for _ in range(6):
        speed, rise = dice.uniform(100, 2900), dice.uniform(-95, 95)
        hands = [(Hand(0.5, 0.15, 0.05, (32, 128, 240)), -135 + speed * 0.09), (Hand(0.86, 0.2, 0.03, (240, 240, 240)), rise * 1.35)]
        pictures.append(seen(draw_dial(Face(round_marks(20, 5)), hands), SIGHTS["mild"], dice))
        truths.append((speed, rise))
    right = 0
    for (speed, rise), (one, two) in zip(truths, see_dials(gauge, pictures, pictures[0])):
        assert one.reading.doubt or one.reading.best.value == pytest.approx(speed, abs=25)
        assert two.reading.doubt or two.reading.best.value == pytest.approx(rise, abs=2)
        right += (not one.reading.doubt) + (not two.reading.doubt)
    assert right >= 9


def test_a_smooth_scale_is_no_straight_line_between_its_marks(tmp_path):
    lines = f'kind = "dial"\nreads = "speed"\nunit = "m/s"\nscale = {LOGARITHMIC}\n'
    dice = np.random.default_rng(5)
    look = random_look(dice)
    degrees = [-100.0, -20.0, 60.0, 110.0]
    truth = [10 ** ((each + 130) / 260 * 3) for each in degrees]
    pictures = [seen(one_needle(each, dice, look), SIGHTS["mild"], dice) for each in degrees]
    errors = {}
    for curve in ("straight", "smooth"):
        readings = [looks[0].reading for looks in see_dials(gauge_of(tmp_path, lines + f'curve = "{curve}"'), pictures, pictures[0])]
        errors[curve] = [abs(math.log(reading.best.value / value)) for reading, value in zip(readings, truth)]
    assert max(errors["smooth"]) < 0.35 and np.mean(errors["smooth"]) < 0.5 * np.mean(errors["straight"])


def test_a_hub_off_the_middle_and_a_needle_known_by_its_colour(tmp_path):
    dice = np.random.default_rng(6)
    marks = tuple((-60 + 12 * k, "") for k in range(11))
    picture = draw_dial(Face(marks), [(Hand(0.8, 0.05, 0.03, (240, 240, 240)), 25.0), (Hand(0.75, 0.05, 0.04, (40, 60, 220)), -40.0)])
    moved = cv2.warpAffine(picture, np.array([[1.0, 0, 0], [0, 1, 120]]), picture.shape[1::-1], borderValue=(90, 80, 70))
    lines = 'kind = "dial"\nreads = "speed"\nunit = "m/s"\nscale = [[-60, -60], [60, 60]]\ncentre = [50, 68.75]\n'
    crop = seen(moved, SIGHTS["mild"], dice)
    for colour, value in (("#dc3c28", -40), ("white", 25)):
        reading = see_dials(gauge_of(tmp_path, lines + f'needle = "{colour}"'), [crop], crop)[0][0].reading
        assert not reading.doubt and reading.best.value == pytest.approx(value, abs=1.5)


@pytest.mark.parametrize(("lines", "words"), [
    ("needles = []", "each needle as"), ("needles = [{ length = 0.5 }]", "either per_turn or a scale"),
    ('needles = [{ length = 7, per_turn = "1 km" }]', "between 0.3 and 1"), ('needles = [{ lenght = 0.5, per_turn = "1 km" }]', "nearest is 'length'"),
    ('needles = [{ length = 0.5, per_turn = "1 kg" }]', "kg"), ('needles = [{ length = 0.5, per_turn = "1 km", colour = "wine" }]', "colour"),
    (TWO + "\nscale = [[0, 0], [90, 10]]", "its own scale"), ('scale = [[0, 0], [90, 10]]\ncentre = [900, 900]', "outside its corners"),
    ('scale = [[0, 0], [90, 10]]\ncurve = "bent"', "straight, smooth"), (THREE.replace("0.6,", "0.6, reads = 'speed',"), "not among what the dial reads"),
])  # fmt: skip
def test_wrong_needles_are_told(tmp_path, lines, words):
    with pytest.raises(DescriptionError, match=words):
        gauge_of(tmp_path, f'kind = "dial"\nreads = "altitude"\nunit = "m"\n{lines}')


def three(tmp_path):
    return gauge_of(tmp_path, f'kind = "dial"\nreads = "altitude"\nunit = "m"\n{THREE}')


def test_a_needle_under_another_is_told_by_the_others_or_doubtful(tmp_path):
    dice = np.random.default_rng(3)
    look = ((35, 30, 30), (210, 215, 210), (40, 60, 220))
    over = [44_605.0, 88_938.0, 22_222.0, 11_111.0, 55_556.0, 77_790.0]  # two or three needles within a few degrees of each other
    crops = [seen(three_needles(value, dice, look), SIGHTS["mild"], dice) for value in over]
    reference = seen(three_needles(31_000.0, dice, look), SIGHTS["mild"], dice)
    readings = [looks[0].reading for looks in see_dials(three(tmp_path), crops, reference)]
    assert all(reading.doubt or abs(reading.best.value - value) < 20 for reading, value in zip(readings, over))
    assert sum(not reading.doubt for reading in readings) >= 4


def test_a_picture_on_its_own_is_read_by_what_the_reference_picture_teaches(tmp_path):
    dice = np.random.default_rng(4)
    look = ((35, 30, 30), (210, 215, 210), (40, 60, 220))
    reference = seen(three_needles(31_000.0, dice, look), SIGHTS["mild"], dice)
    for value in (7_350.0, 64_180.0, 95_520.0):
        (look_at,), = see_dials(three(tmp_path), [seen(three_needles(value, dice, look), SIGHTS["mild"], dice)], reference)
        assert not look_at.reading.doubt and look_at.reading.best.value == pytest.approx(value, abs=6)


def test_a_missing_needle_or_a_blank_dial_is_doubtful(tmp_path):
    dice = np.random.default_rng(5)
    look = ((35, 30, 30), (210, 215, 210), (40, 60, 220))
    reference = seen(three_needles(33_400.0, dice, look), SIGHTS["mild"], dice)
    face = Face(round_marks(50, 5), *look[:2])
    slow, middle, fast = ((Hand(0.38, 0.12, 0.06, look[2]), 72.0), (Hand(0.6, 0.16, 0.05, look[2]), 54.0), (Hand(0.88, 0.24, 0.025, look[2]), 135.0))
    for hands in ([middle, fast], [slow, fast], [slow, middle], [fast], []):
        crop = seen(draw_dial(face, hands), SIGHTS["mild"], dice)
        assert see_dials(three(tmp_path), [crop], reference)[0][0].reading.doubt, hands
    blank = np.full_like(reference, 40)
    assert "reference picture" in see_dials(three(tmp_path), [reference], blank)[0][0].reading.doubt
