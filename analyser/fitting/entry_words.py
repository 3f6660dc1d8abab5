"""What a pilot must know of an entry, in words."""

from __future__ import annotations

import math

from analyser.findings import Entry
from analyser.fitting.corridor import Corridor
from analyser.fitting.entry_fit import Posterior
from analyser.flight import STANDARD_GRAVITY, Craft


def warnings(entry: Entry, craft: Craft | None, ways: Corridor | None) -> tuple[str, ...]:
    """Flags: a peak beyond what the craft may have, a parachute opened too fast, a corridor missed."""
    found = []
    ahead = entry.kind in ("ahead", "unfinished") and not entry.openings
    limit = craft.max_acceleration if craft is not None else math.nan
    peak, read = entry.peak_deceleration, entry.read_deceleration
    worst = max((one for one in (peak, read) if one.known), key=lambda one: one.value, default=None)
    if math.isfinite(limit) and worst is not None and worst.high > limit:
        sure = worst.low > limit
        is_was = "will be" if ahead else "was"
        verb = is_was if sure else ("may be" if ahead else "may have been")
        found.append(
            f"the peak deceleration {verb} {_g(worst.value)}, {'beyond' if sure else 'near or beyond'} the {_g(limit)} that the craft file allows"
            + (f": with the periapsis at {_km(ways.lowest)} or higher it stays below" if ways is not None and ways.known and math.isfinite(ways.lowest) else "")
        )
    fastest = craft.max_parachute_speed if craft is not None else math.nan
    if math.isfinite(fastest):
        for number, opening in enumerate(entry.openings):
            name = ("the parachute", "the second parachute", "the third parachute")[min(number, 2)]
            if opening.speed.known and opening.speed.low > fastest:
                found.append(f"{name} was opened at {opening.speed.value:.0f} m/s, faster than the {fastest:.0f} m/s that the craft file allows: wait until it is slower")
            elif opening.speed.known and opening.speed.high > fastest:
                found.append(f"{name} may have been opened faster than the {fastest:.0f} m/s that the craft file allows, at {opening.speed.value:.0f} m/s by what was read")
    miss = entry.corridor_miss
    if miss.known and miss.low > 0:
        found.append(f"the periapsis is {_km(miss.value)} above the corridor: the craft {'leaves' if ahead else 'left'} the air again before it {'comes' if ahead else 'came'} down")
    elif miss.known and miss.high < 0 and not math.isfinite(limit):
        found.append(f"the periapsis is {_km(-miss.value)} below the corridor: more than {_g(entry.corridor_limit)}, what crews are usually planned to bear")
    return tuple(found)


def notes(entry: Entry, ways: Corridor | None, own: float, fitted: Posterior, told: bool) -> tuple[str, ...]:
    """What the figures rest on."""
    found = []
    if entry.ballistic_from == "readings" and math.isfinite(own):
        value, sigma = math.log(entry.ballistic.value), max(fitted.ballistic_sigma, 1e-6)
        if abs(value - math.log(own)) > max(4 * sigma, 0.1):
            found.append(
                f"the readings in the air fit {entry.ballistic.value:.0f} kg/m^2 of mass over drag area, the craft file says {own:.0f}: its drag_area, the mass or the air is not as told"
            )
    if not entry.ballistic_from:
        found.append("the deceleration can't be foretold: the craft file gives no drag_area or mass, and the readings in the air don't tell")
    if told and fitted.misfit > 4:
        found.append("the readings in the air scatter more than their digits allow about a fall without lift in the air as described")
    if ways is not None and not ways.known and ways.reason:
        found.append(f"no corridor: {ways.reason}")
    if entry.read_from == "speeds":
        found.append("the deceleration read is a mean between two readings: the peak may have been higher")
    return tuple(found)


def _g(acceleration: float) -> str:
    return f"{acceleration / STANDARD_GRAVITY:.1f} g"


def _km(length: float) -> str:
    return f"{length / 1e3:.1f} km" if abs(length) >= 1e3 else f"{length:.0f} m"
