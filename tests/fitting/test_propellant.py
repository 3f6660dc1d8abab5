"""The propellant gauge sorted out: slips, stages, what was spent."""

from __future__ import annotations

import math

import pytest
from tables import table

from analyser.fitting.propellant import propellant_history
from analyser.flight import Craft, Stage

ONE = Craft("one", (Stage("only", 2900.0, 9400.0, 58e3, 318.0),))
TWO = Craft("two", (Stage("booster", 4100.0, 30000.0, 640e3, 275.0), Stage("lander", 2900.0, 9400.0, 58e3, 318.0)))


def history(folder, cells, craft=ONE, column="propellant [kg]", extra=""):
    header = f"met, {column}{', ' + extra if extra else ''}"
    return propellant_history(table(folder, header + "\n" + "\n".join(f"{10 * k}, {cell}" for k, cell in enumerate(cells))), craft)


@pytest.mark.parametrize(("cells", "wrong"), [
    (["1744", "174.4", "1744", "1600"], (1,)),  # a lost decimal point
    (["1744", "1744", "1474", "1744", "1744"], (2,)),  # swapped digits
    (["1744", "", "17440", "1744"], (2,)),  # more than the stage holds
    (["1744", "1700", "1650", "1650"], ()),
])  # fmt: skip
def test_readings_that_propellant_can_not_have_are_set_aside(tmp_path, cells, wrong):
    assert history(tmp_path, cells).set_aside == wrong


def test_spent_is_the_rocket_equation(tmp_path):
    found = history(tmp_path, ["9400", "", "6122"]).spent(0, 2)
    assert found.propellant == pytest.approx(3278.0)
    assert found.delta_v == pytest.approx(318.0 * 9.80665 * math.log(12300.0 / 9022.0))
    assert found.mass_before == 12300.0 and found.mass_after == 9022.0
    # two whole kilograms, each rounded: sigma 1 / sqrt(12) each
    assert found.propellant_sigma == pytest.approx(math.sqrt(2 / 12))


def test_a_rise_that_lasts_is_the_next_stage(tmp_path):
    found = history(tmp_path, ["20000", "5000", "9400", "9400", "9000"], TWO)
    assert found.stage.tolist() == [0, 0, 1, 1, 1]
    assert found.stagings == ((1, 2, 0, 1),)
    through = found.spent(1, 4)
    # the booster is taken to have been burnt dry, the lander starts full
    assert through.propellant == pytest.approx(5000.0 + 400.0)
    alone = 275 * 9.80665 * math.log((4100 + 5000 + 12300) / (4100 + 12300)) + 318 * 9.80665 * math.log(12300 / 11900)
    assert through.delta_v == pytest.approx(alone)


def test_percent_of_the_load(tmp_path):
    assert history(tmp_path, ["50", "25"], column="propellant [%]").propellant.tolist() == pytest.approx([4700.0, 2350.0])


def test_without_a_craft_the_speed_is_unknown_and_says_why(tmp_path):
    found = history(tmp_path, ["900", "800"], None).spent(0, 1)
    assert found.propellant == 100.0 and math.isnan(found.delta_v) and "craft" in found.reason


def test_stayed_needs_a_reading_on_either_side(tmp_path):
    found = history(tmp_path, ["900", "", "900", "", "700"])
    assert found.stayed(1) and not found.stayed(3)
    assert not history(tmp_path, ["", "900", ""]).stayed(0)
