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


def decimal_mark(looks: Iterable[tuple["Gauge", "Seen"]]) -> str:
    """The decimal mark that the panel's texts prove ("12.5 km" does, "1,234" does not); "" where too few do, or
    where they contradict each other."""
    proofs: Counter = Counter()
    for gauge, seen in looks:
        if seen.reading is not None or gauge.grammar.kind != "number":
            continue
        for look in seen.looks[:1]:
            if look and look[0][1] > 0.6:
                for shown in gauge.grammar.parse(look[0][0].replace(" ", "")):
                    if shown.mark:
                        proofs[shown.mark] += 1
    if not proofs:
        return ""
    (mark, count), *others = proofs.most_common()
    return mark if count >= MIN_PROOFS and count >= 10 * sum(number for _, number in others) else ""


def doubt_odd_formats(values: list["Value"]) -> list["Value"]:
    """Mark readings doubtful that show another number of decimals than the same gauge with the same unit nearly
    always shows: a decimal point lost or seen where there is none."""
    counts: dict[tuple, Counter] = defaultdict(Counter)
    for value in values:
        if value.status == "read" and value.reading.best and not value.text:
            counts[value.gauge.name, value.reading.best.unit][value.reading.best.decimals] += 1
    checked = []
    for value in values:
        best = value.reading.best
        if value.status == "read" and best and not value.text:
            usual = counts[value.gauge.name, best.unit]
            decimals, often = usual.most_common(1)[0]
            if sum(usual.values()) >= MIN_READINGS and often >= USUAL * sum(usual.values()) and best.decimals != decimals:
                value = replace(
                    value, status="doubtful",
                    reason=f"{best.text!r} shows {best.decimals} decimals where this gauge nearly always shows {decimals}",
                )  # fmt: skip
        checked.append(value)
    return checked
