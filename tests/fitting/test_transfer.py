"""The least delta-v between two orbits: against brute force, against identities, against one impulse."""

import math

import numpy as np
import transfer_brute

from analyser.fitting import transfer, transfer_turn
from analyser.fitting.plane_transfer import least_with_turn

MU = 3.9860e14


def random_pairs(count, seed):
    """Orbits of all kinds: ellipses, hyperbolas, flown either way, dipping under the lower limit or leaving the upper one."""
    rng = np.random.default_rng(seed)
    low, high = 6.4e6, 6.4e6 * rng.uniform(3, 40, count)

    def orbit():
        periapsis = low * np.exp(rng.uniform(-0.7, 1.0, count))
        e = np.where(rng.random(count) < 0.7, rng.uniform(0, 0.95, count), rng.uniform(1.02, 2.5, count))
        energy = -MU * (1 - e) / (2 * periapsis)
        h = np.sqrt(MU * periapsis * (1 + e))
        return energy, h * np.where(rng.random(count) < 0.15, -1, 1)

    return (*orbit(), *orbit(), np.full(count, low), high)


def brute_force(e1, h1, e2, h2, low, high, seed=0, population=64, generations=700):
    """Least delta-v by differential evolution over departure radius, arrival radius and the orbit between (two numbers), for many
    pairs at once. Knows nothing of apsides, primers or closed forms. Each trial is a transfer that can be flown, so that what
    is found is an upper bound of the true least. nan where an orbit is nowhere between the limits."""
    rng = np.random.default_rng(seed)
    reach = []
    for energy, h in ((e1, h1), (e2, h2)):
        e = np.sqrt(1 + 2 * energy * h**2 / MU**2)
        periapsis = h**2 / MU / (1 + e)
        with np.errstate(divide="ignore", invalid="ignore"):
            apoapsis = np.where(energy < 0, h**2 / MU / (1 - e), np.inf)
        reach.append((np.maximum(periapsis, low)[:, None], np.minimum(apoapsis, high)[:, None]))
    e1, h1, e2, h2 = (x[:, None] for x in (e1, h1, e2, h2))

    def cost(z):
        """z: places of departure and arrival, 0 .. 1, and radial and transverse speed on leaving, in escape speeds."""
        r1, r2 = (np.clip(z[k], 0, 1) ** 2 * (b - a) + a for k, (a, b) in enumerate(reach))
        escape = np.sqrt(2 * MU / r1)
        x, y = np.abs(z[2]) * escape, z[3] * escape
        u1, u2 = (np.sqrt(np.maximum(2 * (e + MU / r) - (h / r) ** 2, 0)) for e, h, r in ((e1, h1, r1), (e2, h2, r2)))
        w = y * r1 / r2
        square = x**2 + y**2 + 2 * MU * (1 / r2 - 1 / r1) - w**2
        total = np.hypot(x - u1, y - h1 / r1) + np.hypot(np.sqrt(np.maximum(square, 0)) - u2, w - h2 / r2)
        return np.where(square >= 0, total, np.inf)

    n = e1.size
    z = rng.random((4, n, population))
    z[2] = z[2] ** 2 * 1.3
    z[3] = z[3] * 3.6 - 1.8
    # a part of the trials starts at the ends of the radii and flying with no radial speed: corners are hard to meet by chance
    for k in (0, 1):
        corner = rng.random((n, population))
        z[k] = np.where(corner < 0.2, 0.0, np.where(corner > 0.8, 1.0, z[k]))
    value = cost(z)
    rows = np.arange(n)[:, None]
    for generation in range(generations):
        best = z[:, rows[:, 0], np.argmin(value, axis=1)][:, :, None]
        a, b, c = (z[:, rows, rng.integers(0, population, (n, population))] for _ in range(3))
        scale = rng.uniform(0.3, 0.9, (1, n, population))
        centre = a if generation < 200 else np.where(rng.random((1, n, population)) < 0.5, best, z)
        trial = np.where(rng.random(z.shape) < 0.9, centre + scale * (b - c), z)
        trial[:2] = np.clip(trial[:2], 0, 1)
        found = cost(trial)
        better = found < value
        z, value = np.where(better, trial, z), np.where(better, found, value)
    least = value.min(axis=1)
    return np.where(np.isfinite(least) & (reach[0][0] <= reach[0][1])[:, 0] & (reach[1][0] <= reach[1][1])[:, 0], least, np.nan)


def test_never_worse_than_brute_force():
    pairs = random_pairs(500, 1)
    found = transfer.least_delta_v(MU, *pairs[:4], radius_min=pairs[4], radius_max=pairs[5])
    forced = brute_force(*pairs)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(forced))
    known = np.isfinite(forced)
    assert known.sum() > 400
    worse = (found[known] - forced[known]) / forced[known]
    assert worse.max() < 1e-6
    # and brute force comes as low in most pairs: the least is one that can be flown, not something less
    assert (worse > -1e-6).mean() > 0.8


def test_the_transfer_told_costs_what_is_said():
    """The burns of the scalar answer join the orbits they say, and add up."""
    pairs = random_pairs(200, 5)
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
    e1, h1, e2, h2, low, high = random_pairs(3000, 7)
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


# -- two planes -----------------------------------------------------------------------------------------------------------------


def test_never_worse_than_brute_force_in_two_planes():
    pairs = transfer_brute.random_pairs(60, 11)
    forced = transfer_brute.brute_force(*pairs)
    e1, h1, e2, h2, angle, low, high = pairs
    found = np.array([
        float(least_with_turn(MU, *pair[:5], radius_min=pair[5], radius_max=pair[6])) for pair in zip(e1, h1, e2, h2, angle, low, high)
    ])  # fmt: skip
    np.testing.assert_array_equal(np.isnan(found), np.isnan(forced))
    known = np.isfinite(forced)
    assert known.sum() > 45
    worse = found[known] / forced[known] - 1
    assert worse.max() < 1e-6
    # and brute force, which can be flown, comes as low in most pairs
    assert (worse > -1e-6).mean() > 0.75


def test_the_cost_in_two_planes_is_that_of_vectors():
    """Positions and velocities in space: the changes at the two ends of a conic, propagated by its own Lagrange coefficients, into a
    terminal orbit of the energy, momentum and tilt wanted. Knows nothing of spherical triangles."""
    e1, h1, e2, h2, angle, low, high = transfer_brute.random_pairs(400, 12)
    first, second = (transfer_turn.Terminal(MU, e, h, low, high) for e, h in ((e1, h1), (e2, h2)))
    use = np.flatnonzero(first.reached & second.reached & (angle < 1.5))
    first, second, angle, low, high = first.part(use), second.part(use), angle[use], low[use], high[use]
    rng = np.random.default_rng(5)
    z = np.array([rng.uniform(0, 1.57, use.size), rng.uniform(0, 1.57, use.size), *rng.uniform(-1, 1, (2, use.size)), angle * rng.uniform(-1, 1, use.size)])
    said = transfer_turn.Pairs(MU, first, second, angle, low, high).cost(z)
    checked = 0
    for k in np.flatnonzero(np.isfinite(said)):
        r1, r2 = (end.low[k] + (end.high[k] - end.low[k]) * math.sin(place) ** 2 for end, place in ((first, z[0, k]), (second, z[1, k])))
        (u1, w1), (u2, w2) = (tuple(map(float, transfer.speeds_at(MU, end.energy[k], end.h[k], r))) for end, r in ((first, r1), (second, r2)))
        x, v = z[2, k] * math.sqrt(2 * MU / r1), z[3, k] * math.sqrt(2 * MU / r2)
        h = r1 * math.sqrt((v**2 - x**2 + 2 * MU * (1 / r1 - 1 / r2)) / (1 - (r1 / r2) ** 2))
        # the way round, from anomalies of the conic
        way = math.atan2(h * v / MU, h**2 / MU / r2 - 1) - math.atan2(h * x / MU, h**2 / MU / r1 - 1)
        a = z[4, k]
        place, normal = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
        middle = np.array([0, -math.sin(a), math.cos(a)])
        there = math.cos(way) * place + math.sin(way) * np.cross(middle, place)
        change = x * place + h / r1 * np.cross(middle, place) - abs(u1) * math.copysign(1, x) * place - w1 * np.cross(normal, place)
        least = math.inf
        # all normals across the place of arrival that make the angle wanted with the first: found by their own angle, densely
        turns = np.linspace(-np.pi, np.pi, 720001)
        normals = np.outer(np.cos(turns), middle) + np.outer(np.sin(turns), np.cross(there, middle))
        fits = np.flatnonzero(np.diff(np.sign(normals @ normal - math.cos(angle[k]))))
        for at in fits:
            after = normals[at]
            jump = v * there + h / r2 * np.cross(middle, there) - abs(u2) * math.copysign(1, v) * there - w2 * np.cross(after, there)
            option = np.linalg.norm(change) + np.linalg.norm(jump)
            least = min(least, option, key=lambda c: abs(c - said[k]))
        assert math.isclose(least, said[k], rel_tol=1e-4), k
        checked += 1
        if checked == 25:
            break
    assert checked == 25


def test_a_turn_is_not_for_free_where_no_apsis_is_between_the_limits():
    """Two hyperbolas that dip under the ground: the plane is turned where it costs least, and that costs."""
    low, high = 6.4e6, 2e8
    one, two = ((MU * (e - 1) / (2 * p), math.sqrt(MU * p * (1 + e))) for p, e in ((5e6, 1.5), (4e6, 1.4)))
    flat = float(transfer.least_delta_v(MU, *one, *two, radius_min=low, radius_max=high))
    costs = [float(least_with_turn(MU, *one, *two, angle, radius_min=low, radius_max=high)) for angle in (0.0, 0.01, 0.3, 1.0)]
    assert costs[0] == flat
    assert np.all(np.diff(costs) > 1e-4)
    # far out a turn is next to free; without limit only the speeds at infinity are left to differ
    free = float(least_with_turn(MU, *one, *two, 1.0))
    assert free < costs[-1]


def test_many_samples_of_a_pair_find_what_each_alone_does():
    rng = np.random.default_rng(6)
    e1, h1, e2, h2, angle, low, high = (x[0] for x in transfer_brute.random_pairs(1, 13))
    samples = [value * (1 + 1e-3 * rng.standard_normal(40)) for value in (e1, h1, e2, h2, angle)]
    limits = {"radius_min": low, "radius_max": high}
    together = least_with_turn(MU, *samples, **limits)
    alone = [float(least_with_turn(MU, *sample, **limits)) for sample in zip(*samples)]
    np.testing.assert_allclose(together, alone, rtol=2e-6)


def test_flown_the_other_way_round_is_a_turn_by_the_rest_of_a_half():
    energy, h = transfer.orbit_of_apsides(MU, 7e6, 9e6)
    there = transfer.orbit_of_apsides(MU, 8e6, 8e6)
    assert math.isclose(least_with_turn(MU, energy, h, there[0], -there[1], 0.4), least_with_turn(MU, energy, h, *there, math.pi - 0.4), rel_tol=1e-12)
