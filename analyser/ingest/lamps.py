"""Lamps: lit or not, against the reference picture, where a lamp is taken to be off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

SAME, OTHER = 12.0, 26.0  # differences of colour (Lab): below the first the lamp is as on the reference, above the second not


def see_lamps(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one lamp in many screenshots; its word is the panel file's ``on``, else the gauge's name."""
    word = str(gauge.options.get("on", gauge.name))
    before = _colour(reference)
    readings = []
    for crop in crops:
        differs = _distance(_colour(crop), before)
        if differs > OTHER:
            reading = GaugeReading((Candidate(word, float("nan"), float("nan"), 0.99),), "", "lit")
        elif differs < SAME:
            reading = GaugeReading((), "", "not lit")
        else:
            reading = GaugeReading((), "neither clearly lit nor clearly not", "")
        readings.append((Seen(reading=reading),))
    return readings


def _colour(crop: "np.ndarray") -> tuple["np.ndarray", "np.ndarray"]:
    """Colour (Lab) of the lamp and of the panel about it; the crop reaches half the lamp's height beyond it."""
    import numpy as np

    cv2 = load_opencv()
    lab = cv2.cvtColor(crop, cv2.COLOR_BGR2LAB).astype(np.float32)
    height, width = lab.shape[:2]
    y, x = int(height * 0.38), int(width * 0.38)
    middle = np.median(lab[y : height - y, x : width - x].reshape(-1, 3), axis=0)
    ring = np.concatenate([lab[:3].reshape(-1, 3), lab[-3:].reshape(-1, 3), lab[:, :3].reshape(-1, 3), lab[:, -3:].reshape(-1, 3)])
    return middle, np.median(ring, axis=0)


def _distance(now, before) -> float:
    """Difference of a lamp from the reference, less what the light on the panel about it changed."""
    import numpy as np

    return float(np.linalg.norm((now[0] - before[0]) - (now[1] - before[1])))
