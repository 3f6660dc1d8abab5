"""The least-squares core: rank, robustness, bounds. Certified regressions are in tests/published/."""

import numpy as np
import pytest

from analyser.fitting.leastsquares import covariance_of, minimise


def line(x, y, sigma=1.0):
    def residuals(b):
        return (b[0] + b[1] * x - y) / sigma, np.stack([np.ones_like(x), x], axis=1) / sigma

    return residuals


def test_a_straight_line_is_the_textbook_formula():
    x, y = np.arange(10.0), 3.0 + 0.5 * np.arange(10.0) + np.array([1, -1] * 5) * 0.1
    found = minimise(line(x, y, 0.1), (0.0, 0.0))
    design = np.stack([np.ones(10), x], axis=1)
    assert found.x == pytest.approx(np.linalg.lstsq(design, y, rcond=None)[0], rel=1e-10)
    assert found.covariance == pytest.approx(np.linalg.inv(design.T @ design) * 0.01, rel=1e-10)
    assert found.dof == 8 and found.converged and found.unknown.shape == (2, 0)


def test_what_the_data_leave_open_is_nan_and_named():
    x, y = np.ones(5), np.full(5, 2.0)
    found = minimise(line(x, y), (0.0, 0.0), names=("height", "slope"))
    assert np.isnan(found.sigmas).all()
    assert "height" in found.reason and "slope" in found.reason
    # Along the open direction nothing changes.
    residuals, jacobian = line(x, y)(found.x)
    assert np.abs(jacobian @ found.unknown[:, 0]).max() < 1e-12
    assert found.dof == 4


def test_a_parameter_apart_from_the_open_ones_keeps_its_sigma():
    jacobian = np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 2.0]])
    covariance, unknown = covariance_of(jacobian)
    assert np.isnan(covariance[:2, :2]).all() and covariance[2, 2] == pytest.approx(0.25)
    assert unknown.shape == (3, 1) and unknown[2, 0] == 0


@pytest.mark.parametrize("loss", ["huber", "tukey"])
def test_robust_losses_resist_gross_errors_and_plain_squares_do_not(loss):
    rng = np.random.default_rng(0)
    x = np.linspace(0, 10, 60)
    y = 1.0 + 2.0 * x + rng.normal(size=60)
    y[::10] += 500.0
    robust, plain = minimise(line(x, y), (1.0, 2.0), loss=loss), minimise(line(x, y), (1.0, 2.0))
    assert np.abs(robust.x - [1.0, 2.0]).max() < 1.0
    assert np.abs(plain.x - [1.0, 2.0]).max() > 5.0
    if loss == "tukey":
        assert (robust.weights[::10] == 0).all() and robust.dof == 60 - 6 - 2


def test_a_step_out_of_bounds_is_shortened():
    def residuals(b):
        if b[0] <= 0:
            return np.array([np.nan]), np.zeros((1, 1))
        return np.array([np.log(b[0]) + 3.0]), np.array([[1.0 / b[0]]])

    assert minimise(residuals, [5.0]).x[0] == pytest.approx(np.exp(-3.0), rel=1e-6)
    with pytest.raises(ValueError, match="not finite at the start"):
        minimise(residuals, [-1.0])


def test_result_reads_well():
    assert "degrees of freedom" in str(minimise(line(np.arange(4.0), np.arange(4.0)), (1.0, 0.0)))
