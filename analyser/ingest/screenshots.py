"""Screenshots of a panel become readings: register, rectify each gauge, read, weigh one against another.

A value that is not certain is doubtful: it is listed with its crop and left out of the table, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import DescriptionError, ImageError, InputError
from analyser.flight import TEXTS, Craft, Readings
from analyser.ingest.consistency import decimal_mark, doubt_odd_formats
from analyser.ingest.decode import Motion, decode
from analyser.ingest.formats import weigh_formats
from analyser.ingest.cutting import Cut, as_read, cut, rectify
from analyser.ingest.glyph_memory import GlyphMemory
from analyser.ingest.images import crop_png, grey_of, open_image
from analyser.ingest.instruments import READERS
from analyser.ingest.panel import Gauge, Panel, load_panel
from analyser.ingest.picture_runs import screenshot_runs
from analyser.ingest.readout import NOTHING, GaugeReading, Seen, ask_tesseract, interpret
from analyser.ingest.register import PanelFinder, Registration
from analyser.ingest.settling import shown_sigma
from analyser.ingest.surroundings import Surroundings
from analyser.ingest.tabulating import tabulate

if TYPE_CHECKING:
    import numpy as np

__all__ = ["Looks", "Value", "crop_png", "open_panel", "read_screenshots", "rectify"]

CHUNK = 32  # screenshots whose crops are held at a time


@dataclass(frozen=True)
class Value:
    """One value of one gauge in one screenshot, as it goes into the table of details."""

    row: int
    gauge: Gauge
    column: str
    reading: GaugeReading
    crop: tuple[int, int, int, int] | None
    status: str = "read"  # read | recovered | doubtful
    value: float = math.nan
    sigma: float = math.nan
    text: str = ""
    probability: float = 0.0
    reason: str = ""


def read_screenshots(
    panel_path: str | Path,
    image_paths: Sequence[str | Path],
    progress: Callable[[int, int], None] | None = None,
    craft: Craft | None = None,
    motion: Motion | None = None,
) -> Readings:
    """Read every gauge of a panel in every screenshot.

    Parameters
    ----------
    panel_path : path-like
        ``panel.toml``.
    image_paths : sequence of path-like
        PNG, JPEG, WebP or BMP. Time comes from the panel's clock; their order, or that of their files' times, tells a clock that was
        set back in flight.
    progress : callable, optional
        Called with (done, all) after each screenshot.
    craft : Craft, optional
        Not needed to read: propellant in percent stays ``propellant_fraction``, which fitting turns into kg.
    motion : callable, optional
        ``motion(column, time, known)``: what a column should show at a time, as (value, sigma), or None; ``known`` maps
        columns to lists of (time, value) that are certain. Without it values are weighed against their neighbours.

    Returns
    -------
    Readings
        ``row`` is the 0-based place in ``image_paths``. Doubtful values are in ``detail`` only. Where the clock was set back, ``clock_run``
        marks its runs, and times run on as if that was right after the screenshot before.

    Raises
    ------
    DescriptionError
        The panel file or its reference picture can't be used.
    ImageError
        A screenshot can't be opened.
    """
    panel = load_panel(panel_path)
    paths = [Path(path) for path in image_paths]
    if not paths:
        raise InputError("no screenshots were given; name at least one picture")
    looks = Looks(panel)
    for index, pixels in enumerate(_read_ahead(paths)):
        looks.add(pixels)
        if progress:
            progress(index + 1, len(paths))
    return looks.readings([path.name for path in paths], motion, [path.stat().st_mtime_ns for path in paths])


def _read_ahead(paths: Sequence[Path]) -> "Iterator[np.ndarray]":
    """Pictures in order; the next is decoded while one is looked at."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(open_image, paths[0])
        for following in [*paths[1:], None]:
            pixels = coming.result()
            if following is not None:
                coming = pool.submit(open_image, following)
            yield pixels


class Looks:
    """What was seen of a panel so far, screenshot by screenshot; memory grows by a few hundred bytes a gauge, not by pictures, beside the strips that
    ``memory`` holds.

    Parameters
    ----------
    panel : Panel

    Attributes
    ----------
    seen : list of list of tuple of Seen
        [screenshot][gauge] -> one Seen a column; complete after :meth:`flush`.
    boxes : list of list
        [screenshot][gauge] -> where the gauge lies, or None.
    lost : dict of int to str
        Why the panel was not found, by the screenshot's place.
    memory : GlyphMemory
        Strips of some looks, which show how the gauges draw their characters.
    """

    def __init__(self, panel: Panel):
        self.panel = panel
        self.seen: list[list[tuple[Seen, ...]]] = []
        self.boxes: list[list] = []
        self.lost: dict[int, str] = {}
        self.memory = GlyphMemory()
        self._finder, self._references, self._surroundings = _opened(panel)
        self._view: Registration | None = None
        self._waiting: list[list[Cut]] = []

    def find(self, pixels: "np.ndarray") -> Registration:
        """Where the panel is in the next screenshot, in colour or grey, followed from the one before."""
        self._view = self._finder.find(pixels, self._view)
        return self._view

    def add(self, pixels: "np.ndarray", view: Registration | None = None) -> None:
        """Look at one more screenshot (at ``view``, where it was sought already)."""
        grey = grey_of(pixels)
        view = self._view = view or self.find(grey)
        if not view.found:
            self.lost[len(self.boxes)] = view.reason
        gauges = list(self.panel.gauges.values())
        places = self._surroundings.places(grey, view) if view.found else [None] * len(gauges)
        cuts = [cut(pixels, view, gauge, place, grey) for gauge, place in zip(gauges, places)]
        self.boxes.append([each.box for each in cuts])
        self._waiting.append(cuts)
        if len(self._waiting) >= CHUNK:
            self.flush()

    def flush(self) -> None:
        """Read what waits to be read together."""
        if self._waiting:
            looked = _look(self.panel, self._waiting, self._references)
            for row, (cuts, looks) in enumerate(zip(self._waiting, looked), len(self.seen)):
                for gauge, each, seen in zip(self.panel.gauges.values(), cuts, looks):
                    if gauge.kind == "readout" and each.picture is not None:
                        self.memory.keep(row, gauge.name, each.picture, seen[0])
            self.seen += looked
            self._waiting = []

    def readings(self, names: Sequence[str], motion: Motion | None = None, stamps: Sequence[int] | None = None) -> Readings:
        """Everything seen, weighed against each other; ``names`` and ``stamps`` are those of the screenshots' files and their times."""
        self.flush()
        values = weigh_formats(_interpret(self.panel, self.seen, self.boxes, self.memory))
        runs = screenshot_runs(values, stamps)
        parts = [[value for value in values if runs.get(value.row, 0) == run] for run in sorted({0, *runs.values()})]
        weighed = [value for part in parts for value in decode(part, motion)]
        return tabulate(self.panel, names, doubt_odd_formats(sorted(weighed, key=lambda value: value.row)), self.lost, runs)


_OPENED: dict[tuple, tuple[PanelFinder, list, Surroundings]] = {}  # the panel opened last, by its files' names, sizes and times


def _opened(panel: Panel) -> tuple[PanelFinder, list, Surroundings]:
    """:func:`open_panel`, done once while neither file changes: a flight that is watched asks again for every picture."""
    try:
        stamps = [(str(path), found.st_mtime_ns, found.st_size) for path in (panel.path, panel.reference) for found in [Path(path).stat()]]
    except OSError:
        return open_panel(panel)  # which says what is missing
    key = tuple(stamps)
    if key not in _OPENED:
        found = open_panel(panel)
        _OPENED.clear()
        _OPENED[key] = found
    return _OPENED[key]


def open_panel(panel: Panel) -> tuple[PanelFinder, list, Surroundings]:
    """The finder of a panel's reference picture, each gauge's crop from it, and what surrounds each; checks that the gauges lie on the picture."""
    import numpy as np

    try:
        reference = open_image(panel.reference)
    except ImageError as error:
        raise DescriptionError(f"the reference screenshot can't be used: {error}", panel.path, "key 'reference'") from error
    height, width = reference.shape[:2]
    for gauge in panel.gauges.values():
        if any(not (-1 <= x <= width and -1 <= y <= height) for x, y in gauge.corners):
            raise DescriptionError(
                f"a corner lies outside the reference picture, which is {width} x {height} pixels",
                panel.path, f"key 'gauges.{gauge.name}.corners'",
            )  # fmt: skip
        if min(gauge.size) < 6:
            raise DescriptionError("this gauge is less than 6 pixels high or wide", panel.path, f"key 'gauges.{gauge.name}.corners'")
    still = Registration(np.eye(3))
    crops = [as_read(rectify(reference, still.homography, gauge, READERS[gauge.kind].margin), gauge) for gauge in panel.gauges.values()]
    return PanelFinder(reference, [gauge.corners for gauge in panel.gauges.values()]), crops, Surroundings(reference, list(panel.gauges.values()))


def _look(panel: Panel, chunk: list[list[Cut]], references: list) -> list[list[tuple[Seen, ...]]]:
    """Hand each gauge's crops of a chunk of screenshots to its reader."""
    looked: list[list] = [[None] * len(panel.gauges) for _ in chunk]
    for place, gauge in enumerate(panel.gauges.values()):
        there = [index for index, cuts in enumerate(chunk) if cuts[place].picture is not None]
        found = READERS[gauge.kind].see(gauge, [chunk[index][place].picture for index in there], references[place])
        for index, seen in zip(there, found):
            looked[index][place] = seen
        for index, cuts in enumerate(chunk):
            if cuts[place].picture is None:
                looked[index][place] = tuple(Seen(reading=GaugeReading(doubt=cuts[place].missing)) for _ in gauge.reads)
    readouts = [(index, place, gauge) for place, gauge in enumerate(panel.gauges.values()) if gauge.kind == "readout" for index in range(len(chunk))]
    sure = ask_tesseract([(gauge, chunk[index][place].picture, looked[index][place][0]) for index, place, gauge in readouts])
    for (index, place, _), seen in zip(readouts, sure):
        looked[index][place] = (seen,)
    return looked


def _interpret(panel: Panel, seen: list, boxes: list, memory: GlyphMemory) -> list[Value]:
    """From looks to values: settle the decimal mark, what each look means, and what the characters of a doubtful one look like."""
    gauges = list(panel.gauges.values())
    mark = panel.decimal or decimal_mark(
        (gauge, look) for row in seen for gauge, looks in zip(gauges, row) for look in looks
    )
    read = [[[interpret(gauge, look, mark) for look in looks[place]] for place, gauge in enumerate(gauges)] for looks in seen]
    shown = {(row, gauge.name): each[0] for row, readings in enumerate(read) for gauge, each in zip(gauges, readings) if gauge.kind == "readout"}
    for (row, name), reading in memory.weighed(shown, panel.gauges).items():
        read[row][list(panel.gauges).index(name)] = [reading]
    return [
        _value(row, gauge, column, reading, boxes[row][place])
        for row, readings in enumerate(read) for place, gauge in enumerate(gauges) for column, reading in zip(gauge.reads, readings[place])
    ]  # fmt: skip


def _value(row: int, gauge: Gauge, column: str, reading: GaugeReading, box) -> Value:
    best = reading.best
    if best is None and not reading.doubt:
        return Value(row, gauge, column, reading, box, "read", probability=1.0, reason=NOTHING)
    if best is None:
        return Value(row, gauge, column, reading, box, "doubtful", reason=reading.doubt)
    value = Value(row, gauge, column, reading, box, "read", best.value, math.nan, "", best.probability)
    if column in TEXTS:
        value = replace(value, text=best.text)
    else:
        value = replace(value, sigma=shown_sigma(gauge, best.step))
    if reading.doubt:
        return replace(value, status="doubtful", reason=reading.doubt)
    return replace(value, status="recovered" if reading.recovered else "read", reason=reading.reason)


