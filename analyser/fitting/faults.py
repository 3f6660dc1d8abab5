"""A fault: one thing done otherwise than it should have been, with what it cost; and what the causes are told from: the engine, the place of a burn
in its leg, and the words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Craft, Stage

OPEN = 0.9  # a throttle above this is called full
WORTH_SAYING = 3.0  # m/s


@dataclass(frozen=True)
class Fault:
    """One thing done otherwise than it should have been. ``cost`` and ``sigma`` in m/s; ``sentence`` leaves the cost to be put in at {cost}."""

    burn: int
    cause: str
    cost: float
    sigma: float
    sentence: str

    @property
    def matters(self) -> bool:
        """Worth a sentence: above 3 m/s, and known to be there."""
        return math.isfinite(self.cost) and self.cost > WORTH_SAYING and self.cost > 2 * self.sigma


@dataclass(frozen=True)
class Engine:
    """What pushes in a burn: mass at ignition, kg, full thrust, N, exhaust speed, m/s, and the part of the thrust used (nan: unknown)."""

    mass: float
    thrust: float
    exhaust_speed: float
    throttle: float


def engine_of(item: AuditedBurn, craft: Craft | None, rows: PanelRows | None) -> Engine | None:
    """The engine of a burn: of the craft file, else one that gives what was spent in the time it took; None where neither tells."""
    stage = _stage(item, craft)
    if stage is not None and math.isfinite(stage.thrust):
        throttle = math.nan
        if rows is not None:
            read = rows.value["throttle"][list(item.burn.rows)]
            read = read[read > 0.005]
            throttle = float(np.mean(read)) if len(read) else math.nan
        if math.isnan(throttle) and item.burn.propellant.known and item.times.duration > 0:
            # no throttle was read: what was burnt, over the longest and the shortest time it may have taken
            lengths = item.times.cutoff_samples - item.times.ignition_samples
            part = item.burn.propellant.value / stage.mass_flow / np.maximum(np.quantile(lengths, [0.05, 0.5]), 1e-3)
            throttle = float(np.clip(part[1], 0.02, 1.0)) if part[0] < OPEN else 1.0
        return Engine(item.mass_before, stage.thrust, stage.exhaust_speed, throttle)
    if item.burn.spent.known and item.times.duration > 0:
        return Engine(1.0, item.burn.spent.value / item.times.duration, 1e7, math.nan)
    return None


def _stage(item: AuditedBurn, craft: Craft | None) -> Stage | None:
    if craft is None or not math.isfinite(item.mass_before):
        return None
    for index, stage in enumerate(craft.stages):
        empty = craft.mass(index, 0.0)
        if abs(stage.exhaust_speed - item.exhaust_speed) < 1e-6 and empty * 0.999 <= item.mass_after <= item.mass_before <= (empty + stage.propellant) * 1.001:
            return stage
    return None


@dataclass(frozen=True)
class Course:
    """Where a burn stands in its leg: the least delta-v, m/s, to the leg's ``last`` orbit about this body from before it and from after it.
    For the last burn of a leg ``after`` is 0 and what it did is what was wanted."""

    before: float
    after: float
    last: FittedArc
    final: bool


def kilometres(arc: FittedArc, met: float) -> str:
    """Altitude on an arc at a time, in words."""
    return f"{(float(arc.at(met)[0]) - arc.body.radius) / 1e3:.0f} km"


def offset(lead: float, name: str) -> str:
    """A lead over an apsis in words: "22 s before periapsis"."""
    return f"at {name}" if abs(lead) < 0.5 else f"{span(lead)} {'before' if lead > 0 else 'after'} {name}"


def when(seconds: float) -> str:
    """Elapsed time as the panel's clock shows it."""
    from analyser.units import format_met

    return format_met(round(seconds))


def span(seconds: float) -> str:
    """A length of time in words."""
    seconds = abs(seconds)
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def metres(height: float) -> str:
    """A height in words: "544 m", "11.3 km"."""
    return f"{height:.0f} m" if height < 2000 else f"{height / 1e3:.1f} km"
