"""Certified nonlinear regressions through the least-squares core: values and standard deviations, from every start that NIST gives."""

import numpy as np
import pytest
from nist_nonlinear import SETS

from analyser.fitting.leastsquares import minimise


def fit(case, start, **options):
    def residuals(b):
        with np.errstate(all="ignore"):
            values, jacobian = case.model(np.asarray(b, dtype=float), case.x)
        return values - case.y, jacobian

    return minimise(residuals, start, tolerance=1e-12, iterations=2000, **options)


@pytest.mark.parametrize("case, start", [pytest.param(case, start, id=f"{case.name} from {start[0]:g}") for case in SETS for start in case.starts])
def test_certified_values_and_standard_deviations(case, start):
    found = fit(case, start)
    assert found.converged
    assert found.x == pytest.approx(case.values, rel=1e-6)
    # The data's own scatter is their scale: the certified deviations are for errors of unknown size.
    assert np.sqrt(found.residual_variance) * found.sigmas == pytest.approx(case.deviations, rel=1e-6)
    assert found.chi2 == pytest.approx(case.sum_of_squares, rel=1e-9)


def test_no_convergence_is_said():
    """MGH10 from NIST's far start: too far for this method within its steps, and the result says that it did not settle."""
    case = next(case for case in SETS if case.name == "MGH10")
    found = fit(case, (2, 400000, 25000))
    assert not found.converged
    assert "before it settled" in found.reason
