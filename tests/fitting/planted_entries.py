"""Seeded falls through the air of random planets, and whether what is told of them holds the truth.

Larger runs:  python tests/fitting/planted_entries.py --flights 60
"""

from __future__ import annotations

import argparse
import collections
import dataclasses
import math
import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import reconstruct
from simulator.conditions import altitude_below, altitude_above
from simulator.missions import in_orbit
from simulator.motion import DRAG, GRAVITY
from simulator.random_flights import SimulatedFlight, notes_of, panel_of
from simulator.random_worlds import log_uniform, random_craft, random_world
from simulator.truth import truth_of

COLUMNS = ("body", "altitude", "speed", "vertical_speed", "throttle", "propellant")


def planted_entry(seed: int, chute: bool = True, drag_told: bool = True, readings: int = 14, columns: tuple[str, ...] = COLUMNS, event: bool = False) -> SimulatedFlight:
    """An orbit whose periapsis is in the air, flown to the ground; ``truth`` holds "entry" with what happened.

    Parameters
    ----------
    seed : int
    chute : bool
        Whether a parachute opens on the way down.
    drag_told : bool
        Whether the craft file gives the drag area.
    readings : int
        Taken in the air, at moments by chance.
    columns : tuple of str
    event : bool
        Whether the pilot marks the opening.
    """
    for attempt in range(60):
        rng = np.random.default_rng([seed, 21, attempt])
        try:
            sim, told = _fly(rng, chute)
        except ValueError:
            continue
        break
    else:
        raise RuntimeError(f"seed {seed}: no entry in 60 attempts")
    rng = np.random.default_rng([seed, 22])
    body = sim.segments[0].body
    top, end = told["met"], sim.segments[-1].start
    coast = np.sort(rng.uniform(sim.segments[0].start, top - 2.0, 8))
    span = told["span"]
    low = np.sort(top + span * (np.arange(readings) + rng.uniform(0.1, 0.9, readings)) / readings)
    late = np.sort(rng.uniform(top + span, end, 6)) if end > top + span + 20 else np.empty(0)
    mets = [met for met in (*coast, *low, *late) if met < end - 1]
    if event and chute:
        mets = sorted([met for met in mets if abs(met - told["chute_met"]) > 3.0] + [told["chute_met"] + 0.2])
    mets += [end + 20.0, end + 60.0]
    gauges = panel_of(rng, math.sqrt(body.mu / body.radius), 5, sim.craft.stages[0].propellant)
    book = notes_of(sim, rng, gauges, mets, columns)
    if event and chute:
        row = min(book.rows, key=lambda one: abs(one.met - told["chute_met"] - 0.2))
        row.cells["event"] = "parachute"
    csv = book.csv()
    rows = [{"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"]} for row in book.rows]
    truth = {"name": f"entry {seed}", **truth_of(sim), "rows": rows, "slips": [], "entry": told}
    craft = sim.craft if drag_told else dataclasses.replace(sim.craft, drag_area=0.0)
    return SimulatedFlight(f"entry {seed}", sim.world, craft, csv, truth, sim, "", book)


def _fly(rng: np.random.Generator, chute: bool):
    world = random_world(rng, air=True, mu=log_uniform(rng, 1e12, 1e15))
    planet = world.planet
    circular, weight = math.sqrt(planet.mu / planet.radius), planet.mu / planet.radius**2
    craft = random_craft(rng, 0.2 * circular, weight)
    mass = craft.empty_mass(0) + craft.stages[0].propellant
    # so heavy for its area that the peak comes in the lower half of the air
    scale = planet.air.scale_height
    ballistic = planet.air.surface_density * scale * math.exp(-rng.uniform(2.0, 4.5)) / 0.15
    craft = dataclasses.replace(craft, drag_area=float(f"{mass / ballistic:.4g}"))
    high = planet.radius * log_uniform(rng, 0.1, 8.0)
    sim = in_orbit(world, craft, planet.name, planet.air.top * rng.uniform(-0.6, 0.62), high + planet.air.top, 0.3, float(rng.uniform(3.3, 4.2)))
    sim.coast(until=altitude_below(planet.air.top - 1e-3), duration=1e6)
    if sim.altitude > planet.air.top + 1.0:
        raise ValueError
    told = {"met": sim.met, "speed": math.hypot(*sim.v), "ballistic": mass / craft.drag_area}
    told["flight_path_angle"] = math.asin(sum(a * b for a, b in zip(sim.r, sim.v)) / math.hypot(*sim.r) / told["speed"])
    start = sim.y.copy()
    trial = sim.clone()
    trial.coast(until=altitude_above(planet.air.top + 1.0), duration=1e5)
    if not trial.landed:
        raise ValueError  # left the air again
    # at what height it has fallen below a quarter of the sound's speed or so: there parachutes open
    times = np.linspace(sim.met, trial.met - 1e-6, 600)
    states = np.array([trial.state_at(met)[1] for met in times])
    heights = np.linalg.norm(states[:, :3], axis=1) - planet.radius
    through = np.hypot(states[:, 3] + planet.spin * states[:, 1], states[:, 4] - planet.spin * states[:, 0])
    felt = np.array([0.5 * planet.air.density(h) for h in heights]) * through**2 / told["ballistic"]
    peak = int(np.argmax(felt))
    if peak in (0, len(felt) - 1) or heights[peak] < 0.05 * planet.air.top:
        raise ValueError
    fine = np.linspace(times[peak - 1], times[peak + 1], 801)
    states = np.array([trial.state_at(met)[1] for met in fine])
    low = np.linalg.norm(states[:, :3], axis=1) - planet.radius
    over = np.hypot(states[:, 3] + planet.spin * states[:, 1], states[:, 4] - planet.spin * states[:, 0])
    pull = np.array([0.5 * planet.air.density(h) for h in low]) * over**2 / told["ballistic"]
    # the peak is flat: where it lies is told by a curve through many points, not by the highest of them
    middle = times[peak]
    curve = np.polynomial.Polynomial.fit(fine - middle, pull, 6)
    turns = [root.real for root in curve.deriv().roots() if abs(root.imag) < 1e-9 and fine[0] <= middle + root.real <= fine[-1]]
    top = max(turns, key=curve)
    told |= {"peak": float(curve(top)), "peak_met": float(middle + top), "peak_altitude": float(np.interp(middle + top, fine, low))}
    slow = np.flatnonzero((np.arange(600) > peak) & (through < 0.12 * told["speed"]) & (heights > 0.02 * planet.air.top))
    if chute:
        if not len(slow):
            raise ValueError
        here = int(rng.choice(slow[: max(len(slow) * 2 // 3, 1)]))
        sim.coast(duration=times[here] - sim.met)
        told |= {"chute_met": sim.met, "chute_speed": float(through[here]), "chute_altitude": sim.altitude}
        state = sim.y
        told |= {"drag": float(state[DRAG] - start[DRAG]), "gravity": float(start[GRAVITY] - state[GRAVITY]), "end": math.hypot(*sim.v)}
        sim.open_parachute(craft.drag_area * log_uniform(rng, 12.0, 150.0))
        sim.coast(until=altitude_below(-1.0), duration=1e5)
    else:
        sim.coast(until=altitude_below(-1.0), duration=1e5)
        state = sim.y
    told["span"] = (told["chute_met"] if chute else sim.met) - told["met"] + (40.0 if chute else 0.0)
    if told["span"] > 4000:
        raise ValueError
    sim.wait(120.0)
    return sim, told


PAIRS = {
    "met": "met", "speed": "speed", "flight_path_angle": "flight_path_angle", "ballistic": "ballistic", "peak": "peak_deceleration", "peak_met": "peak_met",
    "peak_altitude": "peak_altitude", "drag": "drag_loss", "gravity": "gravity_gain", "end": "end_speed",
}  # fmt: skip


def judge(tally: dict, simulated: SimulatedFlight, boast: float = 1.0, entries=None) -> None:
    """Count, for each figure told, whether its interval (narrowed by ``boast``) holds the truth; "found" counts entries and openings."""
    told = simulated.truth["entry"]
    entries = reconstruct(simulated).entries if entries is None else entries
    tally["found"].append(len(entries) == 1 and entries[0].kind == "landing")
    if len(entries) != 1:
        return
    entry = entries[0]
    for name, field in PAIRS.items():
        value = getattr(entry, field)
        if name in told and value.known:
            low, high = (value.value + (end - value.value) / boast for end in (value.low, value.high))
            tally[name].append(bool(low <= told[name] <= high))
            if not tally[name][-1]:
                tally["misses"].append((simulated.name, name, told[name], value.value, value.sigma))
    tally["openings"].append(len(entry.openings) == ("chute_met" in told))
    if len(entry.openings) != ("chute_met" in told):
        tally["misses"].append((simulated.name, "openings", [one.speed.value for one in entry.openings], told.get("chute_speed"), told.get("chute_met")))
    elif entry.openings:
        for name in ("met", "altitude", "speed"):
            value = getattr(entry.openings[0], name)
            low, high = (value.value + (end - value.value) / boast for end in (value.low, value.high))
            tally[f"chute {name}"].append(bool(low <= told[f"chute_{name}"] <= high))
            if not tally[f"chute {name}"][-1]:
                tally["misses"].append((simulated.name, f"chute {name}", told[f"chute_{name}"], value.value, value.sigma))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    for words, more in (
        ("craft file tells the drag area", {}), ("no drag area told", {"drag_told": False}), ("no parachute", {"chute": False}), ("opening marked", {"event": True}),
        ("acceleration gauge", {"columns": (*COLUMNS, "acceleration")}), ("four readings", {"readings": 4}),
    ):  # fmt: skip
        tally: dict = collections.defaultdict(list)
        for seed in range(options.first, options.first + options.flights):
            judge(tally, planted_entry(seed, **more))
        print(words + ": " + ", ".join(f"{name} {sum(held)}/{len(held)}" for name, held in tally.items() if name != "misses"))
        for miss in tally["misses"]:
            print("   ", miss)


if __name__ == "__main__":
    main()
