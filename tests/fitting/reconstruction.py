"""Holds reconstructed flights against the simulator's truth, and adds the outcomes up.

Run it for the table in DEVELOPERS.md:  python tests/fitting/reconstruction.py --flights 300 --slips 0.03
"""

from __future__ import annotations

import argparse
import collections
import dataclasses
import math
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from bounds import bounds_of
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


def _none_of_none() -> list[int]:
    return [0, 0]


@dataclass
class Tally:
    """Counts over many flights. ``held[name]`` is [intervals that hold the truth, intervals given]; every interval is first narrowed by ``boast``
    about its value, which is how the control that must fail is made."""

    boast: float = 1.0

    held: dict = field(default_factory=lambda: collections.defaultdict(_none_of_none))
    widths: dict = field(default_factory=lambda: collections.defaultdict(dict))
    bounds: dict = field(default_factory=lambda: collections.defaultdict(list))  # interval over the one that the Cramer-Rao bound allows
    spacing: list = field(default_factory=list)  # error of ignition or cutoff over the spacing of the readings there
    misses: list = field(default_factory=list)
    arcs: int = 0
    burns: int = 0
    found: int = 0
    invented: int = 0
    values: int = 0
    thrown_away: int = 0
    gross: int = 0
    caught: int = 0
    flights: int = 0

    def judge(self, name: str, truth: float | None, estimate, where: str = "", bound: float | None = None) -> None:
        if truth is None or not math.isfinite(truth) or not estimate.known:
            return
        low, high = (estimate.value + (end - estimate.value) / self.boast for end in (estimate.low, estimate.high))
        inside = low <= truth <= high
        self.held[name][0] += inside
        self.held[name][1] += 1
        self.widths[name][where, truth] = estimate.high - estimate.low
        if bound is not None and bound > 0:
            self.bounds[name].append((estimate.high - estimate.low) / (2 * 1.96 * bound))
        if not inside:
            self.misses.append((where, name, truth, estimate.low, estimate.high))

    def share(self, name: str) -> float:
        """Part of the intervals of a quantity that hold the truth."""
        inside, given = self.held[name]
        return inside / given if given else math.nan

    def add(self, other: "Tally") -> None:
        """Take over the counts of other flights."""
        for name, (inside, given) in other.held.items():
            self.held[name] = [self.held[name][0] + inside, self.held[name][1] + given]
        for name, widths in other.widths.items():
            self.widths[name].update(widths)
        for name, ratios in other.bounds.items():
            self.bounds[name] += ratios
        self.spacing += other.spacing
        self.misses += other.misses
        for name in ("arcs", "burns", "found", "invented", "values", "thrown_away", "gross", "caught", "flights"):
            setattr(self, name, getattr(self, name) + getattr(other, name))

    def over_bound(self, name: str) -> float:
        """Median interval over that of the Cramer-Rao bound; nan where there is none."""
        ratios = sorted(ratio for ratio in self.bounds[name] if math.isfinite(ratio))
        return ratios[len(ratios) // 2] if ratios else math.nan

    def __str__(self) -> str:
        lines = [f"{self.flights} flights, {self.arcs} arcs, {self.burns} burns"]
        for name, (inside, given) in self.held.items():
            ratio = self.over_bound(name)
            lines.append(f"  {name:24s} {inside / given:7.1%} of {given:5d}" + (f", {ratio:.2f} of the bound" if math.isfinite(ratio) else ""))
        if self.spacing:
            within = sum(abs(part) <= 1 for part in self.spacing)
            lines.append(f"  ignition or cutoff within the spacing of readings: {within} of {len(self.spacing)}")
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


def compare(tally: Tally, findings, truth: dict, where: str = "", bounds=None) -> None:
    """Add one flight's findings to a tally; ``bounds`` are those of :func:`bounds.bounds_of`."""
    tally.flights += 1
    coasts = [(place, arc) for place, arc in enumerate(truth["arcs"]) if arc["kind"] == "coast"]
    for arc in findings.arcs:
        if arc.kind != "coast":
            continue
        middle = (arc.start + arc.end) / 2
        place, own = next(((place, item) for place, item in coasts if item["start"] - 1 <= middle <= item["end"] + 1 and item["body"] == arc.body), (-1, None))
        if own is None:
            continue
        tally.arcs += 1
        least = bounds.arcs.get(place, {}) if bounds else {}
        for name, key in ARC_QUANTITIES.items():
            tally.judge(name, own.get(key), getattr(arc, name), where, least.get(name))
        if own.get("periapsis_time") is not None and arc.periapsis_time.known:
            met, period = own["periapsis_time"], own.get("period")
            turns = 0
            if period:  # the same passage: whole periods apart is no error
                turns = round((arc.periapsis_time.value - met) / period)
                met += period * turns
            tally.judge("periapsis_time", met, arc.periapsis_time, where, least.get("periapsis_time") if turns == 0 else None)
    _burns(tally, findings, truth, where, bounds)
    _landings(tally, findings, truth, where)
    _slips(tally, findings, truth, where)


def _landings(tally: Tally, findings, truth: dict, where: str) -> None:
    for own in truth.get("touchdowns", ()):
        # the landing nearest in time, on that body
        near = [item for item in findings.landings if item.kind == "touchdown" and item.body == own["body"] and item.met.known]
        found = min(near, key=lambda item: abs(item.met.value - own["met"]), default=None)
        if found is None:
            tally.misses.append((where, "landing not found", own["met"], math.nan, math.nan))
            continue
        tally.judge("touchdown vertical", own["vertical_speed"], found.vertical_speed, where)
        tally.judge("touchdown horizontal", own["horizontal_speed"], found.horizontal_speed, where)
        tally.judge("touchdown time", own["met"], found.met, where)


def _burns(tally: Tally, findings, truth: dict, where: str, bounds) -> None:
    left = list(findings.burns)
    mets = [row["met"] for row in truth["rows"]]
    for place, own in enumerate(truth["burns"]):
        tally.burns += 1
        middle = (own["ignition"] + own["cutoff"]) / 2
        match = next((burn for burn in left if burn.ignition.low - 2 <= middle <= burn.cutoff.high + 2), None)
        if match is None:
            tally.misses.append((where, "burn not found", middle, own["spent"], math.nan))
            continue
        left.remove(match)
        tally.found += 1
        least = bounds.burns.get(place, {}) if bounds else {}
        for name in ("ignition", "cutoff"):
            tally.judge(name, own[name], getattr(match, name), where, least.get(name))
            gap = min((met for met in mets if met >= own[name]), default=math.inf) - max((met for met in mets if met <= own[name]), default=-math.inf)
            if math.isfinite(gap) and own["kind"] == "orbit":
                tally.spacing.append((getattr(match, name).value - own[name]) / (gap + 1.0))
        kind = "spent" if own["kind"] == "orbit" else "spent from or to the ground"
        tally.judge(kind, own["spent"], match.spent, where, least.get("spent"))
        tally.judge("net", own.get("net"), match.net, where, least.get("net"))
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


def run(seeds, apart: Tally | None = None, bounded: bool = False, **options) -> Tally:
    """Simulate, reconstruct and compare the flights of some seeds; where ``apart`` is given, it tallies them coast by coast too. ``bounded``: with the
    Cramer-Rao bounds. Plans and advice are left out: what is held against the truth here does not depend on them, and they take their time."""
    tally = Tally()
    for seed in seeds:
        try:
            simulated = random_flight(seed, **options)
            if "body" in options.get("columns", ("body",)):  # else the plan's start is what the reference body is inferred from
                simulated = dataclasses.replace(simulated, plan="")
        except RuntimeError:
            continue  # no flight of that kind in this draw of worlds
        where = f"{options.get('mission', 'orbits')} {seed}"
        with mock.patch("analyser.fitting.analyse.advise", return_value=()):
            compare(tally, reconstruct(simulated), simulated.truth, where, bounds_of(simulated) if bounded else None)
            if apart is not None:
                compare(apart, reconstruct(simulated, joined=False), simulated.truth, where, bounds_of(simulated, joined=False) if bounded else None)
    return tally


def _part(work) -> tuple[Tally, Tally | None]:
    seeds, compared, options = work
    apart = Tally() if compared else None
    return run(seeds, apart, **options), apart


def run_many(flights: list[tuple[range, dict]], apart: Tally | None = None, processes: int = 1, batch: int = 5) -> Tally:
    """:func:`run` over several kinds of flights, in small batches, on several processor cores."""
    works = [(seeds[k : k + batch], apart is not None, options) for seeds, options in flights for k in range(0, len(seeds), batch)]
    tally = Tally()
    if processes > 1:
        import multiprocessing

        with multiprocessing.Pool(processes) as pool:
            parts = pool.map(_part, works, chunksize=1)
    else:
        parts = map(_part, works)
    for joined, alone in parts:
        tally.add(joined)
        if apart is not None:
            apart.add(alone)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--slips", type=float, default=0.0)
    parser.add_argument("--mission", default="orbits")
    parser.add_argument("--per-coast", type=int, default=10)
    parser.add_argument("--near-ground", type=int, default=0, help="readings in the last two minutes before each touchdown")
    parser.add_argument("--columns", default="", help="comma-separated, instead of the usual ones")
    parser.add_argument("--slip-kinds", default="", help="comma-separated, instead of swap, point, unit and sign")
    parser.add_argument("--compare", action="store_true", help="also coast by coast, and how much narrower the joint intervals are")
    parser.add_argument("--bounds", action="store_true", help="also the Cramer-Rao bounds")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--misses", action="store_true", help="list every miss")
    options = parser.parse_args()
    more = {key: tuple(value.split(",")) for key, value in (("columns", options.columns), ("slip_kinds", options.slip_kinds)) if value}
    apart = Tally() if options.compare else None
    seeds = range(options.first, options.first + options.flights)
    more |= {"slip_rate": options.slips, "mission": options.mission, "per_coast": options.per_coast, "near_ground": options.near_ground}
    tally = run_many([(seeds, more | {"bounded": options.bounds})], apart, options.processes)
    print(tally)
    if apart is not None:
        print("coast by coast:", apart, "interval widths, joined over apart:", sep="\n")
        for name, (median, most, count) in narrowing(tally, apart).items():
            print(f"  {name:24s} median {median:5.2f}, nine in ten below {most:5.2f}, of {count}")
    if options.misses:
        for miss in tally.misses:
            print(*miss)


if __name__ == "__main__":
    main()
