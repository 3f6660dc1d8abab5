"""A coast judged: readings set aside or doubted, each with a reason and, where one simple slip explains it, with what it may have been."""

from __future__ import annotations

import dataclasses

import numpy as np

from analyser.fitting.conic import propagate, propagate_jacobian
from analyser.fitting.observations import ANGLE, CHANNELS, HORIZONTAL, SURFACE, Observations, predict
from analyser.fitting.orbit import CoastFit, Rejected, fit_values, honest, middle, widened
from analyser.fitting.outliers import LIMIT, Screened, screen, test_readings
from analyser.fitting.slips import explain, explain_clock, spell

_SAME_CLOCK = 0.05
_SUSPECT = 4.0  # cost per degree of freedom beyond which the sense of rotation is tried


def judge(observations: Observations, start: np.ndarray | None = None) -> CoastFit:
    """Fit a coast robustly; see :func:`analyser.fitting.orbit.fit_coast`."""
    epoch = middle(observations)

    def solve(observed, used, state):
        return fit_values(observed, used, state, epoch)

    way = screen(observations, epoch, solve, start)
    remarks = []
    if _over_ground(observations).any() and way.cost > _SUSPECT * max(way.fit.dof, 3):
        # Readings over the surface that don't fit may only be of an orbit that goes the other way round.
        turned = dataclasses.replace(observations, rotation_sense=-observations.rotation_sense)
        other = screen(turned, epoch, solve, start)
        if other.cost < 0.5 * way.cost:
            observations, way = turned, other
            sense = "against" if turned.rotation_sense < 0 else "with"
            remarks.append(f"the speeds over the surface fit an orbit {sense} the body's rotation")
    way = _trust_shapes(observations, way, epoch, solve)
    way, doubtful = _settle_rivals(way, epoch, solve)
    set_aside = _reasons(observations, way, epoch)
    if doubtful:
        remarks.append(
            "readings contradict each other and too few are left to tell which is wrong: "
            + ", ".join(f"{item.column} of row position {item.position}" for item in doubtful)
        )
    lost = len(set_aside)
    if lost and 2 * lost > int(observations.present.sum()):
        remarks.append("more than half of the readings were set aside: they may be several coasts, or about another body")
    fit = dataclasses.replace(way.fit, set_aside=tuple(set_aside), doubtful=tuple(doubtful), remarks=tuple(remarks))
    if doubtful and fit.dof > 0 and fit.chi2 > fit.dof:
        fit = honest(fit)
        factor = fit.chi2 / fit.dof
        return dataclasses.replace(fit, covariance=fit.covariance * factor, scale=float(np.sqrt(factor)))
    return widened(honest(fit))


def _over_ground(observations: Observations) -> np.ndarray:
    """Which readings depend on the body's rotation."""
    present = observations.present
    turned = np.zeros_like(present)
    turned[:, SURFACE] = present[:, SURFACE]
    for channel in (HORIZONTAL, ANGLE):
        turned[:, channel] = present[:, channel] & observations.over_surface
    return turned if observations.body.rotation_rate else np.zeros_like(present)


def _trust_shapes(original: Observations, way: Screened, epoch: float, solve) -> Screened:
    """Rows of which most readings are out, but which fit the orbit at another time: only their clock is wrong."""
    present = original.present
    out = present & ~way.used
    for row in np.flatnonzero((out.sum(axis=1) >= 2) & (2 * out.sum(axis=1) > present.sum(axis=1))):
        if way.used.sum() < 4 or way.fit.dof < 1:
            break
        if _other_time(way, row, epoch) is None:
            continue
        met_sigma = way.observations.met_sigma.copy()
        met_sigma[row] = np.inf
        observed = dataclasses.replace(way.observations, met_sigma=met_sigma)
        # Where no clock error explains the row near its written time, let it in at the time that it fits.
        met = observed.met.copy()
        met[row] = _other_time(way, row, epoch)
        observed = dataclasses.replace(observed, met=met)
        used = way.used.copy()
        used[row] = present[row]
        fit = solve(observed, used, way.fit.state)
        tests = test_readings(observed, used, epoch, fit.state, fit.linear)
        if np.nanmax(np.abs(tests.readings), initial=0.0) <= LIMIT:
            way = Screened(observed, used, fit, tests, fit.chi2, way.rivals)
    return way


def _other_time(way: Screened, row: int, epoch: float) -> float | None:
    """MET at which the fitted orbit gives all of a row's readings, nearest to the written one; None if it never does."""
    observed, state = way.observations, way.fit.state
    present = observed.present[row]
    if present.sum() < 2:
        return None
    mu = observed.body.mu
    first, last = observed.met.min(), observed.met.max()
    margin = 0.5 * (last - first) + 600.0
    times = np.linspace(first - margin, last + margin, 801)
    many = observed.rows(np.full(times.size, row))

    def misses(times):
        states = np.stack(propagate(mu, *state, times - epoch), axis=1)
        values, _ = predict(many.rows(slice(0, len(times))), states)
        return ((observed.values[row] - values) / observed.sigmas[row])[:, present]

    cost = np.log1p(misses(times) ** 2).sum(axis=1)
    inner = np.flatnonzero((cost[1:-1] <= cost[:-2]) & (cost[1:-1] <= cost[2:])) + 1
    found = []
    one = observed.rows([row])
    for guess in times[inner[np.argsort(cost[inner])[:6]]]:
        for _ in range(12):
            states, _, rates = propagate_jacobian(mu, state, np.array([guess - epoch]))
            values, to_values = predict(one, states)
            rate = (np.nan_to_num(to_values) @ rates[:, :, None])[0, :, 0] / observed.sigmas[row]
            miss = ((observed.values[row] - values[0]) / observed.sigmas[row])[present]
            steepness = float(rate[present] @ rate[present])
            if steepness < 1e-12:
                break
            step = float(rate[present] @ miss) / steepness
            guess += step
            if abs(step) < 1e-6:
                break
        spread = np.nan_to_num(way.tests.expected_sigma[row], posinf=1e9) / observed.sigmas[row]
        if first - margin <= guess <= last + margin:
            size = np.abs(misses(np.array([guess]))[0]) / np.hypot(1.0, np.minimum(spread[present], 3.0))
            if size.max() < LIMIT:
                found.append(guess)
    return min(found, key=lambda time: abs(time - observed.met[row])) if found else None


def _settle_rivals(way: Screened, epoch: float, solve) -> tuple[Screened, list[Rejected]]:
    """Among readings of which one is wrong, none can say which: a simple slip may. Otherwise all are doubtful."""
    if not way.rivals:
        return way, []
    slips = [(place, _slip(way, *place)) for place in way.rivals]
    # A digit more or less explains nearly anything: only slips that would be a coincidence decide.
    named = [place for place, slip in slips if slip is not None and not slip.kind.startswith(("one digit", "a digit"))]
    if len(named) == 1 and way.used.sum() > 3:
        used = way.used.copy()
        used[named[0]] = False
        fit = solve(way.observations, used, way.fit.state)
        tests = test_readings(way.observations, used, epoch, fit.state, fit.linear)
        return Screened(way.observations, used, fit, tests, fit.chi2, []), []
    doubtful = [
        _rejected(way, row, channel, f"contradicts the others by {abs(way.tests.readings[row, channel]):.0f} standard deviations, or they are wrong", slip)
        for (row, channel), slip in slips
    ]
    return way, doubtful


def _slip(way: Screened, row: int, channel: int):
    observed = way.observations
    earlier = observed.values[:row, channel]
    earlier = earlier[np.isfinite(earlier)]
    previous = float(earlier[-1]) if earlier.size else np.nan
    expected = float(way.tests.expected[row, channel])
    return explain(
        CHANNELS[channel],
        float(observed.values[row, channel]),
        float(observed.sigmas[row, channel]),
        expected,
        float(np.nan_to_num(way.tests.expected_sigma[row, channel])),
        previous,
    )


def _rejected(way: Screened, row: int, channel: int, reason: str, slip) -> Rejected:
    return Rejected(
        position=int(way.observations.positions[row]),
        column=CHANNELS[channel],
        value=float(way.observations.values[row, channel]),
        expected=float(way.tests.expected[row, channel]),
        reason=reason,
        suggestion=slip.sentence if slip is not None else "",
    )


def _reasons(original: Observations, way: Screened, epoch: float) -> list[Rejected]:
    found: list[Rejected] = []
    present = original.present
    if way.used.sum() == present.sum() and way.observations.met_sigma is original.met_sigma:
        return found
    for row in range(len(original)):
        if np.isinf(way.observations.met_sigma[row]) and not np.isinf(original.met_sigma[row]):
            found.append(_clock_reason(original, way, row, epoch))
        out = np.flatnonzero(present[row] & ~way.used[row])
        whole = len(out) > 1 and len(out) == present[row].sum()
        for channel in out:
            miss = way.tests.readings[row, channel]
            column = CHANNELS[channel]
            expected = spell(column, way.tests.expected[row, channel], way.observations.sigmas[row, channel])
            far = f"{abs(miss):.0f}" if abs(miss) < 100 else "over 100"
            reason = f"{far} standard deviations from the {expected} that the other readings ask for"
            if abs(miss) < LIMIT:  # its row is believed at no time: the clock's own doubt hides how far it is off
                reason = "its row fits the orbit at no time near the one written"
            if whole:
                reason += "; so is the rest of its row: another moment, another body, or not in this coast"
            found.append(_rejected(way, row, channel, reason, _slip(way, row, channel)))
    return found


def _clock_reason(original: Observations, way: Screened, row: int, epoch: float) -> Rejected:
    time = _other_time(way, row, epoch)
    met = float(original.met[row])
    position = int(original.positions[row])
    if time is None:
        reason = "the row's readings agree with each other and the orbit, but not at this time"
        return Rejected(position, "met", met, np.nan, reason + "; only its readings' share in the orbit's shape is used")
    sentence = explain_clock(met, time, 3.0 * float(np.nan_to_num(original.met_sigma[row])) + _SAME_CLOCK * abs(time - met))
    reason = f"the row's readings fit the orbit {abs(time - met):.0f} s {'later' if time > met else 'earlier'}; only their share in its shape is used"
    return Rejected(position, "met", met, time, reason, sentence)
