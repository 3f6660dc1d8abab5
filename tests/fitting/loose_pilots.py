"""Simulated pilots whose hands are not steady: whether intervals hold the truth of them too.

    python tests/fitting/loose_pilots.py --flights 60
    python tests/fitting/loose_pilots.py --flights 60 --per-burn 6 --pitch        four looks during each burn, pitch among them

"steady" holds the nose on the motion and the throttle where it is; "stars" holds the nose still in space, so that it turns from the motion; "swing" lets it swing
by a degree; "turn" lets it turn from the motion at a steady rate; "throttle" lets the throttle wander by two per cent, which its gauge hardly shows. Descents and climbs are flown as by anyone.
"""

from __future__ import annotations

import argparse
import math
import sys
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from bounds import bounds_of
from reconstruction import Tally, compare, reconstruct
from simulator.motion import Simulation
from simulator.random_flights import COLUMNS, random_flight

#: By name: swing of the nose (rad), turning of the nose as a part of the motion's own rate, wander of the throttle, whether the nose is held against the stars.
PILOTS = {
    "steady": {}, "stars": {"stars": True}, "swing": {"swing": math.radians(1.0)}, "turn": {"turning": 0.5}, "throttle": {"wander": 0.02},
    "loose": {"swing": math.radians(1.0), "wander": 0.02},
}  # fmt: skip
_HELD = ("prograde", "outward", "normal")  # laws of steering that hold an attitude


def loosened(law, seed: int, burn: int, mu: float, swing: float = 0.0, turning: float = 0.0, wander: float = 0.0, stars: bool = False):
    """A law of steering as an unsteady hand flies it. Every burn of a flight swings in its own time, which follows from the seed."""
    rng = np.random.default_rng([seed, 77, burn])
    beat, phase, other = 2 * math.pi / math.exp(rng.uniform(math.log(15.0), math.log(150.0))), *rng.uniform(0, 2 * math.pi, 2)
    sense = float(rng.choice([-1.0, 1.0]))
    first = []

    def loose(cockpit, t, r, v, m):
        nose, throttle = law(cockpit, t, r, v, m)
        since = t - cockpit.burn_start
        if stars:
            if not first or first[0] != cockpit.burn_start:
                first[:] = [cockpit.burn_start, nose]
            nose = first[1]
        angle = swing * math.sqrt(2) * math.sin(beat * since + phase)
        if turning:
            angle += sense * turning * math.sqrt(mu / np.linalg.norm(r) ** 3) * since
        if angle:
            normal = np.cross(r, v)
            side = np.cross(normal / np.linalg.norm(normal), nose)
            nose = tuple((math.cos(angle) * np.array(nose) + math.sin(angle) * side).tolist())
        return nose, min(throttle * (1 + wander * math.sqrt(2) * math.sin(beat * since + other)), 1.0)

    return loose


@contextmanager
def flown_by(seed: int, **hand):
    """Simulations of this while are flown by such a hand."""
    own = Simulation.burn

    def burn(self, law, *args, **more):
        if law.__qualname__.split(".")[0] in _HELD:
            number = sum(segment.kind == "burn" for segment in self.segments)
            law = loosened(law, seed, number, self.body.mu, **hand)
        return own(self, law, *args, **more)

    with mock.patch.object(Simulation, "burn", burn):
        yield


def flight_of(seed: int, pilot: str, **options):
    """A random flight of one of :data:`PILOTS`."""
    with flown_by(seed, **PILOTS[pilot]):
        return replace(random_flight(seed, **options), plan="")


def tally_of(seeds, pilot: str, boast: float = 1.0, bounded: bool = False, **options) -> Tally:
    """Findings of a pilot's flights against the truth; ``boast`` as :class:`reconstruction.Tally` has it."""
    tally = Tally(boast)
    for seed in seeds:
        try:
            simulated = flight_of(seed, pilot, **options)
        except (RuntimeError, ValueError):
            continue  # no flight of that kind in this draw of worlds
        with mock.patch("analyser.fitting.analyse.advise", return_value=()):
            compare(tally, reconstruct(simulated), simulated.truth, f"{pilot} {seed}", bounds_of(simulated) if bounded else None)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=60)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--mission", default="orbits")
    parser.add_argument("--per-burn", type=int, default=3)
    parser.add_argument("--pitch", action="store_true", help="the nose's pitch is read, too")
    parser.add_argument("--pilots", nargs="+", default=list(PILOTS))
    options = parser.parse_args()
    columns = (*COLUMNS, "pitch") if options.pitch else COLUMNS
    figures = ("spent", "net", "ignition", "cutoff", "semi_major_axis", "eccentricity", "periapsis_time")
    print("| pilot (held, over the bound) | " + " | ".join(name.replace("_", " ") for name in figures) + " |", "| --- " * (len(figures) + 1) + "|", sep="\n")
    for pilot in options.pilots:
        seeds = range(options.first, options.first + options.flights)
        tally = tally_of(seeds, pilot, bounded=True, mission=options.mission, per_burn=options.per_burn, columns=columns)
        print(f"| {pilot} | " + " | ".join(f"{tally.share(name):.1%} of {tally.held[name][1]}, {tally.over_bound(name):.2f}" for name in figures) + " |", flush=True)


if __name__ == "__main__":
    main()
