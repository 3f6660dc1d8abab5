"""Proposes the gauges of a panel from one screenshot, so that nobody has to measure pixels: windows with figures in them, drum counters, dials and
bars with their scales, balls, lamps, and from the print beside them what they show. A person checks the result."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import InputError
from analyser.files import write_atomically
from analyser.flight import TEXTS
from analyser.ingest import ocr
from analyser.ingest.beam import shows_nothing
from analyser.ingest.images import grey_of, load_opencv, open_image
from analyser.ingest.proposed_face_units import face_unit
from analyser.ingest.proposed_file import to_toml
from analyser.ingest.proposed_frames import bars_in, frameless, plates_in, rectangles, windows_in, with_counters
from analyser.ingest.proposed_names import has_factor, quantity, units_of
from analyser.ingest.proposed_print import Box, Line, looked_again, names_of, numbers_in, printed, share_within
from analyser.ingest.proposed_rounds import round_lamps, rounds_in
from analyser.ingest.proposed_scales import Scale, bar_scales, dial_scale
from analyser.ingest.recogniser import best_path, score

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True)
class Proposal:
    """A gauge that may be there. ``reads`` is "" where nothing tells what it shows; ``text``: what its window shows now;
    ``label``: the words beside it; ``unit`` not on the glass and ``units`` on it, as far as they are known; ``wheels``: of a drum counter;
    ``scale``: of a dial (degrees clockwise from up, value) or a bar (0 to 1 along it, value), by its numbers, () where they can't be read;
    ``unread``: places of marks on a scale that is not straight whose numbers are missing in it."""

    kind: str
    box: Box
    reads: str = ""
    text: str = ""
    label: str = ""
    unit: str = ""
    units: tuple[str, ...] = ()
    wheels: int = 0
    scale: Scale = ()
    unread: tuple[float, ...] = ()


def propose(pixels: "np.ndarray") -> list[Proposal]:
    """Gauges seen in a screenshot, from the top left to the bottom right.

    Parameters
    ----------
    pixels : ndarray, (height, width, 3), uint8
    """
    grey, lines = grey_of(pixels), printed(grey_of(pixels))
    rounds, every = rounds_in(pixels), rectangles(pixels)
    bars = [box for box in bars_in(pixels, [*every, *rectangles(pixels, 4)]) if not any(share_within(box, other) > 0.3 for _, other in rounds)]
    windows, counts, shown = _windows(grey, every, bars)
    # a digit may be as round as a dial: what lies mostly within a window is none; what lies mostly within a round gauge is no window of its own
    rounds = [each for each in rounds if not any(share_within(each[1], box) > 0.4 for box in windows)]
    windows = [box for box in windows if not any(share_within(box, other) > 0.5 for _, other in rounds)]
    scales = dict(zip(bars, bar_scales(grey, bars)))
    marks = [box for _, numbers in scales.values() for box in numbers]
    free = [line for line in lines if not any(share_within(mark, line.box) > 0.6 or share_within(line.box, mark) > 0.6 for mark in marks)]
    gauges = [*windows, *bars, *(box for _, box in rounds)]
    bare = [each for each in frameless(free, gauges, grey.shape) if not any(share_within(each[0], box) > 0.2 for box in gauges)]
    gauges += [box for box, _ in bare]
    outside = [line for line in free if not any(share_within(line.box, box) > 0.5 for box in gauges) and not numbers_in(line.text)]
    names = dict(zip(gauges, names_of(gauges, outside, grey.shape[0])))
    unknown = [box for box in [*windows, *bars] if not quantity(names[box])]
    for box, texts in zip(unknown, looked_again(grey, unknown)):
        names[box] = next((text for text in texts if quantity(text) and text not in names.values()), names[box])
    found = [_named(Proposal("drum" if counts.get(box) else "readout", box, text="" if counts.get(box) else shown[box], label=names[box], wheels=counts.get(box, 0))) for box in windows]
    found += [each for box, text in bare if (each := _named(Proposal("readout", box, text=text, label=names[box]))).reads]
    for box in [box for box in bars if names[box] or scales[box][0]]:  # two colours that nothing speaks of are an ornament
        beside = [line for line in lines if any(share_within(mark, line.box) > 0.6 for mark in scales[box][1])]
        percent = " %" if any("%" in line.text for line in beside) else ""
        found.append(_named(Proposal("tape", box, label=names[box] + percent, scale=scales[box][0])))
    found += [_round(pixels, kind, box, names[box], lines) for kind, box in rounds]
    found += _lamps(pixels, every, [each.box for each in found], lines)
    return sorted(found, key=lambda each: (round(each.box[1] / 40), each.box[0]))


def _windows(grey: "np.ndarray", every: list[Box], bars: list[Box]) -> tuple[list[Box], dict[Box, int], dict[Box, str]]:
    """Windows with figures in them, how many wheels those have that are drum counters, and what each shows."""
    windows, counts = with_counters(grey, windows_in(every, grey.shape), every)
    windows = [box for box in windows if not any(share_within(box, bar) > 0.3 for bar in bars)]
    texts = [best_path(logs) for logs in score([grey[top:bottom, left:right] for left, top, right, bottom in windows])] if windows else []
    shown = {box: text for box, text in zip(windows, texts) if box in counts or _is_figures(text)}
    return list(shown), counts, shown


def _is_figures(text: str) -> bool:
    digits = sum(character.isdigit() for character in text)
    letters = sum(character.isalpha() for character in text)
    return shows_nothing(text) or (digits >= 1 and letters <= max(3, digits))


def _named(each: Proposal) -> Proposal:
    """The proposal with its quantity and unit, as its label and text tell."""
    reads = quantity(each.label, each.text)
    unit, units = units_of(reads, each.label, each.text)
    return replace(each, reads=reads, unit=unit, units=units if each.kind == "readout" else ())


def _round(pixels: "np.ndarray", kind: str, box: Box, name: str, lines: list[Line]) -> Proposal:
    """A ball or a dial; what is written on a dial's face counts for more than what stands beside it."""
    if kind == "attitude":
        return Proposal("attitude", box, "pitch", label=name)
    left, top, right, bottom = box
    on_it = [Line(line.text, (line.box[0] - left, line.box[1] - top, line.box[2] - left, line.box[3] - top)) for line in lines if share_within(line.box, box) > 0.9]
    face = " ".join(line.text for line in on_it if re.search(r"[A-Za-z]", line.text) and not numbers_in(line.text))
    scale, unread = dial_scale(pixels[top:bottom, left:right])
    found = _named(Proposal("dial", box, label=face if quantity(face) else f"{name} {face}".strip(), scale=scale, unread=unread))
    if any(has_factor(line.text) for line in on_it):
        return replace(found, unit="")  # a unit so many times as large is for the person to write
    return found if found.unit else replace(found, unit=face_unit(pixels[top:bottom, left:right], found.reads, on_it))


def _lamps(pixels: "np.ndarray", every: list[Box], taken: list[Box], lines: list[Line]) -> list[Proposal]:
    """Plates with a word on them, and small round things with a word beside them; windows that show words among them."""
    grey = grey_of(pixels)
    free = [line for line in lines if re.search(r"[A-Za-z]{2}", line.text) and not any(share_within(line.box, box) > 0.3 for box in taken)]
    plates = [box for box in plates_in(pixels, every, taken) if not any(share_within(box, line.box) > 0.6 for line in free)]
    beside = [line for line in free if not any(share_within(line.box, box) > 0.5 for box in plates)]
    inner = [grey[top + (bottom - top) // 8 : bottom - (bottom - top) // 8, left + (right - left) // 16 : right - (right - left) // 16] for left, top, right, bottom in plates]
    found = []
    for box, line, name in zip(plates, ocr.read_lines(inner), names_of(plates, beside, grey.shape[0])):
        if line.confidence > 0.5 and re.fullmatch(r"[A-Za-z][A-Za-z .&/-]+[A-Za-z]", line.text):
            reads = quantity(name)  # a window that shows words has a name beside it; a lamp has it on its glass
            found.append(Proposal("readout", box, reads, line.text, name) if reads in TEXTS else Proposal("lamp", box, "note", label=line.text))
    discs = round_lamps(pixels, [*taken, *(each.box for each in found)])
    named = zip(discs, names_of(discs, free, grey.shape[0]))
    return found + [Proposal("lamp", box, "note", label=name) for box, name in named if any(line.text == name and _in_line(box, line.box) for line in free)]


def _in_line(disc: Box, line: Box) -> bool:
    """Whether a word stands in the middle over or under a round thing, or level with it: words that happen to be near do neither."""
    away = abs(disc[0] + disc[2] - line[0] - line[2]) / 2, abs(disc[1] + disc[3] - line[1] - line[3]) / 2
    return min(away) < 0.12 * (disc[2] - disc[0]) + 1


def write_proposal(screenshot: str | Path, folder: str | Path) -> list[Proposal]:
    """Write ``panel.toml`` and ``reference.png`` to ``folder``; gauges whose quantity, unit or scale is not known stand in the
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
