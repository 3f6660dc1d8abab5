"""What a fitted coast says about its orbit, as estimates with honest 95 % intervals.

The state's errors are taken as normal with the fit's covariance; intervals of what follows from it come from a fixed set of evenly
spread points of that distribution, so that they bend where the orbit's figures do (apoapsis near escape, period of a long orbit).
Near a circle that is not enough: the eccentricity of the best fit is then mostly noise, always upwards, and so are the apsides' distances from the mean.
There the interval holds those values for which an estimate such as this one would not be surprising
(inversion of the test at 2.5 % each side).
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.conic import Shape, shape
from analyser.fitting.orbit import CoastFit, fit_values
from analyser.flight import Body

_LOW, _HIGH = 0.025, 0.975
_SAMPLES = 1000
#: An apse line is told when the eccentricity is this many standard deviations from 0 ...
_TOLD = 3.0
#: ... and the test is inverted up to this many: beyond, both ways agree.
_NEAR = 8.0

UNITS = {
    "semi_major_axis": "m",
    "eccentricity": "1",
    "periapsis_altitude": "m",
    "apoapsis_altitude": "m",
    "periapsis_time": "s",
    "period": "s",
    "energy": "m^2/s^2",
    "angular_momentum": "m^2/s",
    "periapsis_speed": "m/s",
    "apoapsis_speed": "m/s",
    "excess_speed": "m/s",
}


@lru_cache(maxsize=4)
def standard_normal_points(count: int, dimensions: int = 3) -> np.ndarray:
    """Evenly spread points of the standard normal distribution, shape (count, dimensions), in pairs of opposites; always the same.

    An additive recurrence with the generalised golden ratio (Roberts 2018), through the normal's quantiles.
    """
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    level = (0.5 + np.arange(1, (count + 1) // 2 + 1)[:, None] * steps) % 1.0
    half = np.vectorize(NormalDist().inv_cdf)(level)  # the standard library's: scipy.special takes longer to import than all this to run
    points = np.concatenate([half, -half])[:count]
    points.flags.writeable = False
    return points


def root_of(covariance: np.ndarray) -> np.ndarray:
    """A matrix L with L L' = covariance, for a covariance that may be singular."""
    size = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scaling = np.where(size > 0, size, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(scaling, scaling))
    return scaling[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))


def sample_states(fit: CoastFit, count: int = _SAMPLES) -> np.ndarray:
    """States that the readings allow, shape (count, 3), spread as the fit's covariance says."""
    states = fit.state + standard_normal_points(count) @ root_of(fit.covariance).T
    # Out there only when next to nothing is known: kept within what can be.
    states[:, 0] = np.maximum(states[:, 0], 1e-3 * fit.state[0])
    states[:, 2] = np.maximum(np.abs(states[:, 2]), 1e-6 * abs(fit.state[2]))
    return states


def quantile(sample: np.ndarray, part: float) -> float:
    """Quantile of a sample that may hold infinities (no nan)."""
    ordered = np.sort(sample)
    place = part * (len(ordered) - 1)
    low, high = ordered[math.floor(place)], ordered[math.ceil(place)]
    return float(low if low == high else low + (place - math.floor(place)) * (high - low) if np.isfinite(high) else high)


def estimate(value: float, sample: np.ndarray, unit: str, reason: str = "") -> Estimate:
    """An Estimate from a value and a sample of its distribution."""
    spread = 0.5 * (quantile(sample, 0.8413447) - quantile(sample, 0.1586553))
    return Estimate(float(value), float(spread), quantile(sample, _LOW), quantile(sample, _HIGH), unit, reason)


def describe(fit: CoastFit, body: Body | None = None) -> dict[str, Estimate]:
    """Figures of a fitted coast, by the names of UNITS.

    Altitudes are above the body's datum radius, ``periapsis_time`` is the MET of the passage nearest the rows' middle (that within the rows
    where there is one). A figure that the readings don't tell has the value nan and a reason.
    """
    body = fit.body if body is None else body
    here = shape(body.mu, *fit.state)
    states = sample_states(fit)
    cloud = shape(body.mu, *states.T)
    found = _plain(body, here, cloud)
    if fit.determined:
        found |= _near_circle(fit, body, here, found)
    found["periapsis_time"] = _periapsis_time(fit, here, cloud, found["eccentricity"])
    if not fit.determined:
        found = _leave_open(fit, body, here, found)
    return found


def _plain(body: Body, here: Shape, cloud: Shape) -> dict[str, Estimate]:
    bound = here.energy < 0
    e = f"e = {here.eccentricity:.4g}"
    maybe = "may be unbound: its upper end is open" if bound and (cloud.energy >= 0).any() else ""
    found = {
        "eccentricity": estimate(here.eccentricity, cloud.eccentricity, "1"),
        "energy": estimate(here.energy, cloud.energy, UNITS["energy"]),
        "angular_momentum": estimate(here.angular_momentum, cloud.angular_momentum, UNITS["angular_momentum"]),
        "periapsis_altitude": estimate(here.periapsis_radius - body.radius, cloud.periapsis_radius - body.radius, "m"),
        "periapsis_speed": estimate(here.periapsis_speed, cloud.periapsis_speed, "m/s"),
    }
    if bound:
        # The reciprocal's order, so that orbits beyond escape lie above the longest ellipses.
        size = np.where(cloud.energy < 0, cloud.semi_major_axis, np.inf)
        found["semi_major_axis"] = estimate(here.semi_major_axis, size, "m", maybe)
        found["period"] = estimate(here.period, cloud.period, "s", maybe)
        found["apoapsis_altitude"] = estimate(here.apoapsis_radius - body.radius, cloud.apoapsis_radius - body.radius, "m", maybe)
        slow = np.where(np.isfinite(cloud.apoapsis_speed), cloud.apoapsis_speed, 0.0)
        found["apoapsis_speed"] = estimate(here.apoapsis_speed, slow, "m/s", maybe)
        found["excess_speed"] = Estimate.unknown("m/s", f"the orbit is bound ({e})")
        return found
    size = np.where(cloud.energy > 0, cloud.semi_major_axis, -np.inf)
    found["semi_major_axis"] = estimate(here.semi_major_axis, size, "m")
    for name in ("period", "apoapsis_altitude", "apoapsis_speed"):
        found[name] = Estimate.unknown(UNITS[name], f"the orbit is unbound ({e})")
    found["excess_speed"] = estimate(here.excess_speed, np.where(cloud.energy >= 0, cloud.excess_speed, 0.0), "m/s")
    return found


def _near_circle(fit: CoastFit, body: Body, here: Shape, found: dict[str, Estimate]) -> dict[str, Estimate]:
    """Eccentricity and apsides where e is not many standard deviations from 0; else nothing."""
    r, vr, vt = fit.state
    mu = body.mu
    a = float(here.semi_major_axis)
    # e cos nu = r vt^2 / mu - 1, e sin nu = r vr vt / mu, and a from the energy.
    to_shape = np.array(
        [
            [2 * (a / r) ** 2, 2 * a * a * vr / mu, 2 * a * a * vt / mu],
            [vt * vt / mu, 0.0, 2 * r * vt / mu],
            [vr * vt / mu, r * vt / mu, r * vr / mu],
        ]
    )
    covariance = to_shape @ fit.covariance @ to_shape.T
    widest = math.sqrt(max(np.linalg.eigvalsh(covariance[1:, 1:])[-1], 0.0))
    linear = widest < 0.1 and 0 < a < np.inf and covariance[0, 0] < (0.1 * a) ** 2
    if not linear or widest == 0.0 or here.eccentricity > _NEAR * widest:
        return {}
    centre = np.array([a, r * vt * vt / mu - 1.0, r * vr * vt / mu])
    noise = standard_normal_points(_SAMPLES) @ root_of(covariance).T
    result = {}
    for name, sign in (("eccentricity", 0), ("periapsis_altitude", -1), ("apoapsis_altitude", 1)):
        low, high = _invert(centre, covariance, noise, sign)
        offset = body.radius if sign else 0.0
        old = found[name]
        # Never an interval without its own estimate: e = 0.000001 by luck does not make a circle certain.
        low, high = min(low - offset, old.value), max(high - offset, old.value)
        result[name] = Estimate(old.value, old.sigma, low, high, old.unit, old.reason)
    return result


def _invert(centre: np.ndarray, covariance: np.ndarray, noise: np.ndarray, sign: int) -> tuple[float, float]:
    """Ends of the interval of a (1 + sign e), or of e with ``sign`` 0.

    For each value tried, the most likely orbit that has it stands for all that have it.
    """
    a, e = centre[0], math.hypot(centre[1], centre[2])
    spread = math.sqrt(covariance[0, 0]) * abs(sign) + math.sqrt(covariance[1, 1] + covariance[2, 2]) * (a if sign else 1.0)
    here = a * (1 + sign * e) if sign else e
    tried = here + spread * np.linspace(-4.0, 4.0, 65)
    if not sign:
        tried = np.unique(np.maximum(tried, 0.0))
    angle = np.linspace(0.0, 2 * math.pi, 73)[:-1]
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    scaling = np.sqrt(np.diag(covariance))
    weight = np.linalg.pinv(covariance / np.outer(scaling, scaling), rcond=1e-12, hermitian=True) / np.outer(scaling, scaling)
    if sign:
        # a = value / (1 + sign e), straightened at the estimate: a = base + slope e.
        slope = -sign * tried / (1 + sign * e) ** 2
        base = tried / (1 + sign * e) - slope * e
        start = np.stack([base - a, np.full_like(base, -centre[1]), np.full_like(base, -centre[2])], axis=1)[:, None, :]
        way = np.concatenate([np.broadcast_to(slope[:, None, None], (len(tried), 72, 1)), np.broadcast_to(unit, (len(tried), 72, 2))], axis=2)
        best = -np.einsum("vak,kl,vbl->va", way, weight, start) / np.einsum("vak,kl,val->va", way, weight, way)
        miss = start + np.maximum(best, 0.0)[:, :, None] * way
    else:
        weight = np.linalg.pinv(covariance[1:, 1:] / np.outer(scaling[1:], scaling[1:])) / np.outer(scaling[1:], scaling[1:])
        miss = tried[:, None, None] * unit - centre[1:]
    far = np.einsum("vak,kl,val->va", miss, weight, miss)
    chosen = miss[np.arange(len(tried)), far.argmin(axis=1)]
    if not sign:
        chosen = np.concatenate([np.zeros((len(tried), 1)), chosen], axis=1)
    orbits = centre + chosen[:, None, :] + noise
    size = np.hypot(orbits[:, :, 1], orbits[:, :, 2])
    seen = orbits[:, :, 0] * (1 + sign * size) if sign else size
    below = (seen <= here).mean(axis=1)
    return _crossing(tried, below, _HIGH, tried[0]), _crossing(tried, below, _LOW, here)


def _crossing(tried: np.ndarray, below: np.ndarray, level: float, otherwise: float) -> float:
    """Where a falling curve passes a level."""
    above = np.flatnonzero(below >= level)
    if not len(above):
        return float(otherwise)
    last = above[-1]
    if last == len(tried) - 1:
        return float(tried[-1])
    part = (below[last] - level) / max(below[last] - below[last + 1], 1e-12)
    return float(tried[last] + part * (tried[last + 1] - tried[last]))


def _periapsis_time(fit: CoastFit, here: Shape, cloud: Shape, e: Estimate) -> Estimate:
    apse = np.unwrap(np.stack([np.full_like(cloud.true_anomaly, here.true_anomaly), cloud.true_anomaly]), axis=0)[1]
    swing = np.std(apse)
    if e.value < _TOLD * e.sigma or (e.low <= 0.0) or swing > 0.6:
        return Estimate.unknown("s", f"undefined: e = {e.value:.4f} +/- {1.96 * e.sigma:.4f}")
    since = np.array(cloud.time_since_periapsis)
    bound = np.isfinite(cloud.period)
    # The same passage in all of the sample, whichever happens to be nearest in each.
    turns = np.round((since - here.time_since_periapsis) / np.where(bound, cloud.period, np.inf))
    since = since - np.where(turns != 0, turns * np.where(bound, cloud.period, 0.0), 0.0)
    passage = fit.epoch - here.time_since_periapsis
    later = 0
    if np.isfinite(here.period):
        first, last = fit.observations.met.min(), fit.observations.met.max()
        inside = [k for k in (0, -1, 1) if first <= passage + k * here.period <= last]
        later = inside[0] if inside else 0
        passage += later * here.period
    sample = fit.epoch - since + np.where(bound, later * np.where(bound, cloud.period, 0.0), 0.0)
    return estimate(passage, sample, "s")


def _leave_open(fit: CoastFit, body: Body, here: Shape, found: dict[str, Estimate]) -> dict[str, Estimate]:
    """Unknown, those figures that differ between orbits that fit equally well."""
    moved = []
    speed = math.hypot(fit.state[1], fit.state[2])
    size = np.array([fit.state[0], speed, speed])
    for direction in fit.unknown.T:
        step = direction / np.abs(direction / size).max()
        for part in (0.1, -0.1):
            start = fit.state + part * step
            start[2] = max(start[2], 0.01 * speed)
            moved.append(shape(body.mu, *fit_values(fit.observations, fit.used, start, fit.epoch, 1e-5).state))
    attributes = {
        "periapsis_altitude": "periapsis_radius",
        "apoapsis_altitude": "apoapsis_radius",
        "periapsis_time": "time_since_periapsis",
    }
    result = {}
    for name, value in found.items():
        attribute = attributes.get(name, name)
        same = all(_alike(getattr(here, attribute), getattr(other, attribute)) for other in moved)
        result[name] = value if same or not value.known else Estimate.unknown(value.unit, _missing(fit))
    return result


def _alike(one: float, other: float) -> bool:
    return bool(np.isclose(one, other, rtol=1e-5, atol=0.0, equal_nan=True))


def _missing(fit: CoastFit) -> str:
    rows, readings = int(fit.used.any(axis=1).sum()), int(fit.used.sum())
    what = f"{readings} reading{'s' if readings > 1 else ''} in {rows} row{'s' if rows > 1 else ''}"
    return f"not determined: {what} leave it open; another gauge or a later row would tell"
