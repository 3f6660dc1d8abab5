"""Seeded launches through the air of random planets with one fault planted each, and what the advice makes of them.

A clean launch flies the pitch programme optimised for its craft; the others fly it late, early, lofted, or at part throttle. The simulator knows nothing of the optimum but
the list of pitches it is handed.

Larger runs:  python tests/fitting/planted_launches.py --flights 40
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import reconstruct
from simulator import steering as st
from simulator.conditions import altitude_above, apoapsis_above, at_apsis, periapsis_above
from simulator.craft import Craft, Stage
from simulator.missions import shape_now
from simulator.motion import Simulation
from simulator.random_flights import COLUMNS, SimulatedFlight, notes_of, panel_of
from simulator.random_worlds import log_uniform, random_world
from simulator.truth import truth_of

from analyser import flight as domain
from analyser.fitting.launch import _NODES, launch
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import orbit_of_apsides

FAULTS = ("clean", "late turn", "early turn", "lofted", "low throttle")


class Unfit(Exception):
    """This planet or craft does not allow it."""


def _world_and_craft(rng: np.random.Generator):
    world = random_world(rng, air=True, mu=log_uniform(rng, 1e12, 5e14))
    planet = world.planet
    circular, weight = math.sqrt(planet.mu / planet.radius), planet.mu / planet.radius**2
    impulses = [round(float(rng.uniform(260, 340)), 1), round(float(rng.uniform(300, 380)), 1)]
    upper_dry = log_uniform(rng, 1500, 1.5e4)
    share = rng.uniform(0.35, 0.55)  # of the speed that the first stage gives
    wanted = 1.6 * circular
    upper = upper_dry * (math.exp(wanted * (1 - share) / (impulses[1] * 9.80665)) - 1)
    on_top = upper_dry + upper
    first_dry = 0.09 * on_top
    first = (on_top + first_dry) * (math.exp(wanted * share / (impulses[0] * 9.80665)) - 1)
    if upper / upper_dry > 12 or first / (first_dry + on_top) > 12:
        raise Unfit
    full = on_top + first_dry + first
    craft = Craft(
        f"Stack {int(rng.integers(100, 999))}",
        (Stage("first", round(first_dry), round(first), float(f"{full * weight * rng.uniform(1.5, 2.1):.3g}"), impulses[0]),
         Stage("second", round(upper_dry), round(upper), float(f"{on_top * weight * rng.uniform(0.9, 1.5):.3g}"), impulses[1])),
        drag_area=float(f"{full / (planet.air.surface_density * planet.air.scale_height) * log_uniform(rng, 0.02, 0.12):.3g}"),
    )  # fmt: skip
    return world, craft


@lru_cache(maxsize=64)
def _best(seed: int, attempt: int):
    """World, craft, goal altitude and the optimised launch of a seed."""
    rng = np.random.default_rng([seed, 31, attempt])
    world, craft = _world_and_craft(rng)
    planet = world.planet
    goal = planet.air.top * rng.uniform(1.15, 1.5)
    found = _optimum(world, craft, goal)
    if math.isnan(found.delta_v) or found.delta_v > 0.93 * sum(s.specific_impulse * 9.80665 * math.log1p(s.propellant / (craft.empty_mass(k))) for k, s in enumerate(craft.stages)):
        raise Unfit
    return world, craft, goal, found


def _optimum(world, craft, goal: float, throttle: float = 1.0, near=None):
    """The analyser's least launch of a craft whose engines run at a throttle."""
    planet = world.planet
    body = domain.Body(
        planet.name, planet.mu, planet.radius, 2 * math.pi / planet.spin if planet.spin else math.inf,
        atmosphere=domain.Atmosphere(planet.air.top, planet.air.surface_density, planet.air.scale_height),
    )  # fmt: skip
    radius = planet.radius + goal
    stages = tuple(domain.Stage(one.name, one.dry_mass, one.propellant, one.thrust * throttle, one.specific_impulse) for one in craft.stages)
    orbit = tuple(float(x) for x in orbit_of_apsides(planet.mu, radius, radius))
    return launch(body, orbit, Tanks.full(domain.Craft(craft.name, stages, drag_area=craft.drag_area)), near)


def planted_launch(seed: int, fault: str, readings: int = 22, plan: bool = True) -> SimulatedFlight:
    """From the pad into a low circle; ``truth`` holds "fault", "cost" (all burns, m/s) and "least" (of the optimum to the circle aimed at)."""
    for attempt in range(40):
        try:
            world, craft, goal, best = _best(seed, attempt)
            sim = _fly(np.random.default_rng([seed, 32, attempt]), world, craft, goal, best, fault)
        except (Unfit, ValueError):
            continue
        break
    else:
        raise RuntimeError(f"seed {seed}, {fault}: no launch in 40 attempts")
    rng = np.random.default_rng([seed, 33])
    told = truth_of(sim)
    planet = world.planet
    burns = told["burns"]
    start, end = burns[0]["ignition"], burns[-2]["cutoff"]
    climb = start + (end - start) * (np.arange(readings) + rng.uniform(0.15, 0.85, readings)) / readings
    last = burns[-1]
    mets = [start - 20.0, *climb, end + 3.0]
    above = next((arc["start"] for arc in told["arcs"] if arc["kind"] == "coast"), end)
    mets += list(above + (last["ignition"] - 4.0 - above) * np.array([0.15, 0.4, 0.7, 1.0]))
    mets += list(last["ignition"] + (last["cutoff"] - last["ignition"]) * np.array([0.3, 0.7]))
    mets += list(last["cutoff"] + 3.0 + (sim.met - last["cutoff"] - 10.0) * np.sort(rng.uniform(0, 1, 8)))
    kept: list[float] = []
    for met in sorted(mets):
        if not kept or met - kept[-1] > 1.5:
            kept.append(met)
    book = notes_of(sim, rng, panel_of(rng, math.sqrt(planet.mu / planet.radius), 5, craft.stages[0].propellant), kept, (*COLUMNS, "stage"))
    csv = book.csv()
    rows = [{"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"]} for row in book.rows]
    km = f"{goal / 1e3:.5g}"
    text = f'name = "Up"\nstart = {{ landed = "{planet.name}" }}\n\n[[legs]]\nname = "launch"\ngoal = {{ body = "{planet.name}", orbit = "{km} x {km} km" }}\n' if plan else ""
    truth = {**told, "name": f"{fault} {seed}", "rows": rows, "slips": [], "fault": fault, "cost": sum(burn["spent"] for burn in burns), "least": best.delta_v}
    truth["climb"] = {key: sum(burn[key] for burn in burns[:-1]) for key in ("spent", "gravity_loss", "drag_loss", "steering_loss")}
    return SimulatedFlight(f"{fault} {seed}", world, craft, csv, truth, sim, text, book)


def _fly(rng: np.random.Generator, world, craft, goal: float, best, fault: str) -> Simulation:
    late, early, steep, throttle = rng.uniform(0.1, 0.2), rng.uniform(0.02, 0.06), math.radians(rng.uniform(6, 14)), float(rng.uniform(0.65, 0.85))
    throttle = throttle if fault == "low throttle" else 1.0
    if throttle < 1:  # flown as well as it can be with so little
        best = _optimum(world, craft, goal, throttle, best)
        if math.isnan(best.delta_v):
            raise Unfit
    knots = list(zip(_NODES * best.duration, (math.pi / 2, *best.unknowns[1:])))
    if throttle < 1 and throttle * craft.stages[0].thrust < 1.12 * (craft.empty_mass(0) + craft.stages[0].propellant) * world.planet.mu / world.planet.radius**2:
        raise Unfit
    fine = np.linspace(0.0, 1.0, 41)
    pitch = np.interp(fine * best.duration, *zip(*knots))
    if fault == "late turn":  # held up, then hurried down to what the optimum has at half time
        held = np.interp(np.clip(fine - late, 0.0, None), fine, pitch)
        blend = np.clip((fine - 0.35) / 0.25, 0.0, 1.0)
        pitch = held * (1 - blend) + pitch * blend
    elif fault == "early turn":  # down at once, then kept no lower than the optimum
        down = np.interp(np.minimum(fine + early + 2 * early * np.exp(-fine / 0.1), 1.0), fine, pitch)
        blend = np.clip((fine - 0.35) / 0.25, 0.0, 1.0)
        pitch = np.minimum(down * (1 - blend) + pitch * blend, math.pi / 2)
    elif fault == "lofted":
        pitch = np.minimum(pitch + steep * np.clip(fine / 0.25, 0.0, 1.0), math.pi / 2)
    points = list(zip(fine * best.duration, pitch))
    law = st.pitch_programme(points, throttle=throttle)
    sim = Simulation.on_pad(world, craft, world.planet.name)
    sim.wait(40.0)
    until = apoapsis_above(goal)
    why = sim.burn(law, until, duration=3 * best.duration)
    while why == "empty":
        if sim.stage + 1 >= len(craft.stages):
            raise Unfit
        sim.stage_off()
        why = sim.burn(law, until, duration=3 * best.duration)
    if why != "until" or sim.landed:
        raise Unfit
    sim.coast(until=altitude_above(world.planet.air.top + 20.0), duration=4000.0)
    if sim.landed or sim.altitude < world.planet.air.top:
        raise Unfit
    trial = sim.clone()
    trial.coast(until=at_apsis("apoapsis"), duration=1e5)
    wanted = math.sqrt(sim.body.mu / (sim.body.radius + trial.altitude)) - math.hypot(*trial.v)
    stage = craft.stages[sim.stage]
    burning = float(sim.y[6]) * -math.expm1(-wanted / (stage.specific_impulse * 9.80665)) * stage.specific_impulse * 9.80665 / stage.thrust
    if trial.met - sim.met < 0.5 * burning + 8 or trial.altitude < 1.02 * world.planet.air.top or burning < 3:
        raise Unfit
    sim.coast(duration=trial.met - sim.met - 0.5 * burning)
    safe = max(1.04 * world.planet.air.top, 0.93 * trial.altitude)
    if sim.burn(st.prograde(throttle), periapsis_above(safe), duration=4 * burning / throttle + 20.0) not in ("until", "empty"):
        raise Unfit
    if shape_now(sim)["periapsis_altitude"] < 1.01 * world.planet.air.top:
        raise Unfit
    sim.coast(duration=0.8 * shape_now(sim)["period"])
    return sim


@dataclass(frozen=True)
class Outcome:
    """What was told of one planted launch: the dearest cause named ("" for none), its cost; the waste told and the true one, m/s."""

    fault: str
    named: str
    cost: float
    waste: float
    true_waste: float
    ascent: object
    sentence: str


def outcome(seed: int, fault: str) -> Outcome:
    """Fly it and read what is said."""
    flight = planted_launch(seed, fault)
    findings = reconstruct(flight)
    first = findings.advice[0] if findings.advice else None
    ascent = findings.ascents[0] if findings.ascents else None
    return Outcome(
        fault, first.cause if first else "", first.cost if first else 0.0, ascent.waste.value if ascent else math.nan, flight.truth["cost"] - flight.truth["least"], ascent,
        first.sentence if first else "",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    table = collections.defaultdict(collections.Counter)
    for number in range(options.first, options.first + options.flights):
        for fault in FAULTS:
            one = outcome(number, fault)
            table[fault][one.named] += 1
            print(f"{number} {fault:13s} named {one.named or '-':13s} {one.cost:7.1f}  waste {one.waste:7.1f} (over the circle aimed at {one.true_waste:7.1f})  {one.sentence}", flush=True)
    for fault in FAULTS:
        print(fault, dict(table[fault]))


if __name__ == "__main__":
    main()
