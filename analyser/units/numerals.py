"""Numbers as people type them: decimal points and commas, thousands separators, and what stands after them.

Pure Python on purpose, as :mod:`analyser.units`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection

from analyser.errors import InputError
from analyser.records import Record

#: Spaces and minus signs of all kinds, to the plain ones.
SPACES = str.maketrans({
    "\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u2007": " ", "\u2002": " ", "\u2003": " ", "\t": " ",
    "\u2212": "-", "\u2013": "-", "\u2014": "-", "\u2012": "-", "\ufe63": "-", "\uff0d": "-",
    "\u2019": "'", "\u02bc": "'",
})  # fmt: skip
_NUMBER = re.compile(r"([+-]?)\s*([\d.,][\d.,' _]*?)(?:[eE]([+-]?\d{1,6}))?\s*(?:([^\d\s.,'_+-].*))?")
_GROUPED = r"\d{1,3}(?:([ '_])\d{3})(?:\1\d{3})*"


class Number(Record):
    """A number as typed: its value, the value of one unit of its last digit, the unit's text, and what its commas
    and dots prove ("comma decimal", "comma thousands", "dot decimal", "dot thousands", "" where nothing)."""

    value: float
    step: float
    unit: str
    proof: str = ""
    has_point: bool = False
    settled: bool = False  # a lone comma was taken as a thousands separator, on the word of other numbers


def scan_number(text: str, proofs: Collection[str] = ()) -> Number:
    """Read a number and the text after it.

    A dot is the decimal point unless it can't be. A comma is read where there is only one way to: "61,94", "1,234.5",
    "1,234,567". "12,345" alone could be either; ``proofs`` (what other numbers of the same file prove) may settle it.

    Parameters
    ----------
    text : str
        Such as "-12.5 km" or "1 234,5".
    proofs : collection of str
        ``Number.proof`` of other numbers written by the same hand.

    Raises
    ------
    InputError
        No number, an ambiguous one, or one too large for a float.
    """
    cleaned = text.translate(SPACES).strip()
    match = _NUMBER.fullmatch(cleaned)
    if not match:
        raise InputError(f"{shown(text)} is no number")
    sign, body, exponent, unit = match.groups()
    whole, fraction, proof = _split_digits(body.strip(), text, proofs)
    scale = int(exponent or 0)
    value = float(f"{sign}{whole or '0'}.{fraction or '0'}e{scale}")
    step = 10.0 ** max(-330, min(330, scale - len(fraction))) if abs(scale) < 400 else math.inf
    if not math.isfinite(value) or not math.isfinite(step):
        raise InputError(f"{shown(text)} is too large a number")
    settled = "," in body and not fraction and not proof
    return Number(value, step, (unit or "").strip(), proof, bool(fraction) or exponent is not None, settled)


def _split_digits(body: str, text: str, proofs: Collection[str]) -> tuple[str, str, str]:
    """(digits before the decimal mark, digits after it, what this proves)."""
    if not any(char.isdecimal() for char in body):
        raise InputError(f"{shown(text)} is no number")
    last_mark = max(body.rfind("."), body.rfind(","))
    grouped = re.match(_GROUPED, body) if len(body) > 4 else None
    if grouped:  # groups of three set apart by spaces, apostrophes or underscores
        rest = body[grouped.end() :]
        if rest and not re.fullmatch(r"[.,]\d*", rest):
            raise InputError(f"{shown(text)} is no number: its groups of digits don't add up")
        proof = "" if not rest else "dot decimal" if rest[0] == "." else "comma decimal"
        return re.sub(r"\D", "", grouped.group()), rest[1:], proof
    if any(char in " '_" for char in body):
        raise InputError(f"{shown(text)} is no number: its groups of digits don't add up")
    if last_mark < 0:
        return body, "", ""
    whole, mark, fraction = body[:last_mark], body[last_mark], body[last_mark + 1 :]
    name, other = ("comma", "dot") if mark == "," else ("dot", "comma")
    if "." not in whole and "," not in whole:
        if len(fraction) != 3 or not 1 <= len(whole) <= 3 or whole.startswith("0"):
            return whole, fraction, f"{name} decimal"
        return _undecided(whole, fraction, name, text, proofs)
    if mark in whole:  # the mark comes more than once: it sets groups apart
        if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+", body):
            raise InputError(f"{shown(text)} is no number: its groups of digits don't add up")
        return re.sub(r"\D", "", body), "", f"{name} thousands"
    separator = "." if mark == "," else ","
    if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(separator)}\d{{3}})+", whole):
        raise InputError(f"{shown(text)} is no number: its groups of digits don't add up")
    return re.sub(r"\D", "", whole), fraction, f"{other} thousands"


def _undecided(whole: str, fraction: str, mark: str, text: str, proofs: Collection[str]) -> tuple[str, str, str]:
    """One to three digits, a mark, three digits: thousands or decimals?"""
    if mark == "comma":
        decimal = "comma decimal" in proofs or "dot thousands" in proofs
        thousands = "comma thousands" in proofs or "dot decimal" in proofs
    else:
        thousands = "dot thousands" in proofs and "dot decimal" not in proofs
        decimal = not thousands and ("dot decimal" in proofs or not {"comma decimal", "dot thousands"} & set(proofs))
    if decimal and not thousands:
        return whole, fraction, ""
    if thousands and not decimal:
        return whole + fraction, "", ""
    raise InputError(f"{shown(text)} could be {whole}{fraction} or {whole}.{fraction}: write the one that is meant")


def shown(text: str, limit: int = 40) -> str:
    """``text`` quoted for a message, cut where long, without line breaks or control characters."""
    clean = "".join(char if char.isprintable() else "?" for char in text)
    return repr(clean if len(clean) <= limit else clean[: limit - 3] + "...")
