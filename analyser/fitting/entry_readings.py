"""What the readings taken on the way down through air tell one after the other: the craft's ballistic coefficient, and where parachutes opened."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.fitting.atmosphere import density
from analyser.fitting.entry_path import COARSE, fall
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import Body

_LADDER = np.exp(np.linspace(math.log(4e-3), math.log(8.0), 17))  # of a first guess of the ballistic coefficient
_FAR_BELOW = 0.3  # of the speed read: a guess that brings the craft below this is too low, how far does not matter
_DROP = 0.6  # of the level before: a ballistic coefficient that falls below it means that something opened
_SLOWER = 0.12  # of the speed foretold: by so much at least must the craft be slower then
_LATE = 0.6  # of the speed foretold: slower than that, an opening was marked late
_LAG = 1.0  # s: how long after an opening its mark is written (common practice, no source)
_TRIES = 33
_MARKS = ("chute", "drogue")  # in an event


@dataclass(frozen=True)
class Way:
    """Readings in the air that tell radius, speed and vertical speed, unpowered and in order: arrays (n,) of MET s, m, m/s (inertial), and sigmas; ``rows`` are their places.

    ``through`` is the speed through the air.
    """

    rows: tuple[int, ...]
    met: np.ndarray
    met_sigma: np.ndarray
    radius: np.ndarray
    radial: np.ndarray
    transverse: np.ndarray
    speed_sigma: np.ndarray
    radius_sigma: np.ndarray
    spin: float
    body: Body

    @property
    def states(self) -> np.ndarray:
        """(n, 3)."""
        return np.stack([self.radius, self.radial, self.transverse], axis=1)

    @property
    def through(self) -> np.ndarray:
        """m/s."""
        return np.hypot(self.radial, self.transverse - self.spin * self.radius)


def way_down(inside, rows: PanelRows, body: Body, spin: float) -> Way:
    """The full readings among ``inside``. Low down the height over the ground stands in for an altitude that was not read."""
    height = np.where(np.isfinite(rows.value["altitude"]), rows.value["altitude"], rows.value["radar_altitude"])
    spread = np.where(np.isfinite(rows.value["altitude"]), rows.sigma["altitude"], np.fmax(rows.sigma["radar_altitude"], 100.0))
    over = rows.value["surface_speed"]
    kept, transverse = [], []
    for row in inside:
        if not math.isfinite(height[row] + rows.vertical[row]) or rows.standing[row]:
            continue
        climb = rows.vertical[row]
        if math.isfinite(over[row]):
            across = spin * (body.radius + height[row]) + math.sqrt(max(over[row] ** 2 - climb**2, 0.0))
        elif math.isfinite(rows.speed[row]):
            across = math.sqrt(max(rows.speed[row] ** 2 - climb**2, 0.0))
        else:
            continue
        kept.append(row)
        transverse.append(across)
    pick = np.array(kept, dtype=int)
    sigma = np.fmin(rows.sigma["speed"][pick], np.inf)
    sigma = np.where(np.isfinite(over[pick]), rows.sigma["surface_speed"][pick], sigma)
    return Way(
        tuple(kept), rows.met[pick], rows.met_sigma[pick], body.radius + height[pick], rows.vertical[pick], np.array(transverse), np.nan_to_num(sigma, nan=1.0),
        np.nan_to_num(spread[pick], nan=100.0), spin, body,
    )  # fmt: skip


@dataclass(frozen=True)
class Opening:
    """A parachute opened between two readings: samples (k,) of MET s, altitude m and speed through the air m/s; what is seen of it; the pair's place, and the ballistic
    coefficient before and after, kg/m^2."""

    met: np.ndarray
    altitude: np.ndarray
    speed: np.ndarray
    told_by: str
    pair: int
    before: float
    after: float


def pair_ballistics(way: Way, body: Body, guess: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The ballistic coefficient that brings each reading to the speed of the next, and its rough relative sigma, each (n - 1,), nan where nothing can be told; and the speeds
    (n - 1, m) that the ladder of guesses comes to."""
    count = len(way.rows) - 1
    if count < 1:
        return np.empty(0), np.empty(0), np.empty((0, len(_LADDER)))
    ladder = guess * _LADDER
    start = np.repeat(way.states[:-1], len(ladder), axis=0)
    span = np.repeat(np.diff(way.met), len(ladder))
    far_below = np.repeat(_FAR_BELOW * way.through[1:], len(ladder))
    flown = fall(body, start, np.tile(ladder, count), way.spin, longest=np.maximum(span, 0.0), floor=0.9 * body.radius, step=COARSE, slowest=far_below)
    reached = flown.air_speed[-1].reshape(count, len(ladder))
    found, spread = np.full(count, np.nan), np.full(count, np.inf)
    for pair in range(count):
        speeds = np.maximum.accumulate(reached[pair])
        seen = way.through[pair + 1]
        step = max(way.met[pair + 1] - way.met[pair], 1.0)
        slip = math.hypot(way.met_sigma[pair], way.met_sigma[pair + 1]) * abs(way.through[pair] - seen) / step
        sigma = math.hypot(way.speed_sigma[pair], way.speed_sigma[pair + 1], slip, 0.5 * way.radius_sigma[pair + 1] / 5e3 * seen)
        low, high = (float(np.interp(seen + sign * sigma, speeds, np.log(ladder))) for sign in (-1, 1))
        if speeds[0] > seen + 3 * sigma:  # braked harder than the lowest tried
            found[pair], spread[pair] = ladder[0], 0.5
        elif speeds[-1] - speeds[0] > 2 * sigma:
            found[pair], spread[pair] = float(np.exp(np.interp(seen, speeds, np.log(ladder)))), max((high - low) / 2, 1e-3)
    return found, spread, reached


def openings(way: Way, body: Body, rows: PanelRows, guess: float, sure: bool) -> tuple[list[Opening], float]:
    """Where parachutes opened, and the level of the ballistic coefficient before the first (``guess`` where ``sure`` or where the pairs do not tell it)."""
    found, spread, reached = pair_ballistics(way, body, guess)
    if not len(found):
        return [], guess
    fast = [k for k in range(len(found)) if math.isfinite(found[k]) and spread[k] < 0.35 and way.through[k + 1] > 0.25 * way.through[0]]
    level = guess if sure or not fast else float(np.exp(np.median(np.log(found[fast]))))
    first_level = level
    seen: list[Opening] = []
    marked = False
    for pair in range(len(found)):
        event = rows.says(way.rows[pair + 1], *_MARKS)
        told = found[pair]
        foretold = float(np.interp(math.log(level / guess), np.log(_LADDER), reached[pair]))
        slower = foretold - way.through[pair + 1]
        clock = math.hypot(way.met_sigma[pair], way.met_sigma[pair + 1]) * abs(way.through[pair] - foretold) / max(way.met[pair + 1] - way.met[pair], 1.0)
        dropped = math.isfinite(told) and told < _DROP * level and slower > max(_SLOWER * foretold, 5 * (way.speed_sigma[pair + 1] + clock))
        likely = _afterwards(way, body, pair, found, spread)
        if event and (not dropped or way.through[pair + 1] > _LATE * foretold):
            seen.append(_marked(way, body, pair, level, min(level, likely[0])))
        elif event or (dropped and not marked):
            opening = _opening(way, body, pair, level, likely)
            seen.append(replace(opening, told_by="event") if event else opening)
        if seen and (dropped or event):
            level = min(likely[0], level) if marked else seen[-1].after
        # the slowing after a mark belongs to it
        marked = event
    return seen, first_level


def _afterwards(way: Way, body: Body, pair: int, found: np.ndarray, spread: np.ndarray) -> list[float]:
    """What the ballistic coefficient may be once something has opened: that of the next pair where it is settled, and that of a steady sink at the reading after it."""
    steady = float(density(body.atmosphere, way.radius[pair + 1] - body.radius)) * way.through[pair + 1] ** 2 / (2 * body.mu / way.radius[pair + 1] ** 2)
    likely = [max(steady, 1e-3)]
    if pair + 1 < len(found) and math.isfinite(found[pair + 1]) and spread[pair + 1] < 0.5:
        likely.insert(0, float(found[pair + 1]))
    return likely


def _marked(way: Way, body: Body, pair: int, before: float, after: float) -> Opening:
    """An opening marked in a reading that does not show it yet, or only just: the speed is what the fall without it comes to, no less than what was read."""
    row = pair + 1
    flown = fall(body, way.states[pair:row], before, way.spin, longest=way.met[row] - way.met[pair], floor=0.9 * body.radius, step=COARSE)
    come, read, rate = float(flown.air_speed[-1, 0]), float(way.through[row]), float(flown.felt[-1, 0]) + body.surface_gravity
    room = way.speed_sigma[row] + way.met_sigma[row] * rate
    best = max(come, read)
    speed = np.concatenate([np.linspace(min(read, come) - 2 * room, best, 128), np.linspace(best, best + 2 * room + _LAG * rate, 128)])
    half = math.sqrt(3) * way.met_sigma[row]
    met = way.met[row] + np.linspace(-half - _LAG, half, 256)
    reach = 2 * way.radius_sigma[row] + half * abs(way.radial[row])
    altitude = way.radius[row] - body.radius + np.linspace(-reach, reach + _LAG * abs(way.radial[row]), 256)
    return Opening(met, altitude, speed, "event", pair, before, after)


def _opening(way: Way, body: Body, pair: int, before: float, afterwards: list[float]) -> Opening:
    """When in its pair of readings a parachute opened: every moment weighed by how well the fall with it meets the reading after."""
    start, span = way.states[pair : pair + 1], float(way.met[pair + 1] - way.met[pair])
    tries = np.linspace(0.0, span, _TRIES)
    first = fall(body, np.repeat(start, _TRIES, axis=0), before, way.spin, longest=tries, floor=0.9 * body.radius, step=COARSE)
    states = np.stack([first.radius[-1], first.radial[-1], first.transverse[-1]], axis=1)
    height_sigma = math.hypot(way.radius_sigma[pair], way.radius_sigma[pair + 1]) + math.hypot(way.met_sigma[pair], way.met_sigma[pair + 1]) * way.through[pair]
    best_price, after = np.full(_TRIES, np.inf), afterwards[0]
    for likely in afterwards:
        second = fall(body, states, likely, way.spin, longest=span - tries, floor=0.9 * body.radius, step=COARSE)
        off = (second.radius[-1] - way.radius[pair + 1]) / max(height_sigma, 1.0)
        miss = (second.air_speed[-1] - way.through[pair + 1]) / (0.07 * way.through[pair + 1] + way.speed_sigma[pair + 1])
        price = 0.5 * np.minimum(off**2, 60.0) + 0.5 * np.minimum(miss**2, 60.0)
        # what the next pair says goes first; a steady sink stands in where that does not fit
        if price.min() < best_price.min() - 4.0:
            best_price, after = price, likely
    weight = np.exp(-(best_price - best_price.min())) if best_price.min() < 8 else np.ones(_TRIES)
    pick = np.minimum(np.searchsorted(np.cumsum(weight) / weight.sum(), (np.arange(256) + 0.5) / 256), _TRIES - 1)
    # between the moments tried, anywhere alike; and the clock of the reading before
    shift = np.random.default_rng(31).uniform(-0.5, 0.5, 256) * span / (_TRIES - 1)
    met = np.clip(tries[pick] + shift, 0.0, span)
    place = np.interp(met, tries, np.arange(_TRIES))
    altitude, speed = (np.interp(place, np.arange(_TRIES), values) for values in (first.altitude[-1], first.air_speed[-1]))
    clock = way.met_sigma[pair] * np.random.default_rng(37).standard_normal(256)
    return Opening(way.met[pair] + met + clock, altitude, speed, "deceleration", pair, before, after)
