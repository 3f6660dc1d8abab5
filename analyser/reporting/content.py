"""What a debrief says, before it has a look: filled once, set in HTML, Markdown and on the terminal."""

from __future__ import annotations

from dataclasses import dataclass

CAUTION = (
    "For simulated flight and training. Not for navigating or operating a real craft: that is the business of "
    "licensed crews, approved procedures and local rules."
)
INTERVALS = "Every ± and every pair of bounds is a 95 % interval."


@dataclass(frozen=True)
class Table:
    """Headers and rows of words; the first cell of a row names it. ``numeric`` columns are set to the right."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A drawing: ``svg`` markup (safe to inline), what it shows for those who don't see it, and a caption."""

    key: str
    svg: str
    alt: str
    caption: str


@dataclass(frozen=True)
class Crop:
    """A piece of a screenshot with what was read there; ``png`` is empty where no picture is at hand."""

    where: str
    raw: str
    status: str
    reason: str
    png: bytes = b""


@dataclass(frozen=True)
class Fact:
    """One of the few figures at the top: what it is, the figure, and one line on it."""

    label: str
    figure: str
    remark: str = ""


@dataclass(frozen=True)
class Section:
    """One question a pilot asks, and the answer."""

    key: str
    title: str
    paragraphs: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    bullets: tuple[str, ...] = ()
    crops: tuple[Crop, ...] = ()


@dataclass(frozen=True)
class Waste:
    """One of the biggest wastes: where, the sentence that says what to do otherwise, what it cost."""

    leg: str
    sentence: str
    cost: str


@dataclass(frozen=True)
class Debrief:
    """The whole of it."""

    title: str
    about: tuple[tuple[str, str], ...]
    verdict: str
    facts: tuple[Fact, ...]
    wastes: tuple[Waste, ...]
    no_waste: str  # said where ``wastes`` is empty
    sections: tuple[Section, ...]
    caution: str = CAUTION
    intervals: str = INTERVALS
    version: str = ""
