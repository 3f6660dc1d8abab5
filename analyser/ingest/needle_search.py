"""Where all needles of a dial stand, sought together: what they cover must be ink, and all ink that is not printed should be covered.

Ink is taken to be ``strength x (what the needles cover)`` and noise; a place that two needles cover counts once, so one needle over another
neither speaks for nor against them. What the least squares then say of two ways to set the needles is how much likelier one is.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from analyser.ingest.needle_ink import ANGLES, strength
from analyser.ingest.needle_settings import Column, Found, thinnest_part

if TYPE_CHECKING:
    import numpy as np

TRIALS, TOGETHER = 40, 240  # settings of one quantity's needles that are compared in full, and of several quantities' together
PLAY = 2  # degrees by which a slow needle may be beside where the value puts it
DISTINCT = math.radians(9)  # two settings whose fast needles are nearer than this say the same
BLOCK = 10  # values next to each other of which only the likeliest is tried
MODEL = 0.1  # least noise as part of a needle's strength: shapes are not known better
APARTS = (*range(-16, 17, 4), *range(164, 197, 8))  # degrees between two needles (or one and another's tail) at which they cover much in common


class Search:
    """Finds needles of known shapes.

    Parameters
    ----------
    shapes : list of ndarray, (ANGLES, RADII)
    which : list of int
        Each needle's ink.
    columns : list of Column
    weight : ndarray, (inks, ANGLES, RADII)
        How much each place counts.
    lines : bool
        That the shapes are lines only: ink counts where it is, no matter how much.
    """

    def __init__(self, shapes: "list[np.ndarray]", which: list[int], columns: list[Column], weight: "np.ndarray", lines: bool = False) -> None:
        import numpy as np

        self.shapes, self.which, self.columns, self.lines = shapes, which, columns, lines
        self.weight = np.ascontiguousarray(weight, np.float32)
        self._twice = [np.concatenate([shape, shape]) for shape in shapes]
        count = len(shapes)
        self._pairs = [pair for pair in itertools.combinations(range(count), 2) if which[pair[0]] == which[pair[1]]]
        masks = np.stack([*shapes, *(np.minimum(shapes[i], self._turned(j, apart)) for i, j in self._pairs for apart in APARTS)])
        ink_of = [*which, *(which[i] for i, _ in self._pairs for _ in APARTS)]
        self._layers = [np.flatnonzero(np.equal(ink_of, layer)) for layer in range(len(weight))]
        self._waves = [_waves(masks[mine]) for mine in self._layers]
        self._squares = self._all(self.weight, [_waves(masks[mine] ** 2) for mine in self._layers])
        self._rows = [[np.round(np.degrees(angle)).astype(np.int32) % ANGLES for angle in column.angles] for column in columns]
        self._common = [self._overlaps(column, rows) for column, rows in zip(columns, self._rows)]

    def weighing(self, weight: "np.ndarray") -> "Search":
        """The same where places count otherwise."""
        return Search(self.shapes, self.which, self.columns, weight)

    def _turned(self, needle: int, row: int) -> "np.ndarray":
        """A needle's shape where it points to ``row`` degrees."""
        row %= ANGLES
        return self._twice[needle][ANGLES - row : 2 * ANGLES - row]

    def _all(self, pictures: "np.ndarray", waves: "list[np.ndarray]") -> "np.ndarray":
        """How much each mask, turned to each angle, covers of each picture; (ANGLES, masks)."""
        import numpy as np

        found = np.empty((ANGLES, sum(len(mine) for mine in self._layers)), np.float32)
        for picture, mine, wave in zip(pictures, self._layers, waves):
            seen = np.fft.rfft(picture, axis=0).astype(np.complex64)
            found[:, mine] = np.fft.irfft(np.matmul(seen[:, None], wave)[:, 0], n=ANGLES, axis=0)
        return found

    def _overlaps(self, column: Column, rows: "list[np.ndarray]") -> "dict[tuple[int, int], tuple[np.ndarray, np.ndarray, np.ndarray]]":
        """For each two needles of a column: at which values they cover something in common, and where that stands in the table of masks."""
        import numpy as np

        near = np.full(ANGLES, -1)
        for place, apart in enumerate(APARTS):
            near[np.arange(apart - 2, apart + 3) % ANGLES] = place
        common = {}
        for pair, (i, j) in enumerate(self._pairs):
            if i in column.which and j in column.which:
                first, second = (rows[column.which.index(each)] for each in (i, j))
                place = near[(second - first) % ANGLES]
                at = np.flatnonzero(place >= 0)
                common[i, j] = at, first[at], len(self.shapes) + pair * len(APARTS) + place[at]
        return common

    def find(self, layers: "np.ndarray") -> Found:
        """The likeliest setting of all needles in one picture's ink, (inks, ANGLES, RADII)."""
        import numpy as np

        strong = light = strength(layers[0])
        full = layers / light
        if self.lines:
            layers, strong = np.clip((full - 0.15) / 0.25, 0, 1), 1.0
        for _ in range(3):
            seen = self.weight * np.clip(layers, -0.5 * strong, 1.4 * strong)
            gains = strong * self._all(seen, self._waves) - 0.5 * strong**2 * self._squares
            best, beside = self._with_play(gains)
            combos = self._combinations(gains, best)
            settings = np.array([self._setting(combo, beside) for combo in combos])
            merits = np.array([self._merit(seen, setting, strong) for setting in settings])
            first = int(merits.argmax())
            combos[first], settings[first], merits[first] = self._climbed(seen, combos[first], float(merits[first]), beside, strong)
            covered = self.covered(settings[first])
            fitted = max(_sum(seen, covered) / max(_sum(self.weight, covered * covered), 1e-6), 1e-3)
            if self.lines or abs(fitted - strong) < 0.1 * strong:
                break
            strong = fitted
        fine = self._between(seen, combos[first], float(merits[first]), beside, strong)
        variances = self._variances(layers, covered, strong)
        found = self._found(fine, layers, combos, settings, merits, first, variances, strong, covered)
        return replace(found, strength=light * float(np.percentile(full[covered > 0.5], 90))) if self.lines else found

    def _with_play(self, gains: "np.ndarray") -> "tuple[np.ndarray, np.ndarray]":
        """Each needle's gain with the little play that it may have, and how many degrees beside it then stands; both (ANGLES, needles)."""
        import numpy as np

        mine = gains[:, : len(self.shapes)]
        best, beside = mine.copy(), np.zeros(mine.shape, np.int32)
        for turn in range(-PLAY, PLAY + 1):
            there = np.roll(mine, -turn, axis=0) - abs(turn) * 0.01 * float(np.abs(mine).max())
            better = there > best
            best[better], beside[better] = there[better], turn
        return best, beside

    def _combinations(self, gains: "np.ndarray", best: "np.ndarray") -> list[tuple[int, ...]]:
        """The likeliest values of each column, every one with every other column's."""
        import numpy as np

        tops = []
        for column, rows, common in zip(self.columns, self._rows, self._common):
            total = gains[rows[-1], column.which[-1]].copy()
            for needle, row in zip(column.which[:-1], rows):
                total += best[row, needle]
            twice = {}
            for pair, (at, row, mask) in common.items():
                twice[pair] = np.zeros(len(total), np.float32)
                twice[pair][at] = gains[row, mask]
                total -= twice[pair]
            for i, j, k in itertools.combinations(column.which, 3):  # what all three cover was taken off once too often
                if {(i, j), (i, k), (j, k)} <= twice.keys():
                    total += np.maximum(np.minimum(np.minimum(twice[i, j], twice[i, k]), twice[j, k]), 0)
            tops.append(_peaks(total, column.angles[-1]))
        most = TRIALS if len(tops) == 1 else max(2, int(TOGETHER ** (1 / len(tops))))
        return list(itertools.product(*(top[:most] for top in tops)))

    def _climbed(self, seen: "np.ndarray", combo: tuple[int, ...], merit: float, beside: "np.ndarray", strong: float) -> tuple:
        """The likeliest (values, setting, merit) next to those given: where needles overlap, what is common to them was only roughly counted."""
        for place, column in enumerate(self.columns):
            for step in (-3, -2, -1, 1, 2, 3):
                nearby = (*combo[:place], (combo[place] + step) % len(column.values), *combo[place + 1 :])
                there = self._merit(seen, self._setting(nearby, beside), strong)
                if there > merit:
                    combo, merit = nearby, there
        return combo, self._setting(combo, beside), merit

    def _between(self, seen: "np.ndarray", combo: tuple[int, ...], merit: float, beside: "np.ndarray", strong: float) -> list[float]:
        """The likeliest values to less than the step between those tried: where a parabola through three of them is highest."""
        values = []
        for place, column in enumerate(self.columns):
            tried, middle = column.values, combo[place]
            values.append(float(tried[middle]))
            if 0 < middle < len(tried) - 1:
                low, high = (
                    self._merit(seen, self._setting((*combo[:place], middle + step, *combo[place + 1 :]), beside), strong) for step in (-1, 1)
                )  # fmt: skip
                bend = low - 2 * merit + high
                if bend < 0 and max(low, high) <= merit:
                    values[-1] += float(tried[1] - tried[0]) * 0.5 * (low - high) / bend
        return values

    def _setting(self, combo: tuple[int, ...], beside: "np.ndarray") -> list[int]:
        setting = [0] * len(self.shapes)
        for column, rows, place in zip(self.columns, self._rows, combo):
            for needle, row in zip(column.which, rows):
                slow = needle != column.which[-1]
                setting[needle] = int(row[place] + (beside[row[place], needle] if slow else 0)) % ANGLES
        return setting

    def covered(self, setting) -> "np.ndarray":
        """What the needles cover together, (inks, ANGLES, RADII)."""
        import numpy as np

        covered = np.zeros(self.weight.shape, np.float32)
        for needle, row in enumerate(setting):
            layer = covered[self.which[needle]]
            np.maximum(layer, self._turned(needle, row), out=layer)
        return covered

    def _merit(self, seen: "np.ndarray", setting, strong: float) -> float:
        covered = self.covered(setting)
        explained = _sum(seen, covered)
        covered *= covered
        return strong * explained - 0.5 * strong**2 * _sum(self.weight, covered)

    def _variances(self, layers: "np.ndarray", covered: "np.ndarray", strong: float) -> "np.ndarray":
        """The variance of ink as each needle's place feels it: of what is left where the needles are taken away, matched with the needle's shape all round."""
        import numpy as np

        rest = layers - strong * covered
        spread = 1.4826 * float(np.median(np.abs(rest[self.weight > 0.3 * self.weight.max()])))
        common = max(spread, MODEL * strong) ** 2
        if self.lines:  # tails and counterweights are left
            return np.full(len(self.shapes), common)
        count = len(self.shapes)
        felt = self._all(self.weight * np.clip(rest, -strong, strong), self._waves)[:, :count]
        usual = np.percentile(np.abs(felt), 95, axis=0) / 1.96
        return np.maximum(common, usual**2 / np.maximum(np.median(self._squares[:, :count], axis=0), 1e-6))

    def _found(self, fine: list[float], layers, combos, settings, merits, first: int, variances, strong: float, covered) -> Found:
        import numpy as np

        differ = np.abs((settings - settings[first] + ANGLES // 2) % ANGLES - ANGLES // 2) > 4
        behind = (merits[first] - merits) / np.where(differ.any(axis=1), np.where(differ, variances, 0).max(axis=1), variances.max())
        others, margins = [], []
        for place, column in enumerate(self.columns):
            tried = np.array([combo[place] for combo in combos])
            fast = column.angles[-1]
            apart = np.flatnonzero(np.abs(fast[tried] - fast[tried[first]]) > DISTINCT)
            next_best = int(apart[behind[apart].argmin()]) if len(apart) else None
            others.append(math.nan if next_best is None else float(column.values[tried[next_best]]))
            margins.append(math.inf if next_best is None else float(behind[next_best]))
        rows = [int(row) for row in settings[first]]
        shown, thinnest, weights = [], [], []
        for needle, row in enumerate(rows):
            layer, own = self.which[needle], self._turned(needle, row)
            rest = np.max([self._turned(other, rows[other]) for other in range(len(rows)) if other != needle] or [np.zeros_like(own)], axis=0)
            alone = (own - rest > 0.3) * self.weight[layer] * own
            expected = strong * (alone * own).sum(axis=0)
            there = (alone * np.clip(layers[layer], -0.5 * strong, 1.4 * strong)).sum(axis=0)
            shown.append(float(there.sum()) / max(float(expected.sum()), 1e-9))
            thinnest.append(thinnest_part(there, expected))
            weights.append(float(expected.sum()) * strong / float(variances[needle]))
        return Found(rows, fine, others, margins, shown, thinnest, weights, strong, math.sqrt(float(variances.max())) / strong, covered)


def _sum(first: "np.ndarray", second: "np.ndarray") -> float:
    """The sum of the products, place by place; short of numpy's ``dot``, which would wake several cores for so little."""
    import numpy as np

    return float(np.einsum("i,i->", first.ravel(), second.ravel()))


def _waves(masks: "np.ndarray") -> "np.ndarray":
    """Masks as waves round the dial, conjugate, (waves, RADII, masks)."""
    import numpy as np

    return np.ascontiguousarray(np.conj(np.fft.rfft(masks, axis=1)).transpose(1, 2, 0), np.complex64)


def _peaks(total: "np.ndarray", fast: "np.ndarray") -> list[int]:
    """The likeliest values, no two of them next to each other."""
    import numpy as np

    whole = len(total) // BLOCK * BLOCK
    places = total[:whole].reshape(-1, BLOCK).argmax(axis=1) + np.arange(0, whole, BLOCK)
    if whole < len(total):
        places = np.append(places, whole + int(total[whole:].argmax()))
    places = places[np.argsort(-total[places])[: 4 * TRIALS]]
    angles, found = fast[places], []
    free = np.ones(len(places), bool)
    while free.any() and len(found) < TRIALS:
        best = int(free.argmax())
        found.append(int(places[best]))
        free &= np.abs(angles - angles[best]) > 0.7 * DISTINCT
    return found
