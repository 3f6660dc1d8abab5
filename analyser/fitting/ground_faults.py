"""What a descent on the engine or a lift-off cost beyond the least that this craft can do, cause by cause.

A descent's parts: the time held up near the ground (hovering, a slow let-down) against falling and stopping at full thrust; the braking at part
throttle against full; and what is left, braking begun too early or thrust off retrograde. Powered flight in air is not judged: its least is not known here.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.braking import stop
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import OPEN, WORTH_SAYING, Engine, Fault, engine_of, metres, span, when
from analyser.fitting.letting_down import SLOW, let_down
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.powered import PoweredLeg
from analyser.fitting.powered_memory import PoweredMemory
from analyser.flight import Craft

_IN_HAND = 0.007  # of the delta-v: the least touches bare ground all along, which nobody flies; well-flown descents in simulation stay within it


def landing_faults(
    number: int, item: AuditedBurn, arcs: list[FittedArc], craft: Craft | None, rows: PanelRows | None, memory: PoweredMemory | None = None
) -> list[Fault]:
    """The faults of a landing on the engine, without air."""
    memory = memory or PoweredMemory()
    before, ground = arcs[item.burn.before], arcs[item.burn.after]
    engine = judged(item, before, ground, craft, rows)
    if engine is None:
        return []
    best = _least("descent", before, ground, engine, memory)
    if not math.isfinite(best.delta_v):
        return []
    waste = item.burn.spent.value - best.delta_v
    sigma = _sigma(item)
    if not waste > max(WORTH_SAYING, _IN_HAND * best.delta_v):
        return []
    low = let_down(item, ground, engine, rows, memory)
    throttle = _braking_throttle(item, ground, rows)
    softer = _softness(item, before, ground, engine, throttle, best, memory)
    parts = {"hover": low.hovered, "slow let-down": low.cost - low.hovered, "low throttle": softer}
    parts = {name: max(value, 0.0) for name, value in parts.items()}
    total = sum(parts.values())
    parts = {name: value * min(1.0, waste / total) if total else 0.0 for name, value in parts.items()}
    rest = waste - sum(parts.values())
    head = f"the landing (from {when(item.burn.ignition.value)}) "
    words = {
        "hover": f"hovered {span(low.hover_time)} at about {metres(low.hover_height)}: come down to the ground without stopping: {{cost}}.",
        "slow let-down": (
            f"came down the last {metres(low.height)} in {span(low.time)}, {low.height / max(low.time, 1.0):.1f} m/s on average: at full thrust, begun as late as it still stops, {low.least:.0f} m/s do it; "
            "let it fall faster and stop it lower: {cost}."
        ),
        "low throttle": f"braked at {100 * throttle:.0f} % throttle: brake later at full throttle: {{cost}}.",
    }
    if rest > WORTH_SAYING:
        cause, words[cause] = _braking(item, before, ground, engine, best)
        dearest = max(("hover", "slow let-down"), key=parts.__getitem__)
        if cause == "braking" and parts[dearest] > WORTH_SAYING and rest < low.least:
            # what stopping that high itself cost, the fall from there, belongs to coming down slowly from it
            parts[dearest] += rest
        else:
            parts[cause] = rest
    unsure = {"hover": math.hypot(sigma, low.sigma), "slow let-down": math.hypot(sigma, low.sigma)}
    return [Fault(number, cause, cost, unsure.get(cause, sigma), head + words[cause]) for cause, cost in parts.items()]


def stopped_high(
    number: int, audited: list[AuditedBurn], arcs: list[FittedArc], craft: Craft | None, rows: PanelRows | None, memory: PoweredMemory
) -> Fault | None:
    """Braking that stopped the craft high over the ground, so that it fell from there and landing ``number`` had to stop it once more; told of the burn before."""
    item, first = audited[number], audited[number - 1] if number else None
    if first is None or first.burn.kind != "orbit" or first.burn.after != item.burn.before or arcs[first.burn.before].kind != "coast":
        return None
    before, fall, ground = arcs[first.burn.before], arcs[item.burn.before], arcs[item.burn.after]
    engine = judged(first, before, ground, craft, rows)
    circular = math.sqrt(ground.body.mu / float(ground.state[0]))
    across = abs(fall.momentum / float(ground.state[0]) - ground.body.rotation_rate * float(ground.state[0]))
    if engine is None or item.burn.spent_from != "propellant" or across > SLOW * circular or first.burn.spent.value < 0.3 * circular:
        return None
    best = _least("descent", before, ground, engine, memory)
    stop_height = float(fall.at(first.times.cutoff.value)[0]) - float(ground.state[0])
    if not (math.isfinite(best.delta_v) and stop_height > 15.0):
        return None
    latest = _latest(first, before, ground, engine, 1.0)
    lead = latest - first.burn.ignition.value
    early = f", {span(lead)} too early," if math.isfinite(lead) and lead > 0 else ""
    sentence = (
        f"the braking (from {when(first.burn.ignition.value)}) began{early or ' too early and'} stopped {metres(stop_height)} over the ground, from where the craft fell and "
        f"{item.burn.spent.value:.0f} m/s had to stop it again: start later, so that it comes to rest at the ground: {{cost}}."
    )
    cost = first.burn.spent.value + item.burn.spent.value - best.delta_v
    return Fault(number - 1, "early braking", cost, math.hypot(_sigma(item), _sigma(first)), sentence.replace(", began", " began"))


def liftoff_faults(
    number: int, item: AuditedBurn, arcs: list[FittedArc], craft: Craft | None, rows: PanelRows | None, last: FittedArc, needed: float,
    memory: PoweredMemory | None = None,
) -> list[Fault]:
    """The faults of a lift-off without air. ``last`` is the orbit its leg ended in, ``needed`` the least delta-v by impulses to it, m/s."""
    ground, after = arcs[item.burn.before], arcs[item.burn.after]
    engine = judged(item, after, ground, craft, rows)
    if engine is None or last.body.name != ground.body.name or last.kind != "coast":
        return []
    best = _least("ascent", last, ground, engine, memory or PoweredMemory())
    if not math.isfinite(best.delta_v):
        return []
    # what this craft must pay over impulses, it pays in the burn from the ground
    waste = item.burn.spent.value - item.burn.needed.value - max(best.delta_v - needed, 0.0)
    head = f"the climb (from {when(item.burn.ignition.value)}) "
    low = math.isfinite(engine.throttle) and engine.throttle < OPEN
    sentence = head + (
        f"ran at {100 * engine.throttle:.0f} % throttle: open it fully until the apoapsis stands: {{cost}}."
        if low else f"spent {item.burn.spent.value:.0f} m/s on the way up: full throttle, and pitch over as soon as the ground is clear: {{cost}}."
    )  # fmt: skip
    return [Fault(number, "low throttle" if low else "ascent", waste, _sigma(item), sentence)]


def judged(item: AuditedBurn, orbit: FittedArc, ground: FittedArc, craft, rows) -> Engine | None:
    """The engine, where the flight can be held against an optimum: airless, craft and propellant known, all about one body."""
    if orbit.kind != "coast" or orbit.body.name != ground.body.name or ground.body.atmosphere is not None or item.burn.spent_from != "propellant":
        return None
    engine = engine_of(item, craft, rows)
    return engine if engine is not None and engine.mass > 1.0 and math.isfinite(item.burn.spent.value) else None


def _sigma(item: AuditedBurn) -> float:
    spread = item.spent - item.needed
    return float(np.nanstd(spread)) if len(spread) > 1 else item.burn.spent.sigma


def _least(kind: str, orbit: FittedArc, ground: FittedArc, engine: Engine, memory: PoweredMemory) -> PoweredLeg:
    return memory.exactly(kind, orbit.body, float(ground.state[0]), (orbit.energy, orbit.momentum), engine.mass, engine.thrust, engine.exhaust_speed)


def _braking_throttle(item: AuditedBurn, ground: FittedArc, rows: PanelRows | None) -> float:
    """Mean throttle read while braking, above a quarter of circular speed; nan where none was read."""
    if rows is None:
        return math.nan
    circular = math.sqrt(ground.body.mu / float(ground.state[0]))
    read = [
        float(rows.value["throttle"][row]) for row in item.burn.rows
        if rows.value["throttle"][row] > 0.005 and rows.speed[row] > 0.25 * circular
    ]  # fmt: skip
    return float(np.mean(read)) if read else math.nan


def _softness(item: AuditedBurn, before: FittedArc, ground: FittedArc, engine: Engine, throttle: float, best: PoweredLeg, memory) -> float:
    """What the least descent at a throttle costs over that at full, m/s; where so little thrust can't land at all, over what was spent."""
    if not throttle < OPEN:
        return 0.0
    soft = _least("descent", before, ground, replace(engine, thrust=engine.thrust * throttle), memory)
    return max(min(soft.delta_v, item.burn.spent.value) - best.delta_v, 0.0) if math.isfinite(soft.delta_v) else 0.0


def stop_from(before: FittedArc, met: float, ground: FittedArc, engine: Engine, throttle: float):
    state = tuple(float(part) for part in before.at(met))
    return stop(before.body.mu, state, engine.thrust * throttle, engine.exhaust_speed, engine.mass, before.body.rotation_rate)


def _latest(item: AuditedBurn, before: FittedArc, ground: FittedArc, engine: Engine, throttle: float) -> float:
    """MET of the latest ignition on the coast before from which braking against the motion stops above the ground; nan: none."""
    floor = float(ground.state[0])
    shape = conic.shape(before.body.mu, *(float(part) for part in before.at(item.burn.ignition.value)))
    ahead = min(float(shape.period) / 2 if math.isfinite(shape.period) else 3600.0, max(3 * item.times.duration, 60.0))
    start = item.burn.ignition.value - item.times.duration
    times = np.linspace(start, item.burn.ignition.value + ahead, 25)
    good = [stop_from(before, time, ground, engine, throttle)[0] >= floor for time in times]
    if not any(good):
        return math.nan
    k = len(good) - 1 - good[::-1].index(True)
    if k == len(times) - 1:
        return math.nan  # the coast never comes near the ground
    low, high = times[k], times[k + 1]
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if stop_from(before, middle, ground, engine, throttle)[0] >= floor else (low, middle)
    return float(low)


def _braking(item: AuditedBurn, before: FittedArc, ground: FittedArc, engine: Engine, best: PoweredLeg) -> tuple[str, str]:
    """What remains of the braking: (cause, words). On a coast that meets the ground there is a latest moment to start; on one that stays above it
    starting early costs nothing by itself, and what remains is thrust that held the craft up instead of slowing it."""
    ignition = item.burn.ignition.value
    lead = _latest(item, before, ground, engine, 1.0) - ignition
    if math.isfinite(lead) and lead > max(5.0, 0.1 * item.times.duration):
        way = math.hypot(*(float(part) for part in before.at(ignition)[1:])) * lead
        return "early braking", f"braked {span(lead)}, {way / 1e3:.0f} km, too early: start later, at full throttle on retrograde: {{cost}}."
    off = item.burn.steering_loss
    held_up = f", {off.value:.0f} m/s of it off retrograde" if off.known and off.value > max(WORTH_SAYING, 2 * off.sigma) else ""
    words = (
        f"took {item.burn.spent.value:.0f} m/s{held_up}, where this craft can do it for {best.delta_v:.0f} m/s: keep the nose on retrograde and let it sink "
        "while it is fast: {cost}."
    )
    return "braking", words
