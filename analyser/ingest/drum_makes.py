"""Of which make a drum counter is: the style of digits and their measures that explain its pictures best, and its own digits once they are known."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from analyser.ingest.drum_models import BOX, Make, all_places, sheet, strip
from analyser.ingest.drum_network import BINS, likely_at
from analyser.ingest.drum_weighing import Weighed, fitted
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

TALL = (0.5, 0.6, 0.7, 0.8, 0.9)  # heights of a digit tried, parts of the window
BROAD = (0.45, 0.6, 0.75, 0.9)  # widths of the widest digit tried, parts of a wheel
PITCHES = (0.8, 0.9, 1.0, 1.1, 1.2)  # digit to digit, parts of the window
TRIED = 3  # styles of digits tried to the end
OWN = 0.95  # probability of a digit by which it is taken as a pattern


def suits(wheels: list["np.ndarray"], looks: list["np.ndarray"], make: Make) -> float:
    """How well a make explains all pictures: log likelihood."""
    models = strip(make, sheet()[make.style], all_places())
    return sum(fitted(each, models, likely_at(look, make, all_places()))[0].max() for each, look in zip(wheels, looks))


def finest(wheels: list["np.ndarray"], looks: list["np.ndarray"], make: Make) -> Make:
    """A make with its measures a little changed, one after the other, where that suits better."""
    best = suits(wheels, looks, make)
    for name, change in (("tall", 0.05), ("broad", 0.07), ("pitch", 0.05), ("low", 0.03)):
        for each in (change, -change):
            trial = replace(make, **{name: getattr(make, name) + each})
            if trial.pitch > trial.tall and (found := suits(wheels, looks, trial)) > best:
                make, best = trial, found
                break
    return make


def own_style(pictures: list["np.ndarray"], readings: list[Weighed], looks: list["np.ndarray"], make: Make) -> "np.ndarray":
    """The style of digits, (10, height, width), with this counter's own in it where the network is sure of one that is hardly cut off."""
    import numpy as np

    cv2 = load_opencv()
    style = sheet()[make.style]
    total, count = style.copy(), np.ones(10)
    width, height = BOX
    across = (((np.arange(width) + 0.5) / width - 0.5) * make.broad + 0.5).astype(np.float32)
    for crop, reading, look in zip(pictures, readings, looks):
        for wheel, (spot, chances) in enumerate(zip(reading.spots, np.exp(look).reshape(-1, 10, BINS).sum(axis=2))):
            aside = spot - round(spot)
            digit = round(spot) % 10
            if abs(aside) > 0.2 or chances[digit] < OWN:
                continue
            down = (((np.arange(height) + 0.5) / height - 0.5) * make.tall + 0.5 + make.low - make.roll * aside * make.pitch).astype(np.float32)
            x = (wheel + across) * crop.shape[1] / len(look) - 0.5
            y = down * crop.shape[0] - 0.5
            picture = cv2.remap(crop, np.tile(x, (height, 1)), np.tile(y[:, None], (1, width)), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            low, high = np.percentile(picture, (10, 90))
            one = np.clip((picture - low) / max(high - low, 4.0), 0, 1).astype(np.float32)
            total[digit] += 1 - one if make.dark else one
            count[digit] += 1
    return total / count[:, None, None]


@lru_cache(maxsize=1)
def _still() -> tuple[list[Make], "np.ndarray"]:
    """Makes that are tried first and their ten digits standing still, (makes, 10, HIGH WIDE)."""
    import numpy as np

    makes = [Make(style, tall, broad, low=low) for style in range(len(sheet())) for tall in TALL for broad in BROAD for low in (-0.06, 0.0, 0.06)]
    return makes, np.array([strip(make, sheet()[make.style], np.arange(10.0)) for make in makes], np.float16)


def likely_makes(wheels: list["np.ndarray"]) -> list[Make]:
    """Makes that may be this counter's, from the wheels that mostly stand still: all but the last."""
    import numpy as np

    standing = np.concatenate([each[:-1] if len(each) > 1 else each for each in wheels])
    makes, digits = _still()
    fits = digits.astype(np.float32).reshape(-1, digits.shape[-1]) @ standing.T
    fits = fits.reshape(len(makes), 10, -1)
    light, dark = fits.max(axis=1).mean(axis=1), (-fits).max(axis=1).mean(axis=1)
    is_dark = dark.max() > light.max()
    order = np.argsort(-(dark if is_dark else light))
    found: list[Make] = []
    for index in order:
        if makes[index].style not in [each.style for each in found]:
            found.append(makes[index])
        if len(found) == TRIED:
            break
    return [
        Make(each.style, each.tall, each.broad, pitch, roll, each.low, bool(is_dark))
        for each in found for pitch in PITCHES if pitch > each.tall for roll in (1, -1)
    ]  # fmt: skip
