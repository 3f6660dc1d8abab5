"""What the screenshots of one flight say about each other's formats: the decimal mark, and how many decimals are shown."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from analyser.flight import TEXTS
from analyser.ingest.grammar import hours_shown

if TYPE_CHECKING:
    from analyser.ingest.panel import Gauge
    from analyser.ingest.readout import Candidate, Seen
    from analyser.ingest.screenshots import Value

MIN_PROOFS = 2  # texts that prove a decimal mark before it is believed
USUAL = 0.8  # share of a gauge's readings that makes their number of decimals the rule
MIN_READINGS = 5
LEAP, CLOSE = 30.0, 3.0  # ratios of values: between screenshots nothing leaps so far; so near is the same quantity in another unit
AROUND = 3  # readings before and after that tell whether a decimal point is lost
FAR, NEAR = 4.0, 1.6  # ratios of values: with a point lost and without
LIKELY = 0.3  # probability from which a reading that is not accepted tells its neighbours' unit
DAY = 86400.0  # s
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
    return _doubt_run_together(_doubt_lost_points(_doubt_lost_units(checked)))


def _doubt_run_together(values: list["Value"]) -> list["Value"]:
    """Mark clocks doubtful that may be days and hours run together, "1 00:21:19" read as a hundred hours: where neither the panel file nor another reading of the
    flight (124 hours can't be a day and 24) says that the clock counts hours on."""
    hours = {index: hours_shown(value.reading.best.text) for index, value in enumerate(values) if value.column == "met" and value.reading.best and value.gauge.grammar.days is None}
    counts_on = {values[index].gauge.name for index, last in hours.items() if last is not None and last > 23 and values[index].status == "read"}
    checked = list(values)
    for index, last in hours.items():
        value = values[index]
        if value.status != "doubtful" and last is not None and value.gauge.name not in counts_on:
            reason = f"{value.reading.best.text!r} may be days and hours with the space lost; say which in the panel file: days = true or days = false"
            checked[index] = replace(value, status="doubtful", reason=reason)
    return checked


def _doubt_lost_units(values: list["Value"]) -> list["Value"]:
    """Mark readings doubtful that leap away from the screenshots before and after, and would not in the unit which these show: km read as m."""
    places: dict[str, list[int]] = defaultdict(list)
    for index, value in enumerate(values):
        best = value.reading.best
        if best and best.unit and best.value and len(value.gauge.grammar.units) > 1 and (value.status != "doubtful" or best.probability >= LIKELY):
            places[value.gauge.name].append(index)
    checked = list(values)
    for indices in places.values():
        indices.sort(key=lambda index: values[index].row)
        for place, index in enumerate(indices):
            value = values[index]
            if value.status == "doubtful":
                continue
            factors = dict(value.gauge.grammar.units)
            beside = [values[other].reading.best for other in indices[max(0, place - 1) : place] + indices[place + 1 : place + 2]]
            if beside and all(_lost(value.reading.best, other, factors) for other in beside):
                reason = f"{value.reading.best.text!r} leaps away from what was shown before and after, which was in {beside[0].unit}"
                checked[index] = replace(value, status="doubtful", reason=reason)
    return checked


def _doubt_lost_points(values: list["Value"]) -> list["Value"]:
    """Mark readings doubtful that leap tenfold or more away from most of those before and most of those after, likely ones counted too, and would not with
    the decimals that these show; at either end of a flight, from all of those beside. A number that keeps its digits (9.8, 10.2) does not leap."""
    places: dict[tuple, list[int]] = defaultdict(list)
    for index, value in enumerate(values):
        if value.column not in ("met", *TEXTS) and value.reading.best and value.reading.best.probability >= LIKELY:
            places[_group(value)].append(index)
    checked = list(values)
    for indices in places.values():
        indices.sort(key=lambda index: values[index].row)
        for place, index in enumerate(indices):
            value = values[index]
            sides = [indices[max(0, place - AROUND) : place], indices[place + 1 : place + 1 + AROUND]]
            telling = [[other for other in side if _point_lost(value.reading.best, values[other].reading.best)] for side in sides]
            agree = [2 * len(tell) > len(side) for side, tell in zip(sides, telling)] if all(sides) else [len(sides[0] + sides[1]) == len(telling[0] + telling[1]) > 1]
            if value.status != "doubtful" and all(agree):
                example = values[(telling[0] + telling[1])[0]].reading.best.text
                reason = f"{value.reading.best.text!r} leaps away from what was shown around, such as {example!r}: a decimal point is lost or too many"
                checked[index] = replace(value, status="doubtful", reason=reason)
    return checked


def _point_lost(one: "Candidate", other: "Candidate") -> bool:
    """Whether ``one`` is far from ``other``, and near it if as many of its digits were decimals."""
    if one.decimals == other.decimals or not other.value:
        return False
    apart = abs(one.value / other.value)
    return not 1 / FAR <= apart <= FAR and 1 / NEAR <= apart / 10.0 ** (other.decimals - one.decimals) <= NEAR


def _lost(one: "Candidate", other: "Candidate", factors: dict[str, float]) -> bool:
    """Whether ``one`` is far from ``other``, and near it if it were in the unit of ``other``."""
    if one.unit not in factors or other.unit not in factors or one.unit == other.unit:
        return False
    apart = abs(one.value / other.value)
    there = apart * factors[other.unit] / factors[one.unit]
    return not 1 / LEAP <= apart <= LEAP and 1 / CLOSE <= there <= CLOSE


def _group(value: "Value") -> tuple[str, str]:
    return value.gauge.name, "" if value.column == "met" else value.reading.best.unit


def _format(value: "Value") -> dict[str, int]:
    best = value.reading.best
    digits = sum(character.isdigit() for character in best.text)
    if value.column == "met":
        shown = {"decimals": best.decimals, "digits": digits}
        return shown if best.unit == "d" and abs(best.value) < DAY else {**shown, "days": int(best.unit == "d")}  # no days are none, shown or not
    if value.column in ("latitude", "longitude"):
        return {"decimals": best.decimals, "digits": digits, SIDES: int(any(letter in best.text for letter in "NSEW"))}
    return {"decimals": best.decimals, "digits": digits}


def _keeps(usual: Counter) -> bool:
    return usual.most_common(1)[0][1] >= USUAL * sum(usual.values())
