"""Lamps: lit or not, against the reference picture, where a lamp is taken to be off.

A lamp that is off only passes on the light that falls on it, as the panel about it does: of both the light of the day makes a share, and
glare adds about as much to either. What cannot be explained like that shines by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

SAME, OTHER = (0.10, 5.0, 9.0), (0.30, 11.0, 24.0)  # share of the panel's brightness, least and most levels: less than the first is off, more than the second lit
UNEVEN = 0.5  # how much more glare may lie on the lamp than on the panel about it
PATCHY, PLAIN = 2.0, 6.0  # how much more glare there may be than the brightest place about the lamp has, beyond levels that noise makes
BLINDED, BLACK = 235.0, 5.0  # levels of the panel beyond which nothing can be told
HUES = ((8, "red"), (24, "amber"), (36, "yellow"), (85, "green"), (100, "cyan"), (130, "blue"), (165, "magenta"), (181, "red"))  # OpenCV's, up to
GLASS = 0.07  # of the crop's height, how far within the lamp's corners its glass begins
GREY = 45  # saturation below which a colour is called white


def see_lamps(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one lamp in many screenshots; its word is the panel file's ``on``, else the gauge's name. The raw text names the colour it is lit in."""
    word = str(gauge.options.get("on", gauge.name))
    before = _colours(reference)
    return [(Seen(reading=_told(word, _colours(crop), before)),) for crop in crops]


def _told(word: str, now, before) -> GaugeReading:
    lamp, panel, patchy = now
    bright = float(panel.mean())
    if bright > BLINDED:
        return GaugeReading((), "blinded by glare: whether it is lit cannot be told", "")
    if bright < BLACK and lamp.max() < 2 * BLACK:
        return GaugeReading((), "too dark to tell whether it is lit", "")
    more, less = _unexplained(lamp, panel, patchy, *before[:2])  # whatever glare there may be
    plainly, _ = _unexplained(lamp, panel, 0.0, *before[:2])  # as much glare as on the panel
    same, other = (min(max(share * bright, low), high) for share, low, high in (SAME, OTHER))
    if more > other:
        return GaugeReading((Candidate(word, float("nan"), float("nan"), 0.99),), "", f"lit, {colour_name(lamp)}")
    if plainly >= same:
        return GaugeReading((), "neither clearly lit nor clearly not", "")
    if less > other:
        return GaugeReading((), "covered, or in a shade of its own", "")
    return GaugeReading((), "", "not lit")


def _colours(crop: "np.ndarray") -> tuple["np.ndarray", "np.ndarray", float]:
    """Colour (blue, green, red) of the lamp and of the panel about it, and by how many levels the brightest of that outshines its middle; the crop reaches half the lamp's height beyond it."""
    import numpy as np

    picture = crop.astype(np.float32)
    height, width = picture.shape[:2]
    inset = int(height * (0.25 + GLASS))  # a word on the lamp covers less than half of it
    middle = np.median(picture[inset : height - inset, inset : width - inset].reshape(-1, 3), axis=0)
    ring = np.concatenate([picture[:3].reshape(-1, 3), picture[-3:].reshape(-1, 3), picture[:, :3].reshape(-1, 3), picture[:, -3:].reshape(-1, 3)])
    grey = ring.mean(axis=1)
    return middle, np.median(ring, axis=0), float(np.percentile(grey, 97) - np.median(grey))


def _unexplained(lamp, panel, patchy, lamp_before, panel_before) -> tuple[float, float]:
    """How much brighter, and how much darker (levels, of the channel where most), the lamp is than any light and glare make one that is off."""
    import numpy as np

    most = float((panel / np.maximum(panel_before, 1.0)).min())  # the light of the day, if there is no glare at all
    share = np.linspace(0.3, 1.0, 8)[:, None] * max(most, 0.0)
    glare = np.maximum(panel - share * panel_before, 0.0)
    off = np.minimum(share * lamp_before + glare, 255.0)
    room = UNEVEN * glare.mean(axis=1, keepdims=True) + PATCHY * max(patchy - PLAIN, 0.0)
    extra = np.linspace(-1, 1, 15)[:, None, None] * room  # glare is white
    differs = (lamp - np.clip(off + extra, 0, 255)).reshape(-1, 3)
    best = differs[np.abs(differs).max(axis=1).argmin()]
    return float(max(best.max(), 0.0)), float(max(-best.min(), 0.0))


def colour_name(colour: "np.ndarray") -> str:
    """What a colour (blue, green, red) is called."""
    import numpy as np

    cv2 = load_opencv()
    hue, saturation, _ = (int(each) for each in cv2.cvtColor(np.uint8([[np.clip(colour, 0, 255)]]), cv2.COLOR_BGR2HSV)[0, 0])
    if saturation < GREY:
        return "white"
    return next(name for most, name in HUES if hue < most)
