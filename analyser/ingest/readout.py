"""Digital read-outs: crops of one gauge in, candidates with probabilities out.

Numbers and clocks are read by our own recogniser along the gauge's grammar. Where it is not sure, Tesseract, which
shares nothing with it, is asked too: if both say the same, that counts. Words are read by Tesseract.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest import ocr
from analyser.ingest.automaton import compile_pattern
from analyser.ingest.beam import FIGURES, shows_nothing
from analyser.ingest.grammar import marked
from analyser.ingest.images import load_opencv
from analyser.ingest.recogniser import ALPHABET, UNREADABLE, Recognition, recognise
from analyser.ingest.trust import after_a_glance, after_a_look

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.grammar import Grammar
    from analyser.ingest.panel import Gauge

ACCEPT = 0.995  # probability at which a value is believed
ASK = ACCEPT  # below this Tesseract is asked too
TESSERACT_WORTH = 8.0  # how much likelier a value gets, in odds, that Tesseract reads as well
CONTRADICTED = 0.998  # a value that Tesseract contradicts surely must be this likely by itself
UNIT_TRUST = 0.5  # power of what a look says of one unit against another
LEAST_UNIT = 1e-6  # of the likeliest unit's probability: no look says that another unit is less likely
UNIT_LETTERS = "".join(set(ALPHABET) - set(FIGURES)) + UNREADABLE + " "
NOTHING = "the gauge shows no value"
UNSURE = "read with a probability of"


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
    can't be trusted, "" where it can; ``raw`` is the text as seen, grammar or not; ``reason`` says what else made the
    first certain, ``recovered`` whether another was likelier by itself."""

    candidates: tuple[Candidate, ...] = ()
    doubt: str = ""
    raw: str = ""
    reason: str = ""
    recovered: bool = False

    @property
    def best(self) -> Candidate | None:
        """The likeliest candidate."""
        return self.candidates[0] if self.candidates else None


@dataclass(frozen=True)
class Seen:
    """What was seen in one crop, before anything is made of it.

    ``texts``: texts of the grammar with their probability among all texts; ``raw``: the likeliest text, grammar or not; ``glanced`` and
    ``risk``: the quick network's text and how probably it is wrong; ``deep``: whether the deep one was asked;
    ``second``: what Tesseract read, None where it was not asked; ``figures``: the same look with any letters for a unit, where the unit is not
    sure; ``reading``: set where nothing is left to interpret.
    """

    texts: tuple[tuple[str, float], ...] = ()
    raw: str = ""
    glanced: str = ""
    risk: float = 1.0
    deep: bool = True
    second: ocr.Line | None = None
    figures: Seen | None = None
    reading: GaugeReading | None = None


def see_readouts(gauge: "Gauge", crops: list["np.ndarray"]) -> list[Seen]:
    """Look at one read-out in many screenshots, Tesseract asked where the first look is not sure.

    Parameters
    ----------
    gauge : Gauge
        Of kind "readout".
    crops : list of ndarray, (height, width), uint8
        Its rectified, grey picture in each screenshot.
    """
    return ask_tesseract([(gauge, crop, seen) for crop, seen in zip(crops, look_at_readouts(gauge, crops))])


def look_at_readouts(gauge: "Gauge", crops: list["np.ndarray"]) -> list[Seen]:
    """The first look of :func:`see_readouts`, by our own recogniser alone; words are read for good."""
    if gauge.column in TEXTS:
        return [Seen(reading=reading) for reading in _read_words(gauge, crops)]
    grammar = gauge.grammar
    figures = compile_pattern(grammar.figures, ALPHABET) if grammar.figures else None
    looks = []
    for found in recognise(crops, compile_pattern(grammar.pattern(), ALPHABET), figures=figures):
        look = _seen(found)
        unsure = found.figures and not shows_nothing(look.raw) and first_guess(look) < ACCEPT
        looks.append(replace(look, figures=_seen(found.figures)) if unsure else look)
    return looks


def _seen(found: Recognition) -> Seen:
    return Seen(tuple((each.text, math.exp(each.weight)) for each in found.spellings), found.raw, found.glanced, found.risk, found.deep)


def ask_tesseract(looks: list[tuple["Gauge", "np.ndarray", Seen]]) -> list[Seen]:
    """The looks, those that are not sure with Tesseract's reading beside them.

    Gauges that may show the same characters share one run of the program: starting it costs more than reading a line.
    """
    seen = [look for *_, look in looks]
    asked: dict[str, list[int]] = {}
    for index, (gauge, _, look) in enumerate(looks):
        if look.reading is None and not shows_nothing(look.raw) and first_guess(look) < ASK:
            asked.setdefault(_characters(gauge), []).append(index)
    for characters, indices in asked.items():
        for index, line in zip(indices, ocr.read_lines([looks[index][1] for index in indices], characters)):
            seen[index] = replace(seen[index], second=line)
    return seen


def first_guess(seen: Seen) -> float:
    """Probability that the likeliest text of a look is right, by our own recogniser alone."""
    mass = sum(weight for _, weight in seen.texts)
    return _honest(seen, seen.texts[0][1] / mass, mass, seen.texts[0][0]) if seen.texts else 0.0


def _honest(seen: Seen, share: float, mass: float, text: str) -> float:
    """Probability that the likeliest value, ``share`` of the ``mass`` of all texts of the grammar, is right."""
    if not seen.deep:
        return after_a_glance(seen.risk, seen.glanced)
    return after_a_look(share, min(mass, 1.0), text, seen.raw, seen.glanced, seen.risk)


def _characters(gauge: "Gauge") -> str:
    grammar = gauge.grammar
    allowed = "0123456789.,:+-TdhmsMEG " if grammar.kind == "clock" else "0123456789.,+- "
    return allowed + "".join(sorted({letter for unit, _ in grammar.units for letter in unit} - set(allowed)))


def interpret(gauge: "Gauge", seen: Seen, mark: str) -> GaugeReading:
    """What was seen means, once it is known which mark this panel uses for decimals ("": not known)."""
    if seen.reading is not None:
        return seen.reading
    if shows_nothing(seen.raw):
        return GaugeReading((), "", seen.raw)
    candidates = []
    for text, weight in seen.texts:
        meanings = gauge.grammar.parse(text, mark)
        if mark and not meanings:  # a comma and a point are easily taken for each other
            text = marked(text, mark)
            meanings = gauge.grammar.parse(text, mark)
        if len(meanings) > 1 and text == seen.texts[0][0]:
            return GaugeReading(
                tuple(Candidate(text, each.value, each.step, 0.5, each.unit) for each in meanings),
                f"{text!r} could be thousands or decimals; say which in the panel file: decimal = \".\" or \",\"", seen.raw,
            )  # fmt: skip
        candidates += [
            Candidate(text, each.value, each.step, weight, each.unit, each.decimals, each.mark) for each in meanings[:1]
        ]
    merged = merge(candidates)
    if not merged:
        found = f"{seen.raw!r} is not what this gauge can show" if seen.raw else "nothing could be read"
        return GaugeReading((), found, seen.raw)
    mass = sum(each.probability for each in merged)
    honest = _honest(seen, merged[0].probability / mass, mass, merged[0].text)
    merged = _shared_out(merged, honest)
    doubt = ""
    if seen.second is not None:
        merged, doubt = _second_opinion(gauge, merged, seen.second, mark)
    best = merged[0]
    if not doubt and best.probability < ACCEPT:
        doubt = unsure(best.probability)
        if seen.figures is not None:
            merged = by_figures(gauge.grammar, merged, seen.figures)
    if UNREADABLE in seen.raw + seen.glanced:
        doubt = f"{doubt}; part of it is cut off or covered" if doubt else "part of it may be cut off or covered"
    return GaugeReading(merged, doubt, seen.raw)


def unsure(probability: float) -> str:
    """The doubt of a reading that is not likely enough."""
    return f"{UNSURE} {probability:.1%} only"


def by_figures(grammar: "Grammar", merged: tuple[Candidate, ...], look: Seen) -> tuple[Candidate, ...]:
    """Candidates where the unit is not sure: as sure of the figures as a look is that asks for them alone, shared among all units that the gauge shows.

    A network that takes a strange letter for another does so every time, so that each unit keeps some of it (see UNIT_TRUST).
    """
    weights: dict[str, float] = {}
    for text, weight in look.texts:
        weights[figures_in(text)] = weights.get(figures_in(text), 0.0) + weight
    if not weights or max(weights, key=weights.__getitem__) != figures_in(merged[0].text):
        return merged
    figures, mass = figures_in(merged[0].text), sum(weights.values())
    sure = _honest(replace(look, raw=figures_in(look.raw), glanced=figures_in(look.glanced)), weights[figures] / mass, mass, figures)
    same = in_every_unit(grammar, [each for each in merged if figures_in(each.text) == figures])
    if sure <= sum(each.probability for each in same):
        return merged
    most = max(each.probability for each in same)
    shares = [max(each.probability / most, LEAST_UNIT) ** UNIT_TRUST for each in same]
    others = [each for each in merged if figures_in(each.text) != figures]
    left = (1 - sure) / max(1 - sure, sum(each.probability for each in others))
    found = [replace(each, probability=sure * share / sum(shares)) for each, share in zip(same, shares)]
    return tuple(sorted([*found, *(replace(each, probability=each.probability * left) for each in others)], key=lambda each: -each.probability))


def in_every_unit(grammar: "Grammar", same: list[Candidate]) -> list[Candidate]:
    """Candidates of the same figures, and with no probability what these would be in the other units that the gauge shows."""
    first = same[0]
    found = list(same)
    for unit, factor in grammar.units:
        times = factor / grammar.factor_of(first.unit)
        if not any(math.isclose(each.value, first.value * times) for each in found):
            found.append(replace(first, text=f"{figures_in(first.text)} {unit}", value=first.value * times, step=first.step * times, unit=unit, probability=0.0))
    return found


def figures_in(text: str) -> str:
    """A text without the unit after its figures."""
    return text.rstrip(UNIT_LETTERS)


def _shared_out(merged: tuple[Candidate, ...], honest: float) -> tuple[Candidate, ...]:
    """Probabilities of candidates such that the first has ``honest`` and the others share what they can of the rest:
    the truth may be none of them."""
    others = sum(each.probability for each in merged[1:])
    mass = others + merged[0].probability
    scale = (1 - honest) * min(1.0, mass) / others if others > 0 else 0.0
    return (replace(merged[0], probability=honest), *(replace(each, probability=each.probability * scale) for each in merged[1:]))


def _second_opinion(gauge, merged: tuple[Candidate, ...], line: ocr.Line, mark: str) -> tuple[tuple[Candidate, ...], str]:
    """Candidates after Tesseract was heard, and why the first is doubtful if it contradicts."""
    meanings = ()
    for text in dict.fromkeys((line.text, line.text.replace(" ", ""))):
        meanings = meanings or gauge.grammar.parse(text, mark)
    if len(meanings) != 1 or line.confidence < 0.5:
        return merged, ""
    first = merged[0]
    if not (math.isclose(first.value, meanings[0].value) and math.isclose(first.step, meanings[0].step)):
        # of the two it is nearly always ours that is right: Tesseract's word changes no order
        contradicted = line.confidence > 0.85 and first.probability < CONTRADICTED
        return merged, f"two readers disagree: {first.text!r} and {line.text!r}" if contradicted else ""
    raised = first.probability * TESSERACT_WORTH / (1 + first.probability * (TESSERACT_WORTH - 1))
    rest = (1 - raised) / max(1 - first.probability, 1e-9)
    return (replace(first, probability=raised), *(replace(each, probability=each.probability * rest) for each in merged[1:])), ""


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


def _second_view(crop: "np.ndarray") -> "np.ndarray":
    """The same crop seen otherwise: smoothed, then black and white."""
    import numpy as np

    cv2 = load_opencv()
    scale = max(1.0, 64 / crop.shape[0])
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    grey = cv2.GaussianBlur(cv2.resize(crop, size, interpolation=cv2.INTER_CUBIC), (0, 0), 1.2)
    _, hard = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return np.asarray(cv2.GaussianBlur(hard, (0, 0), 0.8))


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
