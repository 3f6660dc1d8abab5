"""The audit of one burn: spent, net, needed, and the losses between them.

Definitions (all in m/s):

spent
    Integral of thrust over mass: from propellant by the rocket equation, else throttle and thrust, else felt acceleration.
net
    The one impulse that joins the coast before to the coast after, at the radius that both share nearest to the burn's middle.
needed
    The least delta-v that takes the coast before into an orbit of the energy and angular momentum of the coast after, wherever
    in the orbit above the ground, by one or two impulses, apse line free. Where the goal names an inclination and the
    readings show the planes, into one of the inclination of the coast after, too; likewise its node and its argument of periapsis.
plane change, and what it cost
    The angle between the angular momenta before and after; how much less ``net`` would be without it. What of that the goal did not ask for is
    out-of-plane loss, a part of the placement loss.
burn loss = spent - net, placement loss = net - needed
    Where no single impulse pictures the burn fairly (it sweeps more than about 60 degrees, or begins or ends on the
    ground) net has no value, and burn loss is spent - needed, both losses together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Burn, Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.burn_impulse import needed_impulses, net_impulse, transfer_limits
from analyser.fitting.joint_report import JointBurn
from analyser.fitting.losses import path_losses
from analyser.fitting.lying_arcs import counts_beyond_tilt, needed_as_lying, wanted_turn
from analyser.fitting.own_times import times_between
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.plane_change import Turn, turn_of
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import estimate, normal_samples
from analyser.fitting.thrust_attitude import Told, aim_of, change_of, steering_check, told_by_attitude
from analyser.fitting.timing import BurnTimes, times_of
from analyser.flight import Goal

TOGETHER = "given together with the burn loss"


@dataclass(frozen=True)
class AuditedBurn:
    """A burn with what legs need of it: samples (K,) of spent and needed, mass before and after, kg, its times, and the propellant read after it, kg."""

    burn: Burn
    times: BurnTimes
    spent: np.ndarray
    net: np.ndarray
    needed: np.ndarray
    mass_before: float
    mass_after: float
    exhaust_speed: float
    propellant_after: float = math.nan

    def mass_with(self, propellant: float) -> float:
        """Mass, kg, while so much propellant (kg) was read; nan where that is none that the burn can have passed through."""
        mass = self.mass_after + propellant - self.propellant_after
        return mass if self.mass_after <= mass <= self.mass_before else math.nan


def audit_burn(
    before: FittedArc, after: FittedArc, inside: tuple[int, ...], rows: PanelRows, propellant: PropellantHistory,
    edges: tuple[int | None, int | None], goal: Goal | None = None, learnt: JointBurn | None = None,
) -> AuditedBurn:  # fmt: skip
    """Audit the burn between two arcs about one body.

    Parameters
    ----------
    before, after : FittedArc
    inside : rows taken during the burn.
    edges : (row, row)
        Rows whose propellant reading holds just before and just after the burn; None where there is none.
    goal : Goal, optional
        What the burn serves, where that says how its orbit is to lie: then that counts in what was needed.
    learnt : JointBurn, optional
        What the joint estimate tells of the burn; its samples go with those of the arcs.
    """
    remarks: list[str] = []
    body = before.body
    same_body = before.body.name == after.body.name
    used = propellant.spent(*edges) if None not in edges else None
    times = times_of(learnt) if learnt is not None else times_between(before, after, inside, rows, propellant, edges, used, same_body)
    if times.remark:
        remarks.append(times.remark)

    turn = _turn(before, after, times) if same_body else "the burn spans a change of reference body"
    net, net_samples, flat, why_not = net_impulse(before, after, times, same_body, turn)
    wanted = wanted_turn(goal, turn, before, after) if goal is not None and isinstance(turn, Turn) else None
    lying = goal is not None and same_body and counts_beyond_tilt(goal, before, after)
    if lying:
        needed, needed_samples = needed_as_lying(before, after, goal, transfer_limits(before, after))
    else:
        needed, needed_samples = needed_impulses(before, after, wanted) if same_body else (math.nan, np.full(1, np.nan))
    if (wanted is not None or lying) and not why_not:  # one impulse that turns no more than this one does the same
        needed, needed_samples = min(needed, net), np.fmin(needed_samples, net_samples)
    needed_estimate = estimate(needed, needed_samples, "m/s", "" if same_body else "the burn spans a change of reference body")
    net_estimate = Estimate.unknown("m/s", why_not) if why_not else estimate(net, net_samples, "m/s")
    if learnt is not None:
        spent, spent_samples, source, mass = learnt.spent, learnt.spent_samples, learnt.source, used.mass_before if used else math.nan
        if source == "orbits":
            remarks.append("spent is taken from the orbits before and after, joined by a burn at steady thrust: no propellant on both sides was read")
    else:
        spent, spent_samples, source, mass = _spent(used, propellant, rows, inside, times, net, net_samples, needed, needed_samples, remarks, edges)
    path = path_losses(before, after, inside, times, rows, spent, spent_samples, body, propellant, mass, same_body)
    kind = "landing" if after.kind == "landed" else "liftoff" if before.kind == "landed" else "orbit"
    tail = propellant.craft is not None and propellant.craft.thrust_axis == "tail"
    seen = np.isfinite(rows.value["pitch"][list(inside)]).any()
    change = change_of(before, after, times, turn) if seen else None
    aim = aim_of(before, after, inside, times, rows, tail, change) if seen else None
    told = told_by_attitude(aim, change, spent, float(np.nanstd(spent_samples)), tail, kind)
    # a landing or a lift-off turns its nose all the way, and a few readings of it are no second opinion; without propellant neither side is sure
    comparable = kind == "orbit" and source == "propellant"
    steering, wrong_way = _with_attitude(path.steering, path.wrong_way, told, spent if comparable else math.nan, remarks)

    if why_not:
        burn_loss = estimate(spent - needed, spent_samples - needed_samples, "m/s", needed_estimate.reason)
        placement = Estimate.unknown("m/s", TOGETHER if needed_estimate.known else why_not)
    else:
        burn_loss = estimate(spent - net, spent_samples - net_samples, "m/s")
        placement = estimate(net - needed, net_samples - needed_samples, "m/s")
    burn = Burn(
        body=body.name, ignition=times.ignition, cutoff=times.cutoff,
        propellant=Estimate.of(used.propellant, used.propellant_sigma, "kg") if used else Estimate.unknown("kg", "no propellant reading on both sides of the burn"),
        spent=estimate(spent, spent_samples, "m/s", "neither propellant nor throttle nor acceleration was read, and the coasts do not tell"),
        net=net_estimate, needed=needed_estimate, burn_loss=burn_loss, placement_loss=placement, spent_from=source,
        steering_loss=steering, gravity_loss=path.gravity, drag_loss=path.drag, wrong_way=wrong_way,
        before=before.index, after=after.index, kind=kind, direction=(told.direction if kind == "orbit" else "") or _direction(before, after, times, turn), rows=inside,
        remarks=tuple(remarks), off_axis=told.off_axis, **_out_of_plane(turn, wanted, net, net_samples, flat, why_not),
    )  # fmt: skip
    stage = propellant.firing(edges[0]) if edges[0] is not None else None
    return AuditedBurn(
        burn, times, spent_samples, net_samples, needed_samples,
        used.mass_before if used else math.nan, used.mass_after if used else math.nan,
        stage.exhaust_speed if stage else math.nan, float(propellant.propellant[edges[1]]) if edges[1] is not None else math.nan,
    )  # fmt: skip


def _with_attitude(steering: Estimate, wrong_way: Estimate, told: Told, spent: float, remarks: list[str]) -> tuple[Estimate, Estimate]:
    """Steering loss and wrong-way part along the path, or by the attitude where the path does not tell them."""
    remarks += [*told.remarks, *steering_check(told, steering, spent)]
    taken = [name for name, own, other in (("steering loss", steering, told.steering), ("wrong-way part", wrong_way, told.wrong_way)) if not own.known and other.known]
    if taken:
        remarks.append(" and ".join(taken) + " by the attitude read during the burn")
    return (steering if steering.known or not told.steering.known else told.steering), (wrong_way if wrong_way.known or not told.wrong_way.known else told.wrong_way)


def _turn(before: FittedArc, after: FittedArc, times: BurnTimes) -> Turn | str:
    """How the burn turned the plane, or why that is not known."""
    if before.plane is None and after.plane is None and "landed" not in (before.kind, after.kind):
        return turn_of(before, after, times.middle, 0.0, 0.0)
    sweep = 0.0 if "landed" in (before.kind, after.kind) else before.swept(times.ignition.value, times.middle) + after.swept(times.middle, times.cutoff.value)
    return turn_of(before, after, times.middle, float(np.std(times.ignition_samples / 2 + times.cutoff_samples / 2)), abs(sweep))


def _out_of_plane(turn: Turn | str, wanted, net: float, samples: np.ndarray, flat, why_not: str) -> dict[str, Estimate]:
    """The figures of a burn that are about the plane."""
    if isinstance(turn, str):
        return {"plane_change": Estimate.unknown("rad", turn), "plane_change_cost": Estimate.unknown("m/s", turn), "out_of_plane_loss": Estimate.unknown("m/s", turn)}
    if why_not:
        unknown = Estimate.unknown("m/s", why_not)
        return {"plane_change": turn.estimate(), "plane_change_cost": unknown, "out_of_plane_loss": unknown}
    flat_net, flat_samples, asked, asked_samples = flat
    if wanted is None:
        asked, asked_samples = flat_net, flat_samples
    elif wanted[0] is turn.square:  # the goal names the node too: all of the turn is asked for
        asked, asked_samples = net, samples
    return {
        "plane_change": turn.estimate(), "plane_change_cost": estimate(net - flat_net, samples - flat_samples, "m/s"),
        "out_of_plane_loss": estimate(net - asked, samples - asked_samples, "m/s"),
    }  # fmt: skip


def _spent(used, propellant, rows, inside, times, net, net_samples, needed, needed_samples, remarks, edges):
    """The best source of spent there is: (value, samples, source, mass at the start)."""
    if used is not None and math.isfinite(used.delta_v):
        stream = 500 + (edges[0] or 0)
        return used.delta_v, normal_samples(used.delta_v, used.delta_v_sigma, stream), "propellant", used.mass_before
    if used is not None and used.reason:
        remarks.append(used.reason)
    length = times.cutoff_samples - times.ignition_samples
    throttle = [value for value in rows.value["throttle"][list(inside)] if value > 0.005]
    row = edges[0] if edges[0] is not None else (inside[0] if inside else None)
    stage = propellant.firing(row) if row is not None else None
    mass = propellant.mass(row) if row is not None else math.nan
    if throttle and stage is not None and math.isfinite(stage.mass_flow) and math.isfinite(mass):
        burnt = stage.mass_flow * float(np.mean(throttle)) * length
        samples = -stage.exhaust_speed * np.log1p(-np.clip(burnt / mass, 0, 0.95))
        return float(np.mean(samples)), samples, "throttle", mass
    felt = [value for value in rows.value["acceleration"][list(inside)] if math.isfinite(value)]
    if felt:
        samples = float(np.mean(felt)) * length
        return float(np.mean(samples)), samples, "acceleration", mass
    remarks.append("spent is taken from the orbits alone and is a lower bound: no propellant on both sides, no throttle, no acceleration was read")
    if math.isfinite(net):
        return net, net_samples, "orbits", mass
    return needed, needed_samples, "orbits", mass


def _direction(before: FittedArc, after: FittedArc, times: BurnTimes, turn: Turn | str = "") -> str:
    """Which way the change of velocity points, in words; left and right are across the plane, as seen flying head up."""
    if before.kind == "landed":
        return "up from the ground"
    if after.kind == "landed":
        return "braking to the ground"
    if before.body.name != after.body.name:
        return ""
    first, second = before.at(times.middle), after.at(times.middle)
    along = np.array([float(first[1]), float(first[2])])
    change = np.array([float(second[1] - first[1]), float(second[2] - first[2])])
    size = float(np.hypot(*change))
    across = ""
    if isinstance(turn, Turn) and turn.significant:
        sideways = float(second[2]) * math.sin(turn.angle)
        # turned, the level speed after has that much less of it along the motion before
        change[1] -= float(second[2]) * (1 - math.cos(turn.angle))
        size = float(np.hypot(*change))
        if abs(sideways) > math.tan(math.radians(20)) * size:
            across = "to the left" if sideways > 0 else "to the right"
        if abs(sideways) * math.tan(math.radians(20)) > size:
            return across
    if size < 1e-9:
        return across
    angle = math.degrees(math.atan2(change[0] * along[1] - change[1] * along[0], float(change @ along)))
    return " and ".join(part for part in (_in_plane(angle), across) if part)


def _in_plane(angle: float) -> str:
    if abs(angle) < 20:
        return "prograde"
    if abs(angle) > 160:
        return "retrograde"
    side = "outward" if angle > 0 else "inward"
    if abs(abs(angle) - 90) < 20:
        return side
    return f"{'prograde' if abs(angle) < 90 else 'retrograde'} and {side}"
