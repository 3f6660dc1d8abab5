"""What a leg lost by going round about: wrong way first, overshoot and coming back, a climb that left the next burn too much.

With ``r`` the least delta-v from an orbit to the one in which the leg ends,

    sum(needed) - needed_leg  =  sum over the burns of (needed + r after - r before)

each term at least 0: what that burn's change cost beyond the way it brought the craft nearer. The term is 0 for a burn on the cheapest way,
twice the overshoot for one that goes too far, twice its size for one the wrong way.
"""

from __future__ import annotations

import math

from analyser.findings import Burn
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Course, Fault, span, when
from analyser.fitting.legs import needed_arcs
from analyser.fitting.transfer import apsides

_SAME = 1e-3  # of the way from the first orbit to the last: an apsis beyond the end by less is no overshoot
_FAR = 0.05  # of that way: beyond by more it is one, whichever apsis the next burn moved most


def courses(burns: tuple[int, ...], audited: list[AuditedBurn], arcs: list[FittedArc]) -> dict[int, Course]:
    """Where each burn of a leg stands on the way to the leg's last orbit about its body."""
    found: dict[int, Course] = {}
    for run in _runs(burns, audited, arcs):
        last = arcs[audited[run[-1]].burn.after]
        to_go = [needed_arcs(arcs[audited[number].burn.before], last) for number in run] + [0.0]
        for place, number in enumerate(run):
            found[number] = Course(to_go[place], to_go[place + 1], last, place == len(run) - 1)
    return found


def detours(burns: tuple[int, ...], audited: list[AuditedBurn], arcs: list[FittedArc], course: dict[int, Course]) -> list[Fault]:
    """Burns of a leg that went the wrong way, too far, or too steeply from the ground."""
    found: list[Fault] = []
    for run in _runs(burns, audited, arcs):
        for number, following in zip(run, run[1:]):
            fault = _detour(number, audited[number], audited[following].burn, arcs, course[number], arcs[audited[run[0]].burn.before])
            found += [fault] if fault else []
    return found


def _runs(burns, audited, arcs) -> list[list[int]]:
    """Burns that follow one another about one body."""
    runs: list[list[int]] = []
    for number in burns:
        item = audited[number]
        body = arcs[item.burn.before].body.name
        if body != arcs[item.burn.after].body.name or not item.burn.needed.known:
            continue
        joined = runs and audited[runs[-1][-1]].burn.after == item.burn.before
        runs[-1].append(number) if joined else runs.append([number])
    return runs


def _detour(number: int, item: AuditedBurn, back: Burn, arcs: list[FittedArc], course: Course, first: FittedArc) -> Fault | None:
    burn = item.burn
    lost = burn.needed.value + course.after - course.before
    sigma = math.hypot(burn.needed.sigma, back.needed.sigma)
    if course.after > course.before:
        # all that it spent, and all that was needed more afterwards
        sentence = (
            f"the burn at {when(burn.ignition.value)} went the wrong way ({burn.direction}, {burn.spent.value:.0f} m/s) and had to be taken back: "
            "check the nose against the direction wanted before ignition: {cost}."
        )
        return Fault(number, "wrong way", burn.spent.value + course.after - course.before, math.hypot(sigma, burn.spent.sigma), sentence)
    if burn.kind == "liftoff":
        sentence = (
            f"the climb from {when(burn.ignition.value)} was too steep to be an orbit's beginning, so that {back.spent.value:.0f} m/s were left to burn at the top: "
            "pitch over sooner and lower: {cost}."
        )
        return Fault(number, "steep climb", lost, sigma, sentence)
    if _overshot(first, arcs[burn.before], arcs[burn.after], arcs[back.after], course.last):
        sentence = (
            f"the burn at {when(burn.ignition.value)} overshot and {back.spent.value:.0f} m/s were burnt back at {when(back.ignition.value)}: "
            f"cut off {span(_too_long(item, back.spent.value))} earlier, the last part at low throttle: {{cost}}."
        )
        return Fault(number, "overshoot", lost, sigma, sentence)
    return None


def _overshot(first: FittedArc, before: FittedArc, after: FittedArc, back: FittedArc, last: FittedArc) -> bool:
    """Whether the apsis that a burn moved most went beyond where the leg ended, and the next burn moved that apsis back."""
    start, end, came, here, then = (_reaches(arc) for arc in (first, last, before, after, back))
    moved, returned = (0 if abs(b[0] - a[0]) > abs(b[1] - a[1]) else 1 for a, b in ((came, here), (here, then)))
    way = end[moved] - start[moved]
    beyond, came_back = (here[moved] - end[moved]) * way, (here[moved] - then[moved]) * way
    # a correction after a late burn moves the other apsis most; one that takes a good part of this one back is an overshoot too
    return (moved == returned and beyond > _SAME * way * way and came_back > 0) or (beyond > _FAR * way * way and came_back > beyond / 2)


def _reaches(arc: FittedArc) -> tuple[float, float]:
    """Inverse of periapsis and apoapsis radius; smooth through escape."""
    low, _ = (float(part) for part in apsides(arc.body.mu, arc.energy, arc.momentum))
    # 1/rp + 1/ra = 2 / p
    return 1 / low, 2 * arc.body.mu / arc.momentum**2 - 1 / low


def _too_long(item: AuditedBurn, speed: float) -> float:
    """Seconds at the end of a burn in which it gave a change of speed."""
    return min(speed / item.burn.spent.value, 1.0) * item.times.duration if item.burn.spent.value > 0 else math.nan
