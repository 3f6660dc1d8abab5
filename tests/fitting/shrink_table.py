"""How much narrower the joint estimate's intervals are than those of arc by arc, on there-and-back flights.

    python tests/fitting/shrink_table.py --flights 20 --processes 2

Two ways to go arc by arc: "coasts alone" (each coast from its own readings, each burn timed by the rows around it and the propellant used), and "coasts that meet" (as before, the burn
placed where the two coasts meet, and by the propellant read under thrust: the program's estimate without the joint one). The last column is the joint interval over that of the Cramer-Rao bound.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from pathlib import Path
from unittest import mock

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from bounds import bounds_of
from reconstruction import Tally, compare, narrowing, reconstruct
from simulator.random_flights import random_flight

from analyser.fitting.timing import Flow

FIGURES = ("spent", "net", "spent from or to the ground", "semi_major_axis", "eccentricity", "periapsis_time", "ignition", "cutoff")


def tallies(seeds, per_coast: int) -> tuple[Tally, Tally, Tally]:
    """Joint, coasts that meet, coasts alone."""
    joined, meeting, alone = Tally(), Tally(), Tally()
    for seed in seeds:
        try:
            simulated = dataclasses.replace(random_flight(seed, mission="there and back", near_ground=6, per_coast=per_coast), plan="")
        except RuntimeError:
            continue  # no flight of that kind in this draw of worlds
        where, bounds = f"seed {seed}", bounds_of(simulated)
        with mock.patch("analyser.fitting.analyse.advise", return_value=()):
            compare(joined, reconstruct(simulated), simulated.truth, where, bounds)
            compare(meeting, reconstruct(simulated, joined=False), simulated.truth, where)
            with (
                mock.patch("analyser.fitting.timing._meeting", side_effect=lambda before, after, middle, length, kick: np.zeros_like(middle)),
                mock.patch("analyser.fitting.own_times.flow_of", return_value=Flow()),
            ):
                compare(alone, reconstruct(simulated, joined=False), simulated.truth, where)
    return joined, meeting, alone


def lines(joined: Tally, meeting: Tally, alone: Tally) -> list[str]:
    """The table as Markdown."""
    told = ["| median width, joint over | coasts alone | coasts that meet | of | truth held: joint, meet, alone | joint over the bound |", "| --- | --- | --- | --- | --- | --- |"]
    ratios = [narrowing(joined, other) for other in (alone, meeting)]
    for name in FIGURES:
        if name in ratios[0]:
            held = ", ".join(f"{side.share(name):.1%}" for side in (joined, meeting, alone))
            told.append(f"| {name.replace('_', ' ')} | {ratios[0][name][0]:.2f} | {ratios[1][name][0]:.2f} | {ratios[0][name][2]} | {held} | {joined.over_bound(name):.2f} |")
    return told


def _part(work):
    return tallies(*work)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=20)
    parser.add_argument("--first", type=int, default=40_000, help="first seed")
    parser.add_argument("--per-coast", type=int, nargs="+", default=[10, 4], help="readings in each coast")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    for per_coast in options.per_coast:
        works = [(range(seed, seed + 1), per_coast) for seed in range(options.first, options.first + options.flights)]
        if options.processes > 1:
            import multiprocessing

            with multiprocessing.Pool(options.processes) as pool:
                parts = pool.map(_part, works, chunksize=1)
        else:
            parts = list(map(_part, works))
        whole = (Tally(), Tally(), Tally())
        for part in parts:
            for tally, more in zip(whole, part):
                tally.add(more)
        print(f"\n{per_coast} readings in each coast, {whole[0].flights} flights:\n", *lines(*whole), sep="\n")


if __name__ == "__main__":
    main()
