"""One coast fitted again while a value is typed: a few hundredths of a second, where the whole flight takes seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analyser.estimate import Estimate
from analyser.flight import QUANTITIES, Flight, Readings
from analyser.reporting.phrases import clock, figure, plain_number, unit_for
from analyser.units import say

if TYPE_CHECKING:
    from analyser.findings import Findings

__all__ = ["Coast", "coasts_of", "orbit_dict", "refitted"]

SHOWN = (("apoapsis", "apoapsis_altitude"), ("periapsis", "periapsis_altitude"), ("period", "period"))


@dataclass(frozen=True)
class Coast:
    """A coast of the flight as fitted: which rows (source, row) are its own, and when."""

    number: int
    body: str
    kind: str
    start: float
    end: float
    rows: frozenset[tuple[str, int]]


@dataclass(frozen=True)
class Orbit:
    """A coast fitted by itself: its estimates by the names of SHOWN, readings of it that were set aside, what each value should have been."""

    estimates: dict[str, Estimate]
    aside: frozenset[tuple[str, int, str]]
    expected: dict[tuple[str, int, str], float]
    readings: int


def coasts_of(readings: Readings, findings: "Findings") -> tuple[Coast, ...]:
    """The coasts and stays that were found in ``readings``."""
    keys = list(zip(readings.table["source"], readings.table["row"].astype(int))) if len(readings.table) else []
    return tuple(
        Coast(number, arc.body, arc.kind, arc.start, arc.end, frozenset(keys[row] for row in arc.rows)) for number, arc in enumerate(findings.arcs, 1)
    )


def coast_at(coasts: tuple[Coast, ...], source: str, row: int, met: float) -> Coast | None:
    """The coast that a row belongs to, by its place or else by its time."""
    own = next((coast for coast in coasts if (source, row) in coast.rows), None)
    return own or next((coast for coast in coasts if coast.start <= met <= coast.end), None)


def refitted(flight: Flight, coast: Coast, also: tuple[str, int]) -> Orbit | None:
    """``coast`` fitted by its own readings alone, with the row ``also`` among them; None where no orbit comes out."""
    from analyser.fitting import fit_flight

    table = flight.readings.table
    keys = list(zip(table["source"], table["row"].astype(int)))
    mine = [key in coast.rows or key == also or coast.start <= met <= coast.end for key, met in zip(keys, table["met"])]
    part = table[mine].reset_index(drop=True)
    if not len(part):
        return None
    alone = replace(flight, plan=None, readings=Readings(part.assign(body=coast.body), flight.readings.detail[:0]))
    findings = fit_flight(alone, joined=False)
    arcs = [arc for arc in findings.arcs if arc.kind == "coast"]
    if not arcs:
        return None
    arc = max(arcs, key=lambda found: len(found.rows))
    own = list(zip(part["source"], part["row"].astype(int)))
    aside = frozenset((item.source, int(item.row), item.column) for item in findings.set_aside)
    expected = {}
    if len(findings.fit):
        for item in findings.fit.itertuples():
            expected[(*own[int(item.position)], item.column)] = float(item.model)
    return Orbit({name: getattr(arc, field) for name, field in SHOWN}, aside, expected, len(part))


def orbit_dict(coast: Coast, before: Orbit | None, after: Orbit | None, place: tuple[str, int, str]) -> dict[str, Any]:
    """What a page shows: each figure before and after with its interval, and what changed in words."""
    title = f"orbit {coast.number}, about {coast.body}, {clock(coast.start)} to {clock(coast.end)}"
    if after is None:
        return {"title": title, "rows": [], "said": "with this value no orbit comes out of these readings", "expected": ""}
    rows = []
    for name, _ in SHOWN:
        new = after.estimates[name]
        old = before.estimates[name] if before else new
        rows.append({"name": name, "before": _words(old), "after": _words(new), "change": _change(old, new)})
    model = after.expected.get(place, math.nan)
    expected = say(model, dimension=QUANTITIES[place[2]]) if place[2] in QUANTITIES and math.isfinite(model) else ""
    return {"title": title, "rows": rows, "said": _said(before, after, place, rows), "expected": expected}


def _words(estimate: Estimate) -> str:
    """An estimate in a unit in which its interval shows."""
    half = (estimate.high - estimate.low) / 2
    fine = half < {"m": 50.0, "s": 6.0}.get(estimate.unit, 0.0)
    return figure(estimate, like=1.0 if fine else math.nan) if estimate.known else f"not known: {estimate.reason}" if estimate.reason else "not known"


def _change(old: Estimate, new: Estimate) -> str:
    """How an estimate moved, in words; "" where it did not."""
    if old.known != new.known:
        return "now known" if new.known else "no longer known"
    if not new.known:
        return ""
    moved, half_old, half_new = new.value - old.value, (old.high - old.low) / 2, (new.high - new.low) / 2
    said = []
    if abs(moved) > 0.02 * max(min(half_old, half_new), 1e-12):
        unit, size = unit_for(new.unit, moved)
        decimals = max(0, min(3, 2 - math.floor(math.log10(abs(moved / size)) + 1e-9)))
        said.append(f"{plain_number(abs(moved) / size, decimals)} {unit} {'more' if moved > 0 else 'less'}")
    if half_old > 0 and half_new > 0 and not 0.95 < half_new / half_old < 1.05:
        ratio = max(half_old, half_new) / min(half_old, half_new)
        said.append(f"interval {plain_number(ratio, 1 if ratio < 10 else 0)} times {'narrower' if half_new < half_old else 'wider'}")
    return ", ".join(said)


def _said(before: Orbit | None, after: Orbit, place: tuple[str, int, str], rows: list[dict]) -> str:
    parts = []
    if before is not None:
        was, now = place in before.aside, place in after.aside
        if was and not now:
            parts.append("this reading now agrees with the others of its orbit")
        elif now and not was:
            parts.append("with this value the fit sets this reading aside")
        elif now:
            parts.append("the fit still sets this reading aside")
        less = len(before.aside) - len(after.aside)
        if abs(less) > (was != now):
            parts.append(f"{len(after.aside)} of this orbit's values set aside, {len(before.aside)} before")
        if not any(row["change"] for row in rows):
            parts.append("the orbit stays as it was")
    elif place in after.aside:
        parts.append("the fit sets this reading aside")
    return "; ".join(parts)
