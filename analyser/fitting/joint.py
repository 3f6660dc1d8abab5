"""One flight, one estimate: coasts joined by the burns between them and at the edges of spheres of influence.

Each coast comes in as the state and covariance of its own fit, which hold all that its readings say. A burn is flown from the coast
before it, and must end on the coast after it; propellant, throttle and the readings under thrust speak for the burn. The unknowns form a chain, solved
by Gauss-Newton steps at a cost linear in burns (and in readings, through the coasts' fits).

A burn that this picture does not fit (throttle that moves, an unknown second engine, a bad coast) is left out: its coasts keep what
their own readings say on that side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri  # of scipy.stats only this is wanted, and that takes half a second to load

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.block_chain import BlockChain
from analyser.fitting.intervals import root_of
from analyser.fitting.joint_burn import LENGTH, MIDDLE, RATE, SPENT, YAW, YAW_RATE, BurnTie, Coast, tie_of
from analyser.fitting.joint_digits import is_digit, within_digits
from analyser.fitting.joint_ground import Ground, GroundTie, ground_of, ground_tie
from analyser.fitting.joint_sphere import SphereTie, sphere_ties
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import SAMPLES
from analyser.flight import World

_DISBELIEF = 1e-3  # chance of so bad a fit below which a burn's picture is not believed
_STEP = 0.1  # of a standard unit, for differences
_TURNS = 20


@dataclass(frozen=True)
class Gap:
    """What lies between two coasts: a burn about one body, or, between coasts about a planet and its moon, the edge of the sphere of influence. Indices of the
    arcs, rows in between, and the rows whose propellant holds just before and just after (None where not read)."""

    before: int
    after: int
    inside: tuple[int, ...]
    edges: tuple[int | None, int | None]
    turned: bool = False  # whether the planes of the two coasts differ


@dataclass(frozen=True)
class JointBurn:
    """What the joint estimate tells of a burn: best values and samples (K,) of ignition, cutoff (MET, s) and spent (m/s), drawn together with the
    samples of the arcs on both sides. ``middle`` is the MET of the burn's centroid, times weighted by acceleration."""

    ignition: float
    cutoff: float
    middle: float
    spent: float
    ignition_samples: np.ndarray
    cutoff_samples: np.ndarray
    spent_samples: np.ndarray
    source: str  # "propellant" | "orbits": what spent rests on besides the coasts
    chi2: float
    surplus: int


@dataclass(frozen=True)
class Joint:
    """Arcs with sharper states, burns by the index of the arc after them, and what was left out."""

    arcs: list[FittedArc]
    burns: dict[int, JointBurn]
    remarks: tuple[str, ...] = ()


def refine(arcs: list[FittedArc], gaps: list[Gap], rows: PanelRows, propellant: PropellantHistory, world: World) -> Joint:
    """Join the coasts of a flight by the burns between them.

    Parameters
    ----------
    arcs : list of FittedArc
        In order.
    gaps : list of Gap
        The burns between two coasts about one body, and the unpowered changes of body.
    world : World
    rows, propellant
        The readings, slips taken out.

    Returns
    -------
    Joint
        Arcs that no burn joins come back as they were.
    """
    coasts = {index: _coast(arcs[index], propellant) for gap in gaps for index in (gap.before, gap.after)}
    ties: dict[int, BurnTie | SphereTie | GroundTie] = {}
    remarks: list[str] = []
    for gap in gaps:
        if coasts[gap.before] is None or coasts[gap.after] is None:
            continue
        if "landed" in (arcs[gap.before].kind, arcs[gap.after].kind):
            contact, why = _contact(ground_tie(coasts[gap.before], coasts[gap.after], gap.inside, gap.edges, rows, propellant))
            if contact is not None:
                ties[gap.after] = contact
            if why:
                remarks.append(why)
            continue
        if arcs[gap.before].body.name != arcs[gap.after].body.name:
            crossing = _crossing(coasts[gap.before], coasts[gap.after], world)
            if crossing is not None:
                ties[gap.after] = crossing
            continue
        tie = tie_of(coasts[gap.before], coasts[gap.after], gap.inside, gap.edges, rows, propellant, gap.turned)
        why = tie if isinstance(tie, str) else _disbelieved(tie)
        if why:
            remarks.append(f"the burn near MET {(arcs[gap.before].end + arcs[gap.after].start) / 2:.0f} s does not join its coasts in the joint estimate: {why}")
        else:
            ties[gap.after] = tie
    found, burns = list(arcs), {}
    for run in _runs(ties, gaps):
        solved = _Solved.of([ties[index] for index in run])
        if solved is None:
            continue
        _report(solved, [ties[index] for index in run], run, found, burns, rows, propellant)
    return Joint(found, burns, tuple(remarks))


def _coast(arc: FittedArc, propellant: PropellantHistory) -> Coast | Ground | None:
    if arc.kind == "landed":
        return ground_of(arc, propellant)
    if arc.kind != "coast" or not np.isfinite(arc.covariance).all():
        return None
    coast = Coast(arc, root_of(arc.covariance))
    known = propellant.known(arc.rows)
    stages = {int(propellant.stage[row]) for row in known}
    if len(stages) == 1 and propellant.craft is not None:
        best = min(known, key=lambda row: propellant.sigma[row])
        coast.propellant, coast.propellant_sigma = float(propellant.propellant[best]), max(float(propellant.sigma[best]), 1e-9)
        coast.stage = stages.pop()
    return coast


def _runs(ties: dict[int, BurnTie], gaps: list[Gap]) -> list[list[int]]:
    """Ties that follow each other without a break."""
    runs: list[list[int]] = []
    for gap in gaps:
        if gap.after not in ties:
            continue
        if runs and runs[-1][-1] == gap.before:
            runs[-1].append(gap.after)
        else:
            runs.append([gap.after])
    return runs


def _disbelieved(tie: BurnTie) -> str:
    """Solve one burn alone, leave single readings under thrust out that contradict the rest, and test it: why it is not believed, or ""."""
    for _ in range(5):
        solved = _Solved.of([tie])
        if solved is None:
            return "no steady burn was found that leads from the one to the other"
        if solved.chi2[0] <= chdtri(max(tie.surplus, 1), _DISBELIEF):
            _settle(tie, solved)
            return ""
        if tie.pitches and _contradicted(tie, solved):
            tie.pitches = []  # the nose was elsewhere, or misread: the account of the steering says so
        elif tie.readings is None or not _drop_worst(tie, solved):
            break
    return f"a steady burn leads from the one to the other only badly (chi-square {solved.chi2[0]:.0f} with {tie.surplus} degrees of freedom)"


def _contact(tie: GroundTie | None) -> tuple[GroundTie | None, str]:
    """The tie of a descent or an ascent as far as it is believed, and a remark where not all of it is."""
    if tie is None or tie.reached is None:
        return tie, ""
    solved = _Solved.of([tie])
    if solved is not None and solved.chi2[0] <= chdtri(tie.surplus, _DISBELIEF):
        return tie, ""
    why = (
        f"the readings on the way {'from' if isinstance(tie.before, Ground) else 'to'} the ground near MET {tie.reached.met:.0f} s do not lead to the orbit beside them; "
        "the joint estimate ties the two by propellant alone"
    )
    return (replace(tie, reached=None), why) if tie.linked else (None, why.rpartition(";")[0])


def _crossing(before: Coast, after: Coast, world: World) -> SphereTie | None:
    """The one way in which two coasts meet at the edge of a sphere of influence; None where there is none, or more than one."""
    planet, moon = (before.arc.body, after.arc.body) if after.arc.body.parent == before.arc.body.name else (after.arc.body, before.arc.body)
    if moon.parent != planet.name:
        return None
    own = after.propellant_sigma
    after.propellant_sigma = 10 * own
    tried = [(solved.chi2[0], tie, solved) for tie in sphere_ties(before, after, planet, moon) if (solved := _Solved.of([tie])) is not None]
    tried = sorted((item for item in tried if item[0] <= chdtri(item[1].surplus, _DISBELIEF)), key=lambda item: item[0])
    places = [item for item in tried[1:] if item[1].sense != tried[0][1].sense or abs(_angle(item) - _angle(tried[0])) > 1e-3]
    if not tried or (places and places[0][0] < tried[0][0] + 9.0):
        after.propellant_sigma = own
        return None
    chi2, tie, solved = tried[0]
    tie.begin = solved.burns[0]
    return tie


def _angle(item) -> float:
    _, tie, solved = item
    return float(tie.centre[1] + tie.unit[1] * solved.burns[0][1])


def _contradicted(tie: BurnTie, solved: "_Solved") -> bool:
    """Whether the pitch read is more at odds with the rest than chance has it."""
    count = int(tie.used.sum()) if tie.readings is not None else 0
    seen = solved.residuals[0][len(solved.residuals[0]) - count - len(tie.pitches) : len(solved.residuals[0]) - count]
    return float(np.abs(seen).max()) > 2.5


def _drop_worst(tie: BurnTie, solved: "_Solved") -> bool:
    rest = solved.residuals[0][-int(tie.used.sum()) :]
    if not len(rest) or np.abs(rest).max() < 3.5:
        return False
    place = np.argwhere(tie.used)[int(np.argmax(np.abs(rest)))]
    tie.used[tuple(place)] = False
    if not tie.used.any():
        tie.readings = tie.used = None
    return True


def _settle(tie: BurnTie, solved: "_Solved") -> None:
    """Start from the solution next time, with the steering as open as the readings leave it."""
    burn = tie.burn(solved.burns[0][:, None])[:, 0]
    sigma = math.sqrt(max(solved.covariances[0][tie.before.size + RATE, tie.before.size + RATE], 0.0)) * tie.unit[RATE]
    if tie.turn is None:
        tie.set_slop(burn, min(sigma, tie.turning))
    else:
        yaw, swing = (math.sqrt(max(solved.covariances[0][tie.before.size + place, tie.before.size + place], 0.0)) * tie.unit[place] for place in (YAW, YAW_RATE))
        tie.set_slop(burn, math.hypot(min(sigma, tie.turning), min(swing, tie.swing)), yaw)
    tie.begin = solved.burns[0]


class _Solved:
    """The chain at its best: unknowns of coasts and burns, residuals, chi-square of each tie (coasts' share included), covariances of
    the blocks (coast, burn after it)."""

    def __init__(self, ties, coasts, burns, residuals, factored, cost):
        self.ties, self.coasts, self.burns, self.residuals, self.factored = ties, coasts, burns, residuals, factored
        self.covariances = factored.covariances()
        share = [float(np.sum(u**2)) for u in coasts]
        self.chi2 = [float(np.sum(part**2)) + (share[k] + share[k + 1]) for k, part in enumerate(residuals)]
        self.cost = cost

    @classmethod
    def of(cls, ties: list[BurnTie]) -> "_Solved | None":
        coasts = [np.zeros(tie.before.size) for tie in ties] + [np.zeros(ties[-1].after.size)]
        burns = [tie.begin for tie in ties]
        state = _linearise(ties, coasts, burns)
        if state is None:
            return None
        settled = False
        for _ in range(_TURNS):
            cost, residuals, diagonal, lower, right = state
            try:
                factored = BlockChain(diagonal, lower)
            except np.linalg.LinAlgError:
                return None
            step = factored.solve(right)
            if settled:
                break
            length = 1.0
            while True:
                trial_coasts = [u + length * s[: len(u)] for u, s in zip(coasts, step)]
                trial_burns = [b + length * s[len(u) :] for u, b, s in zip(coasts, burns, step)]
                trial = _linearise(ties, trial_coasts, trial_burns)
                if trial is not None and trial[0] <= cost + 1e-6:
                    break
                length /= 3
                if length < 0.01:
                    trial = None
                    break
            if trial is None:
                settled = float(max(np.abs(s).max() for s in step)) < 0.2
                break
            coasts, burns, state = trial_coasts, trial_burns, trial
            settled = length * max(float(np.abs(s).max()) for s in step) < 0.02 or (cost - trial[0] < 0.01 and length == 1.0)
        if not settled:
            return None
        return cls(ties, coasts, burns, state[1], factored, state[0])


def _linearise(ties: list[BurnTie], coasts, burns):
    """Cost, residuals and block-tridiagonal normal equations at the unknowns; None out of bounds."""
    sizes = [len(u) + (ties[k].unknowns if k < len(burns) else 0) for k, u in enumerate(coasts)]
    diagonal = [np.zeros((size, size)) for size in sizes]
    right = [np.zeros(size) for size in sizes]
    lower = []
    cost, kept = 0.0, []
    for k, u in enumerate(coasts):
        place = np.arange(len(u))
        diagonal[k][place, place] += 1.0
        right[k][place] -= u
        cost += float(u @ u)
    for k, tie in enumerate(ties):
        z = np.concatenate([coasts[k], burns[k], coasts[k + 1]])
        size = len(z)
        columns = z[:, None] + np.concatenate([np.zeros((size, 1)), _STEP * np.eye(size), -_STEP * np.eye(size)], axis=1)
        with np.errstate(all="ignore"):
            found = tie.residuals(columns, tie.whitening(z))
        if not np.isfinite(found).all():
            return None
        value, slope = found[:, 0], (found[:, 1 : size + 1] - found[:, size + 1 :]) / (2 * _STEP)
        own = sizes[k]
        head, tail = slope[:, :own], slope[:, own:]
        far = len(coasts[k + 1])
        diagonal[k] += head.T @ head
        diagonal[k + 1][:far, :far] += tail.T @ tail
        right[k] -= head.T @ value
        right[k + 1][:far] -= tail.T @ value
        block = np.zeros((sizes[k + 1], own))
        block[:far] = tail.T @ head
        lower.append(block)
        cost += float(value @ value)
        kept.append(value)
    return cost, kept, diagonal, lower, right


def _report(solved: _Solved, ties: list[BurnTie], run: list[int], arcs: list[FittedArc], burns: dict[int, JointBurn], rows, propellant) -> None:
    """Arcs and burns of one solved chain, with samples drawn together."""
    sizes = [len(block) for block in solved.covariances]
    normals = _normals(sum(sizes), 3000 + run[0])
    parts = np.split(normals.T, np.cumsum(sizes)[:-1])
    drawn = solved.factored.spread(parts)
    indices = [ties[0].before.arc.index, *run]
    for k, index in enumerate(indices):
        coast = ties[k].before if k < len(ties) else ties[-1].after
        u = solved.coasts[k]
        if isinstance(coast, Ground):
            if any(getattr(tie, "reached", None) is not None for tie in ties[max(k - 1, 0) : k + 1]):
                arcs[index] = _stood(arcs[index], coast, float(coast.radius(u)), coast.radius_sigma * math.sqrt(float(solved.covariances[k][0, 0])))
            continue
        state = coast.state(u[:, None])[:, 0]
        covariance = coast.root @ solved.covariances[k][:3, :3] @ coast.root.T
        fit = replace(coast.arc.fit, state=state, covariance=covariance) if coast.arc.fit is not None else None
        arc = replace(arcs[index], state=state, covariance=covariance, fit=fit)
        arc.__dict__["samples"] = coast.state(u[:, None] + drawn[k][: len(u)]).T
        arcs[index] = arc
    for k, tie in enumerate(ties):
        if isinstance(tie, SphereTie):
            continue
        first = len(solved.coasts[k])
        b = solved.burns[k]
        if isinstance(tie, GroundTie):
            if tie.linked:
                burns[run[k]] = _contact_burn(tie, *_by_digits(tie, tie.spent(b[:, None] + drawn[k][first:]), solved, drawn, k, tie.empty))
            continue
        best = tie.burn(b[:, None])[:, 0]
        samples = tie.burn(b[:, None] + drawn[k][first:])
        spent, spent_samples = float(best[SPENT]), samples[SPENT]
        if tie.linked:
            spent, spent_samples = _by_digits(tie, spent_samples, solved, drawn, k, tie.masses[0])
        ignition, cutoff = (np.clip(samples[MIDDLE] + sign * samples[LENGTH] / 2, *tie.bounds[place : place + 2]) for sign, place in ((-1, 0), (1, 2)))
        burns[run[k]] = JointBurn(
            float(best[MIDDLE] - best[LENGTH] / 2), float(best[MIDDLE] + best[LENGTH] / 2), _centroid(tie, best), spent,
            ignition, np.maximum(cutoff, ignition), spent_samples,
            "propellant" if tie.linked or math.isfinite(tie.dropped[0]) else "orbits", solved.chi2[k], tie.surplus,
        )  # fmt: skip


def _by_digits(tie: BurnTie | GroundTie, spent: np.ndarray, solved: _Solved, drawn, k: int, empty: float) -> tuple[float, np.ndarray]:
    """Best value and samples of delta-v spent between the propellants of two neighbours in the chain, as their last digits allow."""
    sides = (tie.before, tie.after)
    places = [(0 if side is tie.before else 1, side.size - 1) for side in sides]  # propellant is the last unknown of coasts and stays
    mean = np.array([solved.coasts[k + n][place] for n, place in places])
    spread = np.stack([drawn[k + n][place] for n, place in places])
    value = [side.propellant for side in sides]
    sigma = [side.propellant_sigma for side in sides]

    def rocket(errors: np.ndarray) -> np.ndarray:
        left = [np.maximum(empty + v + s * e, 1e-6) for v, s, e in zip(value, sigma, errors)]
        return tie.exhaust * np.log(left[0] / left[1])

    return within_digits(spent, mean, spread @ spread.T / spread.shape[1], tuple(map(is_digit, value, sigma)), rocket)


def _contact_burn(tie: GroundTie, spent: float, samples: np.ndarray) -> JointBurn:
    """A burn to or from the ground: its times are those that its own readings tell."""
    times = tie.times
    return JointBurn(
        times.ignition.value, times.cutoff.value, times.middle, spent, times.ignition_samples, times.cutoff_samples, samples, "propellant", 0.0, 0,
    )  # fmt: skip


def _stood(arc: FittedArc, ground: Ground, radius: float, sigma: float) -> FittedArc:
    """A stay on the ground with the radius that the flight before and after it gives it."""
    body = arc.body
    state = np.array([radius, 0.0, body.rotation_rate * radius])
    covariance = np.diag([sigma**2, 0.0, (body.rotation_rate * sigma) ** 2])
    return replace(arc, state=state, covariance=covariance, estimates={"terrain_height": Estimate.of(radius - body.radius, sigma, "m")})


def _centroid(tie: BurnTie, burn: np.ndarray) -> float:
    """MET at which the burn balances, weighted by acceleration: late of the middle, as the mass falls."""
    spent, length = float(burn[SPENT]), float(burn[LENGTH])
    if not math.isfinite(tie.exhaust):
        return float(burn[MIDDLE])
    part = -math.expm1(-spent / tie.exhaust)
    # mean of s under 1 / (1 - part s)
    mean = (-math.log1p(-part) - part) / (part * -math.log1p(-part)) if part > 1e-6 else 0.5
    return float(burn[MIDDLE] + (mean - 0.5) * length)


def _normals(dimensions: int, stream: int) -> np.ndarray:
    """Standard normal deviates (SAMPLES, dimensions) in pairs of opposites, of unit covariance where there are samples enough."""
    half = np.random.default_rng(stream).standard_normal((SAMPLES // 2, dimensions))
    if dimensions < SAMPLES // 4:
        half = half @ np.linalg.inv(np.linalg.cholesky(half.T @ half / len(half))).T
    return np.concatenate([half, -half])


__all__ = ["Gap", "Joint", "JointBurn", "refine"]
