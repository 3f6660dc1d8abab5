"""A comparison on the terminal, as a page, as files."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analyser import __version__
from analyser.files import staged_folder
from analyser.reporting.comparison import Comparison, Measure, to_dict
from analyser.reporting.comparison_tables import SIDE_BY_SIDE, comparison_csv, comparison_tables, comparison_words
from analyser.reporting.content import CAUTION, INTERVALS, Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["comparison_html", "comparison_json", "comparison_text", "legs_together_figure", "over_time_figure", "write_comparison"]

#: What is drawn below the waste, as far as it is known.
DRAWN = ("missed", "propellant_left", "landing_speed", "reading_to_burn")


def comparison_text(comparison: Comparison) -> str:
    """For the terminal, 80 columns."""
    from analyser.reporting.text import join_lines, set_table, wrapped

    lines: list[str] = []
    for paragraph in comparison_words(comparison):
        lines += [*wrapped(paragraph), ""]
    for table in comparison_tables(comparison, short=True):
        lines += [*set_table(table), ""]
    for remark in comparison.remarks:
        lines += wrapped(remark, "  ", first="- ")
    lines += [*wrapped(INTERVALS), *wrapped(CAUTION)]
    return join_lines(lines)


def comparison_json(comparison: Comparison) -> str:
    """Strict JSON, SI."""
    return json.dumps(to_dict(comparison), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def comparison_html(comparison: Comparison) -> str:
    """One self-contained page."""
    from analyser.reporting.html import render
    from analyser.reporting.pictures import inline_svg, picture_bytes

    pictures = []
    figure = legs_together_figure(comparison)
    if figure is not None:
        alt = "Delta-v spent leg by leg, a bar an attempt, with the plan's ideal; the figures are in the table."
        caption = "What each leg took in each attempt, with its 95 % interval; the stroke is the plan's ideal."
        pictures.append(Picture("legs-together", inline_svg(picture_bytes(figure, "svg", "legs").decode(), "legs"), alt, caption))
    figure = over_time_figure(comparison)
    if figure is not None:
        alt = "Waste by cause, and what else is known of misses, propellant left, landing speed and time from reading to burn, attempt by attempt; the figures are in the tables."
        caption = "In order of time, numbered as in the logbook. Bars are 95 % intervals; a line stands only where a trend can be told."
        pictures.append(Picture("over-time", inline_svg(picture_bytes(figure, "svg", "compare").decode(), "compare"), alt, caption))
    title = comparison.plan or "Attempts"
    return render(
        "compare.html", title=title, words=comparison_words(comparison), tables=comparison_tables(comparison), pictures=pictures,
        remarks=comparison.remarks, caution=CAUTION, intervals=INTERVALS, version=__version__,
    )  # fmt: skip


def legs_together_figure(comparison: Comparison) -> "Figure | None":
    """What each leg took in each attempt, bars side by side; None where there are too many attempts for that, or no legs."""
    legs = [leg for leg in comparison.legs if any(math.isfinite(value) and value > 0 for value in leg.spent)]
    if not 2 <= len(comparison.attempts) <= SIDE_BY_SIDE or not legs:
        return None
    from matplotlib.figure import Figure

    from analyser.reporting.comparison_plots import draw_legs_together

    figure = Figure(figsize=(7.6, 2.9))
    figure.patch.set_alpha(0)
    ax = figure.add_axes((0.1, 0.1, 0.88, 0.72))
    names = tuple(f"{item.id}: {item.name}" for item in comparison.attempts)
    spent, sigmas = (np.array([getattr(leg, key) for leg in legs]).T for key in ("spent", "spent_sigma"))
    draw_legs_together(ax, tuple(leg.name for leg in legs), names, spent, 1.96 * np.nan_to_num(sigmas), np.array([leg.planned for leg in legs]))
    return figure


def over_time_figure(comparison: Comparison) -> "Figure | None":
    """Waste by cause and the other figures over the attempts; None for fewer than two."""
    if len(comparison.attempts) < 2:
        return None
    from matplotlib.figure import Figure

    from analyser.reporting import plots

    places = np.arange(len(comparison.attempts))
    names = tuple(str(item.id) for item in comparison.attempts)
    measures = [item for item in comparison.measures if item.key in DRAWN]
    pieces = _pieces(comparison)
    count = len(measures) + bool(pieces)
    if not count:
        return None
    height = 0.75 + 1.6 * count
    figure = Figure(figsize=(7.6, height))
    figure.patch.set_alpha(0)
    axes = [figure.add_axes((0.1, (0.45 + 1.6 * (count - 1 - index)) / height, 0.88, 1.32 / height)) for index in range(count)]
    if pieces:
        plots.draw_waste_series(axes[0], places, names, pieces)
    for ax, item in zip(axes[bool(pieces) :], measures, strict=True):
        halves = np.nan_to_num(1.96 * np.array(item.sigmas))
        plots.draw_series(ax, places, names, np.array(item.values), halves, f"{item.label}, {item.unit}", _line(item, places))
    axes[-1].set_xlabel("attempt in the logbook", fontsize=8, color=plots.INK)
    return figure


def _pieces(comparison: Comparison) -> dict[str, np.ndarray]:
    found = {}
    for key, measure in (("placement", "placement_loss"), ("burn", "burn_loss"), ("correction", "correction_loss")):
        item = next((item for item in comparison.measures if item.key == measure), None)
        if item is not None:
            found[key] = np.clip(np.nan_to_num(np.array(item.values)), 0, None)
    return found


def _line(item: Measure, places: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Ends of the Theil-Sen line through the medians; None where no trend is told."""
    if not item.trend.told or not math.isfinite(item.trend.slope):
        return None
    values = np.array(item.values)
    known = np.isfinite(values)
    middle = np.median(values[known]) - item.trend.slope * np.median(places[known])
    ends = places[[0, -1]]
    return ends, middle + item.trend.slope * ends


def write_comparison(comparison: Comparison, out_dir: str | Path) -> Path:
    """Write compare.html, compare.json and compare.csv into ``out_dir`` as one set.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputError
        The folder can't be written or the disk is full; what was there is whole.
    """
    texts = {"compare.html": comparison_html(comparison), "compare.json": comparison_json(comparison), "compare.csv": comparison_csv(comparison)}
    with staged_folder(out_dir) as folder:
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode("utf-8"))
    return Path(out_dir) / "compare.html"
