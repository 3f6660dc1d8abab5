"""What a pilot should know of a leg to or from a moon beyond its burn: the window, a free return, what a late correction costs."""

from __future__ import annotations

import math
from collections.abc import Callable

from analyser.fitting.moon import Crossing, MoonPlace, free_return
from analyser.fitting.moon_check import correction_cost, fly_home, fly_to_moon, home_correction_cost
from analyser.flight import Body

HOUR = 3600.0
_SMALL_MISS = 10e3  # m, told where nothing says how large the miss will be


def clock_words(seconds: float) -> str:
    """A time span in words."""
    if not math.isfinite(seconds):
        return "an unknown time"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours < 48 else f"{hours // 24} d {hours % 24} h"


def window_words(planet: Body, moon: Body, leg: Crossing, met: float, every: float, on_circle: bool) -> list[str]:
    """When to leave: how often the angle comes round, the longest wait, and where the burn's place then is, as far as the moon's place is known."""
    words = []
    if math.isfinite(every):
        words.append(f"that angle comes round every {clock_words(every)}, the longest wait for it")
    elif not on_circle:
        words.append(
            f"the burn's place stands still in space: {moon.name} comes to that angle from it once in {clock_words(_turn(planet, moon))}, the longest wait; a pass of the"
            " place before or after meets it at another angle, which the time of flight has to make up for"
        )
    now = MoonPlace.at(moon, planet, met)
    if now is not None:
        longitude = now.true_anomaly + moon.argument_of_periapsis + moon.longitude_of_ascending_node
        rate = now.transverse / now.distance
        words.append(
            f"{moon.name} stands at {math.degrees(longitude) % 360:.1f} deg from the world's reference direction at MET {clock_words(met)}, so the burn's place is"
            f" at {math.degrees(longitude - leg.phase) % 360:.1f} deg there; both go on {math.degrees(rate) * HOUR:.2f} deg an hour"
        )
    return words


def _turn(planet: Body, moon: Body) -> float:
    return 2 * math.pi * math.sqrt(moon.semi_major_axis**3 / planet.mu)


def eccentric_words(planet: Body, moon: Body, met: float, find: Callable) -> list[str]:
    """Of a leg to or from a moon whose distance changes: with it where the leg was reckoned, and what its nearest and farthest place would cost.

    ``find`` gives the leg (a Crossing or None) for a :class:`MoonPlace`.
    """
    if moon.eccentricity < 1e-3:
        return []
    known = math.isfinite(moon.mean_anomaly_at_epoch + met)
    ends = [find(MoonPlace.of(moon, planet, anomaly)) for anomaly in (0.0, math.pi)]
    costs = [math.nan if leg is None else leg.delta_v for leg in ends]
    where = "where it will be then, half of the longest wait counted" if known else "at its mean distance, for where it is on its orbit is not known"
    said = ", ".join(f"{cost:.1f} m/s with it at its {name}" for cost, name in zip(costs, ("nearest", "farthest")) if math.isfinite(cost))
    return [f"reckoned with {moon.name} {where}" + (f"; the burns would be {said}" if said else "")]


def outward_words(planet: Body, moon: Body, orbit, leg: Crossing) -> list[str]:
    """Of a leg to a moon: with both bodies pulling, corrections, the free return."""
    flown = fly_to_moon(planet, moon, leg, both=True).periapsis
    words = [both_pulling(moon, flown, leg.moon_periapsis), *_patched(moon, fly_to_moon(planet, moon, leg, both=False).periapsis, leg.moon_periapsis)]
    miss = flown - leg.moon_periapsis if math.isfinite(flown) else math.nan
    times = _hours(leg.time_before)
    words += _correction([(t, correction_cost(planet, moon, leg, _told(miss), t)) for t in times], miss, "after the burn")
    back = free_return(planet, moon, orbit, leg.moon_periapsis)
    if back is not None:
        extra = back.delta_v - leg.delta_v
        words.append(
            f"a free return: {back.delta_v:.1f} m/s ({extra:+.1f}) with {moon.name} {math.degrees(back.phase) % 360:.1f} deg ahead passes it at the same height"
            f" {clock_words(back.time_before + back.time_after)} after the burn, against its way round {planet.name}, and without another burn comes back to"
            f" {(back.burn_radius - planet.radius) / 1e3:.0f} km over {planet.name}"
        )
    else:
        words.append(f"no free return passes {moon.name} at this height")
    return words


def homeward_words(planet: Body, moon: Body, leg: Crossing, periapsis: float) -> list[str]:
    """Of a leg home: with both bodies pulling, corrections."""
    flown = fly_home(planet, moon, leg, both=True).periapsis
    words = [both_pulling(planet, flown, periapsis), *_patched(planet, fly_home(planet, moon, leg, both=False).periapsis, periapsis)]
    miss = flown - periapsis if math.isfinite(flown) else math.nan
    if math.isfinite(leg.time_after):
        times = [leg.time_after - t for t in _hours(leg.time_after)]
        words += _correction([(t, home_correction_cost(planet, leg, _told(miss), t)) for t in times], miss, f"before {planet.name}")
    return words


def both_pulling(body: Body, flown: float, wanted: float) -> str:
    """What the numerical integration with both bodies pulling says of the pass."""
    if math.isnan(flown):
        return f"with both bodies pulling at once the craft would not come near {body.name}: correct on the way"
    height = (flown - body.radius) / 1e3
    hit = f"would hit {body.name}" if height < 0 else f"would pass {body.name} at {height:.0f} km"
    return f"with both bodies pulling at once the same burn {hit} instead of {(wanted - body.radius) / 1e3:.0f} km: correct on the way, early"


def _patched(body: Body, flown: float, wanted: float) -> list[str]:
    """Where the patched leg itself, integrated, passes elsewhere: it met the sphere of influence sooner than reckoned, or left it later."""
    if abs(flown - wanted) < 1e3:
        return []
    where = "would not come near" if math.isnan(flown) else f"passes {(flown - body.radius) / 1e3:.0f} km over"
    return [f"integrated step by step the patched path {where} {body.name}: it meets the sphere of influence twice, so this leg is not one to fly as it stands"]


def _told(miss: float) -> float:
    return _SMALL_MISS if math.isnan(miss) or abs(miss) < 1.0 else miss


def _hours(time: float) -> list[float]:
    """An hour in, half way, an hour before the end of a stretch."""
    return [HOUR, time / 2, time - HOUR] if time > 3 * HOUR else [time / 4, time / 2, 3 * time / 4]


def _correction(costs: list[tuple[float, float]], miss: float, after: str) -> list[str]:
    known = [(t, cost) for t, cost in costs if math.isfinite(cost)]
    if len(known) < 2:
        return []
    said = ", ".join(f"{cost:.1f} m/s {clock_words(t)}" for t, cost in known)
    delay = (known[-1][1] - known[0][1]) / (abs(known[-1][0] - known[0][0]) / HOUR)
    return [f"putting right {abs(_told(miss)) / 1e3:.0f} km at the pass costs {said} {after}: {delay:.2f} m/s for each hour's delay on the average"]
