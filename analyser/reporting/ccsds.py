"""Arcs as orbit messages: keyword = value notation of CCSDS 502.0-B, *Orbit Data Messages*.

Where latitude and longitude were read, an arc is given in the body's axes that do not turn, z along its spin, x through the prime meridian at MET 0:
ALIGN_CB of the SANA registry of celestial body reference frames (the body-fixed axes, held from an epoch on), with MET 0 as REF_FRAME_EPOCH. Elsewhere
what the readings tell is a conic in its own plane; such an arc is given in its own perifocal frame, PQW_INERTIAL of the registry of
orbit-relative reference frames: x towards periapsis, z along the angular momentum. How that frame lies among the
stars, and how the frames of two arcs lie to each other, is then not known and not said. Mission elapsed time 0 is put at 00:00:00 of the
flight's date (2000-01-01 where it has none), in TT so that no leap second comes between.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np

from analyser.findings import Arc, Findings
from analyser.flight import Body, Flight

__all__ = ["orbit_messages"]

ORIGINATOR = "ANALYSER"
_OWN, _BODY, _TIME = "PQW_INERTIAL", "ALIGN_CB", "TT"
_CAUTION = "Simulated flight. Not for navigating or operating a real craft."
_OWN_FRAME = "Frame: x towards this arc's own periapsis, z along its angular momentum; how it lies among the stars is not known."
_BODY_FRAME = "Frame: z along the body's spin, x through its prime meridian at MET 0; does not turn with the body."
_COVARIANCE = ("X", "Y", "Z", "X_DOT", "Y_DOT", "Z_DOT")


def orbit_messages(flight: Flight, findings: Findings, created: datetime | None = None) -> dict[str, str]:
    """Orbit messages of every fitted coast.

    Parameters
    ----------
    flight, findings : Flight, Findings
    created : datetime, optional
        The messages' creation date; now if not given.

    Returns
    -------
    dict of str to str
        By file name: ``orbit-1.opm``, ... (Orbit Parameter Message: the fitted state of one arc, with its elements), and
        ``orbits.oem`` (Orbit Ephemeris Message: every arc along its time, a segment each). Empty where nothing was fitted.
    """
    stamp = (created or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%S")
    coasts = [
        (number, arc)
        for number, arc in enumerate(findings.arcs)
        if arc.kind == "coast" and arc.state is not None and arc.body in flight.world and np.all(np.isfinite(arc.state))
    ]
    found = {f"orbit-{number + 1}.opm": _parameters(flight, number, arc, stamp) for number, arc in coasts}
    segments = [text for number, arc in coasts if (text := _segment(flight, findings, number, arc))]
    if segments:
        head = ["CCSDS_OEM_VERS = 2.0", f"CREATION_DATE = {stamp}", f"ORIGINATOR = {ORIGINATOR}", ""]
        found["orbits.oem"] = "\n".join([*head, *segments])
    return found


def _parameters(flight: Flight, number: int, arc: Arc, stamp: str) -> str:
    body = flight.world[arc.body]
    radius, climb, across = (float(part) for part in arc.state)
    anomaly, eccentricity = _anomaly(body, radius, climb, across)
    position, velocity = _placed(arc, body, *_perifocal(np.array([radius]), np.array([anomaly]), np.array([climb]), np.array([across])))
    energy = (climb**2 + across**2) / 2 - body.mu / radius
    lines = [
        "CCSDS_OPM_VERS = 2.0", f"CREATION_DATE = {stamp}", f"ORIGINATOR = {ORIGINATOR}", "",
        *(f"COMMENT {line}" for line in _comments(arc)),
        f"COMMENT orbit {number + 1} of {_ascii(flight.name)}; MET {arc.epoch:.3f} s",
        *_names(flight, arc), "",
        f"EPOCH = {_epoch(flight, arc.epoch)}",
        *(f"{key} = {value / 1e3:.9f} [km]" for key, value in zip(("X", "Y", "Z"), position[0], strict=True)),
        *(f"{key} = {value / 1e3:.12f} [km/s]" for key, value in zip(("X_DOT", "Y_DOT", "Z_DOT"), velocity[0], strict=True)),
    ]  # fmt: skip
    if energy < 0:
        tilt, node, periapsis = _angles(arc, anomaly)
        lines += [
            "", *(("COMMENT in this frame the angles of plane and apse line are 0",) if arc.orientation is None else ()),
            f"SEMI_MAJOR_AXIS = {-body.mu / 2 / energy / 1e3:.9f} [km]", f"ECCENTRICITY = {eccentricity:.12f}",
            f"INCLINATION = {tilt:.9f} [deg]", f"RA_OF_ASC_NODE = {node:.9f} [deg]", f"ARG_OF_PERICENTER = {periapsis:.9f} [deg]",
            f"TRUE_ANOMALY = {math.degrees(anomaly) % 360:.9f} [deg]", f"GM = {body.mu / 1e9:.9f} [km**3/s**2]",
        ]  # fmt: skip
    lines += _cartesian_spread(arc)
    lines += ["", *_spread(arc, body)]
    return "\n".join(lines) + "\n"


def _comments(arc: Arc) -> tuple[str, str]:
    return _CAUTION, _OWN_FRAME if arc.orientation is None else _BODY_FRAME


def _angles(arc: Arc, anomaly: float) -> tuple[float, float, float]:
    """Inclination, node and argument of periapsis, deg, that go with the state of the message (not those of the table, which may be undefined)."""
    if arc.orientation is None:
        return 0.0, 0.0, 0.0
    up, normal = arc.orientation[:, 0], arc.orientation[:, 2]
    level = math.hypot(normal[0], normal[1])
    along = np.array([-normal[1], normal[0], 0.0]) / level if level > 0 else np.array([1.0, 0.0, 0.0])
    latitude = math.atan2(float(up @ np.cross(normal, along)), float(up @ along))
    return math.degrees(math.atan2(level, normal[2])), math.degrees(math.atan2(along[1], along[0])) % 360, math.degrees(latitude - anomaly) % 360


def _placed(arc: Arc, body: Body, position: np.ndarray, velocity: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Perifocal positions and velocities (n, 3) in the frame of the arc's message."""
    if arc.orientation is None:
        return position, velocity
    anomaly, _ = _anomaly(body, *(float(part) for part in arc.state))
    cosine, sine = math.cos(anomaly), math.sin(anomaly)
    up, ahead, normal = arc.orientation.T
    frame = np.stack([cosine * up - sine * ahead, sine * up + cosine * ahead, normal])
    return position @ frame, velocity @ frame


def _cartesian_spread(arc: Arc) -> list[str]:
    """The covariance of position and velocity, km and km/s, where the plane is known."""
    if arc.orientation is None or arc.orientation_covariance is None or not np.isfinite(arc.orientation_covariance).all():
        return []
    radius, climb, across = (float(part) for part in arc.state)
    up, ahead, _ = arc.orientation.T
    slope = np.zeros((6, 6))
    slope[:3, 0], slope[3:, 1], slope[3:, 2] = up, up, ahead
    for first, vector in ((0, radius * up), (3, climb * up + across * ahead)):
        x, y, z = vector
        slope[first : first + 3, 3:] = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])  # d (turn x vector) / d turn
    covariance = slope @ arc.orientation_covariance @ slope.T / 1e6
    return ["", *(f"C{_COVARIANCE[row]}_{_COVARIANCE[column]} = {covariance[row, column]:.12e}" for row in range(6) for column in range(row + 1))]


def _spread(arc: Arc, body: Body) -> list[str]:
    """What the message has no keyword for: the covariance of the planar state, the body's constants."""
    names = ("RADIUS_KM", "RADIAL_SPEED_KM_S", "TRANSVERSE_SPEED_KM_S")
    lines = [f"USER_DEFINED_CENTER_GM_KM3_S2 = {body.mu / 1e9:.9f}", f"USER_DEFINED_CENTER_RADIUS_KM = {body.radius / 1e3:.6f}"]
    if arc.covariance is not None:
        for row in range(3):
            for column in range(row + 1):
                value = float(arc.covariance[row][column]) / 1e6
                if math.isfinite(value):
                    lines.append(f"USER_DEFINED_COVARIANCE_{names[row]}_{names[column]} = {value:.9e}")
    return lines


def _segment(flight: Flight, findings: Findings, number: int, arc: Arc) -> str:
    track = findings.track
    rows = track[track["part"] == f"arc {number}"]
    rows = rows[np.isfinite(rows[["met", "radius", "speed", "vertical_speed", "angle"]]).all(axis=1)].drop_duplicates("met")
    if len(rows) < 2:
        return ""
    met, climb = rows["met"].to_numpy(float), rows["vertical_speed"].to_numpy(float)
    across = np.sqrt(np.clip(rows["speed"].to_numpy(float) ** 2 - climb**2, 0, None))
    position, velocity = _perifocal(rows["radius"].to_numpy(float), rows["angle"].to_numpy(float), climb, across)
    position, velocity = _placed(arc, flight.world[arc.body], position, velocity)
    first, last = _epoch(flight, met[0]), _epoch(flight, met[-1])
    lines = [
        "META_START", *_names(flight, arc), f"START_TIME = {first}", f"STOP_TIME = {last}", "INTERPOLATION = HERMITE",
        f"INTERPOLATION_DEGREE = {min(7, 2 * len(rows) - 1)}", "META_STOP", "",
        *(f"COMMENT {line}" for line in _comments(arc)), f"COMMENT orbit {number + 1} of {_ascii(flight.name)}",
    ]  # fmt: skip
    for moment, place, speed in zip(met, position / 1e3, velocity / 1e3, strict=True):
        lines.append(f"{_epoch(flight, moment)} {place[0]:.9f} {place[1]:.9f} {place[2]:.9f} {speed[0]:.12f} {speed[1]:.12f} {speed[2]:.12f}")
    return "\n".join(lines) + "\n\n"


def _names(flight: Flight, arc: Arc) -> list[str]:
    craft = flight.craft.name if flight.craft else "CRAFT"
    return [
        f"OBJECT_NAME = {_ascii(craft).upper()}", "OBJECT_ID = UNKNOWN", f"CENTER_NAME = {_ascii(arc.body).upper()}", f"REF_FRAME = {_OWN if arc.orientation is None else _BODY}",
        *(() if arc.orientation is None else (f"REF_FRAME_EPOCH = {_epoch(flight, 0.0)}",)), f"TIME_SYSTEM = {_TIME}",
    ]  # fmt: skip


def _anomaly(body: Body, radius: float, climb: float, across: float) -> tuple[float, float]:
    """True anomaly, rad, and eccentricity of a planar state; Curtis, *Orbital Mechanics for Engineering Students*, equations 2.45 and 2.49."""
    momentum = radius * across
    along = momentum**2 / (body.mu * radius) - 1
    aside = momentum * climb / body.mu
    return math.atan2(aside, along), math.hypot(along, aside)


def _perifocal(radius: np.ndarray, angle: np.ndarray, climb: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions, m, and velocities, m/s, shape (n, 3), from radius, true anomaly, radial and transverse speed."""
    cosine, sine, nothing = np.cos(angle), np.sin(angle), np.zeros_like(radius)
    position = np.column_stack([radius * cosine, radius * sine, nothing])
    velocity = np.column_stack([climb * cosine - across * sine, climb * sine + across * cosine, nothing])
    return position, velocity


def _epoch(flight: Flight, met: float) -> str:
    try:
        day = date.fromisoformat(str(flight.date))
    except ValueError:
        day = date(2000, 1, 1)
    moment = datetime(day.year, day.month, day.day) + timedelta(microseconds=round(met * 1e6))
    return moment.isoformat(timespec="microseconds")


def _ascii(text: str, most: int = 60) -> str:
    """Text as the notation allows it: printable ASCII on one line."""
    plain = text.encode("ascii", "replace").decode()
    plain = "".join(character if character.isprintable() else " " for character in plain)
    return " ".join(plain.split())[:most] or "UNNAMED"
