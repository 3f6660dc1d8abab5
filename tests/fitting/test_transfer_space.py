"""The least delta-v between orbits that lie as they lie in space: against brute force, flown, and against the free apse line."""

import math

import numpy as np
import pytest
import transfer_pairs
from transfer_brute_space import space_brute_force

from analyser.fitting import elements
from analyser.fitting.orientation import angles_of, argument_of_latitude, axes_of, axes_of_state
from analyser.fitting.plane_transfer import least_with_turn
from analyser.fitting.space_ways import Lying
from analyser.fitting.transfer_space import least_in_space, transfer_in_space

MU, LOW = transfer_pairs.MU, transfer_pairs.LOW


def random_lying(rng, roundest=0.6):
    periapsis, e = LOW * np.exp(rng.uniform(0, 1)), rng.uniform(0, roundest)
    axes = axes_of(rng.uniform(0, 1.2), *rng.uniform(0, 2 * np.pi, 2))
    return Lying(np.array([-MU * (1 - e) / (2 * periapsis)]), np.array([math.sqrt(MU * periapsis * (1 + e))]), axes[None])


def pairs(count, seed):
    rng = np.random.default_rng(seed)
    return [(random_lying(rng), random_lying(rng)) for _ in range(count)]


LIMITS = {"radius_min": 0.98 * LOW, "radius_max": 30 * LOW}


def test_never_worse_than_brute_force():
    equal = 0
    for number, (first, second) in enumerate(pairs(10, 3)):
        found = float(least_in_space(MU, first, second, **LIMITS)[0])
        forced = space_brute_force(
            *((orbit.energy[0], orbit.h[0], orbit.basis[0]) for orbit in (first, second)), *LIMITS.values(), seed=number, population=100, generations=350
        )
        assert found <= forced * (1 + 1e-6), number
        equal += found >= forced * (1 - 1e-5)
        free = least_with_turn(MU, first.energy[0], first.h[0], second.energy[0], second.h[0], apart(first, second), **LIMITS)
        assert found >= float(free) * (1 - 1e-7)
    assert equal >= 7


def apart(first, second):
    return math.acos(first.basis[0, :, 2] @ second.basis[0, :, 2])


def test_the_transfer_is_flown_into_the_orbit_as_it_is_to_lie():
    for first, second in pairs(6, 4):
        found = transfer_in_space(MU, first, second, **LIMITS)
        one, two = found.impulses
        positions, velocities = elements.propagate(MU, one.position, one.velocity_after, np.linspace(0, found.duration, 400))
        np.testing.assert_allclose(positions[-1], two.position, atol=1e-6 * two.radius)
        np.testing.assert_allclose(velocities[-1], two.velocity_before, atol=1e-6 * two.speed_before)
        radii = np.linalg.norm(positions, axis=1)
        assert radii.min() > LIMITS["radius_min"] * (1 - 1e-7) and radii.max() < LIMITS["radius_max"] * (1 + 1e-7)
        for orbit, position, velocity in ((first, one.position, one.velocity_before), (second, two.position, two.velocity_after)):
            momentum = np.cross(position, velocity)
            np.testing.assert_allclose(momentum, orbit.h[0] * orbit.basis[0, :, 2], atol=1e-8 * orbit.h[0])
            e = math.sqrt(1 + 2 * orbit.energy[0] * orbit.h[0] ** 2 / MU**2)
            apse = np.cross(velocity, momentum) / MU - position / np.linalg.norm(position)
            np.testing.assert_allclose(apse, e * orbit.basis[0, :, 0], atol=1e-8)


def test_one_impulse_where_the_orbits_meet_is_found():
    """An ellipse turned by 20 degrees about its apse line: at the apoapsis by one impulse 2 v sin 10 deg, which two only better by little."""
    energy, h = np.array([-MU / 3e7]), np.array([math.sqrt(MU * 2 * 1e7 * 2e7 / 3e7)])
    first, second = (Lying(energy, h, axes_of(i, 0.3, 0.0)[None]) for i in (0.2, 0.2 + math.radians(20)))
    found = transfer_in_space(MU, first, second)
    single = 2 * h[0] / 2e7 * math.sin(math.radians(10))
    assert 0.95 * single < found.delta_v <= single * (1 + 1e-9)


def test_a_free_apse_line_never_costs_more():
    for first, second in pairs(2, 5):
        fixed = float(least_in_space(MU, first, second, **LIMITS)[0])
        one_free = float(least_in_space(MU, Lying(first.energy, first.h, first.basis, True), second, **LIMITS)[0])
        assert one_free <= fixed * (1 + 1e-9)
        both = float(least_with_turn(MU, first.energy[0], first.h[0], second.energy[0], second.h[0], apart(first, second), **LIMITS))
        assert one_free >= both * (1 - 1e-7)


def test_samples_of_a_pair_find_what_each_alone_does():
    rng = np.random.default_rng(8)
    first, second = pairs(1, 6)[0]
    many = Lying(first.energy * (1 + 1e-4 * rng.standard_normal(30)), np.repeat(first.h, 30), np.repeat(first.basis, 30, axis=0))
    other = Lying(np.repeat(second.energy, 30), np.repeat(second.h, 30), np.repeat(second.basis, 30, axis=0))
    together = least_in_space(MU, many, other, **LIMITS)
    for k in (0, 7, 29):
        alone = float(least_in_space(MU, many.part([k]), other.part([k]), **LIMITS)[0])
        assert together[k] == pytest.approx(alone, rel=1e-5)


def test_out_of_reach_is_unknown():
    first, second = pairs(1, 7)[0]
    assert math.isnan(least_in_space(MU, first, second, radius_min=100 * LOW)[0])
    assert math.isnan(transfer_in_space(MU, first, second, radius_min=100 * LOW).delta_v)


def test_angles_and_axes_are_those_of_the_elements():
    rng = np.random.default_rng(1)
    for _ in range(20):
        i, node, argument, true = rng.uniform(0.05, 3.0), *rng.uniform(0, 2 * np.pi, 3)
        position, velocity = (np.array(x) for x in elements.state_from_elements(MU, 1e7, 0.3, i, node, argument, true))
        axes = axes_of(i, node, argument)
        assert [float(x) for x in angles_of(axes)] == pytest.approx([i, node, argument], abs=1e-9)
        up, momentum = position / np.linalg.norm(position), np.cross(position, velocity)
        normal = momentum / np.linalg.norm(momentum)
        rotation = np.stack([up, np.cross(normal, up), normal], -1)
        state = np.array([np.linalg.norm(position), velocity @ up, velocity @ np.cross(normal, up)])
        np.testing.assert_allclose(axes_of_state(MU, state, rotation), axes, atol=1e-9)
        assert argument_of_latitude(position, axes) == pytest.approx((argument + true) % (2 * np.pi), abs=1e-9)
