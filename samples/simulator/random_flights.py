"""Seeded random worlds, craft, flights and notes, for tests that need many flights with known truth.

Everything follows from the seed. Worlds span six orders of magnitude in pull; speeds and times scale with them, so that
every flight is one a person could fly.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .bodies import World, world_toml
from .craft import Craft, craft_toml
from .instruments import INF, UNIT, USUAL, Column, Notebook, Panel, random_slip, repeat, slip_clock, wrong_body, written
from .missions import in_orbit, shape_now
from .motion import Simulation
from .random_missions import MISSIONS, Unfit
from .random_worlds import log_uniform, random_craft, random_world
from .truth import truth_of


@dataclass(frozen=True)
class SimulatedFlight:
    """A flight with its notes and its truth.

    ``csv`` is the readings table as text, ``plan`` a plan as TOML text ("" for none), ``truth`` plain data (see
    :func:`simulator.truth.truth_of`; with ``slips`` and ``rows``), ``sim`` the flown simulation for anything else.
    """

    name: str
    world: World
    craft: Craft
    csv: str
    truth: dict
    sim: Simulation
    plan: str = ""
    book: Notebook | None = field(default=None, repr=False)


def write_flight_folder(path: str | Path, flight: SimulatedFlight) -> Path:
    """Write a flight as a folder with its world, craft, plan and truth beside the readings; the folder is given back."""
    folder = Path(path)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "world.toml").write_text(world_toml(flight.world), encoding="utf-8")
    (folder / "craft.toml").write_text(craft_toml(flight.craft), encoding="utf-8")
    told = [f'name = "{flight.name}"', 'pilot = "P-00"', "date = 2031-01-01", 'world = "world.toml"', 'craft = "craft.toml"']
    if flight.plan:
        (folder / "plan.toml").write_text(flight.plan, encoding="utf-8")
        told.append('plan = "plan.toml"')
    (folder / "flight.toml").write_text("\n".join(told) + "\n", encoding="utf-8")
    (folder / "readings.csv").write_text(flight.csv, encoding="utf-8", newline="\n")
    (folder / "truth.json").write_text(json.dumps(flight.truth), encoding="utf-8")
    return folder


def panel_of(rng: np.random.Generator, speed: float, digits: int | None = None, load: float = 5000.0) -> dict[str, Column]:
    """Gauges that show four or five digits and change their unit by themselves; ``speed`` is a typical one, m/s, ``load`` the
    propellant of the first stage, kg."""
    digits = int(rng.choice([4, 4, 5])) if digits is None else digits
    steps: list[tuple[float, str, int]] = [(9999.5, "m", 0)]
    for power in (5, 6, 7):
        steps.append((10.0**power * (1 - 0.5 * 10.0**-digits), "km", max(0, digits - power + 3)))
    for power in (8, 9, 10, 11):
        steps.append((10.0**power * (1 - 0.5 * 10.0**-digits), "Mm", max(0, digits - power + 6)))
    steps.append((INF, "Mm", 0))
    decimals = max(0, digits - 1 - int(math.floor(math.log10(speed))))
    plain = Column("m/s", ((INF, "m/s", min(decimals, 2)),))
    gauges = dict(USUAL)
    gauges["altitude"] = Column("km", tuple(steps))
    for name in ("speed", "surface_speed", "vertical_speed", "horizontal_speed"):
        gauges[name] = plain
    kilos = max(0, digits - 1 - int(math.floor(math.log10(load))))
    gauges["propellant"] = Column("kg", ((INF, "kg", kilos),))
    return gauges


def times_of(sim: Simulation, rng: np.random.Generator, per_coast: int, per_burn: int = 3, near_ground: int = 0) -> list[float]:
    """When the pilot looks: spread over each coast, just before, during and just after each burn, and in the last two minutes before a touchdown (the
    more often the nearer)."""
    truth = truth_of(sim)
    mets: list[float] = []
    for arc in truth["arcs"]:
        span = arc["end"] - arc["start"]
        if arc["kind"] == "landed":
            mets += [arc["start"] + f * span for f in (0.2, 0.8)]
            continue
        number = max(2, per_coast)
        mets += [arc["start"] + span * (0.03 + 0.94 * (i + rng.uniform(0.1, 0.9)) / number) for i in range(number)]
    for burn in truth["burns"]:
        span = burn["cutoff"] - burn["ignition"]
        gap = max(1.5, 0.15 * span)
        if per_burn >= 1:
            mets.append(burn["cutoff"] + rng.uniform(0.5, 1.0) * gap)
        if per_burn >= 2:
            mets.append(burn["ignition"] - rng.uniform(0.5, 1.0) * gap)
        for i in range(max(0, per_burn - 2)):
            mets.append(burn["ignition"] + span * (i + rng.uniform(0.2, 0.8)) / (per_burn - 2))
    for touchdown in sim.touchdowns if near_ground else ():
        mets += [touchdown["met"] - log_uniform(rng, 0.7, 120.0) for _ in range(near_ground)]
        mets.append(touchdown["met"] + rng.uniform(1.0, 8.0))
    start, end = sim.segments[0].start, sim.segments[-1].end
    kept: list[float] = []
    for met in sorted(m for m in mets if start <= m <= end):
        if not kept or met - kept[-1] > 1.2:
            kept.append(met)
    return kept


def notes_of(sim: Simulation, rng: np.random.Generator, gauges: dict[str, Column], mets: list[float], columns: tuple[str, ...],
             slip_rate: float = 0.0, slip_kinds: tuple[str, ...] = ("swap", "point", "unit", "sign"), clock: str = "s",
             clock_decimals: int = 0, events: bool = False,
             bias: dict[str, float] | None = None, lag: dict[str, float] | None = None) -> Notebook:
    """The rows at the given times, of gauges that may be off by a ``bias`` (SI) or read with a ``lag`` (s); every number of a row slips with probability ``slip_rate``.

    Of ``slip_kinds``, "swap", "point", "unit" and "sign" spoil one number; "repeat" the row, "clock" its time, "body" its body.
    """
    book = Notebook(Panel(sim), columns, rng, gauges, clock=clock, clock_decimals=clock_decimals)
    book.bias, book.lag = dict(bias or {}), dict(lag or {})
    for met in mets:
        book.jot(met)
    single = tuple(kind for kind in slip_kinds if kind in ("swap", "point", "unit", "sign"))
    whole = tuple(kind for kind in slip_kinds if kind not in single)
    slippery = {n: gauges[n] for n in ("altitude", "speed", "surface_speed", "vertical_speed", "horizontal_speed") if n in columns}
    for index, row in enumerate(book.rows):
        if not slip_rate:
            break
        for name in [n for n in slippery if n in row.cells]:
            if rng.random() >= slip_rate:
                continue
            kind = str(rng.choice(slip_kinds))
            if kind in single:
                random_slip(row, {name: slippery[name]}, rng, (kind,))
            elif index and not row.slips and whole:
                if kind == "repeat":
                    repeat(row, book.rows[index - 1], tuple(slippery))
                elif kind == "clock":
                    slip_clock(row, float(rng.choice([-60.0, 60.0, 600.0, -10.0])), clock)
                elif kind == "body" and "body" in row.cells:
                    others = [b for b in sim.world.bodies if b != row.truth["body"]]
                    wrong_body(row, str(rng.choice(others)))
    for row in book.rows:
        for slip in row.slips:
            _weigh(book, row, slip)
    if events:
        for burn in truth_of(sim)["burns"]:
            during = [row for row in book.rows if burn["ignition"] <= row.met <= burn["cutoff"]]
            if during:
                during[0].cells["event"] = "ignition"
    return book


def _weigh(book: Notebook, row, slip: dict) -> None:
    """How gross a slip is: the value that was typed, and its distance from the truth in standard deviations of an honest
    reading (rounding, and the whole-second clock through the reading's rate)."""
    name = slip["column"]
    if name not in book.gauges:
        return
    column = book.gauges[name]
    number, _, unit = slip["typed"].partition(" ")
    value = float(number) * UNIT[unit or column.unit]
    _, true_unit, decimals = written(slip["true_value"], column)
    half = 0.5 * UNIT[true_unit] * 10.0**-decimals
    later, sooner = book.panel.at(row.met + 0.5), book.panel.at(row.met - 0.5)
    rate = (later[name] - sooner[name]) if later["body"] == sooner["body"] and None not in (later[name], sooner[name]) else 0.0
    clock = 0.5 * 10.0**-book.clock_decimals
    sigma = math.sqrt((half**2 + (rate * clock) ** 2) / 3.0)
    slip |= {"typed_value": value, "sigma": sigma, "sigmas": abs(value - slip["true_value"]) / sigma}


def _finish(name: str, sim: Simulation, book: Notebook, plan: str = "") -> SimulatedFlight:
    csv = book.csv()
    rows = [{"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"],
             **{n: row.truth[n] for n in row.cells if n in book.gauges}} for row in book.rows]
    truth = {"name": name, **truth_of(sim), "slips": book.slips, "rows": rows}
    return SimulatedFlight(name, sim.world, sim.craft, csv, truth, sim, plan, book)


COLUMNS = ("body", "altitude", "speed", "vertical_speed", "throttle", "propellant")


def random_coast(seed: int, readings: int | None = None, columns: tuple[str, ...] = ("body", "altitude", "speed", "vertical_speed"),
                 open_conic: bool | None = None, turns: float | None = None, slip_rate: float = 0.0, digits: int | None = None,
                 clock_decimals: int = 0, inclined: bool = False) -> SimulatedFlight:
    """One coast about one body: closed (or open, one in six), read 3 to 20 times over 0.1 to 1.5 turns."""
    rng = np.random.default_rng([seed, 1])
    world = random_world(rng)
    body = world.planet if rng.random() < 0.6 else world.moons(world.planet.name)[0]
    if open_conic is None:
        open_conic = rng.random() < 1 / 6
    room = 0.45 * body.soi if math.isfinite(body.soi) else 0.4 * world.moons(body.name)[0].semi_major_axis
    low = body.radius * (1.0 + log_uniform(rng, 0.03, 0.8))
    inclination = float(rng.uniform(0.05, 1.4)) if inclined else 0.0
    node = float(rng.uniform(0, 6.28)) if inclined else 0.0
    craft = random_craft(rng, 0.1 * math.sqrt(body.mu / body.radius), body.mu / body.radius**2)
    if open_conic:
        e = float(rng.uniform(1.05, 2.5))
        p = low * (1 + e)
        far = min(room, low * rng.uniform(3.0, 12.0))
        anomaly = -math.acos(max(-1.0, min(1.0, (p / far - 1) / e)))
        k = math.sqrt(body.mu / p)
        angle = float(rng.uniform(0, 6.28))
        r = p / (1 + e * math.cos(anomaly))
        c, s = math.cos(angle + anomaly), math.sin(angle + anomaly)
        sim = Simulation(world, craft, body.name, (r * c, r * s, 0.0),
                         (-k * (s + e * math.sin(angle)), k * (c + e * math.cos(angle)), 0.0))
        shape = shape_now(sim)
        duration = 2.0 * (shape["periapsis_time"]) * rng.uniform(0.4, 1.0)
    else:
        high = min(room, low * (1.0 + log_uniform(rng, 0.01, 6.0)))
        sim = in_orbit(world, craft, body.name, low - body.radius, max(high, low * 1.001) - body.radius, float(rng.uniform(0, 6.28)),
                       float(rng.uniform(0, 6.28)), inclination, node)
        duration = shape_now(sim)["period"] * (float(rng.uniform(0.1, 1.5)) if turns is None else turns)
    sim.coast(duration=duration)
    number = int(rng.integers(3, 21)) if readings is None else readings
    mets = [duration * (i + rng.uniform(0.02, 0.98)) / number for i in range(number)]
    gauges = panel_of(rng, math.sqrt(body.mu / body.radius), digits)
    book = notes_of(sim, rng, gauges, mets, columns, slip_rate, clock_decimals=clock_decimals)
    return _finish(f"coast {seed}", sim, book)


def random_flight(seed: int, burns: int | None = None, per_coast: int = 10, per_burn: int = 3, slip_rate: float = 0.0,
                  slip_kinds: tuple[str, ...] = ("swap", "point", "unit", "sign"), columns: tuple[str, ...] = COLUMNS, mission: str = "orbits",
                  digits: int | None = None, clock_decimals: int = 0, inclined: bool = False, events: bool = False, stages: int = 1,
                  mu: float | None = None, bias: dict[str, float] | None = None, lag: dict[str, float] | None = None,
                  near_ground: int = 0) -> SimulatedFlight:
    """A seeded flight with its notes and truth.

    Parameters
    ----------
    seed : int
    burns : int, optional
        Burns of an "orbits" mission (1 to 4 by chance).
    per_coast, per_burn : int
        Readings in each coast, and around each burn (1: after; 2: before and after; more: during).
    slip_rate : float
        Probability that a number is spoilt by a slip of one of ``slip_kinds`` (see :func:`notes_of`).
    mission : str
        "orbits" (burns about one body), "transfer" (planet to moon, captured), "landing" (moon: orbit to ground),
        "there and back" (all of it, with lift-off and return to an orbit of the planet).
    digits : int, optional
        Digits that the gauges show (4 or 5 by chance).
    inclined : bool
        An inclined orbit with turning burns ("orbits" only); add "latitude" and "longitude" to ``columns``.
    bias, lag : dict, optional
        By column: a gauge whose zero is off (SI), a gauge read some seconds after the clock.
    near_ground : int
        Readings in the last two minutes before each touchdown; with any, one soon after it too.
    """
    for attempt in range(60):
        rng = np.random.default_rng([seed, 2, attempt])
        try:
            sim, plan = MISSIONS[mission](rng, burns, inclined, stages, mu)
            break
        except (Unfit, ValueError):
            continue
    else:
        raise RuntimeError(f"seed {seed}: no flight in 60 attempts")
    low = min(math.sqrt(b.mu / b.radius) for b in {segment.body.name: segment.body for segment in sim.segments}.values())
    gauges = panel_of(rng, low, digits, sim.craft.stages[0].propellant)
    mets = times_of(sim, rng, per_coast, per_burn, near_ground)
    book = notes_of(sim, rng, gauges, mets, columns, slip_rate, slip_kinds, clock_decimals=clock_decimals, events=events,
                    bias=bias, lag=lag)
    return _finish(f"{mission} {seed}", sim, book, plan)
