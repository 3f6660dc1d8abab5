"""What was seen of a recording so far, kept beside its pictures as JSON, so that a run that was stopped goes on where it was."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.files import write_atomically
from analyser.ingest.glyph_memory import GlyphMemory
from analyser.ingest.images import open_image
from analyser.ingest.ocr import Line
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.screenshots import Looks

VERSION = 2
STATE = "sampled.json"


class Kept:
    """The pictures kept of a recording and how far it was read.

    Attributes
    ----------
    names : list of str
        The pictures' file names, in order.
    second : float
        The last moment of the recording that was looked at; -inf before the first.
    done : bool
        Whether its end was reached.
    """

    def __init__(self, folder: Path, recording: Path, others: Sequence[Path], every: float, on_change: bool):
        self.folder = folder
        self.names: list[str] = []
        self.second = float("-inf")
        self.done = False
        stamps = [[str(path.resolve()), found.st_size, found.st_mtime_ns] for path in (recording, *others) for found in [path.stat()]]
        self._key = {"version": VERSION, "files": stamps, "every": every, "on_change": on_change}
        self._saved = 0  # pictures whose looks are on the disk
        self._parts = 0

    def note(self, second: float, name: str | None) -> None:
        """A moment was looked at; ``name`` is the picture kept of it, None where none was."""
        self.second = second
        if name is not None:
            self.names.append(name)

    def save(self, looks: "Looks", done: bool = False) -> None:
        """Put on the disk what is new in ``looks``, which waits for nothing."""
        rows = slice(self._saved, len(looks.seen))
        part = [
            {
                "boxes": boxes, "seen": [[asdict(each) for each in gauge] for gauge in seen], "lost": looks.lost.get(row),
                "strips": looks.memory.written(row, looks.panel.gauges),
            }
            for row, (boxes, seen) in enumerate(zip(looks.boxes[rows], looks.seen[rows]), self._saved)
        ]  # fmt: skip
        if part:
            write_atomically(self.folder / f"seen-{self._parts:05d}.json", json.dumps(part))
            self._parts += 1
        self._saved, self.done = len(looks.seen), done
        state = {**self._key, "second": self.second, "names": self.names, "parts": self._parts, "done": done}
        write_atomically(self.folder / STATE, json.dumps(state))

    def restore(self, looks: "Looks") -> None:
        """Take up what an earlier run of the same recording, panel and interval left; nothing where anything about it is odd."""
        try:
            state = json.loads((self.folder / STATE).read_text("utf-8"))
            if any(state.get(key) != value for key, value in self._key.items()):
                return
            rows = [row for part in range(state["parts"]) for row in json.loads((self.folder / f"seen-{part:05d}.json").read_text("utf-8"))]
            names, second = [str(name) for name in state["names"]], float(state["second"])
            seen = [[tuple(_seen(each) for each in gauge) for gauge in row["seen"]] for row in rows]
            boxes = [[None if box is None else tuple(int(side) for side in box) for box in row["boxes"]] for row in rows]
            whole = len(rows) == len(names) and all((self.folder / name).is_file() and Path(name).name == name for name in names)
            gauges = list(looks.panel.gauges)
            if not whole or any(len(row) != len(gauges) for row in (*seen, *boxes)):
                return
            memory = GlyphMemory()
            for place, (row, looked) in enumerate(zip(rows, seen)):
                for name, strip in row["strips"].items():
                    memory.take_up(place, name, strip, looked[gauges.index(name)][0])
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return  # half a folder, or another program's: it is read anew
        looks.seen, looks.boxes, looks.memory = seen, boxes, memory
        looks.lost = {place: str(row["lost"]) for place, row in enumerate(rows) if row["lost"] is not None}
        self.names, self.second, self.done = names, second, bool(state["done"])
        self._saved, self._parts = len(rows), int(state["parts"])

    def last_picture(self) -> "np.ndarray":
        """The picture kept last."""
        try:
            return open_image(self.folder / self.names[-1])
        except AnalyserError as error:
            raise AnalyserError(f"{error}. remove the folder {self.folder} to read the recording anew") from error


def _seen(given: dict) -> Seen:
    made = dict(given)
    made["texts"] = tuple((str(text), float(weight)) for text, weight in made.get("texts") or ())
    made["figures"] = _seen(made["figures"]) if made.get("figures") else None
    made["second"] = Line(**made["second"]) if made.get("second") else None
    if made.get("reading"):
        reading = dict(made["reading"])
        reading["candidates"] = tuple(Candidate(**each) for each in reading.get("candidates") or ())
        made["reading"] = GaugeReading(**reading)
    return Seen(**made)
