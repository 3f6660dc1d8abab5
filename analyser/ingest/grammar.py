"""What a read-out can show: numbers with units, clocks, words; and what a shown text then means.

A grammar is a pattern of every text that a gauge can show. The reader's search follows it (nothing else can
come out), and the same pattern takes the text apart. Thousands separators and decimal commas look alike: a
``Convention`` says which is which, from the panel file or from the panel's other read-outs.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

UNIFORM = 1 / math.sqrt(12)  # standard deviation of a uniform error one step wide
POINT, COMMA, UNKNOWN = ".", ",", ""  # what marks the decimals
WILD = "x"  # in a pattern: any letters or unit signs whatever; no unit is written with it

_DIGITS_POINT = r"(?P<whole_p>\d{1,3}(?:(?:[, ]|' ?)\d\d\d)+|\d+)(?:\.(?P<part_p>\d+))?"
_DIGITS_COMMA = r"(?P<whole_c>\d{1,3}(?:(?:[. ]|' ?)\d\d\d)+|\d+)(?:,(?P<part_c>\d+))?"
_MINUTES = r"(?P<degrees>\d{1,3})° ?(?P<minutes>[0-5]?\d(?:[.,](?P<part_m>\d{1,4}))?)'"
_PREFIX = r"(?:(?:T|MET|GET|t) ?)?(?P<sign>[+-]?) ?"
_DAYS = r"(?P<days>\d{1,4})(?: ?[dD][ :]?|[ :/])(?P<dh>[01]?\d|2[0-3]):(?P<dm>[0-5]\d):(?P<ds>[0-5]\d(?:\.\d{1,3})?)"
_HOURS = (
    r"(?P<hours>\d{1,3}):(?P<hm>[0-5]\d):(?P<hs>[0-5]\d(?:\.\d{1,3})?)"
    r"|(?P<minutes>\d{1,4}):(?P<ms>[0-5]\d(?:\.\d{1,3})?)"
    r"|(?P<seconds>\d{1,9}(?:\.\d{1,3})?) ?s?"
)
_LETTERED = r"(?P<lh>\d{1,3})[hH] ?(?P<lm>[0-5]?\d)[mM] ?(?:(?P<ls>[0-5]?\d(?:\.\d{1,3})?)[sS])?"
_LETTERED_DAYS = r"(?P<ld>\d{1,4})[dD] ?"
_CLOCKS = {
    None: f"{_PREFIX}(?:{_DAYS}|{_HOURS}|(?:{_LETTERED_DAYS})?{_LETTERED})",
    True: f"{_PREFIX}(?:{_DAYS}|{_LETTERED_DAYS}{_LETTERED})",
    False: f"{_PREFIX}(?:{_HOURS}|{_LETTERED})",
}
_RUN_TOGETHER = re.compile(r"\D*[1-9]\d*(?P<last>\d\d):\d\d:\d\d(?:\.\d+)?")


@dataclass(frozen=True)
class Shown:
    """What a text on the glass says.

    ``value`` in the grammar's SI unit; ``step``: the worth of the last shown digit, same unit; ``unit`` as on the
    glass; ``decimals`` shown; ``mark``: which character marks decimals if this text alone tells it, else "".
    """

    value: float
    step: float
    unit: str
    decimals: int
    mark: str = UNKNOWN


@dataclass(frozen=True)
class Grammar:
    """Texts that a read-out can show.

    Parameters
    ----------
    kind : "number", "clock" or "text"
    units : tuple of (text on the glass, factor to SI)
        The units that may stand on the glass after the number.
    fixed_factor : float or None
        Factor to SI where no unit stands on the glass; None: one must.
    signed : bool
        Whether a sign can stand before the number.
    low, high : float
        Range of values that the gauge can show, SI.
    words : tuple of str
        For "text": the words that can be shown; empty: any.
    sides : str
        "NS" for a latitude, "EW" for a longitude: a letter may say the sign, and degrees and minutes may be shown; else "".
    days : bool or None
        For "clock": whether days are always shown, or never; None: not known.
    """

    kind: str = "number"
    units: tuple[tuple[str, float], ...] = ()
    fixed_factor: float | None = 1.0
    signed: bool = True
    low: float = -math.inf
    high: float = math.inf
    words: tuple[str, ...] = ()
    sides: str = ""
    days: bool | None = None

    @property
    def _shown_units(self) -> tuple[tuple[str, float], ...]:
        return self.units or ((("°", self.fixed_factor or 1.0),) if self.sides else ())

    def pattern(self, mark: str = UNKNOWN) -> str:
        """The pattern of every text, decimals marked by ``mark`` (unknown: by either)."""
        if self.kind == "clock":
            return _CLOCKS[self.days]
        if self.kind == "text":
            return "|".join(re.escape(word).replace(r"\ ", " ") for word in self.words) or r"[A-Za-z0-9 .+-]*"
        digits = {POINT: _DIGITS_POINT, COMMA: _DIGITS_COMMA}.get(mark, f"(?:{_DIGITS_POINT}|{_DIGITS_COMMA})")
        sign = r"(?P<sign>[+-]?) ?" if self.signed else r"(?P<sign>\+?)"
        texts = sorted(_spellings(self._shown_units), key=len, reverse=True)
        unit = "(?: ?(?P<unit>" + "|".join(_escape(text) for text in texts) + "))" if texts else ""
        if unit and self.fixed_factor is not None:
            unit += "?"
        if not self.sides:
            return sign + digits + unit
        return f"(?:(?P<before>[{self.sides}]) ?)?{sign}(?:{digits}{unit}|{_MINUTES})(?: ?(?P<after>[{self.sides}]))?"

    @property
    def figures(self) -> str:
        """The pattern of every text, whatever unit follows the figures; "" where there is but one unit, or the unit need not be shown."""
        if self.kind != "number" or self.sides or self.fixed_factor is not None or len({factor for _, factor in self.units}) < 2:
            return ""
        sign = r"[+-]? ?" if self.signed else r"\+?"
        return f"{sign}(?:{_DIGITS_POINT}|{_DIGITS_COMMA}) ?{WILD}+"

    def factor_of(self, unit: str) -> float:
        """Factor to SI of a unit as it may be drawn."""
        return _spellings(self._shown_units)[unit]

    def parse(self, text: str, mark: str = UNKNOWN) -> tuple[Shown, ...]:
        """What ``text`` can mean: nothing (not a text of this gauge), one value, or two where a comma or a point
        could be either a decimal mark or a thousands separator."""
        if self.kind == "clock":
            return _parse_clock(text, self)
        if self.kind == "text":
            return ()
        meanings = []
        for each in (mark,) if mark else (POINT, COMMA):
            found = _compiled(self.pattern(each)).fullmatch(text)
            if not found:
                continue
            side = (found["before"] or "") + (found["after"] or "") if self.sides else ""
            if len(side) > 1 or (side and found["sign"]):
                continue
            if self.sides and found["degrees"]:
                return self._from_minutes(found, side)
            letter = "p" if each == POINT else "c"
            whole, part = found[f"whole_{letter}"], found[f"part_{letter}"] or ""
            unit = (found["unit"] or "") if "unit" in found.re.groupindex else ""
            factor = _spellings(self._shown_units).get(unit, self.fixed_factor) if unit else self.fixed_factor
            if factor is None:
                continue
            digits = re.sub(r"\D", "", whole)
            value = float(f"{digits}.{part or 0}") * factor
            if found["sign"] == "-" or (side and side == self.sides[1]):
                value = -value
            if self.low <= value <= self.high:
                meanings.append((each, Shown(value, factor * 10.0 ** -len(part), unit, len(part))))
        if len(meanings) == 2 and math.isclose(meanings[0][1].value, meanings[1][1].value):
            return (meanings[0][1],)  # no comma and no point in it
        if len(meanings) == 1 and not mark:
            each, shown = meanings[0]
            return (Shown(shown.value, shown.step, shown.unit, shown.decimals, each),)
        return tuple(shown for _, shown in meanings)

    def _from_minutes(self, found: re.Match, side: str) -> tuple[Shown, ...]:
        """Degrees and minutes of arc."""
        degree = math.pi / 180
        part = found["part_m"] or ""
        value = (int(found["degrees"]) + float(found["minutes"].replace(",", ".")) / 60) * degree
        if found["sign"] == "-" or (side and side == self.sides[1]):
            value = -value
        return (Shown(value, degree / 60 * 10.0 ** -len(part), "'", len(part)),) if self.low <= value <= self.high else ()


def marked(text: str, mark: str) -> str:
    """A text whose last comma or point marks decimals as this panel does; unchanged where three digits follow it, which it may part from thousands."""
    found = re.fullmatch(r"(.*)[.,](\d{1,2}|\d{4,})(\D*)", text)
    return f"{found[1]}{mark}{found[2]}{found[3]}" if found else text


def _escape(text: str) -> str:
    return "".join("\\" + letter if letter in ".+*?()[]{}|\\" else letter for letter in text)


@lru_cache(maxsize=512)
def _compiled(pattern: str) -> re.Pattern:
    return re.compile(pattern)


@lru_cache(maxsize=256)
def _spellings(units: tuple[tuple[str, float], ...]) -> dict[str, float]:
    """Units as they may be drawn: as written and, where that is no other unit, in capitals or without a power sign."""
    spellings = dict(units)
    for text, factor in units:
        for other in (text.upper(), text.replace("^", ""), text.replace("^2", "²"), text.replace("deg", "°")):
            clash = {value for name, value in units if name.upper() == other and value != factor}
            if other not in spellings and not clash:
                spellings[other] = factor
    return spellings


def _parse_clock(text: str, grammar: Grammar) -> tuple[Shown, ...]:
    found = _compiled(_CLOCKS[grammar.days]).fullmatch(text)
    if not found:
        return ()
    part = found.groupdict().get
    days = part("days") or part("ld") or "0"
    hours = part("dh") or part("hours") or part("lh") or "0"
    minutes = part("dm") or part("hm") or part("minutes") or part("lm") or "0"
    seconds = part("ds") or part("hs") or part("ms") or part("ls") or part("seconds")
    decimals = len(seconds.partition(".")[2]) if seconds else 0
    step = 60.0 if seconds is None else 10.0**-decimals
    value = 86400.0 * int(days) + 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds or 0)
    if part("sign") == "-":
        value = -value
    days_shown = part("days") or part("ld")
    return (Shown(value, step, "d" if days_shown else "", decimals),) if grammar.low <= value <= grammar.high else ()


def hours_shown(text: str) -> int | None:
    """The last two figures of a clock's hours where they are three or more and no day is parted from them ("100:21:19": 0); else None."""
    found = _RUN_TOGETHER.fullmatch(text)
    return int(found["last"]) if found else None


def sigma_of(step: float) -> float:
    """Standard deviation of a value shown to ``step``: the truth lies uniformly within one step."""
    return step * UNIFORM
