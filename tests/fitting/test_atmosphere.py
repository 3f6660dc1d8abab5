"""Density of the air from its description."""

import math

import numpy as np
import pytest

from analyser.fitting.atmosphere import density
from analyser.flight import Atmosphere


def test_exponential_air_ends_at_its_top():
    air = Atmosphere(top=58e3, surface_density=1.1, scale_height=6200.0)
    assert density(air, 0.0) == pytest.approx(1.1)
    assert density(air, 6200.0) == pytest.approx(1.1 / math.e)
    assert density(air, np.array([57.9e3, 58.1e3])).tolist() == [pytest.approx(1.1 * math.exp(-57.9 / 6.2)), 0.0]


def test_a_table_is_straight_in_the_logarithm_and_held_at_its_ends():
    air = Atmosphere(top=40e3, table=((20e3, 0.01), (0.0, 1.0)))
    assert density(air, 10e3) == pytest.approx(0.1)
    assert density(air, -500.0) == pytest.approx(1.0)
    assert density(air, 30e3) == pytest.approx(0.01)


def test_no_air_and_unknown_air():
    assert density(None, 1000.0) == 0.0
    assert math.isnan(density(Atmosphere(top=50e3), 1000.0))
