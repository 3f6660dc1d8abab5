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

from analyser.fitting.linear import straighten
from analyser.fitting.observations import Observations, Whitening
from analyser.fitting.starts import best_guesses

#: A reading is set aside beyond this many standard deviations: 3 good normal readings in 100,000 are, and of rounded ones next to none.
LIMIT = 4.2
#: What a reading set aside costs in the sum that compares ways to set readings aside.
_PRICE = LIMIT**2
#: A rival explanation counts when its sum is no more than this above the best one's.
_RIVAL = 8.0
_NO_CLOCK = np.inf


@dataclass(frozen=True)
class Tests:
    """Standardised shifts of readings, shape (n, 6), and of rows' clocks, shape (n,); nan where there is none or nothing checks it.

    ``expected`` is what the other readings say a reading should be, with standard deviation ``expected_sigma``. Shapes (n, 6).
    """

    readings: np.ndarray
    clocks: np.ndarray
    expected: np.ndarray
    expected_sigma: np.ndarray
    response: np.ndarray  # (m, 3) whitened rows U of used readings, for correlations between tests
    places: np.ndarray  # (m, 2) row and channel of each used reading
    inverse: np.ndarray  # (m, m) correlations of the tests of used readings


def test_readings(observations: Observations, used: np.ndarray, epoch: float, state: np.ndarray) -> Tests:
    """Test every reading, used or not, and every row's clock, against the fit of those used."""
    linear = straighten(observations, epoch, state, used)
    values, jacobian, rate = linear.values, np.nan_to_num(linear.jacobian), np.nan_to_num(linear.rates)
    whitening = Whitening.of(observations, rate, used)
    miss = np.where(used, observations.values - values, 0.0)
    n = len(observations)
    rows, channels = np.nonzero(used)
    # W maps the used residuals to whitened ones; within a row only.
    blocks = whitening(np.broadcast_to(np.eye(6), (n, 6, 6)))
    white_jacobian = whitening(jacobian)[used]
    norms = np.sqrt(np.einsum("ij,ij->j", white_jacobian, white_jacobian))
    left, sizes, right = np.linalg.svd(white_jacobian / np.where(norms > 0, norms, 1.0), full_matrices=False)
    left = left[:, sizes > 1e-10 * sizes[0]]
    white_miss = whitening(miss)[used]
    white_miss = white_miss - left @ (left.T @ white_miss)
    m = len(rows)
    root = np.where(rows[:, None] == rows[None, :], blocks[rows[:, None], channels[:, None], channels[None, :]], 0.0)
    pulled = left.T @ root
    q = root.T @ root - pulled.T @ pulled
    gradient = root.T @ white_miss
    own = np.maximum(np.diag(q), 0.0)
    sigma = observations.sigmas[rows, channels]
    checked = own * sigma**2 > 1e-6
    with np.errstate(divide="ignore", invalid="ignore"):
        test = np.where(checked, gradient / np.sqrt(own), np.nan)
        shift = np.where(checked, gradient / own, np.nan)
        shift_sigma = np.where(checked, 1.0 / np.sqrt(own), np.inf)
        correlation = q / np.sqrt(np.outer(own, own))
    readings = np.full((n, 6), np.nan)
    expected, expected_sigma = np.array(values), np.full((n, 6), np.nan)
    readings[rows, channels] = test
    expected[rows, channels] = np.where(checked, observations.values[rows, channels] - shift, values[rows, channels])
    expected_sigma[rows, channels] = np.sqrt(np.maximum(shift_sigma**2 - sigma**2, 0.0))
    out = observations.present & ~used
    if out.any():
        scaled = jacobian / np.where(norms > 0, norms, 1.0)
        spread = np.einsum("ijk,lk->ijl", scaled, right[sizes > 1e-10 * sizes[0]] / sizes[sizes > 1e-10 * sizes[0], None])
        clock = np.where(np.isinf(observations.met_sigma), 1e9, observations.met_sigma)[:, None] * rate
        # Where the row's other readings already tell its clock error this is a little generous.
        variance = np.einsum("ijl,ijl->ij", spread, spread) + clock**2
        readings[out] = ((observations.values - values) / np.sqrt(observations.sigmas**2 + variance))[out]
        expected_sigma[out] = np.sqrt(variance)[out]
    clocks = np.full(n, np.nan)
    counts = used.sum(axis=1)
    speed = np.where(used, rate, 0.0)[rows, channels]
    for row in np.flatnonzero((counts >= 2) & np.isfinite(observations.met_sigma)):
        part = rows == row
        d = np.where(part, speed, 0.0)
        size = d @ q @ d
        whole = float(np.sum((d[part] / sigma[part]) ** 2))
        if size > 1e-6 * whole and whole > 0:
            clocks[row] = d @ gradient / math.sqrt(size)
    return Tests(readings, clocks, expected, expected_sigma, left, np.stack([rows, channels], axis=1), correlation)


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
    for _ in range(2 * int(present.sum()) + 10):
        fit = solve(observations, used, state)
        tests = test_readings(observations, used, epoch, fit.state)
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
        if worst[row, channel] <= LIMIT:
            break
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
    return Screened(observations, used, fit, test_readings(observations, used, epoch, fit.state), fit.chi2 + _PRICE * dropped, rivals)


def _rivals(tests: Tests, used: np.ndarray, row: int, channel: int) -> list[tuple[int, int]]:
    """Readings any one of which, taken out alone, would explain the misfit nearly as well as the worst one."""
    places = tests.places
    value = tests.readings[places[:, 0], places[:, 1]]
    worst = int(np.flatnonzero((places[:, 0] == row) & (places[:, 1] == channel))[0])
    rho = tests.inverse[worst]
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.abs(value[worst] - rho * value) / np.sqrt(np.maximum(1.0 - rho**2, 1e-12))
    close = (value[worst] ** 2 - value**2 < _RIVAL) & (left < LIMIT)
    close[worst] = True
    return [(int(r), int(c)) for r, c in places[close & np.isfinite(value)]]


def screen(observations: Observations, epoch: float, solve, start: np.ndarray | None = None) -> Screened:
    """The cheapest way to set readings aside, among those found from the plain fit and from several consensus starts."""
    present = observations.present
    plain = solve(observations, present, start)
    tests = test_readings(observations, present, epoch, plain.state)
    worst = np.nanmax(np.abs(tests.readings), initial=0.0)
    if max(worst, np.nanmax(np.abs(tests.clocks), initial=0.0)) <= LIMIT:
        return Screened(observations, present, plain, tests, plain.chi2, [])
    ways = [snoop(observations, present, plain.state, epoch, solve)]
    starts = list(best_guesses(observations, epoch, present, count=4)) + [plain.state]
    for guess in starts:
        state, agreed = consensus(observations, present, guess, epoch)
        if agreed.sum() < 3 or any((agreed == way.used).all() for way in ways):
            continue
        try:
            ways.append(snoop(observations, agreed, state, epoch, solve))
        except (ValueError, np.linalg.LinAlgError):
            continue
    best = min(ways, key=lambda way: way.cost)
    if best.fit.dof >= 1 or best.used.sum() == present.sum():
        return best
    # What is left agrees only because nothing checks it: no reason to believe it rather than what was taken out.
    places = [(int(row), int(channel)) for row, channel in zip(*np.nonzero(present)) if not abs(tests.readings[row, channel]) <= LIMIT]
    return Screened(observations, present, plain, tests, plain.chi2, places)
