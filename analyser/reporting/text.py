"""Reports for a terminal: 80 columns, no colour needed."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from analyser.findings import Findings
from analyser.flight import QUANTITIES, Flight
from analyser.reporting.content import CAUTION, Table
from analyser.reporting.phrases import say_plainly
from analyser.reporting.tables import burn_tables, landing_table, leg_tables, orbit_table, set_aside_table, unknowns

__all__ = ["fit_text", "join_lines", "on_one_line", "set_table", "summary_text", "wrapped"]

WIDTH = 80
#: What of the wide tables fits a terminal, by caption.
_NARROW = {
    "Orbits flown": ("orbit", "about", "flown", "periapsis altitude", "apoapsis altitude", "period"),
    "Burns": ("burn", "ignition", "length", "thrust", "spent", "net", "least needed"),
}


def summary_text(flight: Flight, findings: Findings) -> str:
    """How a flight went, for the terminal: the verdict, the biggest wastes, the legs; the page holds the rest.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    from analyser.reporting.debrief import make_debrief

    debrief = make_debrief(flight, findings)
    about = "  ".join(value for label, value in debrief.about if label in ("pilot", "date", "plan"))
    lines = [*wrapped(debrief.title), *(wrapped(about) if about else ()), "", *wrapped(debrief.verdict), ""]
    if debrief.wastes:
        lines.append("What cost most, and what to do otherwise next time:")
        for number, waste in enumerate(debrief.wastes, 1):
            lines += wrapped(f"{number}. {waste.sentence} ({waste.leg}{': ' + waste.cost if waste.cost else ''})", "   ", first="")
    else:
        lines += wrapped(debrief.no_waste)
    legs = leg_tables(findings)
    if legs:
        wanted = ("leg", "spent", "planned", "least needed", "wasted", "of it wasted")
        fitting = [set_table(_only(legs[0], wanted[:count])) for count in (6, 5)]
        lines += ["", *(fitting[0] if len(fitting[0]) <= len(fitting[1]) + 1 else fitting[1])]
    if findings.set_aside:
        lines += ["", f"Set aside: {len(findings.set_aside)}"]
        for item in findings.set_aside[:5]:
            read = say_plainly(item.value, QUANTITIES.get(item.column, ""), 1)
            perhaps = f"; {item.suggestion}" if item.suggestion else ""
            lines += wrapped(f"{item.source}:{item.row}, {item.column.replace('_', ' ')} {read}: {item.reason}{perhaps}", "    ", first="  ")
        lines += [f"  and {len(findings.set_aside) - 5} more"] if len(findings.set_aside) > 5 else []
    lines += _taken(findings)
    lines += ["", *wrapped(debrief.intervals), *wrapped(CAUTION)]
    return join_lines(lines)


def _taken(findings: Findings) -> list[str]:
    """What of the readings was taken otherwise than written."""
    if not findings.taken:
        return []
    return ["", "How the readings were taken:", *(line for remark in findings.taken for line in wrapped(remark, "  ", first="- "))]


def fit_text(flight: Flight, findings: Findings) -> str:
    """Orbits, burns, landings and what was set aside, for the terminal."""
    lines: list[str] = []
    tables = [orbit_table(findings), *burn_tables(findings), landing_table(findings), set_aside_table(findings)]
    for table in tables:
        if table is not None:
            lines += [*set_table(_only(table, _NARROW.get(table.caption, table.headers))), ""]
    if not any(tables):
        lines += [*wrapped("Nothing could be fitted to these readings."), ""]
    lines += [*_taken(findings)[1:], ""] if findings.taken else []
    missing = (*findings.open_questions, *unknowns(findings))
    if missing:
        lines.append("What could not be known, and why:")
        lines += [line for remark in missing for line in wrapped(remark, "  ", first="- ")]
        lines.append("")
    lines += [*wrapped("Every ± is a 95 % interval."), *wrapped(CAUTION)]
    return join_lines(lines)


def set_table(table: Table, width: int = WIDTH) -> list[str]:
    """A table in columns; where it is too wide the cells of text columns are broken, and beyond that each row is told in lines.

    Returns
    -------
    list of str
        The caption, the header, the rows, the notes.
    """
    table = Table(
        table.caption, tuple(map(on_one_line, table.headers)), tuple(tuple(map(on_one_line, row)) for row in table.rows), table.numeric, table.notes
    )
    columns = list(zip(table.headers, *table.rows, strict=True))
    wants = [max(len(cell) for cell in column) for column in columns]
    gaps = 2 * (len(wants) - 1)
    words = [max(max((len(word) for word in cell.split()), default=0) for cell in column) for column in columns]
    least = [min(want, max(word, 6)) for want, word in zip(wants, words, strict=True)]
    for index in table.numeric:
        # a figure is never broken; its header may be
        least[index] = max(max((len(cell) for cell in columns[index][1:]), default=0), words[index])
    if sum(least) + gaps > width:
        return [table.caption, *_told(table, width), *_notes(table, width)]
    widths = list(least)
    spare = width - gaps - sum(widths)
    while spare > 0 and any(have < want for have, want in zip(widths, wants, strict=True)):
        index = max(range(len(widths)), key=lambda i: wants[i] - widths[i])
        widths[index] += 1
        spare -= 1
    lines = [table.caption, *_row(table.headers, widths, table.numeric), "  ".join("-" * size for size in widths)]
    for row in table.rows:
        lines += _row(row, widths, table.numeric)
    return lines + _notes(table, width)


def _row(cells: Sequence[str], widths: list[int], numeric: frozenset[int]) -> list[str]:
    broken = [_broken(str(cell), size) for cell, size in zip(cells, widths, strict=True)]
    lines = []
    for height in range(max(len(cell) for cell in broken)):
        parts = [
            (cell[height] if height < len(cell) else "").rjust(size) if index in numeric else (cell[height] if height < len(cell) else "").ljust(size)
            for index, (cell, size) in enumerate(zip(broken, widths, strict=True))
        ]
        lines.append("  ".join(parts).rstrip())
    return lines


def _told(table: Table, width: int) -> list[str]:
    """Each row as its name and "header figure" pairs."""
    lines = []
    for row in table.rows:
        pairs = [f"{header} {cell}" for header, cell in zip(table.headers[1:], row[1:], strict=True) if cell not in ("", "–", "not known")]
        lines += wrapped(f"{table.headers[0]} {row[0]}: " + "; ".join(pairs), "    ", first="  ", width=width)
    return lines


def _only(table: Table, wanted: tuple[str, ...]) -> Table:
    kept = [index for index, header in enumerate(table.headers) if header.rpartition(", ")[0] in wanted or header in wanted]
    return Table(
        table.caption, tuple(table.headers[i] for i in kept), tuple(tuple(row[i] for i in kept) for row in table.rows),
        frozenset(place for place, index in enumerate(kept) if index in table.numeric), table.notes,
    )  # fmt: skip


def _notes(table: Table, width: int) -> list[str]:
    return [line for note in table.notes for line in wrapped(note, width=width)]


def _broken(text: str, size: int) -> list[str]:
    return textwrap.wrap(text, max(size, 1), break_on_hyphens=False) or [""]  # a column may be all empty


def wrapped(text: str, rest: str = "", first: str | None = None, width: int = WIDTH) -> list[str]:
    """Lines of at most ``width``; ``first`` and ``rest`` stand before the first and the other lines."""
    lines = textwrap.wrap(on_one_line(text), width, initial_indent=rest if first is None else first, subsequent_indent=rest, break_on_hyphens=False)
    return lines or [""]


def on_one_line(text: str) -> str:
    """Text for a terminal: numbers without gaps, to be copied; line breaks and control characters, which a name given
    by a file may hold, become spaces."""
    text = str(text).replace("\u202f", "")
    return "".join(character if character.isprintable() or character == "\xa0" else " " for character in text)


def join_lines(lines: list[str]) -> str:
    """The finished text."""
    return "\n".join(lines).replace("\xa0", " ") + "\n"
