"""How a coast lies about its body: the orientation that its readings of places give it, and what goes with it.

Fitted by :mod:`analyser.fitting.plane_fit`; told as angles by :mod:`analyser.fitting.plane_figures`.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analyser.findings import NO_PLANE
from analyser.fitting.orbit import CoastFit, Rejected
from analyser.fitting.plane_sights import exponential

NOT_READ = "latitude and longitude were not read on this coast"
NOT_SHOWN = NO_PLANE


@dataclass(frozen=True)
class Plane:
    """How a coast lies about its body.

    Attributes
    ----------
    rotation : array (3, 3)
        Columns: up, forward and along the angular momentum at the epoch of the coast's fit, in the body's axes (not rotating, z along the spin, x through the prime
        meridian at MET 0).
    state : array (3,)
        Radius, radial and transverse speed that the rotation goes with.
    covariance : array (6, 6)
        Of state and rotation vector about the body's axes (m, m/s, rad).
    noded : bool
        Whether the node is known; otherwise the rotation's share about z is arbitrary and its covariance 0.
    remarks : tuple of str
    """

    rotation: np.ndarray
    state: np.ndarray
    covariance: np.ndarray
    noded: bool = True
    remarks: tuple[str, ...] = ()

    @cached_property
    def _regression(self) -> tuple[np.ndarray, np.ndarray]:
        """What the rotation does when the state moves, (3, 3), and a root of what remains open of it."""
        size = np.sqrt(np.maximum(np.diag(self.covariance), 1e-300))
        scaled = self.covariance / np.outer(size, size)
        slope = scaled[3:, :3] @ np.linalg.pinv(scaled[:3, :3], rcond=1e-12, hermitian=True)
        rest = scaled[3:, 3:] - slope @ scaled[:3, 3:]
        values, vectors = np.linalg.eigh((rest + rest.T) / 2)
        root = size[3:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
        return slope * size[3:, None] / size[None, :3], root

    def turned(self, states: np.ndarray) -> np.ndarray:
        """Rotation vectors (..., 3) by which the best orientation moves when the state is known to be another, (..., 3)."""
        return (np.asarray(states) - self.state) @ self._regression[0].T

    def settled(self, state: np.ndarray, covariance: np.ndarray) -> "Plane":
        """The plane once the state is known better from elsewhere (the joint estimate), to ``covariance`` (3, 3)."""
        slope, root = self._regression
        whole = np.zeros((6, 6))
        whole[:3, :3], whole[3:, :3] = covariance, slope @ covariance
        whole[:3, 3:] = whole[3:, :3].T
        whole[3:, 3:] = slope @ covariance @ slope.T + root @ root.T
        return dataclasses.replace(self, rotation=exponential(self.turned(state)) @ self.rotation, state=np.array(state), covariance=whole)

    def samples(self, states: np.ndarray, normals: np.ndarray) -> np.ndarray:
        """Orientations (k, 3, 3) that go with sampled states (k, 3); ``normals`` (k, 3) are standard normal deviates, which are made independent of the
        states' exactly, so that what the samples say of a sum of both is exact too."""
        about = states - states.mean(axis=0)
        about = about / np.maximum(about.std(axis=0), 1e-300)
        rest = normals - about @ (np.linalg.pinv(about, rcond=1e-9) @ normals)
        rest = rest - rest.mean(axis=0)
        if len(rest) > 30:
            rest = rest @ np.linalg.inv(np.linalg.cholesky(rest.T @ rest / len(rest))).T
        return exponential(self.turned(states) + rest @ self._regression[1].T) @ self.rotation


@dataclass(frozen=True)
class PlaneFit:
    """What the readings tell of a coast's plane: the fit of its shape, sharpened, the ``plane`` or None with the ``reason``, what was set aside."""

    fit: CoastFit
    plane: Plane | None
    reason: str = ""
    node_reason: str = ""
    set_aside: tuple[Rejected, ...] = ()
    remarks: tuple[str, ...] = ()
    latitude_least: float = math.nan  # rad: the inclination is at least this far from 0 and from 180 degrees
