"""The same work on a scheduler's workers: real processes, one of them killed half-way; every flight is kept once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from short_flights import archive, run, short_flight

from analyser import __version__
from analyser.cluster import run_on_scheduler
from analyser.debriefing import Job
from analyser.logbook import Logbook
from analyser.many import debrief_each

distributed = pytest.importorskip("distributed")
FLIGHTS = 10


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ANALYSER_STATE", str(tmp_path / "state"))


class Cluster:
    """A scheduler and workers without anybody to start them again, each a process of its own on this machine."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.file = folder / "scheduler.json"
        self.processes = []
        self._start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", self.file)
        for _ in range(600):
            if self.file.exists() and self.file.read_text():
                break
            time.sleep(0.1)
        self.address = json.loads(self.file.read_text())["address"]

    def _start(self, module: str, *arguments: object) -> subprocess.Popen:
        log = open(self.folder / f"log-{len(self.processes)}", "w")
        process = subprocess.Popen([sys.executable, "-m", module, *map(str, arguments)], stdout=log, stderr=log, cwd=self.folder)
        self.processes.append(process)
        return process

    def worker(self, threads: int = 1) -> subprocess.Popen:
        return self._start("distributed.cli.dask_worker", self.address, "--nthreads", threads, "--no-nanny", "--no-dashboard", "--local-directory", self.folder)

    def end(self):
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    yield made
    made.end()


def test_a_worker_killed_half_way_loses_no_flight_and_doubles_none(cluster, tmp_path, capsys):
    archive(tmp_path / "flights", FLIGHTS)
    short_flight(tmp_path / "flights" / "bad", 90)
    (tmp_path / "flights" / "bad" / "readings.csv").write_text("met,altitude [km]\n0,many\n")
    workers = [cluster.worker(), cluster.worker()]
    jobs = [Job(str(folder), str(tmp_path / "reports" / folder.name)) for folder in sorted(Path("flights").glob("*/hop-*"))]
    jobs.append(Job("flights/bad", str(tmp_path / "reports" / "bad")))
    client = distributed.Client(cluster.address, set_as_default=False)
    client.wait_for_workers(2, timeout=120)
    kept, holding = [], {}
    for number, one in enumerate(debrief_each(jobs, "logbook.sqlite", lambda jobs: run_on_scheduler(jobs, cluster.address))):
        kept.append(one)
        if number == FLIGHTS // 3:  # by now both have begun; the one that goes takes what it holds with it
            holding = {address: tasks for address, tasks in client.processing().items() if tasks}
            os.kill(workers[0].pid, signal.SIGKILL)
    client.close()
    assert len(holding) == 2, "both workers were to be at work when one was killed"
    assert workers[0].wait(60) == -signal.SIGKILL and workers[1].poll() is None
    names = sorted(one.outcome.name for one in kept if not one.outcome.error)
    assert names == sorted(f"Short hop {number}" for number in range(FLIGHTS))
    errors = [one.outcome.error for one in kept if one.outcome.error]
    assert len(errors) == 1 and "many" in errors[0] and "bad" in errors[0]
    book = Logbook("logbook.sqlite")
    assert sorted(item.name for item in book.attempts()) == names
    assert all(len(book.revisions(item.id)) == 1 for item in book.attempts())
    assert all(Path(item.report, "debrief.html").exists() for item in book.attempts())

    # the command, with what was done left as it is
    code, out, err = run(capsys, "debrief", "flights", "--scheduler", cluster.address, "--logbook", "logbook.sqlite")
    assert code == 2 and f"{FLIGHTS} of {FLIGHTS + 1} flights debriefed" in out and "many" in err and "Traceback" not in err
    code, out, _ = run(capsys, "debrief", "flights", "--scheduler", cluster.address, "--logbook", "logbook.sqlite", "--json")
    found = json.loads(out)
    assert sum(bool(item.get("skipped")) for item in found) == FLIGHTS and len(Logbook("logbook.sqlite").attempts()) == FLIGHTS


def test_nobody_at_the_address_no_worker_another_version_or_no_package(cluster, tmp_path, capsys, monkeypatch):
    short_flight(tmp_path / "hop")
    monkeypatch.setattr("analyser.cluster._ANSWER", 1)
    for address in ("tcp://127.0.0.1:9", "nonsense://x"):
        code, _, err = run(capsys, "debrief", "hop", "--scheduler", address)
        assert code == 2 and "no scheduler answers at" in err and "Traceback" not in err
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("analyser.cluster.__version__", "99.0")
    code, _, err = run(capsys, "debrief", "hop", "--scheduler", cluster.address)
    assert code == 2 and f"has analyser {__version__}, and this is 99.0" in err
    monkeypatch.setitem(sys.modules, "distributed", None)
    code, _, err = run(capsys, "debrief", "hop", "--scheduler", cluster.address)
    assert code == 2 and "bash samples/setup.sh cluster" in err
    assert not Path("reports").exists()


def test_a_scheduler_without_workers_is_said_to_have_none(tmp_path, capsys, monkeypatch):
    empty = Cluster(tmp_path)
    monkeypatch.setattr("analyser.cluster._WORKERS", 0.5)
    try:
        short_flight(tmp_path / "hop")
        code, _, err = run(capsys, "debrief", "hop", "--scheduler", empty.address)
        assert code == 2 and "has no worker" in err
    finally:
        empty.end()
