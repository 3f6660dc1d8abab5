"""Powered descent to and ascent from an airless body: the least delta-v for a craft's thrust.

A point mass, thrust of any direction up to a limit, one exhaust speed, in the plane of the orbit; the ground is a sphere and may be
touched but not entered, so what is found is a lower bound: mountains and a margin of height cost more.

How the optimum looks. Time reversed, a descent is an ascent of a craft that gains mass, so one solution serves both. From rest the
craft hops: one arc under full thrust, steered by the primer vector (the adjoint equations of the flight, apse line free: D. F. Lawden, *Optimal
Trajectories for Space Navigation*, 1963), that rises a little and sinks back towards the ground as the speed takes over the weight (with
little thrust it ends along the ground); then it coasts, from a periapsis at the ground or from where it is still rising, to the apsis of the orbit wanted and takes the rest there in a short burn counted as an
impulse. Unknown are the pitch at the ground, the rate of the steering, the length of the arc and, for a descent, the mass at the ground.
(Running along the ground instead, the thrust just carrying the weight, costs a little more: 1.0142 instead of 1.0135 times the
impulsive bound for an initial thrust of 3 weights. So does a solution with the orbit's burn drawn out. Direct collocation with free throttle, which
assumes none of this, finds the same optimum: see the tests.)

Inside, lengths are in radii of the body, speeds in circular speeds at the ground; ``x`` is delta-v spent so far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.fitting.transfer import apsides

_STEPS = 20  # of the long burn; the search begins with half as many


@dataclass(frozen=True)
class PoweredLeg:
    """The least delta-v between an orbit and the ground for a craft of limited thrust.

    Attributes
    ----------
    delta_v : float
        m/s, all burns; nan where the thrust does not do it or no solution was found (``reason``).
    bound : float
        The same with impulses, m/s.
    orbit_burn : float
        Part of it at the orbit's apsis, m/s (descent: to leave the orbit; ascent: to round it off).
    apsis_radius : float
        Where that is, m.
    burn_altitude, burn_speed, burn_angle : float
        Where the long burn begins (descent) or ends (ascent): altitude, m, speed, m/s, flight-path angle, rad (negative: going down).
    burn_delta_v, burn_duration : float
        Of the long burn, m/s and s.
    ground_pitch : float
        Thrust above the horizontal at touchdown or lift-off, rad.
    coast : float
        Seconds between the two burns.
    mesh_change : float
        By what share delta_v changes on a mesh twice as fine: how far the numbers can be trusted.
    """

    delta_v: float
    bound: float
    orbit_burn: float = math.nan
    apsis_radius: float = math.nan
    burn_altitude: float = math.nan
    burn_speed: float = math.nan
    burn_angle: float = math.nan
    burn_delta_v: float = math.nan
    burn_duration: float = math.nan
    ground_pitch: float = math.nan
    coast: float = math.nan
    mesh_change: float = math.nan
    reason: str = ""
    solution: tuple = ()  # which apsis was joined, how, and the unknowns: a start for the solution of a neighbouring case


def descent(
    mu: float, radius: float, orbit, mass: float, thrust: float, exhaust_speed: float, *, surface_speed: float = 0.0, near: PoweredLeg | None = None
) -> PoweredLeg:  # fmt: skip
    """Least delta-v from an orbit to rest on the ground.

    Parameters
    ----------
    mu, radius : float
        Of the airless body, m^3/s^2 and m.
    orbit : (energy, angular momentum)
        m^2/s^2, m^2/s.
    mass, thrust, exhaust_speed : float
        At the start of the leg, kg; full thrust, N; m/s.
    surface_speed : float
        Of the ground in the plane of the flight, m/s, positive in the sense of positive angular momentum.
    near : PoweredLeg, optional
        The solution of a neighbouring case (another mass, throttle or orbit), to start from: quicker. Where the answer is not near that one's, carried
        over, the search begins anew.
    """
    return _solve(mu, radius, orbit, mass, thrust, exhaust_speed, surface_speed, True, near)


def ascent(
    mu: float, radius: float, orbit, mass: float, thrust: float, exhaust_speed: float, *, surface_speed: float = 0.0, near: PoweredLeg | None = None
) -> PoweredLeg:  # fmt: skip
    """Least delta-v from rest on the ground to an orbit; parameters as :func:`descent`, ``mass`` at lift-off."""
    return _solve(mu, radius, orbit, mass, thrust, exhaust_speed, surface_speed, False, near)


def _solve(mu, radius, orbit, mass, thrust, exhaust_speed, surface_speed, down, near):
    unit = math.sqrt(mu / radius)
    turned = -1.0 if orbit[1] < 0 else 1.0
    low, high = (float(r) / radius for r in apsides(mu, *orbit))
    given = {"energy": orbit[0] / unit**2, "h": abs(orbit[1]) / (unit * radius)}
    push = thrust / mass / (mu / radius**2) if mass > 0 else math.nan  # spent to nothing by a plan beyond all bounds
    problem = dict(start=turned * surface_speed / unit, push=push, exhaust=exhaust_speed / unit, down=down, **given)
    if not all(math.isfinite(v) and v > 0 for v in (push, problem["exhaust"])):
        return PoweredLeg(math.nan, math.nan, reason="thrust, mass or specific impulse is not known")
    joins = [r for r in ((low, high) if high > low * (1 + 1e-6) else (low,)) if r > 1 + 1e-9 and math.isfinite(r)]
    if low < 1:
        joins.append(None)  # the orbit meets the ground by itself: no burn in orbit is needed
    bounds = [_bound(given, problem["start"], join) for join in joins]
    found = []
    for place in sorted(range(len(joins)), key=bounds.__getitem__):
        # no craft does better than impulses: what can't beat the best so far by its bound is not solved
        if found and bounds[place] > min(one["total"] for one in found):
            continue
        # the other apsis of this orbit, and either apsis of a neighbouring one, ask for nearly the same burn
        known = min(found, key=lambda one: one["total"])["solution"] if found else near.solution[1:] if near is not None else ()
        start = known if known and (known[0] is None) == (joins[place] is None) else None
        answer = _Problem(join=joins[place], **problem).best(start)
        found += [] if answer is None else [{**answer, "place": place}]
    bound = min(bounds, default=math.nan) * unit
    if not found:
        weak = push <= 1.0 if not down else push * math.exp(bound / exhaust_speed) <= 1.0
        reason = "full thrust is less than the weight at the ground" if weak else "no path was found that the thrust can fly"
        return PoweredLeg(math.nan, bound, reason=reason)
    best = min(found, key=lambda f: f["total"])
    apsis = best["join"]
    duration = best["burn_time"] * radius / unit
    return PoweredLeg(
        best["total"] * unit, bound, best["kick"] * unit, apsis * radius if apsis else math.nan, (best["r"] - 1) * radius,
        math.hypot(best["vr"], best["vt"]) * unit, math.atan2(-best["vr"] if down else best["vr"], best["vt"]), best["burn"] * unit,
        duration, best["pitch"], best["coast"] * radius / unit, best["mesh"], solution=(best["place"], *best["solution"]),
    )  # fmt: skip


def _bound(given, start, join) -> float:
    """Impulsive: along the ground into the ellipse to an apsis of the orbit, and there; or at once where the orbit meets the ground (None)."""
    if join is None:
        vt = given["h"]
        return math.hypot(math.sqrt(max(2 * (given["energy"] + 1) - vt**2, 0)), vt - start)
    leave = math.sqrt(2 * join / (1 + join))
    return abs(leave - start) + abs(given["h"] / join - leave / join)


class _Problem:
    """One way to join: by a burn at the apsis ``join`` (radius), or straight onto the orbit (None)."""

    def __init__(self, start, push, exhaust, down, energy, h, join):
        self.start, self.push, self.exhaust, self.down = start, push, exhaust, down
        self.energy, self.h, self.join = energy, h, join
        self.steps = _STEPS // 2

    def best(self, near=None):
        """Solve from several starts; the best converged one, checked on a finer mesh, or None. ``near``: how a neighbouring case joined (its ``clear``),
        its burn over the bound, and its unknowns.

        The coast's periapsis is kept above the ground; only where nothing is found so, the coast may begin before a periapsis
        under it.
        """
        answers = []
        top = math.sqrt(2 * self.join / (1 + self.join)) if self.join else math.sqrt(2 * max(self.energy + 1, 0.05))
        length = max(top - self.start, 0.1)
        log_mass = -1.05 * length / self.exhaust if self.down else 0.0
        ground_push = self.push * math.exp(-log_mass)
        if ground_push <= 1.0:
            return None
        if near is not None and self.push >= 1.0:
            answer = self._neighbour(*near)
            if answer is not None:
                return self._checked(*answer)
        for clear in (True, False) if self.join else (None,):
            found = []
            for steep, turn in ((1.0, 0.8), (1.4, 0.8), (0.9, 0.4), (1.8, 1.0)):
                pitch = min(steep * math.asin(min(1 / ground_push, 0.95)), 1.4)
                guess = np.array([pitch, turn / length, 1.04 * length, log_mass])[: 4 if self.down else 3]
                answer = self._search(guess, clear)
                if answer is not None:
                    found.append(answer)
                    if len(found) >= 2 and abs(found[-1][0] - found[-2][0]) < 1e-5:
                        break  # two starts agree
            best = self._polished(min(found, key=lambda a: a[0], default=None), clear)
            answers += [] if best is None else [(*best, clear)]
            if answers:
                break
        if not answers:
            return None
        if self.join and self.push < 1.0:  # with little thrust the heavy craft first brakes along the ground
            near = min(answers, key=lambda a: a[0])[1]
            for shorter in (0.93, 0.8):
                answer = self._polished(self._search(near * np.array([1.0, 1.0, shorter, 1.0])[: near.size], "skim"), "skim")
                answers += [] if answer is None else [(*answer, "skim")]
        return self._checked(*min(answers, key=lambda a: a[0]))

    def _neighbour(self, clear, push, excess, z):
        """The answer from that of a neighbouring case, where it is the same kind of flight: near what that one's excess over the bound leads to expect."""
        guess = np.array(z)
        answer = self._polished(self._search(guess, clear), clear) if guess.size == 3 + self.down else None
        bound = _bound({"energy": self.energy, "h": self.h}, self.start, self.join)
        expected = bound * (1 + excess * (push / self.push) ** 2)
        off = 0.3 * excess * bound * abs(math.log(self.push / push)) + 1e-3 * bound
        return (*answer, clear) if answer is not None and abs(answer[0] - expected) < off else None

    def _checked(self, total, z, clear):
        """An answer with its path, on a finer mesh."""
        self.steps = 2 * _STEPS
        fine = self.run(z[None], clear)
        out = {k: float(v[0]) for k, v in fine.items() if np.ndim(v) == 1}
        out.update(join=self.join, pitch=float(z[0]), mesh=abs(float(fine["total"][0]) - total) / total + float(np.abs(fine["equations"]).max()))
        out["coast"] = self._coast(out)
        bound = _bound({"energy": self.energy, "h": self.h}, self.start, self.join)
        out["solution"] = (clear, self.push, total / bound - 1, tuple(float(v) for v in z))
        return out

    def _polished(self, answer, clear):
        """An answer found with few steps, solved again with all of them from there."""
        if answer is None:
            return None
        self.steps = _STEPS
        fine = self._search(answer[1], clear)
        self.steps = _STEPS // 2
        return fine

    def _search(self, guess, clear):
        from scipy.optimize import minimize

        count = guess.size
        low = np.array([1e-3, -30.0, 1e-3, -8.0])[:count]
        high = np.array([1.57, 30.0, 6.0, 0.0])[:count]
        n = 1 + 1 + (self.join is None or clear == "skim") + self.down
        memory = {}

        def at(z):
            key = z.tobytes()
            if key not in memory:
                memory.clear()
                points = np.clip(z + np.vstack([np.zeros(count), 1e-6 * np.eye(count), -1e-6 * np.eye(count)]), low, high)
                out = self.run(points, clear)
                stack = np.vstack([out["total"], out["equations"], out["above"]])
                wide = np.array([points[1 + k, k] - points[1 + count + k, k] for k in range(count)])
                memory[key] = stack[:, 0], (stack[:, 1 : 1 + count] - stack[:, 1 + count :]) / wide
            return memory[key]

        answer = minimize(
            lambda z: at(z)[0][0], guess, jac=lambda z: at(z)[1][0], method="SLSQP", bounds=list(zip(low, high)),
            constraints=[
                {"type": "eq", "fun": lambda z: at(z)[0][1:n], "jac": lambda z: at(z)[1][1:n]},
                {"type": "ineq", "fun": lambda z: at(z)[0][n:], "jac": lambda z: at(z)[1][n:]},
            ],
            options={"maxiter": 80, "ftol": 1e-10},
        )  # fmt: skip
        final = self.run(answer.x[None], clear)
        good = np.isfinite(answer.fun) and np.abs(final["equations"]).max() < 1e-6 and final["above"].min() > -1e-6
        return (float(answer.fun), answer.x) if good else None

    def run(self, z, clear):
        """Fly a batch of unknowns, shape (k, 4 or 3): pitch and steering rate at the ground, delta-v of the arc, log of the mass at the ground."""
        pitch, rate, free = z[:, 0], z[:, 1], z[:, 2]
        log_mass = z[:, 3] if self.down else np.zeros(len(z))
        gain = 1.0 / self.exhaust if self.down else -1.0 / self.exhaust  # of the log of the mass, per x
        push = self.push
        x, time = np.zeros(len(z)), np.zeros(len(z))
        begin = np.sin(pitch)
        state = np.array([np.ones(len(z)), x, x + self.start, begin, np.cos(pitch), rate * begin * push * np.exp(-log_mass)])

        def slowness(x):  # time per x
            return np.exp(log_mass + gain * x) / push

        def rates(slow, y):
            r, vr, vt, pr, pt, lr = y
            size = np.sqrt(pr * pr + pt * pt)
            spin, pull = vt / r, 1 / (r * r)
            climb = vr / r
            out = np.empty_like(y)
            out[0] = vr * slow
            out[1] = (vt * spin - pull) * slow + pr / size
            out[2] = pt / size - vr * spin * slow
            out[3] = (pt * spin - lr) * slow
            out[4] = (pt * climb - 2 * pr * spin) * slow
            out[5] = (pr * (spin * spin - 2 * pull / r) - pt * climb * spin) * slow
            return out

        leave = math.sqrt(2 * self.join / (1 + self.join)) if self.join else math.nan
        n = self.steps
        d = free / n
        heights = []
        with np.errstate(all="ignore"):
            half, slow = d / 2, slowness(x)
            for _ in range(n):
                middle, end = slowness(x + half), slowness(x + d)
                k1 = rates(slow, state)
                k2 = rates(middle, state + half * k1)
                k3 = rates(middle, state + half * k2)
                k4 = rates(end, state + d * k3)
                time = time + d * middle
                state = state + d / 6 * (k1 + 2 * (k2 + k3) + k4)
                x, slow = x + d, end
                heights.append(state[0] - 1)
            r, vr, vt = state[:3]
            energy, h = (vr**2 + vt**2) / 2 - 1 / r, r * vt
            every = max(n // _STEPS, 1)
            above = heights[: n // 20 : max(n // 40, 1)] + heights[every - 1 :: every]
            if self.join is None:
                kick = np.zeros(len(z))
                equations = [energy - self.energy, h - self.h]
            elif clear == "skim":
                equations = [r - 1, vr]
                above.append(leave - vt)
                along, seconds = self._along_the_ground(vt, log_mass + gain * x, gain)
                x, time = x + along, time + seconds
                r, vr, vt = np.ones(len(z)), np.zeros(len(z)), np.full(len(z), leave)
                kick = np.full(len(z), abs(self.h / self.join - leave / self.join))
            else:
                kick = np.abs(self.h / self.join - h / self.join)
                # the burn in orbit is short, not instant: what its arc loses, to second order in the angle it sweeps, is counted, and a long one is
                # no way to get round the limit of the thrust
                pull = push if self.down else push * np.exp(-log_mass - gain * x)
                arc = kick / pull * self.h / self.join**2
                kick = kick * (1 + arc**2 / 24)
                above.append(0.4 - arc)
                equations = [energy - h**2 / (2 * self.join**2) + 1 / self.join]
                above.append(self.join - r)
                if clear is not None:
                    # energy of the orbit less that of one with the same h and its periapsis at the ground: negative above it
                    above.append(h**2 / 2 - 1 - energy if clear else vr)
            total = x + kick
            if self.down:
                equations.append(log_mass + total / self.exhaust)
        return dict(
            total=_tame(total), equations=_tame(equations), above=_tame(above), kick=kick, r=r, vr=vr, vt=vt, burn=x, burn_time=time,
        )  # fmt: skip

    def _along_the_ground(self, speed, log_mass, gain):
        """Delta-v and time from ``speed`` to that of the coast's periapsis, the thrust just carrying the weight that the speed does not."""
        span = math.sqrt(2 * self.join / (1 + self.join)) - speed
        spent, seconds = np.zeros_like(speed), np.zeros_like(speed)

        def slope(s, x):
            v = speed + span * s
            held = np.clip((1 - v * v) * np.exp(log_mass + gain * x) / self.push, -0.999, 0.999)
            return span / np.sqrt(1 - held**2)

        n = self.steps // 2
        for k in range(n):
            k1 = slope(k / n, spent)
            k2 = slope((k + 0.5) / n, spent + k1 / (2 * n))
            k3 = slope((k + 0.5) / n, spent + k2 / (2 * n))
            k4 = slope((k + 1) / n, spent + k3 / n)
            step = (k1 + 2 * k2 + 2 * k3 + k4) / (6 * n)
            seconds = seconds + step * np.exp(log_mass + gain * (spent + step / 2)) / self.push
            spent = spent + step
        return spent, seconds

    def _coast(self, out) -> float:
        """Time between the long burn and the apsis, in units of the problem."""
        if self.join is None:
            return 0.0
        from analyser.fitting.transfer import time_from_periapsis

        r, vr, vt = out["r"], out["vr"], out["vt"]
        energy, h = (vr**2 + vt**2) / 2 - 1 / r, r * vt
        if energy >= 0:
            return math.nan
        half = math.pi * (1 / (-2 * energy)) ** 1.5
        since = float(time_from_periapsis(1.0, energy, h, r))
        return half - since if vr >= 0 else half + since


def _tame(values):
    """No nan or inf for the optimiser to trip over: a path gone wild is merely very bad."""
    return np.nan_to_num(np.asarray(values, float), nan=1e3, posinf=1e3, neginf=-1e3)
