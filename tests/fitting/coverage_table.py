"""The table of coverage: over a thousand arcs and five hundred burns of random worlds, craft, gauges and flights, without and with slips.

    python tests/fitting/coverage_table.py --processes 8          all of it
    python tests/fitting/coverage_table.py --share 0.1            a tenth of the flights
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import Tally, narrowing, run_many

#: Kind of flight, how many, and how they are read.
CLEAN = (
    ("orbits", 180, {}),
    ("there and back", 50, {"near_ground": 6}),
    ("landing", 100, {"near_ground": 5, "per_coast": 5}),
)
SLIPPED = (("orbits", 120, {}), ("there and back", 20, {"near_ground": 6}))
#: Figures in the order of the table.
FIGURES = (
    "semi_major_axis", "eccentricity", "periapsis_altitude", "apoapsis_altitude", "period", "periapsis_time", "spent", "spent from or to the ground", "net",
    "touchdown vertical", "touchdown horizontal", "ignition", "cutoff",
)  # fmt: skip


def flights(kinds, share: float, first: int, **options) -> list[tuple[range, dict]]:
    """Seeds and options of each kind of flight, for :func:`reconstruction.run_many`."""
    return [(range(first, first + max(1, round(share * count))), {"mission": mission, **more, **options}) for mission, count, more in kinds]


def lines(tally: Tally) -> list[str]:
    """The table of one tally, as Markdown."""
    told = ["| figure | holds the truth | of | interval over the bound's |", "| --- | --- | --- | --- |"]
    for name in FIGURES:
        inside, given = tally.held.get(name, (0, 0))
        if given:
            ratio = tally.over_bound(name)
            told.append(f"| {name.replace('_', ' ')} | {inside / given:.1%} | {given} | {f'{ratio:.2f}' if ratio == ratio else '-'} |")
    within = sum(abs(part) <= 1 for part in tally.spacing)
    told.append("")
    told.append(f"{tally.flights} flights, {tally.arcs} arcs, {tally.burns} burns: {tally.found} found, {tally.invented} invented; ignition and cutoff within the")
    told.append(f"spacing of readings {within} of {len(tally.spacing)}; good readings set aside {tally.thrown_away} of {tally.values}; gross slips caught {tally.caught} of {tally.gross}")
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--first", type=int, default=40_000, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    apart = Tally()
    clean = run_many(flights(CLEAN, options.share, options.first, bounded=True), None, options.processes)
    print("Without slips:", "", *lines(clean), sep="\n")
    slipped = run_many(flights(SLIPPED, options.share, options.first + 20_000, slip_rate=0.03), None, options.processes)
    print("", "Slips in 3 % of readings:", "", *lines(slipped), sep="\n")
    home = run_many(flights(CLEAN[1:2], options.share, options.first, bounded=True), apart, options.processes)
    print("", "There and back, joint estimate against coast by coast (median width; nine in ten below; of):", "", sep="\n")
    for name, (median, most, count) in narrowing(home, apart).items():
        print(f"  {name:28s} {median:5.2f} {most:5.2f} {count:5d}   over the bound {home.over_bound(name):.2f}")


if __name__ == "__main__":
    main()
