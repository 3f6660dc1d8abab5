"""A small pattern language compiled to a table of states, so that a beam search only follows strings that can be shown.

The patterns are a part of Python's ``re``: characters, ``[..]`` with ranges, ``\\d``, groups (plain, ``(?:``, ``(?P<name>``),
``|``, ``?``, ``*``, ``+`` and ``{m,n}``. The same pattern then parses the string that was found.
Thompson's construction and the subset construction: Aho, Lam, Sethi & Ullman, *Compilers*, section 3.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

DEAD = -1


@dataclass(frozen=True)
class Automaton:
    """A deterministic automaton over an alphabet.

    Attributes
    ----------
    table : ndarray, (states, characters), int
        Next state, DEAD where the character can't follow. State 0 is the start.
    accepting : ndarray, (states,), bool
    alphabet : str
    """

    table: "np.ndarray"
    accepting: "np.ndarray"
    alphabet: str

    @cached_property
    def shown(self) -> frozenset[str]:
        """Every character that stands in some text."""
        return frozenset(letter for letter, used in zip(self.alphabet, (self.table != DEAD).any(axis=0)) if used)

    def accepts(self, text: str) -> bool:
        """Whether the whole of ``text`` can be shown."""
        state = 0
        for character in text:
            index = self.alphabet.find(character)
            state = DEAD if index < 0 else int(self.table[state, index])
            if state == DEAD:
                return False
        return bool(self.accepting[state])


class _Pattern:
    """Recursive descent over a pattern, building a non-deterministic automaton."""

    def __init__(self, pattern: str):
        self.pattern, self.place = pattern, 0
        self.moves: list[list[tuple[frozenset | None, int]]] = []  # state -> (characters or None, next)

    def state(self) -> int:
        self.moves.append([])
        return len(self.moves) - 1

    def peek(self) -> str:
        return self.pattern[self.place] if self.place < len(self.pattern) else ""

    def take(self) -> str:
        character = self.peek()
        self.place += 1
        return character

    def choice(self) -> tuple[int, int]:
        parts = [self.sequence()]
        while self.peek() == "|":
            self.take()
            parts.append(self.sequence())
        if len(parts) == 1:
            return parts[0]
        start, end = self.state(), self.state()
        for first, last in parts:
            self.moves[start].append((None, first))
            self.moves[last].append((None, end))
        return start, end

    def sequence(self) -> tuple[int, int]:
        start = end = self.state()
        while self.peek() not in ("", "|", ")"):
            first, last = self.repeated()
            self.moves[end].append((None, first))
            end = last
        return start, end

    def repeated(self) -> tuple[int, int]:
        begin = self.place
        first, last = self.single()
        after = self.place
        low, high = 1, 1
        if self.peek() in ("?", "*", "+"):
            low, high = {"?": (0, 1), "*": (0, None), "+": (1, None)}[self.take()]
        elif self.peek() == "{":
            self.take()
            numbers = ""
            while self.peek() != "}":
                numbers += self.take()
            self.take()
            parts = numbers.split(",")
            low, high = int(parts[0]), int(parts[-1]) if parts[-1] else None
        else:
            return first, last
        beyond = self.place
        start = end = self.state()

        def copy() -> tuple[int, int]:
            self.place = begin
            piece = self.single()
            self.place = beyond
            return piece

        del after, first, last
        for _ in range(low):
            one = copy()
            self.moves[end].append((None, one[0]))
            end = one[1]
        if high is None:
            one = copy()
            self.moves[end].append((None, one[0]))
            self.moves[one[1]].append((None, end))
            final = self.state()
            self.moves[end].append((None, final))
            return start, final
        final = self.state()
        self.moves[end].append((None, final))
        for _ in range(high - low):
            one = copy()
            self.moves[end].append((None, one[0]))
            end = one[1]
            self.moves[end].append((None, final))
        return start, final

    def single(self) -> tuple[int, int]:
        character = self.take()
        if character == "(":
            if self.pattern.startswith("?:", self.place):
                self.place += 2
            elif self.pattern.startswith("?P<", self.place):
                self.place = self.pattern.index(">", self.place) + 1
            piece = self.choice()
            self.take()  # the closing bracket
            return piece
        if character == "[":
            members = set()
            while self.peek() != "]":
                one = self.take()
                if one == "\\":
                    one = self.take()
                    if one == "d":
                        members.update("0123456789")
                        continue
                if self.peek() == "-" and self.pattern[self.place + 1] != "]":
                    self.take()
                    other = self.take()
                    members.update(chr(code) for code in range(ord(one), ord(other) + 1))
                else:
                    members.add(one)
            self.take()
        elif character == "\\":
            one = self.take()
            members = set("0123456789") if one == "d" else {one}
        else:
            members = {character}
        start, end = self.state(), self.state()
        self.moves[start].append((frozenset(members), end))
        return start, end


@lru_cache(maxsize=256)
def compile_pattern(pattern: str, alphabet: str) -> Automaton:
    """The automaton of a pattern over an alphabet (one character a column)."""
    import numpy as np

    builder = _Pattern(pattern)
    start, end = builder.choice()
    if builder.place < len(pattern):
        raise ValueError(f"pattern {pattern!r}: not understood from character {builder.place}")

    def closure(states: set[int]) -> frozenset:
        stack, seen = list(states), set(states)
        while stack:
            for characters, target in builder.moves[stack.pop()]:
                if characters is None and target not in seen:
                    seen.add(target)
                    stack.append(target)
        return frozenset(seen)

    names = {closure({start}): 0}
    queue, rows = [closure({start})], []
    while queue:
        states = queue.pop(0)
        reach: dict[str, set[int]] = {}
        for state in states:
            for characters, target in builder.moves[state]:
                for character in characters or ():
                    reach.setdefault(character, set()).add(target)
        row = np.full(len(alphabet), DEAD, np.int32)
        for character, targets in reach.items():
            column = alphabet.find(character)
            if column < 0:
                continue
            following = closure(targets)
            if following not in names:
                names[following] = len(names)
                queue.append(following)
            row[column] = names[following]
        rows.append(row)
    accepting = np.array([end in states for states in names], bool)
    return Automaton(np.array(rows), accepting, alphabet)
