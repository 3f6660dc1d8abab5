"""One burn as the tie between the coasts before and after it: the residuals of the joint estimate.

Position and velocity at cutoff, flown from the coast before through the burn, are those of the coast after. What the propellant gauge, the throttle,
the rows' order and the readings taken under thrust say of the burn are residuals beside that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analyser.fitting import conic
from analyser.fitting.arcs import FittedArc
from analyser.fitting.finite_arcs import fly_burn
from analyser.fitting.observations import Observations, Whitening, predict

#: Unknowns of a burn: middle (MET, s), length (s), delta-v spent (m/s), thrust's angle from the velocity (rad) and its rate (rad/s).
MIDDLE, LENGTH, SPENT, ANGLE, RATE = range(5)
BURN_UNKNOWNS = 5
#: And of a burn that turns the plane, too: the thrust's angle out of the plane (rad) and its rate (rad/s), both it and ANGLE from the tie's ``aim``.
YAW, YAW_RATE = 5, 6
THROTTLE_DRIFT = 0.02  # how much a throttle read now and then may have moved
PROFILE = 0.002  # part of delta-v times length by which an uneven thrust displaces the craft


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


@dataclass
class BurnTie:
    """The residuals of one burn between two coasts.

    Unknowns z: those of the coast before, the burn's five in units of ``unit`` about ``centre``, those of the coast after.
    """

    before: Coast
    after: Coast
    centre: np.ndarray
    unit: np.ndarray
    ignition: tuple[float, float]  # mean and sigma by the rows' order
    cutoff: tuple[float, float]
    bounds: tuple[float, float, float, float]
    turning: float  # how quickly the thrust may turn from the velocity, rad/s
    exhaust: float = math.nan
    flow: float = math.nan  # at full throttle, kg/s
    throttle: tuple[float, float] = (math.nan, math.nan)
    profile: float = PROFILE  # part of delta-v times length by which the course of the acceleration may displace the craft
    masses: tuple[float, float] = (math.nan, math.nan)  # of the craft without the firing stage's propellant; the same twice
    dropped: tuple[float, float] = (math.nan, math.nan)  # delta-v and sigma by propellant through a staging
    gauge: list[tuple[float, float, float]] = field(default_factory=list)  # propellant under thrust: MET, kg, sigma
    pitches: list[tuple[float, float, float]] = field(default_factory=list)  # thrust's elevation as the nose shows it: MET, its sine, sigma of that
    readings: Observations | None = None
    used: np.ndarray | None = None
    slop: np.ndarray = field(default_factory=lambda: np.ones(3))
    unknowns: int = BURN_UNKNOWNS
    begin: np.ndarray = field(default_factory=lambda: np.zeros(BURN_UNKNOWNS))  # where the solution starts from
    turn: tuple[float, float] | None = None  # angle and sigma by which the planes of the two coasts differ, rad, where the burn turned them
    aim: tuple[float, float] = (0.0, 0.0)  # in the plane and out of it, rad
    half_sweep: float = 0.0  # angle that the coast before sweeps from ignition to mid-burn, rad
    swing: float = 0.0  # how quickly the thrust may turn from the plane, rad/s

    @property
    def linked(self) -> bool:
        """Whether propellant on both sides ties the coasts' masses."""
        return self.before.size == 4 and self.after.size == 4 and self.before.stage == self.after.stage and math.isfinite(self.masses[0])

    def burn(self, b: np.ndarray) -> np.ndarray:
        """Unknowns in units to the burn's own, shape (5, C), or (7, C) where it turns the plane."""
        found = self.centre[:, None] + self.unit[:, None] * b
        found[LENGTH] = np.maximum(found[LENGTH], 0.05)
        found[SPENT] = np.maximum(found[SPENT], 1e-3)
        return found

    def set_slop(self, burn: np.ndarray, rate_sigma: float, yaw_sigma: float = 0.0) -> None:
        """How far the burn's picture may be off at cutoff: uneven thrust, a steering that the readings leave open (to second order), and a small
        part of what the coasts leave open anyway, which keeps the equations well conditioned."""
        spent, length = float(burn[SPENT]), float(burn[LENGTH])
        cutoff = float(burn[MIDDLE]) + length / 2
        floor = 0.01 * np.minimum(self.before.spread_at(cutoff), self.after.spread_at(cutoff))
        turn = length * rate_sigma
        speed = math.hypot(1e-5 * spent, spent * turn**2 / 24, spent * yaw_sigma**2 / 2)
        # displaced by an uneven acceleration: as much as the part of the mass that is burnt makes it uneven, where the exhaust is only guessed
        uneven = self.profile * (1.0 if self.profile == PROFILE else min(spent / self.exhaust, 1.0)) + PROFILE
        place = spent * length * math.hypot(uneven, turn**2 / 24)
        self.slop = np.sqrt(np.array([place, speed, speed]) ** 2 + floor**2 + 1e-12)

    def residuals(self, z: np.ndarray, whiten: Whitening | None = None) -> np.ndarray:
        """Residuals (n, C) in standard deviations for unknowns (nz, C), the coasts' own left out."""
        first, last = self.before.size, z.shape[0] - self.after.size
        a, b, c = z[:first], z[first:last], z[last:]
        burn = self.burn(b)
        start, end = burn[MIDDLE] - burn[LENGTH] / 2, burn[MIDDLE] + burn[LENGTH] / 2
        mu = self.before.arc.body.mu
        mets = [*(self.readings.met if self.readings is not None else ()), *(met for met, _, _ in self.pitches)]
        flown, along = fly_burn(mu, self.before.at(a, start), start, end, burn[SPENT], burn[ANGLE], burn[RATE], self.exhaust, mets, *burn[YAW:], aim=self.aim)
        parts = [(self.after.at(c, end) - flown[:3]) / self.slop[:, None]]
        if self.turn is not None:
            # turned as the planes are compared: about the craft's place on the coast before at mid-burn
            forward = -np.sin(self.half_sweep) * flown[3] + np.cos(self.half_sweep) * flown[4]
            parts.append(np.stack([(np.arctan2(-forward, flown[5]) - self.turn[0]) / self.turn[1], burn[YAW_RATE] / self.swing]))
        # weak ones first: they only keep an open combination from running away
        parts.append(b[[SPENT, ANGLE]] * 0.01)
        parts.append(np.stack([(start - self.ignition[0]) / self.ignition[1], (end - self.cutoff[0]) / self.cutoff[1], burn[RATE] / self.turning]))
        if self.linked:
            q0, q1 = self.before.mass_left(a), self.after.mass_left(c)
            rocket = self.exhaust * np.log(np.maximum(self.masses[0] + q0, 1e-6) / np.maximum(self.masses[0] + q1, 1e-6))
            parts.append(((burn[SPENT] - rocket) / self._rocket_slop())[None])
            if math.isfinite(self.throttle[0]) and math.isfinite(self.flow):
                parts.append((((q0 - q1) / (self.flow * burn[LENGTH]) - self.throttle[0]) / self.throttle[1])[None])
            for met, value, sigma in self.gauge:
                part = np.clip((met - start) / burn[LENGTH], 0.0, 1.0)
                parts.append(((q0 + (q1 - q0) * part - value) / sigma)[None])
        elif math.isfinite(self.dropped[0]):
            parts.append(((burn[SPENT] - self.dropped[0]) / self.dropped[1])[None])
        if self.pitches:
            parts.append(self._elevation(along[:, len(mets) - len(self.pitches) :], burn))
        if self.readings is not None:
            parts.append(self._motion(along[:, : len(self.readings.met)], whiten))
        return np.concatenate(parts)

    def _elevation(self, along: np.ndarray, burn: np.ndarray) -> np.ndarray:
        """The thrust's height above the horizon against what the nose showed; sines, so that straight up is no edge."""
        met, seen, sigma = np.array(self.pitches).T[:, :, None]
        since = met - burn[MIDDLE]
        turn = burn[ANGLE] + burn[RATE] * since
        if self.turn is not None:
            out = burn[YAW] + burn[YAW_RATE] * since
            (cos_in, cos_out), (sin_in, sin_out) = np.cos(self.aim), np.sin(self.aim)
            size = np.sqrt(1.0 + turn * turn + out * out)
            level = (cos_out - out * sin_out) / size
            ahead, above = level * cos_in - turn / size * sin_in, level * sin_in + turn / size * cos_in
        else:
            ahead, above = np.cos(turn), np.sin(turn)
        return ((ahead * along[1] + above * along[2]) / np.hypot(along[1], along[2]) - seen) / sigma

    def _rocket_slop(self) -> float:
        mass = self.masses[0] + self.after.propellant
        return math.hypot(1e-8 * float(self.centre[SPENT]), 0.005 * self.exhaust * self.before.propellant_sigma / mass)

    def _motion(self, along: np.ndarray, whiten: Whitening) -> np.ndarray:
        seen = self.readings
        found = []
        for column in range(along.shape[2]):
            values, _ = predict(seen, along[:, :, column].T)
            found.append(whiten(np.where(self.used, values - np.where(self.used, seen.values, 0.0), 0.0))[self.used])
        return np.stack(found, axis=1)

    def whitening(self, z: np.ndarray) -> Whitening | None:
        """Of the readings under thrust, at unknowns (nz,)."""
        if self.readings is None:
            return None
        seen, first = self.readings, self.before.size
        burn = self.burn(z[first : first + self.unknowns, None])
        start, end = burn[MIDDLE] - burn[LENGTH] / 2, burn[MIDDLE] + burn[LENGTH] / 2
        half = 0.25
        times = np.concatenate([seen.met - half, seen.met + half])
        _, along = fly_burn(
            self.before.arc.body.mu, self.before.at(z[:first, None], start), start, end, burn[SPENT], burn[ANGLE], burn[RATE], self.exhaust, times, *burn[YAW:], aim=self.aim)  # fmt: skip
        low, high = (predict(seen, part.T)[0] for part in np.split(along[:, :, 0], 2, axis=1))
        return Whitening.of(seen, np.nan_to_num((high - low) / (2 * half)), self.used)

    @property
    def surplus(self) -> int:
        """Degrees of freedom: residuals that can disagree, less the burn's own unknowns."""
        count = 3 + 3 + int(self.readings is not None and self.used.sum())
        if self.linked:
            count += 1 + bool(math.isfinite(self.throttle[0]) and math.isfinite(self.flow)) + len(self.gauge)
        elif math.isfinite(self.dropped[0]):
            count += 1
        return count + 2 * (self.turn is not None) + len(self.pitches) - self.unknowns
