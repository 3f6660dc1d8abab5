"""Seeded random worlds and craft, over six orders of magnitude in pull."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .bodies import Air, Body, World, world_of
from .craft import STANDARD_GRAVITY, Craft, Stage

PLANETS = ("Orrin", "Tessaly", "Marrow", "Kessock", "Vaunt", "Dunmere")
MOONS = ("Pim", "Sallow", "Wick", "Tarn", "Ember", "Quill")


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def random_world(rng: np.random.Generator, air: bool = False, mu: float | None = None) -> World:
    """A planet (gravitational parameter 1e9 to 1e15 m^3/s^2, surface gravity 0.3 to 15 m/s^2) and its moon."""
    mu = log_uniform(rng, 1e9, 1e15) if mu is None else mu
    gravity = log_uniform(rng, 0.3, 15.0)
    radius = math.sqrt(mu / gravity)
    beat = math.sqrt(radius**3 / mu)  # s; a low orbit takes 2 pi of these
    planet = Body(str(rng.choice(PLANETS)), mu, radius, spin=float(rng.choice([0.0, 1.0], p=[0.1, 0.9])) * rng.uniform(0.005, 0.12) / beat)
    if air:
        scale = radius * rng.uniform(0.004, 0.012)
        planet = replace(planet, air=Air(top=9.0 * scale, surface_density=log_uniform(rng, 0.1, 5.0), scale_height=scale))
    moon_mu = mu * log_uniform(rng, 5e-3, 6e-2)
    moon_radius = math.sqrt(moon_mu / (gravity * rng.uniform(0.15, 0.6)))
    moon = Body(
        str(rng.choice(MOONS)), moon_mu, moon_radius, parent=planet.name, semi_major_axis=radius * log_uniform(rng, 15.0, 45.0),
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
        dry = round(log_uniform(rng, 300, 2e4) if not parts else 0.25 * on_top, 0)
        propellant = round((dry + on_top) * (ratio - 1.0), 0) + 10.0
        full = dry + on_top + propellant
        thrust = full * gravity * log_uniform(rng, 0.4, 3.0)
        parts.insert(0, Stage(f"stage {index + 1}", dry, propellant, float(f"{thrust:.3g}"), impulse))
        on_top = full
    return Craft(f"Craft {int(rng.integers(100, 999))}", tuple(parts), axis or str(rng.choice(["nose", "nose", "tail"])))
