"""Our own recogniser of read-outs: a small convolutional network whose columns are scored by connectionist temporal
classification (Graves, Fernandez, Gomez & Schmidhuber 2006), run through OpenCV, searched along a grammar.

Only texts that the gauge can show come out, each with a probability that was calibrated on fonts that the network
was not trained on. See ``analyser/ingest/training`` for how it was made.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.automaton import DEAD, Automaton
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

#: Characters the network knows; class 0 is the blank, class i + 1 the i-th of these, the last one UNREADABLE.
ALPHABET = " 0123456789.,:+-'%°/²ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
UNREADABLE = "?"  # a character that is there but cut, covered or blinded
CLASSES = len(ALPHABET) + 2
HEIGHT = 32  # pixels of the network's input
MIN_WIDTH, MAX_WIDTH = 16, 384
WEIGHTS = Path(__file__).parent / "weights" / "recogniser.onnx"
CALIBRATION = Path(__file__).parent / "weights" / "recogniser.json"
BEAM = 12  # texts followed at a time
FAINT = -9.0  # log probability below which a character in a column is not followed
SURE_BLANK = -0.002  # log probability above which a column is taken for blank by every text


def to_strip(crop: "np.ndarray") -> "np.ndarray":
    """A crop as the network takes it.

    Parameters
    ----------
    crop : ndarray, (height, width), uint8

    Returns
    -------
    ndarray, (HEIGHT, width'), float32
        Mean 0, standard deviation 1; width' a multiple of 16.
    """
    import numpy as np

    cv2 = load_opencv()
    scale = HEIGHT / crop.shape[0]
    width = int(min(max(16 * round(crop.shape[1] * scale / 16), MIN_WIDTH), MAX_WIDTH))
    strip = cv2.resize(crop, (width, HEIGHT), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC).astype(np.float32)
    return (strip - strip.mean()) / (strip.std() + 4.0)


@dataclass(frozen=True)
class Spelling:
    """A text that a crop may show, and the natural logarithm of its probability among all texts whatever."""

    text: str
    weight: float


@dataclass(frozen=True)
class Recognition:
    """What the network makes of one crop.

    ``spellings``: texts of the grammar, likeliest first; ``raw``: the likeliest text, grammar or not ("?" marks a
    character that is there and can't be made out); ``mass``: probability of all texts of the grammar together.
    """

    spellings: tuple[Spelling, ...]
    raw: str
    mass: float


@lru_cache(maxsize=1)
def _network():
    import numpy as np

    cv2 = load_opencv()
    try:
        data = np.frombuffer(WEIGHTS.read_bytes(), np.uint8)
    except OSError as error:
        raise AnalyserError(f"{WEIGHTS}: the recogniser's weights are missing; install the analyser again") from error
    return cv2.dnn.readNetFromONNX(data)


@lru_cache(maxsize=1)
def calibration() -> dict:
    """Numbers that turn the network's scores into honest probabilities."""
    return json.loads(CALIBRATION.read_text(encoding="utf-8"))


def score(crops: list["np.ndarray"]) -> list["np.ndarray"]:
    """For each crop the natural logarithms of class probabilities, (columns, CLASSES)."""
    import numpy as np

    network = _network()
    strips = [to_strip(crop) for crop in crops]
    by_width: dict[int, list[int]] = {}
    for index, strip in enumerate(strips):
        by_width.setdefault(strip.shape[1], []).append(index)
    results: list = [None] * len(crops)
    for indices in by_width.values():
        for start in range(0, len(indices), 16):
            part = indices[start : start + 16]
            network.setInput(np.stack([strips[index] for index in part])[:, None])
            scores = network.forward()
            scores = scores.reshape(len(part), CLASSES, -1).transpose(0, 2, 1).astype(np.float64) / calibration()["temperature"]
            scores -= scores.max(axis=2, keepdims=True)
            scores -= np.log(np.exp(scores).sum(axis=2, keepdims=True))
            for index, one in zip(part, scores):
                results[index] = one
    return results


def recognise(crops: list["np.ndarray"], automaton: Automaton) -> list[Recognition]:
    """Read crops of one gauge.

    Parameters
    ----------
    crops : list of ndarray, (height, width), uint8
    automaton : Automaton
        Of the gauge's grammar, over ALPHABET.
    """
    return [
        Recognition(spellings := search(logs, automaton), best_path(logs), min(1.0, sum(math.exp(each.weight) for each in spellings)))
        for logs in score(crops)
    ]


def best_path(logs: "np.ndarray") -> str:
    """The likeliest class of each column, runs joined, blanks dropped."""
    path = logs.argmax(axis=1)
    letters = ALPHABET + UNREADABLE
    return "".join(letters[c - 1] for i, c in enumerate(path) if c and (i == 0 or c != path[i - 1])).strip()


def search(logs: "np.ndarray", automaton: Automaton, width: int = BEAM) -> tuple[Spelling, ...]:
    """Texts of the grammar by probability: a prefix beam search (Hannun, Maas, Jurafsky & Ng 2014) along the automaton.

    Each text followed keeps the probability of ending in a blank and of ending in its last character, since only
    with a blank between can a character come twice.
    """
    nothing = -math.inf
    table = automaton.table
    beams: dict[str, tuple[float, float, int]] = {"": (0.0, nothing, 0)}  # text -> (blank, not blank, state)
    last_class = len(ALPHABET)
    for row in logs:
        blank = float(row[0])
        if blank > SURE_BLANK:
            beams = {text: (_add(a, b) + blank, nothing, state) for text, (a, b, state) in beams.items()}
            continue
        seen = [int(index) for index in (row[1 : last_class + 1] > FAINT).nonzero()[0]]
        chances = [(index, ALPHABET[index], float(row[index + 1])) for index in seen]
        grown: dict[str, list] = {}

        def give(text: str, state: int, ends_blank: float, ends_letter: float) -> None:
            entry = grown.get(text)
            if entry is None:
                grown[text] = [ends_blank, ends_letter, state]
            else:
                entry[0], entry[1] = _add(entry[0], ends_blank), _add(entry[1], ends_letter)

        for text, (a, b, state) in beams.items():
            both = _add(a, b)
            give(text, state, both + blank, nothing)
            final = text[-1:]
            if final:
                again = float(row[ALPHABET.index(final) + 1])
                if again > 2 * FAINT:
                    give(text, state, nothing, b + again)
            moves = table[state]
            for index, letter, chance in chances:
                following = int(moves[index])
                if following != DEAD:
                    give(text + letter, following, nothing, (a if letter == final else both) + chance)
        best = sorted(grown.items(), key=lambda item: -_add(item[1][0], item[1][1]))[:width]
        beams = {text: tuple(entry) for text, entry in best}
    found = [
        Spelling(text.strip(), _add(a, b)) for text, (a, b, state) in beams.items() if automaton.accepting[state] and _add(a, b) > -60
    ]
    return tuple(sorted(found, key=lambda each: -each.weight))


def _add(a: float, b: float) -> float:
    """log(exp(a) + exp(b))."""
    if a < b:
        a, b = b, a
    return a if b == -math.inf else a + math.log1p(math.exp(b - a))


def honest_probability(share: float, mass: float, text: str, raw: str) -> float:
    """Probability that the likeliest value is right.

    Parameters
    ----------
    share : float
        Its part of the probability of all texts of the grammar.
    mass : float
        Probability of all texts of the grammar.
    text, raw : str
        The likeliest text of the grammar, and of all; where they differ, or where ``raw`` holds characters that can't
        be made out, that counts against the value.
    """
    weights = calibration()["logistic"]
    score_ = sum(weight * value for weight, value in zip(weights, evidence(share, mass, text, raw)))
    return 1 / (1 + math.exp(-max(-40.0, min(40.0, score_))))


def evidence(share: float, mass: float, text: str, raw: str) -> tuple[float, ...]:
    """What the probability of a value is reckoned from."""
    return (
        1.0,
        _logit(share),
        _logit(share * mass),
        float(text.replace(" ", "") != raw.replace(" ", "")),
        float(UNREADABLE in raw),
    )


def _logit(share: float) -> float:
    share = min(max(share, 1e-4), 1 - 1e-4)  # beyond this the network's own certainty says no more
    return math.log(share / (1 - share))
