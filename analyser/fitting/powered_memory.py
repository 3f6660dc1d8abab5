"""Landings and lift-offs solved once and carried over to other masses and nearby orbits; legs solved once and asked for again.

What bounded thrust costs over the bound with impulses goes nearly with the inverse square of thrust over weight: the arc swept and the time spent
against gravity both grow as the thrust falls. So a solved case gives its neighbours, to within 1e-3 of the delta-v as far as it is carried here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analyser.fitting.goals import resting
from analyser.fitting.tanks import Tanks
from analyser.fitting.transfer import least_delta_v
from analyser.flight import Body

if TYPE_CHECKING:
    from analyser.fitting.launch import Launch
    from analyser.fitting.powered import PoweredLeg

#: How far a solved case is carried: of the logarithm of thrust over weight at the most, of the bound's own size, and the error thought likely then as a
#: share of the delta-v (the power is 2 with much thrust and nears 2.5 with little).
_THRUST_REACH, _BOUND_REACH, _ERROR = 0.35, 0.06, 1e-3
_TERRAIN = 1e-3  # of the radius: a landing place within this of the datum counts as on it


@dataclass(frozen=True)
class _Solved:
    kind: str
    body: Body
    push: float
    exhaust: float
    leg: "PoweredLeg"


@dataclass
class PoweredMemory:
    """Remembers what was solved. ``solve`` gives the exact optimum, ``near`` one carried over where there is one to carry."""

    solved: list[_Solved] = field(default_factory=list)
    bounds: dict[tuple, float] = field(default_factory=dict)
    exact: dict[tuple, "PoweredLeg"] = field(default_factory=dict)
    launches: dict[tuple, "Launch"] = field(default_factory=dict)
    legs: dict[tuple, object] = field(default_factory=dict)  # whole legs, and passes of moons, by what asks for them

    def once(self, key: tuple, solve):
        """What ``solve()`` gives, kept under a key that names all it depends on."""
        if key not in self.legs:
            self.legs[key] = solve()
        return self.legs[key]

    def launch(self, body: Body, orbit, tanks: Tanks) -> "Launch":
        """The least launch through air."""
        from analyser.fitting.launch import launch

        key = (body.name, round(orbit[0], 1), round(orbit[1]), tanks)
        if key not in self.launches:
            self.launches[key] = launch(body, orbit, tanks)
        return self.launches[key]

    def solve(self, kind: str, body: Body, orbit, tanks: Tanks) -> "PoweredLeg":
        """The optimum ("descent" or "ascent") for this craft, kept for later."""
        return self.exactly(kind, body, body.radius, orbit, tanks.mass, tanks.thrust, tanks.exhaust_speed)

    def exactly(self, kind: str, body: Body, ground: float, orbit, mass: float, thrust: float, exhaust_speed: float) -> "PoweredLeg":
        """As :meth:`solve`, from numbers: ``ground`` is the radius of the ground, m (a landing may be above the datum); mass, kg, thrust, N, exhaust speed, m/s."""
        from analyser.fitting import powered

        key = (kind, body.name, ground, *orbit, mass, thrust, exhaust_speed)
        if key not in self.exact:
            push = thrust / mass / body.surface_gravity if mass > 0 else math.nan
            alike = [one for one in self.solved if one.kind == kind and one.body == body and one.leg.solution]
            close = min(alike, key=lambda one: abs(math.log(push / one.push)), default=None) if push > 0 else None
            leg = getattr(powered, kind)(
                body.mu, ground, orbit, mass, thrust, exhaust_speed, surface_speed=body.rotation_rate * ground, near=close.leg if close else None,
            )  # fmt: skip
            self.exact[key] = leg
            # carried over is the loss over the bound, which a few metres of terrain leave as it is
            if math.isfinite(leg.delta_v) and abs(ground / body.radius - 1) < _TERRAIN:
                self.solved.append(_Solved(kind, body, push, exhaust_speed, leg))
        return self.exact[key]

    def near(self, kind: str, body: Body, orbit, tanks: Tanks) -> "PoweredLeg":
        """The optimum carried over from the nearest case solved, else solved."""
        bound = self._bound(kind, body, orbit)
        push = tanks.thrust / tanks.mass / body.surface_gravity if tanks.mass > 0 else math.nan
        fit = [
            one for one in self.solved
            if one.kind == kind and one.body == body and one.exhaust == tanks.exhaust_speed
            and _near(push / one.push, one.leg.delta_v / one.leg.bound - 1) and abs(bound / one.leg.bound - 1) < _BOUND_REACH
        ]  # fmt: skip
        if not fit:
            return self.solve(kind, body, orbit, tanks)
        best = min(fit, key=lambda one: abs(math.log(push / one.push)) + abs(bound / one.leg.bound - 1))
        # the loss is that of the long burn near the ground; the burn in orbit, which differs with the orbit, has hardly any
        loss, away = best.leg.delta_v - best.leg.bound, abs(math.log(push / best.push))
        total = bound + loss * (best.push / push) ** 2
        doubt = loss * (0.5 * away + abs(bound / best.leg.bound - 1)) / total
        return replace(best.leg, delta_v=total, bound=bound, burn_delta_v=total - best.leg.orbit_burn, mesh_change=best.leg.mesh_change + doubt)

    def _bound(self, kind: str, body: Body, orbit) -> float:
        key = (kind, body.name, *orbit)
        if key not in self.bounds:
            ends = (orbit, resting(body)) if kind == "descent" else (resting(body), orbit)
            self.bounds[key] = float(least_delta_v(body.mu, *ends[0], *ends[1], radius_min=body.radius, radius_max=body.sphere_of_influence))
        return self.bounds[key]


def _near(ratio: float, excess: float) -> bool:
    away = abs(math.log(ratio)) if ratio > 0 else math.inf
    return away < _THRUST_REACH and 0.5 * abs(excess) * away < _ERROR
