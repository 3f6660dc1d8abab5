"""Whether anything changed from one frame of a recording to the next: in the whole picture, or in what the read-outs show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyser.ingest.cutting import rectify
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Panel
    from analyser.ingest.register import Registration

UNCHANGED = 6.0  # grey levels: where no block of the picture changed by more than this, nothing did
BLOCK = 8  # pixels of a block, in a picture 640 across
GAUGE_WIDTH, GAUGE_HEIGHT = 128, 32  # pixels at which a gauge is compared
CHANGED = 0.16  # of the gauge's own contrast: a block of a read-out that differs by this shows another digit
LEAST_CONTRAST = 30.0  # grey levels


def small(frame: "np.ndarray") -> "np.ndarray":
    """A frame as :func:`picture_changed` compares it."""
    import numpy as np

    cv2 = load_opencv()
    grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
    size = (640, max(BLOCK, round(640 * grey.shape[0] / grey.shape[1])))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.int16)


def picture_changed(before: "np.ndarray", now: "np.ndarray") -> bool:
    """Whether any block of the picture changed."""
    return _most(before.astype("float32") - now, BLOCK) > UNCHANGED


class Changes:
    """Remembers what the read-outs showed (all gauges, on a panel without any) and says whether a frame shows anything else."""

    def __init__(self, panel: "Panel"):
        gauges = list(panel.gauges.values())
        self._gauges = [gauge for gauge in gauges if gauge.kind in ("readout", "drum")] or gauges
        self._before: list | None = None

    def seen(self, frame: "np.ndarray", view: "Registration") -> bool:
        """Whether the frame shows other figures than the last one for which this was so; its panel was found, or not, at ``view``."""
        now = [self._look(frame, view, gauge) for gauge in self._gauges] if view.found else []
        changed = self._before is None or len(now) != len(self._before) or any(map(_gauge_changed, self._before, now))
        self._before = now if changed else self._before
        return changed

    @staticmethod
    def _look(frame: "np.ndarray", view: "Registration", gauge) -> "np.ndarray":
        cv2 = load_opencv()
        crop = cv2.cvtColor(rectify(frame, view.homography, gauge), cv2.COLOR_BGR2GRAY)
        return cv2.resize(crop, (GAUGE_WIDTH, GAUGE_HEIGHT), interpolation=cv2.INTER_AREA).astype("float32")


def _gauge_changed(before: "np.ndarray", now: "np.ndarray") -> bool:
    import numpy as np

    low, high = np.percentile(before, (3, 97))
    differs = now - before
    return _most(differs - np.median(differs), 4) > CHANGED * max(float(high - low), LEAST_CONTRAST)


def _most(difference: "np.ndarray", block: int) -> float:
    cv2 = load_opencv()
    height, width = difference.shape
    return float(cv2.resize(abs(difference), (width // block, height // block), interpolation=cv2.INTER_AREA).max())
