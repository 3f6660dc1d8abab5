"""The tables of a debrief, in words and figures."""

from __future__ import annotations

import dataclasses
import math

from analyser.findings import NO_PLANE, Burn, Estimate, Findings, LegAudit
from analyser.flight import QUANTITIES, Flight
from analyser.reporting.content import Crop, Table
from analyser.reporting.phrases import UNKNOWN, clock, duration, figure, plain_number, say_plainly

__all__ = ["NO_FIGURE", "burn_tables", "doubtful_crops", "landing_table", "leg_tables", "orbit_table", "set_aside_table", "shared_units", "unknowns"]

NOTHING, NOT_FLOWN, OPEN = "–", "not flown", "none: open orbit"
#: Cells that hold no figure.
NO_FIGURE = frozenset({UNKNOWN, NOTHING, NOT_FLOWN, OPEN, ""})
#: What fields are called in a sentence, where it is not their name with the underscores taken out.
_SAID = {
    "needed": "least needed", "net": "net", "waste_propellant": "propellant wasted", "semi_major_axis": "semi-major axis",
    "planned": "planned delta-v", "wrong_way": "wrong-way part", "met": "time",
    "off_axis": "thrust off the motion", "plane_change": "turn of the plane", "plane_change_cost": "what the turn cost",
    "ascending_node_longitude": "longitude of the ascending node",
}  # fmt: skip
CAUSES = {
    "propellant": "the propellant gauge",
    "throttle": "the throttle and the thrust",
    "acceleration": "the felt acceleration",
    "orbits": "the orbits joined (a lower bound)",
}


def _cell(estimate: Estimate, like: float = math.nan) -> str:
    return figure(estimate, like=like)


def _largest(estimates) -> float:
    """The largest size among estimates, so that a column of them can share a unit; nan where none is known."""
    return max((abs(estimate.value) for estimate in estimates if estimate.known), default=math.nan)


def shared_units(headers: list[str], rows: list[list[str]], caption: str, numeric: set[int], keep: int = 1, notes: tuple[str, ...] = ()) -> Table:
    """A table without the columns in which nothing is known; a unit that a whole column shares moves into its header."""
    rows, heads = [list(row) for row in rows], list(headers)
    for index in numeric:
        said = [row[index] for row in rows if row[index] not in NO_FIGURE]
        units = {_unit(cell) for cell in said}
        if said and len(units) == 1 and (unit := units.pop()):
            heads[index] += f", {unit}"
            for row in rows:
                row[index] = row[index].removesuffix(f" {unit}")
    kept = [index for index in range(len(heads)) if index < keep or any(row[index] not in (UNKNOWN, NOTHING, "") for row in rows)]
    return Table(
        caption,
        tuple(heads[index] for index in kept),
        tuple(tuple(row[index] for index in kept) for row in rows),
        frozenset(place for place, index in enumerate(kept) if index in numeric),
        notes,
    )


def _unit(cell: str) -> str:
    """The unit a figure ends with, "" where it ends with a digit or a bracket."""
    number, _, unit = cell.rpartition(" ")
    return unit if number and unit[0].isalpha() else ""


def leg_tables(findings: Findings) -> tuple[Table, ...]:
    """Legs against the plan; where their waste went; how near they came."""
    if not findings.legs:
        return ()
    cost = [_leg_cost(leg) for leg in findings.legs]
    first = shared_units(
        ["leg", "goal", "spent", "planned", "least needed", "wasted", "propellant", "of it wasted"], cost,
        "Legs against the plan", {2, 3, 4, 5, 6, 7}, keep=3,
    )  # fmt: skip
    flown = [leg for leg in findings.legs if leg.flown]
    tables = [first]
    if flown:
        split = [
            [leg.name, _cell(leg.burn_loss), _cell(leg.placement_loss), _cell(leg.correction_loss), _cell(leg.waste)] for leg in flown
        ]
        tables.append(
            shared_units(
                ["leg", "burn loss", "placement loss", "correction loss", "together"], split, "Where each leg's waste went", {1, 2, 3, 4},
                notes=(
                    "burn loss: thrust not along the change, over a finite time. placement loss: the right change at the wrong place. "
                    "correction loss: overshoot and coming back, wrong way first.",
                    *((BELOW_ZERO,) if any(leg.burn_loss.high < 0 for leg in flown) else ()),
                ),
            )  # fmt: skip
        )
        bought = bought_table(findings, flown)
        if bought is not None:
            tables.append(bought)
        near = [[leg.name, leg.goal, _misses(leg), _cell(leg.still_needed)] for leg in flown if leg.miss or leg.still_needed.known]
        if near:
            tables.append(shared_units(["leg", "goal", "flown minus goal", "still needed to the goal"], near, "How near each goal was met", {3}))
    return tuple(tables)


BELOW_ZERO = "A burn loss below 0: the burn swept an arc, along which it cost a little less than the one impulse by which its net change is told."


def bought_table(findings: Findings, flown: list[LegAudit]) -> Table | None:
    """What each leg's waste would have bought; None where that is known of none."""
    told = [leg for leg in flown if leg.kept.known or leg.hover.known]
    if not told:
        return None
    over = sorted({leg.hover_over for leg in told if leg.hover.known})
    rows = [
        [leg.name, _cell(leg.waste), _cell(leg.waste_propellant), _cell(leg.hover) if leg.hover.known else NOTHING, _cell(leg.kept)] for leg in told
    ]
    notes = ["The propellant that a leg wasted, kept: as time to hover before the touchdown that follows, or as delta-v in the tanks when the flight ended."]
    left = next((item for item in reversed(findings.margins) if item.margin.known), None)
    if left is not None:
        rest = " over the least that the rest of the plan needed" if left.legs else ", the plan flown to its end"
        notes.append(f"Beside that stands the margin in the end: {figure(left.margin)}{rest}.")
    notes += [
        f"Of what {leg.name} wasted, this craft could have saved {figure(climb.waste)}: the rest is what gravity, air and steering take of any climb."
        for climb in findings.ascents for leg in told if climb.leg == leg.name and climb.waste.known
    ]  # fmt: skip
    return shared_units(["leg", "wasted", "propellant", f"hovering{' over ' + ' or '.join(over) if over else ''}", "more in the end"], rows, "What each waste would have bought", {1, 2, 3, 4}, notes=tuple(notes))


def _leg_cost(leg: LegAudit) -> list[str]:
    if not leg.flown:
        return [leg.name, leg.goal, NOT_FLOWN, _cell(leg.planned), NOTHING, NOTHING, NOTHING, NOTHING]
    return [
        leg.name, leg.goal, _cell(leg.spent), _cell(leg.planned), _cell(leg.needed), _cell(leg.waste), _cell(leg.propellant),
        _cell(leg.waste_propellant),
    ]  # fmt: skip


def _misses(leg: LegAudit) -> str:
    return "; ".join(f"{_name(key)} {figure(miss, sign=True)}" for key, miss in leg.miss.items() if miss.known) or NOTHING


def burn_tables(findings: Findings) -> tuple[Table, ...]:
    """The burns: what was done, and what each lost to what."""
    if not findings.burns:
        return ()
    done = [_burn_row(number, burn) for number, burn in enumerate(findings.burns, 1)]
    by_source: dict[str, list[int]] = {}
    for number, burn in enumerate(findings.burns, 1):
        by_source.setdefault(CAUSES.get(burn.spent_from, burn.spent_from), []).append(number)
    note = "spent is reckoned from " + "; ".join(
        source + (f" (burn{'s' if len(numbers) > 1 else ''} {_listed(numbers)})" if len(by_source) > 1 else "") for source, numbers in by_source.items()
    ) + "."
    headers, losses = ["burn"], [[f"{number}"] for number in range(1, len(findings.burns) + 1)]
    for header, name in _LOSSES:
        parts = [getattr(burn, name) for burn in findings.burns]
        if name in ("drag_loss", "wrong_way") and not any(part.known and part.low > 0 for part in parts):
            continue  # nothing of the kind happened: not worth a column
        if name == "off_axis" and not any(part.known for part in parts):
            continue
        headers.append(header)
        for row, part in zip(losses, parts, strict=True):
            row.append(_cell(part))
    more = (turns,) if (turns := _turn_table(findings)) is not None else ()
    return (
        shared_units(
            ["burn", "leg", "ignition", "length", "about", "thrust", "spent", "net", "least needed", "propellant"], done,
            "Burns", {3, 6, 7, 8, 9}, notes=(note,),
        ),
        shared_units(
            headers, losses, "What each burn lost, and to what", set(range(1, len(headers))),
            notes=(
                "steering, gravity and drag are reckoned along the path, where readings were taken during the burn: the speed changed by what was "
                "spent less these three. A climb turns speed into height, so that not all of the gravity part is lost.",
            ),
        ),
        *more,
    )  # fmt: skip


def _turn_table(findings: Findings) -> Table | None:
    """What the burns did to the plane, where the readings show it."""
    rows = [
        [f"{number}", _cell(burn.plane_change), _cell(burn.plane_change_cost), _cell(burn.out_of_plane_loss)]
        for number, burn in enumerate(findings.burns, 1)
        if burn.plane_change.known
    ]
    if not rows:
        return None
    return shared_units(
        ["burn", "plane turned by", "what of net that was", "not asked for by the goal"], rows, "Turns of the plane", {1, 2, 3},
        notes=("the last column is a part of the placement loss; a goal asks for a turn by naming an inclination.",),
    )  # fmt: skip


_LOSSES = (
    ("burn loss", "burn_loss"), ("placement loss", "placement_loss"), ("steering", "steering_loss"), ("gravity", "gravity_loss"),
    ("drag", "drag_loss"), ("wrong way", "wrong_way"), ("thrust off the motion", "off_axis"),
)  # fmt: skip


def _burn_row(number: int, burn: Burn) -> list[str]:
    length = UNKNOWN
    if burn.ignition.known and burn.cutoff.known:
        sigma = math.hypot(burn.ignition.sigma, burn.cutoff.sigma)
        seconds = burn.cutoff.value - burn.ignition.value
        length = figure(Estimate.of(seconds, sigma, "s"), like=1.0 if seconds < 1000 else math.nan)
    how = burn.direction or {"landing": "to the ground", "liftoff": "from the ground"}.get(burn.kind, NOTHING)
    return [
        f"{number}", burn.leg or NOTHING, _moment(burn.ignition), length, burn.body, how, _cell(burn.spent), _cell(burn.net),
        _cell(burn.needed), _cell(burn.propellant),
    ]  # fmt: skip


def _moment(estimate: Estimate) -> str:
    """A time on the clock, with its interval in seconds."""
    if not estimate.known:
        return UNKNOWN
    half = (estimate.high - estimate.low) / 2
    if not half > 0:
        return clock(estimate.value)
    if half >= 60:
        return f"{clock(estimate.value)} ± {duration(half)}"
    decimals = 0 if half >= 10 else 1
    return f"{clock(estimate.value, 0 if half >= 1 else decimals)} ± {plain_number(half, decimals)} s"


def orbit_table(findings: Findings) -> Table | None:
    """The coasts."""
    rows = []
    like = _largest(estimate for arc in findings.arcs for estimate in (arc.periapsis_altitude, arc.apoapsis_altitude))
    for number, arc in enumerate(findings.arcs, 1):
        if arc.kind != "coast":
            continue
        rows.append(
            [
                f"{number}", arc.body, f"{clock(arc.start)} to {clock(arc.end)}", f"{len(arc.rows)}", _cell(arc.periapsis_altitude, like),
                _open(arc.apoapsis_altitude, arc.eccentricity, like), _open(arc.period, arc.eccentricity), _cell(arc.eccentricity), _cell(arc.inclination),
                _cell(arc.ascending_node_longitude), _cell(arc.argument_of_periapsis),
            ]  # fmt: skip
        )
    if not rows:
        return None
    headers = [
        "orbit", "about", "flown", "readings", "periapsis altitude", "apoapsis altitude", "period", "eccentricity", "inclination",
        "longitude of the node", "argument of periapsis",
    ]  # fmt: skip
    noded = any(arc.ascending_node_longitude.known for arc in findings.arcs)
    notes = ("the ascending node is counted from the direction of the prime meridian at MET 0, in axes that do not turn with the body.",) if noded else ()
    return shared_units(headers, rows, "Orbits flown", {3, 4, 5, 6, 7, 8, 9, 10}, notes=notes)


def _open(estimate: Estimate, eccentricity: Estimate, like: float = math.nan) -> str:
    if not estimate.known and eccentricity.known and eccentricity.value >= 1:
        return OPEN
    return _cell(estimate, like)


def landing_table(findings: Findings) -> Table | None:
    """Touchdowns and lift-offs."""
    if not findings.landings:
        return None
    rows = [
        [
            landing.kind.replace("liftoff", "lift-off"), landing.body, _moment(landing.met), _cell(landing.vertical_speed), _cell(landing.horizontal_speed),
            _cell(landing.propellant), _cell(landing.terrain_height), landing.remark,
        ]
        for landing in findings.landings
    ]  # fmt: skip
    headers = ["what", "on", "when", "vertical speed", "horizontal speed", "propellant then", "ground above the datum", "remark"]
    return shared_units(headers, rows, "Touchdowns and lift-offs", {3, 4, 5, 6})


def set_aside_table(findings: Findings) -> Table | None:
    """Readings that were not used."""
    if not findings.set_aside:
        return None
    rows = [
        [f"{item.source}:{item.row}", clock(item.met), _name(item.column), _reading(item.column, item.value), item.reason, item.suggestion or NOTHING]
        for item in findings.set_aside
    ]
    return shared_units(["where", "when", "what", "read", "why set aside", "perhaps meant"], rows, "Readings set aside", {3}, keep=5)


def _reading(column: str, value: float) -> str:
    return say_plainly(value, QUANTITIES.get(column, ""), 1)


def doubtful_crops(flight: Flight, crops: dict | None) -> tuple[Crop, ...]:
    """Readings that were doubtful, or recovered by what one motion explains, with the piece of the screenshot where there is one."""
    detail = flight.readings.detail
    if "status" not in getattr(detail, "columns", ()):
        return ()
    found = []
    marked = detail[detail["status"].isin(["doubtful", "recovered"])]
    for item in marked.sort_values("status", kind="stable").to_dict("records"):
        key = (item.get("source"), item.get("row"), item.get("column"))
        png = (crops or {}).get(key, b"")
        value = item.get("value", math.nan)
        said = f"{_name(str(item.get('column', '')))} at {clock(float(item.get('met', math.nan)))}"
        if item["status"] == "recovered" and isinstance(value, float) and math.isfinite(value):
            said += f", taken as {_reading(str(item.get('column')), value)}"
        found.append(
            Crop(f"{item.get('source')}:{item.get('row')}, {said}", str(item.get("raw", "")), item["status"], str(item.get("reason") or ""), png)
        )
    return tuple(found)


#: Extras that stand where they are known: nobody misses them elsewhere.
_NOT_ASKED = frozenset({"latitude", "longitude", "hover", "kept"})


def unknowns(findings: Findings) -> tuple[str, ...]:
    """What could not be known, one line a reason: "burn 5: net, placement loss: the burn ends on the ground"."""
    reasons: dict[str, dict[str, list[str]]] = {}
    # a flight without places says so once, in its remarks
    in_one_plane = any("one plane" in remark for remark in findings.remarks)
    groups = (
        [(f"orbit {number}", arc) for number, arc in enumerate(findings.arcs, 1) if arc.kind == "coast"]
        + [(f"burn {number}", burn) for number, burn in enumerate(findings.burns, 1)]
        + [(f"leg {leg.name}", leg) for leg in findings.legs if leg.flown]
        + [(landing.kind.replace("liftoff", "lift-off"), landing) for landing in findings.landings]
    )
    for owner, item in groups:
        for field in dataclasses.fields(item):
            value = getattr(item, field.name)
            for name, estimate in [(field.name, value)] if isinstance(value, Estimate) else (value.items() if field.name == "miss" else ()):
                untold = name in _NOT_ASKED or (in_one_plane and estimate.reason == NO_PLANE)
                if not estimate.known and estimate.reason and not untold:
                    what = f"{'miss in ' if field.name == 'miss' else ''}{_name(name)}"
                    reasons.setdefault(estimate.reason, {}).setdefault(what, []).append(owner)
    lines = []
    for reason, names in reasons.items():
        owners: dict[tuple[str, ...], list[str]] = {}
        for name, whose in names.items():
            owners.setdefault(tuple(whose), []).append(name)
        said = "; ".join(f"{', '.join(what)} of {_owned(whose)}" for whose, what in owners.items())
        lines.append(f"{said}: {reason}")
    return tuple(lines)


def _owned(names: tuple[str, ...]) -> str:
    """ "burns 1, 2 and 5" from "burn 1", "burn 2", "burn 5"."""
    kinds: dict[str, list[str]] = {}
    for name in names:
        kind, _, which = name.partition(" ")
        kinds.setdefault(kind, []).append(which)
    return ", ".join(f"{kind}{'s' if len(which) > 1 else ''} {_listed(which) if any(which) else ''}".strip() for kind, which in kinds.items())


def _listed(items) -> str:
    words = [str(item) for item in items]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _name(field: str) -> str:
    return _SAID.get(field, field.replace("_", " "))
