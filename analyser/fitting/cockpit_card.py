"""The numbers of a card to keep beside the screen: speeds by altitude, braking heights by speed, transfer windows.

Rows and columns are chosen so that reading between two of them in a straight line errs by less than
:data:`TOLERANCE`; what error is left is measured and told. Two-body motion, impulses; braking as in
:mod:`analyser.fitting.braking`. Plain ``math``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from analyser.errors import InputError
from analyser.fitting.braking import stop
from analyser.fitting.engine import Engine, engine_of
from analyser.fitting.way_home import way_home
from analyser.flight import Body, Craft, Plan, World

TOLERANCE = 0.01  # of the value: what reading between rows may err at most
_AIM = 0.008  # what the rows are laid out for
_ROUND = (1, 1.2, 1.5, 1.7, 2, 2.2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9)
_MOST_COLUMNS = 8


@dataclass(frozen=True)
class OrbitRow:
    """At one altitude (m): circular and escape speed (m/s), period of the circular orbit (s), and the speed along the horizon that
    takes the craft to each apoapsis of the card (m/s; nan where that lies below)."""

    altitude: float
    circular_speed: float
    escape_speed: float
    period: float
    reach: tuple[float, ...] = ()


@dataclass(frozen=True)
class BrakingColumn:
    """A throttle (0..1) and a load of propellant (kg) for which braking heights are told."""

    throttle: float
    propellant: float


@dataclass(frozen=True)
class BrakingRow:
    """Falling straight down at ``speed`` (m/s, positive): the height above the ground (m) at which braking must begin at the
    latest, a column each; nan where the thrust can't stop it."""

    speed: float
    heights: tuple[float, ...]


@dataclass(frozen=True)
class Window:
    """When to leave a circular orbit at ``altitude`` for another body, by the half ellipse that touches both paths.

    ``lead`` rad: how far ahead of the craft the body must be, as an angle about the centre; where it is ``homeward``, from a moon to the
    body that it orbits, how far ahead the direction against the moon's motion must be. ``delta_v`` m/s along the path;
    ``duration`` s of the way there; ``every`` s from one window to the next.
    """

    body: str
    altitude: float
    lead: float
    delta_v: float
    duration: float
    every: float
    homeward: bool = False


@dataclass(frozen=True)
class Card:
    """Everything on a card, SI. ``worst`` is the largest relative error of reading between rows, measured, by table."""

    body: Body
    rows: tuple[OrbitRow, ...]
    apoapsides: tuple[float, ...]
    columns: tuple[BrakingColumn, ...] = ()
    braking: tuple[BrakingRow, ...] = ()
    windows: tuple[Window, ...] = ()
    craft: str = ""
    worst: dict[str, float] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


def make_card(body: Body, world: World, craft: Craft | None = None, plan: Plan | None = None, propellant: float = math.nan, stage: str = "") -> Card:
    """The card of a body.

    Parameters
    ----------
    body, world : Body, World
    craft : Craft, optional
        For the braking heights.
    plan : Plan, optional
        Its altitudes about this body become rows; its start the orbit of the transfer windows.
    propellant : float
        Left in the stage that brakes, kg; nan: the card gives full, half and a fifth of its load.
    stage : str
        The stage that brakes; "": the last.

    Raises
    ------
    InputError
        More propellant than the stage holds, or no such stage.
    """
    usual = _plan_altitudes(plan, body)
    bottom = body.air_top if body.air_top > 0 else 0.0
    top = _top(body, world, usual)
    apoapsides = _apoapsides(body, bottom, top)
    altitudes = _altitudes(body, bottom, top, {*usual, *apoapsides})
    rows = tuple(_orbit_row(body, altitude, apoapsides) for altitude in altitudes)
    worst = {"altitude": _worst_between_rows(body, rows, apoapsides), "apoapsis": _worst_between_columns(body, rows, apoapsides)}
    remarks, columns, braking = [], (), ()
    if craft is not None:
        columns, braking, remarks = _braking_table(body, craft, propellant, stage)
        worst["braking"] = _worst_braking(body, craft, stage, columns, braking) if braking else 0.0
    low = min(usual, default=bottom + 0.1 * body.radius if body.air_top <= 0 else 1.2 * bottom)
    windows = tuple(_window(body, low, other) for other in world.children(body)) + _way_home(body, low, world, plan)
    return Card(body, rows, apoapsides, columns, braking, windows, craft.name if craft else "", worst, tuple(remarks))


# Altitudes and apoapsides ---------------------------------------------------------------------------------------


def _plan_altitudes(plan: Plan | None, body: Body) -> list[float]:
    goals = [plan.start, *(leg.goal for leg in plan.legs)] if plan else []
    found = {value for goal in goals if goal.body == body.name for value in (goal.periapsis, goal.apoapsis) if value > 0}
    return sorted(value for value in found if value >= body.air_top)


def _top(body: Body, world: World, usual: Sequence[float]) -> float:
    """The highest altitude of the card: the farthest moon, or the edge of the sphere of influence, else 10 radii."""
    moons = [moon.semi_major_axis * (1 + moon.eccentricity) - body.radius for moon in world.children(body)]
    edge = body.sphere_of_influence - body.radius
    top = max(moons) if moons else edge if math.isfinite(edge) else 10 * body.radius
    if math.isfinite(edge):
        top = min(top, edge)
    return max(top, *usual, body.radius) if usual else max(top, body.radius)


def _altitudes(body: Body, bottom: float, top: float, usual: Iterable[float]) -> list[float]:
    """Round altitudes from ``bottom`` to ``top``, as far apart as reading between them allows; ``usual`` ones and an end among them."""

    def error(low: float, high: float) -> float:
        # The speed to an apoapsis bends most where that apoapsis is the upper row itself.
        functions = (lambda h: math.sqrt(body.mu / (body.radius + h)), lambda h: (body.radius + h) ** 1.5, lambda h: _speed_to(body, h, high))
        return max(_gap(one, low, high) for one in functions)

    fixed = sorted({bottom, top, *(value for value in usual if bottom < value < top)})
    found = [fixed[0]]
    for end in fixed[1:]:
        while error(found[-1], end) > _AIM:
            found.append(_next_round(found[-1], end, error))
        found.append(end)
    return found


def _next_round(low: float, end: float, error: Callable[[float, float], float]) -> float:
    """The largest round number above ``low`` that keeps the error; else the largest that does, to two digits."""
    high = end
    reach = low + 1.0
    for _ in range(60):  # the largest possible, by bisection
        middle = (reach + high) / 2
        if error(low, middle) <= _AIM:
            reach = middle
        else:
            high = middle
    power = 10.0 ** math.floor(math.log10(reach))
    rounded = [step * power * scale for scale in (0.1, 1.0) for step in _ROUND]
    fitting = [value for value in rounded if low + 0.3 * (reach - low) < value <= reach]
    halfway = [value for value in fitting if error(value, end) <= _AIM]
    if halfway:  # the last step but one: not so that the last is a sliver
        return min(halfway, key=lambda value: abs(error(low, value) - error(value, end)))
    if fitting:
        return max(fitting)
    digit = 10.0 ** (math.floor(math.log10(reach - low)) - 1)
    return max(low + digit, math.floor(reach / digit) * digit)


def _gap(function: Callable[[float], float], low: float, high: float) -> float:
    """Largest relative error of reading ``function`` between ``low`` and ``high`` in a straight line."""
    first, last = function(low), function(high)
    worst = 0.0
    for share in (0.2, 0.35, 0.5, 0.65, 0.8):
        true = function(low + share * (high - low))
        worst = max(worst, abs(first + share * (last - first) - true) / abs(true))
    return worst


def _speed_to(body: Body, altitude: float, apoapsis: float) -> float:
    r, far = body.radius + altitude, body.radius + apoapsis
    if far < r * (1 - 1e-12):
        return math.nan
    return math.sqrt(2 * body.mu * far / (r * (r + far)))


def _apoapsides(body: Body, bottom: float, top: float) -> tuple[float, ...]:
    """Apoapsis altitudes for the columns: round ones, near enough to each other while there is room; the top one always."""

    def error(low: float, high: float) -> float:
        return _gap(lambda far: _speed_to(body, low, far), low, high)

    found = [bottom]
    while found[-1] < top and len(found) < 40:
        found.append(top if error(found[-1], top) <= _AIM else _next_round(found[-1], top, error))
    found = found[1:]
    if len(found) > _MOST_COLUMNS:  # too many for a page: the far ones, where a pilot aims at a body and nothing between
        found = [*found[: _MOST_COLUMNS - 1], found[-1]]
    return tuple(found)


def _worst_pair(body: Body, altitudes: Sequence[float], low: float, high: float) -> float:
    return max((_gap(lambda far, h=h: _speed_to(body, h, far), low, high) for h in altitudes if h <= low), default=0.0)


def _orbit_row(body: Body, altitude: float, apoapsides: Sequence[float]) -> OrbitRow:
    r = body.radius + altitude
    circular = math.sqrt(body.mu / r)
    return OrbitRow(altitude, circular, circular * math.sqrt(2), 2 * math.pi * r / circular, tuple(_speed_to(body, altitude, far) for far in apoapsides))


def _worst_between_rows(body: Body, rows: Sequence[OrbitRow], apoapsides: Sequence[float]) -> float:
    worst = 0.0
    for low, high in zip(rows, rows[1:], strict=False):
        functions = [lambda h: math.sqrt(body.mu / (body.radius + h)), lambda h: (body.radius + h) ** 1.5]
        functions += [lambda h, far=far: _speed_to(body, h, far) for far in apoapsides if far >= high.altitude]
        worst = max(worst, *(_gap(one, low.altitude, high.altitude) for one in functions))
    return worst


def _worst_between_columns(body: Body, rows: Sequence[OrbitRow], apoapsides: Sequence[float]) -> float:
    altitudes = [row.altitude for row in rows]
    return max((_worst_pair(body, altitudes, low, high) for low, high in zip(apoapsides, apoapsides[1:], strict=False)), default=0.0)


# Braking ---------------------------------------------------------------------------------------------------------


def _braking_table(body: Body, craft: Craft, propellant: float, stage: str) -> tuple[tuple[BrakingColumn, ...], tuple[BrakingRow, ...], list[str]]:
    stage = stage or (craft.stages[-1].name if craft.stages else "")
    engine, _ = engine_of(craft, propellant, stage)
    if any(math.isnan(value) for value in (engine.thrust, engine.exhaust_speed, engine.mass)):
        return (), (), ["no braking heights: the craft file doesn't give thrust, specific impulse and mass"]
    if body.air_top > 0:
        return (), (), [f"no braking heights: the air of {body.name} does most of the braking, and is not reckoned with here"]
    if math.isnan(propellant):
        load = craft.stages[craft.stage_index(stage) or 0].propellant
        columns = [BrakingColumn(throttle, share * load) for throttle in (1.0, 0.6) for share in (1.0, 0.5, 0.2)]
    else:
        columns = [BrakingColumn(throttle, propellant) for throttle in (1.0, 0.8, 0.6, 0.4)]
    engines = [_engine(craft, stage, column) for column in columns]
    heavy = [one for one, engine in enumerate(engines) if engine.thrust * engine.throttle <= 1.02 * engine.mass * body.surface_gravity]
    if len(heavy) == len(columns):
        return (), (), [f"no braking heights: the thrust can't hold the craft over {body.name}"]
    fastest = min(0.5 * math.sqrt(body.mu / body.radius), 600.0)
    usable = [engine for one, engine in enumerate(engines) if one not in heavy]
    rows = [10.0]
    while rows[-1] < fastest:
        rows.append(_next_speed(body, usable, rows[-1]))
    table = tuple(BrakingRow(speed, tuple(braking_height(body, engine, speed) for engine in engines)) for speed in rows)
    return tuple(columns), table, []


def _engine(craft: Craft, stage: str, column: BrakingColumn) -> Engine:
    return engine_of(craft, column.propellant, stage, column.throttle)[0]


@lru_cache(maxsize=4096)
def braking_height(body: Body, engine: Engine, speed: float) -> float:
    """Height above the ground at which a craft that falls straight down at ``speed`` must begin to brake, m; nan where it can't stop.

    The heights are above the datum, with gravity as it is there.
    """
    height = 0.0
    for _ in range(4):  # gravity falls off a little with the height itself
        start = body.radius + height
        rest, _, burnt, _ = stop(body.mu, (start, -speed, 1e-9), engine.thrust * engine.throttle, engine.exhaust_speed, engine.mass)
        if not math.isfinite(rest) or burnt > engine.propellant:
            return math.nan
        if abs(start - rest - height) < 1e-4 * (start - rest):
            return start - rest
        height = start - rest
    return height


def _next_speed(body: Body, engines: Sequence[Engine], speed: float) -> float:
    step = 1.0 if speed < 30 else 2.0 if speed < 60 else 5.0 if speed < 200 else 10.0
    best = speed + step
    while best < 1.4 * speed:
        if max(_braking_gap(body, engine, speed, best + step) for engine in engines) > _AIM:
            break
        best += step
    return best


def _braking_gap(body: Body, engine: Engine, low: float, high: float) -> float:
    first, last = braking_height(body, engine, low), braking_height(body, engine, high)
    middle = braking_height(body, engine, (low + high) / 2)
    if math.isnan(first) or math.isnan(last):
        return 0.0
    # Of a parabola the relative error is largest at the geometric mean; a little is added to the middle's for that.
    return 1.03 * abs((first + last) / 2 - middle) / middle


def _worst_braking(body: Body, craft: Craft, stage: str, columns: Sequence[BrakingColumn], rows: Sequence[BrakingRow]) -> float:
    stage = stage or craft.stages[-1].name
    engines = [_engine(craft, stage, column) for column in columns]
    return max(_braking_gap(body, engine, low.speed, high.speed) for low, high in zip(rows, rows[1:], strict=False) for engine in engines)


# Windows ---------------------------------------------------------------------------------------------------------


def _window(body: Body, altitude: float, other: Body) -> Window:
    """Leave so that craft and body meet at the apoapsis: the body moves ``n t`` while the craft moves half a turn.

    Hohmann transfer; Curtis, *Orbital Mechanics for Engineering Students*, sections 6.2 and 8.3 (from memory).
    """
    r, far = body.radius + altitude, other.semi_major_axis
    if not far > r:
        raise InputError(f"{other.name} is nearer than the orbit of departure")
    duration = math.pi * math.sqrt((r + far) ** 3 / (8 * body.mu))
    rate, other_rate = math.sqrt(body.mu / r**3), math.sqrt(body.mu / far**3)
    lead = (math.pi - other_rate * duration) % (2 * math.pi)
    delta_v = math.sqrt(body.mu / r) * (math.sqrt(2 * far / (r + far)) - 1)
    return Window(other.name, altitude, lead, delta_v, duration, 2 * math.pi / (rate - other_rate))


def _way_home(body: Body, altitude: float, world: World, plan: Plan | None) -> tuple[Window, ...]:
    """When to leave a moon for the periapsis that the plan wants about the body it orbits; see :mod:`analyser.fitting.way_home`."""
    parent = world.parent(body)
    wanted = [leg.goal.periapsis for leg in plan.legs if leg.goal.kind == "periapsis" and leg.goal.body == parent.name] if plan and parent else []
    if not wanted:
        return ()
    home = way_home(body, parent, body.radius + altitude, wanted[-1])
    if home is None:
        return ()
    r = body.radius + altitude
    rate, moon_rate = math.sqrt(body.mu / r**3), math.sqrt(parent.mu / body.semi_major_axis**3)
    return (Window(parent.name, altitude, home.lead, home.speed - rate * r, home.duration, 2 * math.pi / (rate - moon_rate), homeward=True),)
