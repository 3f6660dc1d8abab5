"""What several commands share: the options that mean the same everywhere, printing, and finding flights."""

from __future__ import annotations

import sys
from pathlib import Path

TYPE_CHECKING = False  # known to type checkers by this name; loading typing would take longer than an answer in flight
if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable
    from typing import Any

DONE, NEEDS_PERSON, WRONG_INPUT = 0, 1, 2
CAUTION = (
    "for simulated flight and training; not for navigating or operating a real craft, which is the business of "
    "licensed crews, approved procedures and local rules."
)


def add_output_options(parser: "argparse.ArgumentParser", out_help: str | None = None) -> None:
    """Add ``--json``, ``-q`` and, where the command writes files, ``--out``."""
    group = parser.add_argument_group("output")
    group.add_argument("--json", action="store_true", help="print the machine's version: JSON, SI units")
    if out_help:
        group.add_argument("--out", metavar="DIR", type=Path, help=out_help)
    group.add_argument("-q", "--quiet", action="store_true", help="print only errors and what is asked for")


def add_description_options(parser: "argparse.ArgumentParser", *names: str) -> None:
    """Add ``--world``, ``--craft`` and ``--plan``, as far as ``names`` lists them."""
    texts = {
        "world": "world file, or a built-in world's name",
        "craft": "craft file",
        "plan": "plan file",
    }
    group = parser.add_argument_group("descriptions")
    for name in names:
        group.add_argument(f"--{name}", metavar="FILE", help=texts[name])


def print_json(found: Any) -> None:
    """Print ``found`` as strict JSON (no NaN)."""
    import json

    print(json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False))


def progress_printer(quiet: bool) -> "Callable[[str], None] | None":
    """A function that shows one line of progress in place, or None: quiet, or nobody sits at a terminal."""
    if quiet or not sys.stderr.isatty():
        return None

    def show(line: str) -> None:
        sys.stderr.write("\r\x1b[K" + line[:79])
        sys.stderr.flush()

    return show


def image_progress(quiet: bool) -> "Callable[..., None] | None":
    """A progress callback for readers of screenshots: called with what is done and how many there are."""
    show = progress_printer(quiet)
    if show is None:
        return None

    def progress(done: int, total: int, *_: Any) -> None:
        show(f"reading screenshots: {done} of {total}")
        if done >= total:
            show("")

    return progress


def flight_folders(paths: "list[Path]") -> "list[Path]":
    """Flights named by ``paths``; see :func:`analyser.many.find_flights`."""
    from analyser.many import find_flights

    return list(find_flights(paths))


def write_json(path: Path, found: Any) -> Path:
    """Write ``found`` as strict JSON, whole or not at all."""
    import json

    from analyser.files import write_atomically

    return write_atomically(path, json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def doubtful_rows(readings: Any) -> "list[Any]":
    """Values of a flight that a person has to look at, as tuples of ``readings.detail``."""
    detail = readings.detail
    if "status" not in getattr(detail, "columns", ()):
        return []
    return list(detail[detail["status"] == "doubtful"].itertuples(index=False))
