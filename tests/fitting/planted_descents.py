"""Seeded descents to random airless moons with one fault planted each, and what the advice makes of them.

Larger runs:  python tests/fitting/planted_descents.py --flights 60
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import reconstruct
from simulator import steering as st
from simulator.conditions import across_speed_below, periapsis_below
from simulator.descents import NoBrake, dropping, fly_brake, solve_brake
from simulator.missions import in_orbit, shape_now
from simulator.random_flights import COLUMNS, SimulatedFlight, notes_of, panel_of, times_of
from simulator.random_missions import Unfit
from simulator.random_worlds import log_uniform, random_craft, random_world
from simulator.truth import truth_of

FAULTS = ("clean", "hover", "slow let-down", "low throttle", "early braking", "late braking")


def planted_descent(seed: int, fault: str) -> SimulatedFlight:
    """From a low orbit to the ground of a random moon; ``truth`` holds "fault" and "spent" (m/s, of the whole descent)."""
    for attempt in range(80):
        try:
            sim = _fly(np.random.default_rng([seed, 12, attempt]), fault)
        except (Unfit, ValueError):
            continue
        rng = np.random.default_rng([seed, 13])
        body = sim.segments[0].body
        circular = math.sqrt(body.mu / body.radius)
        mets = times_of(sim, rng, 6, 18)
        book = notes_of(sim, rng, panel_of(rng, circular, None, sim.craft.stages[0].propellant), mets, COLUMNS)
        csv = book.csv()
        rows = [{"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"]} for row in book.rows]
        told = truth_of(sim)
        truth = {"name": f"{fault} {seed}", **told, "rows": rows, "fault": fault, "spent": sum(burn["spent"] for burn in told["burns"])}
        low = shape_of_start(sim) / 1e3
        plan = (
            f'name = "Down"\nstart = {{ body = "{body.name}", orbit = "{low:.4g} x {low:.4g} km" }}\n\n'
            f'[[legs]]\nname = "descent"\ngoal = {{ landed = "{body.name}" }}\n'
        )
        return SimulatedFlight(f"{fault} {seed}", sim.world, sim.craft, csv, truth, sim, plan, book)
    raise RuntimeError(f"seed {seed}, {fault}: no descent in 80 attempts")


def shape_of_start(sim) -> float:
    """Altitude at the start, m."""
    first = sim.segments[0]
    return float(np.linalg.norm(first.state[:3])) - first.body.radius


def falling(rng: np.random.Generator, fault: str):
    """A craft on its way down from a low orbit, the engine off again; and how a fault is to be flown (throttle, height m, time s, share of the burn)."""
    world = random_world(rng, mu=log_uniform(rng, 1e13, 1e15))
    moon = world.moons(world.planet.name)[0]
    circular, weight = math.sqrt(moon.mu / moon.radius), moon.mu / moon.radius**2
    if circular < 400.0 or circular > 3000.0:
        raise Unfit
    craft = random_craft(rng, 1.6 * circular, weight)
    stage = craft.stages[0]
    full = craft.empty_mass(0) + stage.propellant
    craft = replace(craft, stages=(replace(stage, thrust=float(f"{full * weight * rng.uniform(2.0, 4.0):.3g}")),))
    height = moon.radius * log_uniform(rng, 0.03, 0.08)
    sim = in_orbit(world, craft, moon.name, height, 1.002 * height, 0.0, float(rng.uniform(0, 6)))
    sim.rtol = 1e-9
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.2, 0.5))
    soft, high, long, share = float(rng.uniform(0.4, 0.6)), float(rng.uniform(400, 900)), float(rng.uniform(60, 150)), float(rng.uniform(0.15, 0.4))
    steep = float(rng.choice([-0.01, -0.02]))
    depth = steep if fault in ("early braking", "late braking") else 0.0008
    if fault == "low throttle" and soft * craft.stages[0].thrust / full < 1.15 * weight:
        raise Unfit
    # just over the ground, or deep enough under it to have a latest moment to brake at
    sim.burn(st.retrograde(), periapsis_below(depth * moon.radius))
    sim.coast(duration=20.0)
    return sim, soft, high, long, share


def _fly(rng: np.random.Generator, fault: str):
    sim, soft, high, long, share = falling(rng, fault)
    craft, body = sim.craft, sim.body
    circular, weight = math.sqrt(body.mu / body.radius), body.mu / body.radius**2
    spare = craft.stages[0].thrust / float(sim.y[6]) - weight
    if fault == "early braking":
        _stopped_high(sim, share)
    elif fault == "late braking":
        _stopped_by_the_ground(sim, share)
    else:
        gate = {"slow let-down": high, "hover": float(rng.uniform(25, 60))}.get(fault, 0.3)
        fly_brake(sim, solve_brake(sim, gate, 1.5, soft if fault == "low throttle" else 1.0), to_ground=gate < 1.0)
    if fault == "hover":
        sim.burn(st.letting_down(0.0, 0.0), duration=long)
    if fault in ("slow let-down", "hover"):
        sink = (1.0, 0.015) if fault == "slow let-down" else (1.5, min(0.3, 0.6 * math.sqrt(spare / max(sim.altitude, 40.0))))
        sim.burn(st.letting_down(*sink, sink_high=0.1 * circular), duration=1500.0)
    elif not sim.landed:
        sim.burn(dropping(), duration=1500.0)
    hard = sim.touchdowns and sim.touchdowns[-1]["vertical_speed"] < -12.0
    if not sim.touchdowns or (hard and fault != "late braking") or spare < 0.2 * weight:
        raise Unfit
    sim.wait(60.0)
    return sim


def _stopped_high(sim, share: float) -> None:
    """Full thrust held against the motion, lit so early that the craft stops high over the ground."""
    best = solve_brake(sim, 0.3, 1.5)
    for early in share + np.arange(0.0, 2.0, 0.15):
        trial = sim.clone()
        if best.wait < early * best.length + 5.0:
            break
        trial.coast(duration=best.wait - float(early) * best.length)
        trial.burn(_against_the_ground, across_speed_below(2.0), duration=2.0 * best.length)
        if not trial.landed and trial.altitude > max(500.0, 0.002 * sim.body.radius):
            sim.coast(duration=best.wait - float(early) * best.length)
            sim.burn(_against_the_ground, across_speed_below(2.0), duration=2.0 * best.length)
            return
    raise Unfit


def latest_start(sim, length: float) -> float:
    """Seconds of coasting after which full thrust against the motion just stops the craft at the ground: met or not, tried out."""
    trial = sim.clone()
    trial.coast(duration=1e6)
    low, high = 1.0, trial.met - sim.met - 1.0  # the coast meets the ground
    for _ in range(14):
        middle = (low + high) / 2
        trial = sim.clone()
        trial.coast(duration=middle)
        trial.burn(_against_the_ground, across_speed_below(1.0), duration=2.0 * length)
        low, high = (low, middle) if trial.landed else (middle, high)
    return low


def _stopped_by_the_ground(sim, share: float) -> None:
    """Full thrust held against the motion, lit too late to be stopped in time: the ground is met at 25 to 150 m/s."""
    length = solve_brake(sim, 0.3, 1.5).length
    latest = latest_start(sim, length)
    for late in np.geomspace(0.01, 0.6, 14) * share:
        trial = sim.clone()
        trial.coast(duration=latest + float(late) * length)
        if trial.landed:
            break
        trial.burn(_against_the_ground, across_speed_below(1.0), duration=2.0 * length)
        speed = math.hypot(trial.touchdowns[-1]["vertical_speed"], trial.touchdowns[-1]["horizontal_speed"]) if trial.touchdowns else 0.0
        if 25.0 < speed < 150.0:
            sim.coast(duration=latest + float(late) * length)
            sim.burn(_against_the_ground, across_speed_below(1.0), duration=2.0 * length)
            return
    raise Unfit


def _against_the_ground(cockpit, t, r, v, m):
    """Full thrust against the motion over the turning ground."""
    spin = cockpit.body.spin
    d = (-v[0] - spin * r[1], -v[1] + spin * r[0], -v[2])
    size = math.sqrt(sum(part * part for part in d)) or 1.0
    return tuple(part / size for part in d), 1.0


@dataclass(frozen=True)
class Outcome:
    """One planted descent beside the clean one to the same moon: what the fault cost in truth, m/s, and what was told of that cause in each."""

    fault: str
    cost: float
    told: float
    told_clean: float


def outcome(seed: int, fault: str) -> Outcome:
    """Fly both, and read what is said."""
    both = [planted_descent(seed, name) for name in (fault, "clean")]
    if both[0].sim.body.radius != both[1].sim.body.radius:
        raise ValueError(f"seed {seed}: the clean descent is to another moon")
    told = [sum(item.cost for item in reconstruct(flight).advice if item.cause == fault) for flight in both]
    return Outcome(fault, both[0].truth["spent"] - both[1].truth["spent"], *told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    right = 0
    for number in range(options.flights):
        seed, fault = options.first + number, FAULTS[number % len(FAULTS)]
        flight = planted_descent(seed, fault)
        said = reconstruct(flight).advice
        named = said[0].cause if said else "none"
        right += named == ("none" if fault == "clean" else fault)
        print(f"{seed:5d} {fault:14s} named {named:14s} " + ", ".join(f"{item.cause} {item.cost:.0f}" for item in said))
    print(f"right: {right} of {options.flights}")


if __name__ == "__main__":
    main()
