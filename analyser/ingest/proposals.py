"""Proposes the gauges of a panel from one screenshot, so that nobody has to measure pixels: windows with figures in them,
round gauges, and from the labels beside them what they show. A person checks the result."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import InputError
from analyser.files import write_atomically
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest import ocr
from analyser.ingest.attitude import halves, horizon
from analyser.ingest.dials import needle_angle
from analyser.ingest.images import load_opencv, open_image
from analyser.ingest.recogniser import best_path, score
from analyser.units import unit_factor

if TYPE_CHECKING:
    import numpy as np

#: What words on a panel's labels mean; the first that is found counts. Common practice, no source.
WORDS = (
    ("radar_altitude", r"radar|echo|agl|above ground|terrain"),
    ("vertical_speed", r"rise|climb|vert|sink|v/s|\bvs\b"),
    ("horizontal_speed", r"horiz"),
    ("surface_speed", r"surface|ground speed|\bgs\b"),
    ("altitude", r"alt|heigh|\bhgt"),
    ("speed", r"speed|vel|pace"),
    ("met", r"elapsed|\bmet\b|clock|time"),
    ("throttle", r"thrott|lever|power"),
    ("propellant", r"prop|tank|fuel|store"),
    ("acceleration", r"felt|accel|load"),
    ("flight_path_angle", r"path|fpa|gamma"),
    ("heading", r"head|hdg|course"),
    ("pitch", r"pitch"),
    ("roll", r"roll|bank"),
    ("latitude", r"\blat"),
    ("longitude", r"\blon"),
    ("stage", r"stage"),
    ("body", r"body"),
)
USUAL_UNITS = {"m": ["m", "km", "Mm"], "m/s": ["m/s", "km/s"], "kg": ["kg", "t"], "m/s^2": ["m/s^2", "g"], "rad": ["deg"], "1": ["%"]}


@dataclass(frozen=True)
class Proposal:
    """A gauge that may be there. ``reads`` is "" where nothing tells what it shows; ``text``: what its window shows now;
    ``label``: the words beside it; ``unit`` not on the glass and ``units`` on it, as far as they are known; ``wheels``: of a drum counter."""

    kind: str
    box: tuple[int, int, int, int]
    reads: str = ""
    text: str = ""
    label: str = ""
    unit: str = ""
    units: tuple[str, ...] = ()
    wheels: int = 0


def propose(pixels: "np.ndarray") -> list[Proposal]:
    """Gauges seen in a screenshot, from the top left to the bottom right."""
    cv2 = load_opencv()
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    rounds = _rounds(pixels)
    windows, counts = _with_counters(grey, *_windows(pixels))
    shown = [best_path(logs) for logs in score([grey[top:bottom, left:right] for left, top, right, bottom in windows])] if windows else []
    kept = [(box, text, counts.get(box, 0)) for box, text in zip(windows, shown)]
    kept = [(box, text, wheels) for box, text, wheels in kept if wheels or _is_figures(text)]
    # a digit may be as round as a dial: what lies mostly within a window is none; what lies mostly within a round gauge is no window of its own
    rounds = [each for each in rounds if not any(_share(each.box, box) > 0.4 for box, *_ in kept)]
    kept = [each for each in kept if not any(_share(each[0], other.box) > 0.5 for other in rounds)]
    labels = _labels(grey, [box for box, *_ in kept] + [each.box for each in rounds])
    found = [_named(Proposal("drum" if wheels else "readout", box, text=text, label=label, wheels=wheels)) for (box, text, wheels), label in zip(kept, labels)]
    for each, label in zip(rounds, labels[len(kept) :]):
        if each.kind == "dial":
            label = _on_the_face(grey, each.box) or label
        named = _named(Proposal(each.kind, each.box, label=label))
        found.append(Proposal("attitude", each.box, "pitch", label=label) if each.kind == "attitude" else named)
    return sorted(found, key=lambda each: (round(each.box[1] / 40), each.box[0]))


def _is_figures(text: str) -> bool:
    digits = sum(character.isdigit() for character in text)
    letters = sum(character.isalpha() for character in text)
    return bool(re.fullmatch(r"-[- .:]*-", text)) or (digits >= 1 and letters <= max(3, digits))


def write_proposal(screenshot: str | Path, folder: str | Path) -> list[Proposal]:
    """Write ``panel.toml`` and ``reference.png`` to ``folder``; gauges whose quantity or scale is not known stand in the
    file as comments to be completed.

    Raises
    ------
    InputError
        The folder holds a panel already, or nothing was found.
    """
    folder = Path(folder)
    if (folder / "panel.toml").exists():
        raise InputError("there is a panel here already; name another folder, or remove it", folder / "panel.toml")
    pixels = open_image(screenshot)
    found = propose(pixels)
    if not found:
        raise InputError("no window with figures and no round gauge stands out; mark the gauges by hand", screenshot)
    cv2 = load_opencv()
    folder.mkdir(parents=True, exist_ok=True)
    write_atomically(folder / "reference.png", cv2.imencode(".png", pixels)[1].tobytes())
    write_atomically(folder / "panel.toml", to_toml(found))
    return found


def to_toml(found: list[Proposal]) -> str:
    """The panel file's text."""
    lines = [
        "# Proposed from the reference screenshot: check each gauge. What stands behind # needs you.",
        'reference = "reference.png"',
    ]
    names: dict[str, int] = {}
    for each in found:
        base = each.reads or each.kind
        names[base] = names.get(base, 0) + 1
        name = base if names[base] == 1 else f"{base}_{names[base]}"
        left, top, right, bottom = each.box
        said = re.sub(r"[^\w /%.:+-]", "?", f"{each.label} {each.text}").strip()
        rows = [f"[gauges.{name}]" + (f"  # says: {said}" if said else ""), f'kind = "{each.kind}"']
        rows.append('reads = ["pitch", "roll"]' if each.kind == "attitude" else f'reads = "{each.reads or "WHICH COLUMN?"}"')
        rows.append(f"corners = [[{left}, {top}], [{right}, {top}], [{right}, {bottom}], [{left}, {bottom}]]")
        if each.units:
            rows.append(f"units = [{', '.join(repr(unit).replace(chr(39), chr(34)) for unit in each.units)}]")
        elif each.unit:
            rows.append(f'unit = "{each.unit}"')
        complete = bool(each.reads) and each.kind != "dial"
        if each.kind == "dial":
            rows.append("scale = [[-135, 0], [135, 100]]  # needle angle clockwise from up, value: fill in")
        if each.wheels:
            rows.append(f"digits = {each.wheels}")
        if each.reads and not each.units and not each.unit and each.reads not in ("met", *TEXTS) and each.kind in ("readout", "drum"):
            rows.append('unit = "WHICH UNIT?"')
            complete = False
        repeated = each.reads and names[base] > 1
        lines += ["", *(rows if complete and not repeated else [f"# {row}" for row in rows])]
    return "\n".join(lines) + "\n"


def _named(each: Proposal) -> Proposal:
    """The proposal with its quantity and unit, as its label and text tell."""
    label = each.label.casefold()
    reads = next((column for column, words in WORDS if re.search(words, label)), "")
    if re.search(r"\d:\d\d", each.text):
        reads = "met"
    if not reads or reads in ("met", *TEXTS):
        return replace(each, reads=reads)
    dimension = QUANTITIES[reads]
    on_glass = re.search(r"\d ?([A-Za-z%°][A-Za-z/²0-9]*)$", each.text)
    if on_glass and _factor(on_glass[1], dimension):
        family = [unit for unit in USUAL_UNITS[dimension] if unit != on_glass[1]]
        return replace(each, reads=reads, units=(on_glass[1], *family))
    words = re.findall(r"[^\s()\[\],]+", each.label)
    spelled = [way for word in words for way in (word, word.lower(), word[:1].lower() + word[1:])]  # Tesseract takes a small k for a large one
    unit = next((way for way in spelled if _factor(way, dimension)), "deg" if dimension == "rad" else "")  # angles: common practice, no source
    return replace(each, reads=reads, unit=unit)


def _factor(unit: str, dimension: str) -> float | None:
    try:
        return unit_factor(unit, dimension)
    except InputError:
        return None


def _windows(pixels: "np.ndarray") -> tuple[list[tuple[int, int, int, int]], list[tuple[int, int, int, int]]]:
    """Boxes that may be windows of read-outs: upright rectangles of one ground, the innermost where they are nested; and all of them."""
    import numpy as np

    cv2 = load_opencv()
    height, width = pixels.shape[:2]
    boxes = []
    smooth = cv2.GaussianBlur(pixels, (0, 0), 1.0)
    for channel in cv2.split(cv2.cvtColor(smooth, cv2.COLOR_BGR2LAB)):
        for low, high in ((15, 40), (40, 100)):
            edges = cv2.dilate(cv2.Canny(channel, low, high), np.ones((2, 2), np.uint8))
            for contour in cv2.findContours(edges, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)[0]:
                x, y, w, h = cv2.boundingRect(contour)
                if not (0.02 * width < w < 0.5 * width and 0.018 * height < h < 0.16 * height and 1.2 < w / h < 10):
                    continue
                if cv2.contourArea(contour) > 0.86 * w * h:
                    boxes.append((x, y, x + w, y + h))
    boxes.sort(key=lambda box: (box[2] - box[0]) * (box[3] - box[1]))
    kept: list[tuple[int, int, int, int]] = []
    for box in boxes:
        if all(_share(other, box) < 0.5 for other in kept):
            kept.append(box)
    return kept, boxes


def _with_counters(grey: "np.ndarray", windows: list, every: list) -> tuple[list, dict]:
    """Windows, those that lie in a drum counter (each wheel may look like a window of its own) replaced by it; how many wheels each counter has."""
    counters = [(wheels, (box[0] - box[2]) * (box[3] - box[1]), box) for box in set(every) if (wheels := wheels_in(grey, box))]
    counts: dict = {}
    for wheels, _, box in sorted(counters, reverse=True):
        if not any(_share(box, other) > 0.2 or _share(other, box) > 0.2 for other in counts):
            counts[box] = wheels
    return [box for box in windows if not any(_share(box, other) > 0.5 for other in counts)] + list(counts), counts


def _share(one, other) -> float:
    """How much of ``one`` lies within ``other``."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    tall = min(one[3], other[3]) - max(one[1], other[1])
    return max(0, wide) * max(0, tall) / max(1, (one[2] - one[0]) * (one[3] - one[1]))


def _rounds(pixels: "np.ndarray") -> list[Proposal]:
    """Round gauges: a ball of two halves, or a dial with a needle."""
    import numpy as np

    cv2 = load_opencv()
    height, width = pixels.shape[:2]
    grey = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), (0, 0), 1.5)
    circles = cv2.HoughCircles(grey, cv2.HOUGH_GRADIENT, 1.5, 0.12 * height, param1=120, param2=70, minRadius=height // 22, maxRadius=height // 3)
    found: list[Proposal] = []
    for x, y, r in circles[0] if circles is not None else ():
        left, top, right, bottom = (round(float(v)) for v in (x - r, y - r, x + r, y + r))
        if left < 0 or top < 0 or right > width or bottom > height or any(_share((left, top, right, bottom), each.box) > 0.3 for each in found):
            continue
        if _rim(grey, float(x), float(y), float(r)) < 0.75:
            continue
        # the gauge itself is the innermost of the rings about it
        r = min(part * r for part in np.arange(0.80, 1.001, 0.01) if part > 0.995 or _rim(grey, float(x), float(y), float(part * r), 1.0) > 0.85)
        left, top, right, bottom = (round(float(v)) for v in (x - r, y - r, x + r, y + r))
        crop = pixels[top:bottom, left:right]
        if horizon(crop, *halves(crop))[2] > 0.8:
            r *= _innermost(pixels, float(x), float(y), float(r))
            found.append(Proposal("attitude", tuple(round(float(v)) for v in (x - r, y - r, x + r, y + r))))
        elif not needle_angle(crop)[1]:
            found.append(Proposal("dial", (left, top, right, bottom)))
    return found


def _innermost(pixels: "np.ndarray", x: float, y: float, r: float) -> float:
    """The part of ``r`` at which the innermost clear change of colour runs round: a ball's own edge, within its bezel."""
    import numpy as np

    angles = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    parts = np.arange(0.82, 1.0001, 0.005)

    def colours(at: "np.ndarray") -> "np.ndarray":
        columns = np.clip(np.round(x + at[:, None] * np.cos(angles)).astype(int), 0, pixels.shape[1] - 1)
        rows = np.clip(np.round(y + at[:, None] * np.sin(angles)).astype(int), 0, pixels.shape[0] - 1)
        return pixels[rows, columns].astype(np.float32)

    change = np.median(np.abs(colours(parts * r + 2) - colours(parts * r - 2)).max(axis=2), axis=1)
    top = [place for place in range(len(parts)) if change[place] == change[max(0, place - 2) : place + 3].max() and change[place] > max(0.35 * change.max(), 12)]
    return float(parts[top[0]]) if top else 1.0


def _rim(grey: "np.ndarray", x: float, y: float, r: float, reach: float = 2.0) -> float:
    """Part of a circle along which there is an edge within twice ``reach`` pixels."""
    import numpy as np

    angles = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    steps = r + reach * np.arange(-2, 3)
    columns = np.clip(np.round(x + steps[:, None] * np.cos(angles)).astype(int), 0, grey.shape[1] - 1)
    rows = np.clip(np.round(y + steps[:, None] * np.sin(angles)).astype(int), 0, grey.shape[0] - 1)
    across = grey[rows, columns].astype(int)
    return float((across.max(axis=0) - across.min(axis=0) > 12).mean())


def _labels(grey: "np.ndarray", boxes: list) -> list[str]:
    """Words above each box, else below it."""
    lines, owners = [], []
    for index, (left, top, right, bottom) in enumerate(boxes):
        tall = int(min(max(24, 0.9 * (bottom - top)), 0.06 * grey.shape[0]))
        for where in ((top - tall, top), (bottom, bottom + tall)):
            strip = grey[max(0, where[0]) : max(0, where[1]), max(0, left - 4) : max(right, left + round(0.16 * grey.shape[1]))]
            line = _line_of_words(strip, nearest_below=where[1] == top)
            if line is not None:
                lines.append(line)
                owners.append(index)
    labels = [""] * len(boxes)
    for index, line in zip(owners, ocr.read_lines(lines)):
        if not labels[index] and line.confidence > 0.3 and re.search(r"[A-Za-z]{2}", line.text):
            labels[index] = line.text
    return labels


def _on_the_face(grey: "np.ndarray", box) -> str:
    """Words on a dial's face, between the hub and the figures."""
    left, top, right, bottom = box
    size, middle = bottom - top, (left + right) // 2
    lines = []
    for high, low in ((0.56, 0.72), (0.64, 0.80), (0.20, 0.36), (0.28, 0.44)):  # parts of the height: below the hub, then above
        line = _line_of_words(grey[top + round(high * size) : top + round(low * size), middle - round(0.31 * size) : middle + round(0.31 * size)])
        if line is not None:
            lines.append(line)
    found = [line.text for line in ocr.read_lines(lines) if line.confidence > 0.3 and re.search(r"[A-Za-z]", line.text)]
    return " ".join(dict.fromkeys(found))


def _line_of_words(strip: "np.ndarray", nearest_below: bool = False) -> "np.ndarray | None":
    """The line of print in a strip, cut out closely: rows of small marks of like height, without the rims that run along or across the strip."""
    import numpy as np

    if strip.shape[0] < 10 or strip.shape[1] < 20 or float(np.std(strip)) < 4:
        return None
    cv2 = load_opencv()
    ground = cv2.medianBlur(strip, 2 * (min(strip.shape[0], 60) // 2) + 1)
    away = cv2.absdiff(strip, ground)
    ink = (away > max(14, 0.4 * float(np.percentile(away, 98.5)))).astype(np.uint8)
    _, _, marks, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    tall, wide = strip.shape
    letters = [(x, y, w, h) for x, y, w, h, area in marks[1:] if 6 <= h < 0.85 * tall and w < 4 * h and w < 0.5 * wide and area >= 6]
    if len(letters) < 2:
        return None
    # the line is where most letters share their middle; of equal ones that nearest to the gauge
    lines = [[other for other in letters if abs(other[1] + other[3] / 2 - y - h / 2) < 0.35 * h and 0.5 * h < other[3] < 2 * h] for x, y, w, h in letters]
    best = max(lines, key=lambda line: (len(line), line[0][1] if nearest_below else -line[0][1]))
    if len(best) < 2:
        return None
    best, rest = [], sorted(best)
    for letter in rest:  # words further along belong to another gauge
        if best and letter[0] > max(x + w for x, _, w, _ in best) + 2 * max(h for *_, h in best):
            break
        best.append(letter)
    top, bottom = min(y for _, y, _, _ in best), max(y + h for _, y, _, h in best)
    left, right = min(x for x, _, _, _ in best), max(x + w for x, _, w, _ in best)
    slack = max(2, (bottom - top) // 5)
    return strip[max(0, top - slack) : bottom + slack, max(0, left - 2 * slack) : right + 2 * slack]


def wheels_in(grey: "np.ndarray", box) -> int:
    """How many wheels of a drum counter a window shows; 0 where it is none.

    Wheels stand at even distances with dark gaps from top to bottom between them, and are lighter (or darker) than those gaps where no figure is.
    """
    import numpy as np

    left, top, right, bottom = box
    height, width = bottom - top, right - left
    if height < 16 or not 1.2 < width / height < 8:
        return 0
    crop = grey[top + round(0.12 * height) : bottom - round(0.12 * height), left:right].astype(np.float32)
    # of each column: a gap is dark all along, or light all along
    dark, light = np.median(crop) - crop.max(axis=0), crop.min(axis=0) - np.median(crop)
    best = (0.0, 0)
    for gaps in (dark, light):
        for count in range(2, 9):
            pitch = width / count
            if not 0.35 < pitch / height < 1.5:
                continue
            reach = max(2, round(0.06 * pitch))
            places = [round(pitch * step) for step in range(1, count)]
            found = [float(gaps[max(0, place - reach) : place + reach + 1].max()) for place in places]
            between = [float(gaps[round(pitch * step + 0.2 * pitch) : round(pitch * step + 0.8 * pitch)].max()) for step in range(count)]
            if min(found) > 20 and min(found) > 2 * max(max(between), 1.0) and count > best[1]:
                best = (min(found), count)
    return best[1]
