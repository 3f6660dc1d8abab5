"""A flown orbit against the goal it was flown for: by how much it missed, and what is still missing to it."""

from __future__ import annotations

import math

import numpy as np

from analyser.fitting.transfer import apsides, least_delta_v, orbit_of_apsides
from analyser.flight import Body, Goal, World


def resting(body: Body) -> tuple[float, float]:
    """Energy (m^2/s^2) and angular momentum (m^2/s) of a craft at rest on the equator of a body: an orbit with its apoapsis there."""
    speed = body.surface_rotation_speed
    return speed**2 / 2 - body.mu / body.radius, speed * body.radius


def miss(goal: Goal, world: World, body: str, energy, h, inclination=math.nan, node=math.nan, argument=math.nan) -> dict[str, np.ndarray]:
    """Flown minus goal for each figure that the goal names and the orbit has.

    Parameters
    ----------
    goal : Goal
    world : World
    body : str
        What the flown orbit is about.
    energy, h : float or array
        Its specific energy, m^2/s^2, and angular momentum, m^2/s.
    inclination, node, argument : float or array
        Its inclination, longitude of the ascending node and argument of periapsis, rad, where known.

    Returns
    -------
    dict
        "periapsis_altitude", "apoapsis_altitude" in m, "inclination", "ascending_node_longitude" and "argument_of_periapsis" in rad (the last two the
        shorter way round), of the inputs' shape. Empty where the orbit is about another
        body than the goal, and for a landing (where a touchdown is compared, not an orbit). An orbit that does not close misses the apoapsis by inf.
    """
    if body != goal.body or goal.kind not in ("orbit", "periapsis"):
        return {}
    low, high = apsides(world[body].mu, energy, h)
    found = {"periapsis_altitude": low - world[body].radius - goal.periapsis}
    if goal.kind == "orbit":
        found["apoapsis_altitude"] = high - world[body].radius - goal.apoapsis
    if not math.isnan(goal.inclination) and not np.all(np.isnan(inclination)):
        found["inclination"] = np.asarray(inclination) - goal.inclination
    for name, flown, wanted in (("ascending_node_longitude", node, goal.longitude_of_ascending_node), ("argument_of_periapsis", argument, goal.argument_of_periapsis)):
        if not math.isnan(wanted) and not np.all(np.isnan(flown)):
            found[name] = (np.asarray(flown) - wanted + np.pi) % (2 * np.pi) - np.pi
    return found


def still_needed(goal: Goal, world: World, body: str, energy, h) -> np.ndarray:
    """Least delta-v, m/s, from a flown orbit to a goal about the same body.

    Parameters are those of :func:`miss`. The apse line and the plane are left free; impulses at or above the datum radius and inside the
    sphere of influence. "periapsis": the cheapest orbit with that periapsis, whatever its apoapsis. "landed": the impulsive bound to rest
    on the equator (0 once the air takes the rest, for a landing through air with the periapsis inside it). "escape": to the edge of
    the sphere of influence. nan for a goal about another body (the plan of that leg tells) and where no orbit between the limits is flown.
    """
    energy, h = np.broadcast_arrays(np.asarray(energy, float), np.asarray(h, float))
    if body != goal.body:
        return np.full(energy.shape, np.nan)
    here = world[body]
    limits = {"radius_min": here.radius, "radius_max": here.sphere_of_influence}
    sense = np.where(h < 0, -1.0, 1.0)
    if goal.kind == "orbit":
        wanted, momentum = orbit_of_apsides(here.mu, here.radius + goal.periapsis, here.radius + goal.apoapsis)
        return least_delta_v(here.mu, energy, h, wanted, sense * momentum, **limits)
    if goal.kind == "periapsis":
        return least_to_periapsis(here, energy, h, here.radius + goal.periapsis)
    if goal.kind == "landed":
        if goal.by == "atmosphere":
            top = here.radius + here.air_top
            low, _ = apsides(here.mu, energy, h)
            return np.where(low <= top, 0.0, least_to_periapsis(here, energy, h, top))
        return least_delta_v(here.mu, energy, h, *resting(here), **limits)
    return least_to_escape(here, energy, h)


def least_to_periapsis(body: Body, energy, h, periapsis: float) -> np.ndarray:
    """Least delta-v, m/s, into any orbit about ``body`` with this periapsis radius, m, flown in the same sense.

    The energy of the orbit after is searched, at each the least delta-v is taken. Of many samples of one orbit the middle
    one is searched in full and the others near its answer.
    """
    return cheapest_with_periapsis(body, energy, h, periapsis)[0]


def cheapest_with_periapsis(body: Body, energy, h, periapsis: float, then=None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As :func:`least_to_periapsis`, and energy and angular momentum of the orbit so reached.

    ``then``, where given, is what is to be done next: (energies, angular momenta) -> delta-v, m/s; it is counted in choosing the orbit and in the first figure.
    """
    energy, h = np.broadcast_arrays(np.asarray(energy, float), np.asarray(h, float))
    shape, energy, h = energy.shape, energy.ravel(), h.ravel()
    if not energy.size:
        return np.empty(shape), np.empty(shape), np.empty(shape)
    # inverse of the new apoapsis, in periapsis radii: 1 is the circle, 0 the parabola, below 0 hyperbolas
    lowest = min(-0.5, 2 * float(np.nanmin(1 - 2 * np.maximum(energy, 0) * periapsis / body.mu)) - 1.5)
    if energy.size <= 8:
        found = _cheapest_shape(body, energy, h, periapsis, np.full(energy.shape, lowest), np.ones(energy.shape), (81, 13, 13, 13, 13, 13), then)
    else:
        middle = np.argsort(energy)[energy.size // 2]
        _, x = _cheapest_shape(
            body, energy[middle : middle + 1], h[middle : middle + 1], periapsis, np.array([lowest]), np.ones(1), (81, 13, 13, 13), then
        )
        low, high = np.full(energy.shape, max(x[0] - 0.05, lowest)), np.full(energy.shape, min(x[0] + 0.05, 1.0))
        found = _cheapest_shape(body, energy, h, periapsis, low, high, (11, 9, 9, 9), then)
    cost, x = found
    after = -body.mu * x / (periapsis * (1 + x)), np.where(h < 0, -1.0, 1.0) * np.sqrt(2 * body.mu * periapsis / (1 + x))
    return cost.reshape(shape), after[0].reshape(shape), after[1].reshape(shape)


def _cheapest_shape(body: Body, energy, h, periapsis, low, high, rounds, then=None):
    """Least delta-v over 1 / (apoapsis in periapsis radii) between ``low`` and ``high``, and where: grids, each about the best of the last."""
    sense = np.where(h < 0, -1.0, 1.0)
    _, highest = apsides(body.mu, energy, h)
    floor, ceiling = low, high
    best, best_x = np.full(energy.shape, np.inf), (low + high) / 2
    for count in rounds:
        x = low + (high - low) * np.linspace(0, 1, count)[:, None]
        if count == rounds[0]:  # that the apoapsis stays is the answer wherever one impulse there is: tried exactly
            x = np.vstack([x, np.clip(periapsis / highest, 0, 1)[None]])
        x = np.maximum(x, -0.999)
        wanted = -body.mu * x / (periapsis * (1 + x))
        momentum = sense * np.sqrt(2 * body.mu * periapsis / (1 + x))
        cost = least_delta_v(body.mu, energy, h, wanted, momentum, radius_min=body.radius, radius_max=body.sphere_of_influence)
        cost = cost if then is None else cost + then(wanted, momentum)
        cost = np.where(np.isnan(cost), np.inf, cost)
        at = (np.argmin(cost, axis=0), np.arange(energy.size))
        better = cost[at] < best
        best, best_x = np.where(better, cost[at], best), np.where(better, x[at], best_x)
        step = (high - low) / (count - 1)
        low, high = np.maximum(best_x - 1.2 * step, floor), np.minimum(best_x + 1.2 * step, ceiling)
    return np.where(np.isfinite(best), best, np.nan), best_x


def least_to_escape(body: Body, energy, h) -> np.ndarray:
    """Least delta-v, m/s, to the edge of the sphere of influence (to a parabola where there is none): along the motion at the lowest point.

    0 where the orbit leaves already. At the lowest point speed buys the most energy, and the least energy that comes to the edge is asked for.
    """
    energy, h = np.asarray(energy, float), np.asarray(h, float)
    low, high = apsides(body.mu, energy, h)
    radius = np.maximum(low, body.radius)
    edge = body.sphere_of_influence
    speed = np.sqrt(np.clip(2 * (energy + body.mu / radius), 0, None))
    wanted = np.sqrt(2 * body.mu / (radius * (1 + radius / edge)))
    return np.where(high >= edge, 0.0, np.where(high < body.radius, np.nan, np.maximum(wanted - speed, 0.0)))
