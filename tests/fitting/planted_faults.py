"""Seeded flights in random worlds with one fault planted each, and what the advice makes of them.

Larger runs:  python tests/fitting/planted_faults.py --flights 120
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import reconstruct
from simulator import steering as st
from simulator.conditions import apoapsis_above, apoapsis_below, at_apsis, delta_v, periapsis_above
from simulator.missions import in_orbit, shape_now
from simulator.motion import SPENT, Simulation
from simulator.random_flights import COLUMNS, SimulatedFlight, notes_of, panel_of, times_of
from simulator.random_missions import Unfit
from simulator.random_worlds import log_uniform, random_craft, random_world
from simulator.truth import burns_of, truth_of

from analyser.fitting import conic
from analyser.fitting.transfer import least_delta_v

FAULTS = ("clean", "wrong way", "overshoot", "early", "late", "low throttle", "off-axis")
TASKS = ("raise", "lower", "lift", "capture")
CHEAPEST = 8.0  # m/s that a planted fault costs at the least: well above the 3 m/s from which sentences are made
DEAREST = 0.5  # of what the flight had to spend


def planted(seed: int, fault: str, per_coast: int = 10, per_burn: int = 4) -> SimulatedFlight:
    """A flight of one task with one fault; ``truth`` holds "fault", "task" and "cost" (m/s, over the clean flight, each against its own end)."""
    for attempt in range(80):
        rng = np.random.default_rng([seed, 11, FAULTS.index(fault), attempt])
        try:
            sim, plan, task, cost = _draw(rng, fault)
        except (Unfit, ValueError):
            continue
        low = math.sqrt(sim.body.mu / sim.body.radius)
        gauges = panel_of(rng, low, None, sim.craft.stages[0].propellant)
        book = notes_of(sim, rng, gauges, times_of(sim, rng, per_coast, per_burn), COLUMNS)
        csv = book.csv()
        rows = [{"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"]} for row in book.rows]
        truth = {"name": f"{fault} {seed}", **truth_of(sim), "rows": rows, "fault": fault, "task": task, "cost": cost}
        return SimulatedFlight(f"{fault} {seed}", sim.world, sim.craft, csv, truth, sim, plan, book)
    raise RuntimeError(f"seed {seed}, {fault}: no flight in 80 attempts")


def _draw(rng: np.random.Generator, fault: str):
    """A world, a craft and a task, flown clean and with the fault: (simulation, plan, task, what the fault cost)."""
    world = random_world(rng, mu=log_uniform(rng, 1e12, 1e15))
    body = world.planet if rng.random() < 0.6 else world.moons(world.planet.name)[0]
    circular = math.sqrt(body.mu / body.radius)
    if circular < 250.0:
        raise Unfit
    room = 0.4 * (body.soi if math.isfinite(body.soi) else world.moons(body.name)[0].semi_major_axis)
    task = str(rng.choice(TASKS))
    low = body.radius * log_uniform(rng, 0.05, 0.4)
    high = low + body.radius * log_uniform(rng, 0.15, 1.5)
    craft = random_craft(rng, 1.2 * circular, body.mu / body.radius**2)
    if body.radius + high > room or craft.stages[0].propellant / craft.stages[0].dry_mass > 25:
        raise Unfit
    goal = {"raise": (low, high + body.radius * log_uniform(rng, 0.2, 1.0)), "lower": (low, low + 0.4 * (high - low)), "lift": (low + 0.6 * (high - low), high), "capture": (low, high)}[task]
    sim = _start(rng, world, craft, body, task, low, high)
    target = {"raise": apoapsis_above(goal[1]), "lower": apoapsis_below(goal[1]), "lift": periapsis_above(goal[0]), "capture": apoapsis_below(goal[1])}[task]
    flown = _Task(sim, "apoapsis" if task == "lift" else "periapsis", 1.0 if task in ("raise", "lift") else -1.0, target, room)
    clean = flown.fly(rng)
    spent = float(clean.segments[-2].end_state[SPENT]) if clean.segments[-2].kind == "burn" else math.nan
    if not max(0.03 * circular, 100.0) < spent < 0.6 * circular or flown.swept > math.radians(75):
        raise Unfit
    plain = waste(clean, 0)
    if fault == "clean":
        return clean, _plan(body, task, low, high, goal), task, 0.0
    found = _with_fault(rng, flown, fault, spent, plain)
    return found[0], _plan(body, task, low, high, goal), task, found[1]


def _with_fault(rng, flown: "_Task", fault: str, spent: float, plain: float):
    """The task flown with the fault, as large as it takes to cost something and no larger than a pilot's."""
    worst = max(2 * CHEAPEST, DEAREST * spent)
    sizes = {
        "wrong way": [spent * rng.uniform(0.03, 0.15)], "overshoot": [spent * rng.uniform(0.03, 0.15)],
        "early": [0.1 * 1.5**k for k in range(8)], "late": [0.1 * 1.5**k for k in range(8)],
        "low throttle": [0.6, 0.45, 0.33, 0.25, 0.18, 0.12], "off-axis": [float(rng.choice([-1, 1]) * math.radians(rng.uniform(12, 35)))],
    }[fault]  # fmt: skip
    for size in sizes:
        sim = flown.fly(rng, **{fault.replace(" ", "_").replace("-", "_"): size})
        cost = waste(sim, 0) - plain
        if cost > CHEAPEST and cost > 0.015 * spent:
            if cost > worst:
                raise Unfit
            return sim, cost
    raise Unfit


def _start(rng, world, craft, body, task: str, low: float, high: float) -> Simulation:
    if task != "capture":
        return in_orbit(world, craft, body.name, low, high, float(rng.uniform(0, 6.28)), float(rng.uniform(0.5, 5.8)))
    rp = body.radius + low
    e = 1.0 + log_uniform(rng, 0.03, 0.5)
    p = rp * (1 + e)
    far = min(rp * rng.uniform(4.0, 8.0), 0.9 * body.soi)
    cosine = (p / far - 1) / e
    if abs(cosine) >= 1:
        raise Unfit
    anomaly, k = -math.acos(cosine), math.sqrt(body.mu / p)
    r, c, s = far, math.cos(anomaly), math.sin(anomaly)
    return Simulation(world, craft, body.name, (r * c, r * s, 0.0), (-k * s, k * (e + c), 0.0))


class _Task:
    """One burn about an apsis, flown well or with a fault."""

    def __init__(self, sim: Simulation, apsis: str, sign: float, target, room: float):
        self.sim, self.apsis, self.sign, self.target, self.room = sim, apsis, sign, target, room
        self.sim.rtol = 1e-9  # readings are far coarser
        self.swept = math.nan

    def fly(self, rng, wrong_way=0.0, overshoot=0.0, early=0.0, late=0.0, low_throttle=1.0, off_axis=0.0) -> Simulation:
        sim = self.sim.clone()
        trial = sim.clone()
        trial.coast(duration=1.0)
        trial.coast(until=at_apsis(self.apsis), duration=1e9)
        apsis = trial.met
        law = st.prograde(low_throttle, off_axis, self.sign)
        # half of the burn before the apsis
        size = math.nan
        begin = apsis
        for _ in range(8):
            trial = self._at(begin)
            trial.burn(st.prograde(low_throttle, 0.0, self.sign), self.target, duration=1e5)
            size = trial.met - begin
            middle = next(t for t in np.linspace(begin, trial.met, 400) if trial.state_at(t)[1][SPENT] >= trial.y[SPENT] / 2)
            before, begin = begin, (begin + apsis - (middle - begin)) / 2 if begin < apsis else apsis - (middle - begin)
            if abs(begin - before) < 0.02 * size:
                break
        if low_throttle == 1.0 and math.isnan(self.swept):
            self.swept = size * math.hypot(*trial.v) / math.hypot(*trial.r)
        radius, _, speed = (float(part) for part in conic_at(sim, apsis))
        ignition = begin + (late - early) * radius / speed
        pause = max(60.0, 0.3 * size)
        if wrong_way:
            push = sim.craft.stages[0].thrust / float(sim.y[6])
            wait = ignition - pause - wrong_way / push - sim.met
            sim = self._coasted(sim, wait)
            sim.burn(st.prograde(1.0, 0.0, -self.sign), delta_v(wrong_way))
            sim = self._coasted(sim, ignition - sim.met)
        else:
            sim = self._coasted(sim, ignition - sim.met)
        self._checked(sim.burn(law, self.target, duration=1e5), sim)
        if overshoot:
            sim.burn(law, delta_v(float(sim.y[SPENT]) + overshoot))
            sim.coast(duration=pause)
            back = {1.0: -1.0, -1.0: 1.0}[self.sign]
            sim.burn(st.prograde(0.5, 0.0, back), self.undone(sim), duration=1e5)
        self._rest(sim, rng)
        return sim

    def undone(self, sim):
        """The target reached from the other side."""
        target = self.target
        return lambda s, t, y: -target(s, t, y)

    def _at(self, met: float) -> Simulation:
        if met - self.sim.met < 5.0:
            raise Unfit
        return self._coasted(self.sim.clone(), met - self.sim.met)

    @staticmethod
    def _coasted(sim: Simulation, wait: float) -> Simulation:
        if wait < 5.0:
            raise Unfit
        body = sim.body.name
        sim.coast(duration=wait)
        if sim.landed or sim.body.name != body:
            raise Unfit
        return sim

    def _checked(self, ended: str, sim: Simulation) -> None:
        if ended != "until" or sim.landed:
            raise Unfit

    def _rest(self, sim: Simulation, rng) -> None:
        shape = shape_now(sim)
        top = shape["apoapsis_altitude"]
        if sim.landed or top is None or shape["periapsis_altitude"] < 0.02 * sim.body.radius or top + sim.body.radius > self.room:
            raise Unfit
        sim.coast(duration=shape["period"] * float(rng.uniform(0.3, 0.9)))
        if sim.landed or sim.segments[-1].body.name != sim.segments[0].body.name:
            raise Unfit


def conic_at(sim: Simulation, met: float) -> tuple[float, float, float]:
    """Radius, radial and transverse speed of the present conic at a time."""
    r, v = np.asarray(sim.y[:3]), np.asarray(sim.y[3:6])
    radius = float(np.linalg.norm(r))
    return conic.propagate(sim.body.mu, radius, float(r @ v) / radius, float(np.linalg.norm(np.cross(r, v))) / radius, met - sim.met)


def _shape_of(segment, y) -> tuple[float, float]:
    r, v = np.asarray(y[:3]), np.asarray(y[3:6])
    return float(v @ v) / 2 - segment.body.mu / float(np.linalg.norm(r)), float(np.linalg.norm(np.cross(r, v)))


def waste(sim: Simulation, first: int = 0) -> float:
    """Spent less the least between the first and the last orbit of a flight about one body, m/s."""
    body = sim.segments[first].body
    spent = sum(burn["spent"] for burn in burns_of(sim))
    start, end = _shape_of(sim.segments[first], sim.segments[first].state), _shape_of(sim.segments[-1], sim.segments[-1].state)
    return spent - float(least_delta_v(body.mu, *start, *end, radius_min=body.radius, radius_max=body.soi))


def _plan(body, task: str, low: float, high: float, goal) -> str:
    start = f'{{ body = "{body.name}", orbit = "{low / 1e3:.4g} x {high / 1e3:.4g} km" }}'
    return (
        f'name = "One change of orbit"\nstart = {start}\n\n[[legs]]\nname = "{task}"\n'
        f'goal = {{ body = "{body.name}", orbit = "{goal[0] / 1e3:.4g} x {max(goal) / 1e3:.4g} km" }}\n'
    )


def table_of(seeds, faults=FAULTS, told=None) -> dict[str, collections.Counter]:
    """For each fault planted how often which cause was named dearest ("none" where nothing was said)."""
    found: dict[str, collections.Counter] = {fault: collections.Counter() for fault in faults}
    for number, seed in enumerate(seeds):
        fault = faults[number % len(faults)]
        simulated = planted(seed, fault)
        findings = reconstruct(simulated)
        dearest = findings.advice[0].cause if findings.advice else "none"
        found[fault][dearest] += 1
        wanted = "none" if fault == "clean" else fault
        if told and dearest != wanted:
            told(seed, simulated, findings)
    return found


def text_of(found: dict[str, collections.Counter]) -> str:
    """The table as lines."""
    names = sorted({name for row in found.values() for name in row})
    lines = ["planted       " + "".join(f"{name:>14s}" for name in names)]
    lines += [f"{fault:14s}" + "".join(f"{row[name]:14d}" for name in names) for fault, row in found.items()]
    right = sum(row["none" if fault == "clean" else fault] for fault, row in found.items())
    return "\n".join([*lines, f"right: {right} of {sum(sum(row.values()) for row in found.values())}"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=70)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--misses", action="store_true", help="tell every flight whose fault was not named")
    options = parser.parse_args()

    def told(seed, simulated, findings):
        truth = simulated.truth
        print(f"seed {seed}: {truth['fault']} ({truth['task']}), cost {truth['cost']:.1f} m/s")
        for item in findings.advice:
            print(f"    {item.cost:.1f} {item.cause}: {item.sentence}")

    print(text_of(table_of(range(options.first, options.first + options.flights), told=told if options.misses else None)))


if __name__ == "__main__":
    main()
