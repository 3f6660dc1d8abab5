"""Drum counters: rolling digits, the last wheel anywhere between two, the others moving only while the one after them passes from 9 to 0.

Every wheel's picture is compared with a strip of digits in every position that the wheel can have. Of the styles of digits on the sheet in
``weights`` (see ``training/digit_styles``) the one is used that suits this counter best, judged by all its pictures together with that of the
reference. A small network, which was shown wheels of many makes, says by itself which digit is where. Both count when all wheels of a picture are
weighed at once: where the last wheel stands says whether those before it may be on the move.

``drum_models``: what wheels look like; ``drum_network``: which digit is where; ``drum_makes``: which make a counter is; ``drum_weighing``: all
wheels of a picture together.

Not modelled: signs, wheels geared to move all the time, blank places before the first digit, white hatching instead of a leading 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.drum_makes import finest, likely_makes, own_style, suits
from analyser.ingest.drum_models import all_places, sheet, strip, wheels_of
from analyser.ingest.drum_network import likely_at, looks_of
from analyser.ingest.drum_weighing import Weighed, weighed
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

JUDGES = 8  # pictures by which the make is judged
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
    wheels, looks = [wheels_of(crop, digits) for crop in pictures], [looks_of(crop, digits) for crop in pictures]
    judges = wheels[:JUDGES], looks[:JUDGES]
    make = finest(*judges, max(likely_makes(judges[0]), key=lambda each: suits(*judges, each)))
    hints = [likely_at(look, make, all_places()) for look in looks]
    models = strip(make, sheet()[make.style], all_places())
    own = own_style(pictures, [weighed(each, models, hint) for each, hint in zip(wheels, hints)], looks, make)
    models = strip(make, own, all_places())
    return [(Seen(reading=_reading(gauge, weighed(each, models, hint))),) for each, hint in zip(wheels[1:], hints[1:])]


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
