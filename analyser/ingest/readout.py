"""Digital read-outs: crops of one gauge in, candidates with probabilities out.

Two readings of each crop that share no preprocessing must agree on the value, else it is doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest import ocr
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

ACCEPT = 0.55  # least confidence at which two passes of Tesseract that agree are believed


@dataclass(frozen=True)
class Candidate:
    """One thing that a gauge may say: the text on the glass, what it means in SI (for text gauges nan), the worth
    of the last digit, how likely it is, how many decimals it shows, and which decimal mark it proves."""

    text: str
    value: float
    step: float
    probability: float
    unit: str = ""
    decimals: int = 0
    mark: str = ""


@dataclass(frozen=True)
class GaugeReading:
    """What one gauge shows in one screenshot: candidates, likeliest first; ``doubt`` says in words why the first
    can't be trusted, "" where it can; ``raw`` is the text as seen, grammar or not."""

    candidates: tuple[Candidate, ...] = ()
    doubt: str = ""
    raw: str = ""

    @property
    def best(self) -> Candidate | None:
        """The likeliest candidate."""
        return self.candidates[0] if self.candidates else None


@dataclass(frozen=True)
class Seen:
    """What looks at one crop saw, before anything is made of it: for each look its texts with probabilities."""

    looks: tuple[tuple[tuple[str, float], ...], ...] = ()
    reading: GaugeReading | None = None  # set where nothing is left to interpret


def see_readouts(gauge: "Gauge", crops: list["np.ndarray"]) -> list[Seen]:
    """Look at one read-out in many screenshots.

    Parameters
    ----------
    gauge : Gauge
        Of kind "readout".
    crops : list of ndarray, (height, width), uint8
        Its rectified, grey picture in each screenshot.
    """
    if gauge.column in TEXTS:
        return [Seen(reading=reading) for reading in _read_words(gauge, crops)]
    characters = _characters(gauge)
    first = ocr.read_lines(crops, characters)
    second = ocr.read_lines([_second_view(crop) for crop in crops], characters)
    return [Seen((((one.text, one.confidence),), ((two.text, two.confidence),))) for one, two in zip(first, second)]


def _characters(gauge: "Gauge") -> str:
    grammar = gauge.grammar
    allowed = "0123456789.,:+-TdhmsMEG " if grammar.kind == "clock" else "0123456789.,+- "
    return allowed + "".join(sorted({letter for unit, _ in grammar.units for letter in unit} - set(allowed)))


def _second_view(crop: "np.ndarray") -> "np.ndarray":
    """The same crop seen otherwise: smoothed, then black and white."""
    import numpy as np

    cv2 = load_opencv()
    scale = max(1.0, 64 / crop.shape[0])
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    grey = cv2.GaussianBlur(cv2.resize(crop, size, interpolation=cv2.INTER_CUBIC), (0, 0), 1.2)
    _, hard = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return np.asarray(cv2.GaussianBlur(hard, (0, 0), 0.8))


def interpret(gauge: "Gauge", seen: Seen, mark: str) -> GaugeReading:
    """What the looks at one crop mean, once it is known which mark this panel uses for decimals ("": not known)."""
    if seen.reading is not None:
        return seen.reading
    raw = next((text for look in seen.looks for text, _ in look if text), "")
    values, candidates = [], []
    for look in seen.looks:
        found = []
        for text, probability in look:
            meanings = _meanings(gauge, text, mark)
            if len(meanings) > 1:
                return GaugeReading(
                    tuple(Candidate(text, each.value, each.step, probability / 2, each.unit) for each in meanings),
                    f"{text!r} could be thousands or decimals; say which in the panel file: decimal = \".\" or \",\"", raw,
                )  # fmt: skip
            found += [
                Candidate(text, each.value, each.step, probability / len(seen.looks), each.unit, each.decimals, each.mark)
                for each in meanings
            ]
        candidates += found
        values.append(merge(found)[0].value if found else None)
    merged = merge(candidates)
    if not merged:
        return GaugeReading((), f"{raw!r} is not what this gauge can show" if raw else "nothing could be read", raw)
    if len(set(values)) > 1:
        texts = " and ".join(repr(look[0][0]) if look else "nothing" for look in seen.looks)
        return GaugeReading(merged, f"looks at it disagree: {texts}", raw)
    if merged[0].probability < ACCEPT:
        return GaugeReading(merged, f"read with a confidence of {merged[0].probability:.0%} only", raw)
    return GaugeReading(merged, "", raw)


def _meanings(gauge: "Gauge", text: str, mark: str):
    for each in dict.fromkeys((text, text.replace(" ", ""))):
        shown = gauge.grammar.parse(each, mark)
        if shown:
            return shown
    return ()


def merge(candidates: list[Candidate]) -> tuple[Candidate, ...]:
    """Candidates of the same value and step made one, likeliest first."""
    found: dict[tuple[float, float], Candidate] = {}
    for each in candidates:
        key = (each.value, each.step)
        other = found.get(key)
        if other is None:
            found[key] = each
        else:
            likelier = each if each.probability > other.probability else other
            found[key] = Candidate(
                likelier.text, each.value, each.step, each.probability + other.probability, likelier.unit,
                likelier.decimals, likelier.mark or other.mark,
            )  # fmt: skip
    return tuple(sorted(found.values(), key=lambda each: -each.probability))


def _read_words(gauge: "Gauge", crops: list["np.ndarray"]) -> list[GaugeReading]:
    """Text gauges: Tesseract, and the nearest of the words that the panel file allows."""
    first = ocr.read_lines(crops)
    second = ocr.read_lines([_second_view(crop) for crop in crops])
    readings = []
    for one, two in zip(first, second):
        texts = [_nearest_word(line.text, gauge.words) for line in (one, two)]
        confidence = (one.confidence + two.confidence) / 2
        if not one.text and not two.text:
            readings.append(GaugeReading((), "nothing could be read", ""))
        elif texts[0] and texts[0] == texts[1] and (gauge.words or confidence >= 0.8):
            word = Candidate(texts[0], float("nan"), float("nan"), confidence if not gauge.words else max(confidence, 0.9))
            readings.append(GaugeReading((word,), "", one.text))
        else:
            doubt = f"two looks at it disagree: {one.text!r} and {two.text!r}" if texts[0] != texts[1] else f"{one.text!r} is none of its words"
            readings.append(GaugeReading((), doubt, one.text or two.text))
    return readings


def _nearest_word(text: str, words: tuple[str, ...]) -> str:
    """The word within a third of its letters of ``text``, or "" if none or more than one is; ``text`` itself
    where any word may be shown."""
    if not words:
        return text.strip()
    near = [word for word in words if _distance(text.strip().casefold(), word.casefold()) <= len(word) // 3]
    return near[0] if len(near) == 1 else ""


def _distance(one: str, two: str) -> int:
    """Edit distance (Levenshtein)."""
    row = list(range(len(two) + 1))
    for index, letter in enumerate(one, 1):
        diagonal, row[0] = row[0], index
        for place, other in enumerate(two, 1):
            diagonal, row[place] = row[place], min(row[place] + 1, row[place - 1] + 1, diagonal + (letter != other))
    return row[-1]
