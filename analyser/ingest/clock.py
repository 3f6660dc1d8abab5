"""Mission elapsed time as panels show it and people type it, into seconds with a standard deviation.

MET has no midnight: hours go on past 24. A table whose clock falls back by a day in the middle all the same was read
from a clock that wraps; a day is added from there on, and a remark says so.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analyser.errors import InputError
from analyser.units import format_met, scan_duration, shown

if TYPE_CHECKING:
    import numpy as np

#: What a clock cell may look like, for messages.
FORMS = "00:12:40, 12:40 (mm:ss), 1 d 02:03:04, 760.5 (seconds), each with or without T+"

_PREFIX = re.compile(r"(?:met\s*)?(?:t\s*(?=[+\-\d]))?\s*", re.IGNORECASE)
_COMMON = re.compile(r"(?:T\+)?(\d{1,5}):([0-5]\d):([0-5]\d)(?:\.(\d{1,9}))?")
_DAY = 86400.0


def read_clock(text: str, pair: str = "mm:ss", bare: float = 1.0, proofs: Collection[str] = ()) -> tuple[float, float]:
    """One clock reading.

    Parameters
    ----------
    text : str
        Seconds, ``mm:ss``, ``hh:mm:ss(.s)``, ``d hh:mm:ss``, ``1 d 02:03``, ``1 h 02 min``; with or without ``T+``;
        ``T-`` before the start.
    pair, bare, proofs
        See :func:`analyser.units.scan_duration`.

    Returns
    -------
    seconds, sigma : float
        The standard deviation is that of a last digit uniform within its step: step / sqrt(12). A clock that cuts off
        rather than rounds is late by half a step on top, the same in every row, which no orbit notices.

    Raises
    ------
    InputError
        No time; the message shows the forms that are.
    """
    seconds, step = _scan(text, pair, bare, proofs)
    return seconds, step / math.sqrt(12)


def _scan(text: str, pair: str, bare: float, proofs: Collection[str]) -> tuple[float, float]:
    common = _COMMON.fullmatch(text)
    if common:
        hours, minutes, seconds, decimals = common.groups()
        total = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
        if decimals is None:
            return float(total), 1.0
        return float(f"{total}.{decimals}"), 10.0 ** -len(decimals)
    cleaned = text.strip().replace("\u2212", "-").replace("\u2013", "-")
    rest = cleaned[_PREFIX.match(cleaned).end() :]
    if not re.search(r"\d", rest):
        raise InputError(f"{shown(text)} is no time; write it like {FORMS}")
    try:
        return scan_duration(rest, pair, bare, proofs)
    except InputError as error:
        raise InputError(f"{error.problem.replace(shown(rest), shown(text))}; write it like {FORMS}") from None


@dataclass
class Clocks:
    """A column of clocks: seconds, standard deviations (nan where bad), what was bad, and what to tell the person."""

    seconds: "np.ndarray"
    sigma: "np.ndarray"
    cells: Sequence[str] = ()
    bad: list[tuple[int, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def read_clocks(cells: Sequence[str], lines: Sequence[int], pair: str = "mm:ss", bare: float = 1.0,
                proofs: Collection[str] = ()) -> Clocks:  # fmt: skip
    """A column of clock cells; ``lines`` are their line numbers, for remarks."""
    import numpy as np

    seconds = np.full(len(cells), np.nan)
    step = np.full(len(cells), np.nan)
    found = Clocks(seconds, step, cells)
    for index, cell in enumerate(cells):
        if not cell:
            found.bad.append((index, f"the clock is missing; write it like {FORMS}"))
            continue
        try:
            seconds[index], step[index] = _scan(cell, pair, bare, proofs)
        except InputError as error:
            found.bad.append((index, error.problem))
    found.sigma = step / math.sqrt(12)
    if not found.bad:
        _unwrap(found, cells, lines)
    return found


def _unwrap(found: Clocks, cells: Sequence[str], lines: Sequence[int]) -> None:
    """Add a day after each midnight of a clock that wraps.

    Only where nothing else explains the fall: every cell is a clock below 24 h, it falls from the last hour of a day
    into the first, and but for such falls the table is in order.
    """
    import numpy as np

    fall = np.diff(found.seconds)
    if not (fall < -23 * 3600.0).any() or (found.seconds >= _DAY).any() or (found.seconds < 0).any():
        return
    if not all(":" in cell for cell in cells):
        return
    midnights = np.flatnonzero(fall < 0)
    before, after = found.seconds[midnights], found.seconds[midnights + 1]
    if not ((before >= 23 * 3600.0) & (after < 3600.0)).all():
        return
    for midnight in midnights:
        found.seconds[midnight + 1 :] += _DAY
        found.remarks.append(
            f"line {lines[midnight + 1]}: the clock goes from {cells[midnight]} back to {cells[midnight + 1]}, as if it "
            f"wrapped at midnight; mission elapsed time does not, so this and later lines were taken a day later "
            f"({format_met(found.seconds[midnight + 1])}). if the line only stands out of order, move it to its place"
        )
