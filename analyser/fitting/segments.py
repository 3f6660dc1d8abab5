"""Where the coasts are: a first partition of the rows, by what stays constant in a coast.

Energy and angular momentum of each row are constant along a coast, whatever the clock says, and propellant does not fall. The
cheapest partition of the rows into stretches is found by dynamic programming; a value that disagrees costs no more
than a gross misreading may, so that a slip does not break a coast. :mod:`analyser.fitting.chain` then fits orbits and mends
the partition by them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory

BREAK_COST = 25.0  # of starting a new stretch, in units of chi-square
PAIR_CAP = 32.0  # the most that a row may cost for not following from the one before: more than a break
VALUE_CAP = 25.0  # the most that one invariant of a row may cost: 5 sigma
ROW_CAP = 40.0  # the most that a row may cost
STEADY_COST = 30.0  # of a break where the gauge says that no propellant was used
FORBIDDEN = 1e6
THROTTLE_OPEN = 0.005
LONGEST_BLOCK = 32
TRIED = 9  # readings tried as the centre of many


@dataclass(frozen=True)
class Stretch:
    """Rows (positions, in order) that are one thing: ``kind`` is "landed", "coast", "powered" or "air"."""

    kind: str
    body: str
    rows: tuple[int, ...]


def first_partition(rows: PanelRows, propellant: PropellantHistory, misfit: np.ndarray) -> list[Stretch]:
    """The stretches of a flight, in order, by invariants, the clock and propellant alone.

    ``misfit`` (n - 1,) is that of :func:`analyser.fitting.pairs.pair_misfit`.
    """
    stretches: list[Stretch] = []
    for kind, body, block in _blocks(rows):
        if kind != "flying":
            stretches.append(Stretch(kind, body, tuple(block)))
            continue
        for part in _partition(rows, propellant, block, misfit):
            powered = len(part) == 1 and not surely_coasting(rows, part[0])
            stretches.append(Stretch("powered" if powered else "coast", body, tuple(part)))
    return _joined(stretches)


def _blocks(rows: PanelRows):
    """Runs of rows with one body and one of: standing, in the air, flying."""
    kinds = np.where(rows.standing, "landed", np.where(rows.in_air, "air", "flying"))
    start = 0
    for row in range(1, len(rows) + 1):
        if row == len(rows) or kinds[row] != kinds[start] or rows.body[row] != rows.body[start]:
            yield str(kinds[start]), str(rows.body[start]), list(range(start, row))
            start = row


def _joined(stretches: list[Stretch]) -> list[Stretch]:
    """Neighbouring powered (or air) stretches about one body as one."""
    joined: list[Stretch] = []
    for stretch in stretches:
        last = joined[-1] if joined else None
        if last and stretch.kind in ("powered", "air", "landed") and (last.kind, last.body) == (stretch.kind, stretch.body):
            joined[-1] = Stretch(last.kind, last.body, last.rows + stretch.rows)
        else:
            joined.append(stretch)
    return joined


def surely_coasting(rows: PanelRows, row: int) -> bool:
    """Whether a lone row is a coast by its own word: throttle read as shut, or marked as cutoff or as something that coasts."""
    throttle = rows.value["throttle"][row]
    if math.isfinite(throttle):
        return bool(throttle <= THROTTLE_OPEN)
    return rows.says(row, "cutoff", "save", "soi")


def burning(rows: PanelRows, row: int) -> bool:
    """Whether the throttle was read as open in a row."""
    return rows.value["throttle"][row] > THROTTLE_OPEN


def steady(propellant: PropellantHistory, before: int, after: int) -> bool | None:
    """Whether propellant stayed between the readings next to a gap: True, False, or None where it can't be told."""
    drop = propellant.fell(before, after)
    if math.isnan(drop):
        return None
    return bool(drop < 3.5)


def _partition(rows: PanelRows, propellant: PropellantHistory, block: list[int], misfit: np.ndarray) -> list[list[int]]:
    """The cheapest partition of a block of flying rows."""
    count = len(block)
    if count <= 1:
        return [block] if block else []
    if count > LONGEST_BLOCK:
        # Long tables: partition thinned rows, then let the chain put the rows between where they belong.
        return _partition_thinned(rows, propellant, block, misfit)
    shut_gap = [_gap_cost(propellant, block, gap) for gap in range(count - 1)]
    best = [0.0] + [math.inf] * count
    came = [0] * (count + 1)
    # what each gap inside a stretch costs: how badly its second row follows from its first
    follows = np.minimum(misfit[block[:-1]], PAIR_CAP)
    follows = np.concatenate([[0.0], np.cumsum(np.where(follows > 16.0, follows, 0.0))])
    evidence_of = _Evidence(rows, propellant, block)
    for start in range(count):
        base = best[start] + BREAK_COST + (shut_gap[start - 1] if start else 0.0)
        for end in range(start, count):
            evidence = evidence_of.cost(start, end)
            if evidence >= FORBIDDEN:
                break
            cost = base + evidence + follows[end] - follows[start] + (constancy(rows, block[start : end + 1]) if end > start else 0.0)
            if cost < best[end + 1]:
                best[end + 1], came[end + 1] = cost, start
    parts: list[list[int]] = []
    end = count
    while end > 0:
        parts.append(block[came[end] : end])
        end = came[end]
    return parts[::-1]


def _partition_thinned(rows: PanelRows, propellant: PropellantHistory, block: list[int], misfit: np.ndarray) -> list[list[int]]:
    """Partition of a long block: halves are partitioned for themselves and joined where one coast runs through the cut."""
    middle = len(block) // 2
    left, right = (_partition(rows, propellant, half, misfit) for half in (block[:middle], block[middle:]))
    seam = left[-1] + right[0]
    if _Evidence(rows, propellant, seam).cost(0, len(seam) - 1) < FORBIDDEN:
        apart = sum(constancy(rows, part) for part in (left[-1], right[0]) if len(part) > 1)
        if constancy(rows, seam) + min(misfit[block[middle - 1]], PAIR_CAP) < apart + BREAK_COST:
            return left[:-1] + [seam] + right[1:]
    return left + right


def _gap_cost(propellant: PropellantHistory, block: list[int], gap: int) -> float:
    """What a break costs at a gap beyond the ordinary: more where propellant is known to have stayed."""
    before = next((row for row in reversed(block[: gap + 1]) if math.isfinite(propellant.propellant[row])), None)
    after = next((row for row in block[gap + 1 :] if math.isfinite(propellant.propellant[row])), None)
    if before is None or after is None:
        return 0.0
    return STEADY_COST if steady(propellant, before, after) else 0.0


class _Evidence:
    """What is not motion (throttle, propellant, events) for every stretch of a block, looked up once a row."""

    def __init__(self, rows: PanelRows, propellant: PropellantHistory, block: list[int]):
        def counts(flags) -> np.ndarray:
            return np.concatenate([[0], np.cumsum(flags)])

        self.propellant, self.block = propellant, block
        self.open = counts([burning(rows, row) for row in block])
        self.ignitions = counts([rows.says(row, "ignition", "liftoff") for row in block])
        self.cutoffs = counts([rows.says(row, "cutoff") for row in block])
        known = np.isfinite(propellant.propellant[block])
        place = np.arange(len(block))
        self.last_known = np.maximum.accumulate(np.where(known, place, -1))
        self.first_known = np.minimum.accumulate(np.where(known, place, len(block))[::-1])[::-1]

    def cost(self, start: int, end: int) -> float:
        """Of taking block[start..end] as one coast."""
        if end == start:
            return 0.0
        if self.open[end + 1] > self.open[start]:
            return FORBIDDEN
        first, last = int(self.first_known[start]), int(self.last_known[end])
        if first < last and steady(self.propellant, self.block[first], self.block[last]) is False:
            return FORBIDDEN
        return 50.0 * float(self.ignitions[end] - self.ignitions[start] + self.cutoffs[end + 1] - self.cutoffs[start + 1])


def constancy(rows: PanelRows, part) -> float:
    """How badly energy and angular momentum fail to be constant over a part, chi-square with gross errors capped."""
    part = list(part)
    total = np.zeros(len(part))
    for values, sigmas in ((rows.energy[part], rows.energy_sigma[part]), (rows.momentum[part], rows.momentum_sigma[part])):
        good = np.isfinite(values) & np.isfinite(sigmas)
        if good.sum() < 2:
            continue
        value, sigma = values[good], np.maximum(sigmas[good], 1e-12)
        total[good] += np.minimum(((value - _centre(value, sigma)) / sigma) ** 2, VALUE_CAP)
    return float(np.minimum(total, ROW_CAP).sum())


def _centre(value: np.ndarray, sigma: np.ndarray) -> float:
    """The common value of several readings of one constant, held against gross errors: the reading that most others
    agree with, then the weighted mean of those that agree."""
    # of many readings some, evenly through their order, are tried as the one that most agree with
    tried = np.arange(len(value)) if len(value) <= TRIED else np.argsort(value)[np.linspace(0, len(value) - 1, TRIED).astype(int)]
    apart = np.abs(value[tried, None] - value[None, :]) / np.sqrt(sigma[tried, None] ** 2 + sigma[None, :] ** 2)
    agree = apart[np.argmin(np.minimum(apart**2, VALUE_CAP).sum(axis=1))] < 4.0
    weight = 1 / sigma[agree] ** 2
    return float(np.sum(weight * value[agree]) / np.sum(weight))
