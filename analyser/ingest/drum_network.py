"""Which digit of a drum counter's wheel is how far from the middle of its window, as a small convolutional network sees it.

``training/drum_wheels`` draws and trains it. What is beside the middle is told by the order of the digits: ``roll`` says from which side the next one comes.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.drum_models import parted
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.drum_models import Make

WEIGHTS = Path(__file__).parent / "weights" / "drum_wheels.onnx"
HEIGHT, WIDTH = 32, 24  # pixels of a wheel as the network takes it
CELL = 2  # pixels of a cell each way, which goes in as one place with a channel for each of its pixels
BINS = 10  # places told apart from one digit to the next
TRUSTED = 1.2  # times that its word counts beside the patterns'; found on the fonts that calibrate


@lru_cache(maxsize=1)
def _network():
    import numpy as np

    cv2 = load_opencv()
    try:
        data = np.frombuffer(WEIGHTS.read_bytes(), np.uint8)
    except OSError as error:
        raise AnalyserError(f"{WEIGHTS}: the network for drum counters is missing; install the analyser again") from error
    return cv2.dnn.readNetFromONNX(data)


def looks_of(crop: "np.ndarray", digits: int) -> "np.ndarray":
    """Natural logarithms of the probability of each digit at each place, (wheels, 10 BINS), for the wheels of a counter's crop."""
    import numpy as np

    wheels = parted(crop, digits, (WIDTH, HEIGHT))
    wheels = wheels - wheels.mean(axis=(1, 2), keepdims=True)
    wheels /= wheels.std(axis=(1, 2), keepdims=True) + 4.0
    cells = wheels.reshape(digits, HEIGHT // CELL, CELL, WIDTH // CELL, CELL).transpose(0, 2, 4, 1, 3)
    network = _network()
    network.setInput(np.ascontiguousarray(cells).reshape(digits, CELL * CELL, HEIGHT // CELL, WIDTH // CELL))
    scores = network.forward().reshape(digits, -1)
    scores = scores - scores.max(axis=1, keepdims=True)
    return scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))


def likely_at(looks: "np.ndarray", make: "Make", places: "np.ndarray") -> "np.ndarray":
    """How likely each wheel is at each of ``places`` (steps from one digit to the next), for a make of counter: logarithms, (wheels, places)."""
    import numpy as np

    digit = np.round(places)
    low = make.low / make.pitch - make.roll * (places - digit)  # steps that this digit lies below the middle
    digit, low = digit - make.roll * np.round(low), low - np.round(low)
    along = (low + 0.5) * BINS - 0.5
    first = np.floor(along)
    found = 0.0
    for bin_, share in ((first, 1 - along + first), (first + 1, along - first)):
        over = (bin_ >= BINS).astype(float) - (bin_ < 0)
        which = ((digit - make.roll * over) % 10 * BINS + bin_ - over * BINS).astype(int)
        found = found + share * np.exp(looks[:, which])
    return TRUSTED * np.log(np.maximum(found, 1e-12))
