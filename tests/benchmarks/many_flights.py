"""How much faster two processes debrief an archive than one.

    python tests/benchmarks/many_flights.py --flights 500
    python tests/benchmarks/many_flights.py --flights 40 --rounds 3

The flights are the typed samples under names of their own. Wall time says what a pilot waits; where others use the machine at the same time it
says little, so processor time is given beside it: work that sharing adds (starting processes, handing over, recording) shows there as more than 1,
and on idle cores the speed-up is at most 2 over it.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "samples")]


def archive(folder: Path, count: int) -> None:
    """Copies of the typed sample flights with names of their own: other inputs, of the same length."""
    samples = [path.parent for path in sorted((ROOT / "samples" / "flights").glob("*/readings.csv"))]
    for number in range(count):
        sample = samples[number % len(samples)]
        target = folder / f"{number // 50:02d}" / f"flight-{number:04d}"
        target.mkdir(parents=True)
        shutil.copy(sample / "readings.csv", target)
        text = (sample / "flight.toml").read_text().replace("../../", f"{ROOT}/samples/")
        lines = [f'name = "Flight {number}"' if line.startswith("name") else line for line in text.splitlines()]
        (target / "flight.toml").write_text("\n".join(lines) + "\n")


def debrief(flights: Path, out: Path, jobs: int) -> tuple[float, float]:
    """Wall and processor seconds of a debrief of all flights in so many processes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    command = [sys.executable, "-m", "analyser", "debrief", str(flights), "--out", str(out), "--jobs", str(jobs), "-q"]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "ANALYSER_STATE": ""})
    wall = time.perf_counter() - began
    assert done.returncode in (0, 1), done.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--flights", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        flights = Path(folder) / "flights"
        archive(flights, options.flights)
        print(f"{options.flights} typed flights, {len(os.sched_getaffinity(0))} cores\n{'':10} {'1 process':>22} {'2 processes':>22} {'wall':>7} {'processor':>10}")
        for number in range(options.rounds):
            one, two = (debrief(flights, Path(folder) / f"{number}-{jobs}", jobs) for jobs in (1, 2))
            cells = [f"{wall:.1f} s ({work:.1f} s)" for wall, work in (one, two)]
            print(f"round {number + 1:<4} {cells[0]:>22} {cells[1]:>22} {one[0] / two[0]:7.2f} {two[1] / one[1]:10.2f}")


if __name__ == "__main__":
    main()
