"""What really happened, as plain data for ``truth.json``: arcs, burns, touchdowns, transitions. SI and radians."""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import solve_ivp

from .motion import CLOCK_MOMENT, DRAG, GRAVITY, MASS, SPENT, STEERING, Segment, Simulation


def elements(mu: float, radius: float, y, met: float, near: float | None = None) -> dict:
    """Shape and timing of the conic through a state.

    ``near``: of all periapsis passages of a closed orbit, the one nearest to this time is given.
    """
    r, v = np.asarray(y[:3], float), np.asarray(y[3:6], float)
    distance = float(np.linalg.norm(r))
    h = np.cross(r, v)
    e_vector = np.cross(v, h) / mu - r / distance
    e = float(np.linalg.norm(e_vector))
    energy = float(v @ v) / 2.0 - mu / distance
    a = -mu / (2.0 * energy)
    rp = float(h @ h) / mu / (1.0 + e)
    closed = energy < 0.0
    told = {
        "semi_major_axis": a,
        "eccentricity": e,
        "periapsis_altitude": rp - radius,
        "apoapsis_altitude": a * (1.0 + e) - radius if closed else None,
        "energy": energy,
        "angular_momentum": float(np.linalg.norm(h)),
        "inclination": math.acos(max(-1.0, min(1.0, h[2] / np.linalg.norm(h)))),
        "period": 2.0 * math.pi * math.sqrt(a**3 / mu) if closed else None,
    }
    along = float(r @ v) / math.sqrt(mu * abs(a))  # e sin E, or e sinh F
    if closed:
        anomaly = math.atan2(along, 1.0 - distance / a)
        since = (anomaly - e * math.sin(anomaly)) * math.sqrt(a**3 / mu)
        passage = met - since
        near = met if near is None else near
        passage += told["period"] * round((near - passage) / told["period"])
    else:
        anomaly = math.asinh(along / e)
        passage = met - (e * math.sinh(anomaly) - anomaly) * math.sqrt(-(a**3) / mu)
    told["periapsis_time"] = passage
    return told


def _groups(sim: Simulation) -> list[list[Segment]]:
    """Segments that belong together: one conic, one burn, one stay."""
    groups: list[list[Segment]] = []
    for segment in sim.segments:
        if segment.end - segment.start <= 1e-9:
            continue
        last = groups[-1][-1] if groups else None
        if last is not None and last.kind == segment.kind and last.body.name == segment.body.name:
            groups[-1].append(segment)
        else:
            groups.append([segment])
    return groups


def arcs_of(sim: Simulation) -> list[dict]:
    """Coasts (conics), coasts through air and stays on the ground, in order of time."""
    found = []
    for group in _groups(sim):
        first, last = group[0], group[-1]
        if first.kind == "burn":
            continue
        arc = {"body": first.body.name, "kind": first.kind, "start": first.start, "end": last.end}
        if first.kind == "coast":
            arc |= elements(first.body.mu, first.body.radius, first.state, first.start, (first.start + last.end) / 2)
            arc["state"] = {"met": first.start, "position": first.state[:3].tolist(), "velocity": first.state[3:6].tolist()}
        found.append(arc)
    return found


def _speeds_at(mu: float, y, radius: float) -> tuple[float, float]:
    """(radial speed without sign, transverse speed) of the conic through a state where it has a radius."""
    r, v = np.asarray(y[:3], float), np.asarray(y[3:6], float)
    h = float(np.linalg.norm(np.cross(r, v)))
    energy = float(v @ v) / 2.0 - mu / float(np.linalg.norm(r))
    across = h / radius
    return math.sqrt(max(0.0, 2.0 * (energy + mu / radius) - across**2)), across


def _range(mu: float, body_radius: float, y) -> tuple[float, float]:
    shape = elements(mu, body_radius, y, 0.0)
    top = shape["apoapsis_altitude"]
    return shape["periapsis_altitude"] + body_radius, math.inf if top is None else top + body_radius


def _coasted(mu: float, y, met: float, to: float) -> np.ndarray:
    """A state carried along its conic (numerically) to another time."""
    def fall(t, s):
        k = -mu / (s[0] * s[0] + s[1] * s[1] + s[2] * s[2]) ** 1.5
        return (s[3], s[4], s[5], k * s[0], k * s[1], k * s[2])

    if met == to:
        return np.asarray(y[:6])
    return solve_ivp(fall, (met, to), y[:6], method="DOP853", rtol=1e-11, atol=1e-6).y[:, -1]


def _swept(group: list[Segment]) -> float:
    """Angle that a burn sweeps about the body, rad."""
    total = 0.0
    for segment in group:
        mets = np.linspace(segment.start, segment.end, 9)
        places = [segment.at(met)[:3] for met in mets]
        for p, q in zip(places, places[1:]):
            total += math.acos(max(-1.0, min(1.0, float(p @ q) / float(np.linalg.norm(p) * np.linalg.norm(q)))))
    return total


def _net(mu: float, body_radius: float, before, ignition: float, after, cutoff: float, centroid: float) -> dict:
    """The one impulse between two conics at the radius both share nearest to the burn's centroid.

    The impulse would happen where the two conics are at the centroid's time: midway between their radii. Conics that miss
    each other by a little (a finite burn does that) are joined in the middle of the gap.
    """
    there_b = _coasted(mu, before, ignition, centroid)
    there_a = _coasted(mu, after, cutoff, centroid)
    radius = 0.5 * float(np.linalg.norm(there_b[:3]) + np.linalg.norm(there_a[:3]))
    low_b, high_b = _range(mu, body_radius, before)
    low_a, high_a = _range(mu, body_radius, after)
    low, high = max(low_b, low_a), min(high_b, high_a)
    if low - high > 0.03 * radius:
        return {"net_reason": "the conics before and after share no radius"}
    radius = min(max(radius, low), high) if low <= high else 0.5 * (low + high)
    up_b, across_b = _speeds_at(mu, before, radius)
    up_a, across_a = _speeds_at(mu, after, radius)
    # rising or falling: as each conic does at the centroid's time
    up_b = math.copysign(up_b, float(there_b[:3] @ there_b[3:6]))
    up_a = math.copysign(up_a, float(there_a[:3] @ there_a[3:6]))
    h_b, h_a = np.cross(before[:3], before[3:6]), np.cross(after[:3], after[3:6])
    tilt = float(h_b @ h_a) / float(np.linalg.norm(h_b) * np.linalg.norm(h_a))
    across = across_a**2 + across_b**2 - 2.0 * across_a * across_b * min(1.0, max(-1.0, tilt))
    return {"net": math.sqrt((up_a - up_b) ** 2 + max(0.0, across)), "net_radius": radius,
            "net_radial": up_a - up_b, "net_transverse": across_a - across_b}


def burns_of(sim: Simulation) -> list[dict]:
    """Every burn: times, propellant, integrals along the path, and the one impulse that pictures it."""
    groups = _groups(sim)
    found = []
    for index, group in enumerate(groups):
        first, last = group[0], group[-1]
        if first.kind != "burn":
            continue
        body, end = first.body, last.end_state
        spent = float(end[SPENT])
        centroid = first.start + float(end[CLOCK_MOMENT]) / spent if spent else first.start
        segment, place = sim.state_at(centroid)
        previous = groups[index - 1][0].kind if index else "coast"
        following = groups[index + 1][0].kind if index + 1 < len(groups) else ("landed" if sim.landed else "coast")
        swept = _swept(group)
        burn = {
            "body": body.name, "ignition": first.start, "cutoff": last.end,
            "propellant": sum(float(part.state[MASS] - part.end_state[MASS]) for part in group),
            "spent": spent, "steering_loss": float(end[STEERING]), "gravity_loss": float(end[GRAVITY]),
            "drag_loss": float(end[DRAG]),
            "speed_before": float(np.linalg.norm(first.state[3:6])), "speed_after": float(np.linalg.norm(end[3:6])),
            "centroid": centroid, "centroid_altitude": float(np.linalg.norm(place[:3])) - body.radius, "swept": swept,
            "kind": "liftoff" if previous == "landed" else "landing" if following == "landed" else "orbit",
            "from_stage": first.stage, "to_stage": last.stage, "net": None,
        }
        if previous == "landed" or following == "landed":
            burn["net_reason"] = "begins or ends on the ground"
        elif "air" in (previous, following):
            burn["net_reason"] = "begins or ends in the air, where no conic holds"
        elif swept > math.radians(60.0):
            burn["net_reason"] = "sweeps more than 60 degrees about the body"
        else:
            burn |= _net(body.mu, body.radius, first.state, first.start, end, last.end, centroid)
        found.append(burn)
    return found


def truth_of(sim: Simulation) -> dict:
    """Everything about a finished flight that can be held against what an analysis finds."""
    return {
        "arcs": arcs_of(sim),
        "burns": burns_of(sim),
        "transitions": [*sim.transitions],
        "stagings": [*sim.stagings],
        "touchdowns": [*sim.touchdowns],
        "start": sim.segments[0].start,
        "end": sim.segments[-1].end,
        "propellant_left": sim.propellant,
        "all_pull": sim.all_pull,
    }
