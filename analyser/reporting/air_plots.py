"""Drawing falls and climbs through air, and landings on the engine. Each function takes axes and a scene, and computes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analyser.reporting.plots import ASIDE, BURN, FAINT, FLOWN, INK, PAPER, READING, strip

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analyser.reporting.ascent import AscentScene
    from analyser.reporting.descent import DescentScene
    from analyser.reporting.entry import EntryScene


def draw_entry(ax: "Axes", scene: "EntryScene") -> None:
    """Altitude against speed through the air: the fall, the corridor's ends dashed, readings, the peak ringed, openings as diamonds."""
    for edge, name in ((scene.upper, "upper end of the corridor"), (scene.lower, "lower end")):
        if len(edge):
            ax.plot(edge[:, 0], edge[:, 1], color=BURN, linewidth=1.1, linestyle=(0, (5, 3) if edge is scene.upper else (2, 2)), label=name)
    ax.plot(scene.path[:, 0], scene.path[:, 1], color=FLOWN, linewidth=1.8, label="flown")
    ax.plot(scene.readings[:, 0], scene.readings[:, 1], ".", color=READING, markersize=5, label="read")
    ax.plot(scene.peak[:, 0], scene.peak[:, 1], "o", markerfacecolor="none", markeredgecolor=ASIDE, markersize=9, markeredgewidth=1.5)
    ax.annotate(scene.peak_words, scene.peak[0], (9, -12), textcoords="offset points", fontsize=8, color=INK)
    if len(scene.openings):
        ax.plot(scene.openings[:, 0], scene.openings[:, 1], "D", color=PAPER, markeredgecolor=INK, markersize=6, label="parachute")
    ax.set_xlim(left=0)
    ax.set_ylim(0, 1.03 * float(np.nanmax(scene.path[:, 1])))
    ax.set_xlabel("speed through the air, m/s", fontsize=8, color=INK)
    ax.set_ylabel("altitude, km", fontsize=8, color=INK)
    ax.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=5, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)


def draw_ascent(path: "Axes", losses: "Axes", scene: "AscentScene") -> None:
    """Altitude against speed over the ground, flown and at the least; beside it what each loss took."""
    path.plot(scene.flown[:, 0], scene.flown[:, 1], ".-", color=FLOWN, linewidth=1.6, markersize=5, markerfacecolor=READING, markeredgecolor=READING, label="flown")
    if len(scene.best):
        path.plot(scene.best[:, 0], scene.best[:, 1], color=BURN, linewidth=1.6, linestyle=(0, (5, 2)), label="at the least")
    path.set_xlim(left=0)
    path.set_ylim(bottom=0)
    path.set_xlabel("speed over the ground, m/s", fontsize=8, color=INK)
    path.set_ylabel("altitude, km", fontsize=8, color=INK)
    path.grid(True, color=FAINT, linewidth=0.4)
    path.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)
    places = np.arange(3)
    losses.barh(places - 0.18, np.nan_to_num(scene.losses), 0.32, color=FLOWN, label="flown")
    losses.barh(places + 0.18, np.nan_to_num(scene.least), 0.32, facecolor=PAPER, edgecolor=BURN, hatch="//", label="at the least")
    known = np.isfinite(scene.losses)
    losses.errorbar(
        scene.losses[known], (places - 0.18)[known], xerr=np.vstack([scene.losses - scene.low, scene.high - scene.losses])[:, known], fmt="none", ecolor=INK, elinewidth=1, capsize=2.5
    )  # fmt: skip
    losses.set_yticks(places, ["gravity", "drag", "steering"])
    losses.set_ylim(2.6, -0.6)
    losses.set_xlabel("lost, m/s", fontsize=8, color=INK)
    losses.xaxis.grid(True, color=FAINT, linewidth=0.4)
    for ax in (path, losses):
        ax.set_axisbelow(True)
        strip(ax)


def draw_descent(ax: "Axes", scene: "DescentScene") -> None:
    """Height against speed over the ground as read, from left (fast) to right, and the height that stopping at full thrust takes."""
    ax.plot(scene.flown[:, 0], scene.flown[:, 1], ".-", color=FLOWN, linewidth=1.6, markersize=6, markerfacecolor=READING, markeredgecolor=READING, label="flown")
    ax.plot(scene.needed[:, 0], scene.needed[:, 1], color=BURN, linewidth=1.6, linestyle=(0, (5, 2)), label="what a stop at full thrust takes")
    top = 1.6 * float(max(scene.flown[:, 1].max(), scene.needed[:, 1].max(initial=0.0)))
    ax.set_yscale("log")
    ax.set_ylim(3.0, top)
    marks = [mark for mark in (3.0, 10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4, 1e5) if mark <= top]
    ax.set_yticks(marks, [f"{mark:.0f} m" if mark < 1e3 else f"{mark / 1e3:.0f} km" for mark in marks])
    ax.minorticks_off()
    ax.set_xlim(1.03 * float(scene.flown[:, 0].max()), 0)
    ax.set_xlabel("speed over the ground, m/s", fontsize=8, color=INK)
    ax.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)
