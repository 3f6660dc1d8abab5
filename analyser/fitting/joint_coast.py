"""A coast as a block of unknowns in the joint estimate: what its own readings say, in standard units."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc


@dataclass
class Coast:
    """A coast in the joint estimate: ``root`` (3, 3) turns standard units into state errors; ``propellant`` with its sigma is that of
    the whole coast, kg, or nan."""

    arc: FittedArc
    root: np.ndarray
    propellant: float = math.nan
    propellant_sigma: float = math.nan
    stage: int = -1

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 3 + math.isfinite(self.propellant)

    def state(self, u: np.ndarray) -> np.ndarray:
        """States (3, C) at the epoch for unknowns (size, C)."""
        found = self.arc.state[:, None] + self.root @ u[:3]
        floor = 1e-3 * np.abs(self.arc.state[[0, 2]])
        found[[0, 2]] = np.maximum(found[[0, 2]], floor[:, None])
        return found

    def mass_left(self, u: np.ndarray) -> np.ndarray:
        """Propellant (C,), kg."""
        return self.propellant + self.propellant_sigma * u[3]

    def at(self, u: np.ndarray, met: np.ndarray) -> np.ndarray:
        """States (3, C) at times (C,)."""
        return np.stack(conic.propagate(self.arc.body.mu, *self.state(u), met - self.arc.epoch))

    def spread_at(self, met: float) -> np.ndarray:
        """Standard deviations (3,) of the state at a time."""
        _, slope, _ = conic.propagate_jacobian(self.arc.body.mu, self.arc.state, np.array([met - self.arc.epoch]))
        return np.sqrt(np.maximum(np.einsum("jk,jk->j", slope[0] @ self.root, slope[0] @ self.root), 0.0))


__all__ = ["Coast"]
