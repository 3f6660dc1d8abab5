"""What the wheels of a drum counter look like: digits of a style on a strip, at any place, as they are compared with pictures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

SHEET = Path(__file__).parent / "weights" / "drum_digits.png"
BOX = (20, 28)  # width and height of a digit on the sheet
WIDE, HIGH = 20, 32  # a wheel as it is compared
SHADE = 9.0  # pixels: standard deviation of what is taken for shade
STEPS = 20  # positions compared from one digit to the next


@dataclass(frozen=True)
class Make:
    """How a counter is made: style of digits (row of the sheet), their height and width and the distance to the next (parts of the window's
    height, of a wheel's width, of the window's height), +1 where the next digit comes from below, -1 from above; how far the
    digits stand below the window's middle (parts of its height); whether they are darker than the wheel."""

    style: int
    tall: float
    broad: float
    pitch: float = 1.0
    roll: int = 1
    low: float = 0.0
    dark: bool = False


def all_places() -> "np.ndarray":
    """Every place that is compared, in steps from one digit to the next, (10 STEPS,)."""
    import numpy as np

    return np.arange(10 * STEPS) / STEPS


@lru_cache(maxsize=1)
def sheet() -> "np.ndarray":
    """The styles of digits, (styles, 10, height, width), 0 to 1."""
    import numpy as np

    cv2 = load_opencv()
    try:
        picture = cv2.imdecode(np.frombuffer(SHEET.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    except OSError as error:
        raise AnalyserError(f"{SHEET}: the sheet of digits is missing; install the analyser again") from error
    width, height = BOX
    return picture.reshape(-1, height, 10, width).transpose(0, 2, 1, 3).astype(np.float32) / 255


@lru_cache(maxsize=1)
def _weight() -> "np.ndarray":
    """How much each pixel of a wheel counts: less towards its edges, where frames and shade are."""
    import numpy as np

    across = np.clip((np.minimum(np.arange(WIDE), np.arange(WIDE)[::-1]) + 0.5) / 2.5, 0, 1)
    down = np.clip((np.minimum(np.arange(HIGH), np.arange(HIGH)[::-1]) + 1.5) / 4, 0, 1)
    return (down[:, None] * across[None, :]).astype(np.float32)


@lru_cache(maxsize=2)
def _smoothing(size: int) -> "np.ndarray":
    """The matrix that smooths a line of pixels as far as shade and glare reach, (size, size)."""
    import numpy as np

    cv2 = load_opencv()
    return cv2.GaussianBlur(np.eye(size, dtype=np.float32), (1, 0), sigmaX=0.1, sigmaY=SHADE, borderType=cv2.BORDER_REPLICATE)


def _comparable(pictures: "np.ndarray") -> "np.ndarray":
    """Pictures of wheels, (n, HIGH, WIDE), without shade, weighted, mean 0 and norm 1, (n, HIGH WIDE)."""
    import numpy as np

    down, across = _smoothing(HIGH), _smoothing(WIDE)
    weight = _weight()
    flat = (pictures - down @ pictures @ across.T) * weight
    flat -= weight * (flat.sum(axis=(1, 2)) / weight.sum())[:, None, None]
    flat = flat.reshape(len(flat), -1)
    return flat / (np.linalg.norm(flat, axis=1, keepdims=True) + 1e-3)


def wheels_of(crop: "np.ndarray", digits: int) -> "np.ndarray":
    """The wheels of a counter, (digits, HIGH WIDE), as they are compared."""
    return _comparable(parted(crop, digits, (WIDE, HIGH)))


def parted(crop: "np.ndarray", digits: int, size: tuple[int, int]) -> "np.ndarray":
    """The wheels of a counter side by side, each brought to a ``size`` (width, height): (digits, height, width), float32."""
    import numpy as np

    cv2 = load_opencv()
    width, height = size
    enlarge = crop.shape[1] < width * digits
    flat = cv2.resize(crop, (width * digits, height), interpolation=cv2.INTER_CUBIC if enlarge else cv2.INTER_AREA).astype(np.float32)
    return flat.reshape(height, digits, width).transpose(1, 0, 2)


def strip(make: Make, style: "np.ndarray", places: "np.ndarray") -> "np.ndarray":
    """What a wheel of this make looks like at these places, (places, HIGH WIDE), as it is compared."""
    import numpy as np

    width, height = BOX
    x = (((np.arange(WIDE) + 0.5) / WIDE - 0.5) / make.broad + 0.5) * width - 0.5
    between = np.maximum(0, 1 - np.abs(np.arange(width)[:, None] - x[None, :])).astype(np.float32)  # straight between pixels, nothing beyond them
    columns = style @ between
    columns = np.pad(columns, ((0, 0), (1, 2), (0, 0)))
    down = (np.arange(HIGH) + 0.5) / HIGH - 0.5 - make.low
    along = places[:, None] + make.roll * down[None, :] / make.pitch  # which digit lies on which row
    digit = np.round(along).astype(int)
    row = ((along - digit) * make.roll * make.pitch / make.tall + 0.5) * height + 0.5
    row = np.clip(row, 0, height + 1)
    whole = np.floor(row).astype(int)
    part = (row - whole)[..., None].astype(np.float32)
    pictures = columns[digit % 10, whole] * (1 - part) + columns[digit % 10, whole + 1] * part
    models = _comparable(pictures)
    return -models if make.dark else models
