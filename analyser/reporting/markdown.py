"""A debrief as Markdown (CommonMark with pipe tables), words and tables without the pictures."""

from __future__ import annotations

import re

from analyser.reporting.content import Debrief, Table

__all__ = ["debrief_markdown", "escaped"]

# Everything that CommonMark, pipe tables or strike-through could take for markup, wherever it stands.
_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~$&])")
_BREAKS = re.compile(r"[ \t\r\n\f\v\x1c-\x1f\x85\u2028\u2029]+")
_LINE_START = re.compile(r"^(\s*)([-+=:](?=\s|$|[-=:])|\d+[.)](?=\s|$))")


def escaped(text: str) -> str:
    """Text that reads the same after rendering: no markup, no HTML, no link, on one line."""
    text = _SPECIAL.sub(r"\\\1", _BREAKS.sub(" ", str(text)).strip())
    text = _LINE_START.sub(lambda match: f"{match[1]}{match[2][:-1]}\\{match[2][-1]}", text)
    # an address by itself would become a link
    return re.sub(r"(?i)\b(https?|ftp|www)([:.])", r"\1\\\2", text)


def debrief_markdown(debrief: Debrief) -> str:
    """The whole debrief."""
    lines = [f"# {escaped(debrief.title)}", "", "Debrief of a simulated flight.", ""]
    lines += [f"- {escaped(label)}: {escaped(value)}" for label, value in debrief.about]
    lines += ["", "## How did it go", "", escaped(debrief.verdict), ""]
    lines += [f"- {escaped(fact.label)}: **{escaped(fact.figure)}**" + (f" ({escaped(fact.remark)})" if fact.remark else "") for fact in debrief.facts]
    lines.append("")
    if debrief.wastes:
        lines += ["The biggest wastes, and what to do otherwise next time:", ""]
        lines += [
            f"{number}. {escaped(waste.sentence)} ({escaped(waste.leg)}" + (f"; {escaped(waste.cost)}" if waste.cost else "") + ")"
            for number, waste in enumerate(debrief.wastes, 1)
        ]
    else:
        lines.append(escaped(debrief.no_waste))
    for section in debrief.sections:
        if section.pictures and not (section.tables or section.bullets or section.crops):
            continue  # pictures only
        lines += ["", f"## {escaped(section.title)}", ""]
        if section.key != "orbits" or not section.pictures or not section.tables:  # that one tells how to read the drawings
            for paragraph in section.paragraphs:
                lines += [escaped(paragraph), ""]
        for table in section.tables:
            lines += [*_table(table), ""]
        for crop in section.crops:
            reason = f"; {escaped(crop.reason)}" if crop.reason else ""
            lines.append(f"- **{escaped(crop.status)}**: {escaped(crop.where)}; read \u201c{escaped(crop.raw)}\u201d{reason}")
        lines += [f"- {escaped(bullet)}" for bullet in section.bullets]
    lines += ["", "---", "", escaped(debrief.caution), "", escaped(debrief.intervals)]
    text = "\n".join(line.rstrip() for line in lines)
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def _table(table: Table) -> list[str]:
    marks = ["---:" if index in table.numeric else "---" for index in range(len(table.headers))]
    lines = [f"### {escaped(table.caption)}", "", _row(table.headers), f"| {' | '.join(marks)} |"]
    lines += [_row(row) for row in table.rows]
    for note in table.notes:
        lines += ["", escaped(note)]
    return lines


def _row(cells: tuple[str, ...]) -> str:
    return f"| {' | '.join(escaped(cell) for cell in cells)} |"
