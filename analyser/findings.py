"""What fitting finds in a flight. Plain frozen data, SI throughout, complete: a quantity that the readings
don't determine has the value nan and a reason in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from analyser.estimate import Estimate, plain
from analyser.near_ground import Ascent, ChuteOpening, Descent, DescentMoment, Entry

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

__all__ = [
    "FORMAT_VERSION", "Advice", "Arc", "BestReading", "Ascent", "Burn", "ChuteOpening", "Descent", "DescentMoment", "Entry", "Estimate", "Findings", "IdealBurn", "IdealLeg", "IdealPath", "IdealPlan", "Landing", "LegAudit",
    "LegSums", "Margin", "SetAside", "Transition", "plain",
]  # fmt: skip
FORMAT_VERSION = 1
#: Why figures of the plane have no value where no place was read.
NO_PLANE = "not shown by altitude, speed and vertical speed"


@dataclass(frozen=True)
class BestReading:
    """The one more reading that would have told most about an arc: which gauge (``column``), when (MET, s), taken to be good to ``sigma`` (SI).

    ``before`` and ``after`` are the standard deviation of the apsides' distances without and with it, m (before: inf where nothing was known).
    """

    column: str
    met: float
    sigma: float
    before: float
    after: float
    text: str


@dataclass(frozen=True)
class Arc:
    """A coast (a conic about one body) or a stay on the ground.

    ``state`` is (radius m, radial speed m/s, transverse speed m/s) at ``epoch`` (MET, s), inertial axes about
    ``body``; ``covariance`` is its 3x3 matrix. ``rows`` are positions in the readings table.

    Angles of the plane and of the apse line are in axes centred on ``body`` that don't rotate, z along its spin, x through the prime meridian at MET 0.
    ``orientation`` (3, 3), where known, has as columns the directions up, forward and along the angular momentum at ``epoch`` in those axes;
    ``orientation_covariance`` (6, 6) is that of ``state`` and of a small rotation of it about the axes (m, m/s, rad).
    """

    body: str
    kind: str  # "coast" | "landed"
    start: float
    end: float
    rows: tuple[int, ...]
    semi_major_axis: Estimate
    eccentricity: Estimate
    periapsis_altitude: Estimate
    apoapsis_altitude: Estimate
    periapsis_time: Estimate
    period: Estimate
    energy: Estimate
    angular_momentum: Estimate
    inclination: Estimate
    epoch: float = math.nan
    state: "np.ndarray | None" = None
    covariance: "np.ndarray | None" = None
    remarks: tuple[str, ...] = ()
    ascending_node_longitude: Estimate = Estimate.unknown("rad", NO_PLANE)
    argument_of_periapsis: Estimate = Estimate.unknown("rad", NO_PLANE)
    longitude_of_periapsis: Estimate = Estimate.unknown("rad", NO_PLANE)
    orientation: "np.ndarray | None" = None
    orientation_covariance: "np.ndarray | None" = None
    next_reading: BestReading | None = None  # None on the ground


@dataclass(frozen=True)
class Burn:
    """One burn; speeds in m/s, times in MET s, propellant in kg. See the definitions of the burn audit in DEVELOPERS.md."""

    body: str
    ignition: Estimate
    cutoff: Estimate
    propellant: Estimate
    spent: Estimate
    net: Estimate
    needed: Estimate
    burn_loss: Estimate
    placement_loss: Estimate
    spent_from: str  # propellant | throttle | acceleration | orbits
    steering_loss: Estimate
    gravity_loss: Estimate
    drag_loss: Estimate
    wrong_way: Estimate
    before: int | None = None  # index of the arc before
    after: int | None = None  # index of the arc after
    leg: str = ""
    kind: str = "orbit"  # orbit | landing | liftoff
    direction: str = ""  # in words: "prograde", "retrograde", "outward", ...
    rows: tuple[int, ...] = ()
    remarks: tuple[str, ...] = ()
    plane_change: Estimate = Estimate.unknown("rad", NO_PLANE)  # angle between the angular momenta before and after
    plane_change_cost: Estimate = Estimate.unknown("m/s", NO_PLANE)  # what of net turned the plane
    out_of_plane_loss: Estimate = Estimate.unknown("m/s", NO_PLANE)  # what of that the goal did not want; part of the placement loss
    # mean angle between thrust, as the attitude shows it, and the motion (for a brake: against the motion)
    off_axis: Estimate = Estimate.unknown("rad", "no pitch was read during the burn")


@dataclass(frozen=True)
class LegAudit:
    """A leg of the plan as flown. spent - needed = burn_loss + placement_loss + correction_loss."""

    name: str
    goal: str
    flown: bool
    burns: tuple[int, ...]
    start: float
    end: float
    spent: Estimate
    needed: Estimate
    burn_loss: Estimate
    placement_loss: Estimate
    correction_loss: Estimate
    waste: Estimate
    waste_propellant: Estimate
    planned: Estimate
    planned_propellant: Estimate
    propellant: Estimate
    still_needed: Estimate
    miss: dict[str, Estimate] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    out_of_plane_loss: Estimate = Estimate.unknown("m/s", NO_PLANE)  # sum over the burns; part of the placement loss
    # what the propellant wasted would have bought: seconds of hovering over the body landed on after it, and m/s in the tanks at the flight's end
    hover: Estimate = Estimate.unknown("s", "nothing was burnt")
    hover_over: str = ""
    kept: Estimate = Estimate.unknown("m/s", "nothing was burnt")


@dataclass(frozen=True)
class LegSums:
    """The figures of the legs flown added up, m/s (``waste_propellant`` kg). Their intervals are narrower than the legs' own taken as independent: the reading
    that ends one leg begins the next."""

    spent: Estimate
    needed: Estimate
    burn_loss: Estimate
    placement_loss: Estimate
    correction_loss: Estimate
    waste: Estimate
    waste_propellant: Estimate


@dataclass(frozen=True)
class Transition:
    """A change of reference body, staging, ...; ``origin`` is written as "from" in JSON."""

    met: Estimate
    kind: str  # "sphere of influence" | "staging"
    origin: str
    to: str
    remark: str = ""


@dataclass(frozen=True)
class Landing:
    """A touchdown or a lift-off. Vertical speed is positive upwards; both are over the ground. ``terrain_height`` (m) is the ground's
    over the datum radius, ``latitude`` and ``longitude`` (rad) the place as shown on the ground."""

    met: Estimate
    body: str
    kind: str  # "touchdown" | "liftoff"
    vertical_speed: Estimate
    horizontal_speed: Estimate
    propellant: Estimate
    remark: str = ""
    terrain_height: Estimate = Estimate.unknown("m", "not read")
    latitude: Estimate = Estimate.unknown("rad", "not read")
    longitude: Estimate = Estimate.unknown("rad", "not read")


@dataclass(frozen=True)
class SetAside:
    """A reading that was not used. ``position`` is its position in the readings table, ``row`` its line there."""

    position: int
    source: str
    row: int
    met: float
    column: str
    value: float
    reason: str
    suggestion: str = ""


@dataclass(frozen=True)
class Advice:
    """One thing to do otherwise next time, biggest first; ``cost`` in m/s, ``propellant`` in kg."""

    leg: str
    sentence: str
    cost: float
    propellant: float
    cause: str = ""


@dataclass(frozen=True)
class IdealBurn:
    """One burn of an ideal plan. ``met`` is seconds after the leg's start where a time is meant, else nan."""

    what: str  # in words: "prograde at periapsis"
    body: str
    altitude: float
    delta_v: float
    met: float = math.nan
    propellant: float = math.nan
    duration: float = math.nan
    speed_before: float = math.nan
    speed_after: float = math.nan
    lead: float = math.nan  # seconds before its place at which a long burn is lit
    every: float = math.nan  # seconds until its place comes round again
    throttle: float = 1.0
    # where the plane counts: parts of the delta-v along the motion, away from the body across it, and along the angular momentum (to the left), m/s; the turn
    # of the plane (positive to the left), rad; the angle from the ascending node along the motion, rad
    prograde: float = math.nan
    outward: float = math.nan
    normal: float = math.nan
    plane_change: float = math.nan
    argument_of_latitude: float = math.nan


@dataclass(frozen=True)
class IdealPath:
    """A coast of an ideal leg: a conic about ``body``, its energy in m^2/s^2, its angular momentum in m^2/s.

    ``part`` says how much of it is flown: "whole" (round and round), "out" (from the periapsis) or "in" (to it).
    """

    body: str
    energy: float
    angular_momentum: float
    part: str = "whole"


@dataclass(frozen=True)
class IdealLeg:
    """The ideal of one leg: least delta-v, m/s, its propellant, kg, and how long it takes, s."""

    name: str
    goal: str
    delta_v: float
    propellant: float
    duration: float
    burns: tuple[IdealBurn, ...]
    remarks: tuple[str, ...] = ()
    paths: tuple[IdealPath, ...] = ()  # the coasts in order, the orbit at the end among them


@dataclass(frozen=True)
class IdealPlan:
    """An ideal plan, leg by leg. ``margin`` is the propellant left at the end, kg (negative: not enough; nan: unknown craft)."""

    name: str
    legs: tuple[IdealLeg, ...]
    margin: float = math.nan
    margin_delta_v: float = math.nan
    remarks: tuple[str, ...] = ()

    @property
    def delta_v(self) -> float:
        """Sum over the legs, m/s."""
        return math.fsum(leg.delta_v for leg in self.legs)

    def leg(self, name: str) -> IdealLeg | None:
        """The leg called ``name``, or None."""
        return next((leg for leg in self.legs if leg.name == name), None)


@dataclass(frozen=True)
class Margin:
    """What was in the tanks at a moment against the least that the rest of the plan would have cost from there.

    ``met`` in s; ``arc`` the index of the arc flown then; ``burn`` that of the burn before it (None: the start). ``legs`` are those still to
    fly. ``available``, ``needed`` and their difference ``margin`` in m/s, ``propellant`` in kg.
    ``doubt`` (m/s): how far ``needed`` can be off beyond its interval for landings carried over from one mass to another. ``goal_slack`` (m/s): what more it
    would have cost to meet the goal just reached in full, which counts as reached once it was come near to. A burn never makes the margin rise by
    more than these.
    """

    met: float
    arc: int
    burn: int | None
    body: str
    legs: tuple[str, ...]
    propellant: Estimate
    available: Estimate
    needed: Estimate
    margin: Estimate
    doubt: float = 0.0
    goal_slack: float = 0.0


@dataclass(frozen=True)
class Findings:
    """Everything found in a flight.

    ``track`` is the fitted motion sampled for drawing: columns met, body, part ("arc 0", "burn 1"), altitude, radius, speed,
    vertical_speed, angle (true anomaly from the arc's periapsis, rad). ``fit`` has one row a reading used or set aside: position,
    column, value, model, residual (in sigmas), arc, used (bool), radius, angle. ``taken`` are those of the ``remarks`` that tell what of the readings was taken
    otherwise than written: units, bodies, clocks, gauges' errors.
    """

    arcs: tuple[Arc, ...]
    burns: tuple[Burn, ...]
    legs: tuple[LegAudit, ...]
    transitions: tuple[Transition, ...]
    landings: tuple[Landing, ...]
    set_aside: tuple[SetAside, ...]
    advice: tuple[Advice, ...]
    remarks: tuple[str, ...]
    ideal: IdealPlan | None
    track: "pd.DataFrame"
    fit: "pd.DataFrame"
    margins: tuple[Margin, ...] = ()
    entries: tuple[Entry, ...] = ()
    ascents: tuple[Ascent, ...] = ()
    descents: tuple[Descent, ...] = ()
    sums: LegSums | None = None
    taken: tuple[str, ...] = ()

    @property
    def open_questions(self) -> tuple[str, ...]:
        """The remarks that do not tell how the readings were taken."""
        return tuple(remark for remark in self.remarks if remark not in self.taken)

    def to_dict(self) -> dict[str, Any]:
        """Plain data as findings.json holds it (the contract of the file formats)."""
        return {
            "version": FORMAT_VERSION,
            "arcs": [_arc(arc) for arc in self.arcs],
            "burns": [plain(burn) for burn in self.burns],
            "legs": [plain(leg) for leg in self.legs],
            "sums": plain(self.sums) if self.sums else None,
            "transitions": [_renamed(plain(item), origin="from") for item in self.transitions],
            "landings": [plain(item) for item in self.landings],
            "set_aside": [plain(item) for item in self.set_aside],
            "advice": [plain(item) for item in self.advice],
            "remarks": list(self.remarks),
            "taken": list(self.taken),
            "ideal": plain(self.ideal) if self.ideal else None,
            "margins": [plain(item) for item in self.margins],
            "entries": [plain(item) for item in self.entries],
            "ascents": [plain(item) for item in self.ascents],
            "descents": [plain(item) for item in self.descents],
        }


def _arc(arc: Arc) -> dict[str, Any]:
    found = plain(arc)
    found["rows"] = list(arc.rows)
    found["readings"] = len(arc.rows)
    return found


def _renamed(found: dict[str, Any], **names: str) -> dict[str, Any]:
    return {names.get(key, key): value for key, value in found.items()}
