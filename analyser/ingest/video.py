"""A recording becomes screenshots: one at a chosen interval, or one wherever a read-out changed.

Sampled pictures are kept in a folder, so that every value leads back to one, together with what was seen in them so far: a run
that was stopped goes on where it was.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from threading import Event, Thread
from typing import TYPE_CHECKING

from analyser.errors import ImageError, InputError
from analyser.files import make_folder, write_atomically
from analyser.flight import Readings
from analyser.ingest.changes import Changes, picture_changed, small
from analyser.ingest.images import MAX_PIXELS, MAX_SIDE, load_opencv
from analyser.ingest.panel import load_panel
from analyser.ingest.progress import Kept
from analyser.ingest.screenshots import CHUNK, Looks

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.decode import Motion

SUFFIXES = (".mp4", ".mkv", ".webm", ".avi", ".mov", ".m4v", ".mpg", ".ts")
EVERY = 1.0  # seconds between samples where nothing else is asked for
GLANCE = 0.2  # seconds between looks for a change
MOST_SAMPLES = 20_000  # pictures of one recording: some gigabytes on the disk
QUALITY = 95  # of the JPEGs kept
WAITING = 3  # frames decoded ahead


@dataclass(frozen=True)
class Sample:
    """A frame of a recording and the second at which it was shown."""

    second: float
    frame: "np.ndarray"


def read_video(
    panel_path: str | Path,
    video_path: str | Path,
    folder: str | Path,
    every: float | None = None,
    progress: Callable[[int, int], None] | None = None,
    motion: "Motion | None" = None,
    on_change: bool = False,
) -> Readings:
    """Read a recording of a panel as screenshots.

    Parameters
    ----------
    panel_path, video_path : path-like
        The panel file; a recording in any form that OpenCV decodes.
    folder : path-like
        Where the sampled pictures are kept, named by their second, with what was seen in them. ``row`` in the result counts them.
        A run that was stopped goes on where it was; a finished one is not done again while recording, panel and interval stay the same.
    every : float, optional
        Seconds between samples, on which nothing is kept where the picture did not change; with ``on_change`` seconds between
        looks for a change. Default 1, with ``on_change`` 0.2.
    progress : callable, optional
        Called with (done, all) after each sample; all is 0 where the recording does not say how long it is.
    motion : callable, optional
        See :func:`analyser.ingest.screenshots.read_screenshots`.
    on_change : bool
        Keep a picture wherever what a read-out shows changed (any gauge, on a panel without read-outs).

    Raises
    ------
    ImageError
        No such file, no recording, frames too large, or nothing in it that could be decoded.
    InputError
        An interval that is not a positive number, or so short that more than MOST_SAMPLES pictures would be kept.
    OutputError
        The folder can't be written.
    """
    every = every if every is not None else GLANCE if on_change else EVERY
    if not (math.isfinite(every) and every > 0):
        raise InputError(f"found {every!r}; the interval between samples is a number of seconds above 0", place="interval")
    panel = load_panel(panel_path)
    looks = Looks(panel)
    video_path, folder = Path(video_path), Path(folder)
    with Recording(video_path) as recording:
        if recording.seconds / every > MOST_SAMPLES and not on_change:
            raise InputError(
                f"{recording.seconds:.0f} s sampled every {every:g} s are more than the {MOST_SAMPLES} pictures that are kept; take a longer "
                "interval, or where a read-out changes only", video_path,
            )  # fmt: skip
        make_folder(folder)
        kept = Kept(folder, video_path, [panel.path, panel.reference], every, on_change)
        kept.restore(looks)
        if not kept.done:
            _read(recording, looks, kept, every, Changes(panel) if on_change else None, progress)
    if not kept.names:
        raise ImageError("no frame of it can be decoded; convert it to MP4 (H.264)", video_path)
    return looks.readings(kept.names, motion)


def kept_pictures(folder: str | Path, names) -> list[Path]:
    """The pictures that ``read_video`` kept in ``folder``, by the names that its readings give as their sources."""
    return [path for name in dict.fromkeys(names) if (path := Path(folder) / name).is_file()]


def _read(recording: "Recording", looks: Looks, kept: Kept, every: float, changes: Changes | None, progress) -> None:
    all_samples = max(1, int(recording.seconds / every)) if recording.seconds else 0
    last = None
    if kept.names:  # a stopped run goes on: with the picture that it kept last before its eyes
        before = kept.last_picture()
        last = small(before)
        if changes is not None:
            changes.seen(before, looks.find(before))
    fresh = 0
    with ThreadPoolExecutor(1) as writer:
        writing: list[Future] = []
        for sample in recording.samples(every, kept.second):
            if len(kept.names) >= MOST_SAMPLES:
                raise InputError(f"more than {MOST_SAMPLES} changes in it; read it at an interval instead", recording.path)
            view = None
            if changes is not None:
                view = looks.find(sample.frame)
                wanted = changes.seen(sample.frame, view)
            else:
                now = small(sample.frame)
                wanted = last is None or picture_changed(last, now)
                last = now if wanted else last
            if wanted:
                looks.add(sample.frame, view)
                name = f"frame-{sample.second:010.3f}.jpg"
                writing.append(writer.submit(_write, kept.folder / name, sample.frame))
                if len(writing) > WAITING:
                    writing.pop(0).result()
                fresh += 1
            kept.note(sample.second, name if wanted else None)
            if fresh >= CHUNK:
                _settle(writing)
                looks.flush()
                kept.save(looks)
                fresh = 0
            if progress:
                progress(min(round(sample.second / every) + 1, all_samples or 10**9), all_samples)
        _settle(writing)
        looks.flush()
        kept.save(looks, done=True)


def _settle(writing: list[Future]) -> None:
    while writing:
        writing.pop(0).result()


def _write(path: Path, frame: "np.ndarray") -> None:
    cv2 = load_opencv()
    done, data = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise ImageError("this frame can't be written as JPEG", path)
    write_atomically(path, data.tobytes())  # never half a picture, also when interrupted


class Recording:
    """An open recording; a context manager. ``seconds`` is its length, 0 where it does not say."""

    def __init__(self, path: Path):
        if not path.is_file():
            raise ImageError("there is no such recording; check the name", path)
        cv2 = load_opencv()
        self.path = path
        self._file = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        rate, frames = self._file.get(cv2.CAP_PROP_FPS), self._file.get(cv2.CAP_PROP_FRAME_COUNT)
        width, height = self._file.get(cv2.CAP_PROP_FRAME_WIDTH), self._file.get(cv2.CAP_PROP_FRAME_HEIGHT)
        try:
            if not self._file.isOpened() or not 0 < rate < 10_000 or width < 1:
                raise ImageError("this is no recording that can be decoded here; convert it to MP4 (H.264)", path)
            if width > MAX_SIDE or height > MAX_SIDE or width * height > MAX_PIXELS:
                raise ImageError(f"its frames are {width:.0f} x {height:.0f} pixels, more than can be read", path)
        except ImageError:
            self._file.release()
            raise
        self.rate = rate
        self.seconds = frames / rate if 0 < frames < 1e9 else 0.0

    def __enter__(self) -> "Recording":
        return self

    def __exit__(self, *_) -> None:
        self._file.release()

    def samples(self, every: float, after: float = -math.inf) -> Iterator[Sample]:
        """Frames ``every`` seconds apart, those later than ``after``; decoded ahead in a thread of their own."""
        queue: Queue = Queue(WAITING)
        stop = Event()

        def decode() -> None:
            try:
                for sample in self._frames(every, after):
                    queue.put(sample)
                    if stop.is_set():
                        return
                queue.put(None)
            except BaseException as error:  # handed to the thread that waits, which raises it
                queue.put(error)

        thread = Thread(target=decode, daemon=True)
        thread.start()
        try:
            while (sample := queue.get()) is not None:
                if isinstance(sample, BaseException):
                    raise sample
                yield sample
        finally:
            stop.set()
            while thread.is_alive():
                if not queue.empty():
                    queue.get()
                thread.join(0.01)

    def _frames(self, every: float, after: float) -> Iterator[Sample]:
        cv2 = load_opencv()
        index, step = 0, round(math.floor(after / every)) + 1 if after > -math.inf else 0
        if step > 0:  # go to a little before where it stopped; what lies before is passed over if the recording can't
            self._file.set(cv2.CAP_PROP_POS_MSEC, max(0.0, after - 2.0) * 1000)
            index = max(0, round(self._file.get(cv2.CAP_PROP_POS_FRAMES)))
        while self._file.grab():  # every frame is decoded, but turned into a picture only where it is wanted
            shown = self._file.get(cv2.CAP_PROP_POS_MSEC) / 1000
            second = shown if shown > 0 else index / self.rate  # frames need not be evenly spaced
            index += 1
            if second + 0.5 / self.rate < step * every or second <= after:
                continue
            step = math.floor((second + 0.5 / self.rate) / every) + 1
            done, frame = self._file.retrieve()
            if done:
                yield Sample(second, frame)
