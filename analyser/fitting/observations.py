"""Readings of a coast as arrays, what a motion predicts for them, and the weights that the measurement model gives them.

All gauges of a row were read at one instant, which its clock gives only to ``met_sigma``: that one time error is shared by the row's
values, whose covariance is ``D + s_t^2 d d'`` with D the gauges' own variances and d the values' rates.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analyser.flight import Body

if TYPE_CHECKING:
    import pandas as pd

#: Columns of a readings table that planar two-body motion predicts, in the order of the arrays' last axis.
CHANNELS: tuple[str, ...] = (
    "altitude",
    "speed",
    "vertical_speed",
    "horizontal_speed",
    "flight_path_angle",
    "surface_speed",
)
ALTITUDE, SPEED, VERTICAL, HORIZONTAL, ANGLE, SURFACE = range(6)
_STILL = 1e-12  # m/s: a craft at rest has no direction to differentiate


@dataclass(frozen=True)
class Observations:
    """n moments of readings about one body.

    Attributes
    ----------
    body : Body
    positions : array of int, shape (n,)
        Rows' positions in the readings table.
    met, met_sigma : arrays, shape (n,)
        Clock and its standard deviation, s; 0 where the clock is exact, inf where a row's time is not to be trusted (its values then only bear
        on the orbit's shape).
    values, sigmas : arrays, shape (n, 6)
        By CHANNELS, SI; nan where there is no reading.
    over_surface : array of bool, shape (n,)
        Whether the row's horizontal speed and flight-path angle are over the rotating surface (as the speed given beside them) and not in inertial axes.
    rotation_sense : float
        +1: the orbit turns as the body does (and lies in its equator), -1: against it.
    """

    body: Body
    positions: np.ndarray
    met: np.ndarray
    met_sigma: np.ndarray
    values: np.ndarray
    sigmas: np.ndarray
    over_surface: np.ndarray
    rotation_sense: float = 1.0

    def __len__(self) -> int:
        return len(self.met)

    @cached_property
    def present(self) -> np.ndarray:
        """Which values are there, shape (n, 6)."""
        return np.isfinite(self.values)

    @cached_property
    def timed(self) -> bool:
        """Whether any row's clock is less than exact."""
        return bool(self.met_sigma.any())

    def rows(self, chosen) -> "Observations":
        """A part of the rows (slice, indices or mask)."""
        picked = {
            name: getattr(self, name)[chosen] for name in ("positions", "met", "met_sigma", "values", "sigmas", "over_surface")
        }
        return dataclasses.replace(self, **picked)


def observe(table: "pd.DataFrame", body: Body, positions=None, rotation_sense: float = 1.0) -> Observations:
    """The rows of a readings table (:class:`analyser.flight.Readings`) that a coast about ``body`` may explain.

    Parameters
    ----------
    table : DataFrame
        As ``Readings.table``.
    body : Body
    positions : sequence of int, optional
        Positions of the rows; all of them by default. Rows with no clock or none of CHANNELS are left out.
    rotation_sense : float
        +1 or -1, see :class:`Observations`.
    """
    places = np.arange(len(table)) if positions is None else np.asarray(positions, dtype=int)

    def column(name: str) -> np.ndarray:
        if name not in table.columns:
            return np.full(len(places), np.nan)
        return table[name].to_numpy(dtype=float, na_value=np.nan)[places]

    values = np.stack([column(name) for name in CHANNELS], axis=1)
    sigmas = np.stack([column(f"{name}_sigma") for name in CHANNELS], axis=1)
    return from_arrays(body, column("met"), values, sigmas, column("met_sigma"), places, rotation_sense)


def from_arrays(body: Body, met, values, sigmas, met_sigma=0.0, positions=None, rotation_sense: float = 1.0) -> Observations:
    """Observations from arrays: ``met`` (n,) s, ``values`` and ``sigmas`` (n, 6) by CHANNELS, SI.

    A value whose standard deviation is missing or not positive is given 1 % of itself: a guess that lets it count a little.
    """
    met = np.asarray(met, dtype=float)
    values = np.array(values, dtype=float)
    sigmas = np.array(np.broadcast_to(sigmas, values.shape), dtype=float)
    met_sigma = np.nan_to_num(np.broadcast_to(np.asarray(met_sigma, dtype=float), met.shape), nan=0.0, posinf=np.inf)
    values[~np.isfinite(values)] = np.nan
    unsure = np.isfinite(values) & ~((sigmas > 0) & np.isfinite(sigmas))
    sigmas[unsure] = np.maximum(0.01 * np.abs(values[unsure]), 1e-3)
    sigmas[np.isnan(values)] = np.nan
    places = np.arange(len(met)) if positions is None else np.asarray(positions, dtype=int)
    given, surface = np.isfinite(values[:, SPEED]), np.isfinite(values[:, SURFACE])
    # A horizontal speed belongs to the frame of the speed beside it; alone it follows what the table's other rows show.
    alone = ~given & ~surface
    over = np.where(alone, bool(surface.any() and not given.any()), surface & ~given)
    keep = np.isfinite(met) & np.isfinite(values).any(axis=1)
    return Observations(
        body, places[keep], met[keep], met_sigma[keep], values[keep], sigmas[keep], over[keep], float(rotation_sense)
    )


def predict(observations: Observations, states: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values that states give, and their derivatives.

    Parameters
    ----------
    states : array, shape (n, 3)
        Radius, radial and transverse speed at each row's time.

    Returns
    -------
    values : array, shape (n, 6)
        For every channel, whether read or not.
    jacobian : array, shape (n, 6, 3)
        With respect to the states.
    """
    r, vr, vt = states.T
    body = observations.body
    turn = observations.rotation_sense * body.rotation_rate
    values = np.empty((len(r), 6))
    jacobian = np.zeros((len(r), 6, 3))
    values[:, ALTITUDE] = r - body.radius
    jacobian[:, ALTITUDE, 0] = 1.0
    v = np.maximum(np.hypot(vr, vt), _STILL)
    values[:, SPEED] = v
    jacobian[:, SPEED, 1], jacobian[:, SPEED, 2] = vr / v, vt / v
    values[:, VERTICAL] = vr
    jacobian[:, VERTICAL, 1] = 1.0
    present = observations.present
    if not present[:, HORIZONTAL:].any():
        values[:, HORIZONTAL:] = np.nan
        return values, jacobian
    over_ground = vt - turn * r
    across = np.where(observations.over_surface, over_ground, vt)
    slip = np.where(observations.over_surface, -turn, 0.0)
    values[:, HORIZONTAL] = np.abs(across)
    jacobian[:, HORIZONTAL, 0], jacobian[:, HORIZONTAL, 2] = np.sign(across) * slip, np.sign(across)
    square = np.maximum(vr * vr + across * across, _STILL**2)
    values[:, ANGLE] = np.arctan2(vr, np.abs(across))
    to_across = -vr / square * np.sign(across)
    jacobian[:, ANGLE, 0], jacobian[:, ANGLE, 1] = to_across * slip, np.abs(across) / square
    jacobian[:, ANGLE, 2] = to_across
    w = np.maximum(np.hypot(vr, over_ground), _STILL)
    values[:, SURFACE] = w
    jacobian[:, SURFACE, 0], jacobian[:, SURFACE, 1] = -turn * over_ground / w, vr / w
    jacobian[:, SURFACE, 2] = over_ground / w
    return values, jacobian


@dataclass(frozen=True)
class Whitening:
    """Takes residuals of chosen values to unit variance and no correlation.

    ``D + s_t^2 d d'`` has the inverse root ``(I - k e e') D^-1/2`` with ``e = s_t D^-1/2 d`` and
    ``k = (1 - 1 / sqrt(1 + |e|^2)) / |e|^2``: no matrix is factored.
    """

    inverse_sigmas: np.ndarray  # (n, 6); 0 where a value is not used
    shared: np.ndarray  # e, (n, 6)
    factor: np.ndarray  # k, (n, 1)
    exact: bool = False  # no clock errors: nothing is shared

    @classmethod
    def of(cls, observations: Observations, rates: np.ndarray, used: np.ndarray) -> "Whitening":
        """From the values' rates, shape (n, 6), and which of them are used."""
        inverse = np.where(used, 1.0 / np.where(used, observations.sigmas, 1.0), 0.0)
        if not observations.timed:
            return cls(inverse, np.zeros_like(inverse), np.zeros((len(inverse), 1)), True)
        clock = observations.met_sigma[:, None]
        with np.errstate(invalid="ignore"):
            shared = np.where(used & (clock > 0), np.where(np.isinf(clock), 1e9, clock) * inverse * np.where(used, rates, 0.0), 0.0)
        square = np.einsum("ij,ij->i", shared, shared)[:, None]
        # k in a form that keeps its digits when the clock matters little.
        root = np.sqrt(1.0 + square)
        return cls(inverse, shared, 1.0 / (root * (1.0 + root)))

    def matrices(self) -> np.ndarray:
        """The whitening of each row as a matrix, shape (n, 6, 6): whitened values by readings."""
        outer = self.factor[:, :, None] * self.shared[:, :, None] * self.shared[:, None, :]
        return (np.eye(outer.shape[2]) - outer) * self.inverse_sigmas[:, None, :]

    def __call__(self, array: np.ndarray) -> np.ndarray:
        """Whiten (n, 6) or (n, 6, p)."""
        flat = array.ndim == 2
        if self.exact:
            return array * (self.inverse_sigmas if flat else self.inverse_sigmas[:, :, None])
        z = array[:, :, None] * self.inverse_sigmas[:, :, None] if flat else array * self.inverse_sigmas[:, :, None]
        along = np.einsum("ij,ijk->ik", self.shared, z)
        z = z - (self.factor * along)[:, None, :] * self.shared[:, :, None]
        return z[:, :, 0] if flat else z
