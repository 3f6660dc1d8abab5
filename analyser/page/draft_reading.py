"""What a panel that is being drawn reads in screenshots, while it is drawn: where the panel lies in each is found once and remembered."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyser.errors import AnalyserError, InputError
from analyser.flight import TEXTS
from analyser.ingest.consistency import decimal_mark
from analyser.ingest.cutting import as_read, cut, rectify
from analyser.ingest.images import load_opencv, open_image
from analyser.ingest.instruments import READERS
from analyser.ingest.panel import Gauge, Panel
from analyser.ingest.readout import NOTHING, GaugeReading, Seen, ask_tesseract, interpret
from analyser.ingest.register import PanelFinder, Registration
from analyser.page.proposed import shown_unit, si_text

if TYPE_CHECKING:
    import numpy as np

__all__ = ["DraftReader"]

_PICTURES = 24  # held decoded
_VIEWS = 500


class DraftReader:
    """Reads single gauges of drafts in screenshots."""

    def __init__(self) -> None:
        self._pixels: OrderedDict[tuple, Any] = OrderedDict()
        self._finders: OrderedDict[tuple, PanelFinder] = OrderedDict()
        self._views: OrderedDict[tuple, Registration] = OrderedDict()
        self._lock = threading.Lock()

    def read(self, panel: Panel, gauges: list[str], pictures: list[tuple[str, Path]]) -> list[dict[str, Any]]:
        """What each of ``gauges`` shows in each picture.

        Parameters
        ----------
        panel : Panel
            Checked; its reference is among the pictures or not.
        gauges : list of str
        pictures : list of (name, path)

        Returns
        -------
        list of dict
            For each gauge and picture: gauge, picture, column, raw, value (in words), probability, doubt, missing.
        """
        with self._lock:
            reference = self.picture(panel.reference)
            height, width = reference.shape[:2]
            found = []
            for name in gauges:
                gauge = panel.gauges[name]
                if any(not (-1 <= x <= width and -1 <= y <= height) for x, y in gauge.corners) or min(gauge.size) < 6:
                    problem = "a corner lies outside the picture" if min(gauge.size) >= 6 else "this gauge is less than 6 pixels high or wide"
                    found += [_entry(gauge, column, picture, problem) for picture, _ in pictures for column in gauge.reads]
                    continue
                found += self._one(panel, gauge, reference, pictures)
            return found

    def _one(self, panel: Panel, gauge: Gauge, reference: "np.ndarray", pictures: list[tuple[str, Path]]) -> list[dict[str, Any]]:
        cuts = []
        for name, path in pictures:
            try:
                cuts.append((name, cut(self.picture(path), self.view(panel, path), gauge)))
            except AnalyserError as error:
                cuts.append((name, error))
        there = [index for index, (_, each) in enumerate(cuts) if not isinstance(each, AnalyserError) and each.picture is not None]
        own = as_read(rectify(reference, _still().homography, gauge, READERS[gauge.kind].margin), gauge)
        seen: list[tuple[Seen, ...]] = READERS[gauge.kind].see(gauge, [cuts[index][1].picture for index in there], own) if there else []
        if gauge.kind == "readout":
            seen = [(each,) for each in ask_tesseract([(gauge, cuts[index][1].picture, looks[0]) for index, looks in zip(there, seen)])]
        mark = panel.decimal or decimal_mark((gauge, looks[0]) for looks in seen)
        looked = dict(zip(there, seen))
        found = []
        for index, (name, each) in enumerate(cuts):
            if isinstance(each, AnalyserError) or each.picture is None:
                problem = str(each) if isinstance(each, AnalyserError) else each.missing
                found += [_entry(gauge, column, name, problem) for column in gauge.reads]
                continue
            for column, look in zip(gauge.reads, looked[index]):
                found.append(_entry(gauge, column, name, "", interpret(gauge, look, mark)))
        return found

    def view(self, panel: Panel, path: Path) -> Registration:
        """Where the panel lies in a picture."""
        if path.resolve() == panel.reference.resolve():
            return _still()
        reference = _key(panel.reference)
        key = (reference, _key(path))
        if key not in self._views:
            if reference not in self._finders:
                # what changes is left out of the search: the gauges as they stand now will do
                self._finders[reference] = PanelFinder(self.picture(panel.reference), [gauge.corners for gauge in panel.gauges.values()])
                while len(self._finders) > 2:
                    self._finders.popitem(last=False)
            self._views[key] = self._finders[reference].find(self.picture(path))
            while len(self._views) > _VIEWS:
                self._views.popitem(last=False)
        return self._views[key]

    def picture(self, path: Path) -> "np.ndarray":
        """A picture, decoded once."""
        key = _key(path)
        if key not in self._pixels:
            self._pixels[key] = open_image(path)
            while len(self._pixels) > _PICTURES:
                self._pixels.popitem(last=False)
        self._pixels.move_to_end(key)
        return self._pixels[key]

    def crop(self, panel: Panel, name: str, path: Path) -> bytes:
        """A gauge of a picture seen straight on, as PNG.

        Raises
        ------
        InputError
            It is not in the picture.
        """
        with self._lock:
            gauge = panel.gauges[name]
            view = self.view(panel, path)
            if not view.found:
                raise InputError(f"the panel was not found: {view.reason}")
            pixels = rectify(self.picture(path), view.homography, gauge, 0.06)
            return load_opencv().imencode(".png", pixels)[1].tobytes()


def _still() -> Registration:
    import numpy as np

    return Registration(np.eye(3))


def _key(path: Path) -> tuple:
    stat = Path(path).stat()
    return str(path), stat.st_mtime_ns, stat.st_size


def _entry(gauge: Gauge, column: str, picture: str, missing: str, reading: GaugeReading | None = None) -> dict[str, Any]:
    entry = {"gauge": gauge.name, "picture": picture, "column": column, "raw": "", "value": "", "probability": None, "doubt": "", "missing": missing}
    if reading is None:
        return entry
    best = reading.best
    entry |= {"raw": reading.raw, "doubt": reading.doubt}
    if best is None:
        entry["value"] = "" if reading.doubt else NOTHING
        return entry
    entry["probability"] = best.probability
    if column in TEXTS:
        entry["value"] = best.text
    else:
        unit = best.unit or shown_unit(column, reading.raw, gauge)
        unit = unit if unit in dict(gauge.units) or not gauge.units else gauge.units[0][0]
        entry["value"] = si_text(best.value, best.step / math.sqrt(12) if best.step > 0 else math.nan, column, unit)
    return entry
