"""Drum counters, drawn here with fonts that the sheet of digits was not made from, read between digits."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import pytest
from drawn_drums import Look, draw_wheels, photographed, positions, random_value

from analyser.errors import DescriptionError
from analyser.ingest.drum_models import Make, all_places
from analyser.ingest.drum_network import BINS, likely_at, looks_of
from analyser.ingest.drums import see_drums
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.panel import Gauge, load_panel

FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
LOOKS = {
    "light on dark, serif": Look(FONTS / "STIXGeneralBol.ttf", slack=0.015),
    "dark on light, rolling down": Look(FONTS / "cmss10.ttf", tall=0.65, paper=(225, 220, 210), ink=(40, 35, 30), roll=-1, slack=0.015),
    "typewriter, a window taller than a digit": Look(FONTS / "cmtt10.ttf", window=1.2, slack=0.015),
}


def counter(digits: int, **options) -> Gauge:
    return Gauge("under test", "drum", ("altitude",), ((0, 0), (100, 0), (100, 30), (0, 30)), options={"digits": digits, **options})


def looked(values: list[float], digits: int, look: Look, level: str = "mild", seed: int = 1) -> list:
    dice = np.random.default_rng(seed)
    reference, *crops = [photographed(draw_wheels(positions(value, digits), look, dice), digits, level, dice) for value in (57321.0 % 10**digits, *values)]
    return [seen.reading for (seen,) in see_drums(counter(digits), crops, reference)]


@pytest.mark.parametrize("name", LOOKS)
def test_the_last_wheel_is_read_between_digits_and_carries_to_the_others(name):
    dice = np.random.default_rng(7)
    values = [12345.4, 129.75, 39999.5, 99999.3, 60009.0, *(random_value(5, dice) for _ in range(7))]
    pulls, errors, doubtful = [], [], 0
    for value, reading in zip(values, looked(values, 5, LOOKS[name], "hard")):
        if reading.doubt:
            doubtful += 1
            continue
        error = (reading.best.value - value + 5e4) % 1e5 - 5e4
        errors.append(abs(error))
        pulls.append(error / (reading.best.step * UNIFORM))
    assert doubtful <= 5
    assert max(errors) < 0.25 and np.median(errors) < 0.06
    assert np.sqrt(np.mean(np.square(pulls))) < 2


def test_wheels_that_contradict_each_other_are_doubtful():
    dice = np.random.default_rng(3)
    look = LOOKS["light on dark, serif"]
    reference = photographed(draw_wheels(positions(57321.0, 5), look, dice), 5, "mild", dice)
    wrong = photographed(draw_wheels([4.0, 7.5, 2.0, 6.0, 3.2], look, dice), 5, "mild", dice)  # the second moves, none after it passes 9
    right = photographed(draw_wheels([4.0, 7.0, 2.0, 6.0, 3.2], look, dice), 5, "mild", dice)
    first, second = (seen.reading for (seen,) in see_drums(counter(5), [wrong, right], reference))
    assert first.doubt
    assert not second.doubt and second.best.value == pytest.approx(47263.2, abs=0.2)


def test_a_counter_without_digits_or_partly_covered_is_doubtful():
    dice = np.random.default_rng(5)
    look = LOOKS["light on dark, serif"]
    reference = photographed(draw_wheels(positions(57321.0, 5), look, dice), 5, "mild", dice)
    covered = photographed(draw_wheels(positions(13579.3, 5), look, dice), 5, "mild", dice)
    covered[:, 62:88] = 120
    blank = np.full_like(covered, 90) + dice.integers(0, 6, covered.shape).astype(np.uint8)
    assert all(seen.reading.doubt for (seen,) in see_drums(counter(5), [covered, blank], reference))


def test_the_last_wheel_may_be_worth_more_or_less_than_a_unit():
    dice = np.random.default_rng(6)
    look = LOOKS["light on dark, serif"]
    reference, crop = (photographed(draw_wheels(positions(value, 4), look, dice), 4, "mild", dice) for value in (5321.0, 1234.5))
    ((seen,),) = see_drums(counter(4, last=100.0), [crop], reference)
    assert seen.reading.best.value == pytest.approx(123450.0, abs=12) and seen.reading.best.step * UNIFORM < 15


@pytest.mark.parametrize("name", LOOKS)
def test_the_network_alone_tells_most_digits_that_stand(name):
    dice = np.random.default_rng(8)
    crop = photographed(draw_wheels([float(digit) for digit in range(10)], LOOKS[name], dice), 10, "mild", dice)
    chances = np.exp(looks_of(crop, 10)).reshape(10, 10, BINS).sum(axis=2)
    assert np.allclose(chances.sum(axis=1), 1, atol=1e-5)
    assert (chances.argmax(axis=1) == np.arange(10)).sum() >= 9


@pytest.mark.parametrize(("roll", "low", "place"), [(1, 0.0, 3.25), (-1, 0.0, 2.75), (1, 0.1, 3.35), (-1, 0.1, 2.65)])
def test_where_a_digit_lies_in_the_window_tells_the_place_by_the_side_from_which_the_next_one_comes(roll, low, place):
    looks = np.full((1, 10 * BINS), -40.0)
    looks[0, 3 * BINS + 2] = 0.0  # a 3 whose middle lies a quarter of a step above the window's
    likely = likely_at(looks, Make(0, 0.7, 0.8, 1.0, roll, low), all_places())[0]
    assert all_places()[likely.argmax()] == pytest.approx(place)


def test_a_digit_half_way_out_may_be_named_by_itself_or_by_the_one_that_follows():
    looks = np.full((1, 10 * BINS), -40.0)
    looks[0, [3 * BINS, 4 * BINS + BINS - 1]] = np.log(0.5)  # a 3 as high as can be, a 4 as low
    likely = likely_at(looks, Make(0, 0.7, 0.8), all_places())[0]
    assert all_places()[likely.argmax()] == pytest.approx(3.5, abs=0.06)
    assert likely.max() > 1.2 * np.log(0.45)


def test_positions_carry_only_while_the_wheel_after_passes_from_9_to_0():
    assert positions(129.75, 3) == pytest.approx([1, 2.75, 9.75])
    assert positions(899.5, 3) == pytest.approx([8.5, 9.5, 9.5])
    assert positions(892.5, 3) == pytest.approx([8, 9, 2.5])


PANEL = """reference = "reference.png"
[gauges.counter]
kind = "drum"
reads = "altitude"
unit = "km"
corners = [[0, 0], [100, 0], [100, 30], [0, 30]]
"""


def test_panel_keys_of_a_drum(tmp_path):
    path = tmp_path / "panel.toml"
    path.write_text(PANEL + 'digits = 4\nlast = "100 m"\n')
    gauge = load_panel(path).gauges["counter"]
    assert gauge.kind == "drum" and gauge.options["digits"] == 4 and gauge.options["last"] == 100
    path.write_text(PANEL + "digits = 4\n")
    assert load_panel(path).gauges["counter"].options["last"] == 1000
    for lines, key in (("", "digits"), ("digits = 0", "digits"), ("digits = true", "digits"), ('digits = 3\nlast = "0 m"', "last"), ('digits = 3\nlast = "2 s"', "last")):
        path.write_text(PANEL + lines + "\n")
        with pytest.raises(DescriptionError, match=key):
            load_panel(path)
    path.write_text(PANEL.replace("altitude", "met").replace('unit = "km"\n', "") + "digits = 4\n")
    with pytest.raises(DescriptionError, match="clock"):
        load_panel(path)
