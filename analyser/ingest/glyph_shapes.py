"""How a gauge draws each character, learnt from its readings that are certain: what is taught, and which of it can be relied on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from analyser.ingest.glyphs import Glyph, Rows, levelled, moved, patches, still

if TYPE_CHECKING:
    import numpy as np

EXAMPLES = 3  # of a character in one gauge: more tell little
LEAST_SHARED = 3  # characters that two gauges must share before one teaches the other
AGREE = 0.8  # share of these that must look alike in both
APART = 0.6  # unlikeness to the same character over that to any other, below which it is told from the others
FAR = 3.0  # times the usual unlikeness: an example this far from the others of its character shows another shape
CLEAN = 0.75  # share of a character's examples that must show one shape


@dataclass
class Examples:
    """Characters of one gauge that were read for certain: what each is, half its width, its patch, and from which reading it is."""

    letters: list[str] = field(default_factory=list)
    halves: list[int] = field(default_factory=list)
    patches: list["np.ndarray"] = field(default_factory=list)
    looks: list[int] = field(default_factory=list)

    def lacks(self, text: str) -> bool:
        """Whether some character of ``text`` has few examples yet."""
        return any(self.letters.count(letter) < EXAMPLES for letter in text if letter != " ")

    def learn(self, strip: "np.ndarray", glyphs: Sequence[Glyph], look: int) -> None:
        """Take the characters of a strip that have few examples yet."""
        wanted = [glyph for glyph in glyphs if self.letters.count(glyph.character) < EXAMPLES]
        if wanted:
            self.letters += [glyph.character for glyph in wanted]
            self.halves += [glyph.half for glyph in wanted]
            self.patches += list(patches(strip, [glyph.centre for glyph in wanted]))
            self.looks += [look] * len(wanted)


def usual_rows(found: Iterable[Rows | None]) -> Rows | None:
    """Where a gauge's figures stand, by all its strips."""
    known = [rows for rows in found if rows is not None]
    if not known:
        return None
    middle = len(known) // 2
    return Rows(sorted(rows.top for rows in known)[middle], sorted(rows.bottom for rows in known)[middle])


class Shapes:
    """What characters look like, as far as that can be relied on.

    Attributes
    ----------
    letters : ndarray of str, (examples,)
        What each example shows.
    usual : float
        Median unlikeness of two examples of one character from different readings; nan where no character came twice.
    """

    def __init__(self, letters: "np.ndarray", patches: "np.ndarray", halves: "np.ndarray", usual: float):
        self.letters, self.patches, self.halves, self.usual = letters, patches, halves, usual
        self._levelled: dict[int, np.ndarray] = {}

    def only(self, letters: Collection[str]) -> Shapes:
        """These characters alone."""
        import numpy as np

        kept = np.array([letter in letters for letter in self.letters.tolist()], bool)
        return Shapes(self.letters[kept], self.patches[kept], self.halves[kept], self.usual)

    @cached_property
    def widths(self) -> dict[str, int]:
        """Pixels to either side of a character's middle that are its own at the most, by the example that stands closest to its neighbours."""
        return _least(self.halves, self.letters)

    @cached_property
    def known(self) -> frozenset[str]:
        """The characters that two examples show at least: one alone may have been misread."""
        return frozenset(letter for letter, count in Counter(self.letters.tolist()).items() if count > 1)

    def unlike(self, patch: "np.ndarray", half: int) -> "np.ndarray":
        """Unlikeness of a patch to each example, (examples,)."""
        if half not in self._levelled:
            self._levelled[half] = levelled(still(self.patches), half)
        return 1 - (levelled(moved(patch), half) @ self._levelled[half].T).max(axis=0)

    def nearest(self, patch: "np.ndarray", half: int) -> dict[str, float]:
        """Unlikeness of a patch to each character: that to the nearest of its examples."""
        return _least(self.unlike(patch, half), self.letters)


def _least(numbers: "np.ndarray", letters: "np.ndarray") -> dict:
    """The least number of each letter."""
    found: dict = {}
    for letter, number in zip(letters.tolist(), numbers.tolist()):
        found[letter] = min(number, found.get(letter, number))
    return found


def reliable(examples: Examples) -> Shapes:
    """What one gauge's examples show. A character whose examples show two shapes is left out, and so is a single example that is unlike the others."""
    import numpy as np

    letters, looks, halves = np.array(examples.letters), np.array(examples.looks), np.array(examples.halves)
    every = Shapes(letters, np.stack(examples.patches), halves, float("nan"))
    apart = np.stack([every.unlike(patch, half) for patch, half in zip(every.patches, halves.tolist())])
    alike = (letters[:, None] == letters[None, :]) & (looks[:, None] != looks[None, :])
    nearest = np.where(alike, apart, np.inf).min(axis=1)
    twice = np.isfinite(nearest)
    if not twice.any():
        return Shapes(letters[:0], every.patches[:0], halves[:0], float("nan"))
    usual = float(np.median(nearest[twice]))
    kept = np.zeros(len(letters), bool)
    for letter in np.unique(letters):
        mine = np.flatnonzero(letters == letter)
        inner = apart[np.ix_(mine, mine)]
        inner = np.minimum(inner, inner.T)
        others = apart[np.ix_(mine, np.flatnonzero(letters != letter))]
        limit = max(FAR * usual, APART * float(np.median(others.min(axis=1)))) if others.size else FAR * usual
        near = inner[np.median(inner, axis=1).argmin()] <= limit
        if near.sum() >= CLEAN * len(mine):
            kept[mine[near]] = True
    return Shapes(letters[kept], every.patches[kept], halves[kept], usual)


def pooled(name: str, every: dict[str, Shapes]) -> Shapes:
    """What a gauge's own examples show and those of the gauges that write like it; where its own are too few to tell, those of the most gauges
    that write alike: if it writes otherwise, little of it will look like them.

    Parameters
    ----------
    name : str
        The gauge's.
    every : dict of str to Shapes
        What the examples of each gauge show, by its name.
    """
    others = [other for other in every if other != name]
    if name in every:
        taught = {other: agreement(every[name], every[other]) for other in others}
        friends = [other for other in others if taught[other].letters]
        if friends or any(taught[other].told for other in others):
            parts = [every[name], *(every[other].only(taught[other].letters) for other in friends)]
            return _joined(parts, [every[name].usual])
    groups = []
    for one in others:
        told = {other: agreement(every[one], every[other]) for other in others if other != one}
        alike = [other for other in told if told[other].letters]
        groups.append(([one, *alike], [every[one].usual, *(told[other].usual for other in alike)]))
    if not groups:
        return every[name]
    members, usual = max(groups, key=lambda group: len(group[0]))
    return _joined([every[one] for one in ([name] if name in every else []) + members], usual)


def _joined(parts: Sequence[Shapes], usual: Sequence[float]) -> Shapes:
    """Parts as one; ``usual``: of the first by itself, and of it to others."""
    import numpy as np

    return Shapes(
        np.concatenate([part.letters for part in parts]), np.concatenate([part.patches for part in parts]), np.concatenate([part.halves for part in parts]),
        max((each for each in usual if each == each), default=float("nan")),
    )  # fmt: skip


@dataclass(frozen=True)
class Agreement:
    """How two gauges write: ``told``, whether they share enough characters to tell; ``letters``, what the second may teach the first: what the
    first lacks and what looks alike in both, nothing where most does not; ``usual``, the median unlikeness of what looks alike."""

    told: bool
    letters: frozenset[str] = frozenset()
    usual: float = float("nan")


def agreement(own: Shapes, theirs: Shapes) -> Agreement:
    """Whether ``theirs`` would tell the characters of ``own`` from one another as they were read."""
    import numpy as np

    known = set(theirs.letters.tolist())
    shared = {letter: place for place, letter in enumerate(own.letters.tolist()) if letter in known}
    if len(shared) < LEAST_SHARED:
        return Agreement(False)
    alike = {}
    for letter, place in shared.items():
        nearest = theirs.nearest(own.patches[place], int(own.halves[place]))
        if nearest[letter] < APART * min((unlike for other, unlike in nearest.items() if other != letter), default=0.0):
            alike[letter] = nearest[letter]
    if len(alike) < AGREE * len(shared):
        return Agreement(True)
    return Agreement(True, frozenset(alike) | (known - set(shared)), float(np.median(list(alike.values()))))
