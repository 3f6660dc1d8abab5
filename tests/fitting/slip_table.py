"""Which slips are caught, kind by kind, on random flights with known truth; the table in DEVELOPERS.md.

    python tests/fitting/slip_table.py --flights 40 --rate 0.03 --processes 2
"""

from __future__ import annotations

import argparse
import dataclasses
import multiprocessing
import re
import sys
from pathlib import Path
from unittest import mock

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import Tally, compare, reconstruct
from simulator.instruments import clock_text, repeat, slip_clock, wrong_body
from simulator.random_flights import COLUMNS, _weigh, random_flight

#: Kinds that the simulator plants in single readings, and those planted here in rows.
READINGS = ("swap", "point", "unit", "sign")
ROWS = ("repeat", "frozen", "clock", "body")
_GROSS = 8.0  # standard deviations
_MOTION = ("altitude", "speed", "surface_speed", "vertical_speed", "horizontal_speed")


def slipped_flight(seed: int, kind: str, rate: float, mission: str = "orbits"):
    """A random flight with slips of one kind, and which of them are gross: (flight, set of (line, column))."""
    planted = {"slip_rate": rate, "slip_kinds": (kind,)} if kind in READINGS else {}
    flight = random_flight(seed, mission=mission, **planted)
    if kind in ROWS:
        _plant(flight, kind, rate, np.random.default_rng([seed, 77]))
    flight = dataclasses.replace(flight, csv=flight.book.csv(), plan="")
    truth = {**flight.truth, "slips": flight.book.slips}
    for own, row in zip(truth["rows"], flight.book.rows):
        own["row"] = row.line
    return dataclasses.replace(flight, truth=truth)


def _plant(flight, kind: str, rate: float, rng) -> None:
    book = flight.book
    other = list(flight.world.bodies)
    last = 0  # a slip a row, and none beside another: what is left tells what was meant
    for place in range(1, len(book.rows) - 1):
        row, before = book.rows[place], book.rows[place - 1]
        if place - last < 3 or row.truth["kind"] != "coast" or before.truth["kind"] != "coast" or rng.random() > 3 * rate:
            continue
        if kind == "repeat":
            done = repeat(row, before, tuple(name for name in COLUMNS if name in _MOTION))
        elif kind == "frozen":
            done = repeat(row, before, (str(rng.choice([name for name in row.cells if name in _MOTION])),))
        elif kind == "clock":
            done = slip_clock(row, float(rng.choice([-3600.0, -600.0, -60.0, -10.0, 10.0, 60.0, 600.0, 3600.0])))
        else:
            done = wrong_body(row, str(rng.choice([name for name in other if name != row.cells["body"]])))
        if done:
            last = place
            for slip in row.slips:
                if kind in ("repeat", "frozen"):
                    _weigh(book, row, slip)


def judged(work) -> dict:
    """Counts of one flight: what was caught, what was named rightly, what else went wrong."""
    seed, kind, rate, mission = work
    try:
        flight = slipped_flight(seed, kind, rate, mission)
    except RuntimeError:
        return {}
    tally = Tally()
    with mock.patch("analyser.fitting.analyse.advise", return_value=()):
        findings = reconstruct(flight)
    compare(tally, findings, flight.truth, f"{kind} {mission} {seed}")
    aside = {(item.row, item.column): item for item in findings.set_aside}
    lines = {line for line, _ in aside}
    # a body written wrong is told in the remarks
    moved = {int(number) for remark in findings.remarks if ": body '" in remark for number in re.findall(r"\d+", remark.split(":")[0])}
    phase = {row["row"]: row["phase"] for row in flight.truth["rows"]}
    gross = caught = named = 0
    for slip in flight.book.slips:
        column = slip["column"]
        if phase.get(slip["row"]) not in ("coast", "landed"):
            continue  # under thrust little contradicts a reading
        if column not in (*_MOTION, "met", "body") or column in _MOTION and slip.get("sigmas", 0.0) <= _GROSS:
            continue
        gross += 1
        own = aside.get((slip["row"], column))
        found = own is not None or (slip["row"], "met") in aside or column == "met" and slip["row"] in lines or column == "body" and slip["row"] in lines | moved
        caught += found
        named += column == "body" and slip["row"] in moved or own is not None and column != "body" and _says(own.suggestion, slip["true"] if column != "met" else clock_text(slip["true_value"]))
        if not found:
            tally.misses.append((f"{kind} {mission} {seed}", "not caught", slip["row"], column, slip["typed"]))
    return {"kind": kind, "gross": gross, "caught": caught, "named": named, "tally": tally}


def _says(sentence: str, true: str) -> bool:
    """Whether a suggestion gives the number that was meant."""
    return true.split(" ")[0].rstrip("0").rstrip(".").lstrip("-") in sentence


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--rate", type=float, default=0.03)
    parser.add_argument("--mission", default="orbits")
    parser.add_argument("--kinds", default=",".join(READINGS + ROWS))
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--misses", action="store_true")
    options = parser.parse_args()
    kinds = options.kinds.split(",")
    works = [(seed, kind, options.rate, options.mission) for kind in kinds for seed in range(options.first, options.first + options.flights)]
    with multiprocessing.Pool(options.processes) as pool:
        found = pool.map(judged, works, chunksize=2)
    print(f"{'kind':8} {'gross':>6} {'caught':>7} {'named':>6} {'good lost':>10} {'burns':>9} {'invented':>8}  {'a':>6} {'e':>6} {'spent':>6}")
    for kind in kinds:
        own = [item for item in found if item and item["kind"] == kind]
        tally = Tally()
        for item in own:
            tally.add(item["tally"])
        gross, caught, named = (sum(item[name] for item in own) for name in ("gross", "caught", "named"))
        shares = "".join(f" {tally.share(name):6.1%}" for name in ("semi_major_axis", "eccentricity", "spent"))
        print(f"{kind:8} {gross:6d} {caught:7d} {named:6d} {tally.thrown_away:4d}/{tally.values:<5d} {tally.found:4d}/{tally.burns:<4d} {tally.invented:8d} {shares}")
        if options.misses:
            for miss in tally.misses:
                print("   ", *miss)


if __name__ == "__main__":
    main()
