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
from analyser.reporting.comparison_tables import comparison_csv, comparison_tables, comparison_words
from analyser.reporting.content import CAUTION, INTERVALS, Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["comparison_html", "comparison_json", "comparison_text", "over_time_figure", "write_comparison"]

#: What is drawn below the waste, as far as it is known.
DRAWN = ("propellant_left", "landing_speed", "reading_to_burn")


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

    figure = over_time_figure(comparison)
    picture = None
    if figure is not None:
        alt = "Waste by cause, and propellant left, landing speed and time from the last reading to the burn, attempt by attempt; the figures are in the tables."
        caption = "In order of time, numbered as in the logbook. Bars are 95 % intervals; a line stands only where a trend can be told."
        picture = Picture("over-time", inline_svg(picture_bytes(figure, "svg", "compare").decode(), "compare"), alt, caption)
    title = comparison.plan or "Attempts"
    return render(
        "compare.html", title=title, words=comparison_words(comparison), tables=comparison_tables(comparison), picture=picture,
        remarks=comparison.remarks, caution=CAUTION, intervals=INTERVALS, version=__version__,
    )  # fmt: skip


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
