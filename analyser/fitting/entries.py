"""Every fall into air of a flight: how it met the air, how hard it was stopped, where its speed went, when parachutes opened, and how that stands in the corridor.

The orbit is that fitted to the readings above the air; from the top of the air on, the fall is integrated with drag. Where readings taken in the air allow it, they and the
orbit are fitted together, the ballistic coefficient with them. No lift, no wind; nothing is said of heating, which the model does not hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import ChuteOpening, Entry, Estimate, Landing
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burns import AuditedBurn
from analyser.fitting.corridor import Corridor, corridor
from analyser.fitting.entry_figures import corridor_edges, greatest_read, path_of
from analyser.fitting.entry_path import at_the_top
from analyser.fitting.entry_fit import Posterior, fallen, fit_fall
from analyser.fitting.entry_readings import Opening, openings, way_down
from analyser.fitting.entry_words import notes, warnings
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import SAMPLES, standard_normals
from analyser.fitting.transfer import apsides, time_from_periapsis
from analyser.flight import Body, Craft

_CRAFT_SPREAD = 0.05  # relative, of a ballistic coefficient from the craft file: its drag area is written with a digit or two
_UNKNOWN_SPREAD = 1.5  # of the logarithm, where nothing is known of it
_GUESS = 500.0  # kg/m^2, a craft of which nothing is known
_TOLD = 0.2  # relative: so well the readings must tell a ballistic coefficient that the craft file does not
_AFRESH = 0.02  # of the logarithm: so far off the first guess, parachutes are sought again


@dataclass(frozen=True)
class Descent:
    """One fall into air as it lies in the flight: the orbit before, the rows in the air, what follows."""

    arc: FittedArc
    following: FittedArc | None
    inside: tuple[int, ...]
    kind: str


def descents(arcs: list[FittedArc], between, rows: PanelRows, audited: list[AuditedBurn]) -> list[Descent]:
    """The falls into air of a flight, in order.

    Parameters
    ----------
    arcs : list of FittedArc
    between : tuple of tuples of rows
        Before each arc and after the last, as :class:`analyser.fitting.chain.Chain` has them.
    rows : PanelRows
    audited : list of AuditedBurn
    """
    found = []
    burnt = {item.burn.before for item in audited}
    for number, arc in enumerate(arcs):
        if arc.kind != "coast" or not _has_air(arc.body):
            continue
        low, _ = apsides(arc.body.mu, arc.energy, arc.momentum)
        if not float(low) < arc.body.radius + arc.body.air_top:
            continue
        if arc.energy >= 0 and _top(arc)[2] < arc.end - 1.0:
            continue  # on its way out, for good
        following = arcs[number + 1] if number + 1 < len(arcs) else None
        inside = tuple(row for row in between[number + 1] if rows.in_air[row] and rows.body[row] == arc.body.name)
        if following is None:
            kind = "unfinished" if inside else "ahead"
        elif following.body.name != arc.body.name:
            continue
        elif following.kind == "landed":
            kind = "landing"
        elif inside and arc.index not in burnt:
            kind = "pass"
        else:
            continue
        found.append(Descent(arc, following, inside, kind))
    return found


def _has_air(body: Body) -> bool:
    air = body.atmosphere
    return air is not None and air.top > 0 and (bool(air.table) or math.isfinite(air.surface_density + air.scale_height))


def find_entries(
    arcs: list[FittedArc], between, rows: PanelRows, audited: list[AuditedBurn], propellant: PropellantHistory, landings: tuple[Landing, ...]
) -> tuple[Entry, ...]:
    """Everything told of the falls into air of a flight; parameters as :func:`descents`."""
    return tuple(_entry(descent, rows, propellant, landings) for descent in descents(arcs, between, rows, audited))


def _entry(descent: Descent, rows: PanelRows, propellant: PropellantHistory, landings: tuple[Landing, ...]) -> Entry:
    arc, body = descent.arc, descent.arc.body
    spin = _spin(arc)
    craft = propellant.craft
    firing = next((row for row in descent.inside if rows.value["throttle"][row] > 0.005), None)
    inside = tuple(row for row in descent.inside if firing is None or row < firing)
    ignition = math.inf if firing is None else float(rows.met[firing])
    own = _own_ballistic(arc, inside, propellant)
    samples = _top_samples(arc)
    mean = np.append(_top(arc), math.log(own if math.isfinite(own) else _GUESS))
    covariance = _covariance(samples, _CRAFT_SPREAD if math.isfinite(own) else _UNKNOWN_SPREAD)
    way = way_down(inside, rows, body, spin)
    seen, level = openings(way, body, rows, own if math.isfinite(own) else _GUESS, math.isfinite(own))
    if not math.isfinite(own):
        mean[3] = math.log(level)
    until = min(ignition, _first(way, seen))
    fitted = fit_fall(body, spin, mean, covariance, inside, rows, until)
    if fitted.used and fitted.ballistic_sigma < _TOLD and abs(fitted.mean[3] - math.log(level)) > _AFRESH:
        seen, _ = openings(way, body, rows, math.exp(fitted.mean[3]), True)
        if min(ignition, _first(way, seen)) != until:
            until = min(ignition, _first(way, seen))
            fitted = fit_fall(body, spin, mean, covariance, inside, rows, until)
    told = bool(fitted.used) and fitted.ballistic_sigma < _TOLD
    known = told or math.isfinite(own)
    source = "readings" if told and fitted.ballistic_sigma < 0.8 * math.sqrt(covariance[3, 3]) else "craft file" if math.isfinite(own) else ""
    draws = _draws(fitted, arc.index)
    stop = min(float(np.median(seen[0].met)) if seen else math.inf, ignition)
    if known:
        end, when = _until(descent, draws, seen, ignition)
        flown = fallen(body, spin, draws, np.maximum(when, 0.0))
        peak, peak_met, peak_altitude = flown.peak()
        account = end, *(_spread(part, "m/s") for part in (np.hypot(flown.radial[-1], flown.transverse[-1]), *flown.account()))
    else:
        peak = peak_met = peak_altitude = np.full(len(draws), np.nan)
        account = "", *[Estimate.unknown("m/s", "the fall can't be reckoned without the mass over the drag area")] * 3
    shape = _shape(body, draws)
    limit = craft.max_acceleration if craft is not None else math.nan
    ways = corridor(body, float(fitted.mean[0]), math.exp(fitted.mean[3]) if known else math.nan, limit, forward=spin >= 0) if _arrives(body, fitted.mean[0]) else None
    read = greatest_read(inside, way, rows, until)
    why = "neither the craft file nor the readings in the air tell the mass over the drag area"
    entry = Entry(
        body=body.name, kind=descent.kind, before=arc.index, met=_spread(draws[:, 2], "s"), speed=_spread(shape[0], "m/s"),
        flight_path_angle=_spread(shape[1], "rad"), periapsis_altitude=_spread(shape[2], "m"),
        ballistic=_spread(np.exp(draws[:, 3]), "kg/m^2") if known else Estimate.unknown("kg/m^2", why), ballistic_from=source,
        peak_deceleration=_or(peak, "m/s^2", why, known), peak_met=_or(peak_met + draws[:, 2], "s", why, known), peak_altitude=_or(peak_altitude, "m", why, known),
        read_deceleration=read[0], read_met=read[1], read_altitude=read[2], read_from=read[3],
        openings=tuple(ChuteOpening(_spread(one.met, "s"), _spread(one.altitude, "m"), _spread(one.speed, "m/s"), one.told_by) for one in seen),
        account_end=account[0], end_speed=account[1], drag_loss=account[2], gravity_gain=account[3], touchdown_speed=_touchdown(descent, landings),
        **_in_corridor(ways, shape[2]), path=path_of(body, spin, fitted, stop, way, seen) if known else (), edges=corridor_edges(body, ways, fitted, spin),
        readings=tuple((float(r - body.radius), float(v)) for r, v in zip(way.radius, way.through)),
    )  # fmt: skip
    return _worded(entry, craft, ways, own, fitted, told)


def _worded(entry: Entry, craft: Craft | None, ways: Corridor | None, own: float, fitted: Posterior, told: bool) -> Entry:
    from dataclasses import replace

    return replace(entry, warnings=warnings(entry, craft, ways), remarks=notes(entry, ways, own, fitted, told))


def _first(way, seen: list[Opening]) -> float:
    """MET up to which no parachute was open yet."""
    return float(way.met[seen[0].pair]) + 0.5 if seen else math.inf


def _spin(arc: FittedArc) -> float:
    """How fast the air turns in the plane of motion, rad/s: with the motion, where the plane is not known as about the equator."""
    tilt = (arc.estimates or {}).get("inclination")
    return arc.body.rotation_rate * (math.cos(tilt.value) if tilt is not None and tilt.known else 1.0)


def _own_ballistic(arc: FittedArc, inside, propellant: PropellantHistory) -> float:
    """Mass over drag area by the craft file and the propellant gauge, kg/m^2; nan where unknown."""
    craft = propellant.craft
    if craft is None or not craft.drag_area > 0:
        return math.nan
    known = propellant.known((*range(arc.rows[0] + 1), *arc.rows, *inside))
    mass = propellant.mass(max(known)) if known else math.nan
    return mass / craft.drag_area


def _arrives(body: Body, energy: float) -> bool:
    return energy + body.mu / (body.radius + body.air_top) > 0


def _top(arc: FittedArc) -> np.ndarray:
    """Energy, angular momentum and MET at the top of the air, the first time after the arc's last reading."""
    return _crossing(arc, arc.state[None], None)[0]


def _crossing(arc: FittedArc, states: np.ndarray, turns: float | None) -> np.ndarray:
    """(k, 3): energy, angular momentum, MET at which each state comes down through the top of the air."""
    body, mu = arc.body, arc.body.mu
    r, vr, vt = states.T
    energy, momentum = (vr**2 + vt**2) / 2 - mu / r, np.abs(r * vt)
    since = np.sign(vr) * np.asarray(time_from_periapsis(mu, energy, momentum, r), float)
    before = np.asarray(time_from_periapsis(mu, energy, momentum, np.full_like(r, body.radius + body.air_top)), float)
    with np.errstate(invalid="ignore"):
        period = np.where(energy < 0, 2 * math.pi * np.sqrt(np.abs(mu / (2 * energy)) ** 3 / mu), 0.0)
    met = arc.epoch - since - before
    if turns is None:
        turns = math.ceil((arc.end - 1.0 - met[0]) / period[0]) if period[0] > 0 and math.isfinite(period[0]) else 0.0
    return np.stack([energy, momentum, met + turns * period], axis=1)


def _top_samples(arc: FittedArc) -> np.ndarray:
    first = _crossing(arc, arc.state[None], None)[0]
    plain = _crossing(arc, arc.state[None], 0.0)[0]
    energy = first[0]
    turns = 0.0
    if energy < 0:
        turns = round((first[2] - plain[2]) / (2 * math.pi * math.sqrt((arc.body.mu / (-2 * energy)) ** 3 / arc.body.mu)))
    return _crossing(arc, arc.samples, turns)


def _covariance(samples: np.ndarray, ballistic_sigma: float) -> np.ndarray:
    good = samples[np.isfinite(samples).all(axis=1)]
    covariance = np.zeros((4, 4))
    covariance[:3, :3] = np.cov(good.T)
    # a floor, so that what is known nearly exactly still leaves a matrix that can be turned round
    covariance[:3, :3] += np.diag((1e-9 * np.abs(good.mean(axis=0)) + np.array([1e-6, 1e-3, 1e-6])) ** 2)
    covariance[3, 3] = ballistic_sigma**2
    return covariance


def _draws(fitted: Posterior, stream: int) -> np.ndarray:
    """Samples (k, 4) of the fitted fall, its mean the first."""
    values, vectors = np.linalg.eigh(fitted.covariance / np.outer(scale := np.sqrt(np.diag(fitted.covariance)), scale))
    root = vectors * np.sqrt(np.clip(values, 0, None))
    return np.vstack([fitted.mean, fitted.mean + (standard_normals(4, 4000 + stream) @ root.T) * scale])


def _shape(body: Body, draws: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed and flight-path angle at the top of the air, and the periapsis altitude of the orbit above it."""
    start = at_the_top(body, draws[:, 0], draws[:, 1])
    low, _ = apsides(body.mu, draws[:, 0], draws[:, 1])
    return np.hypot(start[:, 1], start[:, 2]), np.arctan2(start[:, 1], start[:, 2]), np.asarray(low) - body.radius


def _until(descent: Descent, draws: np.ndarray, seen: list[Opening], ignition: float) -> tuple[str, np.ndarray]:
    """What ends the unbraked fall, and when, seconds after the top of the air, (k,)."""
    if seen and np.median(seen[0].met) < ignition:
        met = np.sort(seen[0].met)
        order = (np.random.default_rng(3).permutation(len(draws)) + 0.5) / len(draws)
        when = np.interp(order, (np.arange(len(met)) + 0.5) / len(met), met)
        when[0] = np.median(met)
        return "parachute", when - draws[:, 2]
    if math.isfinite(ignition):
        return "ignition", ignition - draws[:, 2]
    return "leaving the air" if descent.kind == "pass" else "touchdown", np.full(len(draws), math.inf)


def _touchdown(descent: Descent, landings: tuple[Landing, ...]) -> Estimate:
    """Speed over the ground at contact, as the landing tells it."""
    if descent.kind != "landing":
        return Estimate.unknown("m/s", "no touchdown was read")
    own = [one for one in landings if one.kind == "touchdown" and one.body == descent.arc.body.name and one.met.known and one.met.value >= descent.arc.end]
    if own and own[0].vertical_speed.known:
        down, across = own[0].vertical_speed, own[0].horizontal_speed
        level = across.value if across.known else 0.0
        size = math.hypot(down.value, level)
        sigma = math.hypot(down.value * down.sigma, level * across.sigma if across.known else 0.0) / max(size, 1e-6)
        return Estimate.of(size, sigma, "m/s")
    return Estimate.unknown("m/s", own[0].vertical_speed.reason if own else "no touchdown was read")


def _in_corridor(ways: Corridor | None, periapsis: np.ndarray) -> dict:
    if ways is None:
        return {}
    if not ways.known:
        return {"corridor_limit": ways.limit, "corridor_limit_from": _limit_from(ways), "corridor_miss": Estimate.unknown("m", ways.reason)}
    miss = np.maximum(periapsis - ways.highest, 0.0) + np.minimum(periapsis - ways.lowest, 0.0)
    return {
        "corridor_low": ways.lowest, "corridor_high": ways.highest, "corridor_limit": ways.limit, "corridor_limit_from": _limit_from(ways), "corridor_miss": _spread(miss, "m"),
    }  # fmt: skip


def _limit_from(ways: Corridor) -> str:
    return "common practice" if ways.limit_usual else "craft file"


def _spread(samples: np.ndarray, unit: str) -> Estimate:
    """The first sample (or the median of those of an opening) with the interval of all."""
    samples = np.asarray(samples, float)
    good = samples[np.isfinite(samples)]
    if len(good) < 0.9 * len(samples) or not len(good):
        return Estimate.unknown(unit, "the readings leave it open")
    low, high = np.quantile(good, [0.025, 0.975])
    value = float(samples[0]) if len(samples) == SAMPLES + 1 and np.isfinite(samples[0]) else float(np.median(good))
    return Estimate(value, float(np.std(good)), float(min(low, value)), float(max(high, value)), unit)


def _or(samples: np.ndarray, unit: str, why: str, known: bool) -> Estimate:
    return _spread(samples, unit) if known else Estimate.unknown(unit, why)
