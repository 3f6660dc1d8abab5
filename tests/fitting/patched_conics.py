"""How far patched conics can be trusted: orbits flown by an N-body integrator with planet and moon both pulling, against conics about the nearer one.

REBOUND (Rein and Liu 2012, Astronomy & Astrophysics 537, A128) with its IAS15 integrator (Rein and Spiegel 2015, MNRAS 446, 1424) is the second opinion.

    python tests/fitting/patched_conics.py
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples")]

import numpy as np
import rebound

from analyser.fitting import conic
from analyser.flight import Body

FRACTIONS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7)


def flown(planet: Body, moon: Body | None, about: Body, radius: float, phase: float, times, eccentricity: float = 0.0) -> np.ndarray:
    """Radius, radial and transverse speed (3, n) about a body at ``times`` (s) after periapsis at ``radius``, by N-body integration.

    ``moon`` None: the body alone pulls. ``phase``: where the other body stands then, seen from this one, from the craft's direction, rad.
    """
    speed = math.sqrt(about.mu / radius * (1 + eccentricity))
    sim = rebound.Simulation()
    sim.integrator = "ias15"
    sim.G = 1.0
    sim.add(m=about.mu)
    if moon is not None:
        other = planet if about is moon else moon
        far, along = moon.semi_major_axis, math.sqrt((planet.mu + moon.mu) / moon.semi_major_axis)
        sim.add(m=other.mu, x=far * math.cos(phase), y=far * math.sin(phase), vx=-along * math.sin(phase), vy=along * math.cos(phase))
    sim.add(m=0.0, x=radius, vy=speed)
    sim.move_to_com()
    found = []
    for time in times:
        sim.integrate(float(time))
        centre, craft = sim.particles[0], sim.particles[sim.N - 1]
        x, y, vx, vy = craft.x - centre.x, craft.y - centre.y, craft.vx - centre.vx, craft.vy - centre.vy
        r = math.hypot(x, y)
        found.append((r, (x * vx + y * vy) / r, abs(x * vy - y * vx) / r))
    return np.array(found).T


def departure(planet: Body, moon: Body, about: Body, fraction: float, turns: float = 0.25, phases: int = 12) -> tuple[float, float]:
    """How far a circular orbit at a fraction of the moon's sphere of influence (about the planet: of the moon's distance) leaves its conic.

    Returns
    -------
    (radius, speed)
        Greatest difference within ``turns`` of a revolution, over ``phases`` places of the other body, as parts of the radius and of the speed.
    """
    radius = fraction * (moon.sphere_of_influence if about is moon else moon.semi_major_axis)
    speed = math.sqrt(about.mu / radius)
    times = np.linspace(0, turns * 2 * math.pi * radius / speed, 9)[1:]
    exact = np.stack(conic.propagate(about.mu, radius, 0.0, speed, times))
    worst = np.zeros(3)
    for phase in np.linspace(0, 2 * math.pi, phases, endpoint=False):
        there = flown(planet, moon, about, radius, phase, times)
        worst = np.maximum(worst, np.abs(there - exact).max(axis=1))
    return float(worst[0] / radius), float(np.hypot(*worst[1:]) / speed)


def main() -> None:
    from analyser.ingest import load_world

    world = load_world(Path(__file__).resolve().parents[2] / "samples" / "worlds" / "ardent.toml")
    planet = world.root
    (moon,) = world.children(planet)
    for about, of in ((moon, f"of {moon.name}'s sphere of influence"), (planet, f"of {moon.name}'s distance")):
        print(f"circular orbits about {about.name}: part {of}, greatest departure in a quarter turn and in a whole one, of radius and of speed")
        for fraction in FRACTIONS:
            quarter, whole = departure(planet, moon, about, fraction), departure(planet, moon, about, fraction, 1.0)
            print(f"  {fraction:4.2f}   {quarter[0]:8.1e} {quarter[1]:8.1e}   {whole[0]:8.1e} {whole[1]:8.1e}")


if __name__ == "__main__":
    main()
