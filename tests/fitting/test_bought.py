"""What a waste would have bought: against hovering and burning integrated step by step, on a sample flight and on a planted one."""

import dataclasses
import math
from pathlib import Path

import pytest
from planted_faults import planted
from reconstruction import reconstruct
from scipy.integrate import solve_ivp

from analyser.findings import Estimate, Transition
from analyser.fitting import fit_flight
from analyser.fitting.bought import margin_left, worth_of
from analyser.flight import STANDARD_GRAVITY
from analyser.ingest.flights import load_flight

FLIGHTS = Path(__file__).resolve().parents[2] / "samples" / "flights"
EXHAUST = 318 * STANDARD_GRAVITY
LULL_GRAVITY = 2.1e11 / 310e3**2


@pytest.fixture(scope="module")
def found():
    return fit_flight(load_flight(FLIGHTS / "second-try"))


def hovered(propellant: float, dry: float) -> float:
    """Seconds until so much propellant is gone when thrust carries the weight, by integration."""
    end = solve_ivp(lambda _, mass: -mass * LULL_GRAVITY / EXHAUST, (0, 1e5), [dry + propellant], events=lambda _, mass: mass[0] - dry, rtol=1e-10)
    return float(end.t_events[0][0])


def test_what_was_wasted_before_the_landing_could_have_hovered(found):
    landed = next(item for item in found.margins if item.burn == 5).propellant.value + 2900.0
    legs = {leg.name: leg for leg in found.legs}
    for name in ("transfer", "capture", "descent"):
        leg = legs[name]
        assert leg.hover_over == "Lull"
        assert leg.hover.value == pytest.approx(hovered(leg.waste_propellant.value, landed), rel=1e-3)
        assert leg.hover.low < leg.hover.value < leg.hover.high
    for name in ("ascent", "return"):  # nobody hovers after the last landing on the engine
        assert not legs[name].hover.known and "land" in legs[name].hover.reason and legs[name].kept.known
    assert not legs["entry"].hover.known and not legs["entry"].kept.known


def test_what_was_wasted_would_be_in_the_tanks_at_the_end(found):
    end = found.margins[-1].propellant.value
    for leg in found.legs:
        if leg.burns:
            kept = EXHAUST * math.log((2900 + end + leg.waste_propellant.value) / (2900 + end))
            assert leg.kept.value == pytest.approx(kept, rel=1e-3)
    # the last leg's waste is its own: nothing was burnt after it
    last = next(leg for leg in found.legs if leg.name == "return")
    assert last.kept.value == pytest.approx(last.waste.value, rel=1e-6)
    assert margin_left(found.margins) == pytest.approx(found.margins[-1].margin.value)


def test_the_sentence_tells_it(found):
    dearest = found.advice[0]
    assert "of hovering over Lull" in dearest.sentence and f"{margin_left(found.margins):.0f} m/s" in dearest.sentence
    assert all("hovering" not in item.sentence for item in found.advice if item.leg in ("ascent", "return"))


def test_propellant_of_a_dropped_stage_buys_nothing_later(found):
    class Item:
        burn, mass_after, exhaust_speed = found.burns[0], 4000.0, EXHAUST

    later = [Item(), Item()]
    later[1].burn = found.burns[4]
    met = Estimate.of((found.burns[0].cutoff.value + found.burns[4].cutoff.value) / 2, 1.0, "s")
    staged = dataclasses.replace(found, transitions=(Transition(met, "staging", "booster", "lander"),))
    mass = Estimate.of(100.0, 1.0, "kg")
    assert worth_of(mass, 0, found, later, None).kept.value == pytest.approx(EXHAUST * math.log1p(100 / 4000))
    assert "dropped" in worth_of(mass, 0, staged, later, None).kept.reason


def test_what_is_not_known_stays_so_with_its_reason():
    simulated = planted(500, "late")
    table = [line.split(",") for line in simulated.csv.splitlines()]
    place = next(k for k, head in enumerate(table[0]) if head.strip().startswith("propellant"))
    bare = "\n".join(",".join(part for k, part in enumerate(line) if k != place) for line in table) + "\n"
    leg = reconstruct(dataclasses.replace(simulated, csv=bare)).legs[0]
    assert not leg.kept.known and leg.kept.reason
