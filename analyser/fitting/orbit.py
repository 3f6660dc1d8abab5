"""The orbit of one coast from its readings: weighted least squares in the plane, robust against slips."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np

from analyser.fitting.leastsquares import Solution, covariance_of, minimise
from analyser.fitting.linear import Linear, straighten
from analyser.fitting.observations import Observations, Whitening
from analyser.fitting.rounding import rounded_columns, scheduled, share_weight, spread
from analyser.fitting.starts import best_guesses
from analyser.flight import Body

STATE_NAMES = ("radius", "radial speed", "transverse speed")


@dataclass(frozen=True)
class Rejected:
    """A reading that the fit does not use, or doubts: ``position`` in the readings table, ``column`` of CHANNELS or "met", the value as read (SI),
    what the fit expected, why, and what it may have been."""

    position: int
    column: str
    value: float
    expected: float
    reason: str
    suggestion: str = ""


@dataclass(frozen=True)
class CoastFit:
    """A conic fitted to readings.

    Attributes
    ----------
    observations : Observations
    epoch : float
        MET of the state, s: the weighted middle of the rows.
    state : array, shape (3,)
        Radius (m), radial and transverse speed (m/s), inertial axes.
    covariance : array, shape (3, 3)
        Of the state. Where the readings leave a combination open (``unknown``), it is that of the rest.
    unknown : array, shape (3, k)
        Directions in the state that the readings don't determine at all; k = 0 normally.
    chi2, dof : float, int
        Of the readings used. The covariance is already widened where they scatter by more than their sigmas allow.
    used : array of bool, shape (n, 6)
    model : array, shape (n, 6)
        What the orbit gives for each reading, SI.
    residuals : array, shape (n, 6)
        (reading - model) / standard deviation, the clock's share included; nan where there is no reading.
    set_aside, doubtful : tuples of Rejected
    converged : bool
    scale : float
        Factor by which the sigmas were widened, >= 1.
    remarks : tuple of str
    """

    observations: Observations
    epoch: float
    state: np.ndarray
    covariance: np.ndarray
    unknown: np.ndarray
    chi2: float
    dof: int
    used: np.ndarray
    model: np.ndarray
    residuals: np.ndarray
    converged: bool
    set_aside: tuple[Rejected, ...] = ()
    doubtful: tuple[Rejected, ...] = ()
    scale: float = 1.0
    remarks: tuple[str, ...] = field(default=())
    linear: Linear | None = field(default=None, repr=False, compare=False)  # the model straightened about the state

    @property
    def body(self) -> Body:
        return self.observations.body

    @property
    def determined(self) -> bool:
        """Whether the readings tell all three components of the state."""
        return self.unknown.shape[1] == 0

    def __str__(self) -> str:
        r, vr, vt = self.state
        return (
            f"about {self.body.name} at MET {self.epoch:.1f} s: altitude {(r - self.body.radius) / 1e3:.3f} km, "
            f"vertical speed {vr:.2f} m/s, horizontal speed {vt:.2f} m/s; chi2 {self.chi2:.1f} / {self.dof}, "
            f"{int(self.used.sum())} readings used, {len(self.set_aside)} set aside"
        )


def middle(observations: Observations, used: np.ndarray | None = None) -> float:
    """MET of the rows' middle, each counting by its readings and by how well its time is known, s."""
    count = (observations.present if used is None else used).sum(axis=1).astype(float)
    count[np.isinf(observations.met_sigma)] = 0.0
    if not count.any():
        count[:] = 1.0
    return float(np.average(observations.met, weights=count))


def fit_values(
    observations: Observations,
    used: np.ndarray | None = None,
    start: np.ndarray | None = None,
    epoch: float | None = None,
    tolerance: float = 1e-2,
) -> CoastFit:
    """The conic that fits chosen readings best, none tested: the quick way, for callers that try many splits.

    Parameters
    ----------
    observations : Observations
    used : array of bool, shape (n, 6), optional
        Readings to use; all by default.
    start : array (3,), optional
        State at ``epoch`` to begin at; else the best of the guesses that the rows give.
    epoch : float, optional
        MET of the state, s; the rows' middle by default.
    tolerance : float
        Stop when the state moves by less than about this part of its standard deviation.

    Raises
    ------
    ValueError
        Without any reading to use.
    """
    used = observations.present if used is None else used & observations.present
    if not used.any():
        raise ValueError("no readings to fit")
    epoch = middle(observations, used) if epoch is None else epoch
    if start is None:
        starts = best_guesses(observations, epoch, used, count=2, rows=8)
        fits = [_solve(observations, used, guess, epoch, tolerance) for guess in starts[:1]]
        # A second try only where the first looks poor: most coasts have one valley.
        if len(starts) > 1 and fits[0][0].chi2 > 3.0 * max(used.sum(), 3):
            fits.append(_solve(observations, used, starts[1], epoch, tolerance))
        solution, linear = min(fits, key=lambda found: found[0].chi2)
    else:
        solution, linear = _solve(observations, used, np.asarray(start, dtype=float), epoch, tolerance)
    return _report(observations, used, epoch, solution, linear)


def _solve(observations, used, start, epoch, tolerance) -> tuple[Solution, Linear | None]:
    rows = used.any(axis=1)
    if not rows.all():
        observations, used = observations.rows(rows), used[rows]
    readings = np.where(used, observations.values, 0.0)
    scale = np.array([start[0], np.hypot(start[1], start[2]), np.hypot(start[1], start[2])])

    outside = np.full(int(used.sum()), np.nan), np.zeros((int(used.sum()), 3))
    # The rows' times are nuisances, eliminated at every step: the whitened residuals are those at the likeliest times, each clock's own among them.
    latest: tuple = (None, None)

    def function(x):
        nonlocal latest
        if not (x[0] > 0 and x[2] > 0):
            return outside
        linear = straighten(observations, epoch, x, used, None if latest[1] is None else latest[1].delays)
        latest = (x, linear)
        whitening = Whitening.of(observations, linear.rates, used)
        miss = np.where(used, linear.values - readings, 0.0)
        jacobian = np.where(used[:, :, None], linear.jacobian, 0.0)
        both = whitening(np.concatenate([miss[:, :, None], jacobian], axis=2))[used]
        return both[:, 0], both[:, 1:]

    solution = minimise(function, start, scale=scale, tolerance=1e-12, enough=tolerance**2, iterations=40)
    # The last step tried is nearly always the one taken: its model serves on.
    return solution, latest[1] if latest[0] is solution.x and rows.all() else None


def _report(observations, used, epoch, solution, linear) -> CoastFit:
    if linear is None:
        linear = straighten(observations, epoch, solution.x, used)
    values = linear.values
    residuals = _standardised(observations, values, linear.rates)
    covariance = solution.covariance
    if solution.unknown.shape[1]:
        covariance = np.nan_to_num(_inverse_within(solution.jacobian))
    return CoastFit(
        observations=observations,
        epoch=epoch,
        state=solution.x,
        covariance=covariance,
        unknown=solution.unknown,
        chi2=solution.chi2,
        dof=solution.dof,
        used=used,
        model=values,
        residuals=residuals,
        converged=solution.converged,
        linear=linear,
    )


def _standardised(observations, values, rate):
    with np.errstate(invalid="ignore"):
        clock = np.where(observations.met_sigma[:, None] > 0, observations.met_sigma[:, None] * np.abs(rate), 0.0)
        return (observations.values - values) / np.hypot(observations.sigmas, clock)


def _inverse_within(jacobian):
    """(J^T J)^-1 among the combinations that J determines, columns scaled so that metres and m/s compare."""
    norms = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
    scaling = np.where(norms > 0, norms, 1.0)
    return np.linalg.pinv((jacobian / scaling).T @ (jacobian / scaling), rcond=1e-14, hermitian=True) / np.outer(scaling, scaling)


def fit_coast(observations: Observations, *, start: np.ndarray | None = None, robust: bool = True) -> CoastFit:
    """The orbit of a coast, readings that don't belong to it set aside with reasons.

    Parameters
    ----------
    observations : Observations
        Rows of one coast about one body, ordered by time.
    start : array (3,), optional
        State at the rows' middle to begin at.
    robust : bool
        Whether to look for slips; otherwise all readings are used as they stand.

    Notes
    -----
    A reading is set aside when the others contradict it by more than 4.2 standard deviations. Where too few are left to tell
    which of several is wrong, all stay in, are given as ``doubtful``, and the covariance is widened to what the misfit asks.
    """
    from analyser.fitting.verdicts import judge  # it builds on this module

    if not robust:
        return widened(honest(fit_values(observations, start=start)))
    return judge(observations, start)


def honest(fit: CoastFit) -> CoastFit:
    """The fit with what rounding does taken into account: readings that repeat each other's error share their weight, and the
    covariance is that of the estimate under the errors' own covariance (:mod:`analyser.fitting.rounding`)."""
    if not fit.determined or fit.used.sum() < 2:
        return fit
    original = fit.observations
    columns = rounded_columns(original, fit.used)
    shared = share_weight(original, fit.model, columns)
    if not columns and not scheduled(original):
        return fit
    linear = straighten(original, fit.epoch, fit.state, fit.used) if fit.linear is None else fit.linear
    whitening = Whitening.of(shared, linear.rates, fit.used)
    jacobian = whitening(np.where(fit.used[:, :, None], linear.jacobian, 0.0))
    miss = whitening(np.where(fit.used, original.values - linear.values, 0.0))
    weighted, unknown = covariance_of(jacobian.reshape(-1, 3))
    if unknown.shape[1]:
        return fit
    # The new weights move the state within its errors: one step does.
    moved = weighted @ np.einsum("nik,ni->k", jacobian, miss)
    values = linear.values + linear.jacobian @ moved
    gain = np.einsum("pk,njk->pnj", weighted, np.einsum("nij,nik->njk", whitening.matrices(), jacobian))
    covariance = spread(gain, original, values, linear.rates, fit.used, columns)
    if scheduled(original):
        r, vr, vt = fit.state
        late = np.array([vr, vt * vt / r - fit.body.mu / r**2, -vr * vt / r]) * original.met_sigma[0]
        covariance = covariance + np.outer(late, late)
    return dataclasses.replace(
        fit, state=fit.state + moved, covariance=covariance, model=values, residuals=_standardised(original, values, linear.rates), linear=None
    )


def widened(fit: CoastFit) -> CoastFit:
    """The fit with its covariance multiplied by chi2 / dof where the readings scatter more than their sigmas can mean."""
    if fit.dof < 1 or fit.chi2 <= fit.dof:
        return fit
    factor = fit.chi2 / fit.dof
    # Wilson and Hilferty (1931): the cube root of chi2 / dof is nearly normal.
    part = 2.0 / (9.0 * fit.dof)
    if (np.cbrt(factor) - 1.0 + part) / np.sqrt(part) < 3.7:  # 1 in 10,000
        return fit
    remark = f"the readings scatter {np.sqrt(factor):.1f} times as much as their digits allow; intervals are widened by that"
    return dataclasses.replace(fit, covariance=fit.covariance * factor, scale=float(np.sqrt(factor)), remarks=(*fit.remarks, remark))
