"""The least delta-v of the burn audit against a blind search that knows no theory of transfers."""

from __future__ import annotations

import math

import pytest
from simulator import random_flight
from simulator.second_opinion import least_delta_v_by_search

from analyser.fitting.transfer import least_delta_v

MU = 3.986004418e14


def shape(periapsis: float, apoapsis: float) -> tuple[float, float]:
    return -MU / (periapsis + apoapsis), math.sqrt(2 * MU * periapsis * apoapsis / (periapsis + apoapsis))


def test_the_search_finds_the_hohmann_transfer():
    """Curtis, Orbital Mechanics for Engineering Students, section 6.2 (closed form written out here)."""
    r1, r2 = 6.7e6, 4.2e7
    by_hand = math.sqrt(2 * MU / r1 - 2 * MU / (r1 + r2)) - math.sqrt(MU / r1) + math.sqrt(MU / r2) - math.sqrt(2 * MU / r2 - 2 * MU / (r1 + r2))
    assert least_delta_v_by_search(MU, shape(r1, r1), shape(r2, r2), highest=6e7) == pytest.approx(by_hand, rel=1e-5)


@pytest.mark.parametrize("seed", [300, 301, 302, 303, 304])
def test_needed_is_what_a_blind_search_finds(seed):
    flight = random_flight(seed)
    coasts = [arc for arc in flight.truth["arcs"] if arc["kind"] == "coast"]
    for burn in flight.truth["burns"][:2]:
        body = flight.world[burn["body"]]
        before = next(arc for arc in coasts if abs(arc["end"] - burn["ignition"]) < 1e-3)
        after = next(arc for arc in coasts if abs(arc["start"] - burn["cutoff"]) < 1e-3)
        shapes = [(arc["energy"], arc["angular_momentum"]) for arc in (before, after)]
        searched = least_delta_v_by_search(body.mu, *shapes, highest=min(body.soi, 20 * body.radius))
        assert float(least_delta_v(body.mu, *shapes[0], *shapes[1], radius_max=min(body.soi, 20 * body.radius))) == pytest.approx(searched, rel=1e-3)
        if burn["net"] is not None:
            assert searched <= burn["net"] * (1 + 0.3 * burn["swept"] ** 2) + 1e-3 * burn["net"]
