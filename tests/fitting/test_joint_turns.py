"""Burns that turn the plane, flown and joined."""

from __future__ import annotations

import dataclasses
import math
from unittest import mock

import numpy as np
import pytest
from reconstruction import Tally, compare, narrowing, reconstruct
from scipy.integrate import solve_ivp
from simulator.random_flights import COLUMNS, random_flight

from analyser.fitting.finite_arcs import fly_burn

MU = 6.1e12
START = np.array([1.0e6, 120.0, 2500.0])


def integrated(length, spent, aim, offset, rates, exhaust):
    """The same burn in space by scipy's integrator, the thrust kept in axes along the motion: (radius, radial, transverse speed, normal at the end in axes at the beginning)."""

    def axes(x, v):
        normal = np.cross(x, v)
        ahead = v / np.linalg.norm(v)
        normal /= np.linalg.norm(normal)
        return ahead, np.cross(ahead, normal), normal  # along, to the outside, to the left

    def slope(t, y):
        x, v = y[:3], y[3:]
        flow = -math.expm1(-spent / exhaust) / length
        push = exhaust * flow / (1 - flow * t)
        p, q = (part + rate * (t - length / 2) for part, rate in zip(offset, rates))
        (ci, si), (co, so) = ((math.cos(part), math.sin(part)) for part in aim)
        parts = np.array([co * ci - p * si - q * so * ci, co * si + p * ci - q * so * si, so + q * co])
        thrust = push * parts / np.linalg.norm(parts)
        return np.concatenate([v, -MU * x / np.linalg.norm(x) ** 3 + sum(part * axis for part, axis in zip(thrust, axes(x, v)))])

    y0 = np.array([START[0], 0, 0, START[1], START[2], 0.0])
    y = solve_ivp(slope, (0, length), y0, rtol=1e-11, atol=1e-9, max_step=length / 20).y[:, -1]
    x, v = y[:3], y[3:]
    normal = np.cross(x, v)
    r = np.linalg.norm(x)
    return np.array([r, x @ v / r, np.linalg.norm(normal) / r, *(normal / np.linalg.norm(normal))])


@pytest.mark.parametrize(
    ("length", "spent", "aim", "offset", "rates"),
    [(60.0, 300.0, (0.3, 1.2), (0.0, 0.0), (0.0, 0.0)), (300.0, 900.0, (2.6, -0.8), (0.1, -0.2), (1e-3, -5e-4)), (120.0, 700.0, (0.0, math.pi / 2), (0.05, 0.02), (0.0, 1e-3))],
)
def test_a_turning_burn_agrees_with_an_integration_in_space(length, spent, aim, offset, rates):
    one = lambda x: np.array([x])  # noqa: E731
    end, _ = fly_burn(
        MU, START[:, None], one(0.0), one(length), one(spent), one(offset[0]), one(rates[0]), 3000.0, (), one(offset[1]), one(rates[1]), aim)  # fmt: skip
    apart = np.abs(end[:, 0] - integrated(length, spent, aim, offset, rates, 3000.0))
    assert np.all(apart < [5e-2, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6])


def test_turning_burns_join_their_coasts_and_their_intervals_hold():
    """On inclined flights with places: what the burns spent and their net impulse are told more sharply than coast by coast, and still hold the truth."""
    joined, apart, refused = Tally(), Tally(), 0
    for seed in (500, 502, 503, 505, 506, 507, 509, 510):
        try:
            simulated = dataclasses.replace(random_flight(seed, columns=(*COLUMNS, "latitude", "longitude"), inclined=True, per_coast=6), plan="")
        except RuntimeError:
            continue
        with mock.patch("analyser.fitting.analyse.advise", return_value=()):
            findings = reconstruct(simulated)
            refused += sum("does not join" in remark for remark in findings.remarks)
            compare(joined, findings, simulated.truth, f"seed {seed}")
            compare(apart, reconstruct(simulated, joined=False), simulated.truth, f"seed {seed}")
    assert joined.found == joined.burns >= 14 and refused <= 1
    for name in ("spent", "net", "semi_major_axis"):
        inside, given = joined.held[name]
        assert inside >= given * 0.95 - 3.1 * math.sqrt(given * 0.95 * 0.05), name
    narrower = narrowing(joined, apart)
    assert narrower["net"][0] < 0.85 and narrower["ignition"][0] < 0.8
