"""The flights, panels, pictures and the logbook of one folder. What is not found here by walking it is not served."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from analyser.errors import InputError

_DEEPEST = 6  # folders below the top that are looked into
_SKIPPED = {"reports", "node_modules", "__pycache__", "build", "dist"}
_PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp"}
_FRESH = 2.0  # s for which what was found holds
_MOST = 20_000  # folders that are looked into


@dataclass(frozen=True)
class Found:
    """What the folder holds: each by its path relative to the top, with "/" between parts."""

    flights: dict[str, Path]  # folders with a flight.toml
    panels: dict[str, Path]  # panel files
    pictures: dict[str, Path]


class Workplace:
    """One folder of flights, panels and reports.

    Parameters
    ----------
    folder : str or Path
    logbook : str or Path, optional
        Default: reports/logbook.sqlite in the folder.

    Raises
    ------
    InputError
        There is no such folder.
    """

    def __init__(self, folder: str | Path, logbook: str | Path | None = None):
        top = Path(folder)
        if not top.is_dir():
            raise InputError("there is no such folder; name the one that holds your flights", folder)
        self.top = top.resolve()
        self.logbook = Path(logbook).resolve() if logbook else self.top / "reports" / "logbook.sqlite"
        self.reports = self.top / "reports"
        self._lock = threading.Lock()
        self._found: Found | None = None
        self._when = 0.0
        self._closing: list = []

    def found(self, fresh: bool = False) -> Found:
        """What is there now (to within two seconds, or ``fresh``)."""
        with self._lock:
            if fresh or self._found is None or time.monotonic() - self._when > _FRESH:
                self._found, self._when = _walk(self.top), time.monotonic()
            return self._found

    def flight(self, name: str) -> Path:
        """The folder of the flight called ``name`` (its path below the top).

        Raises
        ------
        InputError
            There is none.
        """
        return self._known("flights", name, "flight")

    def panel(self, name: str) -> Path:
        """The panel file called ``name``; raises as :meth:`flight`."""
        return self._known("panels", name, "panel")

    def picture(self, name: str) -> Path:
        """The picture called ``name``; raises as :meth:`flight`."""
        return self._known("pictures", name, "picture")

    def _known(self, kind: str, name: str, word: str) -> Path:
        for fresh in (False, True):
            known = getattr(self.found(fresh), kind)
            if name in known:
                return known[name]
        raise InputError(f"there is no {word} of that name in this folder")

    def name_of(self, path: str | Path) -> str | None:
        """How ``path`` is called here, None where it lies elsewhere."""
        try:
            return Path(path).resolve().relative_to(self.top).as_posix()
        except (OSError, ValueError):
            return None

    def report(self, flight: Path) -> Path:
        """Where the debrief of a flight's folder goes."""
        return self.reports / flight.resolve().name

    def at_end(self, action) -> None:
        """Have ``action`` called when the page ends."""
        self._closing.append(action)

    def close(self) -> None:
        """End what still runs."""
        for action in self._closing:
            action()


def _walk(top: Path) -> Found:
    flights, panels, pictures, seen = {}, {}, {}, 0
    for folder, names, files in os.walk(top, followlinks=False):
        seen += 1
        here = Path(folder)
        relative = here.relative_to(top)
        deep = len(relative.parts)
        names[:] = sorted(name for name in names if not name.startswith(".") and name not in _SKIPPED) if deep < _DEEPEST and seen < _MOST else []
        if "flight.toml" in files:
            flights[relative.as_posix()] = here
        for name in sorted(files):
            if name == "panel.toml":
                panels[(relative / name).as_posix()] = here / name
            elif Path(name).suffix.casefold() in _PICTURES and not name.startswith("."):
                pictures[(relative / name).as_posix()] = here / name
    return Found(flights, panels, pictures)
