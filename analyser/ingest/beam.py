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

if TYPE_CHECKING:
    import numpy as np

#: Characters the network knows; class 0 is the blank, class i + 1 the i-th of these, the last one UNREADABLE.
ALPHABET = " 0123456789.,:+-'%°/²ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
UNREADABLE = "?"  # a character that is there but cut, covered or blinded
CLASSES = len(ALPHABET) + 2
LETTERS = ALPHABET + UNREADABLE
SPACE, POINT, COMMA = 1, 12, 13  # classes
BEAM = 12  # texts followed at a time
FAINT = -9.0  # log probability below which a character in a column is not followed
SURE_BLANK = -0.002  # log probability above which a column is taken for blank by every text

#: What a letter that a gauge does not show is taken for, the first of these that it does show; before them the same letter in the other case.
ALIKE = {
    "O": "0", "o": "°0", "D": "0", "Q": "0", "I": "1", "l": "1", "i": "1", "Z": "2", "z": "2", "A": "4", "S": "5", "s": "5", "b": "6", "G": "6",
    "T": "7", "B": "8", "g": "9", "q": "9", "n": "m", "w": "m", "N": "Mm", "W": "Mm", "h": "k", "H": "k", "R": "k",
}  # fmt: skip
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
    """The columns with each letter that the gauge does not show counted as the one that it is taken for; as they are where there are many."""
    path = shares.argmax(axis=1)
    letters = path[(path > 0) & (path != SPACE)]
    letters = letters[[True, *(letters[1:] != letters[:-1])]] if len(letters) else letters
    if _strange(shown)[letters].sum() > STRANGE * len(letters) + 1:
        return shares
    return shares @ folding(shown)


def best_path(scores: "np.ndarray") -> str:
    """The likeliest class of each column, runs joined, blanks dropped."""
    path = scores.argmax(axis=1)
    return "".join(LETTERS[c - 1] for i, c in enumerate(path) if c and (i == 0 or c != path[i - 1])).strip()


def shows_nothing(text: str) -> bool:
    """Dashes alone: the gauge is alive and has nothing to show."""
    return bool(re.fullmatch(r"-[- .:]*-", text))


def glance(shares: "np.ndarray") -> tuple[str, float]:
    """From the class probabilities of every column, (columns, CLASSES), the likeliest path's text, and about how probable it is that the
    columns spell something else (never less than that by much, at most about twice it): what lies beside the path in each column, each character's chance to be lost, and doubled ones' to be one.

    Whether there is a space counts only between digits, where it tells days from hours; whether a mark is a point or a comma only where
    three digits follow, which it may part from thousands.
    """
    import numpy as np

    path = shares.argmax(axis=1)
    count = len(path)
    change = np.flatnonzero(np.diff(path)) + 1
    starts = np.concatenate([[0], change])
    ends = np.concatenate([change, [count]])  # one beyond
    classes = path[starts]
    inked = classes > 0
    letters = classes[inked]
    if not len(letters):
        return "", 1.0
    columns = np.arange(count)
    # the run of ink before and after each column (its own run is neither)
    run_of = np.repeat(np.cumsum(inked) - inked, ends - starts)  # runs of ink that began and ended before this column's run
    own = path > 0
    padded = np.concatenate([[0], letters, [0]])
    before, after = padded[run_of], padded[run_of + 1 + own]
    digit = (padded >= 2) & (padded <= 11)
    free_space = ~(digit[run_of] & digit[run_of + 1 + own])  # a space here would change nothing
    held = shares[columns, path].copy()  # what each column gives to its run's character
    mass = held.copy()
    edge = np.zeros(count, bool)
    edge[starts], edge[ends - 1] = True, True
    loose = ~own | edge
    blank = shares[:, 0]
    mass = mass + np.where(own & edge, blank, 0.0)
    mass = mass + np.where(loose & (before > 0) & (before != path), shares[columns, before], 0.0)
    mass = mass + np.where(loose & (after > 0) & (after != path) & (after != before), shares[columns, after], 0.0)
    mass = mass + np.where(free_space & (path != SPACE) & (before != SPACE) & (after != SPACE), shares[:, SPACE], 0.0)
    for place in np.flatnonzero((letters == POINT) | (letters == COMMA)):
        follow = letters[place + 1 : place + 5]
        if not (len(follow) >= 3 and (follow[:3] >= 2).all() and (follow[:3] <= 11).all() and not (len(follow) > 3 and 2 <= follow[3] <= 11)):
            run = slice(starts[inked][place], ends[inked][place])
            either = shares[run, POINT + COMMA - letters[place]]
            mass[run] += either
            held[run] += either
    spaced = own & (path == SPACE) & free_space
    mass = np.where(spaced, mass + np.where(edge, 0.0, blank), mass)
    risk = float(-np.log(np.clip(mass, 1e-12, 1.0)).sum())
    lost = np.add.reduceat(np.log(np.clip(1 - held, 1e-12, 1.0)), starts)[inked]
    lost = np.where((letters == SPACE) & free_space[starts[inked]], -40.0, lost)
    risk += float(np.exp(lost).sum())
    doubled = np.flatnonzero(letters[1:] == letters[:-1])
    for place in doubled:
        gap = slice(ends[inked][place], starts[inked][place + 1])
        risk += float(shares[gap, letters[place]].prod())
    text = "".join(LETTERS[c - 1] for c in letters)
    return " ".join(text.split()), min(1.0, -math.expm1(-risk))


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
        best = sorted(grown.items(), key=lambda item: -_add(item[1][0], item[1][1]))[:width]
        beams = {text: tuple(entry) for text, entry in best}
    found = [
        Spelling(text.strip(), _add(a, b)) for text, (a, b, state) in beams.items() if automaton.accepting[state] and _add(a, b) > -60
    ]
    return tuple(sorted(found, key=lambda each: -each.weight))


def _add(a: float, b: float) -> float:
    """log(exp(a) + exp(b))."""
    if a < b:
        a, b = b, a
    return a if b == -math.inf else a + math.log1p(math.exp(b - a))
