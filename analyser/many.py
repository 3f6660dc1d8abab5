"""Many flights: which they are, where their reports go, and keeping what comes back of each."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser import __version__
from analyser.debriefing import Job, Outcome, Recall
from analyser.errors import AnalyserError, InputError

if TYPE_CHECKING:
    from analyser.attempts import Attempt
    from analyser.logbook import Logbook
    from analyser.logbook_rows import Recorded

__all__ = ["Kept", "Recalled", "debrief_each", "find_flights", "inputs_now", "recalled", "report_names"]


@dataclass(frozen=True)
class Kept:
    """What came of a flight, and where the logbook keeps it (None: it doesn't)."""

    outcome: Outcome
    recorded: "Recorded | None" = None


@dataclass(frozen=True)
class Recalled:
    """The logbook's attempts as jobs, and what must be told of those that can't be done again."""

    jobs: tuple[Job, ...]
    missing: tuple[str, ...]


def find_flights(paths: Iterable[str | Path]) -> dict[Path, str]:
    """Flights named by ``paths``: each a flight folder, its flight.toml, or a folder in which flight folders lie, however deep.

    Returns
    -------
    dict of Path to str
        Flight folders in order, each with the name of its report: its own, or its path below the folder named.

    Raises
    ------
    InputError
        A path that isn't there, or holds no flight.
    """
    found: dict[Path, str] = {}
    seen: set[Path] = set()

    def add(folder: Path, name: str) -> None:
        if folder.resolve() not in seen:
            seen.add(folder.resolve())
            found[folder] = name

    for path in map(Path, paths):
        if path.is_file():
            # a table of readings by itself is no flight: the loader says what is missing
            folder = path.parent if path.suffix == ".toml" else path
            add(folder, folder.resolve().name)
        elif not path.exists():
            raise InputError(
                "there is nothing of that name. name a flight folder (it holds flight.toml and readings.csv or "
                "screenshots/), or a folder of such folders",
                path,
            )
        elif (path / "flight.toml").exists():
            add(path, path.resolve().name)
        else:
            inside = _flights_in(path)
            if not inside:
                raise InputError(
                    "no flight.toml in this folder, nor in a folder inside it. a flight is a folder with flight.toml "
                    "and readings.csv or screenshots/",
                    path,
                )
            for folder in inside:
                add(folder, folder.relative_to(path).as_posix())
    return dict(zip(found, report_names(found), strict=True))


def _flights_in(top: Path) -> list[Path]:
    """Flight folders below ``top``, in order of their names. Hidden folders are passed by, and what lies inside a flight is part of it."""
    found, seen = [], set()
    for here, folders, files in os.walk(top, followlinks=True):
        real = os.path.realpath(here)
        if real in seen:  # a link that leads back up
            folders.clear()
            continue
        seen.add(real)
        if "flight.toml" in files:
            found.append(Path(here))
            folders.clear()
        folders[:] = sorted(name for name in folders if not name.startswith("."))
    return sorted(found)


def report_names(flights: "dict[Path, str]") -> list[str]:
    """The names as given, longer by the folders above where two would be the same."""
    names = list(flights.values())
    parts = [folder.resolve().parts for folder in flights]
    depth = 1
    while len(set(names)) < len(names):
        depth += 1
        twice = {name for name in names if names.count(name) > 1}
        longer = ["/".join(part[-depth:]).lstrip("/") for part in parts]
        names = [after if name in twice else name for name, after in zip(names, longer, strict=True)]
        if depth > max(map(len, parts)):  # as different as can be
            break
    return names


def recalled(logbook: "Logbook", root: Path, elsewhere: bool, resume: bool) -> Recalled:
    """Every attempt of the logbook as a job, in order.

    Parameters
    ----------
    logbook : Logbook
    root : Path
        Where reports go whose former place is not known; all of them if ``elsewhere``.
    elsewhere : bool
    resume : bool
        Leave those be that this version has found from the same input.
    """
    attempts, missing = [], []
    for item in logbook.attempts(brief=True):
        what = f"attempt {item.id} ({item.name})"
        if not item.folder:
            missing.append(f"{what} was recorded without a folder: its figures stay as analyser {item.analyser_version} found them")
        elif not (Path(item.folder) / "flight.toml").is_file():
            missing.append(f"{what}: {item.folder} is not there any more: its figures stay as analyser {item.analyser_version} found them")
        else:
            attempts.append(item)
    names = dict.fromkeys(Path(item.folder) for item in attempts)
    for folder in names:
        names[folder] = folder.name
    places = dict(zip(names, report_names(names), strict=True))
    inputs = logbook.inputs([item.id for item in attempts])
    jobs = []
    for item in attempts:
        report = item.report if item.report and not elsewhere else str(root / places[Path(item.folder)])
        recall = Recall(item.id, item.pilot, item.date, item.fingerprint, inputs.get(item.id, ()))
        jobs.append(Job(item.folder, report, resume=resume, recall=recall))
    return Recalled(tuple(jobs), tuple(missing))


def inputs_now(attempt: "Attempt") -> str:
    """In words, whether the files an attempt was found from are still there as they were."""
    if not attempt.folder:
        return "recorded without a folder"
    from analyser.debriefing import changes
    from analyser.fingerprints import inputs_of_files
    from analyser.ingest import flight_inputs

    try:
        now = inputs_of_files(*flight_inputs(attempt.folder))
    except (AnalyserError, OSError):
        return "not there any more, or not to be read"
    if now.fingerprint == attempt.fingerprint:
        return f"{len(now.files)} files, as they were"
    return f"not as they were{changes(attempt.inputs, now.files)}"


def debrief_each(jobs: Sequence[Job], logbook: str | Path | None, run: Callable[[Sequence[Job]], Iterator[Outcome]]) -> Iterator[Kept]:
    """Debrief flights and keep each as it comes; what is yielded as recorded is on the disk.

    Parameters
    ----------
    jobs : sequence of Job
    logbook : str, Path or None
        The logbook's file, written by this process alone; made with the first flight to keep where it is missing.
    run : callable
        Does jobs, in any order, wherever.

    Raises
    ------
    InputError
        The logbook is none.
    OutputError
        It can't be written.
    """
    from analyser.logbook import Logbook

    book = Logbook(logbook) if logbook is not None and Path(logbook).exists() else None
    known = book.fingerprints(__version__) if book is not None and any(job.resume for job in jobs) else frozenset()
    unrecorded: list[Job] = []
    for outcome in run(jobs):
        if outcome.skipped and logbook is not None and outcome.fingerprint not in known:
            unrecorded.append(replace(outcome.job, resume=False))  # stopped between the report and the logbook, or another logbook
            continue
        recorded = None
        if logbook is not None and outcome.entry is not None:
            book = book or Logbook(logbook)
            recorded = book.keep(outcome.entry)
        yield Kept(replace(outcome, entry=None), recorded)
    if unrecorded:
        yield from debrief_each(unrecorded, logbook, run)
