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

from analyser.fitting.constancy import constancy, constancy_table
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory

BREAK_COST = 25.0  # of starting a new stretch, in units of chi-square
PAIR_CAP = 32.0  # the most that a row may cost for not following from the one before: more than a break
STEADY_SIGMAS = 3.5  # a smaller fall of the gauge is none
STEADY_COST = 30.0  # of a break where the gauge says that no propellant was used
FORBIDDEN = 1e6
THROTTLE_OPEN = 0.005
LONGEST_BLOCK = 32


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
    evidence = _Evidence(rows, propellant)
    for kind, body, block in _blocks(rows):
        if kind != "flying":
            stretches.append(Stretch(kind, body, tuple(block)))
            continue
        for part in _partition(rows, evidence, slice(block[0], block[-1] + 1), misfit):
            powered = part.stop - part.start == 1 and not surely_coasting(rows, part.start)
            stretches.append(Stretch("powered" if powered else "coast", body, tuple(range(part.start, part.stop))))
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
    return bool(drop < STEADY_SIGMAS)


def _partition(rows: PanelRows, evidence: "_Evidence", block: slice, misfit: np.ndarray) -> list[slice]:
    """The cheapest partition of a block of flying rows."""
    count = block.stop - block.start
    if count <= 1:
        return [block] if count else []
    if count > LONGEST_BLOCK:
        return _partition_halves(rows, evidence, block, misfit)
    begun = BREAK_COST + np.concatenate([[0.0], evidence.gap_costs(block)])
    # what each gap inside a stretch costs: how badly its second row follows from its first
    follows = np.minimum(misfit[block.start : block.stop - 1], PAIR_CAP)
    follows = np.concatenate([[0.0], np.cumsum(np.where(follows > 16.0, follows, 0.0))])
    price = evidence.costs(block) + constancy_table(rows, block) + follows - follows[:, None]
    best = np.concatenate([[0.0], np.full(count, np.inf)])
    came = np.zeros(count + 1, dtype=int)
    for start in range(count):
        cost = best[start] + begun[start] + price[start, start:]
        better = cost < best[start + 1 :]
        best[start + 1 :][better], came[start + 1 :][better] = cost[better], start
    parts: list[slice] = []
    end = count
    while end > 0:
        parts.append(slice(block.start + int(came[end]), block.start + end))
        end = int(came[end])
    return parts[::-1]


def _partition_halves(rows: PanelRows, evidence: "_Evidence", block: slice, misfit: np.ndarray) -> list[slice]:
    """Partition of a long block: halves are partitioned for themselves and joined where one coast runs through the cut."""
    middle = (block.start + block.stop) // 2
    left, right = (_partition(rows, evidence, half, misfit) for half in (slice(block.start, middle), slice(middle, block.stop)))
    seam = slice(left[-1].start, right[0].stop)
    if evidence.cost(seam) < FORBIDDEN:
        apart = sum(evidence.drift(part) for part in (left[-1], right[0]) if part.stop - part.start > 1)
        if evidence.drift(seam) + min(misfit[middle - 1], PAIR_CAP) < apart + BREAK_COST:
            return left[:-1] + [seam] + right[1:]
    return left + right


class _Evidence:
    """What is not motion (throttle, propellant, events) for every stretch of the rows, counted up once."""

    def __init__(self, rows: PanelRows, propellant: PropellantHistory):
        def counts(flags) -> np.ndarray:
            return np.concatenate([[0], np.cumsum(flags)])

        every = range(len(rows))
        marked = [row for row in every if rows.event[row]]
        ignition, cutoff = (np.zeros(len(rows), dtype=bool) for _ in range(2))
        ignition[[row for row in marked if rows.says(row, "ignition", "liftoff")]] = True
        cutoff[[row for row in marked if rows.says(row, "cutoff")]] = True
        self.propellant, self.rows = propellant, rows
        self._drifts: dict[tuple[int, int], float] = {}
        self.open = counts(rows.value["throttle"] > THROTTLE_OPEN)
        self.ignitions, self.cutoffs = counts(ignition), counts(cutoff)
        known = np.isfinite(propellant.propellant)
        place = np.arange(len(rows))
        self.last_known = np.maximum.accumulate(np.where(known, place, -1))
        self.first_known = np.minimum.accumulate(np.where(known, place, len(rows))[::-1])[::-1]

    def fell(self, before: np.ndarray, after: np.ndarray) -> np.ndarray:
        """As :meth:`PropellantHistory.fell` for arrays of rows with readings."""
        gauge = self.propellant
        spread = np.maximum(np.hypot(gauge.sigma[before], gauge.sigma[after]), 1e-12)
        fallen = (gauge.propellant[before] - gauge.propellant[after]) / spread
        return np.where(gauge.stage[before] != gauge.stage[after], np.inf, fallen)

    def gap_costs(self, block: slice) -> np.ndarray:
        """What a break costs at each gap of a block beyond the ordinary: more where propellant is known to have stayed."""
        before, after = self.last_known[block.start : block.stop - 1], self.first_known[block.start + 1 : block.stop]
        known = (before >= block.start) & (after < block.stop)
        found = np.zeros(len(before))
        found[known] = np.where(self.fell(before[known], after[known]) < STEADY_SIGMAS, STEADY_COST, 0.0)
        return found

    def costs(self, block: slice) -> np.ndarray:
        """Of taking rows i to k of a block as one coast, for all i and k: shape (n, n), inf below the diagonal and where it can't be."""
        inside = slice(block.start, block.stop)
        after = slice(block.start + 1, block.stop + 1)
        first, last = np.meshgrid(self.first_known[inside], self.last_known[inside], indexing="ij")
        barred = self.open[after] > self.open[inside, None]
        known = first < last
        barred[known] |= self.fell(first[known], last[known]) >= STEADY_SIGMAS
        count = block.stop - block.start
        alone, earlier = np.eye(count, dtype=bool), np.tri(count, k=-1, dtype=bool)
        # what can't be one coast is none with more rows either
        barred = np.logical_or.accumulate(barred & ~alone & ~earlier, axis=1)
        marks = self.ignitions[inside] - self.ignitions[inside, None] + self.cutoffs[after] - self.cutoffs[after, None]
        return np.where(barred | earlier, np.inf, np.where(alone, 0.0, 50.0 * marks))

    def drift(self, part: slice) -> float:
        """As :func:`analyser.fitting.constancy.constancy`; what was joined at one seam is asked for again at the next."""
        key = part.start, part.stop
        if key not in self._drifts:
            self._drifts[key] = constancy(self.rows, part)
        return self._drifts[key]

    def cost(self, part: slice) -> float:
        """Of taking a part as one coast."""
        last = part.stop - 1
        if last <= part.start:
            return 0.0
        if self.open[part.stop] > self.open[part.start]:
            return FORBIDDEN
        first_known, last_known = int(self.first_known[part.start]), int(self.last_known[last])
        if first_known < last_known and steady(self.propellant, first_known, last_known) is False:
            return FORBIDDEN
        return 50.0 * float(self.ignitions[last] - self.ignitions[part.start] + self.cutoffs[part.stop] - self.cutoffs[part.start + 1])
