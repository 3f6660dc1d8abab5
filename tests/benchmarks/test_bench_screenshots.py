"""What a screenshot of 1920 x 1080 costs, on one core, held against decoding it as PNG; and what a recording and two hundred screenshots cost.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m pytest tests/benchmarks/test_bench_screenshots.py --benchmark-only --benchmark-columns=median

Times are the process's own (all its threads), so that other programs do not count. Ratios stand in ``extra_info`` (``--benchmark-verbose`` or ``-s`` prints them):
``times its decoding`` includes the decoding itself and everything up to the table of readings.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "panels"))
from cockpits import LEVELS, Cockpit, View, look, moments  # noqa: E402

from analyser.ingest import instruments, screenshots  # noqa: E402
from analyser.ingest.images import open_image  # noqa: E402
from analyser.ingest.panel import load_panel  # noqa: E402
from analyser.ingest.readout import Seen  # noqa: E402
from analyser.ingest.screenshots import Looks, read_screenshots  # noqa: E402
from analyser.ingest.video import read_video  # noqa: E402

pytestmark = pytest.mark.usefixtures("one_core")
SIZE, ENLARGED = (1920, 1080), 1.5
STEADY = View(4, (0.95, 0.95), 0.01, (0.0, 0.0), (1, 1.2), (98, 98), (1, 1), 0.0)
SHOTS = 32
MEMORY = """
import resource, sys
from pathlib import Path
from analyser.ingest.screenshots import read_screenshots
panel, count, folder = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3])
shots = sorted(folder.glob("steady-*.png"))
read_screenshots(panel, [shots[step % len(shots)] for step in range(count)])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


def enlarged(picture: np.ndarray) -> np.ndarray:
    return cv2.resize(picture, SIZE, interpolation=cv2.INTER_CUBIC)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """(panel file, steady screenshots, moved screenshots, pictures without the panel) as files."""
    folder = tmp_path_factory.mktemp("shots")
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    cockpit = Cockpit(7, [fonts / "DejaVuSansMono.ttf"], varied=False)
    dice = np.random.default_rng(3)
    first, *flight = moments(dice, SHOTS + 1, cockpit.high, cockpit.style)
    cockpit.places = {name: tuple(ENLARGED * side for side in place) for name, place in cockpit.places.items()}
    panel = cockpit.write(folder, first)  # its corners enlarged; the picture follows
    cockpit.places = {name: tuple(side / ENLARGED for side in place) for name, place in cockpit.places.items()}
    cv2.imwrite(str(folder / "reference.png"), enlarged(cockpit.draw(first)))
    made: dict[str, list[Path]] = {"steady": [], "moved": [], "other": []}
    for step, shown in enumerate(flight):
        straight = cockpit.draw(shown)
        views = {"steady": look(straight, STEADY, np.random.default_rng(5))[0]}
        if step < 8:
            views["moved"] = look(straight, LEVELS["hard"], dice)[0]
            views["other"] = other_picture(dice)
        for name, picture in views.items():
            made[name].append(folder / f"{name}-{step:03d}.png")
            cv2.imwrite(str(made[name][-1]), enlarged(picture) if name != "other" else picture)
    return panel, made


def other_picture(dice: np.random.Generator) -> np.ndarray:
    """As rich as a screenshot, and no panel."""
    picture = cv2.resize(dice.integers(0, 255, (54, 96, 3)).astype(np.uint8), SIZE, interpolation=cv2.INTER_CUBIC)
    for _ in range(300):
        x, y, wide, tall = (int(v) for v in dice.integers((0, 0, 5, 5), (*SIZE, 90, 60)))
        cv2.rectangle(picture, (x, y), (x + wide, y + tall), tuple(int(v) for v in dice.integers(0, 255, 3)), -1)
    return picture


def spent(work, times: int = 1) -> float:
    """Processor seconds of this process and of the programs that it ran."""

    def now() -> float:
        return sum(getattr(resource.getrusage(who), part) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN) for part in ("ru_utime", "ru_stime"))

    begun = now()
    for _ in range(times):
        work()
    return (now() - begun) / times


def said(benchmark, name: str, **ratios: float) -> None:
    benchmark.extra_info.update({key: round(value, 2) for key, value in ratios.items()})
    print(f"\n{name}: " + ", ".join(f"{key} {value:.2f}" for key, value in ratios.items()))


@pytest.mark.parametrize("view", ["steady", "moved", "other"])
@pytest.mark.parametrize("recognised", [True, False], ids=["whole", "without the recogniser"])
def test_bench_screenshot(benchmark, monkeypatch, drawn, view, recognised):
    """One screenshot, from its file to its readings; ``without the recogniser``: as if read-outs were never looked at."""
    panel_path, made = drawn
    files = made[view]
    panel = load_panel(panel_path)
    if not recognised:
        monkeypatch.setitem(instruments.READERS, "readout", replace(instruments.READERS["readout"], see=lambda gauge, crops, reference: [(Seen(),) for _ in crops]))
        monkeypatch.setattr(screenshots, "ask_tesseract", lambda looks: [seen for *_, seen in looks])
    Looks(panel)  # opened, as a watched flight has it

    def read() -> None:
        looks = Looks(panel)
        for file in files:
            looks.add(open_image(file), known if view == "steady" and file is files[0] else None)
        looks.readings([file.name for file in files])

    known = Looks(panel).find(open_image(files[0]))
    assert known.found == (view != "other")
    read()
    decoding = spent(lambda: [open_image(file) for file in files], 3) / len(files)
    benchmark.pedantic(read, rounds=2)
    whole = min(spent(read) for _ in range(2)) / len(files)
    said(benchmark, f"{view}, {'whole' if recognised else 'without the recogniser'}", **{"times its decoding": whole / decoding, "decoding, ms": decoding * 1e3})


def test_bench_recording(benchmark, drawn, tmp_path):
    """Samples a second, wall clock, of a recording sampled at every one of its 10 frames a second, on two cores."""
    panel_path, made = drawn
    cv2.setNumThreads(2)
    film = cv2.VideoWriter(str(tmp_path / "film.mp4"), cv2.VideoWriter_fourcc(*"mp4v"), 10, SIZE)
    for file in made["steady"] * 2:
        film.write(cv2.imread(str(file)))
    film.release()
    read_screenshots(panel_path, made["steady"][:1])
    rates = []

    def read() -> None:
        begun = time.perf_counter()
        readings = read_video(panel_path, tmp_path / "film.mp4", tmp_path / f"frames-{len(rates)}", every=0.1)
        rates.append(len(made["steady"]) * 2 / (time.perf_counter() - begun))
        assert len(readings) > 0

    benchmark.pedantic(read, rounds=2)
    said(benchmark, "recording", **{"samples a second": max(rates)})


def test_memory_with_two_hundred_screenshots_is_that_with_fifty(benchmark, drawn):
    """The most that a process holds."""
    panel_path, made = drawn

    def most(count: int) -> int:
        done = subprocess.run([sys.executable, "-c", MEMORY, str(panel_path), str(count), str(made["steady"][0].parent)], capture_output=True, text=True, check=True)
        return int(done.stdout)

    few = most(50)
    many = benchmark.pedantic(lambda: most(200), rounds=1)
    said(benchmark, "memory", **{"of 200 over 50 screenshots": many / few, "MB": many / 1e6})
    assert many < 1.1 * few
