"""A push across the motion (a correction of a pass) against the same change made elsewhere on the same coast; and the places on a coast that a
pilot could have used."""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burn_impulse import impulse_at
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.faults import Fault, kilometres, span
from analyser.fitting.transfer import apsides


def passages(before: FittedArc, met: float, since: float) -> list[tuple[float, str]]:
    """Apsides that the pilot could have used: on the coast before the burn, at most half a turn back, or within half a turn ahead; above ground and air."""
    body = before.body
    state = [float(part) for part in before.at(met)]
    shape = conic.shape(body.mu, *state)
    low, high, period = float(shape.periapsis_radius), float(shape.apoapsis_radius), float(shape.period)
    if shape.eccentricity < 1e-6:
        return []
    periapsis = met - float(shape.time_since_periapsis)
    found = [(periapsis, "periapsis")]
    if math.isfinite(period):
        found += [(periapsis + k * period, "periapsis") for k in (-1, 1)] + [(periapsis + k * period / 2, "apoapsis") for k in (-1, 1)]
    reach = period / 2 if math.isfinite(period) else math.inf
    floor, ceiling = body.radius + body.air_top, body.sphere_of_influence
    return [
        (time, name) for time, name in found
        if max(since, met - reach) <= time <= met + reach and floor < (low if name == "periapsis" else high) < ceiling
    ]  # fmt: skip


def across(number, item: AuditedBurn, before, after, since, head) -> list[Fault]:
    """A push across the motion against the same change made elsewhere on the same coast."""
    burn, body = item.burn, before.body
    met = item.times.middle
    found = []
    if burn.spent_from != "orbits" and burn.burn_loss.known:
        loss = burn.burn_loss
        ratio = min(burn.net.value / burn.spent.value, 1.0) if burn.spent.value > 0 else 1.0
        sentence = (
            head + f"spent {burn.spent.value:.0f} m/s for a change of {burn.net.value:.0f} m/s, as if {math.degrees(math.acos(ratio)):.0f} degrees off "
            "throughout: hold the nose on the change wanted: {cost}."
        )
        found.append(Fault(number, "off-axis", loss.value, loss.sigma, sentence))
    times = _window(before, met, since)
    here = float(_net_at(before, after, np.array([met]))[0])
    costs = _net_at(before, after, times)
    if not np.isfinite(costs).any() or not math.isfinite(here):
        return found
    k = int(np.nanargmin(costs))
    best, time = float(costs[k]), float(times[k])
    saved = min(here - best, burn.placement_loss.value)
    name = next((name for moment, name in passages(before, met, since) if abs(moment - time) < 0.01 * max(np.ptp(times), 1.0)), "")
    arrival = k == 0 and before.index and math.isfinite(since)
    place = f"at {name}" if name else f"on arrival in the sphere of influence of {body.name}" if arrival and not name and body.parent and before.start == since else ""
    if not place:
        place = f"{span(met - time)} {'earlier' if time < met else 'later'}, at {kilometres(before, time)},"
    sentence = head + f"at {kilometres(before, met)} changed the path for {here:.0f} m/s: the same correction made {place} would have cost {best:.0f} m/s: {{cost}}."
    cause = "late" if time < met else "early"
    found.append(Fault(number, cause, saved, burn.placement_loss.sigma, sentence))
    return found


def _window(before: FittedArc, met: float, since: float) -> np.ndarray:
    """Times on the coast before a burn (at most half a turn back) and until the next apsis, or half a turn, after it, above ground and air."""
    body = before.body
    shape = conic.shape(body.mu, *(float(part) for part in before.at(met)))
    period = float(shape.period)
    reach = period / 2 if math.isfinite(period) else max(abs(float(shape.time_since_periapsis)), 1.0)
    start = max(since, met - reach) if math.isfinite(since) else met - reach
    # not past the next apsis: what comes after it is another pass
    ahead = [time - met for time, _ in passages(before, met, -math.inf) if time > met + 1.0]
    times = np.linspace(min(start, met), met + min([reach, *ahead]), 401)
    radius = before.at(times)[0]
    return times[(radius > body.radius + body.air_top) & (radius < body.sphere_of_influence)]


def _net_at(before: FittedArc, after: FittedArc, times: np.ndarray) -> np.ndarray:
    """The one impulse into an orbit of the energy and angular momentum after, at times on the coast before; nan where that orbit isn't so low or high."""
    mu = before.body.mu
    radius, climb, _ = before.at(times)
    low, high = (float(part) for part in apsides(mu, after.energy, after.momentum))
    orbits = (before.energy, before.momentum), (after.energy, after.momentum)
    up = np.minimum(impulse_at(mu, *orbits, radius, climb >= 0, True), impulse_at(mu, *orbits, radius, climb >= 0, False))
    return np.where((radius >= low * (1 - 1e-3)) & (radius <= high * (1 + 1e-3)), up, np.nan)
