"""The plane of a coast: how it lies about the body, from latitude, longitude and the heading of the motion, together with its shape.

The planar fit stays the core: its readings, straightened about its state, and those of the plane are solved together for six unknowns (state and a small
rotation about the body's axes), each row's clock error shared by all its values. So longitudes read against the clock sharpen the period, too. Rounding and robustness
as for the shape (:mod:`analyser.fitting.rounding`, :mod:`analyser.fitting.outliers`).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyser.fitting.leastsquares import covariance_of
from analyser.fitting.linear import Linear, straighten
from analyser.fitting.observations import Observations, Whitening
from analyser.fitting.orbit import CoastFit, Rejected
from analyser.fitting.outliers import LIMIT, test_readings
from analyser.fitting.plane import NOT_READ, Plane, PlaneFit
from analyser.fitting.plane_sights import ALL, HEADING, LATITUDE, LONGITUDE, SHAPES, exponential, model, swept, with_places, wrapped
from analyser.fitting.plane_starts import orientations
from analyser.fitting.rounding import rounded_columns, scheduled, share_weight, spread
from analyser.fitting.slips import explain

if TYPE_CHECKING:
    import pandas as pd

    from analyser.flight import Body

_TURNS = 25
_OPEN = math.radians(15.0)  # sigma of the plane beyond which it is not determined
_FEWEST = 0.6  # part of the readings of places that must agree
_TORN = 3.0  # how much more than their digits allow the readings may scatter before the plane is not believed


def fit_plane(fit: CoastFit, table: "pd.DataFrame", rows: tuple[int, ...]) -> PlaneFit:
    """The plane of a coast.

    Parameters
    ----------
    fit : CoastFit
        Of its shape, robust.
    table : DataFrame
        Readings.table.
    rows : tuple of int
        Positions of the coast's rows, with those that show nothing but places.

    Returns
    -------
    PlaneFit
        ``plane`` None where the readings don't tell it. Where longitudes are missing, or don't go with the rotation that the world gives, the
        inclination is told from the latitudes alone.
    """
    seen = with_places(fit.observations, table, rows)
    present = seen.present[:, SHAPES:]
    if not present[:, :2].any():
        return PlaneFit(fit, None, NOT_READ)
    least = float(np.nanmax(np.abs(seen.values[:, LATITUDE]), initial=0.0)) if present[:, 0].any() else math.nan
    body = fit.body
    why = _unusable_longitudes(body)
    if present[:, 1].any() and not why:
        found = _solve(fit, seen, body.rotation_rate)
        if found.plane is not None or not present[:, 0].any() or present[:, 0].sum() < 3:
            return dataclasses.replace(found, latitude_least=least)
        why = found.reason
        if not why.startswith("the readings of"):
            return dataclasses.replace(found, latitude_least=least)
    if not present[:, 0].any():
        return PlaneFit(fit, None, why or "no latitude was read on this coast", latitude_least=least)
    values = seen.values.copy()
    values[:, LONGITUDE] = np.nan
    found = _solve(fit, dataclasses.replace(seen, values=values), 0.0)
    return dataclasses.replace(found, node_reason=why or "no longitude was read on this coast", latitude_least=least)


def _unusable_longitudes(body: "Body") -> str:
    return f"the world file does not say how {body.name} turns (rotation_period), so longitudes show no node" if math.isnan(body.rotation_period) else ""


@dataclass
class _Way:
    """One orientation with the readings it uses."""

    state: np.ndarray
    rotation: np.ndarray
    used: np.ndarray
    line: Linear
    cost: float
    covariance: np.ndarray
    unknown: int


def _solve(fit: CoastFit, seen: Observations, turn: float) -> PlaneFit:
    used = seen.present.copy()
    used[: len(fit.used), :SHAPES] = fit.used
    shape = straighten(fit.observations, fit.epoch, fit.state, fit.used)
    angle, _, speed = swept(fit.body.mu, fit.state, seen.met - fit.epoch)
    noded = bool(seen.present[:, LONGITUDE].any())
    starts = orientations(seen, angle, speed, turn)
    if not starts:
        return PlaneFit(fit, None, _too_few(seen))
    weighted = _weights(seen, used, shape, fit, starts[0], turn)
    ways = []
    for start in starts:
        found = _screen(fit, weighted, used, shape, start, turn, noded)
        if found is not None:
            ways.append(found)
            if len(ways) == 1 and (found.used == used).all() and found.cost <= 12.0 * max(used[:, SHAPES:].sum(), 1) and noded:
                break
    if not ways:
        return PlaneFit(fit, None, _too_few(seen))
    way = min(ways, key=lambda item: item.cost)
    return _report(fit, seen, weighted, way, turn, noded)


def _too_few(seen: Observations) -> str:
    places = int(seen.present[:, LATITUDE].sum())
    if places == 1:
        latitude = math.degrees(abs(float(seen.values[seen.present[:, LATITUDE], LATITUDE][0])))
        return f"one reading of the place leaves the plane open (its tilt is at least {latitude:.4g} deg); a second one along the orbit would tell"
    return "the readings of latitude and longitude span too little of the orbit to tell its plane; one a quarter of a turn on would"


def _weights(seen, used, shape, fit, rotation, turn) -> Observations:
    """Observations with larger sigmas where readings repeat each other's rounding."""
    line = model(seen, shape, fit.epoch, fit.state, rotation, turn)
    return share_weight(seen, line.values, rounded_columns(seen, used))


def _gauss_newton(fit: CoastFit, seen: Observations, used, shape: Linear, rotation, turn: float, noded: bool):
    """Steps of all six unknowns from the planar fit; None where they lead nowhere."""
    if used[:, SHAPES:].sum() < 2:
        return None
    size = np.array([fit.state[0], np.hypot(fit.state[1], fit.state[2]), np.hypot(fit.state[1], fit.state[2]), 1.0, 1.0, 1.0])
    free = np.array([True] * 5 + [noded])
    shift, damping, best = np.zeros(3), 1e-6, None
    moved, turned = shift, rotation
    for _ in range(_TURNS):
        line = model(seen, shape, fit.epoch, fit.state + moved, turned, turn)
        # the shape's readings stay straightened about the planar fit
        line.values[: len(shape.values), :SHAPES] += line.jacobian[: len(shape.values), :SHAPES, :3] @ moved
        whitening = Whitening.of(seen, line.rates, used)
        miss = whitening(np.where(used, seen.values - line.values, 0.0))[used]
        cost = float(miss @ miss)
        if best is not None and not cost <= best[0] * (1 + 1e-9) + 1e-9:
            damping *= 30.0
            if damping > 1e6:
                break
        else:
            gain = math.inf if best is None else best[0] - cost
            matrix = whitening(np.where(used[:, :, None], line.jacobian, 0.0))[used] * size
            best = (cost, moved, turned, line, matrix, miss)
            damping = max(damping / 30.0, 1e-9)
            if gain < 1e-4:
                break
        cost, shift, base, line, matrix, miss = best
        matrix = matrix[:, free]
        norms = np.sqrt(np.einsum("ij,ij->j", matrix, matrix)) + 1e-300
        step = np.zeros(6)
        step[free] = np.linalg.lstsq(
            np.vstack([matrix / norms, math.sqrt(damping) * np.eye(matrix.shape[1])]), np.append(miss, np.zeros(matrix.shape[1])), rcond=1e-12
        )[0] / norms
        step[3:] *= min(1.0, 0.5 / max(float(np.linalg.norm(step[3:])), 1e-300))
        moved, turned = shift + step[:3] * size[:3], exponential(step[3:]) @ base
    cost, shift, base, line, matrix, _ = best
    covariance, unknown = covariance_of(matrix[:, free])
    whole = np.zeros((6, 6))
    whole[np.ix_(free, free)] = covariance
    return _Way(fit.state + shift, base, used, line, cost, whole * np.outer(size, size), unknown.shape[1])


def _screen(fit, seen, used, shape, start, turn, noded) -> _Way | None:
    """Fit, take the worst reading of a place out or the good ones back in, until nothing changes."""
    places = np.zeros_like(used)
    places[:, SHAPES:] = seen.present[:, SHAPES:]
    way = _gauss_newton(fit, seen, _agreeing(fit, seen, used, shape, start, turn), shape, start, turn, noded)
    tried = set()
    for _ in range(6 + int(places.sum()) // 3):
        if way is None or way.unknown:
            break
        tests = test_readings(seen, way.used, fit.epoch, way.state, way.line)
        size = np.abs(tests.readings)
        back = places & ~way.used & (size < LIMIT)
        now = way.used.tobytes()
        if back.any() and now not in tried:
            tried.add(now)
            way = _gauss_newton(fit, seen, way.used | back, shape, way.rotation, turn, noded)
            continue
        worst = np.where(way.used & places, np.nan_to_num(size), 0.0)
        if worst.max() <= LIMIT or (places & way.used).sum() <= 3:
            break
        tried.add(now)
        fewer = way.used.copy()
        fewer[np.unravel_index(worst.argmax(), worst.shape)] = False
        way = _gauss_newton(fit, seen, fewer, shape, way.rotation, turn, noded)
    if way is not None:
        way.cost += LIMIT**2 * float((places & ~way.used).sum())
    return way


def _agreeing(fit, seen, used, shape, start, turn) -> np.ndarray:
    """The readings to begin with: all of the shape's, and of the places those within reach of the start."""
    line = model(seen, shape, fit.epoch, fit.state, start, turn)
    miss = np.abs(seen.values - line.values)
    near = np.maximum(np.cos(line.values[:, LATITUDE]), 1e-3)[:, None]
    clock = np.where(np.isinf(seen.met_sigma), 0.0, seen.met_sigma)[:, None]
    reach = math.radians(1.0) / np.where(np.arange(len(ALL)) == LATITUDE, 1.0, near) + 6.0 * np.hypot(np.nan_to_num(seen.sigmas), line.rates * clock)
    close = used & ~(miss > reach)
    close[:, :SHAPES] = used[:, :SHAPES]
    return close if close[:, SHAPES:].sum() >= max(3, _FEWEST * used[:, SHAPES:].sum()) else used


def _report(fit: CoastFit, original: Observations, seen: Observations, way: _Way, turn: float, noded: bool) -> PlaneFit:
    used, places = way.used, original.present[:, SHAPES:]
    covariance = _honest(fit, original, seen, way, turn, noded)
    if way.unknown or not np.isfinite(covariance).all():
        return PlaneFit(fit, None, _too_few(original))
    normal = way.rotation[:, 2]
    lean = covariance[3:, 3:] - np.outer(normal, normal) * (normal @ covariance[3:, 3:] @ normal)
    if math.sqrt(max(float(np.linalg.eigvalsh(lean)[-1]), 0.0)) > _OPEN:
        return PlaneFit(fit, None, _too_few(original))
    tests = test_readings(seen, used, fit.epoch, way.state, way.line)
    worst = float(np.nanmax(np.abs(np.where(used[:, SHAPES:], tests.readings[:, SHAPES:], np.nan)), initial=0.0))
    kept, whole = int(used[:, SHAPES:].sum()), int(places.sum())
    surplus = kept - (3 if noded else 2)
    if worst > LIMIT or kept < _FEWEST * whole or (surplus < 1 and kept < whole):
        if not noded and kept >= 3:
            return PlaneFit(fit, None, "the latitudes don't fit one orbit: slips, or a burn that was not read")
        return PlaneFit(fit, None, "the readings of latitude and longitude don't fit one orbit: slips, a rotation_period that is not the world's, or a burn that was not read")
    own = _scatter(used, way, original)
    factor = max(fit.scale**2, own)
    if own > _TORN**2:
        return PlaneFit(fit, None, "the readings of latitude and longitude don't fit one orbit: they scatter far more than their digits allow")
    remarks = () if own <= 1 else (f"latitude and longitude scatter {math.sqrt(own):.1f} times as much as their digits allow; intervals are widened by that",)
    covariance = covariance * factor
    if not noded:
        remarks += _one_sense(used)
    better = dataclasses.replace(fit, state=way.state, covariance=covariance[:3, :3], linear=None) if surplus >= 1 else fit
    plane = Plane(way.rotation, way.state, covariance, noded, remarks)
    if better is fit:
        plane = plane.settled(fit.state, fit.covariance)
    return PlaneFit(better, plane, set_aside=tuple(_rejected(original, way, tests)), remarks=remarks)


def _one_sense(used) -> tuple[str, ...]:
    if used[:, HEADING].any():
        return ()
    return ("latitude alone does not show which way round the orbit goes: the inclination is given as if it went the way the body turns; 180 degrees less it fits as well",)


def _scatter(used, way: _Way, original: Observations) -> float:
    """chi2 per degree of freedom where it is more than chance allows, else 1."""
    dof = int(used.sum()) - 6
    line = way.line
    whitening = Whitening.of(original, line.rates, used)
    miss = whitening(np.where(used, original.values - line.values, 0.0))[used]
    if dof < 1:
        return 1.0
    factor = float(miss @ miss) / dof
    part = 2.0 / (9.0 * dof)
    # Wilson and Hilferty (1931), as in analyser.fitting.orbit.widened
    return factor if factor > 1 and (np.cbrt(factor) - 1.0 + part) / np.sqrt(part) > 3.7 else 1.0


def _honest(fit: CoastFit, original: Observations, seen: Observations, way: _Way, turn: float, noded: bool) -> np.ndarray:
    """Covariance of the estimate under the errors' own covariance: rounding that repeats itself, clocks read on schedule."""
    free = np.array([True] * 5 + [noded])
    whitening = Whitening.of(seen, way.line.rates, way.used)
    jacobian = whitening(np.where(way.used[:, :, None], way.line.jacobian, 0.0))
    weighted = way.covariance[np.ix_(free, free)]
    gain = np.einsum("pk,njk->pnj", weighted, np.einsum("nij,nik->njk", whitening.matrices(), jacobian[:, :, free]))
    columns = rounded_columns(original, way.used)
    found = np.zeros((6, 6))
    found[np.ix_(free, free)] = spread(gain, original, way.line.values, way.line.rates, way.used, columns)
    if scheduled(original):
        r, vr, vt = way.state
        along = way.rotation[:, 2] * (vt / r) - np.array([0.0, 0.0, turn])
        late = np.concatenate([[vr, vt * vt / r - fit.body.mu / r**2, -vr * vt / r], along]) * original.met_sigma[0]
        late[~free] = 0.0
        found = found + np.outer(late, late)
    found[3:5, 3:5] += _unresolved_tilt(original, way)
    return found


def _unresolved_tilt(original: Observations, way: _Way) -> np.ndarray:
    """What to add to the covariance of the first two turns where all latitudes stand within a digit of each other, rad^2.

    The rounding errors are then the tilt's own latitudes, and no number of readings averages them out: they count as two, a quarter of a turn apart.
    """
    rows = way.used[:, LATITUDE]
    if rows.sum() < 2:
        return np.zeros((2, 2))
    step = float(np.max(original.sigmas[rows, LATITUDE])) * math.sqrt(12.0)
    if np.ptp(original.values[rows, LATITUDE]) > 1.5 * step:
        return np.zeros((2, 2))
    slope = way.line.jacobian[rows, LATITUDE, 3:5] / original.sigmas[rows, LATITUDE, None]
    return np.linalg.pinv(slope.T @ slope, rcond=1e-10, hermitian=True) * max(rows.sum() / 2.0, 1.0)


def _rejected(seen: Observations, way: _Way, tests) -> list[Rejected]:
    found = []
    for row, channel in zip(*np.nonzero(seen.present & ~way.used)):
        if channel < SHAPES:
            continue
        column, value, expected = ALL[channel], float(seen.values[row, channel]), float(tests.expected[row, channel])
        doubt = float(np.nan_to_num(tests.expected_sigma[row, channel]))
        sigma = float(seen.sigmas[row, channel])
        earlier = seen.values[:row, channel]
        earlier = earlier[np.isfinite(earlier)]
        previous = float(earlier[-1]) if earlier.size else math.nan
        # the same place is 350 deg or -10 deg: whichever a slip leads to, else as the column is written
        whole = [expected] if channel == LATITUDE else [float(wrapped(expected)), float(wrapped(expected)) % (2 * math.pi)]
        written = whole[0] if np.nanmin(seen.values[:, channel]) < 0 else whole[-1]
        slip, expected = next(
            ((slip, meant) for meant in whole if (slip := explain(column, value, sigma, meant, doubt, previous)) is not None), (None, written)
        )
        far = abs(float(tests.readings[row, channel]))
        digits = min(max(0, -math.floor(math.log10(math.degrees(math.hypot(sigma, doubt) * 3.5)))), 4)
        said = f"{far:.0f}" if far < 100 else "over 100"
        reason = f"{said} standard deviations from the {math.degrees(expected):.{digits}f} deg that the other readings ask for"
        found.append(Rejected(int(seen.positions[row]), column, value, expected, reason, slip.sentence if slip is not None else ""))
    return found
