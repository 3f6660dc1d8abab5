"""The scenario's flights, flown phase by phase with each pilot's own mistakes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from scipy.optimize import brentq

from . import steering as st
from .bodies import World
from .conditions import (
    across_speed_below, altitude_above, altitude_below, apoapsis_above, apoapsis_below, at_apsis, delta_v, in_sphere_of,
    periapsis_above, periapsis_below,
)
from .craft import Craft
from .motion import Simulation
from .truth import elements

DEG = math.pi / 180.0


@dataclass
class Flown:
    """A finished flight and the marks in it (name -> MET) that the pilot's notes hang on."""

    sim: Simulation
    marks: dict[str, float] = field(default_factory=dict)


def in_orbit(world: World, craft: Craft, body: str, periapsis: float, apoapsis: float, angle: float = 0.0,
             anomaly: float = 0.0, inclination: float = 0.0, node: float = 0.0, **more) -> Simulation:
    """A craft in an orbit given by its apsis altitudes (m), the direction of periapsis and the true anomaly (rad)."""
    place = world[body]
    rp, ra = place.radius + periapsis, place.radius + apoapsis
    e = (ra - rp) / (ra + rp)
    p = rp * (1.0 + e)
    r = p / (1.0 + e * math.cos(anomaly))
    c, s = math.cos(angle + anomaly), math.sin(angle + anomaly)
    k = math.sqrt(place.mu / p)
    u, w = -k * (math.sin(angle + anomaly) + e * math.sin(angle)), k * (math.cos(angle + anomaly) + e * math.cos(angle))
    ci, si = math.cos(inclination), math.sin(inclination)
    cn, sn = math.cos(node), math.sin(node)
    def turned(x, y):
        y, z = y * ci, y * si
        return (cn * x - sn * y, sn * x + cn * y, z)
    return Simulation(world, craft, body, turned(r * c, r * s), turned(u, w), **more)


def shape_now(sim: Simulation) -> dict:
    """The present conic."""
    return elements(sim.body.mu, sim.body.radius, sim.y, sim.met)


def signed_periapsis(sim: Simulation) -> float:
    """Periapsis radius of the present conic, negative where it runs clockwise."""
    turning = sim.y[0] * sim.y[4] - sim.y[1] * sim.y[3]
    return math.copysign(shape_now(sim)["periapsis_altitude"] + sim.body.radius, turning)


def find_departure(sim: Simulation, depart, target: str, radius: float, window: float, tries: int = 160,
                   patience: float = 7e4, start: float = 0.0) -> float:
    """Seconds to wait before departing so that the conic about ``target`` has a signed periapsis ``radius``.

    ``depart(sim)`` flies the departure burn. The first root in the window is given.
    """
    home = sim.body
    base = sim.clone()
    base.coast(duration=start + window)
    moon = sim.world[target] if sim.world[target].parent == home.name else None

    def hopeless(wait: float) -> bool:
        """The moon will be nowhere near the far side of the orbit that begins here."""
        if moon is None:
            return False
        x, y = base.state_at(sim.met + wait)[1][:2]
        flight_time = math.pi * math.sqrt(((math.hypot(x, y) + moon.semi_major_axis) / 2) ** 3 / home.mu)
        (mx, my, _), _ = moon.place(sim.met + wait + flight_time)
        return abs(math.remainder(math.atan2(-y, -x) - math.atan2(my, mx), 2 * math.pi)) > 0.75

    def miss(wait: float) -> float | None:
        trial = sim.clone()
        trial.rtol = 1e-9
        trial.met = sim.met + wait
        trial.y = base.state_at(trial.met)[1].copy()
        depart(trial)
        if trial.landed:
            return None
        if target != home.name and trial.body.name != target:
            trial.coast(until=in_sphere_of(target), duration=patience)
        if trial.body.name != target:
            return None
        return signed_periapsis(trial) - radius

    previous = None
    for i in range(tries + 1):
        wait = start + window * i / tries
        value = None if hopeless(wait) else miss(wait)
        if value is not None and previous is not None and value * previous[1] < 0 and abs(value - previous[1]) < 30 * abs(radius):
            return brentq(lambda w: miss(w) or 0.0, previous[0], wait, xtol=1e-2)
        previous = None if value is None else (wait, value)
    raise ValueError("no departure in the window reaches the wanted periapsis")


@dataclass(frozen=True)
class Pilot:
    """How a pilot flies there and back; every default is a clean flight, the fields are the ways to waste."""

    start: tuple[float, float] = (79.6e3, 80.5e3)
    transfer_late: float = 0.0  # s
    transfer_wrong_way: float = 0.0  # m/s burnt the wrong way first
    transfer_overshoot: float = 0.0  # m of apoapsis, taken back afterwards
    transfer_throttle: float = 1.0
    transfer_off: float = 0.0  # rad off the velocity
    correct_at: float = 3.9e6  # m of altitude over Lull
    correct_to: float = 30e3
    correct_overshoot: float = 0.0
    capture_late: float = 0.0
    capture_throttle: float = 1.0
    capture_wrong_way: float = 0.0
    capture_first_apoapsis: float | None = None  # capture in two burns
    capture_low: float = 30e3  # apoapsis aimed at
    trim: bool = True
    deorbit_to: float = 9e3
    brake_early: float = 0.0  # s before the best moment
    brake_throttle: float = 1.0
    gate: tuple[float, float] = (350.0, 12.0)  # altitude, sink at the end of braking
    let_down: tuple[float, float] = (1.0, 0.06)
    stay: float = 2700.0
    ascent_pitch: tuple = ((0.0, 90.0), (8.0, 80.0), (20.0, 25.0), (70.0, 8.0), (200.0, 0.0))
    ascent_throttle: float = 1.0
    ascent_apoapsis: float = 20e3
    ascent_overshoot: float = 0.0
    circularise_late: float = 0.0
    return_late: float = 0.0
    return_extra: float = 0.0
    return_off: float = 0.0
    return_correct_at: float = 9.0e6
    entry_to: float = 34e3


def there_and_back(world: World, craft: Craft, pilot: Pilot, all_pull: bool = False, back: bool = True) -> Flown:
    """From orbit about Ardent to the ground of Lull and (``back``) home through the air."""
    sim = in_orbit(world, craft, "Ardent", *pilot.start, angle=-0.6, anomaly=0.35, all_pull=all_pull)
    marks: dict[str, float] = {}
    far = world["Lull"].semi_major_axis - world["Ardent"].radius

    def depart(trial):
        trial.burn(st.prograde(pilot.transfer_throttle), apoapsis_above(far - 0.4e6))

    wait = find_departure(sim, depart, "Lull", 340e3, 3200.0, start=2200.0)
    sim.coast(duration=wait + pilot.transfer_late - (pilot.transfer_wrong_way / 4.8 + 25.0 if pilot.transfer_wrong_way else 0.0))
    marks["transfer"] = sim.met
    if pilot.transfer_wrong_way:
        sim.burn(st.retrograde(), delta_v(pilot.transfer_wrong_way))
        sim.coast(duration=21.0)
    sim.burn(st.prograde(pilot.transfer_throttle, pilot.transfer_off), apoapsis_above(far - 0.4e6 + pilot.transfer_overshoot))
    if pilot.transfer_overshoot:
        sim.coast(duration=46.0)
        sim.burn(st.retrograde(0.5), apoapsis_below(far - 0.4e6))
    # an aim from the plan's card: a small correction on the way where the arrival would miss by far
    arrival = sim.clone()
    arrival.coast(until=in_sphere_of("Lull"), duration=3e5)
    if arrival.body.name != "Lull" or not 0.0 < signed_periapsis(arrival) < 3.0e6:
        sim.coast(duration=5400.0)
        _aim(sim, 1.6e6)
    sim.coast(until=in_sphere_of("Lull"), duration=3e5)
    if sim.body.name != "Lull":
        raise ValueError("the flight never reaches Lull")
    arrive_at_lull(sim, pilot, marks)
    land_on_lull(sim, pilot, marks)
    sim.wait(pilot.stay)
    if not back:
        return Flown(sim, marks)
    climb_from_lull(sim, pilot, marks)
    go_home(sim, pilot, marks)
    return Flown(sim, marks)


def _aim(sim: Simulation, radius: float) -> None:
    """A correction along the velocity that brings the periapsis at Lull to a radius."""
    def miss(amount: float) -> float:
        trial = sim.clone()
        trial.rtol = 1e-9
        trial.burn(st.prograde(0.3) if amount > 0 else st.retrograde(0.3), delta_v(abs(amount)))
        trial.coast(until=in_sphere_of("Lull"), duration=3e5)
        return signed_periapsis(trial) - radius if trial.body.name == "Lull" else math.nan

    amounts = [0.7 * i for i in range(-50, 51) if i]
    amounts.sort(key=abs)
    values = {amount: miss(amount) for amount in amounts}
    ordered = sorted(values)
    roots = [(a, b) for a, b in zip(ordered, ordered[1:]) if values[a] * values[b] < 0 and abs(values[a] - values[b]) < 2e7]
    if not roots:
        raise ValueError("no small correction reaches Lull")
    low, high = min(roots, key=lambda pair: min(map(abs, pair)))
    amount = brentq(miss, low, high, xtol=1e-4)
    sim.burn(st.prograde(0.3) if amount > 0 else st.retrograde(0.3), delta_v(abs(amount)))


def arrive_at_lull(sim: Simulation, pilot: Pilot, marks: dict[str, float]) -> None:
    """Correct the pass, then capture into a low orbit."""
    sim.coast(until=altitude_below(pilot.correct_at))
    low = shape_now(sim)["periapsis_altitude"]
    clockwise = signed_periapsis(sim) < 0
    marks["correction"] = sim.met
    if abs(low - pilot.correct_to) > 4e3 or clockwise:
        _set_pass(sim, pilot.correct_to + pilot.correct_overshoot)
        if pilot.correct_overshoot:
            sim.coast(duration=95.0)
            _set_pass(sim, pilot.correct_to)
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"))
    periapsis = trial.met
    marks["periapsis"] = periapsis
    # half the time that the burn takes
    speed = math.hypot(*trial.v)
    wanted = speed - math.sqrt(sim.body.mu / (sim.body.radius + trial.altitude))
    accel = pilot.capture_throttle * sim.craft.stages[sim.stage].thrust / sim.y[6]
    sim.coast(duration=periapsis - sim.met - 0.5 * wanted / accel + pilot.capture_late
              - (pilot.capture_wrong_way / accel + 15.0 if pilot.capture_wrong_way else 0.0))
    marks["capture"] = sim.met
    if pilot.capture_wrong_way:
        sim.burn(st.prograde(pilot.capture_throttle), delta_v(pilot.capture_wrong_way))
        sim.coast(duration=12.0)
    sim.burn(st.retrograde(pilot.capture_throttle), apoapsis_below(pilot.capture_first_apoapsis or pilot.capture_low))
    if pilot.capture_first_apoapsis:
        sim.coast(duration=60.0)
        sim.coast(until=at_apsis("periapsis"), duration=2e4)
        marks["capture 2"] = sim.met
        sim.burn(st.retrograde(0.6), apoapsis_below(pilot.capture_low))
    if pilot.trim:
        sim.coast(duration=60.0)
        sim.coast(until=at_apsis("apoapsis"), duration=2e4)
        marks["trim"] = sim.met
        low = shape_now(sim)["periapsis_altitude"]
        if low < 29.3e3:
            sim.burn(st.prograde(0.4), periapsis_above(29.6e3))
        elif low > 30.7e3:
            sim.burn(st.retrograde(0.4), periapsis_below(30.4e3))


def _set_pass(sim: Simulation, altitude: float) -> None:
    """Push across the path until the pass is at an altitude, counter-clockwise."""
    rising = signed_periapsis(sim) < altitude + sim.body.radius
    r, v = sim.r, sim.v
    speed = math.hypot(*v)
    # left of the motion is (-vy, vx); pushing right of an inbound path raises the counter-clockwise pass
    side = (v[1] / speed, -v[0] / speed, 0.0)
    turning = (r[0] * side[1] - r[1] * side[0]) > 0
    sign = 1.0 if turning == rising else -1.0
    direction = tuple(sign * c for c in side)
    target = altitude + sim.body.radius
    def reached(s, t, y):
        e = elements(s.body.mu, s.body.radius, y, t)
        signed = math.copysign(e["periapsis_altitude"] + s.body.radius, y[0] * y[4] - y[1] * y[3])
        return (signed - target) * (1.0 if rising else -1.0) / 1e3
    sim.burn(st.held(direction, 0.25), reached)


def land_on_lull(sim: Simulation, pilot: Pilot, marks: dict[str, float]) -> None:
    """From low orbit to the ground."""
    sim.coast(duration=1300.0)
    marks["deorbit"] = sim.met
    sim.burn(st.retrograde(0.6), periapsis_below(pilot.deorbit_to))
    sim.coast(duration=30.0)
    trial = sim.clone()
    trial.coast(until=at_apsis("periapsis"))
    speed = math.hypot(*trial.v)
    accel = pilot.brake_throttle * sim.craft.stages[sim.stage].thrust / sim.y[6]
    accel *= 1.0 + 0.5 * speed / (sim.craft.stages[sim.stage].specific_impulse * 9.80665)
    sim.coast(duration=trial.met - sim.met - 0.42 * speed / accel - pilot.brake_early)
    marks["braking"] = sim.met
    gate, sink = pilot.gate
    sim.burn(st.braking(gate, sink, pilot.brake_throttle, 4.0), across_speed_below(9.0), duration=2000.0)
    marks["gate"] = sim.met
    sim.burn(st.letting_down(*pilot.let_down), duration=3000.0)
    marks["touchdown"] = sim.met
    if not sim.touchdowns:
        raise ValueError("the flight never touches Lull")


def climb_from_lull(sim: Simulation, pilot: Pilot, marks: dict[str, float]) -> None:
    """From the ground of Lull to a low orbit."""
    marks["liftoff"] = sim.met
    points = tuple((t, p * DEG) for t, p in pilot.ascent_pitch)
    sim.burn(st.pitch_programme(points, throttle=pilot.ascent_throttle), apoapsis_above(pilot.ascent_apoapsis + pilot.ascent_overshoot))
    marks["ascent cutoff"] = sim.met
    trial = sim.clone()
    trial.coast(until=at_apsis("apoapsis"))
    wanted = math.sqrt(sim.body.mu / (sim.body.radius + trial.altitude)) - math.hypot(*trial.v)
    accel = sim.craft.stages[sim.stage].thrust / sim.y[6]
    sim.coast(duration=max(5.0, trial.met - sim.met - 0.5 * wanted / accel + pilot.circularise_late))
    marks["circularise"] = sim.met
    goal = min(pilot.ascent_apoapsis - 0.4e3, trial.altitude - 0.1e3)
    sim.burn(st.prograde(), periapsis_above(goal), duration=120.0)
    if pilot.ascent_overshoot > 3e3:
        sim.coast(until=at_apsis("periapsis"), duration=4e3)
        sim.burn(st.retrograde(0.4), apoapsis_below(pilot.ascent_apoapsis + 0.6e3))


def go_home(sim: Simulation, pilot: Pilot, marks: dict[str, float]) -> None:
    """Leave Lull backwards along its path, correct, and come down through the air."""
    moon, planet = sim.body, sim.world["Ardent"]
    r = math.hypot(*sim.y[:3])
    slow = math.sqrt(2 * planet.mu * (planet.radius + 34e3) / moon.semi_major_axis / (planet.radius + 34e3 + moon.semi_major_axis))
    excess = math.sqrt(planet.mu / moon.semi_major_axis) - slow
    extra = math.sqrt((excess * 1.03) ** 2 + 2 * moon.mu / r) - math.sqrt(moon.mu / r) + pilot.return_extra

    def depart(trial):
        trial.burn(st.prograde(off=pilot.return_off), delta_v(extra))
        trial.coast(until=in_sphere_of("Ardent"), duration=3e5)

    period = 2 * math.pi * math.sqrt(r**3 / moon.mu)
    wait = find_departure(sim, depart, "Ardent", planet.radius + 34e3, 1.2 * period, tries=60, start=1500.0)
    sim.coast(duration=wait + pilot.return_late)
    marks["return"] = sim.met
    depart(sim)
    sim.coast(until=altitude_below(pilot.return_correct_at), duration=4e5)
    marks["return correction"] = sim.met
    low = shape_now(sim)["periapsis_altitude"]
    if abs(low - pilot.entry_to) > 1e3:
        _set_pass(sim, pilot.entry_to)
    sim.coast(until=altitude_below(planet.air.top - 40.0), duration=4e5)
    marks["entry"] = sim.met
    sim.coast(until=altitude_below(9e3), duration=2e4)
    marks["drogue"] = sim.met
    sim.open_parachute(36.0)
    sim.coast(until=altitude_below(3.2e3), duration=2e4)
    marks["parachute"] = sim.met
    sim.open_parachute(420.0)
    sim.coast(duration=2e4, until=altitude_below(-1.0))
    marks["home"] = sim.met
    sim.wait(120.0)


def launch(world: World, craft: Craft, turn=((0.0, 90.0), (8.0, 86.0), (20.0, 66.0), (45.0, 46.0), (75.0, 28.0), (110.0, 12.0)),
           upper_pitch: float = 12.0, apoapsis: float = 80.6e3, late: float = 0.0, stay: float = 2900.0) -> Flown:
    """From the pad on Ardent through its air to orbit, dropping the booster on the way."""
    sim = Simulation.on_pad(world, craft, "Ardent", longitude=0.3)
    marks: dict[str, float] = {}
    sim.wait(64.0)
    marks["liftoff"] = sim.met
    sim.burn(st.pitch_programme([(t, p * DEG) for t, p in turn]), apoapsis_above(apoapsis))
    marks["booster cutoff"] = sim.met
    sim.coast(duration=3.0)
    sim.stage_off()
    marks["staging"] = sim.met
    sim.coast(duration=4.0)
    if shape_now(sim)["apoapsis_altitude"] < apoapsis:
        marks["upper ignition"] = sim.met
        sim.burn(st.pitched(upper_pitch * DEG), apoapsis_above(apoapsis))
        marks["upper cutoff"] = sim.met
    sim.coast(until=altitude_above(sim.body.air.top + 20.0))
    trial = sim.clone()
    trial.coast(until=at_apsis("apoapsis"))
    wanted = math.sqrt(sim.body.mu / (sim.body.radius + trial.altitude)) - math.hypot(*trial.v)
    accel = sim.craft.stages[sim.stage].thrust / sim.y[6]
    sim.coast(duration=max(5.0, trial.met - sim.met - 0.53 * wanted / accel + late))
    marks["circularise"] = sim.met
    sim.burn(st.prograde(), periapsis_above(78.8e3), duration=400.0)
    marks["orbit"] = sim.met
    sim.coast(duration=stay)
    return Flown(sim, marks)
