"""TOML descriptions, read strictly: every key is known, every value checked, every error leads to its line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from functools import cached_property
from pathlib import Path

from analyser.errors import DescriptionError, InputError
from analyser.ingest import plain_toml
from analyser.ingest.text import read_text
from analyser.units import UNITS, dimension_of, nearest, parse_quantity, shown, unit_factor

TYPE_CHECKING = False  # known to type checkers by this name; loading typing would take longer than the answer
if TYPE_CHECKING:
    from typing import Any

# Patterns of lines, compiled only once an error has to be placed.
_HEADER = r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?"
_KEY = r"""\s*((?:"(?:[^"\\]|\\.)*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"(?:[^"\\]|\\.)*"|'[^']*'|[\w-]+))*)\s*="""
_KEY_PART = r""""((?:[^"\\]|\\.)*)"|'([^']*)'|([\w-]+)"""


class Source:
    """A TOML file: its data, and the line on which each key stands."""

    def __init__(self, path: Path, what: str):
        self.path = path
        text = read_text(path, what, DescriptionError)
        try:
            self.data = plain_toml.loads(text)
        except (RecursionError, ValueError) as trouble:
            import tomllib

            if isinstance(trouble, tomllib.TOMLDecodeError):
                problem, line = _toml_problem(str(trouble), text)
                raise DescriptionError(problem, path, line) from None
            raise DescriptionError(f"this {what} can't be read: {trouble}", path) from None
        self.text = text

    @cached_property
    def lines(self) -> dict[tuple[str, ...], int]:
        """The line on which each key stands; only an error asks for it."""
        return _key_lines(self.text)

    def section(self, known: Mapping[str, str]) -> "Section":
        """The whole file as a section; see :class:`Section`."""
        return Section(self, self.data, (), known)

    def error(self, problem: str, key: Iterable[str] = ()) -> DescriptionError:
        """An error at ``key``, with the line of it or of the nearest key around it."""
        key = tuple(key)
        return DescriptionError(problem, self.path, _place(self.lines, key))


class Section:
    """One table of a description.

    Parameters
    ----------
    source : Source
    table : dict
        Its data.
    where : tuple of str
        The keys that lead to it.
    known : mapping of str to str
        Each key that may stand in it, and what it holds: a dimension of :data:`analyser.units.UNITS`, or "" for
        anything else. A quantity's key may carry the unit for a bare number: ``"radius [km]"`` or ``radius_km``.

    Raises
    ------
    DescriptionError
        Not a table, or it has a key that is not known.
    """

    def __init__(self, source: Source, table: Any, where: tuple[str, ...], known: Mapping[str, str]):
        self.source, self.where, self.known = source, where, known
        if not isinstance(table, dict):
            raise source.error(f"{_said(table)}, and a table of keys is wanted ({', '.join(known)})", where)
        self.table: dict[str, tuple[str, Any, str]] = {}  # key: (as written, value, unit in the key)
        for written, value in table.items():
            key, unit = self._split_key(written)
            if key in self.table:
                raise self.error(f"{key!r} is given twice, as {self.table[key][0]!r} and as {written!r}; keep one", written)
            self.table[key] = (written, value, unit)

    def _split_key(self, written: str) -> tuple[str, str]:
        if written in self.known:
            return written, ""
        bracket = re.fullmatch(r"(\w+)\s*[\[(]\s*(.+?)\s*[\])]", written)
        for key, dimension in self.known.items():
            if not dimension:
                continue
            if bracket and bracket[1] == key:
                return key, bracket[2]
            if written.startswith(key + "_") and written[len(key) + 1 :] in UNITS[dimension]:
                return key, written[len(key) + 1 :]
        name = bracket[1] if bracket else written
        suggestion = nearest(name, self.known)
        hint = f"did you mean {suggestion!r}? " if suggestion else ""
        raise self.error(f"unknown key {shown(written)}; {hint}known here: {', '.join(self.known)}", written)

    def error(self, problem: str, *key: str) -> DescriptionError:
        """An error at ``key`` of this section."""
        return self.source.error(problem, self.where + key)

    def place(self, key: str) -> str:
        """``key`` as written in the file."""
        return self.table[key][0] if key in self.table else key

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def value(self, key: str) -> Any:
        """The raw value, None where the key is missing."""
        return self.table[key][1] if key in self.table else None

    def require(self, key: str, example: str) -> None:
        """Raise where ``key`` is missing, showing how to write it."""
        if key not in self.table:
            raise self.error(f"the key {key!r} is missing; write it like {key} = {example}")

    def text(self, key: str, default: str = "") -> str:
        """A string, ``default`` where the key is missing."""
        value = self.value(key)
        if value is None:
            return default
        if not isinstance(value, str):
            raise self.error(f"{_said(value)}, and a text in quotes is wanted", self.place(key))
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str) -> str:
        """One of ``choices``."""
        value = self.text(key, default)
        if value not in choices:
            raise self.error(f"{shown(value)} is none of {', '.join(map(repr, choices))}", self.place(key))
        return value

    def quantity(self, key: str, default: float = math.nan, least: float = -math.inf, most: float = math.inf,
                 above: float = -math.inf, below: float = math.inf, wanted: str = "") -> float:  # fmt: skip
        """A quantity in SI; its dimension is what ``known`` says.

        Raises
        ------
        DescriptionError
            No quantity of that dimension, or outside ``least <= value <= most``, ``above < value < below``; ``wanted``
            says the limits in words.
        """
        if key not in self.table:
            return default
        written, value, unit = self.table[key]
        dimension = self.known[key]
        try:
            if unit and isinstance(value, str):
                raise InputError(f"the key already names the unit; write a bare number, or {key} = {shown(value)}")
            found = parse_quantity(value, dimension) * (unit_factor(unit, dimension) if unit else 1.0)
        except InputError as error:
            raise self.error(error.problem, written) from None
        if not (least <= found <= most and above < found < below):
            base = next(iter(UNITS[dimension_of(dimension)]))
            bare = f" {base}" if not isinstance(value, str) and not unit and base != "1" else ""
            advice = ' (a bare angle is in radians; write "28.5 deg")' if bare == " rad" else ""
            raise self.error(f"{_told(value)}{bare} is impossible here: {wanted or 'out of range'}{advice}", written)
        return found

    def section(self, key: str, known: Mapping[str, str]) -> "Section":
        """The table under ``key``."""
        return Section(self.source, self.value(key), self.where + (self.place(key),), known)

    def sections(self, key: str, known: Mapping[str, str]) -> "list[Section]":
        """The tables of the array under ``key``; none where it is missing."""
        value = self.value(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(f"{_said(value)}, and tables are wanted; begin each with [[{key}]]", self.place(key))
        return [Section(self.source, item, self.where + (key, str(index)), known) for index, item in enumerate(value)]


def _told(value: Any) -> str:
    return shown(value) if isinstance(value, str) else shown(str(value)).strip("'")


def _said(value: Any) -> str:
    kinds = {dict: "a table", list: "a list", str: "a text", bool: "true or false", int: "a number", float: "a number"}
    kind = kinds.get(type(value), "nothing" if value is None else f"a {type(value).__name__}")
    return f"found {kind} ({shown(str(value))})" if isinstance(value, (str, int, float, bool)) else f"found {kind}"


def _place(lines: Mapping[tuple[str, ...], int], key: tuple[str, ...]) -> str:
    line = next((lines[key[:end]] for end in range(len(key), 0, -1) if key[:end] in lines), None)
    # Numbers of an array's entries are counted from 1 for people.
    name = ""
    for part in key:
        name += f"[{int(part) + 1}]" if part.isdigit() else ("." if name else "") + part
    return ", ".join(([f"line {line}"] if line else []) + ([f"key '{name}'"] if name else []))


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    """The line of each key, found by looking for ``key =`` and ``[table]``; keys of inline tables count by their line.

    Text inside a multi-line string may look like a key: such a line only counts where no earlier one claimed the key,
    and serves messages alone.
    """
    lines: dict[tuple[str, ...], int] = {}
    counts: dict[tuple[str, ...], int] = {}
    prefix: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        header = re.fullmatch(_HEADER, line)
        if header:
            prefix = _resolved(_parts(header[2]), counts)
            if header[1] == "[[":
                counts[prefix] = counts.get(prefix, -1) + 1
                lines.setdefault(prefix, number)
                prefix = prefix + (str(counts[prefix]),)
            lines.setdefault(prefix, number)
            continue
        key = re.match(_KEY, line)
        if key:
            parts = prefix + _parts(key[1])
            lines.setdefault(parts, number)
            for inner in re.finditer(r"[{,]\s*" + _KEY.removeprefix(r"\s*"), line[key.end() :]):
                lines.setdefault(parts + _parts(inner[1]), number)
    return lines


def _resolved(parts: tuple[str, ...], counts: Mapping[tuple[str, ...], int]) -> tuple[str, ...]:
    """A header inside an array of tables belongs to its latest entry."""
    found: tuple[str, ...] = ()
    for index, part in enumerate(parts):
        found += (part,)
        if found in counts and index < len(parts) - 1:
            found += (str(counts[found]),)
    return found


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(next(group for group in match.groups() if group is not None) for match in re.finditer(_KEY_PART, dotted))


def _toml_problem(message: str, text: str) -> tuple[str, str]:
    """tomllib's message in plain words, and the line."""
    match = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    what = message[: match.start()].strip() if match else message
    what = what[:1].lower() + what[1:] if what else what
    if match and match[1]:
        line = text.splitlines()[int(match[1]) - 1 : int(match[1])]
        quoted = f" in {shown(line[0].strip(), 60)}" if line and line[0].strip() else ""
        return f"this is no valid TOML: {what}{quoted}", f"line {match[1]}"
    return f"this is no valid TOML: {what} at the end of the file", ""
