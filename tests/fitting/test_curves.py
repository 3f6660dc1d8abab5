"""Curves through readings: held against scipy's, and against what they promise."""

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from analyser.fitting.curves import cubic, monotone


@pytest.mark.parametrize("nodes", [2, 3, 4, 15])
def test_the_same_curves_as_scipy(nodes):
    rng = np.random.default_rng(nodes)
    for _ in range(40):
        x = np.cumsum(rng.uniform(0.01, 5.0, nodes)) * 10 ** rng.uniform(-2, 4)
        y, slopes = rng.normal(0, 50, (nodes, 3)).round(int(rng.integers(-1, 3))), rng.normal(0, 5, nodes)  # rounded: some neighbours are equal
        at = rng.uniform(x[0], x[-1], 60)
        assert monotone(x, y, at) == pytest.approx(PchipInterpolator(x, y)(at), rel=1e-9, abs=1e-9)
        assert monotone(x, y[:, 0], at) == pytest.approx(PchipInterpolator(x, y[:, 0])(at), rel=1e-9, abs=1e-9)
        spline = CubicHermiteSpline(x, y[:, 0], slopes)
        values, rates = cubic(x, y[:, 0], slopes, at)
        assert values == pytest.approx(spline(at), rel=1e-9, abs=1e-9 * np.abs(values).max())
        assert rates == pytest.approx(spline.derivative()(at), rel=1e-8, abs=1e-9 * np.abs(rates).max())


def test_it_turns_only_where_the_nodes_do():
    rng = np.random.default_rng(8)
    x = np.cumsum(rng.uniform(0.1, 3.0, 12))
    y = np.cumsum(rng.exponential(1.0, 12))
    fine = np.linspace(x[0], x[-1], 4001)
    assert (np.diff(monotone(x, y, fine)) >= 0).all()
    assert monotone(x, y, x) == pytest.approx(y)
    straight = cubic(x, 2 * x, np.full(12, 2.0), fine)
    assert straight[0] == pytest.approx(2 * fine) and straight[1] == pytest.approx(np.full(4001, 2.0))
