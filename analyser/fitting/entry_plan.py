"""The entry corridor for plans: where to aim the periapsis before a fall through air, in words and as a number."""

from __future__ import annotations

import math

from analyser.fitting.corridor import Corridor, corridor
from analyser.fitting.tanks import Tanks
from analyser.flight import STANDARD_GRAVITY, Body

_GRAIN = 0.03  # of the ballistic coefficient, relative: plans that differ by a little propellant share a corridor


def corridor_of(body: Body, energy: float, tanks: Tanks) -> Corridor | None:
    """The corridor of a planned craft on arrival; None without a craft. The ballistic coefficient is taken to three per cent, the energy to one in a thousand."""
    craft = tanks.craft
    if craft is None:
        return None
    ballistic = tanks.mass / craft.drag_area if craft.drag_area > 0 and tanks.mass > 0 else math.nan
    if math.isfinite(ballistic):
        ballistic = math.exp(round(math.log(ballistic) / _GRAIN) * _GRAIN)
    grain = 10.0 ** (math.floor(math.log10(max(abs(energy), 1.0))) - 3)
    return corridor(body, round(energy / grain) * grain, ballistic, craft.max_acceleration)


def corridor_words(ways: Corridor, periapsis: float) -> str:
    """Where the corridor lies and where the periapsis (altitude, m) lies in it."""
    if not ways.known:
        return f"no entry corridor: {ways.reason}"
    limit = f"{ways.limit / STANDARD_GRAVITY:.1f} g ({'what crews are usually planned to bear; name max_acceleration in the craft file for another' if ways.limit_usual else 'the craft file'})"
    low = f"from {_km(ways.lowest)} " if math.isfinite(ways.lowest) else ""
    said = f"entry corridor: periapsis {low}up to {_km(ways.highest)}; above it the craft leaves the air again"
    said += f", below it the peak is more than {limit}" if low else f"; below it the peak stays under {limit}"
    miss = ways.miss(periapsis)
    if miss > 0:
        return f"{said}. The periapsis of {_km(periapsis)} is {_km(miss)} too high: aim for {_km(ways.aim)}"
    if miss < 0:
        return f"{said}. The periapsis of {_km(periapsis)} is {_km(-miss)} too low: aim for {_km(ways.aim)}"
    return f"{said}. The periapsis of {_km(periapsis)} is inside"


def _km(length: float) -> str:
    return f"{length / 1e3:.1f} km".replace("-", "\u2212")
