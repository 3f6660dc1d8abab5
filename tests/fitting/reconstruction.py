"""Holds reconstructed flights against the simulator's truth, and adds the outcomes up.

Run it for the table in DEVELOPERS.md:  python tests/fitting/reconstruction.py --flights 300 --slips 0.03
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples")]

from simulator.random_flights import random_flight, write_flight_folder

from analyser.fitting import fit_flight
from analyser.ingest import load_flight

ARC_QUANTITIES = {
    "semi_major_axis": "semi_major_axis",
    "eccentricity": "eccentricity",
    "periapsis_altitude": "periapsis_altitude",
    "apoapsis_altitude": "apoapsis_altitude",
    "period": "period",
}


@dataclass
class Tally:
    """Counts over many flights. ``held[name]`` is [intervals that hold the truth, intervals given]; every interval is first narrowed by ``boast``
    about its value, which is how the control that must fail is made."""

    boast: float = 1.0

    held: dict = field(default_factory=lambda: collections.defaultdict(lambda: [0, 0]))
    widths: dict = field(default_factory=lambda: collections.defaultdict(dict))
    misses: list = field(default_factory=list)
    burns: int = 0
    found: int = 0
    invented: int = 0
    values: int = 0
    thrown_away: int = 0
    gross: int = 0
    caught: int = 0
    flights: int = 0

    def judge(self, name: str, truth: float | None, estimate, where: str = "") -> None:
        if truth is None or not math.isfinite(truth) or not estimate.known:
            return
        low, high = (estimate.value + (end - estimate.value) / self.boast for end in (estimate.low, estimate.high))
        inside = low <= truth <= high
        self.held[name][0] += inside
        self.held[name][1] += 1
        self.widths[name][where, truth] = estimate.high - estimate.low
        if not inside:
            self.misses.append((where, name, truth, estimate.low, estimate.high))

    def share(self, name: str) -> float:
        """Part of the intervals of a quantity that hold the truth."""
        inside, given = self.held[name]
        return inside / given if given else math.nan

    def __str__(self) -> str:
        lines = [f"{self.flights} flights"]
        lines += [f"  {name:22s} {inside / given:7.1%} of {given}" for name, (inside, given) in self.held.items()]
        lines.append(f"  burns found {self.found} of {self.burns}, invented {self.invented}")
        lines.append(f"  good readings set aside {self.thrown_away} of {self.values}")
        lines.append(f"  gross slips caught {self.caught} of {self.gross}")
        return "\n".join(lines)


def narrowing(joined: Tally, apart: Tally) -> dict[str, tuple[float, float, int]]:
    """By quantity: median and 90th percentile of the ratio of interval widths, joined over apart, and how many."""
    found = {}
    for name, widths in joined.widths.items():
        ratio = sorted(width / apart.widths[name][key] for key, width in widths.items() if apart.widths[name].get(key, 0) > 0)
        if ratio:
            found[name] = (ratio[len(ratio) // 2], ratio[int(0.9 * (len(ratio) - 1))], len(ratio))
    return found


def reconstruct(simulated, joined: bool = True):
    """Findings of a simulated flight, through files as a pilot's flight comes in."""
    with tempfile.TemporaryDirectory() as folder:
        return fit_flight(load_flight(write_flight_folder(Path(folder) / "flight", simulated)), joined)


def compare(tally: Tally, findings, truth: dict, where: str = "") -> None:
    """Add one flight's findings to a tally."""
    tally.flights += 1
    coasts = [arc for arc in truth["arcs"] if arc["kind"] == "coast"]
    for arc in findings.arcs:
        if arc.kind != "coast":
            continue
        middle = (arc.start + arc.end) / 2
        own = next((item for item in coasts if item["start"] - 1 <= middle <= item["end"] + 1 and item["body"] == arc.body), None)
        if own is None:
            continue
        for name, key in ARC_QUANTITIES.items():
            tally.judge(name, own.get(key), getattr(arc, name), where)
        if own.get("periapsis_time") is not None and arc.periapsis_time.known:
            met, period = own["periapsis_time"], own.get("period")
            if period:  # the same passage: whole periods apart is no error
                met += period * round((arc.periapsis_time.value - met) / period)
            tally.judge("periapsis_time", met, arc.periapsis_time, where)
    _burns(tally, findings, truth, where)
    for landing in findings.landings:
        own = next((item for item in truth.get("touchdowns", ()) if landing.kind == "touchdown" and abs(item["met"] - landing.met.value) < 300), None)
        if own:
            tally.judge("touchdown speed", own["vertical_speed"], landing.vertical_speed, where)
            tally.judge("touchdown time", own["met"], landing.met, where)
    _slips(tally, findings, truth, where)


def _burns(tally: Tally, findings, truth: dict, where: str) -> None:
    left = list(findings.burns)
    for own in truth["burns"]:
        tally.burns += 1
        middle = (own["ignition"] + own["cutoff"]) / 2
        match = next((burn for burn in left if burn.ignition.low - 2 <= middle <= burn.cutoff.high + 2), None)
        if match is None:
            tally.misses.append((where, "burn not found", middle, own["spent"], math.nan))
            continue
        left.remove(match)
        tally.found += 1
        for name in ("ignition", "cutoff"):
            tally.judge(name, own[name], getattr(match, name), where)
        tally.judge("spent", own["spent"], match.spent, where)
        tally.judge("net", own.get("net"), match.net, where)
    tally.invented += len(left)
    tally.misses += [(where, "burn invented", burn.ignition.value, burn.cutoff.value, burn.spent.value) for burn in left]


def _slips(tally: Tally, findings, truth: dict, where: str) -> None:
    slipped = {(item["row"], item["column"]): item for item in truth.get("slips", ())}
    aside = {(item.row, item.column) for item in findings.set_aside}
    rows_aside = {row for row, column in aside if column == "met"}
    for row in truth["rows"]:
        for name in row:
            if name in ("row", "met", "body", "phase", "throttle", "propellant"):
                continue
            if (row["row"], name) in slipped:
                continue
            tally.values += 1
            wrong = (row["row"], name) in aside and not any(line == row["row"] for line, _ in slipped)
            tally.thrown_away += wrong
            if wrong:
                tally.misses.append((where, "good reading set aside", row["row"], name, row.get(name)))
    for (line, column), item in slipped.items():
        if item.get("sigmas", 0) > 8 and column in ("altitude", "speed", "surface_speed", "vertical_speed", "horizontal_speed"):
            phase = next((row["phase"] for row in truth["rows"] if row["row"] == line), "")
            if phase != "coast":
                continue
            tally.gross += 1
            caught = (line, column) in aside or line in rows_aside
            tally.caught += caught
            if not caught:
                tally.misses.append((where, "slip not caught", line, column, item.get("typed")))


def run(seeds, apart: Tally | None = None, **options) -> Tally:
    """Simulate, reconstruct and compare the flights of some seeds; where ``apart`` is given, it tallies them coast by coast too."""
    tally = Tally()
    for seed in seeds:
        simulated = random_flight(seed, **options)
        compare(tally, reconstruct(simulated), simulated.truth, f"seed {seed}")
        if apart is not None:
            compare(apart, reconstruct(simulated, joined=False), simulated.truth, f"seed {seed}")
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--slips", type=float, default=0.0)
    parser.add_argument("--mission", default="orbits")
    parser.add_argument("--per-coast", type=int, default=10)
    parser.add_argument("--columns", default="", help="comma-separated, instead of the usual ones")
    parser.add_argument("--slip-kinds", default="", help="comma-separated, instead of swap, point, unit and sign")
    parser.add_argument("--compare", action="store_true", help="also coast by coast, and how much narrower the joint intervals are")
    parser.add_argument("--misses", action="store_true", help="list every miss")
    options = parser.parse_args()
    more = {key: tuple(value.split(",")) for key, value in (("columns", options.columns), ("slip_kinds", options.slip_kinds)) if value}
    apart = Tally() if options.compare else None
    seeds = range(options.first, options.first + options.flights)
    tally = run(seeds, apart, slip_rate=options.slips, mission=options.mission, per_coast=options.per_coast, **more)
    print(tally)
    if apart is not None:
        print("coast by coast:", apart, "interval widths, joined over apart:", sep="\n")
        for name, (median, most, count) in narrowing(tally, apart).items():
            print(f"  {name:22s} median {median:5.2f}, nine in ten below {most:5.2f}, of {count}")
    if options.misses:
        for miss in tally.misses:
            print(*miss)


if __name__ == "__main__":
    main()
