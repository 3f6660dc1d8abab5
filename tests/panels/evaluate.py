"""How well screenshots are read: panels, palettes and fonts that were never trained on, at three levels. One command:

    python -m analyser.ingest.training.fonts WORK          (fetches the fonts; the split is written there)
    python tests/panels/evaluate.py WORK/cut [--panels 12] [--shots 16]

prints the table that stands in DEVELOPERS.md. Not part of the ordinary test run.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from cockpits import BOARD, LEVELS, SHOWN, Cockpit, look, moments  # noqa: E402

from analyser.ingest import screenshots  # noqa: E402
from analyser.ingest.panel import load_panel  # noqa: E402
from analyser.ingest.register import project  # noqa: E402
from analyser.ingest.training.fonts import faces  # noqa: E402


def judge(level: str, panels: int, shots: int, fonts: list[Path], seed: int) -> dict:
    """Counts and errors over ``panels`` flights of ``shots`` screenshots each."""
    totals: Counter = Counter()
    corners, dial, pitch, roll, wrong = [], [], [], [], []
    for index in range(panels):
        dice = np.random.default_rng([seed, index])
        cockpit = Cockpit(1000 * seed + index, fonts)
        flight = moments(dice, shots, cockpit.high, cockpit.style)
        with tempfile.TemporaryDirectory() as folder:
            path = cockpit.write(Path(folder), moments(dice, 1, cockpit.high, cockpit.style)[0])
            files, truths = [], []
            for step, shown in enumerate(flight):
                picture, homography = look(cockpit.draw(shown), LEVELS[level], dice)
                files.append(Path(folder) / f"{step:03d}.png")
                cv2.imwrite(str(files[-1]), picture)
                truths.append(homography)
            panel = load_panel(path)
            found = {}
            single = {}
            finder_find, interpret = screenshots.PanelFinder.find, screenshots.decode

            def find(self, pixels, before=None, _found=found):
                view = finder_find(self, pixels, before)
                _found[len(_found)] = view
                return view

            def decode(values, motion=None, _single=single):
                for value in values:
                    _single[value.row, value.gauge.name, value.column] = value
                return interpret(values, motion)

            screenshots.PanelFinder.find, screenshots.decode = find, decode
            begun = time.process_time()
            try:
                readings = screenshots.read_screenshots(path, files)
            finally:
                screenshots.PanelFinder.find, screenshots.decode = finder_find, interpret
            totals["seconds"] += time.process_time() - begun
        square = np.array([[BOARD[0], BOARD[1]], [BOARD[2], BOARD[1]], [BOARD[2], BOARD[3]], [BOARD[0], BOARD[3]]], float)
        for step, homography in enumerate(truths):
            view = found[step]
            error = np.abs(project(view.homography, square) - project(homography, square)).max() if view.found else math.inf
            corners.append(error)
            totals["shots"] += 1
        for value in readings.detail.itertuples():
            shown = flight[value.row]
            gauge = panel.gauges[value.gauge]
            first = single[value.row, value.gauge, value.column]
            if gauge.kind == "readout":
                truth = gauge.grammar.parse(shown[value.gauge], panel.decimal)
                if not truth:
                    if value.status != "doubtful" and not math.isnan(value.value):
                        wrong.append((level, index, value.row, value.gauge, shown[value.gauge], value.raw, value.probability))
                        totals["wrong"] += 1
                    continue
                totals["values"] += 1
                best = first.reading.best
                totals["first right"] += bool(best) and same(best.value, truth[0].value)
                totals["sure at once"] += first.status == "read" and bool(best)
                totals["sure at once, wrong"] += first.status == "read" and bool(best) and not same(best.value, truth[0].value)
                if value.status in ("read", "recovered"):
                    if not math.isnan(value.value) and same(value.value, truth[0].value):
                        totals["accepted right"] += 1
                    else:
                        totals["wrong"] += 1
                        wrong.append((level, cockpit.font.stem, value.row, value.gauge, shown[value.gauge], value.raw, value.value, value.probability))
            elif value.status != "doubtful":
                if gauge.kind == "dial":
                    slope = 2 * cockpit.sweep / (cockpit.high - cockpit.low)
                    dial.append(abs(value.value - shown["felt"]) * slope)
                else:
                    truth = shown["ball"][0 if value.column == "pitch" else 1]
                    (pitch if value.column == "pitch" else roll).append(abs(math.degrees(value.value - truth)))
            if gauge.kind != "readout":
                totals[f"{value.column} asked"] += 1
    return {"totals": totals, "corners": corners, "dial": dial, "pitch": pitch, "roll": roll, "wrong": wrong}


def same(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("--panels", type=int, default=12)
    parser.add_argument("--shots", type=int, default=16)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--levels", default="mild,hard,extreme")
    options = parser.parse_args()
    fonts = [face.path for face in faces(options.fonts, "test")]
    rows: dict[str, list[str]] = {}
    for level in options.levels.split(","):
        result = judge(level, options.panels, options.shots, fonts, options.seed)
        t, corners = result["totals"], np.array(result["corners"])

        def add(name, text):
            rows.setdefault(name, []).append(text)

        def middle(errors, asked):
            return f"{np.median(errors):.2f} (read {len(errors)}/{asked}, worst {np.max(errors):.1f})" if errors else f"- (read 0/{asked})"

        add("values", str(t["values"]))
        add("right, single screenshot, likeliest text", f"{t['first right'] / t['values']:.2%}")
        add("accepted at once", f"{t['sure at once'] / t['values']:.2%}")
        add("accepted at once and wrong", str(t["sure at once, wrong"]))
        add("after decoding: accepted and right", f"{t['accepted right'] / t['values']:.2%}")
        add("after decoding: accepted and wrong (silent)", f"{t['wrong']} of {t['accepted right'] + t['wrong']}")
        add("dial, median error, deg", middle(result["dial"], t["acceleration asked"]))
        add("ball pitch, median error, deg", middle(result["pitch"], t["pitch asked"]))
        add("ball roll, median error, deg", middle(result["roll"], t["roll asked"]))
        add("panel found, corners within 5 px", f"{np.mean(corners < 5):.2%}")
        add("panel found wrongly (over 20 px)", str(int(((corners >= 20) & np.isfinite(corners)).sum())))
        add("median corner error, px", f"{np.median(corners):.2f}")
        add("CPU seconds a screenshot", f"{t['seconds'] / t['shots']:.2f}")
        for line in result["wrong"]:
            print("silent:", line, flush=True)
        print(level, {name: cells[-1] for name, cells in rows.items()}, flush=True)
    print(f"\n| | {' | '.join(options.levels.split(','))} |\n| --- |{' --- |' * len(options.levels.split(','))}")
    for name, cells in rows.items():
        print(f"| {name} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
