"""Draws what a flight costs to reconstruct against its number of readings.

    python tests/benchmarks/draw_cost.py reports/cost.svg
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from unittest import mock

if __name__ == "__main__":
    root = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(root), str(root / "samples"), str(root / "tests" / "benchmarks")]

from test_bench_reconstruction import flight, seconds

from analyser.fitting import fit_flight
from analyser.fitting.joint import refine

SIZES = (200, 600, 2000, 6000, 20000)


def measure(sizes=SIZES, burns: int = 3) -> list[tuple[int, float, float]]:
    """(readings, processor seconds in all, of which the joint estimate) of flights with so many readings."""
    fit_flight(flight(burns, 60))  # what is loaded once does not count
    found = []
    for size in sizes:
        loaded = flight(burns, size)
        joint: list[float] = []

        def timed(*given, joint=joint):
            start = time.process_time()
            try:
                return refine(*given)
            finally:
                joint.append(time.process_time() - start)

        with mock.patch("analyser.fitting.analyse.refine", timed):
            whole = seconds(lambda: fit_flight(loaded))
        found.append((len(loaded.readings), whole, sum(joint)))
        print(f"{found[-1][0]:6d} readings: {whole:6.2f} s, {1e3 * whole / found[-1][0]:5.2f} ms each, joint estimate {found[-1][2]:5.2f} s", flush=True)
    return found


def draw(ax, costs) -> None:
    """Costs on logarithmic axes, with a line that grows as the readings do."""
    readings, whole, joint = zip(*costs)
    ax.loglog(readings, whole, "o-", label="reconstruction, from readings to audited burns")
    ax.loglog(readings, joint, "s--", label="of which the joint estimate")
    ax.loglog(readings, [whole[-1] * count / readings[-1] for count in readings], ":", color="0.5", label="in proportion to the readings")
    ax.set(xlabel="readings", ylabel="processor time, s")
    ax.legend()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    options = parser.parse_args()
    from matplotlib.figure import Figure

    costs = measure()
    figure = Figure(figsize=(6.5, 4.2), layout="constrained")
    draw(figure.subplots(), costs)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(options.out)


if __name__ == "__main__":
    main()
