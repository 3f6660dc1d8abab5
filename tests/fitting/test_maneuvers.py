"""Three impulses and shared plane changes against grids; limits; phasing flown."""

import itertools
import math

import numpy as np
import pytest
from transfer_brute_three import three_brute_force
from transfer_pairs import MU as EARTH, random_ellipse_pairs

from analyser.fitting import maneuvers, transfer

MU = 3.986e14


def circle(radius):
    return tuple(float(x) for x in transfer.orbit_of_apsides(MU, radius, radius))


@pytest.mark.parametrize("angle", [0.0, 0.2, 0.9])
def test_two_burns_share_a_turn_as_well_as_a_grid_does(angle):
    orbits = transfer.orbit_of_apsides(MU, 7e6, 9e6), transfer.orbit_of_apsides(MU, 2e7, 4.2e7)
    found = maneuvers.least_with_plane(MU, *orbits, angle)
    best = math.inf
    for r1, r2 in itertools.product((7e6, 9e6), (2e7, 4.2e7)):
        v1, v2 = orbits[0][1] / r1, orbits[1][1] / r2
        w1, w2 = maneuvers.apsis_speed(MU, r1, r2), maneuvers.apsis_speed(MU, r2, r1)
        for first in np.linspace(0, angle, 4001):
            best = min(best, maneuvers.plane_change(v1, w1, first) + maneuvers.plane_change(w2, v2, angle - first))
    assert found.delta_v <= best * (1 + 1e-9)
    assert found.delta_v > best * (1 - 1e-6)
    assert sum(found.turns) == pytest.approx(angle)
    if angle == 0:
        assert found.delta_v == pytest.approx(float(transfer.least_delta_v(MU, *orbits[0], *orbits[1])), rel=1e-12)


def test_when_three_burns_pay():
    """Known limits for circles in one plane: never below a ratio of 11.94, always above 15.58 (Vallado, section 6.3.2; from memory)."""
    for ratio, pays in ((5, False), (11.5, False), (15.8, True), (40, True)):
        near, far = circle(7e6), circle(7e6 * ratio)
        two = maneuvers.least_with_plane(MU, near, far)
        three = maneuvers.least_with_plane(MU, near, far, impulses=3, radius_max=7e6 * 4000)
        assert (three.delta_v < two.delta_v * (1 - 1e-7)) == pays
        assert len(three.burns) == (3 if pays else 2)


def test_three_impulses_are_never_worse_than_brute_force():
    """Ellipses in one plane and in two, everything free that can be: radii, both velocities between, the turns."""
    pairs = random_ellipse_pairs(6, 11)
    forced = three_brute_force(*pairs, population=96, generations=450, polish=False)
    near = pays = 0
    for (e1, h1, e2, h2, angle, low, high), least in zip(zip(*pairs), forced):
        found, two = (maneuvers.least_with_plane(EARTH, (e1, h1), (e2, h2), angle, radius_min=low, radius_max=high, impulses=count) for count in (3, 2))
        assert found.delta_v <= least * (1 + 1e-6)
        assert found.delta_v <= two.delta_v
        assert math.fsum(found.turns) == pytest.approx(angle)
        assert all(low * (1 - 1e-9) <= radius <= high * (1 + 1e-9) for radius in found.radii)
        near += found.delta_v >= 0.98 * least
        pays += found.delta_v < 0.999 * two.delta_v
    assert near >= 4 and pays >= 1


def test_a_large_turn_is_made_far_out_and_the_limit_holds():
    orbit = circle(7e6)
    for limit in (5e7, 4e8):
        found = maneuvers.least_with_plane(MU, orbit, orbit, math.radians(70), impulses=3, radius_max=limit)
        assert found.radii[1] == pytest.approx(limit, rel=1e-4)
        grid = min(
            maneuvers.plane_change(math.sqrt(MU / 7e6), maneuvers.apsis_speed(MU, 7e6, limit), a) * 2
            + maneuvers.plane_change(*[maneuvers.apsis_speed(MU, limit, 7e6)] * 2, math.radians(70) - 2 * a)
            for a in np.linspace(0, 0.3, 1001)
        )
        assert found.delta_v == pytest.approx(grid, rel=1e-5)
        assert found.delta_v < maneuvers.plane_change(math.sqrt(MU / 7e6), math.sqrt(MU / 7e6), math.radians(70))


@pytest.mark.parametrize("revolutions", [1, 3])
def test_phasing_meets_the_target(revolutions):
    from analyser.fitting import conic

    low, high, ahead = 7e6, 1.1e7, 2.0
    found = maneuvers.phasing(MU, low, high, ahead, revolutions)
    p, e = 2 * low * high / (low + high), (high - low) / (high + low)
    state = conic.state_at_true_anomaly(MU, p, e, ahead)
    r, _, _, swept = conic.propagate_with_angle(MU, *state, found.duration)
    assert r == pytest.approx(low, rel=1e-9)
    assert math.remainder(ahead + swept, 2 * math.pi) == pytest.approx(0, abs=1e-6)
    assert maneuvers.phasing(MU, low, high, ahead, 5).delta_v < found.delta_v


def test_one_tangent_inward_and_out_of_reach():
    out = maneuvers.one_tangent(MU, 7e6, 2e7, math.radians(150))
    assert out.delta_v > transfer.least_delta_v(MU, *circle(7e6), *circle(2e7))
    with pytest.raises(ValueError, match="no conic"):
        maneuvers.one_tangent(MU, 7e6, 2e7, math.radians(20))
