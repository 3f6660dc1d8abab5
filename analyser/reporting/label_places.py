"""Where the labels of a drawing go: beside what they name, inside the drawing, and not on one another, by the extents of their text."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DISTANCES = (12.0, 18.0, 25.0, 33.0, 42.0, 53.0)  # points
_TURNS = tuple(math.radians(turn) for k in range(13) for turn in ((0,) if k == 0 else (15 * k, -15 * k) if k < 12 else (180,)))


@lru_cache(maxsize=256)
def text_size(text: str, size: float, bold: bool = False) -> tuple[float, float]:
    """Width and height of a line of text, points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    box = TextPath((0, 0), text, size=size, prop=FontProperties(weight="bold" if bold else "normal")).get_extents()
    return float(box.width), max(float(box.height), 0.72 * size)


class LabelPlaces:
    """Finds a free place for one label after another in an axes whose limits and size stand; everything in points from its lower left corner."""

    def __init__(self, ax: "Axes"):
        ax.apply_aspect()
        self._to = ax.transData
        box, self._scale = ax.get_window_extent(), 72.0 / ax.figure.dpi
        self._corner = box.x0, box.y0
        self.width, self.height = box.width * self._scale, box.height * self._scale
        self.taken: list[tuple[float, float, float, float]] = []

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A place in the drawing's own units, in points."""
        there = self._to.transform((x, y))
        return float(there[0] - self._corner[0]) * self._scale, float(there[1] - self._corner[1]) * self._scale

    def take(self, middle: tuple[float, float], size: tuple[float, float]) -> None:
        """Keep a box free of labels."""
        self.taken.append((middle[0] - size[0] / 2, middle[1] - size[1] / 2, middle[0] + size[0] / 2, middle[1] + size[1] / 2))

    def cost(self, middle: tuple[float, float], size: tuple[float, float], margin: float = 1.5) -> float:
        """How badly a box lies: its area outside and on others, square points; 0: free."""
        x0, y0, x1, y1 = (middle[0] - size[0] / 2 - margin, middle[1] - size[1] / 2 - margin, middle[0] + size[0] / 2 + margin, middle[1] + size[1] / 2 + margin)
        inside = max(0.0, min(x1, self.width) - max(x0, 0.0)) * max(0.0, min(y1, self.height) - max(y0, 0.0))
        worst = 10 * ((x1 - x0) * (y1 - y0) - inside)
        return worst + sum(max(0.0, min(x1, b) - max(x0, a)) * max(0.0, min(y1, d) - max(y0, c)) for a, c, b, d in self.taken)

    def beside(self, anchor: tuple[float, float], towards: float, size: tuple[float, float]) -> tuple[float, float]:
        """The middle of a box near an anchor, best in the direction ``towards`` (rad): taken from now on."""
        options = [
            (anchor[0] + (distance + size[0] / 2 * abs(math.cos(towards + turn)) - 6) * math.cos(towards + turn), anchor[1] + distance * math.sin(towards + turn))
            for distance in _DISTANCES for turn in _TURNS
        ]  # fmt: skip
        return self._first(options, size)

    def along(self, points: list[tuple[float, float]], size: tuple[float, float]) -> tuple[float, float]:
        """The first of some places at which a box lies free, or the one where it lies least badly: taken from now on."""
        return self._first(points, size)

    def _first(self, options, size):
        best = options[0]
        least = math.inf
        for option in options:
            cost = self.cost(option, size)
            if cost < least:
                best, least = option, cost
            if cost == 0.0:
                break
        x = min(max(best[0], size[0] / 2 + 1), self.width - size[0] / 2 - 1)
        y = min(max(best[1], size[1] / 2 + 1), self.height - size[1] / 2 - 1)
        self.take((x, y), size)
        return x, y
