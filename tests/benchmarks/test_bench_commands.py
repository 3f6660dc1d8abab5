"""How long the quick commands take, as whole processes, beside Python's own start and the import of numpy; and what one more reading
costs a long watch. Run with ``pytest tests/benchmarks/test_bench_commands.py --benchmark-only --benchmark-group-by=group``; compare within one group."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

SAMPLES = Path(__file__).resolve().parent.parent.parent / "samples"
WORLD = ("--world", "worlds/ardent.toml")
CRAFT = ("--craft", "craft/heron.toml")
FIX = ("-m", "analyser", "fix", "Lull", "61.9km", "992", "-3", *WORLD)
PROCESSES = {
    "python -c pass": ("-c", "pass"),
    "import numpy": ("-c", "import numpy"),
    "--help": ("-m", "analyser", "--help"),
    "fix": FIX,
    "fix with a goal": (*FIX, "--goal", "apoapsis 80 km", *CRAFT, "--propellant", "1744kg"),
    "fix, two altitudes": ("-m", "analyser", "fix", "Lull", "61.9km", "650", "--then", "61.5km", "60s", *WORLD),
    "fix, braking": ("-m", "analyser", "fix", "Lull", "3.2km", "140", "-95", "--goal", "land", "--propellant", "900kg", *WORLD, *CRAFT),
    "card": ("-m", "analyser", "card", "Lull", *WORLD, *CRAFT),
}


@pytest.mark.parametrize("name", PROCESSES)
def test_process(benchmark, name):
    benchmark.group = "whole process"
    # Byte code is kept, as it is on a user's machine; numpy's is too.
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {"ANALYSER_STATE": "", "OMP_NUM_THREADS": "1"}

    def run():
        done = subprocess.run([sys.executable, *PROCESSES[name]], cwd=SAMPLES, env=environment, capture_output=True)
        assert done.returncode == 0, done.stderr

    benchmark.pedantic(run, rounds=15, warmup_rounds=2)


@pytest.mark.parametrize("before", [100, 10_000])
def test_one_more_typed_row(benchmark, before, tmp_path):
    """From a row appended to its meaning known, after 100 rows and after 10,000."""
    from analyser.fitting import scalar_conic as conic
    from analyser.fitting.following import Follower
    from analyser.ingest.descriptions import load_world
    from analyser.watching import TableTail

    benchmark.group = "one more row"
    world = load_world(SAMPLES / "worlds" / "ardent.toml")
    body = world["Lull"]

    def row(index: int) -> str:
        r, vr, vt = conic.after(body.mu, 350e3, 5.0, 780.0, 3.0 * index)
        return f"{3 * index},Lull,{(r - body.radius) / 1e3:.2f},{math.hypot(vr, vt):.1f},{vr:.1f}\n"

    path = tmp_path / "readings.csv"
    path.write_text("met,body,altitude [km],speed [m/s],vertical_speed [m/s]\n" + "".join(map(row, range(before))))
    tail, follower = TableTail(path, world=world), Follower(world)
    for moment in tail.poll().moments:
        follower.take(moment, tell=False)
    count = before

    def append():
        nonlocal count
        with path.open("a") as file:
            file.write(row(count))
        count += 1

    def look():
        (moment,) = tail.poll().moments
        assert follower.take(moment).kind == "coast"

    benchmark.pedantic(look, setup=append, rounds=40, warmup_rounds=3)
