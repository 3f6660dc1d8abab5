"""The least launch: its sums close, an independent integrator flies it into the same orbit with the same losses, nothing nearby is cheaper."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyser.fitting.atmosphere import standard_1976_air
from analyser.fitting.ideal import Place, plan_leg
from analyser.fitting.launch import _NODES, _Ascent, launch
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import least_delta_v
from analyser.flight import Atmosphere, Body, Craft, Goal, Stage, World

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
PUBLISHED = Path(__file__).resolve().parents[1] / "published"
ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
EARTH = Body("Earth", 3.986004418e14, 6378.137e3, 86164.1, atmosphere=standard_1976_air())
STILT = Craft("stack", (Stage("booster", 4100.0, 30000.0, 640e3, 275.0), Stage("lander", 2900.0, 9400.0, 58e3, 318.0)), drag_area=4.0)
# a two-stage launcher of a usual size; made up: 9.5 km/s in all, 1.3 of its weight on the ground
TALL = Craft("tall", (Stage("first", 24e3, 380e3, 6.4e6, 300.0), Stage("second", 5e3, 75e3, 0.9e6, 345.0)), drag_area=6.0)
ORBITS = {"Ardent": Place.around(ARDENT, 80e3, 80e3).orbit, "Earth": Place.around(EARTH, 185e3, 185e3).orbit}


@pytest.fixture(scope="module")
def small():
    return launch(ARDENT, ORBITS["Ardent"], Tanks.full(STILT))


@pytest.fixture(scope="module")
def tall():
    return launch(EARTH, ORBITS["Earth"], Tanks.full(TALL))


def test_losses_close(small, tall):
    for found in (small, tall):
        assert found.ascent - found.gravity - found.steering - found.drag == pytest.approx(found.gained, abs=0.02)
        assert found.delta_v == pytest.approx(found.ascent + found.orbit_burn, abs=1e-9)
        assert found.programme[0][1] == pytest.approx(math.pi / 2)


def test_the_simulator_flies_it_into_the_orbit(small):
    """The simulator, which shares no formula with this, flies the programme: apoapsis, speed spent, and each loss."""
    from simulator.craft import read_craft
    from simulator.bodies import read_world
    from simulator.motion import DRAG, GRAVITY, SPENT, STEERING, Simulation
    from simulator.steering import pitch_programme

    craft = read_craft(SAMPLES / "craft" / "heron-on-stilt.toml")
    sim = Simulation.on_pad(read_world(SAMPLES / "worlds" / "ardent.toml"), craft, "Ardent")
    ascent = _Ascent(ARDENT, ORBITS["Ardent"], Tanks.full(STILT), small.apsis_radius)
    end = ascent.fly(_unknowns(ascent, small)[None], record=True)
    assert sum(stage[3] for stage in ascent.stages[:1]) > small.duration  # one stage does it here
    pitches = [math.pi / 2, *_unknowns(ascent, small)[1:]]
    sim.burn(pitch_programme([(float(share) * small.duration, pitch) for share, pitch in zip(_NODES, pitches)]), duration=small.duration)
    spent, gravity, steering, drag = (float(sim.y[k]) for k in (SPENT, GRAVITY, STEERING, DRAG))
    assert spent == pytest.approx(small.ascent, abs=0.05)
    assert (gravity, steering) == (pytest.approx(float(end["at"][3, 0]), abs=0.3), pytest.approx(float(end["at"][4, 0]), abs=0.3))
    assert drag == pytest.approx(float(end["at"][5, 0]), abs=0.3)
    sim.coast(until=_rising_stops)
    assert sim.altitude == pytest.approx(80e3, abs=150)


def test_from_a_case_like_it_the_same_is_found(small):
    orbit = Place.around(ARDENT, 84e3, 90e3).orbit
    alone, helped = launch(ARDENT, orbit, Tanks.full(STILT)), launch(ARDENT, orbit, Tanks.full(STILT), near=small)
    assert helped.delta_v == pytest.approx(alone.delta_v, abs=0.3)
    assert helped.unknowns == pytest.approx(tuple(_unknowns(_Ascent(ARDENT, orbit, Tanks.full(STILT), helped.apsis_radius), helped)), abs=1e-6)


def _rising_stops(sim, t, y):
    return -float(y[:3] @ y[3:6])


def _unknowns(ascent, found):
    """The unknowns behind a launch, read back from its programme: the pitch at each node of time."""
    times, pitches = np.array([row[0] for row in found.programme]), np.array([row[1] for row in found.programme])
    # the last row is one step before the cutoff: the straight line goes on
    slope = (pitches[-1] - pitches[-2]) / (times[-1] - times[-2])
    known = np.append(times, found.duration), np.append(pitches, pitches[-1] + slope * (found.duration - times[-1]))
    # least squares of the knots over all rows, exact as every row lies on the lines
    basis = np.array([np.interp(known[0], _NODES * found.duration, np.eye(len(_NODES))[k]) for k in range(len(_NODES))]).T
    best = np.linalg.lstsq(basis, known[1], rcond=None)[0]
    return np.array([found.duration / ascent.longest, *best[1:]])


def test_no_neighbour_is_cheaper(small):
    """Five hundred programmes nearby that reach the same apoapsis as nearly: none costs less."""
    ascent = _Ascent(ARDENT, ORBITS["Ardent"], Tanks.full(STILT), small.apsis_radius)
    z = _unknowns(ascent, small)
    rng = np.random.default_rng(2)
    near = z + rng.normal(0, [2e-3, *[0.03] * (len(z) - 1)], (500, len(z)))
    out = ascent.fly(np.vstack([z, near]))
    price = out["total"][0]
    # an apsis that errs costs at most what shifting it costs: charged at twice that
    charged = out["total"] + 2 * np.abs(out["apsis"]) * ascent.unit
    assert charged[1:].min() > price - 0.5


def test_losses_of_a_launcher_from_the_earth(tall):
    """Humble, Henry and Larson, *Space Propulsion Analysis and Design* (1995), launch-loss table (recalled from memory): gravity, steering and drag together.

    An optimum without limits on load or angle of attack loses less than the least of the six launchers. How much less the table can't say; that the optimum itself is right, a
    collocation of a launch from the Earth says (``test_launch_collocation.py``). The drag of a craft of usual size for its mass is in the table's range.
    """
    with open(PUBLISHED / "velocity_losses.csv", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["phase"].startswith("ascent to LEO")]
    least = min(sum(float(row[name]) for name in ("gravity_or_total_loss", "steering", "drag")) for row in rows)
    assert len(rows) == 6 and tall.gravity + tall.steering + tall.drag < least
    assert 40 <= tall.drag <= 156
    # what was spent is what the craft gained and lost; below the impulsive bound no launch can be
    bound = float(least_delta_v(EARTH.mu, *Place.on(EARTH).orbit, *ORBITS["Earth"], radius_min=EARTH.radius))
    assert tall.delta_v > bound


def test_more_drag_or_less_thrust_costs_more(small):
    thick = launch(ARDENT, ORBITS["Ardent"], Tanks.full(replace(STILT, drag_area=8.0)))
    weak = launch(ARDENT, ORBITS["Ardent"], Tanks.full(replace(STILT, stages=(replace(STILT.stages[0], thrust=500e3), STILT.stages[1]))))
    assert thick.delta_v > small.delta_v + 20 and weak.delta_v > small.delta_v + 20
    bound = float(least_delta_v(ARDENT.mu, *Place.on(ARDENT).orbit, *ORBITS["Ardent"], radius_min=ARDENT.radius))
    assert small.delta_v > bound


def test_what_can_not_be_launched_says_why():
    heavy = replace(STILT, stages=(replace(STILT.stages[0], thrust=200e3), STILT.stages[1]))
    assert "less than the weight" in launch(ARDENT, ORBITS["Ardent"], Tanks.full(heavy)).reason
    assert "drag_area" in launch(ARDENT, ORBITS["Ardent"], Tanks.full(replace(STILT, drag_area=math.nan))).reason
    assert "inside the air" in launch(ARDENT, Place.around(ARDENT, 30e3, 30e3).orbit, Tanks.full(STILT)).reason


def test_the_plan_uses_it(small):
    world = World("made", {"Ardent": ARDENT})
    leg = plan_leg(Goal("orbit", "Ardent", 80e3, 80e3), world, STILT, Place.on(ARDENT), check=True).ideal
    assert leg.delta_v == pytest.approx(small.delta_v, abs=1e-6)
    assert any(remark.startswith("pitch programme") for remark in leg.remarks) and len(leg.burns) == 2
