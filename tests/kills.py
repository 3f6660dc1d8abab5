"""Kills commands at random moments and looks at what is left: the logbook whole, nothing lost that was reported as recorded, no half file.

    python tests/kills.py --kills 200
    python tests/kills.py --kills 20 --seconds 60 --json
    python tests/kills.py --kills 20 --control      # a program that reports too early: it must be caught

Everything heavy is loaded once; each run is a fork of this process, killed (SIGKILL) after a time drawn evenly from the length of a whole run.
What one run leaves, the next goes on from.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parent.parent / "samples")]
os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

from made_flight import made_findings, made_flight  # noqa: E402
from short_flights import archive  # noqa: E402

from analyser.cli import main as analyser  # noqa: E402
from analyser.debriefing import REPORT  # noqa: E402
from analyser.logbook import Logbook  # noqa: E402

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
GRACE = 60  # s that processes have to end after their parent
FEWEST = 2  # kills of each command, however little time there is
IMPORTED = 120  # attempts in the file that is imported


class Scenario:
    """A command to kill, and what must be true afterwards."""

    name = ""
    share = 0.0

    def __init__(self, folder: Path):
        self.folder = folder
        self.reported = 0
        self.prepare()

    def prepare(self) -> None: ...

    def before(self, number: int) -> None:
        """Change something, so that the run has something to do."""

    def command(self) -> list[str]:
        raise NotImplementedError

    def check(self, lines: list[str]) -> list[str]:
        """What is wrong, in words; ``lines`` is what the command had printed when it was killed."""
        raise NotImplementedError


class Debrief(Scenario):
    """Three flights whose input changes before every run: each run adds a revision to each, and writes its report anew."""

    name, share, processes = "debrief", 0.45, 1
    remark = ""

    def prepare(self) -> None:
        self.flights = archive(self.folder / "flights", 3)
        self.texts = {folder: (folder / "flight.toml").read_text() for folder in self.flights}
        self.seen: set[tuple] = set()

    def before(self, number: int) -> None:
        self.remark = f"run {number} of it"
        for folder, text in self.texts.items():
            (folder / "flight.toml").write_text(f'{text}remarks = "{self.remark}"\n')

    def command(self) -> list[str]:
        return ["debrief", *map(str, self.flights), "--jobs", str(self.processes), "--out", str(self.folder / "reports"), "-q"]

    def check(self, lines: list[str]) -> list[str]:
        from analyser.fingerprints import inputs_of_files
        from analyser.ingest import flight_inputs

        path = self.folder / "reports" / "logbook.sqlite"
        found = logbook_faults(path)
        kept = revisions(path)
        found += [f"a revision that was there is gone: {row}" for row in self.seen - kept]
        self.seen |= kept
        marks = {row[2] for row in kept}
        for line in lines:
            report = Path(line.removeprefix("debrief: ")).parent
            folder = next(folder for folder in self.flights if folder.name == report.name)
            self.reported += 1
            if inputs_of_files(*flight_inputs(folder)).fingerprint not in marks:
                found.append(f"{folder.name} was reported as recorded and is not in the logbook")
        for folder in self.flights:
            found += report_faults(next(iter(Path(self.folder, "reports").rglob(folder.name)), Path("none")))
        return found


class DebriefTogether(Debrief):
    """The same in two processes, which must not outlive the one that asked."""

    name, share, processes = "debrief --jobs 2", 0.05, 2


class Read(Scenario):
    """Screenshots into tables."""

    name, share = "read", 0.25

    def prepare(self) -> None:
        shots = self.folder / "on-camera" / "screenshots"
        shots.mkdir(parents=True)
        for picture in sorted((SAMPLES / "flights" / "screens" / "screenshots").iterdir())[:2]:
            (shots / picture.name).write_bytes(picture.read_bytes())
        text = (SAMPLES / "flights" / "screens" / "flight.toml").read_text().replace("../../", f"{SAMPLES}/")
        (shots.parent / "flight.toml").write_text(text)

    def command(self) -> list[str]:
        return ["read", str(self.folder / "on-camera"), "--out", str(self.folder / "notes")]

    def check(self, lines: list[str]) -> list[str]:
        found = []
        for name in ("readings.csv", "readings_detail.csv"):
            path = self.folder / "notes" / name
            if path.exists():
                text = path.read_text()
                rows = text.count("\n")
                if not text.endswith("\n") or (name == "readings.csv" and rows != 3):
                    found.append(f"{name} is half a file")
            elif any("moments read" in line for line in lines):
                found.append(f"{name} was reported as written and is not there")
        self.reported += any("moments read" in line for line in lines)
        return found


class Import(Scenario):
    """A file of many attempts into a logbook: all of them or none."""

    name, share = "logbook import", 0.25

    def prepare(self) -> None:
        findings = made_findings()
        source = Logbook(self.folder / "source.sqlite")
        for number in range(IMPORTED):
            source.record(made_flight(name=f"try {number}", date=f"{number}"), findings)
        source.export(self.folder / "kept.jsonl")
        self.text = (self.folder / "kept.jsonl").read_text()
        self.whole = 0  # files known to be in the logbook

    def before(self, number: int) -> None:
        self.number = number
        (self.folder / "kept.jsonl").write_text(self.text.replace('"name": "try ', f'"name": "{number}: try ').replace('"fingerprint": "', f'"fingerprint": "{number}-'))

    def command(self) -> list[str]:
        return ["logbook", "import", str(self.folder / "kept.jsonl"), "--logbook", str(self.folder / "logbook.sqlite")]

    def check(self, lines: list[str]) -> list[str]:
        path = self.folder / "logbook.sqlite"
        found = logbook_faults(path)
        counts = Counter(row[3].split(":")[0] for row in revisions(path))
        found += [f"{count} of {IMPORTED} attempts of a file were kept" for count in counts.values() if count != IMPORTED]
        if len(counts) < self.whole:
            found.append("attempts that were there are gone")
        self.whole = len(counts)
        if any("revisions added" in line for line in lines):
            self.reported += 1
            if str(self.number) not in counts:
                found.append("an import was reported as done and is not in the logbook")
        return found


def logbook_faults(path: Path) -> list[str]:
    """What is wrong with a logbook: SQLite's own check, and revisions without all their parts."""
    if not path.exists():
        return []
    found = []
    with sqlite3.connect(path) as database:
        state = database.execute("PRAGMA integrity_check").fetchone()[0]
        if state != "ok":
            found.append(f"integrity check: {state}")
        if not database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            return found  # killed before its first table
        for table, key in (("legs", "legs"), ("habits", "advice")):
            short = database.execute(
                f"SELECT count(*) FROM revisions r WHERE (SELECT count(*) FROM {table} WHERE revision = r.id) != json_array_length(r.findings, '$.{key}')"
            ).fetchone()[0]
            if short:
                found.append(f"{short} revisions without all their {table}")
        empty = database.execute("SELECT count(*) FROM attempts WHERE id NOT IN (SELECT attempt FROM revisions)").fetchone()[0]
        if empty:
            found.append(f"{empty} attempts without a revision")
    return found


def revisions(path: Path) -> set[tuple]:
    """(attempt, revision, fingerprint, name) of all there are."""
    if not path.exists():
        return set()
    with sqlite3.connect(path) as database:
        if not database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            return set()
        return set(database.execute("SELECT a.id, r.number, r.fingerprint, a.name FROM revisions r JOIN attempts a ON a.id = r.attempt"))


def report_faults(report: Path) -> list[str]:
    """What is wrong with a report's folder: files missing, half files, files of two runs."""
    if not report.exists():
        return []
    missing = [name for name in REPORT if not (report / name).exists()]
    if missing:
        return [f"half a report: {', '.join(missing)} missing"]
    page, words = ((report / name).read_text(encoding="utf-8") for name in ("debrief.html", "debrief.md"))
    found = [] if page.rstrip().endswith("</html>") else ["half a page"]
    remark = json.loads((report / "findings.json").read_text(encoding="utf-8"))["flight"]["remarks"]
    if remark not in page or remark not in words:
        found.append("a report of two runs")
    return found


def run(command: list[str], moment: float | None = None, control: bool = False) -> tuple[list[str], bool, float]:
    """Run a command in a fork, to its end or for so many seconds: the whole lines it printed, whether it was killed, how long it ran."""
    reading, writing = os.pipe()
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            os.close(reading)
            os.dup2(writing, 1)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
            if control:
                report_too_early()
            code = analyser(command)
            sys.stdout.flush()
        finally:
            os._exit(code)
    os.close(writing)
    ended = 0
    if moment is not None:
        time.sleep(moment)
        ended, status = os.waitpid(child, os.WNOHANG)
        if not ended:
            os.kill(child, signal.SIGKILL)
    if not ended:
        _, status = os.waitpid(child, 0)
    took = time.monotonic() - began
    killed = os.WIFSIGNALED(status)
    with os.fdopen(reading) as output:
        text = output.read()  # to its end: whoever still holds the other one has outlived the one that was killed
    if time.monotonic() - began - took > GRACE:
        raise AssertionError(f"{' '.join(command)}: its processes outlived it by {GRACE} s")
    if not killed and os.waitstatus_to_exitcode(status) not in (0, 1):
        raise AssertionError(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)} by itself")
    return [line.rstrip("\n") for line in text.splitlines(keepends=True) if line.endswith("\n")], killed, took


def load() -> None:
    """Load what the commands would: a fork then begins where the work does."""
    import importlib

    for name in (
        "pandas", "scipy.optimize", "matplotlib.figure", "matplotlib.backends.backend_svg", "cv2", "analyser.fitting.analyse", "analyser.ingest.flights",
        "analyser.ingest.screenshots", "analyser.ingest.writing", "analyser.reporting.html", "analyser.reporting.markdown", "analyser.reporting.pictures",
        "analyser.reporting.text", "analyser.commands.debrief", "analyser.commands.read", "analyser.commands.logbook", "analyser.workers",
    ):  # fmt: skip
        importlib.import_module(name)


def report_too_early() -> None:
    """The negative control: a program that says "recorded" before it is."""
    import analyser.many as many

    def hasty(jobs, logbook, run):
        entries = []
        for outcome in run(jobs):
            yield many.Kept(dataclasses.replace(outcome, entry=None))
            entries.append(outcome.entry)
        for entry in entries:
            Logbook(logbook).keep(entry)

    many.debrief_each = hasty


def kill(scenario: Scenario, wanted: int, until: float, draw: random.Random, control: bool) -> tuple[dict, list[str]]:
    """Kill a scenario's command so often, or until that moment: a row of the table, and the faults."""
    began = time.monotonic()
    scenario.before(0)
    lines, _, whole = run(scenario.command())
    faults = scenario.check(lines)
    kills = runs = 0
    while kills < wanted and runs < 3 * wanted + 3 and (kills < FEWEST or time.monotonic() < until):
        runs += 1
        scenario.before(runs + 1)
        lines, killed, _ = run(scenario.command(), draw.uniform(0, whole), control)
        kills += killed
        faults += [f"{scenario.name}, run {runs}: {fault}" for fault in scenario.check(lines)]
    scenario.before(runs + 2)
    faults += [f"{scenario.name}, the run after them all: {fault}" for fault in scenario.check(run(scenario.command())[0])]
    faults += [f"{scenario.name}: left behind: {path}" for path in scenario.folder.rglob(".writing-*")]
    return {"command": scenario.name, "kills": kills, "reported": scenario.reported, "whole": whole, "took": time.monotonic() - began}, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop early, but for a few kills of each command")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--control", action="store_true", help="kill a program that reports too early (debrief alone)")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    os.environ["ANALYSER_STATE"] = ""
    load()
    kinds = (Debrief,) if options.control else (Import, Debrief, Read, DebriefTogether)
    rows, faults = [], []
    if not options.json:
        print(f"{'command':18} {'kills':>6} {'reported as done':>17} {'a whole run, s':>15} {'took, s':>8}")
    began, draw = time.monotonic(), random.Random(options.seed)
    with tempfile.TemporaryDirectory() as folder:
        for position, kind in enumerate(kinds):
            place = Path(folder) / f"{position}"
            place.mkdir()
            until = began + options.seconds * (position + 1) / len(kinds)
            row, found = kill(kind(place), max(round(options.kills * (1 if options.control else kind.share)), 1), until, draw, options.control)
            rows.append(row)
            faults += found
            if not options.json:
                print(f"{row['command']:18} {row['kills']:6} {row['reported']:17} {row['whole']:15.2f} {row['took']:8.0f}", *found, sep="\n  ", flush=True)
    if options.json:
        print(json.dumps({"rows": rows, "faults": faults}))
        return 1 if faults else 0
    print(f"faults: {len(faults)}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
