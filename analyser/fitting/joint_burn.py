"""One burn as the tie between the coasts before and after it: the residuals of the joint estimate.

Position and velocity at cutoff, flown from the coast before through the burn, are those of the coast after. What the propellant gauge, the throttle,
the rows' order and the readings taken under thrust say of the burn are residuals beside that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from analyser.fitting.finite_arcs import fly_burn
from analyser.fitting.joint_coast import Coast
from analyser.fitting.joint_manner import OPEN, Manner
from analyser.fitting.observations import SPEED, VERTICAL, Observations, Whitening, predict

#: Unknowns of a burn: middle (MET, s), length (s), delta-v spent (m/s), thrust's angle from the velocity (rad) and its rate (rad/s).
MIDDLE, LENGTH, SPENT, ANGLE, RATE = range(5)
BURN_UNKNOWNS = 5
#: And of a burn that turns the plane, too: the thrust's angle out of the plane (rad) and its rate (rad/s), both it and ANGLE from the tie's ``aim``.
YAW, YAW_RATE = 5, 6
# what holds exactly, in parts of what the readings beside it leave open: small enough not to count, large enough to reckon with
_FLOOR = 2e-3
_EXACT = 5e-4
_HALF = 0.25  # s, for rates


@dataclass(frozen=True)
class Clocked:
    """Readings under thrust at the times at which they were taken, as far as known: those (n,), by how much that moves their values (n, 7), and what weighs the rest."""

    met: np.ndarray
    carried: np.ndarray
    whiten: Whitening


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
    throttle: tuple[float, float] = (math.nan, math.nan)  # as read, and the sigma of its digits
    throttles: list[float] = field(default_factory=list)  # each as read
    profile: float = 0.0  # part of delta-v times length by which an acceleration of guessed course may displace the craft
    manner: Manner = OPEN
    masses: tuple[float, float] = (math.nan, math.nan)  # of the craft without the firing stage's propellant; the same twice
    dropped: tuple[float, float] = (math.nan, math.nan)  # delta-v and sigma by propellant through a staging
    pitches: list[tuple[float, float, float]] = field(default_factory=list)  # pitch of the thrust as the nose shows it: MET, rad, sigma
    readings: Observations | None = None  # n rows under thrust
    left: np.ndarray = field(default_factory=lambda: np.empty((3, 0)))  # propellant read in them, kg (nan where not), its sigma, and what the burn had used by then: (3, n)
    late: np.ndarray | None = None  # how late each was read by its clock, as reckoned last, s
    used: np.ndarray | None = None  # which of their values count, by CHANNELS and then propellant, (n, 7)
    extent: tuple[float, float] = (1.0, 1.0)  # delta-v and length, roughly
    open_steering: tuple[float, float] = (0.0, 0.0)  # sigmas of how far the thrust turns in all, and of its direction out of the plane, rad
    floor: np.ndarray = field(default_factory=lambda: np.ones(3))
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
        """What bears on how far the burn's picture may be off at cutoff: its size, a steering that the readings leave open (which counts to second order), and a small
        part of what the coasts leave open anyway, which keeps the equations well conditioned."""
        self.extent = float(burn[SPENT]), float(burn[LENGTH])
        self.open_steering = self.extent[1] * rate_sigma, yaw_sigma
        cutoff = float(burn[MIDDLE]) + self.extent[1] / 2
        self.floor = np.hypot(_FLOOR * np.minimum(self.before.spread_at(cutoff), self.after.spread_at(cutoff)), 1e-6)

    def slop(self) -> np.ndarray:
        """Standard deviations (3,) of radius, radial and transverse speed at cutoff beside those of the coasts and the burn."""
        (spent, length), (turn, yaw) = self.extent, self.open_steering
        speed = spent * math.hypot(self.manner.lost, turn**2 / 24, yaw**2 / 2)
        # displaced by an uneven acceleration: as much as the part of the mass that is burnt makes it uneven, where the exhaust is only guessed
        guessed = self.profile * min(spent / self.exhaust, 1.0)
        place = spent * length * math.hypot(guessed, self.manner.uneven, self.manner.aside, turn**2 / 24)
        return np.hypot([place, speed, speed], self.floor)

    def sigmas(self) -> np.ndarray:
        """Standard deviations (n,) of the differences, in the pilot's manner."""
        found = [*self.slop()]
        if self.turn is not None:
            found += [self.turn[1], self.swing]
        # the first two are weak: they only keep an open combination from running away
        found += [100.0, 100.0, self.ignition[1], self.cutoff[1], self.turning]
        if self.linked:
            found.append(self._rocket_slop())
            if self._throttled:
                found.append(math.hypot(self.throttle[1], self.manner.drift * self.throttle[0]))
        elif math.isfinite(self.dropped[0]):
            found.append(self.dropped[1])
        if self.pitches:
            _, pitch, sigma = np.array(self.pitches).T
            sigma = np.hypot(sigma, self.manner.wobble)
            found += [*(sigma * np.cos(pitch) + sigma**2 / 2)]  # of the sine: to second order where the nose points straight up
        if self.readings is not None:
            found += [*self._looser()]
        return np.array(found)

    def residuals(self, z: np.ndarray, clocked: Clocked | None = None) -> np.ndarray:
        """Residuals (n, C) in standard deviations for unknowns (nz, C), the coasts' own left out; ``clocked``: of the readings under thrust, see :meth:`whitening`."""
        first, last = self.before.size, z.shape[0] - self.after.size
        a, b, c = z[:first], z[first:last], z[last:]
        burn = self.burn(b)
        start, end = burn[MIDDLE] - burn[LENGTH] / 2, burn[MIDDLE] + burn[LENGTH] / 2
        mu = self.before.arc.body.mu
        mets = [*(clocked.met if clocked is not None else ()), *(met for met, _, _ in self.pitches)]
        flown, along = fly_burn(mu, self.before.at(a, start), start, end, burn[SPENT], burn[ANGLE], burn[RATE], self.exhaust, mets, *burn[YAW:], aim=self.aim)
        parts = [self.after.at(c, end) - flown[:3]]
        if self.turn is not None:
            # turned as the planes are compared: about the craft's place on the coast before at mid-burn
            forward = -np.sin(self.half_sweep) * flown[3] + np.cos(self.half_sweep) * flown[4]
            parts.append(np.stack([np.arctan2(-forward, flown[5]) - self.turn[0], burn[YAW_RATE]]))
        parts.append(b[[SPENT, ANGLE]])
        parts.append(np.stack([start - self.ignition[0], end - self.cutoff[0], burn[RATE]]))
        if self.linked:
            q0, q1 = self.before.mass_left(a), self.after.mass_left(c)
            rocket = self.exhaust * np.log(np.maximum(self.masses[0] + q0, 1e-6) / np.maximum(self.masses[0] + q1, 1e-6))
            parts.append((burn[SPENT] - rocket)[None])
            if self._throttled:
                parts.append(((q0 - q1) / (self.flow * burn[LENGTH]) - self.throttle[0])[None])
        elif math.isfinite(self.dropped[0]):
            parts.append((burn[SPENT] - self.dropped[0])[None])
        if self.pitches:
            parts.append(self._elevation(along[:, len(mets) - len(self.pitches) :], burn))
        if clocked is not None:
            left = self._left(a, c, clocked.met, start, burn[LENGTH])
            parts.append(self._missed(along[:, : len(clocked.met)], left, clocked))
        return np.concatenate(parts) / self.sigmas()[:, None]

    @property
    def _throttled(self) -> bool:
        return math.isfinite(self.throttle[0]) and math.isfinite(self.flow)

    def _looser(self) -> np.ndarray:
        """By how much each reading under thrust that is used tells less than its digits and clock say: an unsteady hand has put the craft off the picture by then."""
        (spent, length), seen = self.extent, self.readings
        off = spent * math.hypot(self.manner.drift / 8, self.manner.aside)
        speeds = np.where(self.used[:, SPEED:VERTICAL + 1], seen.sigmas[:, SPEED:VERTICAL + 1], np.inf).min(axis=1)
        own = np.hypot(np.where(np.isfinite(speeds), speeds, 0.0), spent / length * seen.met_sigma)
        found = np.repeat(np.hypot(1.0, off / np.maximum(own, 1e-9))[:, None], self.used.shape[1], axis=1)
        _, sigma, burnt = self.left
        flow = self.flow * self.throttle[0] if self._throttled else 0.0
        found[:, -1] = np.hypot(1.0, self.manner.drift * burnt / 2 / np.hypot(sigma, flow * seen.met_sigma if flow else 0.0))
        return found[self.used]

    def _elevation(self, along: np.ndarray, burn: np.ndarray) -> np.ndarray:
        """The thrust's height above the horizon against what the nose showed; sines, so that straight up is no edge."""
        met, pitch, _ = np.array(self.pitches).T[:, :, None]
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
        return (ahead * along[1] + above * along[2]) / np.hypot(along[1], along[2]) - np.sin(pitch)

    def _rocket_slop(self) -> float:
        mass = self.masses[0] + self.after.propellant
        return math.hypot(1e-8 * float(self.centre[SPENT]), _EXACT * self.exhaust * self.before.propellant_sigma / mass)

    def _left(self, a: np.ndarray, c: np.ndarray, met: np.ndarray, start: np.ndarray, length: np.ndarray) -> np.ndarray:
        """Propellant (n, C) at times (n,) in the burn, kg; nan where none ties the coasts."""
        if not self.linked:
            return np.full((len(met), len(start)), np.nan)
        first, last = self.before.mass_left(a), self.after.mass_left(c)
        return first + (last - first) * np.clip((met[:, None] - start) / length, 0.0, 1.0)

    def _missed(self, states: np.ndarray, left: np.ndarray, clocked: Clocked) -> np.ndarray:
        """Readings under thrust against states (3, n, C) and propellant (n, C) at the times at which they were read, whitened."""
        count, columns = left.shape
        every = self.readings.rows(np.tile(np.arange(count), columns))
        motion = predict(every, states.transpose(2, 1, 0).reshape(-1, 3))[0].reshape(columns, count, -1)
        values = np.concatenate([motion.transpose(1, 2, 0), left[:, None, :]], axis=1)
        shown = (np.column_stack([self.readings.values, self.left[0]]) + clocked.carried)[:, :, None]
        return clocked.whiten(np.where(self.used[:, :, None], values - shown, 0.0))[self.used]

    def whitening(self, z: np.ndarray) -> Clocked | None:
        """How the readings under thrust are weighed at unknowns (nz,): the clock's error of a row, which is that of all its gauges, is taken where they put it, and what is left
        of it is small enough to be straight."""
        if self.readings is None:
            return None
        seen, first = self.readings, self.before.size
        a, burn, c = z[:first, None], self.burn(z[first : first + self.unknowns, None]), z[first + self.unknowns :, None]
        start, end = burn[MIDDLE] - burn[LENGTH] / 2, burn[MIDDLE] + burn[LENGTH] / 2
        sigmas = np.column_stack([seen.sigmas, self.left[1]])
        shown = np.column_stack([seen.values, self.left[0]])
        weight = np.where(self.used, sigmas, np.inf) ** -2
        clock = np.where(np.isfinite(seen.met_sigma), seen.met_sigma, 0.0)
        for _ in range(1 if self.late is not None else 2):
            late = np.zeros(len(seen)) if self.late is None else self.late
            times = np.concatenate([seen.met + late + part for part in (-_HALF, 0.0, _HALF)])
            _, along = fly_burn(self.before.arc.body.mu, self.before.at(a, start), start, end, burn[SPENT], burn[ANGLE], burn[RATE], self.exhaust, times, *burn[YAW:], aim=self.aim)  # fmt: skip
            left = self._left(a, c, times, start, burn[LENGTH])
            low, here, high = (np.column_stack([predict(seen, part.T)[0], kg]) for part, kg in zip(np.split(along[:, :, 0], 3, axis=1), np.split(left[:, 0], 3)))
            rates = np.where(self.used, (high - low) / (2 * _HALF), 0.0)
            miss = np.where(self.used, shown - here, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                step = ((weight * rates * miss).sum(axis=1) * clock**2 - late) / ((weight * rates**2).sum(axis=1) * clock**2 + 1.0)
            self.late = np.clip(late + step, -3 * clock, 3 * clock)
        return Clocked(seen.met + late, rates * late[:, None], Whitening.of(replace(seen, sigmas=sigmas), rates, self.used))

    @property
    def surplus(self) -> int:
        """Degrees of freedom: residuals that can disagree, less the burn's own unknowns."""
        count = 3 + 3 + int(self.readings is not None and self.used.sum())
        if self.linked:
            count += 1 + self._throttled
        elif math.isfinite(self.dropped[0]):
            count += 1
        return count + 2 * (self.turn is not None) + len(self.pitches) - self.unknowns
