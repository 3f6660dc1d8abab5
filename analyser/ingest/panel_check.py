"""One page that shows what a panel file makes of screenshots: where each gauge was found and what was read there."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.files import make_folder, write_atomically
from analyser.flight import Readings
from analyser.ingest.images import load_opencv, open_image
from analyser.ingest.panel import Panel, load_panel
from analyser.ingest.screenshots import read_screenshots

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.proposals import Proposal

_COLOURS = {"read": "#2f7d4f", "recovered": "#9a6b00", "doubtful": "#b3261e"}
_STYLE = """
body { font: 15px/1.5 Georgia, serif; margin: 2rem auto; max-width: 70rem; padding: 0 1rem; color: #222; background: #fdfcf9 }
h1, h2 { font-weight: normal } table { border-collapse: collapse; width: 100%; margin: 1rem 0 2.5rem }
th, td { text-align: left; padding: .3rem .6rem; border-bottom: 1px solid #ddd8cc; vertical-align: middle }
img { max-width: 100% } td img { max-height: 56px; max-width: 240px; image-rendering: pixelated } .small { color: #666; font-size: 13px }
"""


def write_panel_check(panel_path: str | Path, image_paths: Sequence[str | Path], target: str | Path) -> Readings:
    """Write the page; it opens offline and holds every picture it shows.

    Parameters
    ----------
    panel_path : path-like
    image_paths : sequence of path-like
        Screenshots; none: the reference picture itself is read.
    target : path-like
        The HTML file, replaced whole.

    Returns
    -------
    Readings
        What was read.
    """
    panel = load_panel(panel_path)
    paths = [Path(path) for path in image_paths] or [panel.reference]
    readings = read_screenshots(panel_path, paths)
    parts = [
        f"<!doctype html><html lang='en'><meta charset='utf-8'><title>{escape(panel.name)}: what is read where</title>",
        f"<style>{_STYLE}</style><h1>{escape(panel.name)}: what is read where</h1>",
        f"<p>{escape(str(panel.path))}: {len(panel.gauges)} gauges. The reference picture, each gauge outlined:</p>",
        f"<img alt='the reference picture with each gauge outlined' src='{_data(outlined(panel))}'>",
    ]
    for row, path in enumerate(paths):
        pixels = open_image(path)
        parts.append(f"<h2>{escape(path.name)}</h2>")
        parts.append("<table><tr><th>gauge</th><th>shows</th><th>picture</th><th>text seen</th><th>value</th><th>sure</th><th>state</th></tr>")
        for value in readings.detail[readings.detail["row"] == row].itertuples():
            crop = f"<img alt='' src='{_data(_cut(pixels, value.crop))}'>" if value.crop else "<span class='small'>not in view</span>"
            colour = _COLOURS.get(value.status, "#222")
            parts.append(
                f"<tr><td>{escape(value.gauge)}</td><td>{escape(value.column)}</td><td>{crop}</td><td>{escape(str(value.raw))}</td>"
                f"<td>{_said(value.value)}</td><td>{value.probability:.1%}</td>"
                f"<td style='color:{colour}'>{escape(value.status)}<br><span class='small'>{escape(value.reason)}</span></td></tr>"
            )
        parts.append("</table>")
    for remark in readings.remarks:
        parts.append(f"<p class='small'>{escape(remark)}</p>")
    parts.append("<p class='small'>Values in SI units. For simulated flight and training; not for navigating or operating a real craft.</p></html>")
    make_folder(Path(target).parent)
    write_atomically(target, "\n".join(parts))
    return readings


def outlined(panel: Panel) -> "np.ndarray":
    """The reference picture with each gauge outlined and named."""
    names = [f"{gauge.name}: {', '.join(gauge.reads)}" for gauge in panel.gauges.values()]
    return _outline(open_image(panel.reference), [gauge.corners for gauge in panel.gauges.values()], names)


def write_outlines(proposals: Sequence["Proposal"], reference: str | Path, target: str | Path) -> Path:
    """Write a picture of the reference with each proposed gauge outlined and named."""
    quads = [((a, b), (c, b), (c, d), (a, d)) for a, b, c, d in (each.box for each in proposals)]
    names = [f"{each.kind}: {each.label if each.kind == 'lamp' else each.reads or '?'}" for each in proposals]
    picture = _outline(open_image(reference), quads, names)
    return write_atomically(target, load_opencv().imencode(".png", picture)[1].tobytes())


def _outline(picture: "np.ndarray", quads, names) -> "np.ndarray":
    import numpy as np

    cv2 = load_opencv()
    thick = max(1, round(picture.shape[1] / 900))
    for corners, name in zip(quads, names):
        quad = np.round(np.array(corners)).astype(np.int32)
        cv2.polylines(picture, [quad], True, (0, 0, 0), thick + 2, cv2.LINE_AA)
        cv2.polylines(picture, [quad], True, (80, 230, 255), thick, cv2.LINE_AA)
        words = name.encode("ascii", "replace").decode()
        (wide, tall), low = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, 0.45 * thick, thick)
        place = (int(quad[3][0]), min(int(quad[3][1]) + tall + 5 * thick, picture.shape[0] - low))
        plate = picture[max(0, place[1] - tall - 3) : place[1] + low, max(0, place[0] - 3) : place[0] + wide + 3]
        plate[:] = plate // 5  # so that print beneath does not make it illegible
        cv2.putText(picture, words, place, cv2.FONT_HERSHEY_SIMPLEX, 0.45 * thick, (0, 0, 0), thick + 2, cv2.LINE_AA)
        cv2.putText(picture, words, place, cv2.FONT_HERSHEY_SIMPLEX, 0.45 * thick, (80, 230, 255), thick, cv2.LINE_AA)
    return picture


def _cut(pixels: "np.ndarray", box: tuple[int, int, int, int]) -> "np.ndarray":
    left, top, right, bottom = box
    return pixels[top:bottom, left:right]


def _data(pixels: "np.ndarray") -> str:
    cv2 = load_opencv()
    return "data:image/png;base64," + base64.b64encode(cv2.imencode(".png", pixels)[1].tobytes()).decode("ascii")


def _said(value: float) -> str:
    return "" if not isinstance(value, float) or math.isnan(value) else f"{value:.10g}"
