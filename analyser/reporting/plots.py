"""Drawing scenes on axes. Each function takes an ``ax`` (matplotlib) and a scene, and computes nothing.

Colours are few, differ in lightness as well as in hue, and never stand alone: a hatch, a marker or a written word goes with
each, so that the pictures can be told apart in monochrome print and by colour-blind readers.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analyser.reporting.label_places import LabelPlaces, text_size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analyser.reporting.margins import MarginSteps
    from analyser.reporting.scenes import BurnBars, LegBars, OrbitPanel
    from analyser.reporting.timeline import Channel, Timeline

# One hex value a role: the page replaces each by a variable of its own, so that it follows light and dark.
INK, FAINT, PAPER = "#20262c", "#b9c0c6", "#fefdfb"
FLOWN, READING, ASIDE, BURN = "#1f5a7a", "#20262d", "#a3341f", "#d98b2b"
GROUND, AIR = "#cfc6b4", "#e4ebf0"

#: key of a piece -> (what it is called, colour, hatch)
PIECES = {
    "needed": ("needed", "#1f5a7b", ""),
    "placement": ("placement loss", "#8fb3a5", ".."),
    "steering": ("steering loss", "#c9722e", "//"),
    "gravity": ("gravity loss", "#e9c46b", "\\\\"),
    "drag": ("drag loss", "#8a6bb0", "xx"),
    "burn": ("burn loss", "#d98b2c", "//"),
    "correction": ("correction loss", "#a3341e", "++"),
    "rest": ("not split", "#b9c0c7", "--"),
}


def said(text: str, most: int = 30) -> str:
    """A name as it is, whatever it holds: no mathematics between dollar signs, no control characters, not without end."""
    text = "".join(character if character.isprintable() else " " for character in text)
    text = text if len(text) <= most else text[: most - 1] + "\u2026"
    return text.replace("\\", "\u2216").replace("$", r"\$")


def strip(ax: "Axes", left: bool = True) -> None:
    """Take away the frame, leave a faint grid for the values."""
    for side in ("top", "right") + (() if left else ("left",)):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=8, length=3, color=FAINT)


def draw_burns(whole: "Axes", losses: "Axes", scene: "BurnBars") -> None:
    """Bars from needed to spent, one a burn, the first at the top; beside them what was lost alone, on a scale of its own.

    The whisker is the 95 % interval of what was spent.
    """
    places = np.arange(len(scene.labels))
    for ax, keys in ((whole, list(scene.pieces)), (losses, [key for key in scene.pieces if key != "needed"])):
        left = np.zeros(len(places))
        for key in keys:
            name, colour, hatch = PIECES[key]
            there = scene.pieces[key] > 0
            _bars(ax, places[there], left[there], scene.pieces[key][there], facecolor=colour, hatch=hatch, edgecolor=PAPER, linewidth=0.5, label=name)
            left = left + scene.pieces[key]
        for place, end, high in zip(places, left, np.maximum(scene.high, left) if ax is whole else left, strict=True):
            ax.annotate(f"{end:.0f}" if ax is losses else f"{scene.spent[place]:.0f}", (high, place), (5, 0), textcoords="offset points",
                        va="center", fontsize=8, color=INK)  # fmt: skip
        ax.set_yticks(places, [said(label) for label in scene.labels] if ax is whole else [])
        ax.set_ylim(len(places) - 0.4, -0.6)
        ax.set_xlim(0, 1.16 * max(float(np.max(np.maximum(scene.high, left) if ax is whole else left)), 1e-3))
        ax.xaxis.grid(True, color=FAINT, linewidth=0.4)
        ax.set_axisbelow(True)
        strip(ax)
    _whiskers(whole, places, scene.spent, scene.low, scene.high)
    whole.set_xlabel("from needed to spent, m/s", fontsize=8, color=INK)
    losses.set_xlabel("the losses alone, m/s", fontsize=8, color=INK)
    whole.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2,
                 handlelength=1.6, columnspacing=1.4)  # fmt: skip


def _bars(ax: "Axes", places: np.ndarray, left: np.ndarray, lengths: np.ndarray, **look) -> None:
    """Lying bars as one artist."""
    from matplotlib.collections import PolyCollection

    low, high, right = places - 0.31, places + 0.31, left + lengths
    corners = np.stack([np.stack([left, right, right, left], 1), np.stack([low, low, high, high], 1)], 2)
    ax.add_collection(PolyCollection(corners, **look), autolim=False)


def draw_legs(ax: "Axes", scene: "LegBars") -> None:
    """What each leg took, with marks for the plan's ideal (a stroke) and the least between the orbits flown (a diamond)."""
    places = np.arange(len(scene.labels))
    ax.barh(places, scene.spent, 0.5, color=FLOWN, label="spent")
    _whiskers(ax, places, scene.spent, scene.low, scene.high)
    ax.plot(scene.planned, places, "|", color=BURN, markersize=18, markeredgewidth=2.4, label="planned")
    ax.plot(scene.needed, places, "D", color=PAPER, markeredgecolor=INK, markersize=5.5, label="least needed")
    ax.set_yticks(places, [said(label, 18) for label in scene.labels])
    ax.set_ylim(len(places) - 0.4, -0.6)
    ax.set_xlim(0, 1.06 * float(np.nanmax([scene.high, scene.needed, scene.planned])))
    ax.set_xlabel("delta-v, m/s", fontsize=8, color=INK)
    ax.xaxis.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)


def _whiskers(ax: "Axes", places: np.ndarray, values: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
    ax.errorbar(values, places, xerr=np.vstack([values - low, high - values]), fmt="none", color=INK, ecolor=INK, elinewidth=1, capsize=2.5)


def draw_margin(ax: "Axes", scene: "MarginSteps") -> None:
    """Steps of what was in the tanks and of what the rest needed; the margin between them shaded, hatched where it was missing."""
    places = np.arange(len(scene.labels) + 1) - 0.5
    held, needed = (np.append(part, part[-1]) for part in (scene.available, scene.needed))
    ax.fill_between(places, needed, held, where=held >= needed, step="post", color=GROUND, linewidth=0)
    if (held < needed).any():
        ax.fill_between(places, needed, held, where=held < needed, step="post", facecolor=PAPER, edgecolor=ASIDE, hatch="///", linewidth=0)
    ax.step(places, held, where="post", color=FLOWN, linewidth=1.6, label="in the tanks")
    ax.step(places, needed, where="post", color=BURN, linewidth=1.6, linestyle=(0, (5, 2)), label="rest of the plan at the least")
    for place, (high, low) in enumerate(zip(scene.available, scene.needed, strict=True)):
        ax.annotate(f"{high - low:.0f}".replace("-", "\u2212"), (place, max(high, low)), (0, 4), textcoords="offset points", ha="center", va="bottom", fontsize=8, color=INK)
    ax.set_xlim(places[0], places[-1])
    ax.set_ylim(min(0.0, 1.1 * float(min(held.min(), needed.min()))), 1.12 * float(max(held.max(), needed.max(), 1.0)))
    ax.set_xticks(range(len(scene.labels)), scene.labels)
    ax.set_ylabel("delta-v, m/s (figures: margin)", fontsize=8, color=INK)
    ax.yaxis.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)


def draw_orbits(ax: "Axes", panel: "OrbitPanel") -> None:
    """Orbits about one body, to scale: the body filled, its air around it, orbits dashed, what was flown solid."""
    from matplotlib.patches import Circle

    if panel.air > 0:
        ax.add_patch(Circle((0, 0), panel.radius + panel.air, facecolor=AIR, edgecolor="none"))
    ax.add_patch(Circle((0, 0), panel.radius, facecolor=GROUND, edgecolor=INK, linewidth=0.5))
    for curve in panel.whole:
        ax.plot(curve[:, 0], curve[:, 1], color=FLOWN, linewidth=0.7, linestyle=(0, (5, 4)))
    for label, curve in panel.flown:
        ax.plot(curve[:, 0], curve[:, 1], color=FLOWN if label else FAINT, linewidth=1.5 if label else 0.8)
    for _, _, curve in panel.burns:
        ax.plot(curve[:, 0], curve[:, 1], color=BURN, linewidth=4, solid_capstyle="butt", zorder=4)
    ax.plot(panel.used[:, 0], panel.used[:, 1], ".", color=READING, markersize=4, zorder=5)
    ax.plot(panel.set_aside[:, 0], panel.set_aside[:, 1], "x", color=ASIDE, markersize=6, markeredgewidth=1.6, zorder=5)
    (x, y), (wide, high) = panel.centre, panel.reach
    ax.set_xlim(x - wide, x + wide)
    ax.set_ylim(y - high, y + high)
    ax.set_aspect("equal")
    ax.set_axis_off()
    length = 10.0 ** np.floor(np.log10(wide))
    length *= 5 if 5 * length < 0.7 * wide else 2 if 2 * length < 0.7 * wide else 1
    start, below = x - 0.96 * wide, y - 0.965 * high
    ax.plot([start, start + length], [below, below], color=INK, linewidth=2, solid_capstyle="butt")
    ax.annotate(f"{length:,.0f} km".replace(",", "\u202f"), (start, below), (0, 3), textcoords="offset points", fontsize=8, color=INK, va="bottom")
    _label_orbits(ax, panel, (start, below, length))


def _label_orbits(ax: "Axes", panel: "OrbitPanel", scale: tuple[float, float, float]) -> None:
    """The body's name, the burns and the arcs, each beside what it names, inside the drawing and clear of the others."""
    places = LabelPlaces(ax)

    def write(text: str, middle: tuple[float, float], **how) -> None:
        ax.annotate(text, middle, xycoords="axes points", ha="center", va="center", annotation_clip=False, **how)

    left, right = places.point(scale[0], scale[1]), places.point(scale[0] + scale[2], scale[1])
    places.take(((left[0] + right[0]) / 2, left[1] + 6), (max(right[0] - left[0], 45.0), 16.0))
    name, centre = said(panel.body), places.point(0, 0)
    size = text_size(name, 8)
    if panel.radius > 0.25 * panel.reach[0]:
        places.take(centre, size)
        write(name, centre, fontsize=8, color=INK)
    for _, _, curve in panel.burns:
        places.take(places.point(*curve[len(curve) // 2]), (7.0, 7.0))
    for label, _, curve in panel.burns:
        if not label:
            continue
        x, y = (float(part) for part in curve[len(curve) // 2])
        anchor, how = places.point(x, y), text_size(label, 8, True)
        middle = places.beside(anchor, math.atan2(y, x), how)
        if math.dist(anchor, middle) > 24.0:
            ax.annotate("", anchor, middle, xycoords="axes points", textcoords="axes points", zorder=6,
                        arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.5, "shrinkA": 6, "shrinkB": 3})  # fmt: skip
        write(label, middle, color=INK, fontsize=8, fontweight="bold", zorder=7)
    for label, curve in panel.flown:
        if not label:
            continue
        wide = text_size(label, 7.5)[0]
        count = len(curve) - 1
        order = [round(count * share) for share in (0.555, 0.45, 0.65, 0.35, 0.75, 0.25, 0.6, 0.5, 0.4, 0.7, 0.3, 0.82, 0.18, 0.9, 0.1, 0.97, 0.03)]
        middle = places.along([places.point(*(float(part) for part in curve[k])) for k in order], (wide + 7.5, wide + 7.5 if wide > 8 else 13.0))
        write(label, middle, color=PAPER, fontsize=7.5,
              bbox={"boxstyle": "circle,pad=0.22", "facecolor": FLOWN, "edgecolor": PAPER, "linewidth": 0.8}, zorder=6)  # fmt: skip
    if panel.radius <= 0.25 * panel.reach[0]:
        below = places.point(0, -panel.radius)
        write(name, places.beside((below[0], below[1] + 3), -math.pi / 2, size), fontsize=8, color=INK)


def draw_channel(ax: "Axes", scene: "Timeline", channel: "Channel", first: bool, last: bool) -> None:
    """One quantity over the drawn time: the fit as a line, readings as dots, those set aside as crosses, burns shaded."""
    # one artist for all burns and one for all edges: drawing time goes with the number of artists
    across = ax.get_xaxis_transform()
    ax.broken_barh([(left, right - left) for _, left, right in scene.burns], (0, 1), transform=across, facecolor=BURN, alpha=0.28, linewidth=0)
    ax.vlines(scene.edges, 0, 1, transform=across, color=FAINT, linewidth=0.6, linestyle=(0, (2, 3)))
    if first:
        for label, left, right in scene.burns:
            ax.annotate(label, ((left + right) / 2, 1), (0, 3), xycoords=("data", "axes fraction"), textcoords="offset points", ha="center",
                        va="bottom", fontsize=8, color=INK, fontweight="bold")  # fmt: skip
    if first:
        for label, left, right in scene.coasts:
            if right - left > 0.062:
                ax.annotate(label, ((left + right) / 2, 1), (0, 3), xycoords=("data", "axes fraction"), textcoords="offset points",
                            ha="center", va="bottom", fontsize=7.5, color=INK)  # fmt: skip
        for label, left, right in scene.bodies:
            if right - left < 0.011 * (6 + len(label)):
                continue  # its name would run into the next
            ax.annotate(said(f"about {label}"), ((left + right) / 2, 1), (0, 15), xycoords=("data", "axes fraction"), textcoords="offset points",
                        ha="center", va="bottom", fontsize=8.5, color=INK)  # fmt: skip
    ax.plot(channel.fit_x, channel.fit_y, color=FLOWN, linewidth=1.3)
    ax.plot(channel.used[:, 0], channel.used[:, 1], ".", color=READING, markersize=4)
    ax.plot(channel.set_aside[:, 0], channel.set_aside[:, 1], "x", color=ASIDE, markersize=6, markeredgewidth=1.6)
    if channel.linear_to > 0:
        _logarithmic(ax, channel)
    ax.set_xlim(0, 1)
    ax.set_ylabel(channel.title, fontsize=8, color=INK)
    ax.yaxis.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    if last:
        ax.set_xticks([place for place, _ in scene.ticks], [label.replace(" d ", " d\n") for _, label in scene.ticks])
    else:
        ax.set_xticks([])
    if last and scene.ticks:
        for label, (place, _) in zip(ax.get_xticklabels(), scene.ticks, strict=True):
            label.set_ha("left" if place < 0.02 else "right" if place > 0.98 else "center")
    strip(ax)


def _logarithmic(ax: "Axes", channel: "Channel") -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

    ax.set_yscale("symlog", linthresh=channel.linear_to, linscale=0.6)
    top = float(np.nanmax(np.abs(channel.fit_y)))
    powers = [10.0**power for power in range(round(np.log10(channel.linear_to)), int(np.log10(top)) + 2)]
    powers = powers[:: 1 + len(powers) // 6]
    below = [-power for power in reversed(powers)] if np.nanmin(channel.fit_y) < -channel.linear_to / 2 else []
    ax.yaxis.set_major_locator(FixedLocator([*below, 0.0, *powers]))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}".replace("-", "\u2212")))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_minor_formatter(NullFormatter())
    lowest, highest = float(np.nanmin(channel.fit_y)), float(np.nanmax(channel.fit_y))
    ax.set_ylim(lowest * 1.6 if lowest < 0 else -channel.linear_to * 0.15, highest * 1.6 if highest > 0 else channel.linear_to * 0.15)


def draw_waste_series(ax: "Axes", places: np.ndarray, names: "tuple[str, ...]", pieces: "dict[str, np.ndarray]") -> None:
    """Waste of each attempt as a bar in its causes, in order of time."""
    base = np.zeros(len(places))
    for key, values in pieces.items():
        name, colour, hatch = PIECES[key]
        ax.bar(places, values, 0.66, bottom=base, color=colour, hatch=hatch, edgecolor=PAPER, linewidth=0.5, label=name)
        base = base + values
    ax.set_ylabel("wasted, m/s", fontsize=8, color=INK)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, fontsize=8, frameon=False, labelcolor=INK, borderaxespad=0.2)
    _series_axes(ax, places, names)


def draw_series(
    ax: "Axes", places: np.ndarray, names: "tuple[str, ...]", values: np.ndarray, halves: np.ndarray, label: str,
    line: "tuple[np.ndarray, np.ndarray] | None",
) -> None:  # fmt: skip
    """One figure of each attempt with its 95 % interval; a line only where there is a trend (``line``: x and y)."""
    ax.errorbar(places, values, yerr=halves, fmt="o", color=FLOWN, ecolor=FLOWN, markersize=4, elinewidth=1, capsize=2)
    if line is not None:
        ax.plot(*line, color=BURN, linewidth=1.6)
    ax.set_ylabel(label, fontsize=8, color=INK)
    ax.set_ylim(bottom=min(0.0, 1.05 * float(np.nanmin(values))), top=1.08 * float(np.nanmax(values + halves)) or 1.0)
    _series_axes(ax, places, names)


def _series_axes(ax: "Axes", places: np.ndarray, names: "tuple[str, ...]") -> None:
    ax.set_xlim(float(places[0]) - 0.6, float(places[-1]) + 0.6)
    step = 1 + len(places) // 16
    ax.set_xticks(places[::step], names[::step])
    ax.yaxis.grid(True, color=FAINT, linewidth=0.4)
    ax.set_axisbelow(True)
    strip(ax)
