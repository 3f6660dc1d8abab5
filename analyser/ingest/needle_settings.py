"""How needles may stand and how they were found to stand: what the search for several needles is given and gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

PARTS = 4  # of a needle's length that must be seen each


@dataclass(frozen=True)
class Column:
    """The needles that together show one quantity: ``which`` they are, slowest first, the values tried, and each needle's angle (rad) at each."""

    which: tuple[int, ...]
    values: "np.ndarray"
    angles: "list[np.ndarray]"


@dataclass(frozen=True)
class Found:
    """How the needles of one picture stand.

    Attributes
    ----------
    rows : list of int
        Where each needle stands, degrees.
    values, others : list of float
        Each column's value, and the likeliest one distinct from it (nan: none).
    margins : list of float
        By how much the values are likelier than the others, natural logarithms.
    shown, thinnest, weights : list of float
        How much of the ink expected where only this needle lies is there; how much in the part of its length that shows least; and how
        much it would speak for the needle, natural logarithm.
    strength, noise : float
        Ink of a needle in this picture, and the noise of ink as part of it.
    covered : ndarray, (inks, ANGLES, RADII)
    """

    rows: list[int]
    values: list[float]
    others: list[float]
    margins: list[float]
    shown: list[float]
    thinnest: list[float]
    weights: list[float]
    strength: float
    noise: float
    covered: "np.ndarray"


def thinnest_part(there: "np.ndarray", expected: "np.ndarray") -> float:
    """The least part shown of any of a needle's PARTS, which are of like weight; by radius."""
    import numpy as np

    total = float(expected.sum())
    if total <= 0:
        return 0.0
    part = np.minimum((np.cumsum(expected) - expected / 2) / total * PARTS, PARTS - 1).astype(int)
    sums = np.bincount(part, expected, PARTS)
    return float((np.bincount(part, there, PARTS)[sums > 0] / sums[sums > 0]).min())
