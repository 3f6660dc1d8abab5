"""What the screenshots of one flight say about each other's formats: the decimal mark, and how many decimals are shown."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyser.ingest.panel import Gauge
    from analyser.ingest.readout import Seen
    from analyser.ingest.screenshots import Value

MIN_PROOFS = 2  # texts that prove a decimal mark before it is believed
USUAL = 0.8  # share of a gauge's readings that makes their number of decimals the rule
MIN_READINGS = 5
SIDES = "letters for the side"  # N, S, E, W: a lost one would turn the sign


def decimal_mark(looks: Iterable[tuple["Gauge", "Seen"]]) -> str:
    """The decimal mark that the panel's texts prove ("12.5 km" does, "1,234" does not); "" where too few do, or
    where they contradict each other."""
    proofs: Counter = Counter()
    for gauge, seen in looks:
        if seen.reading is not None or gauge.grammar.kind != "number":
            continue
        if seen.texts and seen.texts[0][1] > 0.8:
            for shown in gauge.grammar.parse(seen.texts[0][0]):
                if shown.mark:
                    proofs[shown.mark] += 1
    if not proofs:
        return ""
    (mark, count), *others = proofs.most_common()
    return mark if count >= MIN_PROOFS and count >= 10 * sum(number for _, number in others) else ""


def doubt_odd_formats(values: list["Value"]) -> list["Value"]:
    """Mark readings doubtful that are shown in another format than the same gauge nearly always uses with the same
    unit: a decimal point lost or seen where there is none, a clock that lost its days.

    A gauge may keep its number of decimals or its number of digits; what breaks both is odd.
    """
    counts: dict[tuple, dict[str, Counter]] = defaultdict(lambda: defaultdict(Counter))
    for value in values:
        if value.status == "read" and value.reading.best and not value.text:
            for what, number in _format(value).items():
                counts[_group(value)][what][number] += 1
    checked = []
    for value in values:
        if value.status == "read" and value.reading.best and not value.text:
            mine, usual = _format(value), counts[_group(value)]
            odd = {}
            for what, number in mine.items():
                common, often = usual[what].most_common(1)[0]
                total = sum(usual[what].values())
                if total >= MIN_READINGS and often >= USUAL * total and number != common:
                    odd[what] = f"{number} {what} where this gauge nearly always shows {common}"
            broken = odd.get("days") or odd.get(SIDES) or (odd.get("decimals") if _keeps(usual["decimals"]) and not _keeps(usual["digits"]) else "")
            if not broken and "decimals" in odd and "digits" in odd:
                broken = odd["decimals"]
            if broken:
                value = replace(value, status="doubtful", reason=f"{value.reading.best.text!r} shows {broken}")
        checked.append(value)
    return checked


def _group(value: "Value") -> tuple[str, str]:
    return value.gauge.name, "" if value.column == "met" else value.reading.best.unit


def _format(value: "Value") -> dict[str, int]:
    best = value.reading.best
    digits = sum(character.isdigit() for character in best.text)
    if value.column == "met":
        return {"decimals": best.decimals, "digits": digits, "days": int(best.unit == "d")}
    if value.column in ("latitude", "longitude"):
        return {"decimals": best.decimals, "digits": digits, SIDES: int(any(letter in best.text for letter in "NSEW"))}
    return {"decimals": best.decimals, "digits": digits}


def _keeps(usual: Counter) -> bool:
    return usual.most_common(1)[0][1] >= USUAL * sum(usual.values())
