"""How well screenshots are read: panels, palettes and fonts that were never trained on, at three levels. One command:

    python -m analyser.ingest.training.fonts WORK          (fetches the fonts; the split is written there)
    python tests/panels/evaluate.py WORK/cut --processes 2

prints the tables that stand in DEVELOPERS.md: registration, single screenshots, decoding, dials, the ball, what kinds of writing are accepted, and how honest
the probabilities are. Everything comes from the seed; a run that was stopped goes on (``--keep FOLDER`` holds what is done, and the crops of what was read
wrongly). ``--again K`` looks at K of the flights twice and says whether everything is equal. ``--crops N`` judges N single crops a level instead, by
the recogniser alone. Not part of the ordinary test run.
"""

from __future__ import annotations

import argparse
import datetime
import json
import math
import os
import re
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from cockpits import BOARD, LEVELS, Cockpit, look, moments  # noqa: E402

from analyser.ingest.panel import load_panel  # noqa: E402
from analyser.ingest.readout import interpret  # noqa: E402
from analyser.ingest.register import project  # noqa: E402
from analyser.ingest.screenshots import Looks  # noqa: E402
from analyser.ingest.training.calibrate import STEPS, judged, probability, reliability  # noqa: E402
from analyser.ingest.training.fonts import CALIBRATION, TEST, faces  # noqa: E402

KINDS = ("alike", "varied")  # panels that all write alike, and panels that write each in its way
NEAR, FAR = 5.0, 20.0  # pixels: found, found in the wrong place
WANTED = {"right": "99.5 / 97 / 60 %", "accepted": "99.5 / 97 / 70 %", "silent": "1 in 10,000 / 2,000 / 200", "dial": "0.3 / 0.5 / 1", "ball": "0.7 / 1 / 2", "found": "100 / 99 / 60 %"}  # fmt: skip


def same(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)


def spent() -> float:
    """Processor seconds of this process and of the programs it has run."""
    return sum(getattr(resource.getrusage(who), part) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN) for part in ("ru_utime", "ru_stime"))


def writings(text: str, gauge: str, font: str) -> Iterator[str]:
    """The kinds of writing that a text belongs to."""
    if gauge == "clock":
        yield "clock with days" if re.match(r"\d+[ d]", text) else "clock"
    if text.endswith(("m", "km", "Mm")):
        yield "unit on the glass that changes by itself"
    if any(mark in text for mark in "'") or (gauge in ("height", "ground", "store", "pace") and " " in text.removesuffix(" m").removesuffix(" km").removesuffix(" Mm")):
        yield "thousands separator"
    if text[-1:] in "NS":
        yield "letter for the side"
    if "," in text:
        yield "decimal comma"
    for begin, name in ((("DSEG7", "dseg7"), "seven segments"), ("DSEG14", "fourteen segments"), (("doto", "vt323", "jersey", "3270"), "dots and pixels")):
        if font.startswith(begin):
            yield name


def flight_of(job: tuple) -> dict:
    """One panel in one flight of screenshots, looked at: counts and errors, JSON throughout."""
    folder, kind, level, index, shots, seed, keep, deadline = job
    cv2.setNumThreads(1)
    dice = np.random.default_rng([seed, KINDS.index(kind), list(LEVELS).index(level), index])
    cockpit = Cockpit(1000 * seed + index + 500000 * KINDS.index(kind), [face.path for face in faces(Path(folder), "test")], kind == "varied")
    shown_reference, *flight = moments(dice, shots + 1, cockpit.high, cockpit.style)
    pictures, truths = zip(*(look(cockpit.draw(shown), LEVELS[level], dice) for shown in flight))
    with tempfile.TemporaryDirectory() as place:
        panel = load_panel(cockpit.write(Path(place), shown_reference))
        begun = spent()
        looks = Looks(panel)
        views = []
        for pixels in pictures:
            views.append(looks.find(pixels))
            looks.add(pixels, views[-1])
        detail = looks.readings([f"{step:03d}.png" for step in range(shots)]).detail
        seconds = spent() - begun
    square = np.array([[BOARD[0], BOARD[1]], [BOARD[2], BOARD[1]], [BOARD[2], BOARD[3]], [BOARD[0], BOARD[3]]], float)
    corners = [float(np.abs(project(view.homography, square) - project(true, square)).max()) if view.found else None for view, true in zip(views, truths)]
    counts: Counter = Counter(shots=shots)
    errors: dict[str, list[float]] = {"dial": [], "pitch": [], "roll": []}
    said, silent, refused = [], [], []
    names = list(panel.gauges)
    for value in detail.itertuples():
        shown, gauge = flight[value.row], panel.gauges[value.gauge]
        there = views[value.row].found
        if gauge.kind != "readout":
            counts[f"{value.column} asked"] += there
            if value.status != "doubtful":
                if gauge.kind == "dial":
                    errors["dial"].append(abs(value.value - shown["felt"]) * 2 * cockpit.sweep / (cockpit.high - cockpit.low))
                else:
                    errors[value.column].append(abs(math.degrees(value.value - shown["ball"][0 if value.column == "pitch" else 1])))
            continue
        text = shown[value.gauge]
        truth = gauge.grammar.parse(text, panel.decimal)
        accepted = value.status in ("read", "recovered") and not math.isnan(value.value)
        right = accepted and bool(truth) and same(value.value, truth[0].value)
        if accepted and not right:
            silent.append([kind, level, index, cockpit.font.stem, value.row, value.gauge, text, str(value.raw), value.value, value.probability, value.status])
            if keep and looks.boxes[value.row][names.index(value.gauge)]:
                x, y, wide, tall = (int(v) for v in looks.boxes[value.row][names.index(value.gauge)])
                cv2.imwrite(str(Path(keep) / f"wrong-{kind}-{level}-{index}-{value.row}-{value.gauge}.png"), pictures[value.row][max(0, y) : y + tall, max(0, x) : x + wide])
        if not truth:  # a gauge that shows nothing: only what is wrong counts
            counts["blank"] += 1
            continue
        counts["values"] += 1
        if not there:
            counts["values of panels not found"] += 1
            continue
        first = interpret(gauge, looks.seen[value.row][names.index(value.gauge)][0], panel.decimal)
        counts["right"] += first.best is not None and same(first.best.value, truth[0].value)
        at_once = first.best is not None and not first.doubt
        counts["at once"] += at_once
        counts["at once, wrong"] += at_once and not same(first.best.value, truth[0].value)
        counts["accepted"] += right
        if first.best is not None:
            said.append([float(first.best.probability), bool(same(first.best.value, truth[0].value))])
        if not accepted:
            refused.append([kind, level, index, cockpit.font.stem, value.row, value.gauge, text, str(value.raw), str(value.reason)])
        for writing in writings(text, value.gauge, cockpit.font.stem):
            counts[f"of {writing}"] += 1
            counts[f"accepted {writing}"] += right
    return {"counts": counts, "corners": corners, **errors, "said": said, "silent": silent, "refused": refused, "seconds": seconds}


def kept(job: tuple) -> dict | None:
    """:func:`flight_of`, from the folder of what is done where it was done before; None where the time is up."""
    _, kind, level, index, shots, seed, keep, deadline = job
    if deadline and time.time() > deadline:
        return None
    if not keep:
        return flight_of(job)
    file = Path(keep) / f"{kind}-{level}-{index}-{shots}-{seed}.json"
    if not file.exists():
        partial = file.with_suffix(f".{os.getpid()}")
        partial.write_text(json.dumps(flight_of(job)), encoding="utf-8")
        os.replace(partial, file)
    return json.loads(file.read_text(encoding="utf-8"))


def pooled(results: list[dict]) -> dict:
    """The results of many flights as one."""
    whole: dict = {"counts": Counter()}
    for result in results:
        whole["counts"].update(result["counts"])
        for name in ("corners", "dial", "pitch", "roll", "said", "silent", "refused"):
            whole.setdefault(name, []).extend(result[name])
        whole["seconds"] = whole.get("seconds", 0.0) + result["seconds"]
    return whole


def at_most(wrong: int, count: int) -> float:
    """The highest share of wrong ones that leaves this few with a probability of 5 % (Clopper & Pearson 1934)."""
    from scipy.stats import beta

    return float(beta.ppf(0.95, wrong + 1, max(count - wrong, 1)))


def column(part: dict) -> dict[str, str]:
    """The cells of one level, by row."""
    counts = part["counts"]
    seen = max(1, counts["values"] - counts["values of panels not found"])
    corners = np.array([math.inf if error is None else error for error in part["corners"]])
    wrong, taken = len(part["silent"]), counts["accepted"] + len(part["silent"])

    def middle(name: str, asked: str) -> str:
        errors = part[name]
        return f"{np.median(errors):.2f} (read {len(errors)} of {counts[asked]}, worst {max(errors):.1f})" if errors else f"none read of {counts[asked]}"

    cells = {
        "screenshots; values": f"{counts['shots']:,}; {counts['values']:,}",
        "values of panels not found, left out of the shares below": f"{counts['values of panels not found']:,}",
        f"right, single screenshot ({WANTED['right']} wanted)": f"{counts['right'] / seen:.2%}",
        "accepted from a single screenshot": f"{counts['at once'] / seen:.2%}",
        "accepted from a single screenshot and wrong": f"{counts['at once, wrong']:,} of {counts['at once']:,}",
        f"accepted after decoding ({WANTED['accepted']} wanted)": f"{counts['accepted'] / seen:.2%}",
        f"accepted and wrong ({WANTED['silent']} wanted)": f"{wrong:,} of {taken:,} (at 95 %: below 1 in {1 / at_most(wrong, taken):,.0f})" if taken else "-",
        f"dial, median error, deg ({WANTED['dial']} wanted)": middle("dial", "acceleration asked"),
        f"ball pitch, median error, deg ({WANTED['ball']} wanted)": middle("pitch", "pitch asked"),
        "ball roll, median error, deg": middle("roll", "roll asked"),
        f"panel found, corners within {NEAR:g} px ({WANTED['found']} wanted)": f"{np.mean(corners < NEAR):.2%}",
        f"panel found wrongly, over {FAR:g} px": f"{int(((corners >= FAR) & np.isfinite(corners)).sum())}",
        "median corner error, px": f"{np.median(corners):.2f}",
        "processor seconds a screenshot": f"{part['seconds'] / max(counts['shots'], 1):.2f}",
    }
    for name in sorted(key[3:] for key in counts if key.startswith("of ")):
        cells[f"accepted: {name}"] = f"{counts[f'accepted {name}'] / counts[f'of {name}']:.1%} of {counts[f'of {name}']:,}"
    return cells


def print_table(columns: dict[str, dict[str, str]]) -> None:
    print(f"\n| | {' | '.join(columns)} |\n| --- |{' --- |' * len(columns)}")
    for name in dict.fromkeys(name for cells in columns.values() for name in cells):
        print(f"| {name} | {' | '.join(cells.get(name, '-') for cells in columns.values())} |")


def print_honesty(said: np.ndarray) -> None:
    """Of the values said to be this sure, before they were weighed against others: how many, promised, right."""
    print("\n| said to be right | values | promised | right |\n| --- | --- | --- | --- |")
    for low, high in zip(STEPS, STEPS[1:]):
        part = said[(said[:, 0] >= low) & (said[:, 0] < high)]
        if len(part):
            print(f"| {low:.2%} to {min(high, 1.0):.2%} | {len(part):,} | {part[:, 0].mean():.3%} | {part[:, 1].mean():.3%} |")


def judge_crops(folder: Path, count: int, levels: list[str], seed: int, processes: int) -> None:
    for level, rows in judged(folder, "test", dict.fromkeys(levels, count), seed, processes).items():
        said = [probability(row) for row in rows]
        taken = [right for sure, right in said if sure >= 0.995]
        wrong = sum(not right for right in taken)
        print(f"\n{level}: {len(rows):,} crops, right {np.mean([right for _, right in said]):.2%}, accepted {len(taken) / len(rows):.2%}, accepted and wrong {wrong} of {len(taken):,} (at 95 %: below 1 in {1 / at_most(wrong, len(taken)):,.0f})\n")
        print("\n".join(reliability(rows)), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("--panels", default="12", help="flights of each kind of panel; three numbers: for mild,hard,extreme")
    parser.add_argument("--shots", type=int, default=14)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--levels", default="mild,hard,extreme")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder of what is done; a run that was stopped goes on from there")
    parser.add_argument("--again", type=int, default=1, help="flights that are looked at twice, to see that nothing changes")
    parser.add_argument("--minutes", type=float, default=0.0, help="begin no more flights after so long")
    parser.add_argument("--crops", type=int, default=0, help="judge so many single crops a level instead")
    parser.add_argument("--refused", action="store_true", help="list what was not accepted too")
    options = parser.parse_args()
    levels = options.levels.split(",")
    print(f"{datetime.date.today()}, seed {options.seed}; test fonts: {', '.join(TEST)}; calibration fonts: {', '.join(CALIBRATION)}; the others train")
    if options.crops:
        return judge_crops(options.fonts, options.crops, levels, options.seed, options.processes)
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    numbers = [int(each) for each in options.panels.split(",")]
    panels = dict(zip(levels, numbers * len(levels) if len(numbers) == 1 else numbers))
    deadline = time.time() + 60 * options.minutes if options.minutes else 0.0
    jobs = [
        (str(options.fonts), kind, level, index, options.shots, options.seed, str(options.keep) if options.keep else "", deadline)
        for level in levels for index in range(panels[level]) for kind in KINDS
    ]  # fmt: skip
    with Pool(options.processes) as pool:
        results = pool.map(kept, jobs, chunksize=1)
        twice = jobs[:: max(1, len(jobs) // max(1, options.again))][: options.again]
        second = pool.map(flight_of, twice, chunksize=1)
    left_out = sum(result is None for result in results)
    jobs, results = zip(*((job, result) for job, result in zip(jobs, results) if result is not None))
    print(f"{len(results)} flights of {options.shots} screenshots" + (f"; the time was up before {left_out} more" if left_out else ""))
    parts = {(kind, level): [result for job, result in zip(jobs, results) if job[1:3] == (kind, level)] for kind in KINDS for level in levels}
    every = pooled(results)
    levels = [level for level in levels if any(parts[kind, level] for kind in KINDS)]  # the time may be up before the last ones
    for line in every["silent"]:
        print("accepted and wrong:", *line)
    for line in every["refused"] if options.refused else ():
        print("refused:", *line)
    print_table({level: column(pooled(parts["alike", level] + parts["varied", level])) for level in levels})
    for kind in KINDS:
        print(f"\nPanels that are {kind}:")
        print_table({level: column(pooled(parts[kind, level])) for level in levels if parts[kind, level]})
    for level in levels:
        print(f"\nSaid and right, single screenshots, {level}:")
        print_honesty(np.array(pooled(parts["alike", level] + parts["varied", level])["said"]))
    equal = sum(_untimed(results[jobs.index(job)]) == _untimed(result) for job, result in zip(twice, second))
    print(f"\n{equal} of {len(twice)} flights looked at twice are equal in every value.")


def _untimed(result: dict) -> str:
    return json.dumps({name: part for name, part in result.items() if name != "seconds"}, sort_keys=True)


if __name__ == "__main__":
    main()
