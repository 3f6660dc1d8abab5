"""Which one more reading would have told the most about a coast: which gauge, and when."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.conic import propagate_jacobian, shape
from analyser.fitting.observations import CHANNELS, from_arrays, predict
from analyser.fitting.orbit import CoastFit
from analyser.flight import Body

_TIMES = 121
#: What is unknown altogether is taken as known to this part of the state's size: enough to see what would tell it.
_VAGUE = 0.3
_NAMES = {
    "altitude": "altitude",
    "speed": "speed",
    "vertical_speed": "vertical speed",
    "horizontal_speed": "horizontal speed",
    "flight_path_angle": "flight-path angle",
    "surface_speed": "speed over the surface",
}


@dataclass(frozen=True)
class NextReading:
    """The reading that would have narrowed the apsides most.

    ``column`` of CHANNELS, ``met`` (s) when, ``sigma`` (SI) how good it is taken to be; ``before`` and ``after`` are the standard deviation of the
    apsides' distances (root mean square of both, m), inf where nothing is known.
    """

    column: str
    met: float
    sigma: float
    before: float
    after: float

    def __str__(self) -> str:
        whole = math.floor(self.met)
        clock = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        one = f"one more {_NAMES[self.column]} at T+{clock} would have told most"
        if not math.isfinite(self.before):
            return f"{one}: the apsides to +/- {1.96 * self.after / 1e3:.3g} km instead of not at all"
        return f"{one}: the apsides to +/- {1.96 * self.after / 1e3:.3g} km instead of {1.96 * self.before / 1e3:.3g} km"


def best_next_reading(
    fit: CoastFit, body: Body | None = None, gauges: dict[str, float] | None = None, window: tuple[float, float] | None = None
) -> NextReading:
    """The gauge and the moment at which one more reading would have narrowed the apsides most.

    Parameters
    ----------
    fit : CoastFit
    body : Body, optional
        The fit's own by default.
    gauges : dict of column to standard deviation (SI), optional
        Gauges that could be read; those that were, as well as they were read, by default.
    window : (first, last) MET in s, optional
        When it could be read; from the first to the last row by default, or a quarter of a turn about a single one.

    Notes
    -----
    Linear: the covariance after the reading is Kalman's update of that before it. The clock is taken to be as good as the rows' own. On an open orbit
    only the periapsis counts.
    """
    body = fit.body if body is None else body
    observed = fit.observations
    if gauges is None:
        gauges = {CHANNELS[k]: float(np.median(observed.sigmas[fit.used[:, k], k])) for k in range(6) if fit.used[:, k].any()}
    first, last = (observed.met.min(), observed.met.max()) if window is None else window
    if first == last:
        quarter = 0.5 * math.pi * fit.state[0] / math.hypot(fit.state[1], fit.state[2])
        first, last = first - quarter, last + quarter
    times = np.linspace(first, last, _TIMES)
    states, to_state, motion = propagate_jacobian(body.mu, fit.state, times - fit.epoch)
    asked = np.array([name in gauges for name in CHANNELS])
    probe = from_arrays(body, times, np.where(asked, 1.0, np.nan) * np.ones((_TIMES, 6)), 1.0, rotation_sense=observed.rotation_sense)
    _, to_values = predict(probe, states)
    gradient = to_values @ to_state
    rates = np.einsum("ijk,ik->ij", to_values, motion)
    sure = observed.met_sigma[np.isfinite(observed.met_sigma)]
    clock = float(np.median(sure)) if sure.size else 0.0
    sigma = np.array([gauges.get(name, np.inf) for name in CHANNELS])
    noise = sigma**2 + (clock * rates) ** 2

    covariance, size = np.array(fit.covariance), np.array([fit.state[0], *[math.hypot(fit.state[1], fit.state[2])] * 2])
    for direction in fit.unknown.T:
        way = direction / np.abs(direction / size).max() * _VAGUE
        covariance = covariance + np.outer(way, way)
    goal = _apsides_gradient(body, fit)
    before = float(np.trace(goal @ covariance @ goal.T))
    pull = np.einsum("ijk,kl->ijl", gradient, covariance)
    gain = (pull @ goal.T) ** 2
    with np.errstate(invalid="ignore"):
        won = gain.sum(axis=2) / (noise + np.einsum("ijl,ijl->ij", pull, gradient))
    won = np.where(asked, np.nan_to_num(won), -1.0)
    row, channel = np.unravel_index(won.argmax(), won.shape)
    count = min(len(goal), 2)
    after = math.sqrt(max(before - float(won[row, channel]), 0.0) / count)
    start = math.sqrt(before / count) if fit.determined else math.inf
    return NextReading(CHANNELS[channel], float(times[row]), float(sigma[channel]), start, after)


def _apsides_gradient(body: Body, fit: CoastFit) -> np.ndarray:
    """Derivatives of the apsides' radii with respect to the state, shape (1 or 2, 3); near a circle three rows of a and both
    components of e instead, which together have the same spread and don't jump about."""
    r, vr, vt = fit.state
    mu = body.mu
    here = shape(mu, r, vr, vt)
    e, a, h = float(here.eccentricity), float(here.semi_major_axis), r * vt
    along = np.array([vt * vt / mu, 0.0, 2 * r * vt / mu])  # of e cos nu = r vt^2 / mu - 1
    across = np.array([vr * vt / mu, r * vt / mu, r * vr / mu])  # of e sin nu
    energy = np.array([mu / r**2, vr, vt])
    size = 2 * a * a / mu * energy if np.isfinite(a) else None
    if e < 1e-3:
        return np.array([math.sqrt(2.0) * size, a * along, a * across])  # e in any direction: half of both
    to_e = ((r * vt * vt / mu - 1) * along + (r * vr * vt / mu) * across) / e
    # Periapsis h^2 / (mu (1 + e)).
    periapsis = 2 * h / (mu * (1 + e)) * np.array([vt, 0.0, r]) - here.periapsis_radius / (1 + e) * to_e
    if e >= 1 or size is None:
        return periapsis[None, :]
    return np.array([periapsis, size * (1 + e) + a * to_e])
