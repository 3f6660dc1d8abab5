"""A column of typed numbers into values and standard deviations.

The standard deviation of a typed number is that of a last digit uniform within its step, step / sqrt(12). The step is
that of the last digit typed ("61.94 km": 10 m). Zeros at the end of whole numbers may be digits or fillers: "21400" counts
as exact to 1, unless the column itself says otherwise: where five or more different numbers of one unit are all whole and
all end in zeros, the step is the largest power of ten that divides them all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analyser.errors import InputError
from analyser.ingest.columns import Column
from analyser.units import scan_number, shown, unit_factor

if TYPE_CHECKING:
    import numpy as np

_UNIT = r"(?: ?([a-zA-Z%°][a-zA-Z/^0-9 ]*))?"
_PLAIN = re.compile(r"([+-]?[0-9]+(?:\.([0-9]*))?)" + _UNIT)
_PLAIN_COMMA = re.compile(r"([+-]?[0-9]+(?:,([0-9]*))?)" + _UNIT)
_HEMISPHERE = re.compile(r"(.*\S)\s*([NSEWnsew])")
#: How people mark that there is no reading.
NOTHING = frozenset({"", "-", "--", "---", "\u2013", "\u2014", "n/a", "N/A"})
_ENOUGH = 5  # different numbers that must end in zeros before zeros count as fillers


@dataclass
class Numbers:
    """A column as read: ``number`` in the unit written, ``step`` of its last digit, ``factor`` of its unit (nan: none
    written), ``percent`` where that unit is %; ``bad`` cells as (index, what was found and what is wanted)."""

    number: "np.ndarray"
    step: "np.ndarray"
    factor: "np.ndarray"
    percent: "np.ndarray"
    whole: "np.ndarray"
    bad: list[tuple[int, str]] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)  # where a lone comma was taken as a thousands separator

    @property
    def given(self) -> "np.ndarray":
        """Where there is a number."""
        import numpy as np

        return ~np.isnan(self.number)


def gather_proofs(columns: Sequence[Sequence[str]]) -> frozenset[str]:
    """What the commas and dots of all number cells of a file prove about how it is written (see ``scan_number``)."""
    if not any("," in cell for cells in columns for cell in cells):
        return frozenset()
    shapes = {}
    digits = str.maketrans("12345678", "99999999")
    for cells in columns:
        for cell in cells:
            if ("," in cell or "." in cell) and ":" not in cell:
                shapes.setdefault(cell.translate(digits), cell)
    found = set()
    for cell in shapes.values():
        try:
            found.add(scan_number(_without_hemisphere(cell)[0]).proof)
        except InputError:
            continue
    return frozenset(found - {""})


def read_numbers(cells: Sequence[str], column: Column, proofs: Collection[str] = ()) -> Numbers:
    """Read a column.

    Parameters
    ----------
    cells : sequence of str
        Stripped; those of :data:`NOTHING` are no reading.
    column : Column
        What it holds; limits are not checked here.
    proofs : collection of str
        From :func:`gather_proofs`.
    """
    import numpy as np

    size = len(cells)
    found = Numbers(np.full(size, np.nan), np.full(size, np.nan), np.full(size, np.nan),
                    np.zeros(size, bool), np.zeros(size, bool))  # fmt: skip
    number, step, whole = found.number, found.step, found.whole
    comma_file = "comma decimal" in proofs and not {"comma thousands", "dot decimal", "dot thousands"} & set(proofs)
    plain = _PLAIN_COMMA if comma_file else _PLAIN if not {"comma decimal", "dot thousands"} & set(proofs) else None
    units: dict[str, float] = {}
    for index, cell in enumerate(cells):
        if cell in NOTHING:
            continue
        match = plain.fullmatch(cell) if plain else None
        unit = match[3] if match else None
        if match is None or len(cell) > 300 or (unit and unit not in units and not _simple_unit(unit, column, units)):
            _read_one(found, index, cell, column, proofs)
            continue
        digits, decimals = match[1], match[2]
        number[index] = float(digits.replace(",", ".") if comma_file else digits)
        step[index] = 10.0 ** -len(decimals) if decimals else 1.0
        whole[index] = not decimals
        if unit:
            found.factor[index] = units[unit]
    found.percent = found.percent | (column.dimension == "fraction") & ~np.isnan(found.factor) & (found.factor != 1.0)
    return found


def _simple_unit(unit: str, column: Column, units: dict[str, float]) -> bool:
    """Whether ``unit`` is one of the column's own; puts its factor into ``units``."""
    try:
        units[unit] = unit_factor(unit, column.dimension)
    except InputError:
        return False
    return True


def _read_one(found: Numbers, index: int, cell: str, column: Column, proofs: Collection[str]) -> None:
    text, sign = _without_hemisphere(cell) if column.name in ("latitude", "longitude") else (cell, 1.0)
    try:
        typed = scan_number(text, proofs)
        if typed.unit == "%" and column.name == "propellant":
            found.percent[index], found.factor[index] = True, 0.01
        elif typed.unit:
            found.factor[index] = unit_factor(typed.unit, column.dimension)
    except InputError as error:
        found.bad.append((index, f'{error.problem}; write it like "{column.example}" or leave the cell empty'))
        return
    found.number[index] = sign * typed.value
    found.step[index] = typed.step
    found.whole[index] = not typed.has_point
    if typed.settled:
        found.settled.append(index)


def _without_hemisphere(cell: str) -> tuple[str, float]:
    match = _HEMISPHERE.fullmatch(cell)
    if not match or not re.search(r"\d", match[1]):
        return cell, 1.0
    return match[1], -1.0 if match[2].upper() in "SW" else 1.0


def coarsen(found: Numbers) -> None:
    """Widen the steps of whole numbers where the column shows that their zeros are fillers; see the module."""
    import numpy as np

    given = found.given
    for unit in np.unique(np.nan_to_num(found.factor[given], nan=-1.0)):
        group = given & (np.nan_to_num(found.factor, nan=-1.0) == unit)
        values = np.unique(np.abs(found.number[group & (found.number != 0)]))
        if len(values) < _ENOUGH or not found.whole[group].all() or values.max() >= 2**53:
            continue
        divisor = int(np.gcd.reduce(values.astype(np.int64)))
        zeros = len(str(divisor)) - len(str(divisor).rstrip("0"))
        found.step[group] = 10.0**zeros


def sharpen_stops(found: Numbers, bare: "np.ndarray") -> None:
    """Fractions from 0 to 1: "0" and "1" are the stops of a lever, typed short, and as sharp as the column's other values
    (0.01 at least), not known to a whole unit."""
    stops = bare & found.whole & (found.number >= 0) & (found.number <= 1)
    if stops.any():
        found.step[stops] = min(0.01, found.step[bare].min())


def out_of_limits(values: "np.ndarray", written: Sequence[str], column: Column) -> list[tuple[int, str]]:
    """The values (SI) that are impossible, as (index, what is wrong)."""
    import numpy as np

    wrong = np.flatnonzero(~np.isnan(values) & ~((values >= column.low) & (values <= column.high)))
    name = column.name.replace("_", " ")
    return [(int(index), f"{shown(written[index])} is impossible: {name} is {column.limits}") for index in wrong]


def sigma_of(step: "np.ndarray", factor: "np.ndarray | float") -> "np.ndarray":
    """Standard deviation (SI) of numbers known to their step, spread evenly within it; never 0, however small the step."""
    import numpy as np

    return np.maximum(step * factor / math.sqrt(12), np.finfo(float).tiny)
