"""What was wrong with one burn in orbit, each cause with its own cost.

A burn along the motion is flown again, each time with one thing less at fault, to the energy that it reached:

    as it should have been flown   full throttle, half of it before and half after the apsis
    low throttle                   the same at the throttle read
    early, late                    the same lit when it was lit
    as it was flown                what still remains was thrust not along the motion

Each of these wastes something against the least delta-v into the orbit it ends in; the differences between neighbours are the costs
of the causes and add up to what the burn wasted beyond what this craft must. A burn across the motion (a correction of the pass) is held against
the same change made elsewhere on the same coast.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import OPEN, WORTH_SAYING, Course, Engine, Fault, engine_of, kilometres, offset, span, when
from analyser.fitting.flown_again import Again
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.pass_faults import across, passages
from analyser.fitting.plane_faults import across_the_plane, plane_fault
from analyser.flight import Craft

_ACROSS = math.radians(50.0)  # from here on a burn was meant across the motion
_AIMED = math.radians(5.0)  # a burn within this of the motion was well aimed


def burn_faults(
    number: int, arcs: list[FittedArc], audited: list[AuditedBurn], craft: Craft | None, rows: PanelRows | None, course: Course | None = None
) -> list[Fault]:
    """The faults of burn ``number``, which lies between two coasts about one body; empty for any other burn, and where spent is unknown.

    With its ``course``, what the burn left to be corrected afterwards counts as its own.
    """
    item = audited[number]
    before, after = arcs[item.burn.before], arcs[item.burn.after]
    if item.burn.kind != "orbit" or before.body.name != after.body.name or not item.burn.needed.known:
        return []
    course = course or Course(item.burn.needed.value, 0.0, after, True)
    angle = off_motion(before, after, item.times.middle)
    since = _free_since(number, audited, before)
    head = f"the burn at {when(item.burn.ignition.value)} "
    sideways = plane_fault(number, item, head)
    if across_the_plane(item):
        return [sideways] if sideways is not None else []
    found = _in_plane(number, item, before, after, arcs, since, head, angle, craft, rows, course)
    return found if sideways is None else [sideways, *found]


def _in_plane(number, item: AuditedBurn, before, after, arcs, since, head, angle, craft, rows, course: Course) -> list[Fault]:
    if item.burn.net.known and _ACROSS < abs(angle) < math.pi - _ACROSS:
        return across(number, item, before, after, since, head)
    if item.burn.spent_from == "orbits" and not item.burn.net.known:
        return []
    # where a burn is to bring the craft to another body, that body's place says when it must be, and that the instruments don't show
    bound = after.index + 1 < len(arcs) and arcs[after.index + 1].body.name != after.body.name
    choices = [] if bound else passages(before, item.times.middle, since)
    return _along(number, item, before, after, choices, head, engine_of(item, craft, rows), angle, course)


def off_motion(before: FittedArc, after: FittedArc, met: float) -> float:
    """Angle between the change of velocity at a time and the motion before it, rad, -pi..pi; positive: outward."""
    first, second = before.at(met), after.at(met)
    change = float(second[1] - first[1]), float(second[2] - first[2])
    climb, level = float(first[1]), float(first[2])
    return math.atan2(change[0] * level - change[1] * climb, change[0] * climb + change[1] * level)


def _free_since(number: int, audited: list[AuditedBurn], before: FittedArc) -> float:
    """MET from which the craft was coasting; -inf where nothing says when that began."""
    earlier = audited[number - 1] if number else None
    if earlier is not None and earlier.burn.after == before.index:
        return earlier.times.cutoff.value
    return before.start if before.index else -math.inf


def _along(number, item: AuditedBurn, before, after, choices, head, engine: Engine | None, angle: float, course: Course) -> list[Fault]:
    burn = item.burn
    waste = burn.spent.value - burn.needed.value if course.final else burn.spent.value + course.after - course.before
    waste -= burn.out_of_plane_loss.value if burn.out_of_plane_loss.known else 0.0  # told by itself
    spread = item.spent - item.needed
    sigma = float(np.nanstd(spread)) if len(spread) > 1 else burn.spent.sigma
    if engine is None or not max(waste, 0.0) > WORTH_SAYING:
        return []
    throttle = engine.throttle if math.isfinite(engine.throttle) else 1.0
    ignition = burn.ignition.value
    again = Again(before, after, engine, course)
    as_lit, doubt = again.at(ignition, throttle), 0.0
    apsis = _apsis(before, after, choices)
    if not math.isfinite(as_lit):
        return []
    if apsis is None:
        best, at_throttle = as_lit, as_lit
        if throttle < OPEN:
            best = min(as_lit, again.about(item.times.middle, 1.0))
    else:
        time, name = apsis
        # a long burn spends more than the impulse it stands for: half of that comes sooner still
        leads = [again.lead(time, throttle, after.energy), again.lead_of(burn.spent.value / 2, throttle)]
        centred = [again.at(time - lead, throttle) for lead in leads]
        best_time = time - leads[int(np.argmin(np.where(np.isfinite(centred), centred, np.inf)))]
        at_throttle = min([value for value in (*centred, again.about(time, throttle), as_lit) if math.isfinite(value)])
        best = min(again.about(time, 1.0), at_throttle) if throttle < OPEN else at_throttle
        passage = sigma_of(before, "periapsis_time")
        doubt_time = math.hypot(burn.ignition.sigma, passage if math.isfinite(passage) else 0.0)
        around = np.array([again.at(ignition + sign * doubt_time, throttle) for sign in (-1, 1)])
        doubt = float(np.max(np.abs(np.where(np.isfinite(around), around, as_lit) - as_lit)))
    parts = {"low throttle": at_throttle - best, "place": as_lit - at_throttle, "off-axis": waste - as_lit}
    parts = _within(parts, waste - best)
    left = "" if course.final or course.after < WORTH_SAYING else f"; with the {course.after:.0f} m/s that it left to be corrected"
    found = []
    if throttle < OPEN:
        sentence = (
            head + f"ran at {100 * throttle:.0f} % throttle for {span(item.times.duration)}: open it fully, and light it "
            f"{span(again.lead(item.times.middle, 1.0, after.energy))} before the best point: {{cost}}."
        )
        found.append(Fault(number, "low throttle", parts["low throttle"], min(sigma, 0.5 * parts["low throttle"]), sentence))
    # a difference of time that a pilot could neither see nor mend is no fault of timing
    if apsis is not None and abs(ignition - best_time) > max(1.5, 0.03 * item.times.duration):
        late = ignition > best_time
        there = f"{'after' if time < ignition else 'before'} it" if abs(time - ignition) >= 0.5 else "at it"
        flown = there if there == "at it" else f"{span(time - ignition)} {there}"
        sentence = (
            head + f"at {kilometres(before, item.times.middle)} came too {'late' if late else 'early'}: start {offset(time - best_time, name)} instead of "
            f"{flown}{left}: {{cost}}."
        )
        found.append(Fault(number, "late" if late else "early", parts["place"], doubt, sentence))
    found.append(_off_axis(number, item, parts["off-axis"], math.hypot(sigma, doubt), head, angle, course, again.own(ignition, throttle)))
    return found


def _off_axis(number, item: AuditedBurn, cost: float, sigma: float, head: str, angle: float, course: Course, flown_well: float) -> Fault:
    """What remains: thrust not along the motion; or, where the burn itself was well aimed, too much or too little of it."""
    burn = item.burn
    if burn.wrong_way.known and burn.wrong_way.value > 0.3 * max(cost, WORTH_SAYING) and burn.wrong_way.value > 2 * burn.wrong_way.sigma:
        sentence = head + f"pushed the wrong way for {burn.wrong_way.value:.0f} m/s of it: check the attitude before opening the throttle: {{cost}}."
        return Fault(number, "wrong way", cost, sigma, sentence)
    prograde = abs(angle) < math.pi / 2
    own = min(max(burn.spent.value - burn.needed.value - flown_well, 0.0), burn.spent.value)
    in_plane = angle if prograde else math.remainder(math.pi - angle, 2 * math.pi)
    off = max(math.acos(1 - own / burn.spent.value), abs(in_plane) if burn.net.known else 0.0)
    left = "" if course.final or course.after < WORTH_SAYING else f"; with the {course.after:.0f} m/s that it left to be corrected"
    if not course.final and own < max(WORTH_SAYING, 2 * sigma) and off < _AIMED:
        sentence = head + f"left {course.after:.0f} m/s to be corrected; from where it began {course.before:.0f} m/s would have done: {{cost}}."
        return Fault(number, "corrections", cost, sigma, sentence)
    side = f" {'outward' if in_plane > 0 else 'inward'} of" if abs(in_plane) > 0.6 * off else " off"
    along = "prograde" if prograde else "retrograde"
    sentence = head + f"was as if {math.degrees(off):.0f} degrees{side} {along} throughout: hold the nose on {along}{left}: {{cost}}."
    return Fault(number, "off-axis", cost, sigma, sentence)


def _within(parts: dict[str, float], whole: float) -> dict[str, float]:
    """Parts of at least 0 that add up to no more than the whole."""
    parts = {name: max(value, 0.0) for name, value in parts.items()}
    total, whole = sum(parts.values()), max(whole, 0.0)
    return {name: value * min(1.0, whole / total) if total > 0 else 0.0 for name, value in parts.items()}


def _apsis(before: FittedArc, after: FittedArc, choices) -> tuple[float, str] | None:
    """The passage at which a push along the motion to the energy after comes nearest to the angular momentum after."""
    mu, best = before.body.mu, None
    for time, name in choices:
        radius, _, level = (float(part) for part in before.at(time))
        square = 2 * (after.energy + mu / radius)
        if square <= 0:
            continue
        miss = abs(math.copysign(radius * math.sqrt(square), level) - after.momentum)
        if best is None or miss < best[0] * (1 - 1e-9):
            best = (miss, time, name)
    return best[1:] if best else None


def sigma_of(arc: FittedArc, name: str) -> float:
    """The sigma of a published figure of an arc, nan where it has none."""
    found = (arc.estimates or {}).get(name)
    return found.sigma if found is not None and found.known else math.nan
