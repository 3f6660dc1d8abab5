"""Work that takes longer than an answer: debriefs, one at a time, each in a process of its own."""

from __future__ import annotations

import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Job", "Jobs"]


@dataclass
class Job:
    """One debrief: ``state`` is "waiting", "running", "done" or "failed"; ``said`` what it printed."""

    flight: str
    state: str = "waiting"
    said: str = ""
    process: subprocess.Popen | None = field(default=None, repr=False)


class Jobs:
    """Debriefs by the names of their flights.

    Parameters
    ----------
    top : Path
        Where the command runs, as if it were typed there.
    logbook : Path
    """

    def __init__(self, top: Path, logbook: Path):
        self.top, self.logbook = top, logbook
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._turn = threading.Lock()
        self._ended = False

    def debrief(self, name: str, folder: Path, target: Path) -> Job:
        """Begin a debrief, unless one of this flight is under way."""
        with self._lock:
            known = self._jobs.get(name)
            if known is not None and known.state in ("waiting", "running"):
                return known
            job = self._jobs[name] = Job(name)
        threading.Thread(target=self._run, args=(job, folder, target), daemon=True).start()
        return job

    def of(self, name: str) -> Job | None:
        """The last debrief of a flight, None where there was none."""
        return self._jobs.get(name)

    def end(self) -> None:
        """Stop what runs."""
        with self._lock:
            self._ended = True
            running = [job.process for job in self._jobs.values() if job.process is not None and job.process.poll() is None]
        for process in running:
            process.terminate()

    def _run(self, job: Job, folder: Path, target: Path) -> None:
        with self._turn:
            with self._lock:
                if self._ended:
                    return
                command = [sys.executable, "-m", "analyser", "debrief", str(folder), "--out", str(target), "--logbook", str(self.logbook), "--again", "-q"]
                job.process = subprocess.Popen(command, cwd=self.top, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, text=True)
                job.state = "running"
            said, _ = job.process.communicate()
            job.said = said.strip()[-4000:]
            job.state = "done" if job.process.returncode in (0, 1) else "failed"
