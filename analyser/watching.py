"""Follows a growing table of readings or a folder of screenshots and hands out what is new, by polling.

The pilot's folder is only ever read. Half-written lines and pictures wait until they are whole; files that vanish or change under
one's hands are told of, never stumbled over.
"""

from __future__ import annotations

import hashlib
import math
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analyser.errors import AnalyserError, InputError, TableError
from analyser.fitting.following import Moment
from analyser.flight import QUANTITIES, Craft, World

PICTURES = {".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
_CONTEXT = 20  # lines before the new ones that are read with them, for what they prove of commas, units and bodies
_BATCH = 400  # lines read at a time
_PICTURES_AT_ONCE = 4  # read between two looks, so that a burst is told of bit by bit
_FULL_LOOK = 10  # looks: so often the whole folder is gone through although nothing came or went, for pictures written over
_SETTLED = 0.2  # s: a folder's own time stamp is trusted once it is that old, since it ticks coarsely
_QUIET = 0.6  # s: a last line without an end counts as whole when the file has rested that long
_TAIL = 256  # bytes before the new ones that must be as they were: else the table was edited, not continued


@dataclass(frozen=True)
class News:
    """What a look at the files brought: new moments, and what to tell."""

    moments: tuple[Moment, ...] = ()
    notes: tuple[str, ...] = ()
    restarted: bool = False  # the table was edited: the moments are all of it again


def moments_of(readings: Any) -> list[Moment]:
    """The rows of a readings table as moments."""
    columns = [name for name in QUANTITIES if name in readings.table.columns]
    found = []
    for row in readings.table.to_dict("records"):
        values = {}
        for name in columns:
            value, sigma = row[name], row.get(f"{name}_sigma", math.nan)
            if value is not None and math.isfinite(value):
                values[name] = (float(value), float(sigma) if sigma is not None and math.isfinite(sigma) else 0.0)
        met_sigma = row.get("met_sigma", 0.0)
        met_sigma = float(met_sigma) if met_sigma is not None and math.isfinite(met_sigma) else 0.0
        found.append(Moment(float(row["met"]), met_sigma, values, row.get("body") or "", row.get("source") or "", int(row.get("row") or 0),
                            row.get("event") or ""))  # fmt: skip
    return found


@dataclass
class TableTail:
    """New rows of a table that grows, or is saved again and again by an editor.

    Parameters
    ----------
    path : Path
        Need not exist yet.
    """

    path: Path
    craft: Craft | None = None
    world: World | None = None
    _offset: int = 0
    _header: bytes = b""
    _line: int = 0  # lines taken so far
    _context: list[bytes] = field(default_factory=list)
    _before: bytes = b""  # the last bytes taken
    _stamp: tuple = ()
    _changed: float = 0.0
    _missing: bool = False
    _taken: Any = None  # running digest of everything taken
    _warm: bool = False

    def poll(self) -> News:
        """What is new since the last look."""
        try:
            found = os.stat(self.path)
        except OSError:
            told = () if self._missing or not self._offset else (f"{self.path.name} is gone; waiting for it",)
            self._missing = True
            return News(notes=told)
        self._missing = False
        stamp = (found.st_mtime_ns, found.st_size, found.st_ino)
        now = time.monotonic()
        if stamp != self._stamp:
            self._stamp, self._changed = stamp, now
        elif found.st_size == self._offset or now - self._changed < _QUIET:
            return News()
        return self._read(whole=now - self._changed >= _QUIET)

    def warm(self) -> None:
        """While nothing comes: load what reading and fitting need, so that the first row need not wait for it."""
        if not self._warm:
            import analyser.fitting.orbit  # noqa: F401
            import analyser.ingest.tables  # noqa: F401

            self._warm = True

    def _read(self, whole: bool) -> News:
        try:
            with open(self.path, "rb") as file:
                restarted = not self._continues(file)
                if restarted:
                    restarted = self._start_again(file)
                file.seek(self._offset)
                fresh = file.read(4_000_000)
        except OSError as error:
            return News(notes=(f"{self.path.name}: {(error.strerror or 'unreadable').lower()}",))
        end = len(fresh) if whole else fresh.rfind(b"\n") + 1
        lines = fresh[:end].splitlines(keepends=True)
        if not lines:
            return News(restarted=restarted)
        self._taken = self._taken or hashlib.blake2b()
        self._taken.update(fresh[:end])
        self._offset += end
        self._before = (self._before + fresh[:end])[-_TAIL:]
        moments, notes = self._parse(lines)
        return News(tuple(moments), tuple(notes), restarted)

    def _continues(self, file: Any) -> bool:
        file.seek(self._offset - len(self._before))
        return file.read(len(self._before)) == self._before

    def _start_again(self, file: Any) -> bool:
        """The bytes just before the new ones are others: take the table from its start."""
        self._offset, self._line, self._header, self._before, self._taken = 0, 0, b"", b"", None
        self._context = []
        return True

    def _parse(self, lines: list[bytes]) -> tuple[list[Moment], list[str]]:
        moments: list[Moment] = []
        notes: list[str] = []
        for begin in range(0, len(lines), _BATCH):
            part = lines[begin : begin + _BATCH]
            if not self._header:
                skipped = [line for line in part if not line.strip() or line.lstrip().startswith(b"#")]
                rest = part[len(skipped) :] if part[: len(skipped)] == skipped else [line for line in part if line not in skipped]
                self._line += len(part) - len(rest)
                if not rest:
                    continue
                self._header, part = rest[0], rest[1:]
                self._line += 1
            self._take(part, moments, notes)
        return moments, notes

    def _take(self, part: list[bytes], moments: list[Moment], notes: list[str]) -> None:
        usable = [(self._line + number, line) for number, line in enumerate(part, 1) if line.strip() and not line.lstrip().startswith(b"#")]
        self._line += len(part)
        while usable:
            found, bad, problem = self._read_lines([line for _, line in usable])
            if problem and not bad:
                notes.append(f"line {usable[0][0]}: {problem}")
                return
            if not bad:
                numbered = {index: line for index, (line, _) in enumerate(usable)}
                moments += [_at_line(moment, numbered.get(index, moment.row)) for index, moment in found]
                self._context = (self._context + [line for _, line in usable])[-_CONTEXT:]
                return
            notes += [f"line {usable[index][0]}: {said}" for index, said in bad.items()]
            usable = [item for index, item in enumerate(usable) if index not in bad]

    def _read_lines(self, lines: list[bytes]) -> tuple[list[tuple[int, Moment]], dict[int, str], str]:
        """Moments by their place in ``lines``; what is wrong with some; what is wrong with all."""
        from analyser.ingest import read_table

        lead = [self._header, *self._context]
        content = b"".join(line if line.endswith(b"\n") else line + b"\n" for line in [*lead, *lines])
        handle, name = tempfile.mkstemp(suffix=".csv")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            readings = read_table(name, self.craft, self.world)
        except TableError as error:
            bad: dict[int, str] = {}
            for line, column, *_, wanted in error.cells:
                if line > len(lead):
                    bad.setdefault(line - len(lead) - 1, f"column {column!r}: {wanted}")
            return [], bad, error.problem
        except InputError as error:
            return [], {}, error.problem
        finally:
            os.unlink(name)
        found = [(moment.row - len(lead) - 1, moment) for moment in moments_of(readings)]
        return [(index, moment) for index, moment in sorted(found, key=lambda item: item[0]) if index >= 0], {}, ""


def _at_line(moment: Moment, line: int) -> Moment:
    from dataclasses import replace

    return replace(moment, row=line)


@dataclass
class FolderTail:
    """New screenshots of a folder.

    Parameters
    ----------
    folder, panel : Path
    read : callable, optional
        Reads pictures: (panel, paths) to Readings; the real reader by default.
    """

    folder: Path
    panel: Path
    craft: Craft | None = None
    read: Callable[..., Any] | None = None
    _seen: dict[str, tuple[int, int]] = field(default_factory=dict)
    _waiting: dict[str, tuple[tuple[int, int], float]] = field(default_factory=dict)
    _stamp: int = -1  # time stamp of the folder when all in it was seen; -1: not all was
    _looks: int = 0
    _warm: bool = False

    def poll(self) -> News:
        """What is new since the last look; a picture is taken when it is whole, or has rested for a while."""
        self._looks += 1
        try:
            changed = os.stat(self.folder).st_mtime_ns
            if changed == self._stamp and self._looks % _FULL_LOOK:
                return News()
            looked = time.time()
            ready, complete = self._look()
        except OSError:
            return News()
        self._stamp = changed if complete and looked - changed * 1e-9 > _SETTLED else -1
        return self._read(ready) if ready else News()

    def _look(self) -> tuple[list[Path], bool]:
        """Pictures to read now, and whether nothing else is left to look at."""
        ready: list[Path] = []
        for entry in sorted(os.scandir(self.folder), key=lambda entry: entry.name):
            if os.path.splitext(entry.name)[1].lower() not in PICTURES or entry.name.startswith("."):
                continue
            if len(ready) == _PICTURES_AT_ONCE:
                return ready, False
            try:
                found = entry.stat()
            except OSError:
                continue  # deleted since
            stamp = (found.st_size, found.st_mtime_ns)
            if self._seen.get(entry.name) == stamp:
                continue
            waited, since = self._waiting.get(entry.name, (None, 0.0))
            if _whole(Path(entry.path)) or (waited == stamp and time.monotonic() - since >= _QUIET):
                self._waiting.pop(entry.name, None)
                self._seen[entry.name] = stamp
                ready.append(Path(entry.path))
            elif waited != stamp:
                self._waiting[entry.name] = stamp, time.monotonic()
        return ready, not self._waiting

    def warm(self) -> None:
        """While nothing comes: read the panel's own picture once, so that the first screenshot need not wait for libraries to load."""
        if self._warm or self.read is not None:
            return
        from analyser.ingest.panel import load_panel

        self._warm = True
        _read_pictures(self.panel, [Path(load_panel(self.panel).reference)], self.craft)

    def _read(self, ready: list[Path]) -> News:
        moments: list[Moment] = []
        notes: list[str] = []
        there = [path for path in ready if path.exists()]
        self._warm = True
        try:
            self._take(there, moments, notes)
        except AnalyserError:  # one of them is bad: it must not spoil the others
            for path in there:
                try:
                    self._take([path], moments, notes)
                except AnalyserError as error:
                    notes.append(f"{path.name}: {getattr(error, 'problem', error)}")
        return News(tuple(moments), tuple(notes))

    def _take(self, paths: list[Path], moments: list[Moment], notes: list[str]) -> None:
        if not paths:
            return
        readings = (self.read or _read_pictures)(self.panel, paths, self.craft)
        found = moments_of(readings)
        moments += found
        doubts: dict[str, list[str]] = {}
        for item in doubtful(readings):
            doubts.setdefault(item.source, []).append(f"{item.column} ({item.reason})")
        notes += [f"{source}: doubtful, not used: {', '.join(columns)}" for source, columns in doubts.items()]
        sources = {moment.source for moment in found}
        notes += [f"{path.name}: not placed in time, or nothing could be read" for path in paths if path.name not in sources]


def doubtful(readings: Any) -> list[Any]:
    """Rows of ``readings.detail`` that a person has to look at, as tuples."""
    detail = readings.detail
    if "status" not in detail.columns:
        return []
    return list(detail[detail["status"] == "doubtful"].itertuples(index=False))


def _read_pictures(panel: Path, paths: list[Path], craft: Craft | None) -> Any:
    from analyser.ingest.screenshots import read_screenshots

    return read_screenshots(panel, paths, craft=craft)


_ENDS = {b"\x89PNG": b"IEND\xaeB`\x82", b"\xff\xd8": b"\xff\xd9"}
_LENGTHS = {b"RIFF": (4, 8), b"BM": (2, 0)}  # WebP (RFC 9649, section 2.4), BMP: where the file's length stands, and what it leaves out


def _whole(path: Path) -> bool:
    """Whether a picture ends as its kind must (PNG, JPEG), or is as long as it says (WebP, BMP)."""
    try:
        with open(path, "rb") as file:
            start = file.read(8)
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - 16))
            end = file.read()
    except OSError:
        return False
    for magic, (place, spare) in _LENGTHS.items():
        if start.startswith(magic):
            return size >= int.from_bytes(start[place : place + 4], "little") + spare > spare
    return any(start.startswith(magic) and last in end for magic, last in _ENDS.items())


def follow(tails: list[Any], interval: float, once: bool, sleep: Callable[[float], None] = time.sleep) -> Iterator[News]:
    """Look at every tail again and again; yields what is new, and an empty News after each idle round.

    ``once``: two looks (so that a last line without an end is taken), then the end.
    """
    rounds = 0
    while True:
        busy = False
        for tail in tails:
            news = tail.poll()
            if news.moments or news.notes:
                busy = True
                yield news
        rounds += 1
        if once and rounds > 1 and not busy:
            return
        if not busy:
            yield News()
            if not once:
                for tail in tails:
                    tail.warm()
            sleep(max(interval, _QUIET) if once else interval)


