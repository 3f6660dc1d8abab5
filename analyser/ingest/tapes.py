"""Bars that fill, and pointers that slide along a straight scale.

Places run from 0 to 1 along the gauge: from bottom to top if it is higher than wide, else from left to right.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.grammar import UNIFORM
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

SIGMA = 0.006  # standard deviation of a place read, part of the length
STEPS = 400
ABRUPT, ABOUT = 0.6, 8  # a level is a step: this part of the difference between filled and empty within so many steps of it; glare and shade are none
ALONG = 0.5  # least cosine between that difference and the one on the reference picture
CLEAR = 14.0  # least difference of colours (Lab) between filled and empty


def see_tapes(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one bar or sliding pointer in many screenshots."""
    slides = gauge.options.get("shows") == "mark"
    before = profile_of(reference)
    colours = None if slides else _two_colours(before)
    return [(Seen(reading=_reading(gauge, profile_of(crop), slides, colours)),) for crop in crops]


def _reading(gauge: "Gauge", profile: "np.ndarray", slides: bool, colours) -> GaugeReading:
    import numpy as np

    place, doubt = _mark(profile) if slides else _level(profile, colours)
    if place != place:
        return GaugeReading(doubt=doubt)
    places, values = zip(*gauge.scale)
    value = float(np.interp(place, places, values))
    slope = abs(values[-1] - values[0]) / (places[-1] - places[0])
    raw = f"{place:.1%} of its length"
    return GaugeReading((Candidate(raw, value, slope * SIGMA / UNIFORM, 0.6 if doubt else 0.999),), doubt, raw)


def profile_of(crop: "np.ndarray") -> "np.ndarray":
    """Median colour (Lab) across the gauge at STEPS places along it."""
    import numpy as np

    cv2 = load_opencv()
    lab = cv2.cvtColor(crop, cv2.COLOR_BGR2LAB).astype(np.float32)
    if lab.shape[0] > lab.shape[1]:
        lab = lab[::-1].transpose(1, 0, 2)  # bottom to top becomes left to right
    height = lab.shape[0]
    line = np.median(lab[int(0.25 * height) : max(int(0.75 * height), int(0.25 * height) + 1)], axis=0)
    return cv2.resize(line[None], (STEPS, 1), interpolation=cv2.INTER_LINEAR)[0]


def step_of(profile: "np.ndarray") -> tuple[int, float]:
    """Where one step divides a profile best, and the share of its variance that this explains."""
    import numpy as np

    total = ((profile - profile.mean(axis=0)) ** 2).sum()
    sums = np.cumsum(profile, axis=0)
    count = np.arange(1, len(profile))[:, None]
    first, second = sums[:-1] / count, (sums[-1] - sums[:-1]) / (len(profile) - count)
    gain = ((first - second) ** 2).sum(axis=1) * (count * (len(profile) - count) / len(profile)).ravel()
    best = int(gain.argmax())
    return best + 1, float(gain[best] / max(total, 1e-6))


def _two_colours(profile: "np.ndarray"):
    """(filled, empty) on the reference picture, None where it shows one of them only."""
    import numpy as np

    place, share = step_of(profile)
    filled, empty = np.median(profile[:place], axis=0), np.median(profile[place:], axis=0)
    return (filled, empty) if share > 0.7 and np.linalg.norm(filled - empty) > CLEAR else None


def _level(profile: "np.ndarray", colours) -> tuple[float, str]:
    import numpy as np

    place, share = step_of(profile)
    first, second = np.median(profile[:place], axis=0), np.median(profile[place:], axis=0)
    change = first - second
    size = float(np.linalg.norm(change))
    there = np.median(profile[max(0, place - ABOUT) : max(1, place - 2)], axis=0) - np.median(profile[place + 2 : place + ABOUT], axis=0)
    if size > CLEAR and share > 0.6 and ABOUT < place < STEPS - ABOUT and float(there @ change) < ABRUPT * size**2:
        change, size = change * 0, 0.0  # it changes little by little: light, not a level
    if size > CLEAR and colours is not None and abs(float(change @ (colours[0] - colours[1]))) < ALONG * size * float(np.linalg.norm(colours[0] - colours[1])):
        return float("nan"), "what changes along it is not its filling"
    if size > CLEAR and share > 0.6:
        if colours is not None:
            axis = colours[0] - colours[1]
            if (first - second) @ axis < 0:
                return float("nan"), "its colours are the wrong way round"
        return _sharp(profile, first, second, place), ""
    if colours is None:
        return float("nan"), "full or empty can't be told: the reference picture shows no level in between"
    near = [float(np.linalg.norm(np.median(profile, axis=0) - colour)) for colour in colours]
    if min(near) * 2 > max(near):
        return float("nan"), "neither full nor empty, and no level stands out"
    return (1.0, "") if near[0] < near[1] else (0.0, "")


def _sharp(profile, first, second, place: int) -> float:
    """The step to a fraction of a place, from where the colour is half way."""
    import numpy as np

    axis = second - first
    along = np.clip((profile - first) @ axis / float(axis @ axis), 0, 1)
    low, high = max(0, place - 12), min(STEPS, place + 12)
    return float((low + (1 - along[low:high]).sum()) / STEPS)


def _mark(profile: "np.ndarray") -> tuple[float, str]:
    import numpy as np

    distance = np.linalg.norm(profile - np.median(profile, axis=0), axis=1)
    peak = int(distance.argmax())
    if distance[peak] < CLEAR:
        return float("nan"), "no pointer stands out"
    near = slice(max(0, peak - 20), peak + 21)
    weights = np.maximum(distance[near] - 0.4 * distance[peak], 0)
    far = distance.copy()
    far[max(0, peak - 30) : peak + 31] = 0
    place = float((weights * (np.arange(STEPS)[near] + 0.5)).sum() / weights.sum() / STEPS)
    return place, "" if far.max() < 0.75 * distance[peak] else "more than one thing looks like its pointer"
