"""Launches through air as flown, against the least that the craft can do: what the climb lost to gravity, drag and steering, beside an optimised pitch programme's losses and
those of real launchers.

cost - best = (gravity - best gravity) + (drag - best drag) + (steering - best steering) + the rest, exactly: the rest is what was left to burn at the top, or gained
beyond need.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.findings import Ascent, Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.ascent_losses import Climb, climb_losses, climb_of, over_ground
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import OPEN
from analyser.fitting.flown_cost import leg_of, spent_together
from analyser.fitting.launch import Launch, launch
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.powered_memory import PoweredMemory
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import apsides
from analyser.flight import Body, Stage

#: Losses over the ideal speed of six launchers into low orbits of the Earth: least and most. R. W. Humble, G. N. Henry and W. J. Larson, *Space Propulsion Analysis and
#: Design* (1995), launch-loss table, recalled from memory.
PUBLISHED_SHARES = {"gravity": (0.147, 0.202), "steering": (0.004, 0.046), "drag": (0.005, 0.020), "together": (0.168, 0.233)}
_BEST_SIGMA = 0.5  # m/s: how far an optimum may be off its own


@dataclass(frozen=True)
class FlownAscent:
    """An ascent with what its faults are told from. ``soft`` is the least launch at the throttle used, where that was not full; ``burn`` the place of the climb."""

    ascent: Ascent
    burn: int
    body: Body
    climb: Climb
    best: Launch
    soft: Launch | None
    throttle: float
    exhaust_speed: float


def find_ascents(
    arcs: list[FittedArc], audited: list[AuditedBurn], legs, rows: PanelRows, propellant: PropellantHistory, memory: PoweredMemory | None = None
) -> list[FlownAscent]:
    """The launches through air of a flight.

    Parameters
    ----------
    arcs, audited : what was fitted.
    legs : tuple of LegAudit
    rows, propellant : the readings.
    memory : PoweredMemory, optional
        Launches optimised before.
    """
    found = []
    for number, item in enumerate(audited):
        ground = arcs[item.burn.before]
        if item.burn.kind == "liftoff" and ground.body.air_top > 0 and arcs[item.burn.after].body.name == ground.body.name:
            one = _ascent(number, arcs, audited, legs, rows, propellant, memory or PoweredMemory())
            if one is not None:
                found.append(one)
    return found


def _ascent(number: int, arcs, audited, legs, rows: PanelRows, propellant: PropellantHistory, memory: PoweredMemory) -> FlownAscent | None:
    item = audited[number]
    ground, after, body = arcs[item.burn.before], arcs[item.burn.after], arcs[item.burn.before].body
    leg = leg_of(number, legs)
    last, burns = _orbit(number, arcs, audited, leg)
    climb = climb_of(ground, after, item.burn.rows, item.times.ignition.value, item.times.cutoff.value, rows, propellant, item.mass_before, item.mass_after)
    craft = propellant.craft
    losses = climb_losses(climb, body, craft.drag_area if craft is not None else math.nan, after)
    gained = math.hypot(climb.radial[-1], climb.transverse[-1]) - math.hypot(climb.radial[0], climb.transverse[0])
    gained_sigma = float(np.std(np.hypot(after.samples[:, 1], after.samples[:, 2]))) + abs(_pull(climb, body)) * item.times.cutoff.sigma
    steering = item.burn.spent.value - gained - losses.gravity - losses.drag
    steering_sigma = math.sqrt(item.burn.spent.sigma**2 + gained_sigma**2 + losses.gravity_sigma**2 + losses.drag_sigma**2)
    no_drag = "the craft file has no drag_area or mass"
    figures = {
        "gravity": Estimate.of(losses.gravity, losses.gravity_sigma, "m/s"),
        "drag": Estimate.of(losses.drag, losses.drag_sigma, "m/s") if math.isfinite(losses.drag) else Estimate.unknown("m/s", no_drag),
        "steering": Estimate.of(steering, steering_sigma, "m/s") if math.isfinite(steering) else Estimate.unknown("m/s", "can't be told from drag, which is unknown"),
    }  # fmt: skip
    cost = spent_together(burns, audited)
    best, soft, throttle, reason = _optimum(item, ground, last, rows, propellant, memory)
    if not item.burn.rows or len(climb.met) < 4:
        reason = reason or "too few full readings (altitude, speed, vertical speed) were taken in the climb"
    told = _held(cost, figures, best, reason)
    speed = math.sqrt(2 * (last.energy + body.mu / float(apsides(body.mu, last.energy, last.momentum)[0]))) if last is not None else math.nan
    shares = {name: _scaled(one, speed) for name, one in figures.items()}
    together = [one for one in figures.values() if one.known]
    if len(together) == 3 and math.isfinite(speed):
        total = math.fsum(one.value for one in together)
        shares["together"] = Estimate.of(total / speed, math.hypot(item.burn.spent.sigma, gained_sigma) / speed, "1")
    over = over_ground(climb, body)[0]
    ascent = Ascent(
        body=body.name, burns=tuple(burns), leg=leg.name if leg else "", cost=cost, best=best.delta_v if not reason else math.nan, **figures, **told,
        shares=shares, published=dict(PUBLISHED_SHARES), reason=reason,
        path=tuple((float(t - climb.met[0]), float(r - body.radius), float(v)) for t, r, v in zip(climb.met, climb.radius, over)),
        best_path=tuple((t, h, v) for t, _, h, v in best.programme) if not reason else (),
    )  # fmt: skip
    return FlownAscent(ascent, number, body, climb, best, soft, throttle, item.exhaust_speed)


def _orbit(number: int, arcs, audited, leg) -> tuple[FittedArc | None, list[int]]:
    """The orbit that the launch came to, and the burns up to it: that of its leg where it stays about the body above the air, else the first that does."""
    body = arcs[audited[number].burn.before].body
    burns: list[int] = []
    best: tuple[FittedArc | None, list[int]] = (None, [number])
    within = leg.burns if leg is not None else range(number, len(audited))
    for k in (k for k in within if k >= number):
        end = arcs[audited[k].burn.after]
        if end.body.name != body.name or end.kind != "coast" or audited[k].burn.body != body.name:
            break
        burns.append(k)
        low, high = (float(r) for r in apsides(body.mu, end.energy, end.momentum))
        if low > body.radius + body.air_top and math.isfinite(high):
            best = end, list(burns)
            if leg is None:
                break
    return best


def _optimum(item: AuditedBurn, ground: FittedArc, last: FittedArc | None, rows: PanelRows, propellant: PropellantHistory, memory: PoweredMemory):
    """(least launch, least at the throttle used or None, that throttle, why there is none)."""
    nothing = Launch(math.nan)
    known = propellant.known(ground.rows)
    throttle = _throttle(item, rows)
    if last is None:
        return nothing, None, throttle, "no orbit above the air was reached"
    if propellant.craft is None or not known or item.burn.spent_from != "propellant":
        return nothing, None, throttle, "the propellant at lift-off, or the craft, is not known"
    tanks = Tanks(propellant.craft, int(propellant.stage[known[-1]]), float(propellant.propellant[known[-1]]))
    near = _nearest(memory, ground.body, tanks, last)
    best = launch(ground.body, (last.energy, last.momentum), tanks, near)
    if math.isnan(best.delta_v):
        return nothing, None, throttle, best.reason
    memory.launches[(ground.body.name, round(last.energy, 1), round(last.momentum), tanks)] = best
    soft = None
    if throttle < OPEN:
        weaker = tanks.craft.changed(stages=tuple(_weaker(stage, throttle) for stage in tanks.craft.stages))
        soft = launch(ground.body, (last.energy, last.momentum), replace(tanks, craft=weaker), best)
    return best, soft, throttle, ""


def _weaker(stage: Stage, throttle: float) -> Stage:
    return stage.changed(thrust=stage.thrust * throttle)


def _nearest(memory: PoweredMemory, body: Body, tanks: Tanks, last: FittedArc) -> Launch | None:
    """An optimum remembered for the same craft and body, the one whose orbit is most like."""
    fit = [(abs(key[1] / last.energy - 1), one) for key, one in memory.launches.items() if key[0] == body.name and key[3].craft == tanks.craft and one.unknowns]
    return min(fit, key=lambda pair: pair[0])[1] if fit and min(pair[0] for pair in fit) < 0.1 else None


def _throttle(item: AuditedBurn, rows: PanelRows) -> float:
    """Mean throttle read in the climb, 1 where none was read."""
    read = rows.value["throttle"][list(item.burn.rows)]
    read = read[read > 0.005]
    return float(np.mean(read)) if len(read) else 1.0


def _held(cost: Estimate, figures: dict[str, Estimate], best: Launch, reason: str) -> dict:
    """Waste and what it is made of."""
    names = ("gravity", "drag", "steering")
    if reason or not cost.known:
        unknown = Estimate.unknown("m/s", reason or cost.reason)
        return {"waste": unknown, **{f"best_{name}": math.nan for name in names}, **{f"extra_{name}": unknown for name in (*names, "rest")}}
    ideal = {"gravity": best.burn_gravity, "drag": best.drag, "steering": best.steering}
    waste = Estimate.of(cost.value - best.delta_v, math.hypot(cost.sigma, _BEST_SIGMA), "m/s")
    extras = {}
    for name in names:
        one = figures[name]
        extras[name] = Estimate.of(one.value - ideal[name], one.sigma, "m/s") if one.known else Estimate.unknown("m/s", one.reason)
    known = [extras[name] for name in names if extras[name].known]
    rest = waste.value - math.fsum(one.value for one in known)
    sigma = math.sqrt(waste.sigma**2 + math.fsum(one.sigma**2 for one in known)) if len(known) < 3 else math.hypot(waste.sigma, _BEST_SIGMA)
    extras["rest"] = Estimate.of(rest, sigma, "m/s")
    return {"waste": waste, **{f"best_{name}": ideal[name] for name in names}, **{f"extra_{name}": one for name, one in extras.items()}}


def _pull(climb: Climb, body: Body) -> float:
    """Rate of the speed on the coast at cutoff, m/s^2."""
    return body.mu / climb.radius[-1] ** 2 * climb.radial[-1] / max(math.hypot(climb.radial[-1], climb.transverse[-1]), 1.0)


def _scaled(one: Estimate, speed: float) -> Estimate:
    if not (one.known and math.isfinite(speed)):
        return Estimate.unknown("1", one.reason or "no orbit above the air was reached")
    return Estimate.of(one.value / speed, one.sigma / speed, "1")
