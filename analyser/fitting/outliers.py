"""Which readings of a coast don't belong: consensus, then a test of each reading and each row's clock.

The test of one reading asks how far it must be shifted for all the others to agree with it, in standard deviations of that
shift (Baarda, *A testing procedure for use in geodetic networks*, 1968): with residuals r, covariance S and ``Q = S^-1 - S^-1 J C J' S^-1``
it is ``(Q r)_i / sqrt(Q_ii)``, standard normal for a good reading however much the reading pulls the fit to itself.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.leastsquares import decompose
from analyser.fitting.linear import Linear, straighten
from analyser.fitting.observations import Observations, Whitening
from analyser.fitting.starts import best_guesses

#: A reading is set aside beyond this many standard deviations: 3 good normal readings in 100,000 are, and of rounded ones next to none.
LIMIT = 4.2
#: What a reading set aside costs in the sum that compares ways to set readings aside.
_PRICE = LIMIT**2
#: A rival explanation counts when its sum is no more than this above the best one's.
_RIVAL = 8.0
_NO_CLOCK = np.inf
_TURNS = 12
#: Fewer readings than this part agreeing are no consensus: the rows are not one coast.
_FEWEST = 0.5
#: chi2 per degree of freedom beyond which the plain fit is no place to begin taking readings out one by one.
_TORN = 100.0


@dataclass(frozen=True)
class Tests:
    """Standardised shifts of readings, shape (n, 6), and of rows' clocks, shape (n,); nan where there is none or nothing checks it.

    ``expected`` is what the other readings say a reading should be, with standard deviation ``expected_sigma``; shapes (n, 6).
    ``roots`` (n, 6, 6) and ``pulls`` (n, 3, 6) give Q: within a row roots' roots - pulls' pulls, between rows - pulls' pulls.
    """

    readings: np.ndarray
    clocks: np.ndarray
    expected: np.ndarray
    expected_sigma: np.ndarray
    roots: np.ndarray
    pulls: np.ndarray


def test_readings(observations: Observations, used: np.ndarray, epoch: float, state: np.ndarray, linear: Linear | None = None) -> Tests:
    """Test every reading, used or not, and every row's clock, against the fit of those used.

    ``linear`` is the model straightened about ``state``, where it is at hand. Where the observations carry more channels than CHANNELS, it
    must be given, and its Jacobian may be with respect to more than the state (p parameters: 3 becomes p in the shapes of :class:`Tests`).
    """
    linear = straighten(observations, epoch, state, used) if linear is None else linear
    values, jacobian, rate = linear.values, np.nan_to_num(linear.jacobian), np.nan_to_num(linear.rates)
    whitening = Whitening.of(observations, rate, used)
    miss = np.where(used, observations.values - values, 0.0)
    n = len(observations)
    roots = whitening.matrices()
    white = whitening(jacobian)
    norms = np.sqrt(np.einsum("ijk,ijk->k", white, white))
    scaling = np.where(norms > 0, norms, 1.0)
    channels, unknowns = jacobian.shape[1:]
    left, sizes, right = decompose((white / scaling).reshape(-1, unknowns))
    known = sizes > 1e-10 * sizes[0]
    left = np.where(known, left, 0.0)
    flat = whitening(miss).ravel()
    rest = (flat - left @ (left.T @ flat)).reshape(n, channels)
    pulls = np.einsum("nil,nij->nlj", left.reshape(n, channels, unknowns), roots)
    gradient = np.einsum("nij,ni->nj", roots, rest)
    own = np.maximum(np.einsum("nij,nij->nj", roots, roots) - np.einsum("nlj,nlj->nj", pulls, pulls), 0.0)
    sigma = observations.sigmas
    with np.errstate(divide="ignore", invalid="ignore"):
        checked = used & (own * sigma**2 > 1e-6)
        readings = np.where(checked, gradient / np.sqrt(own), np.nan)
        expected = np.where(checked, observations.values - gradient / own, values)
        expected_sigma = np.where(checked, np.sqrt(np.maximum(1.0 / own - sigma**2, 0.0)), np.where(used, np.inf, np.nan))
    out = observations.present & ~used
    if out.any():
        spread = (jacobian / scaling) @ np.where(known[:, None], right / np.where(known, sizes, 1.0)[:, None], 0.0).T
        clock = np.where(np.isinf(observations.met_sigma), 1e9, observations.met_sigma)[:, None] * rate
        # Where the row's other readings already tell its clock error this is a little generous.
        variance = np.einsum("ijl,ijl->ij", spread, spread) + clock**2
        readings[out] = ((observations.values - values) / np.sqrt(sigma**2 + variance))[out]
        expected_sigma[out] = np.sqrt(variance)[out]
    d = np.where(used, rate, 0.0)
    late, pulled = np.einsum("nij,nj->ni", roots, d), np.einsum("nlj,nj->nl", pulls, d)
    size = np.einsum("ni,ni->n", late, late) - np.einsum("nl,nl->n", pulled, pulled)
    whole = np.einsum("nj,nj->n", d * whitening.inverse_sigmas, d * whitening.inverse_sigmas)
    told = (used.sum(axis=1) >= 2) & np.isfinite(observations.met_sigma) & (size > 1e-6 * whole) & (whole > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        clocks = np.where(told, np.einsum("nj,nj->n", d, gradient) / np.sqrt(np.maximum(size, 0.0)), np.nan)
    return Tests(readings, clocks, expected, expected_sigma, roots, pulls)


def consensus(observations: Observations, present: np.ndarray, start: np.ndarray, epoch: float) -> tuple[np.ndarray, np.ndarray]:
    """A state that the majority of readings agrees on, and which readings do (shape (n, 6)).

    Gauss-Newton steps with weights 1 / (1 + (z / 2 s)^2)^2 (Geman and McClure), s falling from the median miss to 1, so that the far start still feels
    all readings and the end only those near.
    """
    state = np.array(start, dtype=float)
    size = np.array([state[0], np.hypot(state[1], state[2]), np.hypot(state[1], state[2])])
    scale, settled, z = None, 0, None
    for _ in range(40):
        linear = straighten(observations, epoch, state, present, turns=1)
        values, jacobian, rate = linear.values, np.nan_to_num(linear.jacobian), np.nan_to_num(linear.rates)
        clock = np.where(np.isinf(observations.met_sigma), 1e9, observations.met_sigma)[:, None] * rate
        miss = np.where(present, observations.values - values, 0.0)
        z = np.where(present, miss / np.where(present, np.hypot(observations.sigmas, clock), 1.0), 0.0)
        if not np.isfinite(z).all():
            return np.array(start, dtype=float), present
        scale = max(1.0, 1.5 * float(np.median(np.abs(z[present])))) if scale is None else max(1.0, scale / 1.8)
        weight = 1.0 / (1.0 + (z / (2.0 * scale)) ** 2) ** 2
        softened = dataclasses.replace(observations, sigmas=observations.sigmas / np.sqrt(np.maximum(weight, 1e-40)))
        whitening = Whitening.of(softened, rate, present)
        matrix = whitening(jacobian)[present] * size
        damping = 1e-8 * np.sqrt(np.einsum("ij,ij->j", matrix, matrix)) + 1e-300
        step = np.linalg.lstsq(np.vstack([matrix, np.diag(damping)]), np.append(whitening(miss)[present], np.zeros(3)), rcond=None)[0]
        step *= min(1.0, 0.3 / max(np.abs(step).max(), 1e-300))
        state = state + step * size
        state[0], state[2] = max(state[0], 0.1 * size[0]), max(state[2], 1e-3 * size[2])
        settled = settled + 1 if scale == 1.0 and np.abs(step).max() < 1e-6 else 0
        if settled:
            break
    return state, present & (np.abs(z) < LIMIT + 1.0)


@dataclass
class Screened:
    """A way to set readings aside: the observations (rows whose clock is not believed have met_sigma inf), what is used, the fit and its tests,
    and the sum that compares ways."""

    observations: Observations
    used: np.ndarray
    fit: object
    tests: Tests
    cost: float
    rivals: list[tuple[int, int]]


def snoop(observations: Observations, used: np.ndarray, state: np.ndarray, epoch: float, solve) -> Screened | None:
    """Fit, take the worst reading out or the good ones back in, until nothing changes.

    ``solve(observations, used, state)`` fits; None when too little is left to fit.
    """
    present = observations.present
    clocks = observations.met_sigma
    seen = set()
    rivals: list[tuple[int, int]] = []
    for _ in range(_TURNS + int(present.sum()) // 4):
        fit = solve(observations, used, state)
        tests = test_readings(observations, used, epoch, fit.state, fit.linear)
        state = fit.state
        size = np.abs(tests.readings)
        key = (used.tobytes(), observations.met_sigma.tobytes())
        back = present & ~used & (size < LIMIT)
        if key not in seen and back.any():
            seen.add(key)
            used = used | back
            continue
        worst = np.where(used, np.nan_to_num(size), 0.0)
        row, channel = np.unravel_index(worst.argmax(), worst.shape)
        clock = np.nan_to_num(np.abs(tests.clocks))
        if clock.max() > max(LIMIT, worst.max() + 0.5):
            seen.add(key)
            met_sigma = observations.met_sigma.copy()
            met_sigma[clock.argmax()] = _NO_CLOCK
            observations = dataclasses.replace(observations, met_sigma=met_sigma)
            continue
        if worst[row, channel] <= LIMIT or (present & ~used).sum() > 2 + (1 - _FEWEST) * present.sum():
            break  # at peace, or so many out that this is no one coast
        if fit.dof <= 1 or used.sum() <= 3:
            rivals = _rivals(tests, used, row, channel)
            break
        rivals = _rivals(tests, used, row, channel)
        if len(rivals) > 1 and fit.dof - len(rivals) < 1:
            break
        seen.add(key)
        used = used.copy()
        used[row, channel] = False
        rivals = []
    fit = solve(observations, used, state)
    dropped = int((present & ~used).sum()) + int((np.isinf(observations.met_sigma) & ~np.isinf(clocks)).sum())
    return Screened(observations, used, fit, test_readings(observations, used, epoch, fit.state, fit.linear), fit.chi2 + _PRICE * dropped, rivals)


def _rivals(tests: Tests, used: np.ndarray, row: int, channel: int) -> list[tuple[int, int]]:
    """Readings any one of which, taken out alone, would explain the misfit nearly as well as the worst one."""
    value = tests.readings
    between = -np.einsum("l,nlj->nj", tests.pulls[row, :, channel], tests.pulls)
    between[row] += tests.roots[row, :, channel] @ tests.roots[row]
    own = np.einsum("nij,nij->nj", tests.roots, tests.roots) - np.einsum("nlj,nlj->nj", tests.pulls, tests.pulls)
    with np.errstate(divide="ignore", invalid="ignore"):
        rho = between / np.sqrt(own * own[row, channel])
        left = np.abs(value[row, channel] - rho * value) / np.sqrt(np.maximum(1.0 - rho**2, 1e-12))
        close = used & (value[row, channel] ** 2 - value**2 < _RIVAL) & (left < LIMIT)
    close[row, channel] = True
    return [(int(r), int(c)) for r, c in zip(*np.nonzero(close))]


def _settled(way: Screened) -> bool:
    """Whether a way is so good that no other need be tried: few readings out, the rest at peace and well checked."""
    out = int((way.observations.present & ~way.used).sum())
    calm = way.fit.chi2 <= way.fit.dof + 4.0 * math.sqrt(2.0 * way.fit.dof)
    return calm and way.fit.dof >= 3 and not way.rivals and out <= max(1, 0.2 * way.used.sum())


def screen(observations: Observations, epoch: float, solve, start: np.ndarray | None = None) -> Screened:
    """The cheapest way to set readings aside, among those found from the plain fit and from several consensus starts."""
    present = observations.present
    plain = solve(observations, present, start)
    tests = test_readings(observations, present, epoch, plain.state, plain.linear)
    worst = np.nanmax(np.abs(tests.readings), initial=0.0)
    if max(worst, np.nanmax(np.abs(tests.clocks), initial=0.0)) <= LIMIT:
        return Screened(observations, present, plain, tests, plain.chi2, [])
    ways: list[Screened] = []
    torn = plain.chi2 > _TORN * max(plain.dof, 1)
    if not torn:
        ways.append(snoop(observations, present, plain.state, epoch, solve))
    for guess in [*best_guesses(observations, epoch, present, count=4), plain.state]:
        if any(_settled(way) for way in ways) or len(ways) > 3:
            break
        state, agreed = consensus(observations, present, guess, epoch)
        if agreed.sum() < max(3, _FEWEST * present.sum()) or any((agreed == way.used).all() for way in ways):
            continue
        try:
            ways.append(snoop(observations, agreed, state, epoch, solve))
        except (ValueError, np.linalg.LinAlgError):
            continue
    if torn and not any(_settled(way) for way in ways):
        ways.append(snoop(observations, present, plain.state, epoch, solve))
    best = min(ways, key=lambda way: way.cost)
    if best.fit.dof >= 1 or best.used.sum() == present.sum():
        return best
    # What is left agrees only because nothing checks it: no reason to believe it rather than what was taken out.
    places = [(int(row), int(channel)) for row, channel in zip(*np.nonzero(present)) if not abs(tests.readings[row, channel]) <= LIMIT]
    return Screened(observations, present, plain, tests, plain.chi2, places)
