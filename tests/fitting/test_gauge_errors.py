"""Gauges that are off, found where the readings demand it and only there: simulated flights with known errors of their panels."""

from __future__ import annotations

import dataclasses

import pytest
from reconstruction import Tally, compare, reconstruct
from simulator.random_flights import random_flight

from analyser.fitting.gauge_corrections import GaugeError

SAID = ("readings are corrected", "carried back", "taken as that")


def errors_said(findings) -> list[str]:
    return [remark for remark in findings.remarks if any(words in remark for words in SAID)]


@pytest.mark.parametrize(
    ("seed", "panel", "gauge", "size"),
    [
        (1, {"bias": {"vertical_speed": 3.0}}, "vertical-speed gauge shows 3", "too much"),
        (4, {"bias": {"speed": -5.0}}, "speed gauge shows 5", "too little"),
        (4, {"lag": {"altitude": 3.0}}, "altimeter was read 3", "after the clock"),
        (3, {"lag": {"vertical_speed": -2.0}}, "vertical-speed gauge was read 2", "before the clock"),
    ],
    ids=lambda value: str(value)[:34],
)
def test_an_error_of_a_gauge_is_found_named_and_taken_out(seed, panel, gauge, size):
    flight = random_flight(seed, **panel)
    findings = reconstruct(flight)
    (said,) = errors_said(findings)
    assert gauge in said and size in said
    tally = Tally()
    compare(tally, findings, flight.truth)
    assert (tally.found, tally.invented) == (tally.burns, 0)
    # a gauge read seconds off the clock may have been read while the burn beside the row still went on
    assert tally.thrown_away <= (3 if "lag" in panel else 1)
    held, given = (sum(counts[place] for counts in tally.held.values()) for place in (0, 1))
    assert held >= 0.85 * given, tally.misses


@pytest.mark.parametrize("seed", [11, 12])
def test_right_panels_are_left_alone_though_pilots_slip(seed):
    findings = reconstruct(random_flight(seed, slip_rate=0.05))
    assert not errors_said(findings)


def test_a_zero_smaller_than_the_last_digit_is_not_demanded():
    flight = random_flight(1)
    step = 10.0 ** -flight.book.gauges["vertical_speed"].steps[0][2]
    assert not errors_said(reconstruct(random_flight(1, bias={"vertical_speed": 0.3 * step})))


@pytest.mark.parametrize(("read", "named"), [("surface_speed", "speed"), ("speed", "surface_speed")])
def test_a_speed_under_another_speeds_name(read, named):
    columns = ("body", "altitude", read, "vertical_speed", "throttle", "propellant")
    flight = next(one for one in (random_flight(seed, columns=columns, burns=1) for seed in range(40)) if _turns_fast(one))
    right = reconstruct(flight)
    assert not errors_said(right)
    wrong = dataclasses.replace(flight, csv=flight.csv.replace(f",{read} [", f",{named} [", 1))
    findings = reconstruct(wrong)
    (said,) = errors_said(findings)
    assert f"the column {named} fits the motion only as {read.replace('_', ' ')}" in said
    assert [arc.periapsis_altitude.value for arc in findings.arcs] == pytest.approx([arc.periapsis_altitude.value for arc in right.arcs], rel=1e-6)


def _turns_fast(flight) -> bool:
    """Whether the ground of the body flown about turns at some per cent of the orbital speed, with the orbit."""
    body = next(iter({segment.body.name: segment.body for segment in flight.sim.segments}.values()))
    return body.spin > 0 and body.spin * body.radius > 0.03 * (body.mu / body.radius) ** 0.5


def test_what_is_said_has_units_a_pilot_reads():
    assert "shows 120 m too little (+-10 m), by 3 coasts" in str(GaugeError("zero", "altitude", -120.0, 5.2, coasts=3))
    assert "shows 2 deg too much" in str(GaugeError("zero", "flight_path_angle", 0.0349066, 0.001, coasts=2))
    assert "read 1.5 s before the clock" in str(GaugeError("lag", "speed", -1.5, 0.1, coasts=2))
