"""Figures over the whole flight, from those of its legs and burns."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analyser.findings import Estimate, Findings
from analyser.flight import Flight

__all__ = ["Totals", "sum_of", "totals"]


@dataclass(frozen=True)
class Totals:
    """Sums over the legs flown (over the burns where there is no plan); speeds in m/s, masses in kg, times in s.

    ``planned`` is the plan's ideal for the legs flown. ``propellant_left`` is the last reading of the gauge.
    ``reading_to_burn`` is the median time from the last reading before a burn to its ignition.
    """

    spent: Estimate
    needed: Estimate
    waste: Estimate
    burn_loss: Estimate
    placement_loss: Estimate
    correction_loss: Estimate
    waste_propellant: Estimate
    planned: Estimate
    propellant: Estimate
    propellant_left: Estimate
    reading_to_burn: Estimate
    touchdown_vertical_speed: Estimate
    touchdown_horizontal_speed: Estimate
    duration: float
    readings: int
    doubtful: int
    recovered: int


def sum_of(items: list[Estimate], unit: str, what: str) -> Estimate:
    """A sum whose errors are taken as independent; unknown where any part is, naming why.

    A part with a lopsided interval makes the sum's interval lopsided alike: each side adds in squares.
    """
    if not items:
        return Estimate.unknown(unit, f"there is no {what}")
    missing = [item for item in items if not item.known]
    if missing:
        reason = missing[0].reason or "a part of it is not known"
        return Estimate.unknown(unit, f"not known for {len(missing)} of {len(items)}: {reason}")
    value = math.fsum(item.value for item in items)
    sigma = math.sqrt(math.fsum(item.sigma**2 for item in items))
    below = math.sqrt(math.fsum((item.value - item.low) ** 2 for item in items))
    above = math.sqrt(math.fsum((item.high - item.value) ** 2 for item in items))
    return Estimate(value, sigma, value - below, value + above, unit)


def totals(flight: Flight, findings: Findings) -> Totals:
    """Add up a flight."""
    legs = [leg for leg in findings.legs if leg.flown]
    parts, what = (legs, "leg flown") if legs else (list(findings.burns), "burn found")

    def total(name: str, unit: str = "m/s") -> Estimate:
        if not legs and name not in ("spent", "needed", "burn_loss", "placement_loss", "propellant"):
            return Estimate.unknown(unit, "there is no plan to hold the flight against")
        if legs and findings.sums is not None and hasattr(findings.sums, name):
            return getattr(findings.sums, name)  # what two legs share of a reading's error does not count twice
        return sum_of([getattr(part, name) for part in parts], unit, what)

    touchdown = next((landing for landing in reversed(findings.landings) if landing.kind == "touchdown"), None)
    none = Estimate.unknown("m/s", "no touchdown was found")
    table, detail = flight.readings.table, flight.readings.detail
    met = table["met"].to_numpy(float) if len(table) else []
    status = detail["status"] if "status" in getattr(detail, "columns", ()) else None
    return Totals(
        spent=total("spent"),
        needed=total("needed"),
        waste=total("waste"),
        burn_loss=total("burn_loss"),
        placement_loss=total("placement_loss"),
        correction_loss=total("correction_loss"),
        waste_propellant=total("waste_propellant", "kg"),
        planned=total("planned"),
        propellant=total("propellant", "kg"),
        propellant_left=_propellant_left(flight),
        reading_to_burn=_reading_to_burn(met, findings),
        touchdown_vertical_speed=touchdown.vertical_speed if touchdown else none,
        touchdown_horizontal_speed=touchdown.horizontal_speed if touchdown else none,
        duration=float(met[-1] - met[0]) if len(met) else math.nan,
        readings=len(table),
        doubtful=int((status == "doubtful").sum()) if status is not None else 0,
        recovered=int((status == "recovered").sum()) if status is not None else 0,
    )


def _propellant_left(flight: Flight) -> Estimate:
    table = flight.readings.table
    if "propellant" in table:
        read = table[table["propellant"].notna()]
        if len(read):
            last = read.iloc[-1]
            sigma = float(last["propellant_sigma"]) if "propellant_sigma" in read else math.nan
            return Estimate.of(float(last["propellant"]), sigma if math.isfinite(sigma) else 0.0, "kg")
    return Estimate.unknown("kg", "no propellant gauge in kg was read")


def _reading_to_burn(met, findings: Findings) -> Estimate:
    import numpy as np

    times = np.asarray(met, float)
    waits = []
    for burn in findings.burns:
        if burn.ignition.known and times.size:
            before = times[times < burn.ignition.value - 1e-9]
            if before.size:
                waits.append(burn.ignition.value - before[-1])
    if not waits:
        return Estimate.unknown("s", "no burn follows a reading")
    middle = float(np.median(waits))
    return Estimate(middle, unit="s")
