"""TOML, read at once where a file is plain: tables of bare keys with texts, numbers, true and false, one a line.

Most world and craft files are. The standard reader takes longer to load than ``analyser fix`` may take to answer, so it is loaded only for a file
that has more in it than this. Nothing is guessed: at the first line that is not plain beyond doubt the standard reader gets the whole text.
"""

from __future__ import annotations

_BARE = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")


class _NotPlainError(Exception):
    """The standard reader has to look."""


def loads(text: str) -> dict:
    """The data of a TOML document.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is none.
    """
    try:
        return _plain(text.replace("\r\n", "\n"))
    except _NotPlainError:
        import tomllib

        return tomllib.loads(text.replace("\r\n", "\n"))


def quoted(text: str) -> str:
    """``text`` as a TOML string."""
    if text.isascii() and text.isprintable() and '"' not in text and "\\" not in text:
        return f'"{text}"'
    import json  # a JSON string is a TOML basic string, but for the delete character, which TOML wants escaped

    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> dict:
    """The data of a plain document; :class:`_NotPlainError` at the first line that may be anything else."""
    top: dict = {}
    table, headed = top, set()
    for line in text.split("\n"):
        line = line.strip(" \t")
        if not line:
            continue
        if not line.isascii() or not line.isprintable():
            # letters and signs of other scripts are plain in a text and in a comment; control characters never are
            if not line.replace("\t", "").isprintable():
                raise _NotPlainError
        if line[0] == "#":
            continue
        if line[0] == "[":
            table = _opened(top, line, headed)
            continue
        name, equals, value = line.partition("=")
        key = _key(name.strip(" \t"))
        if not equals or key in table:
            raise _NotPlainError
        table[key] = _value(value.strip(" \t"))
    return top


def _opened(top: dict, line: str, headed: set[str]) -> dict:
    """The table that a header opens."""
    head, _, comment = line.partition("#") if '"' not in line else (line, "", "")
    head = head.rstrip(" \t")
    table = top
    if head.startswith("[["):
        name = _key(head.removeprefix("[[").removesuffix("]]"))
        rows = top.setdefault(name, [])
        if not head.endswith("]]") or name in headed or not isinstance(rows, list):
            raise _NotPlainError
        rows.append({})
        return rows[-1]
    inside = head[1:-1]
    if not head.endswith("]") or inside in headed:
        raise _NotPlainError
    headed.add(inside)
    names = [_text(inside)] if inside.startswith('"') else [_key(part) for part in inside.split(".")]
    for depth, name in enumerate(names):
        known = table.get(name)
        if known is None:
            table[name] = {}
        elif not isinstance(known, dict) or depth == len(names) - 1:
            raise _NotPlainError  # a table in a list, a value of that name, or tables in an order that needs the rules
        table = table[name]
    return table


def _key(name: str) -> str:
    if not name or not _BARE.issuperset(name):
        raise _NotPlainError
    return name


def _text(quoted: str) -> str:
    inside = quoted[1:-1]
    if len(quoted) < 2 or quoted[-1] != '"' or '"' in inside or "\\" in inside or "\t" in inside:
        raise _NotPlainError
    return inside


def _value(written: str) -> str | float | int | bool:
    if written[:1] == '"':
        end = written.find('"', 1)
        rest = written[end + 1 :].lstrip(" \t")
        if end < 0 or written.startswith('""') or (rest and rest[0] != "#"):
            raise _NotPlainError
        return _text(written[: end + 1])
    written = written.partition("#")[0].rstrip(" \t")
    if written in ("true", "false"):
        return written == "true"
    whole, point, fraction = written.removeprefix("-").partition(".")
    digits = whole + fraction
    if not digits.isascii() or not digits.isdecimal() or not whole or (point and not fraction) or (whole[0] == "0" and len(whole) > 1):
        raise _NotPlainError
    return float(written) if point else int(written)
