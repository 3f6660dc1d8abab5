"""A debrief's pictures and pages, and the comparison of many attempts, beside the imports that any such program pays.

Run with ``pytest tests/benchmarks/test_bench_reporting.py --benchmark-only --benchmark-group-by=group``; compare within one group.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests"))

IMPORTS = "import pandas, scipy.optimize, matplotlib.figure"
DEBRIEF = "import sys; from analyser.cli import main; sys.exit(main(['debrief', 'samples/flights/first-try', '-q', '--out', sys.argv[1]]))"
PROCESSES = {"the imports alone": IMPORTS, "typed there-and-back, debriefed": DEBRIEF}


@pytest.mark.parametrize("name", PROCESSES)
def test_debrief_as_a_process(benchmark, name, tmp_path):
    """The whole command with plots; wanted under 4 times the imports."""
    benchmark.group = "whole debrief"
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"} | {"OMP_NUM_THREADS": "1"}

    def run():
        done = subprocess.run([sys.executable, "-c", PROCESSES[name], str(tmp_path)], cwd=ROOT, env=environment, capture_output=True)
        assert done.returncode in (0, 1), done.stderr

    benchmark.pedantic(run, rounds=5, warmup_rounds=1)


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    """A logbook of 5,000 attempts, filled in one transaction."""
    from made_flight import made_findings, made_flight

    import analyser.logbook_rows as rows
    from analyser.logbook import Logbook

    book = Logbook(tmp_path_factory.mktemp("book") / "logbook.sqlite")
    flight = made_flight()
    about, found = rows.about_of(flight), [made_findings(0.5 + share / 10) for share in range(10)]
    kept = [(rows.revision_of(flight, findings, ""), rows.children_of(findings)) for findings in found]
    with book._file.writing() as database:
        for number in range(5000):
            revision, children = kept[number % 10]
            day = f"{2031 + number // 365}-{number % 365:03d}"
            rows.keep(database, {**about, "name": f"try {number}", "date": day}, {**revision, "fingerprint": f"{number}"}, *children)
    return book


@pytest.mark.parametrize("what", ["the imports alone", "compare among 5,000", "a page of the list"])
def test_many_attempts(benchmark, crowded, what):
    """Comparing the last 30 of 5,000 attempts as a process (wanted under 2 s); a page of 200 of the list (under 300 ms)."""
    benchmark.group = "logbook of 5,000"
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    code = {
        "the imports alone": "import scipy.stats",
        "compare among 5,000": "import sys; from analyser.cli import main; sys.exit(main(['compare', '--logbook', sys.argv[1]]))",
    }

    def run():
        if what in code:
            subprocess.run([sys.executable, "-c", code[what], str(crowded.path)], cwd=ROOT, env=environment, capture_output=True, check=True)
        else:
            assert len(crowded.attempts(limit=200, brief=True)) == 200

    benchmark.pedantic(run, rounds=5, warmup_rounds=1)
