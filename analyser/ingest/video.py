"""A recording becomes screenshots: one at a chosen interval, and only where the picture changed."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import ImageError, InputError, OutputError
from analyser.flight import Readings
from analyser.ingest.images import MAX_PIXELS, MAX_SIDE, load_opencv
from analyser.ingest.screenshots import read_screenshots

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.decode import Motion

SUFFIXES = (".mp4", ".mkv", ".webm", ".avi", ".mov", ".m4v", ".mpg", ".ts")
UNCHANGED = 6.0  # grey levels: where no block of the picture changed by more than this, nothing did
BLOCK = 8  # pixels of a block, in a picture 640 across


def read_video(
    panel_path: str | Path,
    video_path: str | Path,
    folder: str | Path,
    every: float = 1.0,
    progress: Callable[[int, int], None] | None = None,
    motion: "Motion | None" = None,
) -> Readings:
    """Read a recording of a panel as screenshots taken every ``every`` seconds.

    Parameters
    ----------
    panel_path, video_path : path-like
        The panel file; a recording in any form that OpenCV decodes.
    folder : path-like
        Where the sampled pictures are kept (``row`` in the result counts them by name, and reports cut crops from them).
        Pictures already there are not sampled again: an interrupted run goes on where it stopped.
    every : float
        Seconds of the recording between samples; samples on which nothing changed are left out.
    progress : callable, optional
        Called with (done, all).
    motion : callable, optional
        See :func:`analyser.ingest.screenshots.read_screenshots`.
    """
    paths = sample_video(video_path, folder, every, progress)
    return read_screenshots(panel_path, paths, progress, motion=motion)


def sample_video(
    video_path: str | Path, folder: str | Path, every: float = 1.0, progress: Callable[[int, int], None] | None = None
) -> list[Path]:
    """Pictures from a recording, one every ``every`` seconds where something changed; their names hold the second.

    Raises
    ------
    ImageError
        No such file, no recording, or frames too large.
    InputError
        An interval that is not a positive number.
    OutputError
        The folder can't be written.
    """
    video_path, folder = Path(video_path), Path(folder)
    if not (math.isfinite(every) and every > 0):
        raise InputError(f"found {every!r}; the interval between samples is a number of seconds above 0", place="interval")
    if not video_path.is_file():
        raise ImageError("there is no such recording; check the name", video_path)
    cv2 = load_opencv()
    recording = cv2.VideoCapture(str(video_path))
    try:
        frames, rate = recording.get(cv2.CAP_PROP_FRAME_COUNT), recording.get(cv2.CAP_PROP_FPS)
        width, height = recording.get(cv2.CAP_PROP_FRAME_WIDTH), recording.get(cv2.CAP_PROP_FRAME_HEIGHT)
        if not recording.isOpened() or not 0 < rate < 1000 or width < 1:
            raise ImageError("this is no recording that can be decoded here; convert it to MP4 (H.264)", video_path)
        if width > MAX_SIDE or height > MAX_SIDE or width * height > MAX_PIXELS:
            raise ImageError(f"its frames are {width:.0f} x {height:.0f} pixels, more than can be read", video_path)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return _sample(recording, folder, every, rate, frames, progress)
        except OSError as error:
            raise OutputError(f"sampled pictures can't be kept here ({error.strerror})", folder) from error
    finally:
        recording.release()


def _sample(recording, folder: Path, every: float, rate: float, frames: float, progress) -> list[Path]:
    samples = max(1, int(frames / rate / every)) if frames > 0 else 0
    kept: list[Path] = []
    last = None
    index, due = 0, 0.0
    while recording.grab():  # decoding every frame is not needed, passing over it is
        second = index / rate
        index += 1
        if second + 0.5 / rate < due:
            continue
        number = round(due / every)
        due += every
        done, frame = recording.retrieve()
        if not done:
            continue
        small = _small(frame)
        if last is None or _changed(last, small):
            last = small
            path = folder / f"frame-{second:010.3f}.png"
            if not path.exists():
                _write(path, frame)
            kept.append(path)
        if progress:
            progress(min(number + 1, samples) if samples else number + 1, samples or number + 1)
    return kept


def _small(frame: "np.ndarray") -> "np.ndarray":
    import numpy as np

    cv2 = load_opencv()
    grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
    size = (640, max(BLOCK, round(640 * grey.shape[0] / grey.shape[1])))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.int16)


def _changed(before: "np.ndarray", now: "np.ndarray") -> bool:
    import numpy as np

    cv2 = load_opencv()
    difference = np.abs(now - before).astype(np.float32)
    blocks = cv2.resize(difference, (difference.shape[1] // BLOCK, difference.shape[0] // BLOCK), interpolation=cv2.INTER_AREA)
    return float(blocks.max()) > UNCHANGED


def _write(path: Path, frame: "np.ndarray") -> None:
    cv2 = load_opencv()
    done, data = cv2.imencode(".png", frame, [cv2.IMWRITE_PNG_COMPRESSION, 2])
    if not done:
        raise OSError(0, "the frame can't be written as PNG")
    part = path.with_suffix(".part")
    part.write_bytes(data.tobytes())
    os.replace(part, path)  # never half a picture, also when interrupted
