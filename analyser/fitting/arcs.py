"""A fitted arc as the audit uses it: a state with samples of its spread, moved along its orbit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analyser.findings import Arc, BestReading, Estimate
from analyser.fitting import conic
from analyser.fitting.plane import NOT_SHOWN, Plane
from analyser.fitting.plane_figures import rotations, unknown_figures
from analyser.fitting.sampling import state_samples
from analyser.flight import Body


@dataclass(frozen=True)
class FittedArc:
    """A coast or a stay on the ground.

    ``rows`` are those of the arc, ``clocked`` those of them whose clock is believed.
    ``state`` (3,) and ``covariance`` (3, 3) are at ``epoch``: radius m, radial and transverse speed m/s. On the ground the state is
    the ground's and does not move. ``start`` and ``end`` (MET, s) are those of its first and last reading. ``plane`` is how the coast lies about its
    body, settled on its state; None where the readings don't show it.
    """

    index: int
    kind: str
    body: Body
    rows: tuple[int, ...]
    start: float
    end: float
    epoch: float
    state: np.ndarray
    covariance: np.ndarray
    clocked: tuple[int, ...] = ()
    fit: object | None = None
    estimates: dict[str, Estimate] | None = None
    remarks: tuple[str, ...] = ()
    next_reading: BestReading | None = None
    plane: Plane | None = None

    @cached_property
    def samples(self) -> np.ndarray:
        """States at the epoch, shape (K, 3), spread as the covariance says."""
        return state_samples(self.state, self.covariance, self.index)

    @cached_property
    def sampled_rotations(self) -> np.ndarray:
        """Orientations (K, 3, 3) that go with the samples of the state, where there is a plane."""
        return rotations(self.plane, self.samples, self.index)

    @property
    def energy(self) -> float:
        """J/kg."""
        return float(_energy(self.body.mu, self.state))

    @property
    def momentum(self) -> float:
        """Specific angular momentum, m^2/s."""
        return float(self.state[0] * self.state[2])

    @cached_property
    def sampled_energy(self) -> np.ndarray:
        return _energy(self.body.mu, self.samples.T)

    @cached_property
    def sampled_momentum(self) -> np.ndarray:
        return self.samples[:, 0] * self.samples[:, 2]

    def at(self, met) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius, radial and transverse speed at ``met`` (any shape)."""
        met = np.asarray(met, float)
        if self.kind == "landed":
            return tuple(np.broadcast_to(part, met.shape) for part in self.state)
        return conic.propagate(self.body.mu, *self.state, met - self.epoch)

    def sampled_radii(self, met: np.ndarray) -> np.ndarray:
        """Radius at times (n,) for every eighth sample, shape (k, n): enough to tell a spread by."""
        state = self.samples[::8].T[:, :, None]
        return conic.propagate(self.body.mu, state[0], state[1], state[2], met[None, :] - self.epoch)[0]

    def swept(self, start: float, end: float) -> float:
        """Angle swept about the body between two times on this arc, rad."""
        if self.kind == "landed":
            return self.body.rotation_rate * (end - start)
        first = self.at(start)
        return float(conic.propagate_with_angle(self.body.mu, *first, end - start)[3])

    def to_arc(self) -> Arc:
        """The public record."""
        found = self.estimates or {}
        on_ground = "on the ground"

        def get(name: str, unit: str) -> Estimate:
            return found.get(name) or Estimate.unknown(unit, on_ground if self.kind == "landed" else "the readings leave it open")

        lying = found if "inclination" in found else unknown_figures(on_ground if self.kind == "landed" else NOT_SHOWN)
        return Arc(
            body=self.body.name, kind=self.kind, start=self.start, end=self.end, rows=self.rows,
            semi_major_axis=get("semi_major_axis", "m"), eccentricity=get("eccentricity", "1"),
            periapsis_altitude=get("periapsis_altitude", "m"), apoapsis_altitude=get("apoapsis_altitude", "m"),
            periapsis_time=get("periapsis_time", "s"), period=get("period", "s"), energy=get("energy", "J/kg"),
            angular_momentum=get("angular_momentum", "m^2/s"),
            inclination=lying["inclination"], epoch=self.epoch, state=self.state, covariance=self.covariance, remarks=self.remarks, next_reading=self.next_reading,
            ascending_node_longitude=lying["ascending_node_longitude"], argument_of_periapsis=lying["argument_of_periapsis"],
            longitude_of_periapsis=lying["longitude_of_periapsis"],
            orientation=self.plane.rotation if self.plane is not None and self.plane.noded else None,
            orientation_covariance=self.plane.covariance if self.plane is not None and self.plane.noded else None,
        )  # fmt: skip


def _energy(mu: float, state) -> np.ndarray:
    return (state[1] ** 2 + state[2] ** 2) / 2 - mu / state[0]


def ground_arc(index: int, body: Body, rows: tuple[int, ...], met: np.ndarray, radius: float, radius_sigma: float) -> FittedArc:
    """A stay on the ground at a radius (m) known to ``radius_sigma``."""
    state = np.array([radius, 0.0, body.rotation_rate * radius])
    spread = radius_sigma if math.isfinite(radius_sigma) else 0.0
    covariance = np.diag([spread**2, 0.0, (body.rotation_rate * spread) ** 2])
    return FittedArc(index, "landed", body, rows, float(met[0]), float(met[-1]), float(met.mean()), state, covariance, rows)
