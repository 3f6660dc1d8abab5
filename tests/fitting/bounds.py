"""The least standard deviations that a simulated flight's readings allow: Cramer-Rao bounds computed from the true motion.

The flight's unknowns are the state and the propellant of each coast, and of each burn ignition, length, throttle, direction and how quickly that turns; at the edge of
a sphere of influence the place or time of the crossing. That each coast begins where the burn (or the crossing) before it ends is given a hundredth of a
digit of play, so little that it does not count. The gauges' errors are taken as normal with the last digit's variance, the clock's error is shared by a row,
and propellant that stays is read once. Information is summed over all that is joined. Descents and ascents, whose throttle and nose move, are tied by
propellant alone. Written for the tests: the weights and slacks of the analyser's own estimate do not enter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from simulator.instruments import UNIT, written

from analyser.fitting import conic
from analyser.fitting.burn_impulse import net_of
from analyser.fitting.finite_arcs import fly_burn

MOTION = ("altitude", "speed", "vertical_speed")


@dataclass
class Bounds:
    """Standard deviations by quantity, for each arc and burn by its place in the truth's lists; missing where nothing bounds it."""

    arcs: dict[int, dict[str, float]] = field(default_factory=dict)
    burns: dict[int, dict[str, float]] = field(default_factory=dict)


def bounds_of(flight, joined: bool = True) -> Bounds:
    """Bounds of a simulated flight (of gauges that show inertial motion); coast by coast where not ``joined``."""
    found = Bounds()
    for chain in _chains(flight.truth):
        if joined:
            _Chain(flight, chain).report(found)
            continue
        for k, (kind, place) in enumerate(chain):
            if kind == "arc":
                if flight.truth["arcs"][place]["kind"] == "coast":
                    _Chain(flight, [(kind, place)]).report(found)
            elif 0 < k < len(chain) - 1:
                found.burns[place] = {"spent": _by_propellant(flight, flight.truth["burns"][place], chain[k - 1][1], chain[k + 1][1])}
    return found


def _chains(truth: dict) -> list[list[tuple[str, int]]]:
    """Runs of coasts and the burns between them, in order, as ("arc" | "burn", place in the truth's list)."""
    phases = [(arc["start"], "arc", place, arc["kind"] != "air") for place, arc in enumerate(truth["arcs"])]
    phases += [(burn["ignition"], "burn", place, burn["from_stage"] == burn["to_stage"]) for place, burn in enumerate(truth["burns"])]
    chains: list[list[tuple[str, int]]] = [[]]
    for _, kind, place, joins in sorted(phases):
        if not joins:
            chains.append([])
        elif kind == "arc" or chains[-1]:
            chains[-1].append((kind, place))
    for chain in chains:
        if chain and chain[-1][0] == "burn":
            chain.pop()
    return [chain for chain in chains if chain]


def _planar(vector) -> np.ndarray:
    """Radius, radial and transverse speed of a position and velocity (6,)."""
    r, v = np.asarray(vector[:3], float), np.asarray(vector[3:6], float)
    size = float(np.linalg.norm(r))
    return np.array([size, float(r @ v) / size, float(np.linalg.norm(np.cross(r, v))) / size])


class _Chain:
    """One run of coasts and burns: every reading, and every figure asked for, differentiated by the unknowns."""

    def __init__(self, flight, chain):
        self.flight, self.sim, self.truth, self.chain = flight, flight.sim, flight.truth, chain
        self.values: list[float] = []
        self.steps: list[float] = []
        self.prior: list[float] = []
        self.rows: list[tuple[np.ndarray, np.ndarray]] = []  # places of unknowns, whitened derivatives
        self.asked: list[tuple[dict, str, np.ndarray, np.ndarray]] = []
        self.epochs: dict[int, float] = {}
        self.places = [self._count(kind, place, k) for k, (kind, place) in enumerate(chain)]
        self.arcs = {place: {} for kind, place in chain if kind == "arc"}
        self.burns = {place: {} for kind, place in chain if kind == "burn"}
        for k, (kind, place) in enumerate(chain):
            if kind == "burn":
                burn = self.truth["burns"][place]
                (self._burn if burn["kind"] == "orbit" else self._ground_burn)(burn, self.burns[place], k)
                continue
            if self.truth["arcs"][place]["kind"] == "landed":
                self._weigh(self.places[k], self._columns(self.places[k])[0], self._digit(self._standing(self.truth["arcs"][place]), "propellant"))
                continue
            if k and chain[k - 1][0] == "arc":
                self._cross(place, k)
            self._coast(place, self.places[k][-4:])

    # -- unknowns ------------------------------------------------------------------------------------

    def _add(self, value: float, step: float, prior: float = math.inf) -> None:
        self.values.append(float(value))
        self.steps.append(float(step))
        self.prior.append(float(prior))

    def _count(self, kind: str, place: int, k: int) -> np.ndarray:
        """Unknowns of a phase; where two coasts meet, that of the crossing comes before the second one's own."""
        first = len(self.values)
        if kind == "burn":
            if self.truth["burns"][place]["kind"] == "orbit":
                self._count_burn(self.truth["burns"][place])
            return np.arange(first, len(self.values))
        if k and self.chain[k - 1][0] == "arc":
            self._count_crossing(place)
        arc = self.truth["arcs"][place]
        if arc["kind"] == "landed":  # of a stay on the ground its propellant is all that is unknown
            self._add(self._propellant((arc["start"] + arc["end"]) / 2), 1e-6 * self.sim.craft.stages[0].propellant)
            return np.arange(first, first + 1)
        rows = self._rows_of(arc)
        middle = float(np.mean([row.met for row in rows])) if rows else (arc["start"] + arc["end"]) / 2
        self.epochs[place] = middle
        high, fast = self._digit(rows, "altitude"), self._digit(rows, "speed")
        for part, digit in zip(_planar(self.sim.state_at(middle)[1]), (high, fast, fast)):
            self._add(part, 0.03 * digit if math.isfinite(digit) else 1e-6 * abs(part))
        self._add(self._propellant(middle), 1e-6 * self.sim.craft.stages[0].propellant)
        return np.arange(first, len(self.values))

    def _rows_of(self, arc: dict) -> list:
        return [row for row in self.flight.book.rows if arc["start"] <= row.met <= arc["end"] and row.truth["kind"] == "coast"]

    def _propellant(self, met: float) -> float:
        segment, y = self.sim.state_at(met)
        return float(y[6]) - self.sim.craft.empty_mass(segment.stage)

    def _count_burn(self, burn: dict) -> None:
        stage = self.sim.craft.stages[burn["from_stage"]]
        length = burn["cutoff"] - burn["ignition"]
        early, late = self._gap(burn)
        self._add(burn["ignition"], 1e-3, early)
        self._add(length, 1e-4 * length, late)
        self._add(burn["propellant"] / stage.flow / length, 1e-5, 0.3)
        middle = (burn["ignition"] + burn["cutoff"]) / 2
        before, angle, after = (self._angle(met) for met in (middle - length / 4, middle, middle + length / 4))
        rate = math.remainder(after - before, 2 * math.pi) / (length / 2)
        r, vr, vt = _planar(self.sim.state_at(middle)[1])
        turning = math.hypot(math.hypot(vr, vt) / r, burn["spent"] * math.sin(angle) / math.hypot(vr, vt) / length)
        self._add(angle, 1e-5)
        self._add(rate, 1e-5 * turning, turning)

    def _gap(self, burn: dict) -> tuple[float, float]:
        """Standard deviations of ignition and cutoff by the rows' order alone."""
        mets = [row.met for row in self.flight.book.rows]
        before = max((met for met in mets if met < burn["ignition"]), default=burn["ignition"] - 1e4)
        after = min((met for met in mets if met > burn["cutoff"]), default=burn["cutoff"] + 1e4)
        inside = [met for met in mets if burn["ignition"] <= met <= burn["cutoff"]] or [after, before]
        return (inside[0] - before) / math.sqrt(12), (after - inside[-1]) / math.sqrt(12)

    def _angle(self, met: float) -> float:
        """Direction of the thrust from the velocity, positive outwards."""
        segment, y = self.sim.state_at(met)
        r, v = y[:3], y[3:6]
        nose, _ = segment.law(segment.cockpit, met, tuple(r.tolist()), tuple(v.tolist()), float(y[6]))
        up = r / np.linalg.norm(r)
        ahead = v / np.linalg.norm(v)
        across = np.cross(np.cross(r, v), up)
        across /= np.linalg.norm(across)
        vr, vt = float(v @ up), float(v @ across)
        side = (vt * up - vr * across) / math.hypot(vr, vt)
        return math.atan2(float(np.dot(nose, side)), float(np.dot(nose, ahead)))

    def _count_crossing(self, place: int) -> None:
        new = self.truth["arcs"][place]
        planet, moon, entering = self._pair(place)
        if entering:
            self._add(new["start"], 1e-3, 1e5)
        else:
            self._add(self._place_round(new["start"], planet, moon)[0], 1e-7)

    def _pair(self, place: int):
        old, new = self.truth["arcs"][place - 1]["body"], self.truth["arcs"][place]["body"]
        world = self.sim.world
        entering = world[new].parent == old
        return (world[old], world[new], True) if entering else (world[new], world[old], False)

    def _place_round(self, met: float, planet, moon):
        """Angle of the craft at the moon from the planet's far side, angle at the planet from the moon, and senses of motion about both."""
        segment, y = self.sim.state_at(met)
        place, moving = (np.array(part) for part in moon.place(met))
        from_moon = np.concatenate([y[:3] - place, y[3:6] - moving]) if segment.body.name == planet.name else y[:6]
        from_planet = np.concatenate([from_moon[:3] + place, from_moon[3:6] + moving])

        def angle(x):
            return math.atan2(place[0] * x[1] - place[1] * x[0], place[0] * x[0] + place[1] * x[1])

        turn = [math.copysign(1.0, x[0] * x[4] - x[1] * x[3]) for x in (from_moon, from_planet)]
        return angle(from_moon), angle(from_planet), turn[0], turn[1]

    # -- the flight ----------------------------------------------------------------------------------

    def _standing(self, arc: dict) -> list:
        return [row for row in self.flight.book.rows if arc["start"] <= row.met <= arc["end"] and row.truth["kind"] == "landed"]

    def _ground_burn(self, burn: dict, figures: dict, k: int) -> None:
        """Throttle and steering move as the pilot likes: what was left before and after is all that tells what was spent."""
        places = np.array([self.places[k - 1][-1], self.places[k + 1][-1]])
        heavy, light = self.sim.craft.empty_mass(burn["from_stage"]) + self._columns(places)
        exhaust = self.sim.craft.stages[burn["from_stage"]].specific_impulse * 9.80665
        self.asked.append((figures, "spent", places, exhaust * np.log(heavy / light)))

    def _columns(self, places) -> np.ndarray:
        """Values of some unknowns (n, 1 + 2 n): as they are, each a step up, each a step down."""
        steps = np.diag([self.steps[k] for k in places])
        return np.array([self.values[k] for k in places])[:, None] + np.concatenate([np.zeros((len(places), 1)), steps, -steps], axis=1)

    def _coast(self, place: int, places: np.ndarray) -> None:
        arc, figures, epoch = self.truth["arcs"][place], self.arcs[place], self.epochs[place]
        mu = self.sim.world[arc["body"]].mu
        columns = self._columns(places)
        state, left = columns[:3], columns[3]
        rows = self._rows_of(arc)
        mets = np.array([row.met for row in rows])
        if len(rows):
            r, vr, vt = conic.propagate(mu, *(part[None] for part in state), mets[:, None] - epoch)
            rates = np.stack([vr, (vt * vt / r - mu / r**2), -vr * vt / r])[:, :, 0]
            self._read(places, rows, np.stack([r, vr, vt]), rates)
            self._weigh(places, left, self._digit(rows, "propellant"))
        found = conic.shape(mu, *state)
        radius = self.sim.world[arc["body"]].radius
        since = found.time_since_periapsis
        if arc["period"]:
            since = since - found.period * np.round((since - since[0]) / found.period)
            # the passage that the truth tells
            since = since - np.round((epoch - since[0] - arc["periapsis_time"]) / arc["period"]) * -found.period
        asked = {
            "semi_major_axis": found.semi_major_axis, "eccentricity": found.eccentricity,
            "periapsis_altitude": found.periapsis_radius - radius, "periapsis_time": epoch - since,
        }  # fmt: skip
        if arc["period"]:
            asked |= {"apoapsis_altitude": found.apoapsis_radius - radius, "period": found.period}
        self.asked += [(figures, name, places, values) for name, values in asked.items()]

    def _side(self, k: int, columns: np.ndarray, met) -> np.ndarray:
        """State (3, C) of the coast that is phase k at times (C,), from its four unknowns."""
        place = self.chain[k][1]
        mu = self.sim.world[self.truth["arcs"][place]["body"]].mu
        return np.stack(conic.propagate(mu, *columns[:3], met - self.epochs[place]))

    def _burn(self, burn, figures, k: int) -> None:
        places = np.concatenate([self.places[k - 1][-4:], self.places[k], self.places[k + 1][-4:]])
        columns = self._columns(places)
        before, left, (ignition, length, throttle, angle, rate), after = columns[:4], columns[3], columns[4:9], columns[9:]
        mu = self.sim.world[burn["body"]].mu
        stage = self.sim.craft.stages[burn["from_stage"]]
        empty, exhaust = self.sim.craft.empty_mass(burn["from_stage"]), stage.specific_impulse * 9.80665
        used = stage.flow * throttle * length
        spent = exhaust * np.log((empty + left) / (empty + left - used))
        start = self._side(k - 1, before, ignition)
        cutoff = ignition + length
        rows = [row for row in self.flight.book.rows if burn["ignition"] < row.met < burn["cutoff"]]
        mets = np.array([row.met for row in rows])
        end, along = fly_burn(mu, start, ignition, cutoff, spent, angle, rate, exhaust, [*mets, *(mets - 0.25), *(mets + 0.25)])
        if len(rows):
            now, sooner, later = np.split(along, 3, axis=1)
            burnt = left - stage.flow * throttle * (mets[:, None] - ignition)
            self._read(places, rows, now, (later - sooner)[:, :, 0] / 0.5, burnt, -float((stage.flow * throttle)[0]))
            for row in rows:
                self._weigh(places, throttle, self._digit([row], "throttle"))
        met = self._side(k + 1, after, cutoff)
        self._join(places, np.concatenate([end - met, (left - used - after[3])[None]]), k)
        self.asked += [(figures, "spent", places, spent), (figures, "ignition", places, ignition), (figures, "cutoff", places, cutoff)]
        if burn.get("net") is not None:
            centroid = ignition + (burn["centroid"] - burn["ignition"]) * length / length[0]
            self.asked.append((figures, "net", places, _net(mu, start, ignition, met, cutoff, centroid)))

    def _join(self, places, apart: np.ndarray, k: int) -> None:
        """Residuals (4, C) of position, velocity and propellant that must vanish."""
        rows = [row for n in (k - 1, k + 1, k) if 0 <= n < len(self.chain) and self.chain[n][0] == "arc"
                for row in self._rows_of(self.truth["arcs"][self.chain[n][1]])]  # fmt: skip
        high, fast, left = (self._digit(rows, name) for name in ("altitude", "speed", "propellant"))
        for part, digit in zip(apart, (high, fast, fast, left)):
            self._weigh(places, part, 0.01 * digit if math.isfinite(digit) else 1e-3)

    def _cross(self, place: int, k: int) -> None:
        """Tie two coasts at the edge of a sphere of influence."""
        places = np.concatenate([self.places[k - 1][-4:], self.places[k]])
        columns = self._columns(places)
        before, unknown, after = columns[:4], columns[4], columns[5:]
        planet, moon, entering = self._pair(place)
        met = self.truth["arcs"][place]["start"]
        _, at_planet, sense_moon, sense_planet = self._place_round(met, planet, moon)
        if entering:
            met = unknown
        else:
            met = np.full(columns.shape[1], met)
            for _ in range(3):
                r, vr, _vt = self._side(k - 1, before, met)
                met = met + (moon.soi - r) / vr
        r, vr, vt = self._side(k - 1, before, met)
        far, out, along = np.array([_planar(np.concatenate(moon.place(float(t)))) for t in met]).T
        turn = math.copysign(1.0, moon.mean_motion)
        if entering:
            cos = (r**2 + far**2 - moon.soi**2) / (2 * r * far)
            sin = math.copysign(1.0, at_planet) * np.sqrt(1 - cos**2)
            x, y = r * cos - far, r * sin
            vx, vy = vr * cos - sense_planet * vt * sin - out, vr * sin + sense_planet * vt * cos - turn * along
        else:
            cos, sin = np.cos(unknown), np.sin(unknown)
            x, y = far + moon.soi * cos, moon.soi * sin
            vx, vy = out + vr * cos - sense_moon * vt * sin, turn * along + vr * sin + sense_moon * vt * cos
        size = np.hypot(x, y)
        found = np.stack([size, (x * vx + y * vy) / size, np.abs(x * vy - y * vx) / size])
        self._join(places, np.concatenate([found - self._side(k, after, met), (before[3] - after[3])[None]]), k)

    # -- information ---------------------------------------------------------------------------------

    def _digit(self, rows, name: str) -> float:
        """Standard deviation of a gauge as written in the first of some rows that has it; inf where none does."""
        for row in rows:
            if row.cells.get(name) and row.truth.get(name) is not None:
                _, unit, decimals = written(row.truth[name], self.flight.book.gauges[name])
                return UNIT[unit] * 10.0**-decimals / math.sqrt(12)
        return math.inf

    def _slope(self, places, values: np.ndarray) -> np.ndarray:
        count = len(places)
        return (values[..., 1 : count + 1] - values[..., count + 1 :]) / (2 * np.array([self.steps[k] for k in places]))

    def _weigh(self, places, values: np.ndarray, sigma: float) -> None:
        if math.isfinite(sigma):
            self.rows.append((places, self._slope(places, values)[None] / sigma))

    def _read(self, places, rows, states, rates, left=None, flow: float = 0.0) -> None:
        """The rows' motion gauges: ``states`` (3, m, C), ``rates`` (3, m); under thrust their propellant, too: ``left`` (m, C) and its rate. The clock's error is a row's."""
        r, vr, vt = states
        speed = np.hypot(vr, vt)
        gauges = MOTION if left is None else (*MOTION, "propellant")
        slopes = np.stack([self._slope(places, part) for part in (r, speed, vr, *([] if left is None else [left]))], axis=1)  # (m, 3 or 4, P)
        moving = np.stack([rates[0], (vr[:, 0] * rates[1] + vt[:, 0] * rates[2]) / speed[:, 0], rates[1], np.full(len(rows), flow)], axis=1)
        clock = 10.0**-self.flight.book.clock_decimals / math.sqrt(12)
        for k, row in enumerate(rows):
            slipped = {slip["column"] for slip in row.slips}
            read = [c for c, name in enumerate(gauges) if row.cells.get(name) and name not in slipped]
            if not read:
                continue
            sigma = np.array([self._digit([row], gauges[c]) for c in read])
            covariance = np.diag(sigma**2) + clock**2 * np.outer(moving[k, read], moving[k, read])
            self.rows.append((places, np.linalg.solve(np.linalg.cholesky(covariance), slopes[k, read])))

    def covariance(self) -> np.ndarray:
        """Of the unknowns; nan where the readings leave them open."""
        information = np.zeros((len(self.values), len(self.values)))
        for places, slopes in self.rows:
            information[np.ix_(places, places)] += slopes.T @ slopes
        information += np.diag(1 / np.array(self.prior) ** 2)
        size = np.sqrt(np.maximum(np.diag(information), 1e-300))
        scaled = information / np.outer(size, size)
        if np.linalg.eigvalsh(scaled)[0] < 1e-14:
            return np.full_like(information, np.nan)
        return np.linalg.inv(scaled) / np.outer(size, size)

    def report(self, found: Bounds) -> None:
        """Standard deviations of the figures of every arc and burn of the chain."""
        covariance = self.covariance()
        for figures, name, places, values in self.asked:
            slope = self._slope(places, np.asarray(values, float))
            figures[name] = float(np.sqrt(slope @ covariance[np.ix_(places, places)] @ slope))
        found.arcs.update(self.arcs)
        found.burns.update(self.burns)


def _net(mu, start, ignition, after, cutoff, centroid) -> np.ndarray:
    """Net impulse between the coasts through two states at the centroid's time."""
    shapes = [((vr * vr + vt * vt) / 2 - mu / r, r * vt) for r, vr, vt in (start, after)]
    there = [np.stack(conic.propagate(mu, *state, centroid - met)) for state, met in ((start, ignition), (after, cutoff))]
    return net_of(mu, *shapes[0], *shapes[1], *there)


def _by_propellant(flight, burn: dict, before: int, after: int) -> float:
    """Standard deviation of what a burn spent by propellant read in the two arcs beside it."""
    exhaust = flight.sim.craft.stages[burn["from_stage"]].specific_impulse * 9.80665
    total = 0.0
    for met, place in ((burn["ignition"], before), (burn["cutoff"], after)):
        arc = flight.truth["arcs"][place]
        rows = [row for row in flight.book.rows if arc["start"] - 1 <= row.met <= arc["end"] + 1]
        total += (exhaust / float(flight.sim.state_at(met)[1][6]) * _propellant_digit(flight, rows)) ** 2
    return math.sqrt(total)


def _propellant_digit(flight, rows) -> float:
    for row in rows:
        if row.cells.get("propellant") and row.truth.get("propellant") is not None:
            _, unit, decimals = written(row.truth["propellant"], flight.book.gauges["propellant"])
            return UNIT[unit] * 10.0**-decimals / math.sqrt(12)
    return math.inf
