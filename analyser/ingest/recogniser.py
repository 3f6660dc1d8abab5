"""Our own recogniser of read-outs: two small convolutional networks run through OpenCV, a quick one that looks at every crop
and a deep one for those that the first is not sure of, searched along a grammar.

Only texts that the gauge can show come out. See ``analyser/ingest/training`` for how the networks were made, ``beam`` for
how their columns become texts, ``looks`` for what is done where one look leaves doubt, and ``trust`` for how scores become probabilities.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.automaton import Automaton
from analyser.ingest.beam import ALPHABET, CLASSES, UNREADABLE, Spelling, best_path, folded, glances, search, shows_nothing
from analyser.ingest.images import load_opencv
from analyser.ingest.looks import doubtful, joined, otherwise
from analyser.ingest.trust import SURE, after_a_glance

if TYPE_CHECKING:
    import numpy as np

__all__ = ["ALPHABET", "CLASSES", "UNREADABLE", "Recognition", "Spelling", "best_path", "recognise", "score", "search", "shares_of", "to_strip"]

HEIGHT = 32  # pixels of the network's input
MIN_WIDTH, MAX_WIDTH = 16, 384
STEP = 8  # widths of strips are multiples of this
CELL = 2  # pixels of a cell each way, which goes in as one place with a channel for each of its pixels
BARE = 0.04  # of the whole range of grey: a column that differs less from the outermost shows nothing
MARGIN = 8  # columns kept beside the text
RIM = 3  # columns at either end where a bezel may reach in
WEIGHTS = Path(__file__).parent / "weights"
QUICK, DEEP = "quick", "deep"
BATCH = 16  # crops in one go
CERTAIN = 1e-2  # risk below which no other text is sought


def to_strip(crop: "np.ndarray") -> "np.ndarray":
    """A crop as the network takes it.

    Parameters
    ----------
    crop : ndarray, (height, width), uint8

    Returns
    -------
    ndarray, (HEIGHT, width'), float32
        Mean 0, standard deviation 1; width' a multiple of STEP. Bare glass at either end is left out but for a margin.
    """
    cv2 = load_opencv()
    scale = HEIGHT / crop.shape[0]
    width = int(min(max(STEP * round(crop.shape[1] * scale / STEP), MIN_WIDTH), MAX_WIDTH))
    strip = cv2.resize(crop, (width, HEIGHT), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    start, end = _written(strip)
    strip = strip[:, start:end]
    mean, spread = cv2.meanStdDev(strip)
    factor = 1 / (float(spread[0, 0]) + 4.0)
    return cv2.addWeighted(strip, factor, strip, 0.0, -float(mean[0, 0]) * factor, dtype=cv2.CV_32F)


def _written(strip: "np.ndarray") -> tuple[int, int]:
    """First and last column (one beyond) to be read: ends whose every column looks like the outermost are bare glass."""
    cv2 = load_opencv()
    width = strip.shape[1]
    if width < 3 * MIN_WIDTH:
        return 0, width
    soft = cv2.blur(strip, (3, 3))
    low, high, *_ = cv2.minMaxLoc(soft)
    least = max(3.0, BARE * (high - low))
    left, right = (
        (cv2.reduce(cv2.absdiff(soft, cv2.copyMakeBorder(soft[:, edge : edge + 1], 0, 0, 0, width - 1, cv2.BORDER_REPLICATE)), 0, cv2.REDUCE_MAX)[0] > least).nonzero()[0]
        for edge in (RIM, width - 1 - RIM)
    )
    left, right = left[left > RIM], right[right < width - 1 - RIM]
    if not len(left) or not len(right):
        return 0, width
    start = max(0, int(left[0]) - MARGIN)
    end = min(width, int(right[-1]) + 1 + MARGIN)
    wanted = min(width, max(MIN_WIDTH, STEP * math.ceil((end - start) / STEP)))
    start = min(start, width - wanted)
    return start, start + wanted


@dataclass(frozen=True)
class Recognition:
    """What the networks make of one crop.

    ``spellings``: texts of the grammar, likeliest first; ``raw``: the likeliest text, grammar or not ("?" marks a
    character that is there and can't be made out); ``glanced``, ``risk``: what the quick network made of it and how probably it
    is something else; ``deep``: whether the deep one was asked (else ``spellings`` and ``raw`` are the quick one's); ``figures``: what it made of the figures
    alone, where that was asked for.
    """

    spellings: tuple[Spelling, ...]
    raw: str
    glanced: str
    risk: float
    deep: bool
    figures: Recognition | None = None


@lru_cache(maxsize=2)
def _network(name: str):
    import numpy as np

    cv2 = load_opencv()
    path = WEIGHTS / f"{name}.onnx"
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise AnalyserError(f"{path}: the recogniser's weights are missing; install the analyser again") from error
    return cv2.dnn.readNetFromONNX(data)


def score(crops: list["np.ndarray"], name: str = DEEP) -> list["np.ndarray"]:
    """For each crop the natural logarithms of class probabilities, (columns, CLASSES), by the network of that name."""
    import numpy as np

    return [np.log(np.maximum(shares, 1e-30)) for shares in shares_of([to_strip(crop) for crop in crops], name)]


def shares_of(strips: list["np.ndarray"], name: str) -> list["np.ndarray"]:
    """For each strip, as :func:`to_strip` makes them, class probabilities by the network of that name, (columns, CLASSES)."""
    import numpy as np

    network = _network(name)
    by_width: dict[int, list[int]] = {}
    for index, strip in enumerate(strips):
        by_width.setdefault(strip.shape[1], []).append(index)
    results: list = [None] * len(strips)
    for indices in by_width.values():
        for start in range(0, len(indices), BATCH):
            part = indices[start : start + BATCH]
            network.setInput(_cells(np.stack([strips[index] for index in part])))
            scores = network.forward()  # (crops, two columns' classes, 1, places)
            scores = scores.reshape(len(part), -1, CLASSES, scores.shape[-1]).transpose(0, 2, 3, 1).reshape(len(part), CLASSES, -1)
            scores -= scores.max(axis=1, keepdims=True)
            np.exp(scores, out=scores)
            scores /= scores.sum(axis=1, keepdims=True)
            for index, one in zip(part, scores):
                results[index] = one.T
    return results


def _cells(strips: "np.ndarray") -> "np.ndarray":
    """Strips, (n, HEIGHT, width), as (n, CELL * CELL, HEIGHT / CELL, width / CELL): a channel for each pixel of a cell, row by row."""
    import numpy as np

    n, height, width = strips.shape
    parts = strips.reshape(n, height // CELL, CELL, width // CELL, CELL).transpose(0, 2, 4, 1, 3)
    return np.ascontiguousarray(parts).reshape(n, CELL * CELL, height // CELL, width // CELL)


def recognise(crops: list["np.ndarray"], automaton: Automaton, sure: float = SURE, figures: Automaton | None = None) -> list[Recognition]:
    """Read crops of one gauge: the quick network looks at all, the deep one at those that it is not sure of, and in several ways where a
    first deep look leaves doubt.

    Parameters
    ----------
    crops : list of ndarray, (height, width), uint8
    automaton : Automaton
        Of the gauge's grammar, over ALPHABET.
    sure : float, optional
        Probability at which the quick look is enough; above 1 it never is.
    figures : Automaton, optional
        Of the same grammar whatever the unit: what the deep looks make of the figures alone is told too.
    """
    places: dict[tuple, int] = {}  # a gauge that shows the same to the pixel is read once
    first = [places.setdefault((crop.shape, crop.tobytes()), len(places)) for crop in crops]
    once = _recognised([crops[first.index(place)] for place in range(len(places))], automaton, sure, figures)
    return [once[place] for place in first]


def _recognised(crops: list["np.ndarray"], automaton: Automaton, sure: float, figures: Automaton | None) -> list[Recognition]:
    strips = [to_strip(crop) for crop in crops]
    quick = shares_of(strips, QUICK)
    found: list = []
    for text, risk in glances([folded(shares, automaton.shown) for shares in quick]):
        allowed = automaton.accepts(text)
        ready = (allowed or shows_nothing(text)) and after_a_glance(risk, text) >= sure
        found.append(Recognition((Spelling(text, math.log1p(-risk)),) if ready and allowed else (), text, text, risk, not ready))
    again = [index for index, one in enumerate(found) if one.deep]
    looks = {index: [shares] for index, shares in zip(again, shares_of([strips[index] for index in again], DEEP))}
    for index, one in zip(again, _looked([found[index] for index in again], [looks[index] for index in again], automaton)):
        found[index] = one
    unsure = [index for index in again if doubtful(found[index].spellings)]
    others = shares_of([seen for index in unsure for seen in otherwise(strips[index])], DEEP)
    each = len(others) // max(len(unsure), 1)
    for place, index in enumerate(unsure):
        looks[index] += others[each * place : each * (place + 1)]
        found[index] = _joined(found[index], looks[index], automaton)
    if figures:
        first = [replace(found[index], glanced=text, risk=risk) for index, (text, risk) in zip(again, glances([folded(quick[index], figures.shown) for index in again]))]
        for index, one in zip(again, _looked(first, [looks[index] for index in again], figures)):
            found[index] = replace(found[index], figures=_joined(one, looks[index], figures) if len(looks[index]) > 1 else one)
    return found


def _looked(first: list[Recognition], looks: list[list["np.ndarray"]], automaton: Automaton) -> list[Recognition]:
    """What the first deep look at each crop says."""
    import numpy as np

    shares = [folded(each[0], automaton.shown) for each in looks]
    found = []
    for one, columns, (text, risk) in zip(first, shares, glances(shares)):
        if risk < CERTAIN and automaton.accepts(text):
            found.append(replace(one, spellings=(Spelling(text, math.log1p(-risk)),), raw=text))
        else:
            found.append(replace(one, spellings=search(np.log(np.maximum(columns, 1e-30)), automaton), raw=best_path(columns)))
    return found


def _joined(one: Recognition, looks: list["np.ndarray"], automaton: Automaton) -> Recognition:
    """The same with what all looks at the crop say."""
    return replace(one, spellings=joined([folded(look, automaton.shown) for look in looks], one.spellings, automaton)) if one.spellings else one
