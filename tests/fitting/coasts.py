"""Simulated coasts with known truth, for the tests of the orbit fit: random worlds, orbits from circles to hyperbolas, gauges of all
coarsenesses, missing values, and slips of the pen. Seeded, with nothing of the sample flights in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.conic import Shape, propagate, shape, state_at_true_anomaly
from analyser.fitting.observations import Observations, from_arrays
from analyser.flight import Body

KINDS = ("circle", "near circle", "ellipse", "long ellipse", "hyperbola")


@dataclass(frozen=True)
class Coast:
    """A simulated coast: what was read, and what was true. ``slips`` are (row, channel, size in sigmas, value before)."""

    kind: str
    observations: Observations
    state: np.ndarray  # at ``met``
    met: float
    shape: Shape
    exact: np.ndarray  # (n, 6)
    slips: tuple


def random_body(rng: np.random.Generator) -> Body:
    """A body of 100 to 12,600 km radius and 0.05 to 2 times the Earth's gravity."""
    radius, gravity = 10 ** rng.uniform(5.0, 7.1), 10 ** rng.uniform(-0.3, 1.3)
    return Body("Anywhere", gravity * radius**2, radius, rotation_period=rng.uniform(5e3, 1e5))


def random_coast(rng: np.random.Generator, slip_rate: float = 0.0, kind: str | None = None) -> Coast:
    """2 to 12 readings of altitude, speed and vertical speed along a part of an orbit about a random body."""
    body = random_body(rng)
    kind = rng.choice(KINDS, p=[0.15, 0.2, 0.35, 0.15, 0.15]) if kind is None else kind
    e = {
        "circle": 0.0 if rng.random() < 0.3 else 10 ** rng.uniform(-5, -3),
        "near circle": 10 ** rng.uniform(-3, -1.3),
        "ellipse": rng.uniform(0.05, 0.6),
        "long ellipse": rng.uniform(0.6, 0.97),
        "hyperbola": rng.uniform(1.05, 2.5),
    }[kind]
    periapsis = body.radius * (1 + 10 ** rng.uniform(-2.3, 0.3))
    anomaly = rng.uniform(-np.pi, np.pi) if e < 1 else rng.uniform(-0.8, 0.8) * np.arccos(-1 / e)
    state = np.array(state_at_true_anomaly(body.mu, periapsis * (1 + e), e, anomaly))
    span = 2 * np.pi * np.sqrt(periapsis**3 / body.mu) * 10 ** rng.uniform(-1.3, -0.1)
    count = rng.integers(2, 13)
    after, middle = np.sort(rng.uniform(-span / 2, span / 2, count)), rng.uniform(1e3, 2e5)
    radius, up, across = propagate(body.mu, *state, after)
    exact = np.full((count, 6), np.nan)
    exact[:, :3] = np.stack([radius - body.radius, np.hypot(up, across), up], axis=1)
    coarse = min(10.0 ** rng.integers(0, 4), 10 ** np.floor(np.log10(body.radius * 0.003)))
    steps = np.array([coarse, 10.0 ** rng.integers(-2, 1), 10.0 ** rng.integers(-2, 1), 1, 1, 1])
    tick = rng.choice([0.1, 1.0, 1.0])
    values, sigmas = np.round(exact / steps) * steps, np.tile(steps / np.sqrt(12), (count, 1))
    missing = rng.random((count, 6)) < rng.choice([0.0, 0.15, 0.3])
    missing[:, 0] = False
    missing[0, 1:3] &= ~missing[:, 1:3].all(axis=0)
    values[missing] = np.nan
    slips = []
    for row, channel in zip(*np.nonzero(np.isfinite(values))):
        if rng.random() < slip_rate:
            wrong = slipped(rng, values[row, channel], steps[channel])
            if wrong is not None and wrong != values[row, channel]:
                size = abs(wrong - exact[row, channel]) / sigmas[row, channel]
                slips.append((int(row), int(channel), size, values[row, channel]))
                values[row, channel] = wrong
    shown = np.round((after + middle) / tick) * tick
    observed = from_arrays(body, shown, values, sigmas, tick / np.sqrt(12))
    return Coast(kind, observed, state, middle, shape(body.mu, *state), exact, tuple(slips))


def slipped(rng: np.random.Generator, value: float, step: float) -> float | None:
    """A value as it stands after a slip of the pen."""
    digits, sign = str(int(round(abs(value) / step))), np.sign(value) or 1.0
    how = rng.choice(["swap", "point", "digit", "sign", "unit", "left out"])
    if how == "point":
        return value * 10.0 ** rng.choice([-1, 1, 2, -2])
    if how == "sign":
        return -value
    if how == "unit":
        return value * rng.choice([0.3048, 1 / 0.3048, 1.852, 3.6])
    place = rng.integers(0, len(digits))
    if how == "digit":
        return sign * step * int(digits[:place] + str(rng.integers(0, 10)) + digits[place + 1 :])
    if len(digits) < 2:
        return None
    if how == "left out":
        return sign * step * int(digits[:place] + digits[place + 1 :])
    place = min(place, len(digits) - 2)
    return sign * step * int(digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :])


def truth(coast: Coast, near: float = np.nan) -> dict[str, float]:
    """True figures of a coast; the periapsis passage is that nearest to ``near``."""
    found = coast.shape
    radius = coast.observations.body.radius
    passage = coast.met - found.time_since_periapsis
    if np.isfinite(found.period) and np.isfinite(near):
        passage += found.period * np.round((near - passage) / found.period)
    return {
        "semi_major_axis": found.semi_major_axis,
        "eccentricity": found.eccentricity,
        "periapsis_altitude": found.periapsis_radius - radius,
        "apoapsis_altitude": found.apoapsis_radius - radius,
        "periapsis_time": passage,
        "period": found.period,
        "energy": found.energy,
        "angular_momentum": found.angular_momentum,
    }
