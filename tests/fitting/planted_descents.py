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
from simulator.conditions import across_speed_below, at_apsis, periapsis_below
from simulator.missions import in_orbit, shape_now
from simulator.random_flights import COLUMNS, SimulatedFlight, notes_of, panel_of, times_of
from simulator.random_missions import Unfit
from simulator.random_worlds import log_uniform, random_craft, random_world
from simulator.truth import truth_of

FAULTS = ("clean", "hover", "slow let-down", "low throttle")


def planted_descent(seed: int, fault: str) -> SimulatedFlight:
    """From a low orbit to the ground of a random moon; ``truth`` holds "fault" and "spent" (m/s, of the whole descent)."""
    for attempt in range(80):
        try:  # the same moon for every fault: one on which all of them can be flown
            sim = [_fly(np.random.default_rng([seed, 12, attempt]), name) for name in FAULTS][FAULTS.index(fault)]
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


def _fly(rng: np.random.Generator, fault: str):
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
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.2, 0.5))
    soft, high, long = float(rng.uniform(0.4, 0.6)), float(rng.uniform(400, 900)), float(rng.uniform(60, 150))
    throttle = soft if fault == "low throttle" else 1.0
    push = throttle * craft.stages[0].thrust / full
    if push < 1.15 * weight:
        raise Unfit
    way = circular**2 / (2 * push)
    sim.burn(st.retrograde(), periapsis_below(max(0.004 * moon.radius, 0.03 * way)))
    sim.coast(duration=20.0)
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"))
    speed = math.hypot(*trial.v)
    push = throttle * craft.stages[0].thrust / float(sim.y[6]) * (1 + 0.5 * speed / (craft.stages[0].specific_impulse * 9.80665))
    sim.coast(duration=max(5.0, trial.met - sim.met - 0.5 * speed / push))
    gate = high if fault == "slow let-down" else max(40.0, 0.0015 * moon.radius)
    slow = max(4.0, 0.012 * circular)
    sim.burn(st.braking(gate, 0.5 * slow, throttle, slow / 2), across_speed_below(slow), duration=4.0 * circular / push)
    if fault == "hover":
        sim.burn(st.letting_down(0.0, 0.0), duration=long)
    spare = craft.stages[0].thrust / float(sim.y[6]) - weight
    sink = (1.0, 0.015) if fault == "slow let-down" else (1.5, min(0.3, 0.6 * math.sqrt(spare / max(sim.altitude, 40.0))))
    sim.burn(st.letting_down(*sink, sink_high=0.1 * circular), duration=1500.0)
    if not sim.touchdowns or sim.touchdowns[-1]["vertical_speed"] < -12.0:
        raise Unfit
    sim.wait(60.0)
    return sim


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
    told = [sum(item.cost for item in reconstruct(flight).advice if item.cause == fault) for flight in both]
    return Outcome(fault, both[0].truth["spent"] - both[1].truth["spent"], *told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    faults = FAULTS[1:]
    found = [outcome(options.first + number, faults[number % len(faults)]) for number in range(options.flights)]
    for fault in faults:
        own = [item for item in found if item.fault == fault and item.cost > 8.0]
        print(f"{fault}: {len(own)} descents in which it cost more than 8 m/s")
        print(f"    named in {sum(item.told > 0 for item in own)}; named too in the clean descent to the same moon: {sum(item.told_clean > 0 for item in own)}")
        print("    cost told beyond the clean one's / true cost: " + ", ".join(f"{(item.told - item.told_clean):.0f}/{item.cost:.0f}" for item in own))


if __name__ == "__main__":
    main()
