"""Arcs and burns as a solved chain tells them, with samples drawn together."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.joint_burn import LENGTH, MIDDLE, SPENT, BurnTie
from analyser.fitting.joint_chain import Solved
from analyser.fitting.joint_digits import is_digit, within_digits
from analyser.fitting.joint_ground import Ground, GroundTie
from analyser.fitting.joint_sphere import SphereTie
from analyser.fitting.sampling import SAMPLES


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


def report(solved: Solved, ties: list[BurnTie], run: list[int], arcs: list[FittedArc], burns: dict[int, JointBurn], rows, propellant) -> None:
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


def _by_digits(tie: BurnTie | GroundTie, spent: np.ndarray, solved: Solved, drawn, k: int, empty: float) -> tuple[float, np.ndarray]:
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


__all__ = ["JointBurn", "report"]
