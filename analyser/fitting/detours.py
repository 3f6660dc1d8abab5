"""What a leg lost by going round about: wrong way first, overshoot and coming back, a climb that left the next burn too much.

With ``r`` the least delta-v from an orbit to the one in which the leg ends,

    sum(needed) - needed_leg  =  sum over the burns of (needed + r after - r before)

each term at least 0: what that burn's change cost beyond the way it brought the craft nearer. The term is 0 for a burn on the cheapest way,
twice the overshoot for one that goes too far, twice its size for one the wrong way.
"""

from __future__ import annotations

import math

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Fault, span, when
from analyser.fitting.legs import needed_arcs
from analyser.fitting.transfer import apsides

_SAME = 0.02  # of the way from the first orbit to the last: an apsis beyond the end by less is no overshoot


def detours(burns: tuple[int, ...], audited: list[AuditedBurn], arcs: list[FittedArc]) -> list[Fault]:
    """What each burn of a leg lost by the direction it went, dearest causes named; burns from one body to another count apart."""
    found: list[Fault] = []
    for run in _runs(burns, audited, arcs):
        found += _of_run(run, audited, arcs)
    return found


def _runs(burns, audited, arcs) -> list[list[int]]:
    runs: list[list[int]] = []
    for number in burns:
        item = audited[number]
        body = arcs[item.burn.before].body.name
        if body != arcs[item.burn.after].body.name:
            continue
        joined = runs and audited[runs[-1][-1]].burn.after == item.burn.before and arcs[audited[runs[-1][-1]].burn.after].body.name == body
        runs[-1].append(number) if joined else runs.append([number])
    return [run for run in runs if len(run) > 1]


def _of_run(run: list[int], audited: list[AuditedBurn], arcs: list[FittedArc]) -> list[Fault]:
    last = arcs[audited[run[-1]].burn.after]
    to_go = [needed_arcs(arcs[audited[number].burn.before], last) for number in run] + [0.0]
    found = []
    for place, number in enumerate(run[:-1]):
        item, burn = audited[number], audited[number].burn
        back = audited[run[place + 1]].burn
        lost = burn.needed.value + to_go[place + 1] - to_go[place]
        sigma = math.hypot(burn.needed.sigma, back.needed.sigma)
        if not lost > 0:
            continue
        if to_go[place + 1] > to_go[place]:
            # all that it spent, and all that was needed more afterwards
            cost = burn.spent.value + to_go[place + 1] - to_go[place]
            sentence = (
                f"the burn at {when(burn.ignition.value)} went the wrong way ({burn.direction}, {burn.spent.value:.0f} m/s) and had to be taken back: "
                "check the nose against the direction wanted before ignition: {cost}."
            )
            found.append(Fault(number, "wrong way", cost, math.hypot(sigma, burn.spent.sigma), sentence))
        elif _overshot(arcs[audited[run[0]].burn.before], arcs[burn.before], arcs[burn.after], last):
            sentence = (
                f"the burn at {when(burn.ignition.value)} overshot and {back.spent.value:.0f} m/s were burnt back at {when(back.ignition.value)}: "
                f"cut off {span(_too_long(item, back.spent.value))} earlier, the last part at low throttle: {{cost}}."
            )
            found.append(Fault(number, "overshoot", lost, sigma, sentence))
        elif burn.kind == "liftoff":
            sentence = (
                f"the climb from {when(burn.ignition.value)} was too steep to be an orbit's beginning, so that {back.spent.value:.0f} m/s were left to burn at the top: "
                "pitch over sooner and lower: {cost}."
            )
            found.append(Fault(number, "steep climb", lost, sigma, sentence))
        else:
            sentence = (
                f"the burn at {when(burn.ignition.value)} and what followed it went round about: from where it began {to_go[place]:.0f} m/s would have done: {{cost}}."
            )
            rest = "what it left had to be corrected afterwards"
            found.append(Fault(number, "corrections", lost, sigma, sentence, rest))
    return found


def _overshot(first: FittedArc, before: FittedArc, after: FittedArc, last: FittedArc) -> bool:
    """Whether the apsis that a burn moved most went beyond where the leg ended."""
    start, end, here, came = (_reaches(arc) for arc in (first, last, after, before))
    moved = 0 if abs(here[0] - came[0]) > abs(here[1] - came[1]) else 1
    way = end[moved] - start[moved]
    return (here[moved] - end[moved]) * way > _SAME * way * way


def _reaches(arc: FittedArc) -> tuple[float, float]:
    """Inverse of periapsis and apoapsis radius; smooth through escape."""
    low, _ = (float(part) for part in apsides(arc.body.mu, arc.energy, arc.momentum))
    # 1/rp + 1/ra = 2 / p
    return 1 / low, 2 * arc.body.mu / arc.momentum**2 - 1 / low


def _too_long(item: AuditedBurn, speed: float) -> float:
    """Seconds at the end of a burn in which it gave a change of speed."""
    return min(speed / item.burn.spent.value, 1.0) * item.times.duration if item.burn.spent.value > 0 else math.nan
