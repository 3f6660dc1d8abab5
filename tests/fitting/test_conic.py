"""Planar two-body motion: identities over all conics, derivatives, and the places where formulas usually break."""

import numpy as np
import pytest

from analyser.fitting import conic


def orbits(count=400):
    """mu, r, vr, vt, dt over bodies of all sizes and conics of all shapes."""
    local = np.random.default_rng(11)
    mu, r = 10 ** local.uniform(10, 20, count), 10 ** local.uniform(5, 11, count)
    speed = np.sqrt(mu / r) * 10 ** local.uniform(-0.4, 0.4, count)
    speed[: count // 4] = np.sqrt(2 * mu / r)[: count // 4] * (1 + local.normal(size=count // 4) * 10 ** local.uniform(-12, -2, count // 4))
    angle = local.uniform(-1.3, 1.3, count)
    return mu, r, speed * np.sin(angle), speed * np.cos(angle), r / np.sqrt(mu / r) * local.uniform(-20, 20, count)


def test_there_and_back_again():
    mu, r, vr, vt, dt = orbits()
    back = conic.propagate(mu, *conic.propagate(mu, r, vr, vt, dt), -dt)
    speed = np.hypot(vr, vt)
    # Each way loses what the orbit's own stretching loses: close passages magnify rounding.
    assert np.quantile(np.abs(back[0] / r - 1), 0.95) < 1e-9
    assert np.quantile(np.abs(back[1] - vr) / speed, 0.95) < 1e-9


def test_energy_and_angular_momentum_stay():
    mu, r, vr, vt, dt = orbits()
    one, other = conic.shape(mu, r, vr, vt), conic.shape(mu, *conic.propagate(mu, r, vr, vt, dt))
    assert np.abs((other.energy - one.energy) / (mu / r)).max() < 1e-9
    assert other.angular_momentum == pytest.approx(one.angular_momentum, rel=1e-12)


def test_whole_periods_change_nothing_but_the_angle():
    mu, r, vr, vt = 6.1e12, 1.1e6, 80.0, 2500.0
    period = conic.shape(mu, r, vr, vt).period
    again = conic.propagate_with_angle(mu, r, vr, vt, 1000 * period)
    assert again[:3] == pytest.approx((r, vr, vt), rel=1e-9)
    assert again[3] == pytest.approx(2000 * np.pi, rel=1e-12)


def test_swept_angle_is_that_of_the_anomaly():
    mu, r, vr, vt, dt = orbits()
    new = conic.propagate_with_angle(mu, r, vr, vt, dt)
    one, other = conic.shape(mu, r, vr, vt), conic.shape(mu, *new[:3])
    off = (new[3] - (other.true_anomaly - one.true_anomaly) + np.pi) % (2 * np.pi) - np.pi
    # Near a circle the anomalies themselves are vague by rounding / e.
    assert (np.abs(off) * np.minimum(one.eccentricity, 1.0)).max() < 1e-8
    assert (np.sign(new[3]) == np.sign(dt)).all()


def test_derivatives_match_differences():
    mu, r, vr, vt, dt = orbits(60)
    for k in range(60):
        state, times = np.array([r[k], vr[k], vt[k]]), dt[k] * np.array([-0.3, 0.05, 1.0])
        values, jacobian, rates = conic.propagate_jacobian(mu[k], state, times, with_mu=True)
        speed = np.sqrt(mu[k] / r[k])
        sizes, units = np.array([r[k], speed, speed, mu[k]]), np.array([r[k], speed, speed])
        for j in range(4):
            h = 1e-6 * sizes[j]

            def moved(by):
                other, m = state.copy(), mu[k]
                if j < 3:
                    other[j] += by
                else:
                    m += by
                return conic.propagate_jacobian(m, other, times)[0]

            numeric = (moved(-2 * h) + 8 * moved(h) - 8 * moved(-h) - moved(2 * h)) / (12 * h)
            scale = np.linalg.norm(jacobian * sizes / units[:, None], axis=(1, 2))[:, None] + 1
            assert (np.abs((jacobian[:, :, j] - numeric) * sizes[j] / units) / scale).max() < 1e-6
        step = 1e-6 * r[k] / speed
        numeric = (conic.propagate_jacobian(mu[k], state, times + step)[0] - conic.propagate_jacobian(mu[k], state, times - step)[0]) / (2 * step)
        assert (np.abs(rates - numeric) / (np.abs(rates).max(axis=0) + speed * units / r[k])).max() < 1e-5


def test_derivatives_over_many_revolutions():
    """The period's own change adds up: after 50 turns the derivative is mostly that."""
    mu, state = 6.1e12, np.array([1.0e6, 50.0, 2500.0])
    dt = np.array([50.25 * conic.shape(mu, *state).period])
    jacobian = conic.propagate_jacobian(mu, state, dt)[1]
    for j, h in enumerate((1.0, 1e-3, 1e-3)):
        step = np.zeros(3)
        step[j] = h
        numeric = (np.array(conic.propagate(mu, *(state + step), dt)) - np.array(conic.propagate(mu, *(state - step), dt)))[:, 0] / (2 * h)
        assert jacobian[0, :, j] == pytest.approx(numeric, rel=1e-4, abs=1e-6 * np.abs(numeric).max())


def test_apsides_near_a_circle_keep_their_digits():
    mu, r = 6.1e12, 1.0e6
    for e in (0.0, 1e-12, 1e-9, 1e-6):
        found = conic.shape(mu, r, 0.0, np.sqrt(mu * (1 + e) / r))
        assert found.eccentricity == pytest.approx(e, abs=1e-15)
        assert found.apoapsis_radius - r == pytest.approx(2 * e * r / (1 - e), abs=1e-9 * r * 1e-6)


def test_apsides_near_the_parabola_keep_their_digits():
    mu, r = 6.1e12, 1.0e6
    for less in (1e-3, 1e-6, 1e-9):
        beta = less * mu / r
        found = conic.shape(mu, r, 0.0, np.sqrt(2 * mu / r - beta))
        # v^2 itself is only good to 1e-16: what is left of it after the subtraction is the bound.
        assert found.apoapsis_radius == pytest.approx(r * (2 / less - 1), rel=1e-15 / less)
        assert found.periapsis_radius == pytest.approx(r, rel=1e-14)


def test_open_orbits_say_so():
    mu, r = 6.1e12, 1.0e6
    found = conic.shape(mu, r, 300.0, 1.2 * conic.escape_speed(mu, r))
    assert np.isinf(found.apoapsis_radius) and np.isinf(found.period) and np.isnan(found.apoapsis_speed)
    assert found.semi_major_axis < 0 and found.excess_speed == pytest.approx(np.sqrt(2 * found.energy))
    assert conic.shape(mu, r, 0.0, conic.escape_speed(mu, r)).eccentricity == pytest.approx(1.0, abs=1e-15)


def test_time_to_radius_puts_the_answer_back():
    mu, r, vr, vt, _ = orbits()
    found = conic.shape(mu, r, vr, vt)
    top = np.where(np.isfinite(found.apoapsis_radius), found.apoapsis_radius, 5 * r)
    for outbound in (True, False):
        target = found.periapsis_radius + 0.37 * (top - found.periapsis_radius)
        wait = conic.time_to_radius(mu, r, vr, vt, target, outbound)
        there = np.isfinite(wait)
        assert (wait[there] >= 0).all()
        radius, radial, _ = conic.propagate(mu[there], r[there], vr[there], vt[there], wait[there])
        assert np.quantile(np.abs(radius / target[there] - 1), 0.97) < 1e-8
        assert (np.sign(radial) == (1 if outbound else -1)).all()
        # Only an open orbit may have been there already, for good.
        assert there[np.isfinite(found.period)].all()


def test_time_to_a_radius_never_reached_is_nan():
    energy, h = conic.from_apsides(6.1e12, 1.0e6, 1.2e6)
    assert np.isnan(conic.time_to_radius(6.1e12, 1.0e6, 0.0, h / 1.0e6, 1.3e6))
    assert np.isnan(conic.time_to_radius(6.1e12, 1.0e6, 0.0, h / 1.0e6, 0.9e6, outbound=False))
    assert conic.speed_at_radius(6.1e12, energy, 1.0e6) == pytest.approx(h / 1.0e6)
    assert np.isnan(conic.speed_at_radius(6.1e12, energy, 3e6))


def test_from_apsides_of_a_parabola():
    energy, h = conic.from_apsides(6.1e12, 1.0e6, np.inf)
    assert energy == 0.0
    assert h / 1.0e6 == pytest.approx(conic.escape_speed(6.1e12, 1.0e6))


def test_numbers_in_numbers_out_and_arrays_broadcast():
    assert np.ndim(conic.propagate(6.1e12, 1e6, 0.0, 2400.0, 10.0)[0]) == 0
    assert conic.propagate(6.1e12, 1e6, 0.0, np.full((4, 1), 2400.0), np.zeros(3))[0].shape == (4, 3)
    assert conic.shape(6.1e12, np.full(5, 1e6), 0.0, 2400.0).period.shape == (5,)


def test_straight_fall_and_rise():
    """No angular momentum: a straight line. It falls from rest to half its height in the time of Curtis's rectilinear ellipse."""
    mu, r = 6.1e12, 1.0e6
    fall = conic.time_to_radius(mu, r, 0.0, 0.0, r / 2, outbound=False)
    assert fall == pytest.approx(np.sqrt((r / 2) ** 3 / mu) * (np.pi / 2 + 1), rel=1e-12)
    assert conic.propagate(mu, r, 0.0, 0.0, fall)[0] == pytest.approx(r / 2, rel=1e-9)
