"""How did it go, in a paragraph; the biggest wastes; the few figures for the top of the page."""

from __future__ import annotations

import math

from analyser.findings import Estimate, Findings
from analyser.flight import Flight
from analyser.reporting.content import Fact, Waste
from analyser.reporting.phrases import duration, figure, plain_number, say_plainly
from analyser.reporting.tables import _listed
from analyser.totals import Totals

__all__ = ["facts", "verdict", "wastes"]


def verdict(flight: Flight, findings: Findings, total: Totals) -> str:
    """One paragraph: what was flown, how it ended, what it cost, how well the readings tell it."""
    if not findings.arcs and not findings.burns:
        return (
            f"Nothing could be fitted: {total.readings} readings tell no orbit. "
            + (" ".join(_sentence(remark) for remark in findings.remarks[:2]) or "See below what is missing.")
        ).strip()
    return " ".join(
        part for part in (_flown(flight, findings, total), _ended(findings), _cost(findings, total), _missed(findings), _evidence(findings, total)) if part
    )


def _flown(flight: Flight, findings: Findings, total: Totals) -> str:
    time = f" in {duration(total.duration)}" if math.isfinite(total.duration) else ""
    flown = [leg for leg in findings.legs if leg.flown]
    burns = f"{len(findings.burns)} burn{'s' if len(findings.burns) != 1 else ''}"
    if not findings.legs:
        return f"{burns[0].upper()}{burns[1:]} and {_orbits(findings)} were found{time}; there is no plan to hold them against."
    if len(flown) == len(findings.legs):
        return f"All {len(flown)} legs of the plan were flown{time}, with {burns}." if len(flown) > 1 else f"The plan's one leg was flown{time}, with {burns}."
    if not flown:
        return f"No leg of the plan was flown; {burns} and {_orbits(findings)} were found{time}."
    missing = [leg.name for leg in findings.legs if not leg.flown]
    verb = "was" if len(missing) == 1 else "were"
    return f"{len(flown)} of the plan's {len(findings.legs)} legs were flown{time}, with {burns}; {_listed(missing)} {verb} not."


def _orbits(findings: Findings) -> str:
    count = sum(arc.kind == "coast" for arc in findings.arcs)
    return f"{count} orbit{'s' if count != 1 else ''}"


def _ended(findings: Findings) -> str:
    touchdowns = [landing for landing in findings.landings if landing.kind == "touchdown"]
    said = []
    for landing in touchdowns:
        speeds = []
        if landing.vertical_speed.known:
            speeds.append(f"{figure(_size(landing.vertical_speed))} down")
        if landing.horizontal_speed.known and landing.horizontal_speed.value != 0:
            speeds.append(f"{figure(landing.horizontal_speed)} across")
        said.append(f"on {landing.body}" + (f" at {' and '.join(speeds)}" if speeds else " (how fast is not known)"))
    if said:
        return f"It touched down {', and '.join(said)}."
    last = next((arc for arc in reversed(findings.arcs) if arc.kind == "coast"), None)
    if last is None or not last.periapsis_altitude.known:
        return ""
    if last.apoapsis_altitude.known:
        return f"It ended in an orbit of {figure(last.periapsis_altitude)} by {figure(last.apoapsis_altitude)} about {last.body}."
    return f"It ended on an open path past {last.body}, periapsis {figure(last.periapsis_altitude)}."


def _size(estimate: Estimate) -> Estimate:
    """The absolute value; an interval that holds 0 begins there."""
    bounds = sorted((abs(estimate.low), abs(estimate.high)))
    low = 0.0 if estimate.low < 0 < estimate.high else bounds[0]
    return Estimate(abs(estimate.value), estimate.sigma, low, bounds[1], estimate.unit)


def _cost(findings: Findings, total: Totals) -> str:
    if not total.spent.known:
        return f"What it cost in all is not known: {total.spent.reason}." if total.spent.reason else ""
    said = f"It took {figure(total.spent)}"
    if total.needed.known:
        said += f" where {figure(total.needed)} would have done between the orbits flown"
    if total.waste.known:
        share = f" ({plain_number(100 * total.waste.value / total.spent.value, 0)}\u00a0%)" if total.spent.value > 0 else ""
        kilograms = f", {figure(total.waste_propellant)} of propellant" if total.waste_propellant.known else ""
        if total.waste.low > 0:
            said += f": {figure(total.waste)}{share} was wasted{kilograms}"
        else:
            said += f"; the readings show no sure waste ({figure(total.waste)})"
    if total.planned.known:
        said += f". The plan's ideal for these legs is {say_plainly(total.planned.value, 'm/s')}"
    said += "."
    for ascent in findings.ascents:
        if ascent.waste.known and ascent.leg:
            # what is called wasted is held against impulses; no climb through air comes near them
            said += f" No climb of this craft into that orbit costs less than {say_plainly(ascent.best, 'm/s')}: of what the launch took, {figure(ascent.waste)} could have been saved."
    return said


def _missed(findings: Findings) -> str:
    """The goal missed by most, where coming to it would still take delta-v."""
    open_legs = [leg for leg in findings.legs if leg.flown and leg.still_needed.known and leg.still_needed.low > 0]
    if not open_legs:
        return ""
    worst = max(open_legs, key=lambda leg: leg.still_needed.value)
    planned = worst.planned.value if worst.planned.known else 0.0
    if worst.still_needed.value < max(3.0, 0.01 * planned):
        return ""
    return f"The goal missed by most is {worst.name}'s ({worst.goal}): {figure(worst.still_needed)} would still have been needed."


def _evidence(findings: Findings, total: Totals) -> str:
    said = f"{total.readings} moments were read"
    notes = []
    if findings.set_aside:
        notes.append(f"{len(findings.set_aside)} reading{'s' if len(findings.set_aside) > 1 else ''} set aside")
    if total.doubtful:
        notes.append(f"{total.doubtful} doubtful")
    if total.recovered:
        notes.append(f"{total.recovered} recovered")
    return f"{said}, {_listed(notes)}." if notes else f"{said}; none was set aside."


def wastes(findings: Findings, most: int = 3) -> tuple[Waste, ...]:
    """The biggest wastes, with what to do otherwise."""
    found = []
    for item in findings.advice[:most]:
        cost = say_plainly(item.cost, "m/s") if math.isfinite(item.cost) else ""
        mass = say_plainly(item.propellant, "kg") if math.isfinite(item.propellant) else ""
        sentence = item.sentence.strip().removeprefix(f"{item.leg}:").strip() if item.leg else item.sentence
        found.append(Waste(item.leg, _sentence(sentence[:1].upper() + sentence[1:]), ", ".join(part for part in (cost, mass) if part)))
    return tuple(found)


def facts(findings: Findings, total: Totals) -> tuple[Fact, ...]:
    """The figures for the top: those that are known."""
    share = ""
    if total.waste.known and total.spent.known and total.spent.value > 0:
        share = f"{plain_number(100 * total.waste.value / total.spent.value, 0)} % of what was spent"
    wanted = (
        ("spent", total.spent, f"least needed {figure(total.needed)}" if total.needed.known else ""),
        ("wasted", total.waste, share),
        ("propellant wasted", total.waste_propellant, f"of {figure(total.propellant)} burned" if total.propellant.known else ""),
        ("propellant left", total.propellant_left, "at the last reading"),
        ("touchdown, vertical", total.touchdown_vertical_speed, ""),
        ("touchdown, horizontal", total.touchdown_horizontal_speed, ""),
    )
    return tuple(Fact(label, figure(estimate), remark) for label, estimate, remark in wanted if estimate.known and not (label.startswith("touchdown") and estimate.value == 0))


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else text + "."
