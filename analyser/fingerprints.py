"""What went into a flight, as hashes: two flights of the same fingerprint were found from the same input."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import InputError

if TYPE_CHECKING:
    from analyser.flight import Flight

__all__ = ["Inputs", "fingerprint", "inputs_of", "inputs_of_files"]

_BLOCK = 1 << 20  # bytes read at once: recordings can be larger than the memory


@dataclass(frozen=True)
class Inputs:
    """The fingerprint of a flight's name and files, and (name, size in bytes, sha256) of each file."""

    fingerprint: str
    files: tuple[tuple[str, int, str], ...] = ()


def inputs_of_files(name: str, files: Iterable[str | Path]) -> Inputs:
    """Inputs of the flight ``name`` whose files are ``files``, in order.

    Raises
    ------
    InputError
        A file can't be read.
    """
    digest = hashlib.sha256(f"{name}\0".encode())
    found = []
    for path in map(Path, files):
        try:
            with open(path, "rb") as file:
                size = path.stat().st_size
                digest.update(f"{path.name}\0{size}\0".encode())
                own = hashlib.sha256()
                while block := file.read(_BLOCK):
                    digest.update(block)
                    own.update(block)
        except OSError as error:
            raise InputError(f"can't be read again to record the flight: {(error.strerror or str(error)).lower()}", path) from error
        found.append((path.name, size, own.hexdigest()))
    return Inputs(digest.hexdigest(), tuple(found))


def inputs_of(flight: "Flight") -> Inputs:
    """Inputs of a flight: its name and its files (its readings where it has no files).

    Raises
    ------
    InputError
        A file of the flight can't be read any more.
    """
    if flight.files:
        return inputs_of_files(flight.name, flight.files)
    readings = flight.readings.table.to_csv(index=False).encode()
    return Inputs(hashlib.sha256(f"{flight.name}\0".encode() + readings).hexdigest())


def fingerprint(flight: "Flight") -> str:
    """The fingerprint of :func:`inputs_of` alone."""
    return inputs_of(flight).fingerprint
