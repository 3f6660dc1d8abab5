"""What whole commands cost, in processor time over that of the imports that any such program pays, each pair measured one after the other.

    python tests/benchmarks/process_cost.py --runs 5
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
IMPORTS = "import pandas, scipy.optimize, matplotlib.figure"
FLIGHTS = ("first-try", "second-try", "fourth-try", "wrong-way", "launch")
COMMANDS = {
    **{f"debrief {name}": ("debrief", f"samples/flights/{name}", "--no-logbook", "-q", "--out") for name in FLIGHTS},
    "plan": ("plan", "samples/plans/there-and-back.toml", "--world", "samples/worlds/ardent.toml", "--craft", "samples/craft/heron.toml"),
    "plan --from": ("plan", "--from", "samples/flights/first-try@12:20:00"),
}


def processor_seconds(*arguments: str) -> float:
    """User and system time of a Python process with these arguments, s; byte code is kept, as on a user's machine."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {"ANALYSER_STATE": "", "OMP_NUM_THREADS": "1"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([sys.executable, *arguments], cwd=ROOT, env=environment, capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):  # 1: something needs a person
        raise RuntimeError(done.stderr)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def command_seconds(name: str, folder: Path) -> float:
    """Of one of :data:`COMMANDS`, which writes into ``folder`` where it writes."""
    arguments = COMMANDS[name]
    return processor_seconds("-m", "analyser", *arguments, *((str(folder / name.replace(" ", "-")),) if arguments[-1] == "--out" else ()))


def main() -> None:
    import tempfile

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name in COMMANDS:
            command_seconds(name, Path(folder))  # byte code, and files into memory
            pairs = [(processor_seconds("-c", IMPORTS), command_seconds(name, Path(folder))) for _ in range(options.runs)]
            ratios = sorted(cost / floor for floor, cost in pairs)
            print(f"{name:20s} {ratios[0]:5.2f} to {ratios[-1]:5.2f} times the imports ({min(cost for _, cost in pairs):.2f} s)", flush=True)


if __name__ == "__main__":
    main()
