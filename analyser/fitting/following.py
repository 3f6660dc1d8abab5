"""Readings one after another, as a flight goes on: what each new one means, with an estimate that sharpens over a coast.

Work per reading is constant: a coast keeps at most :data:`_KEPT` of its moments, thinned so that they span all of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

from analyser.errors import InputError
from analyser.estimate import Estimate
from analyser.fitting import scalar_conic as conic
from analyser.fitting.digits import Shown, samples
from analyser.fitting.fix import Fix, fix_reading, fix_states
from analyser.fitting.shown_state import Reading, State
from analyser.flight import Body, World

_KEPT = 240  # moments of one coast: what more would add is less than what two-body motion leaves out
_ODD = 6.0  # standard deviations: a reading that far off a coast that is known doesn't belong to it
_CHANNELS = ("altitude", "speed", "vertical_speed", "horizontal_speed", "flight_path_angle")
_ONE_AGAINST_ONE = "doesn't fit the reading before: one of the two is misread, or a burn lies between"
_LOOSE = 3.0  # where readings scatter by more than this many of their sigmas about a conic, they are looked at one by one
_UNITS = {"altitude": "m", "speed": "m/s", "vertical_speed": "m/s", "horizontal_speed": "m/s", "flight_path_angle": "rad", "surface_speed": "m/s"}


@dataclass(frozen=True)
class Moment:
    """One row of readings: clock (MET, s, and its standard deviation), body ("" as before), values as (value, sigma) by column."""

    met: float
    met_sigma: float
    values: Mapping[str, tuple[float, float]]
    body: str = ""
    source: str = ""
    row: int = 0
    event: str = ""

    @property
    def thrusting(self) -> bool:
        """Whether the throttle was open."""
        return self.values.get("throttle", (0.0, 0.0))[0] > 0


@dataclass(frozen=True)
class Odd:
    """A reading that doesn't fit the coast: its column, the value read and the one expected, SI, and what it may have been."""

    column: str
    value: float
    expected: Estimate
    suggestion: str = ""


@dataclass(frozen=True)
class Update:
    """What a new moment means.

    ``kind`` is "coast" (fits, or begins, a coast), "burn" (the throttle is open), "air" (in the air: no coast),
    "landed", "changed" (it starts a new coast: a burn lies
    between), "odd" (one of its readings doesn't fit) or "unusable". ``fix`` is None where nothing can be told yet; ``moments``
    counts those of this coast so far; ``change`` is the speed change since the coast before, m/s, and ``before`` what was known of that
    coast, with the first moment of a new one.
    """

    moment: Moment
    body: Body
    kind: str
    fix: Fix | None
    moments: int = 1
    change: Estimate | None = None
    odd: tuple[Odd, ...] = ()
    reason: str = ""
    before: Fix | None = None

    @property
    def unconfirmed(self) -> bool:
        """Whether all that is told rests on one moment: a slip in it would not show before the next."""
        return self.moments == 1 and self.fix is not None and self.kind in ("coast", "changed")


@dataclass
class _Coast:
    body: Body
    moments: list[Moment] = field(default_factory=list)
    count: int = 0
    epoch: float = math.nan
    state: State | None = None  # None: not determined yet
    root: tuple[tuple[float, ...], ...] = ()  # Cholesky root of the state's covariance

    def add(self, moment: Moment) -> None:
        self.moments.append(moment)
        self.count += 1
        if len(self.moments) > _KEPT:  # every second one goes but for the first and the newest ones
            half = len(self.moments) // 2
            self.moments = self.moments[:half:2] + self.moments[half:]


class Follower:
    """Takes moments in the order in which they come and tells what each means.

    Parameters
    ----------
    world : World
    body : str
        The body where no row names one; "": the root of the world.
    """

    def __init__(self, world: World, body: str = ""):
        self.world = world
        self._body = world[body] if body else world.root
        self._coast = _Coast(self._body)
        self._suspect: Moment | None = None
        self._tell = True
        self._known: Fix | None = None  # what was last known of a coast

    def take(self, moment: Moment, tell: bool = True) -> Update:
        """What ``moment`` means, given those before it. Without ``tell`` it is only taken in, for catching up: the update has no fix."""
        update = self._take(moment, tell)
        if update.fix is None or update.kind not in ("coast", "changed", "odd"):
            return update
        before, self._known = self._known, update.fix
        begins = update.kind == "changed" or (update.kind == "coast" and update.moments == 1)
        return replace(update, before=before) if begins and before is not None and before.body.name == update.body.name else update

    def _take(self, moment: Moment, tell: bool) -> Update:
        self._tell = tell
        if moment.body and moment.body in self.world and moment.body != self._body.name:
            self._body = self.world[moment.body]
            self._coast = _Coast(self._body)
        if not any(name in moment.values for name in (*_CHANNELS, "surface_speed")):
            return Update(moment, self._body, "unusable", None, reason="no altitude or speed in it")
        if self._landed(moment):
            self._coast, self._suspect = _Coast(self._body), None
            return Update(moment, self._body, "landed", None, reason=f"on the ground of {self._body.name}")
        if moment.thrusting or self._in_air(moment):
            self._coast, self._suspect = _Coast(self._body), None
            fix, reason = self._alone(moment)
            return Update(moment, self._body, "burn" if moment.thrusting else "air", fix, reason=reason)
        odd, expected = self._compare(moment)
        if not odd:
            self._suspect = None
            return self._extend(moment, "coast")
        other = None if moment.body else self._jumped_to(moment)
        if other is not None:
            self._body, self._coast, self._suspect = other, _Coast(other), None
            return replace(self._extend(moment, "changed"), reason=f"the altimeter jumps: it now refers to {other.name}")
        if self._coast.count == 1:
            return replace(self._begin_again([moment], expected), reason=_ONE_AGAINST_ONE)
        if self._suspect is not None:
            return self._second_opinion(moment, expected)
        if len(odd) == 1 and sum(name in moment.values for name in _CHANNELS) > 1:
            self._suspect = moment
            return Update(moment, self._body, "odd", self._fix_of_coast(moment.met), self._coast.count, odd=odd)
        return self._begin_again([moment], expected)

    def _second_opinion(self, moment: Moment, expected) -> Update:
        """Two moments in a row disagree with the coast. If they agree with each other a burn lies before the first of them."""
        suspect, self._suspect = self._suspect, None
        old, self._coast = self._coast, _Coast(self._body)
        self._extend(suspect, "changed")
        odd, _ = self._compare(moment)
        if not odd and self._coast.state is not None:
            update = self._extend(moment, "changed")
            return replace(update, change=_change(expected, update.fix))
        if len(odd) == 1 and sum(name in moment.values for name in _CHANNELS) > 1:
            self._suspect = moment
            return Update(moment, self._body, "odd", self._fix_of_coast(moment.met), self._coast.count, odd=odd)
        self._coast = old
        return self._begin_again([moment], expected)

    def _begin_again(self, moments: list[Moment], expected) -> Update:
        self._coast = _Coast(self._body)
        update = None
        for moment in moments:
            update = self._extend(moment, "changed")
        return replace(update, change=_change(expected, update.fix))

    def _jumped_to(self, moment: Moment) -> Body | None:
        """The other body that the altimeter now refers to, where the coast leads to one: out of this sphere of influence, or into a moon's.

        Panels change over near the sphere's edge, not at it; a quarter more or less is let pass.
        """
        if self._coast.state is None or "altitude" not in moment.values:
            return None
        (r, *_), _ = self._around(moment.met)
        here, altitude = self._coast.body, moment.values["altitude"][0]
        if abs(altitude - (r - here.radius)) < 0.1 * r:
            return None
        parent = self.world.parent(here)
        if parent is not None and r > 0.75 * here.sphere_of_influence:
            far = altitude + parent.radius
            if abs(far - here.semi_major_axis) < here.semi_major_axis * here.eccentricity + 1.25 * max(r, here.sphere_of_influence):
                return parent
        for moon in self.world.children(here):
            near = abs(r - moon.semi_major_axis) < moon.semi_major_axis * moon.eccentricity + 1.25 * moon.sphere_of_influence
            if near and 0 <= altitude + moon.radius < 1.25 * moon.sphere_of_influence:
                return moon
        return None

    def _landed(self, moment: Moment) -> bool:
        """Whether the craft stands on the ground: no speed over it, or just that of the ground, at no height."""
        value = {name: moment.values[name][0] for name in moment.values}
        if abs(value.get("vertical_speed", 0.0)) > 1.0 or moment.thrusting:
            return False
        if "surface_speed" in value:
            return value["surface_speed"] <= 1.0 and min(value.get("radar_altitude", math.inf), abs(value.get("altitude", math.inf))) < 1e4
        low = value.get("radar_altitude", value.get("altitude", math.inf)) < 200.0
        return low and abs(value.get("speed", math.inf) - self._body.surface_rotation_speed) < 5.0

    def _in_air(self, moment: Moment) -> bool:
        return moment.values.get("altitude", (math.inf, 0.0))[0] < self._body.air_top

    # One moment, or the coast ------------------------------------------------------------------------------------

    def _extend(self, moment: Moment, kind: str) -> Update:
        coast = self._coast
        if coast.state is not None and not self._tell and coast.count >= 8 and coast.count % 8:
            coast.add(moment)  # catching up, and it fits: the orbit need not be made anew for each
            return Update(moment, coast.body, kind, None, coast.count)
        fix, reason = self._alone(moment) if coast.state is None else (None, "")
        if coast.state is None and fix is None and "altitude" in moment.values:
            return Update(moment, coast.body, "unusable", None, coast.count, reason=reason)
        coast.add(moment)
        if len(coast.moments) > 1 and not self._refit():
            coast = self._coast = _Coast(coast.body, [moment], 1)
            fix, reason = self._alone(moment)
        if coast.state is not None:
            fix, reason = self._fix_of_coast(moment.met), ""
        elif fix is not None and fix.vertical_speed.known:
            self._start_from(moment, fix)
        return Update(moment, coast.body, kind, fix, coast.count, reason=reason)

    def _alone(self, moment: Moment) -> tuple[Fix | None, str]:
        try:
            return fix_reading(_reading(moment), self._body), ""
        except InputError as error:
            return None, error.problem

    def _start_from(self, moment: Moment, fix: Fix) -> None:
        count = len(fix.states)
        mean = [math.fsum(state[axis] for state in fix.states) / count for axis in range(3)]
        covariance = [[math.fsum((s[i] - mean[i]) * (s[j] - mean[j]) for s in fix.states) / count for j in range(3)] for i in range(3)]
        self._coast.epoch, self._coast.state, self._coast.root = moment.met, fix.state, _root(covariance)

    def _refit(self) -> bool:
        """Fit the coast's moments; False where they are no coast (drag, a burn between)."""
        import numpy as np

        from analyser.fitting.observations import CHANNELS, from_arrays
        from analyser.fitting.orbit import fit_coast

        coast = self._coast
        nan = (math.nan, math.nan)
        pairs = np.array([[moment.values.get(name, nan) for name in CHANNELS] for moment in coast.moments])
        observations = from_arrays(
            coast.body, [m.met for m in coast.moments], pairs[:, :, 0], pairs[:, :, 1], [m.met_sigma for m in coast.moments]
        )
        fit = fit_coast(observations, robust=False)
        if fit.scale > _LOOSE:
            fit = fit_coast(observations)
        if fit.scale > _LOOSE:
            return False
        if not fit.determined or not np.isfinite(fit.covariance).all():
            return True
        coast.epoch, coast.state = fit.epoch, tuple(map(float, fit.state))
        coast.root = _root(fit.covariance.tolist())
        return True

    def _states(self, met: float) -> tuple[State, list[State]]:
        """The coast's state at ``met``, and samples of what it may be."""
        coast = self._coast
        seconds = met - coast.epoch
        nominal = conic.after(coast.body.mu, *coast.state, seconds)
        states = []
        for point in _normal_points():
            moved = [value + sum(row[k] * point[k] for k in range(3)) for value, row in zip(coast.state, coast.root, strict=True)]
            if moved[0] > 0 and moved[2] > 0:
                states.append(conic.after(coast.body.mu, *moved, seconds))
        return nominal, states or [nominal]

    def _fix_of_coast(self, met: float) -> Fix | None:
        if self._coast.state is None or not self._tell:
            return None
        nominal, states = self._states(met)
        return fix_states(self._coast.body, nominal, states)

    # Does it fit? ------------------------------------------------------------------------------------------------

    def _compare(self, moment: Moment) -> tuple[tuple[Odd, ...], tuple[State, list[State]] | None]:
        """The readings of ``moment`` that the coast can't explain, and the coast's states then."""
        if self._coast.state is None:
            return (), None
        nominal, around = self._around(moment.met)
        rates = _rates(self._coast.body.mu, nominal)
        odd = []
        for name in _CHANNELS:
            if name not in moment.values or (name == "horizontal_speed" and "surface_speed" in moment.values):
                continue
            value, sigma = moment.values[name]
            expected = _shown_by(self._coast.body, nominal, name)
            known = math.sqrt(math.fsum((_shown_by(self._coast.body, state, name) - expected) ** 2 for state in around))
            clock = rates.get(name, 0.0) * moment.met_sigma
            total = math.sqrt(known**2 + sigma**2 + clock**2)
            if abs(value - expected) > _ODD * max(total, 1e-9):
                odd.append(Odd(name, value, Estimate.of(expected, math.hypot(known, clock), _UNITS[name]), _slip(value, expected, _ODD * total)))
        return tuple(odd), self._states(moment.met) if odd and self._tell else None

    def _around(self, met: float) -> tuple[State, list[State]]:
        """The coast's state at ``met``, and one standard deviation along each column of its covariance's root."""
        coast = self._coast
        seconds = met - coast.epoch
        around = []
        for column in range(3):
            moved = [value + row[column] for value, row in zip(coast.state, coast.root, strict=True)]
            if moved[0] > 0 and moved[2] > 0:
                around.append(conic.after(coast.body.mu, *moved, seconds))
        return conic.after(coast.body.mu, *coast.state, seconds), around


@lru_cache(maxsize=1)
def _normal_points() -> tuple[tuple[float, ...], ...]:
    return tuple(samples([Shown(0.0, 0.0, 1.0)] * 3, 240))


def _reading(moment: Moment) -> Reading:
    """A moment as :func:`fix_reading` takes it. The sigma of a rounded value is that of a uniform error: half its step is sqrt(3) sigmas."""

    def shown(name: str) -> Shown | None:
        if name not in moment.values:
            return None
        value, sigma = moment.values[name]
        return Shown(value, math.sqrt(3.0) * sigma)

    if "altitude" not in moment.values:
        raise InputError("no altitude in it")
    surface = "speed" not in moment.values and "surface_speed" in moment.values
    return Reading(
        shown("altitude"), shown("surface_speed") if surface else shown("speed"), shown("vertical_speed"),
        shown("horizontal_speed"), shown("flight_path_angle"), surface=surface,
    )  # fmt: skip


def _shown_by(body: Body, state: State, name: str) -> float:
    r, vr, vt = state
    if name == "altitude":
        return r - body.radius
    if name == "speed":
        return math.hypot(vr, vt)
    return {"vertical_speed": vr, "horizontal_speed": vt, "flight_path_angle": math.atan2(vr, vt)}[name]


def _rates(mu: float, state: State) -> dict[str, float]:
    """How fast each reading changes, SI per second."""
    r, vr, vt = state
    speed = math.hypot(vr, vt)
    return {"altitude": vr, "speed": -mu / r**2 * vr / speed if speed else 0.0, "vertical_speed": vt * vt / r - mu / r**2, "horizontal_speed": -vr * vt / r}


def _slip(value: float, expected: float, tolerance: float) -> str:
    """What a slip of the pen or the eye could have made of the expected value."""
    for power in (-3, -2, -1, 1, 2, 3):
        if abs(value * 10.0**power - expected) <= max(tolerance, 0.02 * abs(expected)):
            return "the decimal point"
    if abs(value + expected) <= max(tolerance, 0.02 * abs(expected)):
        return "the sign"
    digits, wanted = f"{abs(value):.6g}".replace(".", ""), f"{abs(expected):.6g}".replace(".", "")
    count = min(len(digits), 4)
    for place in range(count - 1):
        swapped = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
        if swapped[:count] == wanted[:count] and digits[:count] != wanted[:count]:
            return "two digits swapped"
    return ""


def _change(before: tuple[State, list[State]] | None, fix: Fix | None) -> Estimate | None:
    """Size of the velocity change between the coast before and a fix, both at the same moment."""
    if before is None or fix is None or not fix.vertical_speed.known:
        return None
    nominal, states = before
    value = math.hypot(fix.state[1] - nominal[1], fix.state[2] - nominal[2])
    spread = [math.hypot(b[1] - a[1], b[2] - a[2]) for a, b in zip(states, fix.states, strict=False)]
    mean = math.fsum(spread) / len(spread)
    return Estimate.of(value, math.sqrt(math.fsum((one - mean) ** 2 for one in spread) / len(spread)), "m/s")


def _root(covariance) -> tuple[tuple[float, ...], ...]:
    """Lower triangular root of a 3x3 covariance; directions without variance stay 0."""
    root = [[0.0] * 3 for _ in range(3)]
    for i in range(3):
        for j in range(i + 1):
            rest = covariance[i][j] - sum(root[i][k] * root[j][k] for k in range(j))
            if i == j:
                root[i][i] = math.sqrt(max(0.0, rest))
            elif root[j][j] > 0:
                root[i][j] = rest / root[j][j]
    return tuple(map(tuple, root))
