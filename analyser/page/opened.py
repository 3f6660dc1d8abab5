"""Flights held open: the readings as they were read, as corrected, and what fitting finds in them.

Reading screenshots takes seconds and a whole fit too, so both are done in a thread of their own, once while the files stay as they are;
a page asks how far it is. Corrections are applied in memory in milliseconds.
"""

from __future__ import annotations

import threading
import traceback
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError, InputError
from analyser.ingest.corrections import FILE, Correction, read_corrections

if TYPE_CHECKING:
    from analyser.findings import Findings
    from analyser.flight import Flight

__all__ = ["OpenFlight", "OpenFlights"]

_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_KEPT = 6  # flights held open
_QUIET = 0.8  # s without a decision before the whole flight is fitted again


class OpenFlight:
    """One flight.

    Attributes
    ----------
    state : str
        "reading", "fitting" (readings are there), "ready" or "failed" (``problem`` says why).
    done, total : int
        Screenshots read, and how many there are.
    """

    def __init__(self, folder: Path, frames: Path):
        self.folder, self.frames = folder, frames
        self.state, self.problem, self.done, self.total = "reading", "", 0, 0
        self.stamps = _stamps(folder)
        self.failed_with: tuple = ()
        self.raw: Flight | None = None
        self.findings: Findings | None = None
        self.coasts: tuple = ()
        self.unfitted = ""
        self._fitted: Flight | None = None
        self._current: tuple[bytes, Flight] | None = None
        self._lock = threading.Lock()
        self._work = threading.Condition(self._lock)
        self._asked, self._ended = True, False
        threading.Thread(target=self._run, name=f"flight {folder.name}", daemon=True).start()

    # -- what is there -------------------------------------------------------------------------------------------------

    def corrections(self) -> list[Correction]:
        """The history of what was set right by hand."""
        return read_corrections(self.folder / FILE)

    def current(self, extra: tuple[Correction, ...] = ()) -> "Flight":
        """The flight with its corrections, and ``extra`` ones that are not kept.

        Raises
        ------
        InputError
            It is not read yet, or its corrections can't be used.
        """
        from analyser.ingest.corrected import apply_corrections

        if self.raw is None:
            raise InputError(self.problem or "the flight is still being read")
        if extra:
            history = [*self.corrections(), *extra]
            return replace(self.raw, readings=apply_corrections(self.raw.readings, history, self.raw.craft, self.raw.world))
        path = self.folder / FILE
        key = path.read_bytes() if path.exists() else b""
        with self._lock:
            if self._current is not None and self._current[0] == key:
                return self._current[1]
        flight = replace(self.raw, readings=apply_corrections(self.raw.readings, self.corrections(), self.raw.craft, self.raw.world))
        with self._lock:
            self._current = (key, flight)
        return flight

    def pictures(self) -> dict[str, Path]:
        """The flight's screenshots by the names that readings give as their source."""
        if self.raw is None:
            return {}
        found = {path.name: path for path in self.raw.files if path.suffix.casefold() in _PICTURES}
        names = set(self.raw.readings.detail["source"]) - set(found)
        recordings = [path for path in self.raw.files if (self.frames / path.name).is_dir()]
        for recording in recordings:
            for name in names:
                if (self.frames / recording.name / name).is_file():
                    found.setdefault(name, self.frames / recording.name / name)
        return found

    # -- fitting -------------------------------------------------------------------------------------------------------

    def refit(self) -> None:
        """Have the whole flight fitted again, when the fit that may be under way is done."""
        with self._work:
            self._asked = True
            if self.state == "ready":
                self.state = "fitting"
            self._work.notify()

    def end(self) -> None:
        """Let go of it."""
        with self._work:
            self._ended = True
            self._work.notify()

    def _run(self) -> None:
        try:
            self._read()
            while True:
                with self._work:
                    while not self._asked and not self._ended:
                        self._work.wait()
                    while self._asked and not self._ended and self.findings is not None:
                        self._asked = False
                        self._work.wait(_QUIET)  # decisions come in quick succession: the last one is waited for
                    if self._ended:
                        return
                    self._asked = False
                self._fit()
                with self._work:
                    if not self._asked:
                        self.state = "ready"
        except AnalyserError as error:
            self.failed_with, self.problem, self.state = _stamp(self.folder / FILE), str(error), "failed"
        except Exception as error:
            traceback.print_exc()
            self.problem, self.state = f"something went wrong that should not have: {error!r}", "failed"

    def _read(self) -> None:
        from analyser.fitting.expectation import expect_coasts
        from analyser.ingest import load_flight

        def progress(done: int, total: int, *_) -> None:
            self.done, self.total = done, total
            if self._ended:
                raise InputError("no longer wanted")

        self.raw = load_flight(self.folder, progress=progress, frames=self.frames, corrected=False, motion=expect_coasts)
        self.state = "fitting"

    def _fit(self) -> None:
        from analyser.fitting import fit_flight
        from analyser.page.refit import coasts_of

        flight = self.current()
        try:
            findings = fit_flight(flight)
        except AnalyserError as error:
            self.unfitted = str(error)
            return
        self.unfitted = ""
        self.findings, self.coasts = findings, coasts_of(flight.readings, findings)


class OpenFlights:
    """Flights held open by the paths of their folders; the least lately used is let go of."""

    def __init__(self) -> None:
        self._flights: dict[Path, OpenFlight] = {}
        self._lock = threading.Lock()

    def get(self, folder: Path, frames: Path) -> OpenFlight:
        """The flight of ``folder``; begun anew where its files have changed."""
        stamps = _stamps(folder)
        with self._lock:
            known = self._flights.pop(folder, None)
            mended = known is not None and known.state == "failed" and known.failed_with != _stamp(folder / FILE)
            if known is not None and (known.stamps != stamps or mended):
                known.end()
                known = None
            found = known or OpenFlight(folder, frames)
            self._flights[folder] = found
            while len(self._flights) > _KEPT:
                self._flights.pop(next(iter(self._flights))).end()
            return found

    def end(self) -> None:
        """Let go of all."""
        with self._lock:
            for flight in self._flights.values():
                flight.end()
            self._flights.clear()


def _stamps(folder: Path) -> tuple:
    """The flight's files with their sizes and times, the corrections left out; its description's alone where it can't be used."""
    from analyser.ingest import flight_inputs

    try:
        files = flight_inputs(folder)[1]
    except AnalyserError:
        files = (folder / "flight.toml",)
    return tuple(_stamp(Path(path)) for path in files if Path(path).name != FILE)


def _stamp(path: Path) -> tuple:
    try:
        stat = path.stat()
        return str(path), stat.st_mtime_ns, stat.st_size
    except OSError:
        return str(path), 0, 0
