"""The least delta-v with the apse line fixed: against brute force, the free apse line, and closed forms."""

import math

import pytest
import transfer_brute
import transfer_pairs

from analyser.fitting import transfer
from analyser.fitting.transfer_apse import least_with_apse_line

MU, LOW = transfer_pairs.MU, transfer_pairs.LOW


def test_never_worse_than_brute_force():
    equal = known = 0
    for number, (first, second, turn, high) in enumerate(transfer_pairs.random_apse_pairs(40, 2)):
        found = least_with_apse_line(MU, first, second, turn, radius_min=LOW, radius_max=high)
        forced = transfer_brute.apse_brute_force(first, second, turn, high, seed=number)
        if not math.isfinite(forced):
            continue
        known += 1
        assert found.delta_v <= forced * (1 + 1e-6), number
        equal += found.delta_v >= forced * (1 - 1e-5)
        free = float(transfer.least_delta_v(MU, *first, *second, radius_min=LOW, radius_max=high))
        assert found.delta_v >= free * (1 - 1e-9)
        assert math.fsum(found.burns) == pytest.approx(found.delta_v, rel=1e-9)
    assert known >= 30
    assert equal > 0.75 * known


def test_the_apse_line_kept_is_the_free_optimum_where_that_joins_apsides():
    """Two ellipses on one apse line, periapsides on one side: from apsis to apsis in half a revolution, which turns nothing."""
    for inner, outer in (((7e6, 9e6), (2e7, 4.2e7)), ((7e6, 7e6), (2e7, 2e7)), ((7e6, 1.2e7), (8e6, 3e7))):
        orbits = [tuple(map(float, transfer.orbit_of_apsides(MU, *pair))) for pair in (inner, outer)]
        found = least_with_apse_line(MU, *orbits, 0.0)
        assert found.delta_v == pytest.approx(float(transfer.least_delta_v(MU, *orbits[0], *orbits[1])), rel=1e-8)


def test_a_turned_apse_line_of_one_ellipse_by_one_impulse_is_the_books():
    """Where both meet, half the turn from either periapsis, the radial speed turns over: 2 (mu / h) e sin(turn / 2) (Curtis, Orbital
    Mechanics for Engineering Students, section 6.7, apse line rotation). Two impulses are never dearer."""
    energy, h = map(float, transfer.orbit_of_apsides(MU, 8e6, 1.6e7))
    e = 1 / 3
    for turn in (0.05, 0.4, 1.2):
        single = 2 * MU / h * e * math.sin(turn / 2)
        found = least_with_apse_line(MU, (energy, h), (energy, h), turn)
        assert 0.3 * single < found.delta_v <= single * (1 + 1e-9)
    assert least_with_apse_line(MU, (energy, h), (energy, h), 0.0).delta_v < 1e-3


def test_out_of_reach_and_against_the_flight():
    low, high = (tuple(map(float, transfer.orbit_of_apsides(MU, *pair))) for pair in ((5e6, 6e6), (7e6, 8e6)))
    assert math.isnan(least_with_apse_line(MU, low, high, 0.3, radius_min=LOW).delta_v)
    with pytest.raises(ValueError, match="same sense"):
        least_with_apse_line(MU, low, (high[0], -high[1]), 0.3)
