"""Screenshots of a panel become readings: register, rectify each gauge, read, weigh one against another.

A value that is not certain is doubtful: it is listed with its crop and left out of the table, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import DescriptionError, ImageError, InputError
from analyser.flight import QUANTITIES, TEXTS, Craft, Readings
from analyser.ingest.consistency import decimal_mark, doubt_odd_formats
from analyser.ingest.decode import Motion, decode
from analyser.ingest.grammar import sigma_of
from analyser.ingest.images import crop_png, load_opencv, open_image
from analyser.ingest.instruments import READERS
from analyser.ingest.panel import Gauge, Panel, load_panel
from analyser.ingest.readout import NOTHING, GaugeReading, Seen, ask_tesseract, interpret
from analyser.ingest.register import PanelFinder, Registration, project

if TYPE_CHECKING:
    import numpy as np

__all__ = ["crop_png", "read_screenshots", "rectify"]

CHUNK = 32  # screenshots whose crops are held at a time
MAX_CROP = 640  # pixels: no gauge is rectified larger
DETAIL_COLUMNS = (
    "source", "row", "met", "column", "gauge", "raw", "value", "sigma", "probability", "status", "reason", "crop",
)  # fmt: skip


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
        PNG, JPEG, WebP or BMP. Time comes from the panel's clock; their order is only a fallback.
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
        ``row`` is the 0-based place in ``image_paths``. Doubtful values are in ``detail`` only.

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
    finder, references = _opened(panel)
    seen: list[list[tuple[Seen, ...]]] = []  # [screenshot][gauge] -> one Seen a column
    boxes: list[list] = []
    lost: dict[int, str] = {}
    view = None
    for start in range(0, len(paths), CHUNK):
        chunk = []
        for index, path in enumerate(paths[start : start + CHUNK], start):
            pixels = open_image(path)
            view = finder.find(pixels, view)
            if not view.found:
                lost[index] = view.reason
            chunk.append([_cut(pixels, view, gauge) for gauge in panel.gauges.values()])
            if progress:
                progress(index + 1, len(paths))
        boxes += [[box for _, box, _ in cuts] for cuts in chunk]
        seen += _look(panel, chunk, references)
    values = _interpret(panel, seen, boxes, motion)
    return _tabulate(panel, paths, values, lost, craft)


_OPENED: dict[tuple, tuple[PanelFinder, list]] = {}  # the panel opened last, by its files' names, sizes and times


def _opened(panel: Panel) -> tuple[PanelFinder, list]:
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


def open_panel(panel: Panel) -> tuple[PanelFinder, list]:
    """The finder of a panel's reference picture, and each gauge's crop from it; checks that the gauges lie on the picture."""
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
    return PanelFinder(reference, [gauge.corners for gauge in panel.gauges.values()]), _reference_crops(reference, panel)


def rectify(pixels: "np.ndarray", homography: "np.ndarray", gauge: Gauge, margin: float = 0.0) -> "np.ndarray":
    """A gauge seen straight on, at the size it has in the screenshot.

    ``margin`` is a part of the gauge's height, added on every side.
    """
    import numpy as np

    cv2 = load_opencv()
    width, height = gauge.size
    seen = project(homography, gauge.corners)
    a, b, c, d = seen
    scale = math.sqrt(max(cv2.contourArea(seen.astype(np.float32)), 1.0) / (width * height))
    scale = min(max(scale, 12 / height), MAX_CROP / max(width, height))
    pad = margin * height
    size = (max(8, round((width + 2 * pad) * scale)), max(8, round((height + 2 * pad) * scale)))
    flat = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    # corners are places on the picture, where pixel i reaches from i to i + 1; homographies speak of pixels' middles
    to_middle = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    to_screen = homography @ to_middle @ cv2.getPerspectiveTransform(flat, np.array(gauge.corners, np.float32))
    to_flat = np.array([[1 / scale, 0, 0.5 / scale - pad], [0, 1 / scale, 0.5 / scale - pad], [0, 0, 1]])
    return cv2.warpPerspective(
        pixels, to_screen @ to_flat, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def _cut(pixels: "np.ndarray", view: Registration, gauge: Gauge):
    """(crop or None, its box in the screenshot or None, why there is none)."""
    import numpy as np

    if not view.found:
        return None, None, f"the panel was not found: {view.reason}"
    height, width = pixels.shape[:2]
    seen = project(view.homography, gauge.corners)
    left, top = np.floor(seen.min(axis=0)).astype(int)
    right, bottom = np.ceil(seen.max(axis=0)).astype(int) + 1
    box = (int(max(left, 0)), int(max(top, 0)), int(min(right, width)), int(min(bottom, height)))
    slack = 0.02 * min(gauge.size)
    if left < -slack or top < -slack or right > width + slack + 1 or bottom > height + slack + 1:
        return None, box if box[2] > box[0] and box[3] > box[1] else None, "this gauge is partly outside the screenshot"
    reader = READERS[gauge.kind]
    crop = rectify(pixels, view.homography, gauge, reader.margin)
    if not reader.colour:
        crop = _grey(crop)
    return crop, box, ""


def _grey(crop: "np.ndarray") -> "np.ndarray":
    cv2 = load_opencv()
    return cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY)


def _reference_crops(reference: "np.ndarray", panel: Panel) -> list["np.ndarray"]:
    import numpy as np

    crops = [rectify(reference, np.eye(3), gauge, READERS[gauge.kind].margin) for gauge in panel.gauges.values()]
    return [crop if READERS[gauge.kind].colour else _grey(crop) for crop, gauge in zip(crops, panel.gauges.values())]


def _look(panel: Panel, chunk: list, references: list) -> list[list[tuple[Seen, ...]]]:
    """Hand each gauge's crops of a chunk of screenshots to its reader."""
    looked: list[list] = [[None] * len(panel.gauges) for _ in chunk]
    for place, gauge in enumerate(panel.gauges.values()):
        there = [index for index, cuts in enumerate(chunk) if cuts[place][0] is not None]
        found = READERS[gauge.kind].see(gauge, [chunk[index][place][0] for index in there], references[place])
        for index, seen in zip(there, found):
            looked[index][place] = seen
        for index, cuts in enumerate(chunk):
            if cuts[place][0] is None:
                looked[index][place] = tuple(Seen(reading=GaugeReading(doubt=cuts[place][2])) for _ in gauge.reads)
    readouts = [(index, place, gauge) for place, gauge in enumerate(panel.gauges.values()) if gauge.kind == "readout" for index in range(len(chunk))]
    sure = ask_tesseract([(gauge, chunk[index][place][0], looked[index][place][0]) for index, place, gauge in readouts])
    for (index, place, _), seen in zip(readouts, sure):
        looked[index][place] = (seen,)
    return looked


def _interpret(panel: Panel, seen: list, boxes: list, motion: Motion | None) -> list[Value]:
    """From looks to values: settle the decimal mark, what each look means, weigh values against each other and formats."""
    gauges = list(panel.gauges.values())
    mark = panel.decimal or decimal_mark(
        (gauge, look) for row in seen for gauge, looks in zip(gauges, row) for look in looks
    )
    values = []
    for row, looks in enumerate(seen):
        for place, gauge in enumerate(gauges):
            for column, look in zip(gauge.reads, looks[place]):
                values.append(_value(row, gauge, column, interpret(gauge, look, mark), boxes[row][place]))
    return doubt_odd_formats(decode(values, motion))


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
        value = replace(value, sigma=gauge.sigma if math.isfinite(gauge.sigma) else sigma_of(best.step))
    return replace(value, status="doubtful", reason=reading.doubt) if reading.doubt else value


def _tabulate(panel: Panel, paths, values: list[Value], lost: dict[int, str], craft: Craft | None) -> Readings:
    import pandas as pd

    remarks = []
    rows: dict[int, dict] = {row: {"source": path.name, "row": row} for row, path in enumerate(paths)}
    for value in values:
        if value.status == "doubtful":
            continue
        row = rows[value.row]
        if value.column in TEXTS:
            row[value.column] = value.text or row.get(value.column, "")
        elif math.isnan(value.value):
            continue
        elif math.isnan(row.get(value.column, math.nan)) or value.sigma < row[f"{value.column}_sigma"]:
            row[value.column], row[f"{value.column}_sigma"] = value.value, value.sigma
    times = {row: entry.get("met", math.nan) for row, entry in rows.items()}
    for row, reason in lost.items():
        remarks.append(f"{paths[row].name}: the panel was not found ({reason}); nothing was read from it")
    timeless = [row for row, met in times.items() if math.isnan(met) and row not in lost]
    for row in timeless:
        remarks.append(f"{paths[row].name}: its clock could not be read for certain, so none of its values is in the table")
    kept = [entry for row, entry in rows.items() if not math.isnan(times[row])]
    ordered = [entry["met"] for entry in kept]
    if ordered != sorted(ordered):
        remarks.append("the screenshots' order is not that of the panel's clock; the clock's order was taken")
    table = pd.DataFrame(sorted(kept, key=lambda entry: entry["met"]))
    shown = {column for gauge in panel.gauges.values() for column in gauge.reads}
    columns = ["met", "met_sigma"]
    for name in QUANTITIES:
        if name in shown:
            columns += [name, f"{name}_sigma"]
    texts = [name for name in TEXTS if name in shown]
    table = table.reindex(columns=[*columns, *texts, "source", "row"])
    for name in columns:
        table[name] = table[name].astype(float)
    for name in texts:
        table[name] = table[name].astype(object).where(table[name].notna(), "")
    repeated = table["met"].duplicated(keep=False).sum()
    if repeated:
        remarks.append(f"{repeated} screenshots share a clock reading with another; all were kept")
    detail = pd.DataFrame(
        [
            (
                paths[value.row].name, value.row, times[value.row], value.column, value.gauge.name, value.reading.raw,
                math.nan if value.status == "doubtful" else value.value,
                math.nan if value.status == "doubtful" else value.sigma,
                value.probability, value.status, value.reason, value.crop,
            )
            for value in values
        ],
        columns=DETAIL_COLUMNS,
    )  # fmt: skip
    return Readings(table, detail, tuple(remarks))
