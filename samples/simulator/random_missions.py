"""Flying a random mission: each function draws a world and a craft, flies, and gives the simulation and a plan."""

from __future__ import annotations

import math
from dataclasses import replace

from . import steering as st
from .bodies import Body
from .conditions import (
    across_speed_below, apoapsis_above, apoapsis_below, at_apsis, delta_v, in_sphere_of, periapsis_above, periapsis_below,
)
from .missions import find_departure, in_orbit, shape_now, signed_periapsis
from .motion import SPENT, Simulation
from .random_worlds import log_uniform, random_craft, random_world


class Unfit(Exception):
    """This draw makes no sensible flight; draw again."""


def _room(sim: Simulation) -> float:
    """Radius to stay within, so that an "orbits" mission stays about one body, m."""
    body = sim.body
    if math.isfinite(body.soi):
        return 0.9 * body.soi
    moons = sim.world.moons(body.name)
    return min((m.semi_major_axis * (1 - m.eccentricity) - m.soi for m in moons), default=math.inf) * 0.95


def _orbits(rng, burns, inclined, stages, mu) -> tuple[Simulation, str]:
    world = random_world(rng, mu=mu)
    body = world.planet if rng.random() < 0.6 else world.moons(world.planet.name)[0]
    circular = math.sqrt(body.mu / body.radius)
    number = int(rng.integers(1, 5)) if burns is None else burns
    sizes = [circular * log_uniform(rng, 0.02, 0.3) for _ in range(number)]
    craft = random_craft(rng, sum(sizes), body.mu / body.radius**2, stages)
    if max(stage.propellant / stage.dry_mass for stage in craft.stages) > 25:
        raise Unfit
    low = body.radius * log_uniform(rng, 0.05, 0.8)
    high = low + body.radius * log_uniform(rng, 0.01, 2.5)
    inclination, node = (float(rng.uniform(0.05, 1.3)), float(rng.uniform(0, 6.28))) if inclined else (0.0, 0.0)
    sim = in_orbit(world, craft, body.name, low, high, float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28)), inclination, node)
    room = _room(sim)
    if body.radius + high > room:
        raise Unfit
    legs = []
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.15, 1.0))
    for size in sizes:
        if size > 0.5 * math.hypot(*sim.v):
            raise Unfit
        for _ in range(12):
            trial = sim.clone()
            law = _random_law(rng, inclined)
            left = size
            while trial.burn(law, delta_v(left)) == "empty":
                left = size - float(trial.y[SPENT])
                if trial.stage + 1 == stages:
                    raise Unfit
                trial.stage_off()
            shape = shape_now(trial)
            top = shape["apoapsis_altitude"]
            if not trial.landed and top is not None and shape["periapsis_altitude"] > 0.03 * body.radius and top + body.radius < room:
                break
        else:
            raise Unfit
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
        raise Unfit
    v = math.sqrt(planet.mu / planet.radius)
    w = math.sqrt(moon.mu / moon.radius)
    craft = random_craft(rng, 0.45 * v + (4.2 * w + 0.25 * v if back else 1.0 * w), moon.mu / moon.radius**2, stages, None)
    if max(stage.propellant / stage.dry_mass for stage in craft.stages) > 40:
        raise Unfit
    stage = craft.stages[0]
    weight = craft.empty_mass(0) + stage.propellant
    pull = max(stage.thrust / weight, 0.5 * planet.mu / planet.radius**2, 2.2 * moon.mu / moon.radius**2)
    craft = replace(craft, stages=(replace(stage, thrust=float(f"{pull * weight:.3g}")), *craft.stages[1:]))
    low = planet.radius * log_uniform(rng, 0.05, 0.3)
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
        raise Unfit
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"), duration=5 * flight_time)
    brake = math.hypot(*trial.v) - math.sqrt(moon.mu / (moon.radius + trial.altitude))
    stage = sim.craft.stages[sim.stage]
    sim.coast(duration=trial.met - sim.met - 0.5 * brake * float(sim.y[6]) / stage.thrust + rng.normal(0, 15))
    sim.burn(st.retrograde(), apoapsis_below((goal - moon.radius) * rng.uniform(1.0, 1.5)))
    if sim.landed or shape_now(sim)["periapsis_altitude"] < 0.03 * moon.radius:
        raise Unfit
    sim.coast(duration=shape_now(sim)["period"] * rng.uniform(0.4, 0.9))
    return sim.altitude


def _down(sim: Simulation, rng) -> None:
    """From a low orbit to the ground."""
    moon = sim.body
    w = math.sqrt(moon.mu / moon.radius)
    weight = moon.mu / moon.radius**2
    stage = sim.craft.stages[sim.stage]
    accel = stage.thrust / float(sim.y[6])
    if accel < 1.6 * weight:
        raise Unfit
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
        raise Unfit


def _up(sim: Simulation, rng, goal: float) -> None:
    """From the ground to a low orbit."""
    deg = math.pi / 180
    moon = sim.body
    accel = sim.craft.stages[sim.stage].thrust / float(sim.y[6])
    if accel < 1.5 * moon.mu / moon.radius**2:
        raise Unfit
    beat = math.sqrt(moon.mu / moon.radius) / accel
    law = st.pitch_programme(((0.0, 90 * deg), (0.04 * beat, 85 * deg), (0.12 * beat, 35 * deg), (0.5 * beat, 12 * deg), (1.2 * beat, 2 * deg)))
    if sim.burn(law, apoapsis_above(goal)) != "until" or sim.landed:
        raise Unfit
    trial = sim.clone()
    trial.coast(until=at_apsis("apoapsis"))
    if trial.landed:
        raise Unfit
    wanted = math.sqrt(moon.mu / (moon.radius + trial.altitude)) - math.hypot(*trial.v)
    accel = sim.craft.stages[sim.stage].thrust / float(sim.y[6])
    sim.coast(duration=max(5.0, trial.met - sim.met - 0.5 * wanted / accel))
    if sim.burn(st.prograde(), periapsis_above(0.92 * min(goal, trial.altitude)), duration=4 * wanted / accel) != "until":
        raise Unfit
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
        raise Unfit
    sim.coast(duration=trial.met - sim.met - 20.0)
    if sim.burn(st.retrograde(), apoapsis_below(planet.radius * 4.0)) != "until":
        raise Unfit
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
        raise Unfit
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


#: Missions by name.
MISSIONS = {"orbits": _orbits, "transfer": _transfer, "landing": _landing, "there and back": _there_and_back}
