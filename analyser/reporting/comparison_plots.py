"""Drawing attempts beside each other on axes; computes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analyser.reporting.plots import ASIDE, BURN, FAINT, FLOWN, GROUND, INK, PAPER, said, strip

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_legs_together"]

_BARS = ((FLOWN, ""), (GROUND, "//"), (BURN, ""), (PAPER, "xx"))


def draw_legs_together(
    ax: "Axes", legs: tuple[str, ...], names: tuple[str, ...], spent: np.ndarray, halves: np.ndarray, planned: np.ndarray
) -> None:
    """What each leg took in each attempt, bars side by side with their 95 % intervals, and the plan's ideal as a stroke over them.

    ``spent`` and ``halves`` have shape (attempts, legs), ``planned`` (legs,); m/s.
    """
    count = len(names)
    wide = 0.8 / count
    places = np.arange(len(legs))
    for index, name in enumerate(names):
        colour, hatch = _BARS[index % len(_BARS)]
        at = places + (index - (count - 1) / 2) * wide
        ax.bar(at, spent[index], 0.92 * wide, color=colour, hatch=hatch, edgecolor=INK, linewidth=0.5, label=said(name, 24))
        ax.errorbar(at, spent[index], yerr=halves[index], fmt="none", ecolor=INK, elinewidth=1, capsize=2)
    known = np.isfinite(planned)
    ax.hlines(planned[known], places[known] - 0.46, places[known] + 0.46, color=ASIDE, linewidth=1.6, label="planned")
    ax.set_xticks(places, [said(leg, 14) for leg in legs])
    ax.set_xlim(-0.6, len(legs) - 0.4)
    ax.set_ylim(0, 1.08 * float(np.nanmax([np.nanmax(spent + halves), np.nanmax(planned, initial=0.0, where=known)])))
    ax.set_ylabel("delta-v spent, m/s", fontsize=8, color=INK)
    ax.yaxis.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)
