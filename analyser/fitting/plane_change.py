"""What a burn did to the plane: by how much it turned it, and what the turn cost.

Two coasts joined by a burn pass through the burn's place both, so the second plane is the first turned about the line from the centre to that place, by one
signed angle (positive: to the left of the motion, seen from above). The part of the difference of normals that is no such turn is noise, and what the angle shares with
it is taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.conic import propagate_with_angle
from analyser.fitting.plane import NOT_SHOWN

_LEVEL = 0.025


@dataclass(frozen=True)
class Turn:
    """A burn's turn of the plane.

    ``angle`` and ``samples`` (k,) are signed, rad, to the left positive; ``tilt`` and ``sampled_tilt`` the difference of inclinations, after less
    before.
    """

    angle: float
    samples: np.ndarray
    tilt: float
    sampled_tilt: np.ndarray

    @cached_property
    def sigma(self) -> float:
        """Of the angle, rad."""
        return float(np.std(self.samples))

    @property
    def significant(self) -> bool:
        """Whether the plane was turned at all, as far as the readings tell."""
        return abs(self.angle) > 3.0 * self.sigma

    @cached_property
    def square(self) -> float:
        """Best value of the squared angle, the noise's own square taken out (never below 0)."""
        return max(self.angle**2 - self.sigma**2, 0.0)

    @cached_property
    def squares(self) -> np.ndarray:
        """Samples of the squared angle: about the best value, which already has the noise in it once."""
        return np.maximum(self.samples**2 - 2 * self.sigma**2, 0.0)

    @cached_property
    def wanted_square(self) -> float:
        """Of the turn that the change of inclination alone would have needed."""
        spread = float(np.std(self.sampled_tilt))
        return min(max(self.tilt**2 - spread**2, 0.0), self.square)

    @cached_property
    def wanted_squares(self) -> np.ndarray:
        return np.minimum(np.maximum(self.sampled_tilt**2 - 2 * float(np.std(self.sampled_tilt)) ** 2, 0.0), self.squares)

    def estimate(self) -> Estimate:
        """The size of the angle, 0 to pi, with the interval of those sizes for which an angle such as this would not be surprising."""
        size, sigma = abs(float(self.angle)), max(self.sigma, 1e-12)
        low, high = folded_interval(size / sigma)
        return Estimate(size, sigma, low * sigma, min(high * sigma, math.pi), "rad")


def folded_interval(size: float) -> tuple[float, float]:
    """95 % interval of |mean| of a normal quantity of unit variance of which |value| = ``size`` was seen."""

    def below(mean: np.ndarray) -> np.ndarray:
        return ndtr(size - mean) - ndtr(-size - mean)

    tried = np.linspace(0.0, size + 4.0, 4001)
    part = below(tried)  # falls with the mean
    high = float(np.interp(-_LEVEL, -part, tried))
    low = 0.0 if part[0] < 1 - _LEVEL else float(np.interp(-(1 - _LEVEL), -part, tried))
    # nearer to nought than chance brings it: digits fell together, which is no proof that there is nothing
    return low, max(high, size, 1.96)


def turn_of(before: FittedArc, after: FittedArc, met: float, met_sigma: float, sweep: float) -> Turn | str:
    """By how much the plane was turned between two coasts about one body.

    Parameters
    ----------
    met, met_sigma : float
        Where the burn was, MET s.
    sweep : float
        Angle about the body that the burn took, rad: the place of a finite burn is only known to a part of it.

    Returns
    -------
    Turn, or why there is none.
    """
    for arc, side in ((before, "before"), (after, "after")):
        if arc.kind != "coast":
            return "the burn begins or ends on the ground: there is no plane to compare"
        if arc.plane is None:
            reason = (arc.estimates or {}).get("inclination")
            reason = reason.reason if reason is not None else NOT_SHOWN
            return reason if reason == NOT_SHOWN else f"the plane {side} the burn is not known: {reason}"
    first, second = (_frames(arc, met) for arc in (before, after))
    if not (before.plane.noded and after.plane.noded):
        second = tuple(_aligned(one, other) for one, other in zip(first, second))
    (best, many) = ((_components(one, other)) for one, other in zip(first, second))
    aside, along = many[:, 0] - best[0], many[:, 1] - best[1]
    speed = float(before.at(met)[2] / before.at(met)[0])
    place = math.hypot(speed * met_sigma, 0.1 * sweep)
    room = float(np.mean(along**2)) + (best[0] * place) ** 2
    share = float(np.mean(aside * along)) / room if room > 0 else 0.0
    angle = best[0] - share * best[1]
    samples = angle + aside - share * along
    tilts = [np.arccos(np.clip(frame[:, 2, 2], -1, 1)) for frame in (first[1], second[1])]
    tilt = [float(np.arccos(np.clip(frame[2, 2], -1, 1))) for frame in (first[0], second[0])]
    return Turn(angle, samples, tilt[1] - tilt[0], tilts[1] - tilts[0])


def _frames(arc: FittedArc, met: float) -> tuple[np.ndarray, np.ndarray]:
    """Directions up, forward and normal at a time as columns, (3, 3), and sampled, (k, 3, 3)."""
    angle = propagate_with_angle(arc.body.mu, *arc.state, met - arc.epoch)[3]
    angles = propagate_with_angle(arc.body.mu, *arc.samples.T, met - arc.epoch)[3]
    return arc.plane.rotation @ _about_normal(angle), arc.sampled_rotations @ _about_normal(angles)


def _about_normal(angle) -> np.ndarray:
    cos, sin, zero = np.cos(angle), np.sin(angle), np.zeros_like(angle)
    return np.stack([np.stack([cos, -sin, zero], -1), np.stack([sin, cos, zero], -1), np.stack([zero, zero, zero + 1], -1)], -2)


def _aligned(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The second frames turned about the spin axis so that both are on one meridian: where no node is known, the place at the burn gives it."""
    shift = np.arctan2(one[..., 1, 0], one[..., 0, 0]) - np.arctan2(other[..., 1, 0], other[..., 0, 0])
    return _about_normal(shift) @ other


def _components(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The turn about the first craft's up, and what of the normals' difference is no such turn; (..., 2), rad."""
    normal = other[..., :, 2]
    along = np.einsum("...i,...i->...", normal, one[..., :, 0])
    left = np.arctan2(-np.einsum("...i,...i->...", normal, one[..., :, 1]), np.einsum("...i,...i->...", normal, one[..., :, 2]))
    return np.stack([left, along], -1)


def with_turn(in_plane, level_before, level_after, square):
    """Size of a change of velocity, m/s, whose part in the plane is ``in_plane`` when the level speeds are also turned against each other by an angle
    (``square`` is the angle's): arrays broadcast."""
    half = np.sin(np.minimum(np.sqrt(square), math.pi) / 2)
    return np.sqrt(np.square(in_plane) + 4 * level_before * level_after * half**2)
