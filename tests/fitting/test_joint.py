"""The parts of the joint estimate, each against another way of reckoning it, and what it does with burns it can't picture."""

import dataclasses
import math
import tempfile
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from bounds import bounds_of
from reconstruction import Tally, compare, narrowing, reconstruct
from simulator.random_flights import random_flight, write_flight_folder

from analyser.fitting import conic, fit_flight
from analyser.fitting.block_chain import BlockChain
from analyser.fitting.elements import propagate as propagate_vector
from analyser.fitting.finite_arcs import fly_burn
from analyser.fitting.joint_sphere import moon_motion, seen_from_planet
from analyser.flight import Body
from analyser.ingest import load_flight

MU = 6.1e12
START = np.array([1.0e6, 120.0, 2500.0])


def integrated(length, spent, angle, rate, exhaust, until):
    """The same burn in inertial axes by scipy's integrator: position, velocity and mass ratio."""

    def slope(t, y):
        x, vx = y[:2], y[2:4]
        flow = -math.expm1(-spent / exhaust) / length
        push = exhaust * flow / (1 - flow * t) if t <= length else 0.0
        turn = angle + rate * (t - length / 2)
        out = x / np.hypot(*x)
        ahead = vx / np.hypot(*vx)
        # turned from the velocity towards the outside
        side = np.array([ahead[1], -ahead[0]])
        if side @ out < 0:
            side = -side
        pull = -MU * x / np.hypot(*x) ** 3
        return np.concatenate([vx, pull + push * (math.cos(turn) * ahead + math.sin(turn) * side)])

    y0 = np.array([START[0], 0.0, START[1], START[2]])
    out = solve_ivp(slope, (0, until), y0, rtol=1e-11, atol=1e-9, max_step=length / 20)
    x, v = out.y[:2, -1], out.y[2:, -1]
    r = np.hypot(*x)
    return np.array([r, x @ v / r, (x[0] * v[1] - x[1] * v[0]) / r])


@pytest.mark.parametrize(("spent", "length", "angle", "rate"), [(300.0, 120.0, 0.0, 0.0), (900.0, 300.0, 2.6, 1e-3), (40.0, 5.0, -1.2, 0.0)])
def test_burn_agrees_with_another_integrator(spent, length, angle, rate):
    one = lambda x: np.array([x])  # noqa: E731
    end, along = fly_burn(MU, START[:, None], one(50.0), one(50.0 + length), one(spent), one(angle), one(rate), 3000.0, [50.0 + 0.37 * length, 50.0 + length + 60])
    scale = np.array([1e-2, 1e-4, 1e-4])
    assert np.all(np.abs(end[:, 0] - integrated(length, spent, angle, rate, 3000.0, length)) < scale)
    assert np.all(np.abs(along[:, 0, 0] - integrated(length, spent, angle, rate, 3000.0, 0.37 * length)) < scale)
    coasted = np.array(conic.propagate(MU, *end[:, 0], 60.0))
    assert np.allclose(along[:, 1, 0], coasted, rtol=1e-12)


def test_no_thrust_is_a_coast():
    one = lambda x: np.array([x])  # noqa: E731
    end, along = fly_burn(MU, START[:, None], one(0.0), one(200.0), one(0.0), one(0.5), one(0.0), math.nan, [-30.0])
    assert np.allclose(end[:, 0], conic.propagate(MU, *START, 200.0), rtol=1e-8)
    assert np.allclose(along[:, 0, 0], conic.propagate(MU, *START, -30.0), rtol=1e-12)


def test_chain_solves_as_the_whole_matrix_does():
    rng = np.random.default_rng(5)
    sizes = [9, 4, 8, 3]
    edges = np.cumsum([0, *sizes])
    whole = np.zeros((edges[-1], edges[-1]))
    for k in range(3):
        part = rng.normal(size=(12, edges[k + 2] - edges[k]))
        whole[edges[k] : edges[k + 2], edges[k] : edges[k + 2]] += part.T @ part
    whole += np.eye(len(whole))
    cut = [slice(a, b) for a, b in zip(edges, edges[1:])]
    chain = BlockChain([whole[s, s] for s in cut], [whole[t, s] for s, t in zip(cut, cut[1:])])
    right = rng.normal(size=len(whole))
    assert np.allclose(np.concatenate(chain.solve([right[s] for s in cut])), np.linalg.solve(whole, right))
    inverse = np.linalg.inv(whole)
    for block, s in zip(chain.covariances(), cut):
        assert np.allclose(block, inverse[s, s])
    normals = np.eye(len(whole))
    drawn = np.concatenate(chain.spread([normals[s] for s in cut]))
    assert np.allclose(drawn @ drawn.T, inverse)


def test_moon_state_from_the_planet_agrees_with_vectors():
    planet = Body("P", 6.1e12, 8.9e5)
    moon = Body("M", 2.1e11, 3.1e5, parent="P", semi_major_axis=2.1e7, eccentricity=0.07, mean_anomaly_at_epoch=0.7, sphere_of_influence=5.4e6)
    met, angle, about_moon = 5000.0, 2.3, np.array([5.4e6, -150.0, 40.0])
    a, e = moon.semi_major_axis, moon.eccentricity
    low, fast = a * (1 - e), math.sqrt(planet.mu / a * (1 + e) / (1 - e))
    since = 0.7 / math.sqrt(planet.mu / a**3)
    place, moving = propagate_vector(planet.mu, np.array([low, 0, 0]), np.array([0, fast, 0]), met + since)
    out = place / np.linalg.norm(place)
    side = np.cross([0, 0, 1.0], out)
    arm = math.cos(angle) * out + math.sin(angle) * side
    ahead = np.cross([0, 0, 1.0], arm)
    for sense in (1.0, -1.0):
        x = place + about_moon[0] * arm
        v = moving + about_moon[1] * arm + sense * about_moon[2] * ahead
        r = np.linalg.norm(x)
        expected = [r, x @ v / r, np.linalg.norm(np.cross(x, v)) / r]
        found = seen_from_planet(planet, moon, about_moon[:, None], np.array([met]), np.array([angle]), sense)[:, 0]
        assert np.allclose(found, expected, rtol=1e-9)
    assert np.allclose(moon_motion(planet, moon, np.array([met]))[0, 0], np.linalg.norm(place), rtol=1e-10)


def loaded(simulated, change=lambda flight: flight, joined=True):
    with tempfile.TemporaryDirectory() as folder:
        return fit_flight(change(load_flight(write_flight_folder(Path(folder) / "flight", simulated))), joined)


def test_a_craft_that_is_not_the_one_flown_leaves_the_coasts_alone():
    """An exhaust a fifth too slow contradicts the orbits: the burn is not believed, that is said, and coasts stand on their own readings."""
    simulated = random_flight(6, burns=2)

    def weak(flight):
        stages = tuple(dataclasses.replace(stage, specific_impulse=0.8 * stage.specific_impulse) for stage in flight.craft.stages)
        return dataclasses.replace(flight, craft=dataclasses.replace(flight.craft, stages=stages))

    joined, apart = loaded(simulated, weak), loaded(simulated, weak, joined=False)
    assert sum("does not join" in remark for remark in joined.remarks) == len(joined.burns) == 2
    for one, other in zip(joined.arcs, apart.arcs):
        assert np.array_equal(one.state, other.state) and np.array_equal(one.covariance, other.covariance)
    assert not any("does not join" in remark for remark in loaded(simulated).remarks)


def test_a_throttle_that_moved_is_said():
    simulated = random_flight(8, burns=1, per_burn=4)

    def moved(flight):
        table = flight.readings.table.copy()
        open_rows = np.flatnonzero(table["throttle"].to_numpy() > 0.005)
        table.loc[table.index[open_rows[0]], "throttle"] = 0.5 * table["throttle"].iloc[open_rows[-1]]
        return dataclasses.replace(flight, readings=dataclasses.replace(flight.readings, table=table))

    assert any("the throttle moved" in remark for remark in loaded(simulated, moved).remarks)


def test_coasts_are_joined_at_the_edge_of_the_moons_sphere():
    simulated = random_flight(1, mission="transfer")
    joined, apart = loaded(simulated), loaded(simulated, joined=False)
    crossing = next(k for k, (a, b) in enumerate(zip(joined.arcs, joined.arcs[1:])) if a.body != b.body)
    for index in (crossing, crossing + 1):
        one, other = joined.arcs[index], apart.arcs[index]
        assert np.linalg.det(one.covariance) < 0.5 * np.linalg.det(other.covariance)
        own = next(arc for arc in simulated.truth["arcs"] if arc["kind"] == "coast" and arc["body"] == one.body and arc["start"] - 1 <= (one.start + one.end) / 2 <= arc["end"] + 1)
        assert abs(one.eccentricity.value - own["eccentricity"]) < 4 * one.eccentricity.sigma


def test_a_phase_that_nobody_knows_leaves_the_crossing_open():
    """Of a moon on an eccentric orbit whose phase the world leaves out, distance and speed at the crossing are unknown."""
    simulated = random_flight(1, mission="transfer")

    def unknown(flight):
        bodies = {name: dataclasses.replace(body, mean_anomaly_at_epoch=math.nan, eccentricity=max(body.eccentricity, 0.01) if body.parent else 0.0)
                  for name, body in flight.world.bodies.items()}  # fmt: skip
        return dataclasses.replace(flight, world=dataclasses.replace(flight.world, bodies=bodies))

    joined, apart = loaded(simulated, unknown), loaded(simulated, unknown, joined=False)
    crossing = next(k for k, (a, b) in enumerate(zip(joined.arcs, joined.arcs[1:])) if a.body != b.body)
    # joined by burns on its own side only
    assert np.linalg.det(joined.arcs[crossing + 1].covariance) > 0.3 * np.linalg.det(apart.arcs[crossing + 1].covariance)


def test_descent_and_ascent_are_links_of_the_chain():
    """Propellant goes on through the contact with the ground: what both burns spent is told better by all the flight than by the gauge beside them, and
    nearly as well as the readings allow."""
    tally, apart = Tally(), Tally()
    for seed in (6000, 6003, 6004):
        simulated = dataclasses.replace(random_flight(seed, mission="there and back", near_ground=4), plan="")
        for side, joined in ((tally, True), (apart, False)):
            compare(side, reconstruct(simulated, joined), simulated.truth, f"seed {seed}", bounds_of(simulated))
    ratio, most, count = narrowing(tally, apart)["spent from or to the ground"]
    assert count == 6
    assert ratio < 0.97 and most < 1.02
    assert tally.held["spent from or to the ground"] == [6, 6]
    assert 0.8 < tally.over_bound("spent from or to the ground") < 1.3
