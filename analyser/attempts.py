"""An attempt: a flight as the logbook keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Attempt:
    """One attempt as one of its revisions has it, the newest where none is named.

    ``figures`` maps names of figures of the whole flight to (value, sigma), SI, nan where unknown. ``legs`` and ``habits`` are rows as
    mappings. ``report`` is the folder its debrief was last written into, "" where none is known. ``findings`` is findings.json's content and
    ``inputs`` the files that went in (name, size in bytes, sha256) where the whole attempt was asked for, else None and empty.
    """

    id: int
    revision: int
    name: str
    pilot: str
    date: str
    folder: str
    plan: str
    craft: str
    world: str
    recorded: str
    deleted: str | None
    fingerprint: str
    analyser_version: str
    duration: float
    readings: int
    set_aside: int
    doubtful: int
    legs_flown: int
    figures: dict[str, tuple[float, float]]
    legs: tuple[dict[str, Any], ...]
    habits: tuple[dict[str, Any], ...]
    findings: dict[str, Any] | None = None
    report: str = ""
    inputs: tuple[tuple[str, int, str], ...] = ()
