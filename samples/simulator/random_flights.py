"""Seeded random worlds, craft, flights and notes, for tests that need many flights with known truth.

Everything follows from the seed. Worlds span six orders of magnitude in pull; speeds and times scale with them, so that
every flight is one a person could fly.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from . import steering as st
from .bodies import Air, Body, World, world_of, world_toml
from .craft import STANDARD_GRAVITY, Craft, Stage, craft_toml
from .instruments import INF, USUAL, Column, Notebook, Panel, random_slip, repeat, slip_clock, wrong_body
from .missions import find_departure, in_orbit, shape_now, signed_periapsis
from .motion import Simulation, altitude_below, apoapsis_below, at_apsis, delta_v, in_sphere_of
from .truth import truth_of

PLANETS = ("Orrin", "Tessaly", "Marrow", "Kessock", "Vaunt", "Dunmere")
MOONS = ("Pim", "Sallow", "Wick", "Tarn", "Ember", "Quill")


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


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def random_world(rng: np.random.Generator, air: bool = False, mu: float | None = None) -> World:
    """A planet (gravitational parameter 1e9 to 1e15 m^3/s^2, surface gravity 0.3 to 15 m/s^2) and its moon."""
    mu = _log_uniform(rng, 1e9, 1e15) if mu is None else mu
    gravity = _log_uniform(rng, 0.3, 15.0)
    radius = math.sqrt(mu / gravity)
    beat = math.sqrt(radius**3 / mu)  # s; a low orbit takes 2 pi of these
    planet = Body(str(rng.choice(PLANETS)), mu, radius, spin=float(rng.choice([0.0, 1.0], p=[0.1, 0.9])) * rng.uniform(0.005, 0.12) / beat)
    if air:
        scale = radius * rng.uniform(0.004, 0.012)
        planet = replace(planet, air=Air(top=9.0 * scale, surface_density=_log_uniform(rng, 0.1, 5.0), scale_height=scale))
    moon_mu = mu * _log_uniform(rng, 5e-3, 6e-2)
    moon_radius = math.sqrt(moon_mu / (gravity * rng.uniform(0.15, 0.6)))
    moon = Body(
        str(rng.choice(MOONS)), moon_mu, moon_radius, parent=planet.name, semi_major_axis=radius * _log_uniform(rng, 15.0, 45.0),
        eccentricity=float(rng.choice([0.0, rng.uniform(0.0, 0.08)])), argument_of_periapsis=rng.uniform(0, 6.28),
        mean_anomaly=rng.uniform(0, 6.28),
    )
    return world_of(f"{planet.name} and {moon.name}", [planet, moon], synchronous=(moon.name,))


def random_craft(rng: np.random.Generator, speed_change: float, gravity: float, stages: int = 1, axis: str | None = None) -> Craft:
    """A craft that can give ``speed_change`` (m/s) with a little over, pushing 0.4 to 3 times a weight of ``gravity`` when full."""
    parts: list[Stage] = []
    on_top = 0.0
    for index in reversed(range(stages)):
        impulse = round(float(rng.uniform(220, 460)), 1)
        ratio = math.exp(1.25 * speed_change / stages / (impulse * STANDARD_GRAVITY))
        dry = round(_log_uniform(rng, 300, 2e4) if not parts else 0.25 * on_top, 0)
        propellant = round((dry + on_top) * (ratio - 1.0), 0) + 10.0
        full = dry + on_top + propellant
        thrust = full * gravity * _log_uniform(rng, 0.4, 3.0)
        parts.insert(0, Stage(f"stage {index + 1}", dry, propellant, float(f"{thrust:.3g}"), impulse))
        on_top = full
    return Craft(f"Craft {int(rng.integers(100, 999))}", tuple(parts), axis or str(rng.choice(["nose", "nose", "tail"])))


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


def times_of(sim: Simulation, rng: np.random.Generator, per_coast: int, per_burn: int = 3) -> list[float]:
    """When the pilot looks: spread over each coast, and just before, during and just after each burn."""
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
    from .instruments import UNIT, written

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
    low = body.radius * (1.0 + _log_uniform(rng, 0.03, 0.8))
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
        high = min(room, low * (1.0 + _log_uniform(rng, 0.01, 6.0)))
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
                  mu: float | None = None, bias: dict[str, float] | None = None, lag: dict[str, float] | None = None) -> SimulatedFlight:
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
    """
    for attempt in range(60):
        rng = np.random.default_rng([seed, 2, attempt])
        try:
            sim, plan = {"orbits": _orbits, "transfer": _transfer, "landing": _landing, "there and back": _there_and_back}[mission](
                rng, burns, inclined, stages, mu)
            break
        except (_Unfit, ValueError):
            continue
    else:
        raise RuntimeError(f"seed {seed}: no flight in 60 attempts")
    low = min(math.sqrt(b.mu / b.radius) for b in {segment.body.name: segment.body for segment in sim.segments}.values())
    gauges = panel_of(rng, low, digits, sim.craft.stages[0].propellant)
    mets = times_of(sim, rng, per_coast, per_burn)
    book = notes_of(sim, rng, gauges, mets, columns, slip_rate, slip_kinds, clock_decimals=clock_decimals, events=events,
                    bias=bias, lag=lag)
    return _finish(f"{mission} {seed}", sim, book, plan)


class _Unfit(Exception):
    """This draw makes no sensible flight; draw again."""


def _room(sim: Simulation) -> float:
    """Radius to stay within, so that an "orbits" mission stays about one body, m."""
    body = sim.body
    if math.isfinite(body.soi):
        return 0.9 * body.soi
    moons = sim.world.moons(body.name)
    return min((m.semi_major_axis * (1 - m.eccentricity) - m.soi for m in moons), default=INF) * 0.95


def _orbits(rng, burns, inclined, stages, mu) -> tuple[Simulation, str]:
    world = random_world(rng, mu=mu)
    body = world.planet if rng.random() < 0.6 else world.moons(world.planet.name)[0]
    circular = math.sqrt(body.mu / body.radius)
    number = int(rng.integers(1, 5)) if burns is None else burns
    sizes = [circular * _log_uniform(rng, 0.02, 0.3) for _ in range(number)]
    craft = random_craft(rng, sum(sizes), body.mu / body.radius**2, stages)
    if max(stage.propellant / stage.dry_mass for stage in craft.stages) > 25:
        raise _Unfit
    low = body.radius * _log_uniform(rng, 0.05, 0.8)
    high = low + body.radius * _log_uniform(rng, 0.01, 2.5)
    inclination, node = (float(rng.uniform(0.05, 1.3)), float(rng.uniform(0, 6.28))) if inclined else (0.0, 0.0)
    sim = in_orbit(world, craft, body.name, low, high, float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28)), inclination, node)
    room = _room(sim)
    if body.radius + high > room:
        raise _Unfit
    legs = []
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.15, 1.0))
    for size in sizes:
        if size > 0.5 * math.hypot(*sim.v):
            raise _Unfit
        for _ in range(12):
            trial = sim.clone()
            law = _random_law(rng, inclined)
            left = size
            while trial.burn(law, delta_v(left)) == "empty":
                left = size - float(trial.y[7])
                if trial.stage + 1 == stages:
                    raise _Unfit
                trial.stage_off()
            shape = shape_now(trial)
            top = shape["apoapsis_altitude"]
            if not trial.landed and top is not None and shape["periapsis_altitude"] > 0.03 * body.radius and top + body.radius < room:
                break
        else:
            raise _Unfit
        sim = trial
        legs.append((shape["periapsis_altitude"], top))
        sim.coast(duration=shape["period"] * rng.uniform(0.15, 1.0))
    goals = "".join(f'\n[[legs]]\nname = "leg {i + 1}"\ngoal = {{ body = "{body.name}", orbit = "{p / 1e3:.4g} x {max(a, p) / 1e3:.4g} km" }}\n'
                    for i, (p, a) in enumerate(legs))
    return sim, f'name = "Changes of orbit"\nstart = {{ body = "{body.name}", orbit = "{low / 1e3:.4g} x {high / 1e3:.4g} km" }}\n{goals}'


def _random_law(rng, inclined: bool):
    kind = rng.random()
    throttle = float(rng.choice([1.0, 1.0, round(float(rng.uniform(0.3, 1.0)), 2)]))
    if inclined and kind < 0.35:
        return st.normal(throttle, float(rng.choice([-1.0, 1.0])))
    if kind < 0.65:
        return st.prograde(throttle, float(rng.choice([0.0, rng.normal(0, 0.25)])), float(rng.choice([-1.0, 1.0])))
    if kind < 0.8:
        return st.outward(throttle, float(rng.choice([-1.0, 1.0])))
    return st.prograde(throttle, float(rng.uniform(-3.1, 3.1)))


def _start_for_moon(rng, mu, stages, back: bool) -> tuple[Simulation, Body, Body]:
    world = random_world(rng, mu=mu)
    planet = world.planet
    moon = world.moons(planet.name)[0]
    if moon.soi < 5.0 * moon.radius:
        raise _Unfit
    v = math.sqrt(planet.mu / planet.radius)
    w = math.sqrt(moon.mu / moon.radius)
    craft = random_craft(rng, 0.45 * v + (4.2 * w + 0.25 * v if back else 1.0 * w), moon.mu / moon.radius**2, stages, None)
    if max(stage.propellant / stage.dry_mass for stage in craft.stages) > 40:
        raise _Unfit
    stage = craft.stages[0]
    weight = craft.empty_mass(0) + stage.propellant
    pull = max(stage.thrust / weight, 0.5 * planet.mu / planet.radius**2, 2.2 * moon.mu / moon.radius**2)
    craft = replace(craft, stages=(replace(stage, thrust=float(f"{pull * weight:.3g}")), *craft.stages[1:]))
    low = planet.radius * _log_uniform(rng, 0.05, 0.3)
    return in_orbit(world, craft, planet.name, low, low * rng.uniform(1.0, 1.1), float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28))), planet, moon


def _to_moon(sim: Simulation, rng, planet: Body, moon: Body) -> float:
    """Transfer and capture; the altitude of the low orbit is given back."""
    far = moon.semi_major_axis * (1 + rng.uniform(-0.02, 0.02))
    goal = moon.radius * (1.0 + rng.uniform(0.08, 0.3))
    r = math.hypot(*sim.y[:3])
    size = math.sqrt(2 * planet.mu * (1 / r - 1 / (r + far))) - math.sqrt(planet.mu / r)
    law = st.prograde()
    period = shape_now(sim)["period"]
    flight_time = math.pi * math.sqrt(((r + far) / 2) ** 3 / planet.mu)

    def depart(trial):
        trial.burn(law, delta_v(size))

    wait = find_departure(sim, depart, moon.name, goal, 1.35 * period, tries=70, patience=1.6 * flight_time, start=0.5 * period)
    sim.coast(duration=wait)
    depart(sim)
    sim.coast(until=in_sphere_of(moon.name), duration=1.6 * flight_time)
    if sim.body.name != moon.name or signed_periapsis(sim) < 1.03 * moon.radius:
        raise _Unfit
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"), duration=5 * flight_time)
    brake = math.hypot(*trial.v) - math.sqrt(moon.mu / (moon.radius + trial.altitude))
    stage = sim.craft.stages[sim.stage]
    sim.coast(duration=trial.met - sim.met - 0.5 * brake * float(sim.y[6]) / stage.thrust + rng.normal(0, 15))
    sim.burn(st.retrograde(), apoapsis_below((goal - moon.radius) * rng.uniform(1.0, 1.5)))
    if sim.landed or shape_now(sim)["periapsis_altitude"] < 0.03 * moon.radius:
        raise _Unfit
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.4, 0.9))
    return sim.altitude


def _down(sim: Simulation, rng) -> None:
    """From a low orbit to the ground."""
    from .motion import across_speed_below, periapsis_below

    moon = sim.body
    w = math.sqrt(moon.mu / moon.radius)
    weight = moon.mu / moon.radius**2
    stage = sim.craft.stages[sim.stage]
    accel = stage.thrust / float(sim.y[6])
    if accel < 1.6 * weight:
        raise _Unfit
    brake_way = w * w / (2 * accel)
    sim.burn(st.retrograde(), periapsis_below(max(0.02 * moon.radius, 0.06 * brake_way)))
    sim.coast(duration=10.0)
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"))
    speed = math.hypot(*trial.v)
    sim.coast(duration=max(5.0, trial.met - sim.met - rng.uniform(0.42, 0.62) * speed / accel))
    gate = max(60.0, 0.004 * moon.radius)
    slow = max(3.0, 0.012 * w)
    sim.burn(st.braking(gate, 0.5 * slow, float(rng.uniform(0.85, 1.0)), slow / 2), across_speed_below(slow), duration=4.0 * w / accel)
    slope = 0.3 * math.sqrt(weight / gate)
    sim.burn(st.letting_down(float(rng.uniform(0.4, 2.5)), min(slope, 0.2), sink_high=0.1 * w), duration=1500.0)
    if not sim.touchdowns or sim.touchdowns[-1]["vertical_speed"] < -12.0:
        raise _Unfit


def _up(sim: Simulation, rng, goal: float) -> None:
    """From the ground to a low orbit."""
    from .motion import apoapsis_above, periapsis_above

    deg = math.pi / 180
    moon = sim.body
    accel = sim.craft.stages[sim.stage].thrust / float(sim.y[6])
    if accel < 1.5 * moon.mu / moon.radius**2:
        raise _Unfit
    beat = math.sqrt(moon.mu / moon.radius) / accel
    law = st.pitch_programme(((0.0, 90 * deg), (0.04 * beat, 85 * deg), (0.12 * beat, 35 * deg), (0.5 * beat, 12 * deg), (1.2 * beat, 2 * deg)))
    if sim.burn(law, apoapsis_above(goal)) != "until" or sim.landed:
        raise _Unfit
    trial = sim.clone()
    trial.coast(until=at_apsis("apoapsis"))
    if trial.landed:
        raise _Unfit
    wanted = math.sqrt(moon.mu / (moon.radius + trial.altitude)) - math.hypot(*trial.v)
    accel = sim.craft.stages[sim.stage].thrust / float(sim.y[6])
    sim.coast(duration=max(5.0, trial.met - sim.met - 0.5 * wanted / accel))
    if sim.burn(st.prograde(), periapsis_above(0.92 * min(goal, trial.altitude)), duration=4 * wanted / accel) != "until":
        raise _Unfit
    sim.coast(duration=shape_now(sim)["period"] * 0.8)


def _home(sim: Simulation, rng, planet: Body, moon: Body) -> None:
    """Leave the moon and come into an orbit of the planet."""
    r = math.hypot(*sim.y[:3])
    goal = planet.radius * rng.uniform(1.1, 1.5)
    a = moon.semi_major_axis
    excess = math.sqrt(planet.mu / a) - math.sqrt(2 * planet.mu * goal / a / (goal + a))
    size = math.sqrt((1.06 * excess) ** 2 + 2 * moon.mu / r) - math.sqrt(moon.mu / r)
    flight_time = math.pi * math.sqrt(((a + goal) / 2) ** 3 / planet.mu)

    def depart(trial):
        trial.burn(st.prograde(), delta_v(size))
        trial.coast(until=in_sphere_of(planet.name), duration=3 * flight_time)

    period = 2 * math.pi * math.sqrt(r**3 / moon.mu)
    sim.coast(duration=find_departure(sim, depart, planet.name, goal, 1.1 * period, tries=50, start=0.2 * period))
    depart(sim)
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"), duration=6 * flight_time)
    if trial.landed or trial.altitude > planet.radius or trial.body.name != planet.name:
        raise _Unfit
    sim.coast(duration=trial.met - sim.met - 20.0)
    if sim.burn(st.retrograde(), apoapsis_below(planet.radius * 4.0)) != "until":
        raise _Unfit
    sim.coast(duration=0.6 * shape_now(sim)["period"])


def _plan(planet: Body, moon: Body, low: float, legs: list[tuple[str, str]]) -> str:
    told = f'name = "To {moon.name}"\nstart = {{ body = "{planet.name}", orbit = "{low / 1e3:.4g} x {low / 1e3:.4g} km" }}\n'
    return told + "".join(f'\n[[legs]]\nname = "{name}"\ngoal = {{ {goal} }}\n' for name, goal in legs)


def _legs(planet: Body, moon: Body, low: float) -> list[tuple[str, str]]:
    km = f"{low / 1e3:.4g}"
    return [("transfer", f'body = "{moon.name}", periapsis = "{km} km"'), ("capture", f'body = "{moon.name}", orbit = "{km} x {km} km"'),
            ("descent", f'landed = "{moon.name}"'), ("ascent", f'body = "{moon.name}", orbit = "{km} x {km} km"')]


def _transfer(rng, burns, inclined, stages, mu) -> tuple[Simulation, str]:
    sim, planet, moon = _start_for_moon(rng, mu, stages, back=False)
    start = sim.altitude
    low = _to_moon(sim, rng, planet, moon)
    return sim, _plan(planet, moon, start, _legs(planet, moon, low)[:2])


def _landing(rng, burns, inclined, stages, mu) -> tuple[Simulation, str]:
    world = random_world(rng, mu=mu)
    planet, moon = world.planet, world.moons(world.planet.name)[0]
    w = math.sqrt(moon.mu / moon.radius)
    craft = random_craft(rng, 2.2 * w, moon.mu / moon.radius**2)
    low = moon.radius * rng.uniform(0.06, 0.25)
    if moon.radius + low > 0.5 * moon.soi or max(stage.propellant / stage.dry_mass for stage in craft.stages) > 25:
        raise _Unfit
    stage = craft.stages[0]
    weight = craft.empty_mass(0) + stage.propellant
    craft = replace(craft, stages=(replace(stage, thrust=float(f"{weight * moon.mu / moon.radius**2 * rng.uniform(1.8, 5):.3g}")),))
    sim = in_orbit(world, craft, moon.name, low, low * rng.uniform(1.0, 1.4), float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28)))
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.4, 1.0))
    _down(sim, rng)
    sim.wait(200.0)
    plan = f'name = "Down"\nstart = {{ body = "{moon.name}", orbit = "{low / 1e3:.4g} x {low / 1e3:.4g} km" }}\n\n[[legs]]\nname = "descent"\ngoal = {{ landed = "{moon.name}" }}\n'
    return sim, plan


def _there_and_back(rng, burns, inclined, stages, mu) -> tuple[Simulation, str]:
    sim, planet, moon = _start_for_moon(rng, mu, stages, back=True)
    start = sim.altitude
    low = _to_moon(sim, rng, planet, moon)
    _down(sim, rng)
    sim.wait(float(rng.uniform(600, 4000)))
    _up(sim, rng, moon.radius * rng.uniform(0.06, 0.12))
    _home(sim, rng, planet, moon)
    legs = _legs(planet, moon, low)
    shape = shape_now(sim)
    legs.append(("return", f'body = "{planet.name}", orbit = "{shape["periapsis_altitude"] / 1e3:.4g} x {shape["apoapsis_altitude"] / 1e3:.4g} km"'))
    return sim, _plan(planet, moon, start, legs)
