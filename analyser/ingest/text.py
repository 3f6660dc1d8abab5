"""Files of text as people's programs write them, into one string."""

from __future__ import annotations

import codecs
from pathlib import Path

from analyser.errors import InputError

_LARGEST = 64 * 2**20  # bytes; a pilot's table is far smaller, and what is larger is some other file
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),  # begins with the UTF-16 mark, so it comes first
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SIGNATURES = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"PK\x03\x04", "a workbook or an archive; save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old workbook; save the sheet as CSV"),
    (b"SQLite format 3", "a database"),
    (b"%PDF", "a PDF"),
    (b"\x1f\x8b", "compressed; unpack it first"),
)


def read_text(path: Path, what: str, error: type[InputError] = InputError, strict: bool = True) -> str:
    """The text of a file: UTF-8, or UTF-16 as spreadsheets write it; line ends as they are.

    Parameters
    ----------
    path : Path
    what : str
        What the file is to be, for the message ("table of readings").
    error : type
        What to raise.
    strict : bool
        False: bytes that are no UTF-8 are read as Latin-1.

    Raises
    ------
    InputError
        (or ``error``) missing, a folder, not readable, too large, or no text.
    """
    raw = _read_bytes(path, what, error)
    for signature, name in _SIGNATURES:
        if raw.startswith(signature):
            raise error(f"this is {name}. a {what} (plain text) is wanted", path)
    encoding = next((name for bom, name in _BOMS if raw.startswith(bom)), "") or _guess_wide(raw)
    try:
        text = raw.decode(encoding or "utf-8")
    except UnicodeDecodeError as trouble:
        if encoding or strict:
            line = raw.count(b"\n", 0, trouble.start) + 1
            message = "a character that is no UTF-8 text; save the file with the encoding UTF-8"
            raise error(message, path, "" if encoding else f"line {line}") from None
        text = raw.decode("latin-1")
    text = text.removeprefix("\ufeff")
    strange = sum(text.count(char) for char in "\x00\x01\x02\x03\x04\x05\x06\x07\x08\x0e\x0f\x7f")
    if "\x00" in text or strange > 0.1 * len(text) + 8:
        raise error(f"this is no text but binary data, and a {what} is wanted", path)
    return text


def _read_bytes(path: Path, what: str, error: type[InputError]) -> bytes:
    try:
        if path.is_dir():
            raise error(f"this is a folder, and a {what} is wanted", path)
        if path.exists() and not path.is_file():
            raise error(f"this is no ordinary file, and a {what} is wanted", path)
        size = path.stat().st_size
        if size > _LARGEST:
            raise error(f"{size / 2**20:.0f} MiB are too much for a {what} (at most {_LARGEST >> 20} MiB)", path)
        return path.read_bytes()
    except FileNotFoundError:
        raise error(f"there is no such file, and a {what} is wanted", path) from None
    except (OSError, ValueError) as trouble:
        reason = getattr(trouble, "strerror", None) or str(trouble)
        raise error(f"this {what} can't be read: {reason.lower()}", path) from None


def _guess_wide(raw: bytes) -> str:
    """UTF-16 without its mark: every other byte of plain text is zero."""
    sample = raw[:2000]
    if len(sample) < 8 or len(raw) % 2:
        return ""
    half = len(sample) // 2
    if sample[1::2].count(0) > 0.9 * half and sample[::2].count(0) == 0:
        return "utf-16-le"
    if sample[::2].count(0) > 0.9 * half and sample[1::2].count(0) == 0:
        return "utf-16-be"
    return ""
