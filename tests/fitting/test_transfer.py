"""The least delta-v between two orbits: against brute force, against identities, against one impulse."""

import math

import numpy as np
import transfer_brute
import transfer_pairs

from analyser.fitting import transfer

MU = transfer_pairs.MU


def test_never_worse_than_brute_force():
    pairs = transfer_pairs.random_level_pairs(500, 1)
    found = transfer.least_delta_v(MU, *pairs[:4], radius_min=pairs[4], radius_max=pairs[5])
    forced = transfer_brute.level_brute_force(*pairs)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(forced))
    known = np.isfinite(forced)
    assert known.sum() > 400
    worse = (found[known] - forced[known]) / forced[known]
    assert worse.max() < 1e-6
    # and brute force comes as low in most pairs: the least is one that can be flown, not something less
    assert (worse > -1e-6).mean() > 0.8


def test_the_transfer_told_costs_what_is_said():
    """The burns of the scalar answer join the orbits they say, and add up."""
    pairs = transfer_pairs.random_level_pairs(200, 5)
    for e1, h1, e2, h2, low, high in zip(*pairs):
        found = transfer.least_transfer(MU, e1, h1, e2, h2, radius_min=low, radius_max=high)
        if math.isnan(found.delta_v):
            continue
        assert math.isclose(sum(i.delta_v for i in found.impulses), found.delta_v, rel_tol=1e-6, abs_tol=1e-6)
        energy, h = e1, h1
        for burn in found.impulses:
            assert low * (1 - 1e-9) <= burn.radius <= high * (1 + 1e-9)
            # the craft really passes there with the speed said, and leaves with the change said
            assert math.isclose(burn.speed_before**2 / 2 - MU / burn.radius, energy, rel_tol=1e-6, abs_tol=1e-6 * MU / burn.radius)
            u, w = burn.radial_before + burn.radial, h / burn.radius + burn.transverse
            energy, h = (u**2 + w**2) / 2 - MU / burn.radius, w * burn.radius
        assert math.isclose(energy, e2, rel_tol=1e-5, abs_tol=1e-5 * MU / 6.4e6)
        assert math.isclose(h, h2, rel_tol=1e-5)


def test_never_more_than_one_impulse_anywhere():
    e1, h1, e2, h2, low, high = transfer_pairs.random_level_pairs(3000, 7)
    least = transfer.least_delta_v(MU, e1, h1, e2, h2, radius_min=low, radius_max=high)
    bottom, top = transfer.shared_radii(MU, e1, h1, e2, h2, radius_min=low, radius_max=high)
    share = transfer.share_radius(MU, e1, h1, e2, h2, radius_min=low, radius_max=high)
    assert share.sum() > 1000
    for place in np.linspace(0, 1, 41):
        once = transfer.single_impulse(MU, (e1, h1), (e2, h2), bottom + place * (top - bottom))[share]
        assert np.all(least[share] <= once * (1 + 1e-9) + 1e-9)


def test_small_change_costs_the_best_single_impulse():
    """A small tangential burn at periapsis is its own least: nothing cheaper gives that energy."""
    energy, h = transfer.orbit_of_apsides(MU, 7e6, 9e6)
    v = h / 7e6
    for change in (-40.0, -1.0, 0.5, 25.0):
        after = (v + change) ** 2 / 2 - MU / 7e6, (v + change) * 7e6
        assert math.isclose(transfer.least_delta_v(MU, energy, h, *after), abs(change), rel_tol=1e-9)
    # the same change of speed at the apoapsis and then put right at the periapsis is never needed
    w = h / 9e6
    after = (w - 30) ** 2 / 2 - MU / 9e6, (w - 30) * 9e6
    assert transfer.least_delta_v(MU, energy, h, *after) <= 30 * (1 + 1e-12)


def test_same_orbit_costs_nothing_and_turning_round_costs_least_far_out():
    energy, h = transfer.orbit_of_apsides(MU, 7e6, 60e6)
    assert transfer.least_delta_v(MU, energy, h, energy, h) < 1e-6
    assert math.isclose(transfer.least_delta_v(MU, energy, h, energy, -h), 2 * h / 60e6, rel_tol=1e-12)


def test_from_rest_on_the_ground_is_the_textbook_bound():
    """Straight along the ground into the transfer ellipse, then the circle: no rotation, no air."""
    ground, target = 1.7374e6, 1.8e6
    energy, h = transfer.orbit_of_apsides(4.9028e12, target, target)
    found = transfer.least_delta_v(4.9028e12, -4.9028e12 / ground, 0.0, energy, h, radius_min=ground)
    leave = math.sqrt(2 * 4.9028e12 * target / ground / (ground + target))
    circle = math.sqrt(4.9028e12 / target)
    assert math.isclose(found, leave + circle - leave * ground / target, rel_tol=1e-12)


def test_samples_about_a_circle_are_no_trouble():
    """Noise about a circular orbit gives pairs of energy and h that no orbit has; they are taken for circles."""
    rng = np.random.default_rng(3)
    energy, h = transfer.orbit_of_apsides(MU, 7e6, 7e6)
    e = energy * (1 + 1e-5 * rng.standard_normal(2000))
    hs = h * (1 + 1e-5 * rng.standard_normal(2000))
    least = transfer.least_delta_v(MU, e, hs, *transfer.orbit_of_apsides(MU, 7e6, 8e6))
    assert np.isfinite(least).all()
    assert abs(least.mean() - transfer.least_delta_v(MU, energy, h, *transfer.orbit_of_apsides(MU, 7e6, 8e6))) < 5


def test_out_of_reach_is_unknown():
    low = transfer.orbit_of_apsides(MU, 5e6, 6e6)
    high = transfer.orbit_of_apsides(MU, 7e6, 8e6)
    assert math.isnan(transfer.least_delta_v(MU, *low, *high, radius_min=6.4e6))
    assert math.isnan(transfer.least_transfer(MU, *low, *high, radius_min=6.4e6).delta_v)
    assert not transfer.share_radius(MU, *low, *high)
    assert math.isnan(transfer.single_impulse(MU, low, high, 6.5e6))
