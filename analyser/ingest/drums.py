"""Drum counters: rolling digits, the last wheel anywhere between two, the others moving only while the one after them passes from 9 to 0.

Every wheel's picture is compared with a strip of digits in every position that the wheel can have. Of the styles of digits on the sheet in
``weights`` (see ``training/digit_styles``) the one is used that suits this counter best, judged by all its pictures together with that of the
reference. Then all wheels of a picture are weighed at once: where the last wheel stands says whether those before it may be on the move.

``drum_models``: what wheels look like; ``drum_makes``: which make a counter is; ``drum_weighing``: all wheels of a picture together.

Not modelled: signs, wheels geared to move all the time, blank places before the first digit, white hatching instead of a leading 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.drum_makes import finest, likely_makes, own_style, suits
from analyser.ingest.drum_models import Make, all_places, sheet, strip, wheels_of
from analyser.ingest.drum_weighing import Weighed, weighed
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.readout import Candidate, GaugeReading, Seen
from analyser.ingest.recogniser import score

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

JUDGES = 8  # pictures by which the make is judged
TRUST = 2e-3  # chance given to every digit whatever the recogniser says
SURE = 0.999  # probability, as reckoned here, below which a reading is doubtful
LEAST_FIT = 0.5  # correlation below which a wheel is not made out
CONTRADICTS = 9.0  # log likelihood that the wheels lose by having to fit together


def see_drums(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one counter in many screenshots.

    Parameters
    ----------
    gauge : Gauge
        Of kind "drum"; its options give ``digits``, the number of wheels, and may give ``last``, what one step of the last wheel is worth (SI).
    crops : list of ndarray, (height, width), uint8
    reference : ndarray, (height, width), uint8
        Its crop from the reference picture.
    """
    digits = int(gauge.options["digits"])
    if not crops:
        return []
    pictures = [reference, *crops]
    wheels = [wheels_of(crop, digits) for crop in pictures]
    judges = wheels[:JUDGES]
    make = finest(judges, max(likely_makes(judges), key=lambda each: suits(judges, each)))
    models = strip(make, sheet()[make.style], all_places())
    hints = _recognised(pictures, [weighed(each, models) for each in wheels], make)
    own = own_style(pictures, [weighed(each, models, hint) for each, hint in zip(wheels, hints)], hints, make)
    models = strip(make, own, all_places())
    hints = _recognised(crops, [weighed(each, models, hint) for each, hint in zip(wheels[1:], hints[1:])], make)
    return [(Seen(reading=_reading(gauge, weighed(each, models, hint))),) for each, hint in zip(wheels[1:], hints)]


def _recognised(crops: list["np.ndarray"], readings: list[Weighed], make: Make) -> list["np.ndarray"]:
    """For each picture and each wheel the log probability of each digit, (wheels, 10), by the recogniser of read-outs, which is shown the
    digit nearest to the window alone, moved to its middle: the more of it is cut off, the less its word counts."""
    import numpy as np

    shown, shares = [], []
    for crop, reading in zip(crops, readings):
        for wheel, spot in enumerate(reading.spots):
            aside = spot - round(spot)
            shown.append(_alone(crop, wheel, len(reading.spots), make, aside))
            shares.append(min(max(1 - (abs(aside) - 0.1) / 0.3, 0.0), 1.0))
    hints = np.array([_digit_chances(logs) for logs in score(shown)]) * np.array(shares)[:, None]
    count = len(readings[0].spots)
    return list(hints.reshape(len(crops), count, 10))


def _alone(crop: "np.ndarray", wheel: int, count: int, make: Make, aside: float) -> "np.ndarray":
    """The digit of a wheel that stands ``aside`` (steps beyond its place) in the middle of a picture with nothing else on it."""
    import numpy as np

    height, width = crop.shape[0], crop.shape[1] / count
    left, right = round((wheel + 0.03) * width), round((wheel + 0.97) * width)
    cell = crop[:, left:right]
    middle = height * (0.5 + make.low - make.roll * aside * make.pitch)
    half = make.tall * height * 0.56
    top, bottom = max(round(middle - half), 0), min(round(middle + half), height)
    if bottom - top < 2:
        top, bottom = 0, height
    size = round(make.tall * height * 1.35)
    alone = np.full((size, cell.shape[1]), np.percentile(cell, 85 if make.dark else 15), np.float64).astype(np.uint8)
    start = round(size / 2 - (middle - top))
    begin, end = max(start, 0), min(start + bottom - top, size)
    alone[begin:end] = cell[top + begin - start : top + end - start]
    return alone


def _digit_chances(logs: "np.ndarray") -> "np.ndarray":
    """Log probabilities that one picture's columns spell each digit and nothing else, among digits."""
    import numpy as np

    blank, digit = logs[:, :1], logs[:, 2:12]  # classes of the digits
    before, within, after = np.zeros((1,)), np.full(10, -np.inf), np.full(10, -np.inf)
    for column in range(len(logs)):
        after = np.logaddexp(after, within) + blank[column]
        within = np.logaddexp(within, before) + digit[column]
        before = before + blank[column]
    chances = np.exp(np.logaddexp(within, after))
    return np.log((chances + TRUST) / (chances.sum() + 10 * TRUST))


def _reading(gauge: "Gauge", one: Weighed) -> GaugeReading:
    """What the wheels mean."""
    step = float(gauge.options.get("last", gauge.factor))
    count = len(one.digits) + 1

    def candidate(digits: tuple[int, ...], probability: float) -> Candidate:
        whole = sum(digit * 10 ** (count - 1 - place) for place, digit in enumerate(digits))
        shown = (whole + one.place) % 10**count  # the place may lie a little before 0, where the others have not quite arrived
        text = f"{round(shown, 1) % 10**count:0{count + 2}.1f}"
        return Candidate(text, shown * step, one.sigma * step / UNIFORM, probability)

    candidates = [candidate(one.digits, min(one.probability, SURE))]
    if one.other != one.digits:
        candidates.append(candidate(one.other, min(1 - one.probability, 0.5)))
    best = candidates[0]
    doubt = ""
    if one.fit < LEAST_FIT:
        doubt = "one of its wheels cannot be made out"
    elif one.loss > CONTRADICTS:
        which = "the last wheel" if one.loser == count - 1 else f"wheel {one.loser + 1} of {count}"
        doubt = f"its wheels contradict each other: {which} stands where it cannot while the others stand as they do"
    elif one.probability < SURE:
        doubt = f"read with a probability of {one.probability:.2%} only"
    elif not gauge.low - best.step <= best.value <= gauge.high + best.step:
        doubt = "beyond the range that this gauge can show"
    return GaugeReading(tuple(candidates), doubt, best.text)
