"""One flight from its folder to its report and its rows for the logbook: the work that can be handed to any process or machine.

What is handed over (:class:`Job`) and what comes back (:class:`Outcome`) is plain data. The logbook is not touched here: the process that
asked for the work keeps what comes back.
"""

from __future__ import annotations

import json
import threading
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyser import __version__
from analyser.errors import AnalyserError, InputError

if TYPE_CHECKING:
    from analyser.findings import Findings
    from analyser.fingerprints import Inputs
    from analyser.flight import Flight
    from analyser.logbook_rows import Entry

__all__ = ["REPORT", "Job", "Outcome", "Recall", "changes", "debrief_flight", "debrief_safely", "report_document"]

REPORT = ("debrief.html", "debrief.md", "findings.json", "readings.csv", "readings_detail.csv")
_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_MOST_CROPS = 300  # in one page
_TRIES = 3  # a flight whose files change while they are read is read so many times
_DRAWING = threading.Lock()  # drawing has settings that all threads of a process share


@dataclass(frozen=True)
class Recall:
    """An attempt as the logbook has it, to hold against what its folder holds now."""

    attempt: int
    pilot: str
    date: str
    fingerprint: str
    inputs: tuple[tuple[str, int, str], ...] = ()


@dataclass(frozen=True)
class Job:
    """A flight to debrief.

    ``report`` is the folder its report goes into. ``record``: bring rows for the logbook back. ``resume``: leave the flight be where a report
    of this version from the same input stands there already. ``version`` is that of the process that asks: no other version may answer.
    """

    folder: str
    report: str
    record: bool = True
    resume: bool = False
    recall: Recall | None = None
    version: str = __version__


@dataclass(frozen=True)
class Outcome:
    """What came of a :class:`Job`.

    ``error`` is empty where the flight was debriefed; ``trace`` is a traceback where the fault is the analyser's. ``skipped``: a report of this
    version from this input was there already. ``needs_person``: readings are doubtful, or nothing was fitted. ``notes`` must be told.
    """

    job: Job
    name: str = ""
    headline: str = ""
    summary: str = ""
    fingerprint: str = ""
    entry: "Entry | None" = None
    needs_person: bool = False
    skipped: bool = False
    notes: tuple[str, ...] = ()
    error: str = ""
    trace: str = field(default="", repr=False)


def debrief_flight(job: Job, progress: Callable[..., None] | None = None) -> Outcome:
    """Read, fit and report one flight.

    Parameters
    ----------
    job : Job
    progress : callable, optional
        Handed to the reader of screenshots.

    Returns
    -------
    Outcome
        Once its report is on the disk.

    Raises
    ------
    InputError
        The flight can't be read, or changes while it is read.
    OutputError
        Its report can't be written.
    """
    if job.version != __version__:
        raise InputError(f"asked for by analyser {job.version}, and analyser {__version__} runs here; bring both to the same version", job.folder)
    with _DRAWING:
        return (_as_before(job) if job.resume else None) or _debrief(job, progress)


def debrief_safely(job: Job) -> Outcome:
    """As :func:`debrief_flight`; what goes wrong becomes part of the outcome, so that other flights go on."""
    try:
        return debrief_flight(job)
    except AnalyserError as error:
        return Outcome(job, error=str(error))
    except Exception as error:
        said = f"{job.folder}: a fault of the analyser, not of the flight ({type(error).__name__}: {error})"
        return Outcome(job, error=said, trace=traceback.format_exc())


def _as_before(job: Job) -> Outcome | None:
    """The outcome of a flight whose report stands already; None where it doesn't, or is of another version or input."""
    from analyser.fingerprints import inputs_of_files
    from analyser.ingest import flight_inputs

    found = report_document(job.report)
    if found is None or not (Path(job.folder) / "flight.toml").is_file():
        return None
    name, files = flight_inputs(job.folder)
    mark = inputs_of_files(name, files).fingerprint
    about = found["flight"]
    if (about.get("fingerprint"), about.get("analyser")) != (mark, __version__):
        return None
    return Outcome(job, name, fingerprint=mark, needs_person=bool(about.get("doubtful")) or not found["arcs"], skipped=True)


def report_document(report: str | Path) -> dict[str, Any] | None:
    """What findings.json of a whole report says; None where there is no whole report."""
    try:
        if not all((Path(report) / name).is_file() for name in REPORT):
            return None
        found = json.loads((Path(report) / "findings.json").read_text(encoding="utf-8"))
        return found if isinstance(found["flight"], dict) and isinstance(found["arcs"], list) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _debrief(job: Job, progress: Callable[..., None] | None) -> Outcome:
    from analyser.fitting import fit_flight
    from analyser.logbook_rows import entry_of
    from analyser.reporting import summary_text, write_debrief

    frames = Path(job.report) / "frames"  # pictures taken from recordings
    flight, inputs = _read(job.folder, progress, frames)
    notes = _recalled(job.recall, flight, inputs) if job.recall else ()
    findings = fit_flight(flight)
    write_debrief(
        flight, findings, job.report, crops=_crops(flight, findings, frames), tables=lambda folder: _write_tables(flight, folder),
        fingerprint=inputs.fingerprint,
    )  # fmt: skip
    entry = entry_of(flight, findings, job.report, inputs) if job.record else None
    detail = flight.readings.detail
    doubtful = "status" in detail.columns and bool((detail["status"] == "doubtful").any())
    return Outcome(
        job, flight.name, _headline(flight, findings), summary_text(flight, findings).rstrip(), inputs.fingerprint, entry,
        needs_person=doubtful or not findings.arcs, notes=notes,
    )  # fmt: skip


def _read(folder: str, progress: Callable[..., None] | None, frames: Path) -> tuple["Flight", "Inputs"]:
    """The flight, and the fingerprint of just what was read."""
    from analyser.fingerprints import inputs_of_files
    from analyser.fitting.expectation import expect_coasts
    from analyser.ingest import flight_inputs, load_flight

    for _ in range(_TRIES):
        files = flight_inputs(folder)[1] if (Path(folder) / "flight.toml").is_file() else ()
        before = _stamps(files)
        flight = load_flight(folder, progress=progress, frames=frames, motion=expect_coasts)
        inputs = inputs_of_files(flight.name, flight.files)
        if flight.files == files and _stamps(files) == before:
            return flight, inputs
    raise InputError("its files change while they are read; run the command again once they are at rest", folder)


def _stamps(files: Iterable[Path]) -> list[tuple[int, int]]:
    """Time of change and size of each file."""
    found = []
    for path in files:
        try:
            state = path.stat()
            found.append((state.st_mtime_ns, state.st_size))
        except OSError:
            found.append((0, 0))  # gone meanwhile: whoever reads it says so
    return found


def _recalled(recall: Recall, flight: "Flight", inputs: "Inputs") -> tuple[str, ...]:
    """What changed since the attempt was recorded.

    Raises
    ------
    InputError
        The folder holds another flight now.
    """
    if (recall.pilot, recall.date) != (flight.pilot, str(flight.date)):
        theirs, found = (" ".join(part for part in pair if part) or "no pilot or date" for pair in ((recall.pilot, recall.date), (flight.pilot, str(flight.date))))
        raise InputError(f"attempt {recall.attempt} was of {theirs}, and this folder holds one of {found} now; the attempt stays as it was found", flight.folder)
    if recall.fingerprint == inputs.fingerprint:
        return ()
    said = changes(recall.inputs, inputs.files)
    return (f"its inputs are not those that were recorded{said}; the figures found from them are kept as an earlier revision",)


def changes(old: Iterable[tuple[str, int, str]], new: Iterable[tuple[str, int, str]]) -> str:
    """Which files differ, in brackets; "" where the old ones are not known."""
    before, after = ({name: mark for name, _, mark in files} for files in (old, new))
    lists = (
        ("changed", [name for name in after if name in before and before[name] != after[name]]),
        ("new", [name for name in after if before and name not in before]),
        ("gone", [name for name in before if name not in after]),
    )
    said = "; ".join(f"{what}: {', '.join(names[:5])}{f' and {len(names) - 5} more' if len(names) > 5 else ''}" for what, names in lists if names)
    return f" ({said})" if said else ""


def _headline(flight: "Flight", findings: "Findings") -> str:
    """The flight in half a line."""
    from analyser.reporting.phrases import figure
    from analyser.totals import totals

    total = totals(flight, findings)
    parts = [f"{what} {figure(item)}" for what, item in (("spent", total.spent), ("wasted", total.waste)) if item.known]
    if total.doubtful:
        parts.append(f"{total.doubtful} values doubtful")
    return ", ".join(parts) or ("no burn was found" if findings.arcs else "nothing could be fitted")


def _write_tables(flight: "Flight", folder: Path) -> None:
    from analyser.ingest import write_detail, write_readings

    write_readings(flight.readings, folder / "readings.csv")
    write_detail(flight.readings, folder / "readings_detail.csv")


def _crops(flight: "Flight", findings: "Findings", frames: Path) -> dict[tuple, bytes]:
    """The picture of every value that a person should look at: doubtful, recovered or set aside. By source, row and column."""
    pictures = {path.name: path for path in frames.glob("*/*.jpg")}
    pictures |= {path.name: path for path in flight.files if path.suffix.lower() in _PICTURES}
    detail = flight.readings.detail
    if not pictures or "crop" not in detail.columns:
        return {}
    from analyser.ingest.images import crop_png

    aside = {(item.source, item.row, item.column) for item in findings.set_aside}
    crops = {}
    for item in detail.itertuples(index=False):
        key = (item.source, item.row, item.column)
        wanted = item.status in ("doubtful", "recovered", "set aside") or key in aside
        if wanted and item.source in pictures and isinstance(item.crop, (tuple, list)) and len(crops) < _MOST_CROPS:
            crops[key] = crop_png(pictures[item.source], tuple(item.crop))
    return crops
