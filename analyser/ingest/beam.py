"""From the network's columns to texts: the likeliest path with how sure it is, and a beam search along a grammar.

The columns are scored by connectionist temporal classification (Graves, Fernandez, Gomez & Schmidhuber 2006): a path names a
class for each column, runs of one class are one character, class 0 is the blank between.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from analyser.ingest.automaton import DEAD, Automaton
from analyser.ingest.grammar import WILD

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

#: Characters the network knows; class 0 is the blank, class i + 1 the i-th of these, the last one UNREADABLE.
ALPHABET = " 0123456789.,:+-'%°/²ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
UNREADABLE = "?"  # a character that is there but cut, covered or blinded
CLASSES = len(ALPHABET) + 2
LETTERS = ALPHABET + UNREADABLE
SPACE, POINT, COMMA, PLUS, MINUS = 1, 12, 13, 15, 16  # classes
CLOCK = frozenset("T+:")  # characters that a clock can show, and no other gauge
HOURS = re.compile(r"[+-] ?\d\d+:\d\d")  # a sign before hours
SURE_SIGN = 0.98  # probability of a column from which it is a sign: a narrow 1 may look like one
PREFIX = 3  # letters before a clock's sign at most
FIGURES = " 0123456789.,:+-'"
WALL = CLASSES  # a class of its own between crops
BEAM = 12  # texts followed at a time
FAR = 12.0  # log probability by which a text may lie behind the likeliest and still be followed: trust.py takes no share for nearer to 0 than this
FAINT = -9.0  # log probability below which a character in a column is not followed
SURE_BLANK = -0.002  # log probability above which a column is taken for blank by every text

#: What a letter that a gauge does not show is taken for, the first of these that it does show; before them the same letter in the other case.
ALIKE = {
    "O": "0", "o": "°0", "D": "0", "Q": "0", "I": "1", "l": "1", "i": "1", "Z": "2", "z": "2", "A": "4", "S": "5", "s": "5", "b": "6", "G": "6",
    "T": "7", "B": "8", "g": "9", "q": "9", "n": "m", "w": "m", "N": "Mm", "W": "Mm", "h": "k", "H": "k", "R": "k",
}  # fmt: skip
WILD_CLASS = ALPHABET.index(WILD) + 1
STRANGE = 0.34  # share of letters that the gauge does not show above which they are left as seen: it shows something else


@dataclass(frozen=True)
class Spelling:
    """A text that a crop may show, and the natural logarithm of its probability among all texts whatever."""

    text: str
    weight: float


@lru_cache(maxsize=256)
def folding(shown: frozenset[str]) -> "np.ndarray":
    """(CLASSES, CLASSES), 1 where the class of the row counts as that of the column for a gauge that shows these characters."""
    import numpy as np

    matrix = np.eye(CLASSES, dtype=np.float32)
    for place, letter in enumerate(ALPHABET):
        if letter.isalpha() and letter not in shown:
            other = next((each for each in letter.swapcase() + ALIKE.get(letter, "") if each in shown), "")
            if other:
                matrix[place + 1, [place + 1, ALPHABET.index(other) + 1]] = 0.0, 1.0
    return matrix


@lru_cache(maxsize=256)
def _strange(shown: frozenset[str]) -> "np.ndarray":
    """(CLASSES,), whether a class is a letter that a gauge which shows these characters does not."""
    import numpy as np

    return np.array([False, *(letter.isalpha() and letter not in shown for letter in ALPHABET), False])


def folded(shares: "np.ndarray", shown: frozenset[str]) -> "np.ndarray":
    """The columns with each letter that the gauge does not show counted as the one that it is taken for; as they are where there are many. Where WILD is shown,
    every letter counts as it."""
    if WILD in shown:
        return _unlettered(shares)
    path = shares.argmax(axis=1)
    if CLOCK <= shown:
        shares = _unprefixed(shares, path)
    letters = path[(path > 0) & (path != SPACE)]
    letters = letters[[True, *(letters[1:] != letters[:-1])]] if len(letters) else letters
    if _strange(shown)[letters].sum() > STRANGE * len(letters) + 1:
        return shares
    return shares @ folding(shown)


@lru_cache(maxsize=1)
def _lettered() -> "np.ndarray":
    """(CLASSES,), whether a class is a letter or a sign that only units have."""
    import numpy as np

    return np.array([False, *(letter not in FIGURES for letter in ALPHABET), False])


def _unlettered(shares: "np.ndarray") -> "np.ndarray":
    """The columns with all letters counted as WILD, and what can't be made out too, once a letter has been seen: it belongs to the unit then."""
    lettered = _lettered()
    plain = shares.copy()
    plain[:, lettered] = 0.0
    plain[:, WILD_CLASS] = shares[:, lettered].sum(axis=1)
    letters = lettered[shares.argmax(axis=1)].nonzero()[0]
    if len(letters):
        plain[letters[0] :, WILD_CLASS] += plain[letters[0] :, -1]
        plain[letters[0] :, -1] = 0.0
    return plain


def _unprefixed(shares: "np.ndarray", path: "np.ndarray") -> "np.ndarray":
    """The columns of a clock without what stands before its sign: whatever it looks like, it is a letter or three of a prefix that means nothing. A sign is what two
    figures of hours follow, or what is surely one."""
    signs = ((path == PLUS) | (path == MINUS)).nonzero()[0]
    if not len(signs) or not (shares[signs[0], [PLUS, MINUS]].max() > SURE_SIGN or HOURS.match(best_path(shares[signs[0] :]))):
        return shares
    before = path[: signs[0]]
    inked = before[before > 0]
    letters = inked[[True, *(inked[1:] != inked[:-1])]] if len(inked) else inked
    if not 0 < len(letters[letters != SPACE]) <= PREFIX:
        return shares
    last = before.nonzero()[0][-1] + 1
    shares = shares.copy()
    shares[:last] = 0.0
    shares[:last, 0] = 1.0
    return shares


def best_path(scores: "np.ndarray") -> str:
    """The likeliest class of each column, runs joined, blanks dropped."""
    path = scores.argmax(axis=1)
    return "".join(LETTERS[c - 1] for i, c in enumerate(path) if c and (i == 0 or c != path[i - 1])).strip()


def shows_nothing(text: str) -> bool:
    """Dashes alone: the gauge is alive and has nothing to show."""
    return bool(re.fullmatch(r"-[- .:]*-", text))


def glance(shares: "np.ndarray") -> tuple[str, float]:
    """:func:`glances` at one crop."""
    return glances([shares])[0]


def glances(many: "Sequence[np.ndarray]") -> list[tuple[str, float]]:
    """From the class probabilities of every column of each crop, (columns, CLASSES), the likeliest path's text, and about how probable it is that the
    columns spell something else (never less than that by much, at most about twice it): what lies beside the path in each column, each character's chance to be lost, and doubled ones' to be one.

    Whether there is a space counts only between digits, where it tells days from hours; whether a mark is a point or a comma only where
    three digits follow, which it may part from thousands. The crops are looked at as one long row with a wall before and after each.
    """
    import numpy as np

    if not many:
        return []
    walls = np.cumsum([0, *(len(shares) + 1 for shares in many)])
    row = np.zeros((walls[-1] + 1, CLASSES + 1), np.float32)
    for wall, shares in zip(walls, many):
        row[wall + 1 : wall + 1 + len(shares), :CLASSES] = shares
    row[walls, WALL] = 1.0
    path = row.argmax(axis=1)
    count = len(path)
    change = np.flatnonzero(np.diff(path)) + 1
    starts = np.concatenate([[0], change])
    ends = np.concatenate([change, [count]])  # one beyond
    classes = path[starts]
    inked = classes > 0
    letters = classes[inked]
    columns = np.arange(count)
    # the run of ink before and after each column (its own run is neither)
    run_of = np.repeat(np.cumsum(inked) - inked, ends - starts)  # runs of ink that began and ended before this column's run
    own = path > 0
    padded = np.concatenate([[0], np.where(letters == WALL, 0, letters), [0]])
    before, after = padded[run_of], padded[run_of + 1 + own]
    digit = (padded >= 2) & (padded <= 11)
    free_space = ~(digit[run_of] & digit[run_of + 1 + own])  # a space here would change nothing
    held = row[columns, path]  # what each column gives to its run's character
    mass = held.copy()
    edge = np.zeros(count, bool)
    edge[starts], edge[ends - 1] = True, True
    loose = ~own | edge
    blank = row[:, 0]
    mass += np.where(own & edge, blank, 0.0)
    mass += np.where(loose & (before > 0) & (before != path), row[columns, before], 0.0)
    mass += np.where(loose & (after > 0) & (after != path) & (after != before), row[columns, after], 0.0)
    mass += np.where(free_space & (path != SPACE) & (before != SPACE) & (after != SPACE), row[:, SPACE], 0.0)
    for place in np.flatnonzero((letters == POINT) | (letters == COMMA)):
        follow = [2 <= letter <= 11 for letter in letters[place + 1 : place + 5].tolist()]
        if not (follow[:3] == [True] * 3 and not follow[3:] == [True]):
            run = slice(starts[inked][place], ends[inked][place])
            either = row[run, POINT + COMMA - letters[place]]
            mass[run] += either
            held[run] += either
    spaced = own & (path == SPACE) & free_space
    mass = np.where(spaced, mass + np.where(edge, 0.0, blank), mass)
    risks = np.add.reduceat(-np.log(np.clip(mass, 1e-12, 1.0)), walls[:-1])
    lost = np.add.reduceat(np.log(np.clip(1 - held, 1e-12, 1.0)), starts)[inked]
    lost = np.where((letters == SPACE) & free_space[starts[inked]], -40.0, lost)
    stand = np.flatnonzero(letters == WALL)
    risks += np.add.reduceat(np.exp(lost), stand)[:-1]
    for place in np.flatnonzero(letters[1:] == letters[:-1]):
        gap = slice(ends[inked][place], starts[inked][place + 1])
        risks[np.searchsorted(stand, place) - 1] += row[gap, letters[place]].prod()
    texts = ("".join(LETTERS[c - 1] for c in letters[left + 1 : right]) for left, right in zip(stand, stand[1:]))
    return [(" ".join(text.split()), min(1.0, -math.expm1(-risk)) if text else 1.0) for text, risk in zip(texts, risks.tolist())]


def search(logs: "np.ndarray", automaton: Automaton, width: int = BEAM) -> tuple[Spelling, ...]:
    """Texts of the grammar by probability: a prefix beam search (Hannun, Maas, Jurafsky & Ng 2014) along the automaton.

    Each text followed keeps the probability of ending in a blank and of ending in its last character, since only
    with a blank between can a character come twice.
    """
    nothing = -math.inf
    table = automaton.table
    beams: dict[str, tuple[float, float, int]] = {"": (0.0, nothing, 0)}  # text -> (blank, not blank, state)
    last_class = len(ALPHABET)
    for row in logs:
        blank = float(row[0])
        if blank > SURE_BLANK:
            beams = {text: (_add(a, b) + blank, nothing, state) for text, (a, b, state) in beams.items()}
            continue
        seen = [int(index) for index in (row[1 : last_class + 1] > FAINT).nonzero()[0]]
        chances = [(index, ALPHABET[index], float(row[index + 1])) for index in seen]
        grown: dict[str, list] = {}

        def give(text: str, state: int, ends_blank: float, ends_letter: float) -> None:
            entry = grown.get(text)
            if entry is None:
                grown[text] = [ends_blank, ends_letter, state]
            else:
                entry[0], entry[1] = _add(entry[0], ends_blank), _add(entry[1], ends_letter)

        for text, (a, b, state) in beams.items():
            both = _add(a, b)
            give(text, state, both + blank, nothing)
            final = text[-1:]
            if final:
                again = float(row[ALPHABET.index(final) + 1])
                if again > 2 * FAINT:
                    give(text, state, nothing, b + again)
            moves = table[state]
            for index, letter, chance in chances:
                following = int(moves[index])
                if following != DEAD:
                    give(text + letter, following, nothing, (a if letter == final else both) + chance)
        best = sorted(((_add(entry[0], entry[1]), text, entry) for text, entry in grown.items()), reverse=True)[:width]
        beams = {text: tuple(entry) for whole, text, entry in best if whole > best[0][0] - FAR}
    found = [
        Spelling(text.strip(), _add(a, b)) for text, (a, b, state) in beams.items() if automaton.accepting[state] and _add(a, b) > -60
    ]
    return tuple(sorted(found, key=lambda each: -each.weight))


def _add(a: float, b: float) -> float:
    """log(exp(a) + exp(b))."""
    if a < b:
        a, b = b, a
    return a if b == -math.inf else a + math.log1p(math.exp(b - a))
