"""What a whole flight costs to reconstruct (pytest tests/benchmarks/test_bench_reconstruction.py): the joint estimate of ten burns and 400 readings, and how
the cost grows with readings. Nothing is asserted about time; figures are printed and stored in the benchmark's ``extra_info``.
"""

import tempfile
import time
from pathlib import Path

import pytest
from simulator.random_flights import random_flight, write_flight_folder

from analyser.fitting import fit_flight
from analyser.ingest import load_flight


def flight(burns, readings, seed=11):
    """A flight of so many burns and about so many readings, as loaded from its folder."""
    per_burn = 4
    for attempt in range(seed, seed + 40):  # not every draw can be flown with so many burns
        try:
            simulated = random_flight(attempt, burns=burns, per_coast=max(2, round((readings - per_burn * burns) / (burns + 1))), per_burn=per_burn)
        except RuntimeError:
            continue
        with tempfile.TemporaryDirectory() as folder:
            return load_flight(write_flight_folder(Path(folder) / "flight", simulated))
    raise RuntimeError(f"no flight of {burns} burns")


def seconds(call):
    """Processor time of one call, s."""
    start = time.process_time()
    call()
    return time.process_time() - start


def test_ten_burns_400_readings(benchmark):
    """Reconstruction from readings to audited burns; ``joint`` is the joint estimate's own part of it."""
    loaded = flight(10, 400)
    benchmark.pedantic(lambda: fit_flight(loaded), rounds=3, warmup_rounds=1)
    whole, apart = seconds(lambda: fit_flight(loaded)), seconds(lambda: fit_flight(loaded, joined=False))
    found = fit_flight(loaded)
    benchmark.extra_info.update(readings=len(loaded.readings), burns=len(found.burns), whole=whole, apart=apart)
    print(f"\n{len(loaded.readings)} readings, {len(found.burns)} burns: {whole:.2f} s of processor time in all, {apart:.2f} s coast by coast")


@pytest.mark.parametrize("readings", (200, 2000, 20000))
def test_cost_by_readings(benchmark, readings):
    """Three burns, more and more readings."""
    loaded = flight(3, readings)
    benchmark.pedantic(lambda: fit_flight(loaded), rounds=1)
    whole = seconds(lambda: fit_flight(loaded))
    benchmark.extra_info.update(readings=len(loaded.readings), each=whole / len(loaded.readings))
    print(f"\n{len(loaded.readings)} readings: {whole:.2f} s, {1e3 * whole / len(loaded.readings):.2f} ms each")
