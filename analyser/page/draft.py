"""A panel being drawn: from its file into what a page works on, back into the file's text, checked, and saved with the old one kept."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyser.errors import DescriptionError, InputError
from analyser.files import write_atomically
from analyser.ingest.corrections import locked
from analyser.ingest.panel import Panel, load_panel

__all__ = ["Draft", "checked", "draft_of_file", "draft_of_sent", "save", "stamp_of", "to_text"]

_OWN = ("kind", "reads", "corners", "unit", "units", "scale")
_MOST_GAUGES = 60
_HEAD = "# Corners are pixels of the reference picture, clockwise from the top left. Drawn on the page; what the page does not show is kept as it was.\n"


@dataclass(frozen=True)
class Draft:
    """A panel as it stands on the page.

    ``gauges`` are mappings as in the file, each with its ``name``; ``top`` is what else stands at the file's top but for the reference.
    """

    reference: Path
    gauges: tuple[dict[str, Any], ...]
    top: Mapping[str, Any]


def draft_of_file(path: Path) -> tuple[Draft, list[dict[str, Any]]]:
    """A panel file, and its gauges as a page works on them.

    Raises
    ------
    DescriptionError
        It can't be read as TOML. What is wrong beyond that is for the page to mend.
    """
    try:
        found = tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, ValueError) as error:
        raise DescriptionError(f"this panel file can't be read: {error}", path) from error
    gauges = found.get("gauges")
    entries = [{"name": name, **entry} for name, entry in gauges.items() if isinstance(entry, dict)] if isinstance(gauges, dict) else []
    reference = found.get("reference")
    top = {key: value for key, value in found.items() if key not in ("gauges", "reference")}
    draft = Draft(path.parent / str(reference or "reference.png"), tuple(entries), top)
    return draft, [_for_page(entry) for entry in entries]


def _for_page(entry: dict[str, Any]) -> dict[str, Any]:
    reads = entry.get("reads", "")
    return {
        "name": entry["name"], "kind": entry.get("kind", "readout"), "reads": list(reads) if isinstance(reads, list) else [reads],
        "corners": entry.get("corners", []), "unit": entry.get("unit", ""), "units": entry.get("units", []), "scale": entry.get("scale", []),
        "more": {key: _plain(value) for key, value in entry.items() if key not in (*_OWN, "name")},
    }  # fmt: skip


def _plain(value: Any) -> Any:
    return value if isinstance(value, (str, int, float, bool, list, dict)) else str(value)


def draft_of_sent(sent: Any, reference: Path, top: Mapping[str, Any]) -> Draft:
    """What a page sent, as a draft.

    Raises
    ------
    InputError
        It is no list of gauges.
    """
    if not isinstance(sent, list) or len(sent) > _MOST_GAUGES or not all(isinstance(each, dict) for each in sent):
        raise InputError(f"at most {_MOST_GAUGES} gauges are wanted")
    return Draft(reference, tuple(_from_page(each) for each in sent), top)


def _from_page(sent: dict[str, Any]) -> dict[str, Any]:
    name = sent.get("name")
    if not isinstance(name, str) or not name.strip() or len(name) > 60 or not name.isprintable():
        raise InputError("every gauge needs a name of its own, at most 60 characters")
    entry: dict[str, Any] = {"name": name.strip(), "kind": sent.get("kind", "")}
    reads = [each for each in sent.get("reads", []) if isinstance(each, str) and each] if isinstance(sent.get("reads"), list) else []
    if not reads:
        raise InputError(f"say which column {name.strip()!r} reads")
    entry["reads"] = reads if len(reads) > 1 or sent.get("kind") == "attitude" else reads[0]
    corners = sent.get("corners")
    if not isinstance(corners, list) or not all(isinstance(corner, list) and len(corner) == 2 and all(_number(edge) for edge in corner) for corner in corners):
        raise InputError(f"the corners of {name.strip()!r} are four pairs of numbers")
    entry["corners"] = [[_tidy(edge) for edge in corner] for corner in corners]
    units = [each.strip() for each in sent.get("units") or [] if isinstance(each, str) and each.strip()]
    if units:
        entry["units"] = units
    elif isinstance(sent.get("unit"), str) and sent["unit"].strip():
        entry["unit"] = sent["unit"].strip()
    if sent.get("kind") in ("dial", "tape") and isinstance(sent.get("scale"), list) and sent["scale"]:
        entry["scale"] = [[_tidy(place), _scale_value(value)] for place, value in _pairs(sent["scale"], name)]
    more = sent.get("more")
    if isinstance(more, dict):
        entry.update({key: value for key, value in more.items() if isinstance(key, str) and key not in (*_OWN, "name")})
    return entry


def _pairs(scale: list, name: str) -> Iterator[tuple[float, Any]]:
    for pair in scale:
        if not isinstance(pair, list) or len(pair) != 2 or not _number(pair[0]):
            raise InputError(f"a scale point of {name!r} is a place and a value")
        yield pair[0], pair[1]


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value) and abs(value) < 1e6


def _tidy(value: float) -> float | int:
    rounded = round(float(value), 2)
    return int(rounded) if rounded == int(rounded) else rounded


def _scale_value(value: Any) -> Any:
    """A bare number as a number, else the text with its unit."""
    if isinstance(value, str):
        text = value.strip().replace("\u2212", "-")
        return _tidy_value(float(text)) if re.fullmatch(r"[+-]?\d+(\.\d+)?", text) else text
    return _tidy_value(value) if _number(value) else str(value)


def _tidy_value(value: float) -> float | int:
    return int(value) if value == int(value) else value


# -- text --------------------------------------------------------------------------------------------------------------


def to_text(draft: Draft, reference: str) -> str:
    """The panel file's text, its picture called ``reference``.

    Raises
    ------
    InputError
        Two gauges of one name, or a value that a file can't hold.
    """
    lines = [_HEAD + f"reference = {_toml(reference)}"]
    lines += [f"{_key(key)} = {_toml(value)}" for key, value in draft.top.items() if not isinstance(value, dict)]
    names = set()
    for gauge in draft.gauges:
        if gauge["name"] in names:
            raise InputError(f"two gauges are called {gauge['name']!r}; give each a name of its own")
        names.add(gauge["name"])
        lines += ["", f"[gauges.{_key(gauge['name'])}]"]
        lines += [f"{_key(key)} = {_toml(value)}" for key, value in gauge.items() if key != "name"]
    return "\n".join(lines) + "\n"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def _toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_toml(each)}" for key, each in value.items()) + " }"
    text = str(value)
    if any(ord(letter) < 32 or ord(letter) == 127 or 0xD800 <= ord(letter) < 0xE000 for letter in text):
        raise InputError(f"{text!r} holds characters that a file of descriptions can't")
    return json.dumps(text, ensure_ascii=False)


@contextmanager
def checked(draft: Draft) -> Iterator[Panel]:
    """The draft as a panel that can be read with, from a file that is gone afterwards.

    Raises
    ------
    InputError
        What is wrong with it, without the name of that file.
    """
    with tempfile.TemporaryDirectory(prefix="panel-") as folder:
        path = Path(folder) / "panel.toml"
        path.write_text(to_text(draft, str(draft.reference.resolve())), "utf-8")
        try:
            panel = load_panel(path)
        except DescriptionError as error:
            raise InputError(error.problem, None, error.place.replace("key ", "")) from error
        yield panel


def save(draft: Draft, path: Path, loaded: str) -> tuple[str, Path | None]:
    """Write the panel file once it is checked; the one that was there is kept as panel.toml.1, .2, ...

    Parameters
    ----------
    draft : Draft
        Its reference lies beside ``path``.
    path : Path
    loaded : str
        The stamp of the file as it was opened, "" where there was none: one that has changed since is not written over.

    Returns
    -------
    (str, Path or None)
        The new stamp, and where the old file is kept.

    Raises
    ------
    InputError
        It is wrong, or the file was changed meanwhile.
    OutputError
        It can't be written; what was there is untouched.
    """
    from analyser.ingest.screenshots import open_panel

    if not draft.gauges:
        raise InputError("there is no gauge to save yet; draw one first")
    with checked(draft) as panel:
        try:
            open_panel(panel)  # the corners must lie on the picture
        except DescriptionError as error:
            raise InputError(error.problem, None, error.place.replace("key ", "")) from error
    text = to_text(draft, os.path.relpath(draft.reference.resolve(), path.parent.resolve()).replace(os.sep, "/"))
    path.parent.mkdir(parents=True, exist_ok=True)
    with locked(path.parent):
        if stamp_of(path) != loaded:
            raise InputError("the panel file was changed by something else since it was opened here; load the page again, then draw anew")
        kept = None
        if path.exists() and path.read_bytes() != text.encode():
            number = 1
            while (path.parent / f"{path.name}.{number}").exists():
                number += 1
            kept = write_atomically(path.parent / f"{path.name}.{number}", path.read_bytes())
        write_atomically(path, text)
        return stamp_of(path), kept


def stamp_of(path: Path) -> str:
    """What a file holds, as a short text; "" where it is not there."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:32]
    except OSError:
        return ""
