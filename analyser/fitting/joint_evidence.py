"""How likely the readings of a flight are in each manner of flying: the evidence of its chains, straightened about their solutions."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.fitting.block_chain import BlockChain
from analyser.fitting.joint_burn import BurnTie
from analyser.fitting.joint_chain import Equations, Solved
from analyser.fitting.joint_manner import MANNERS, STEADY, Manner


def likeliest(solved: list[Solved]) -> Manner:
    """The manner in which all burns of a flight were flown most likely, from its chains as solved in whatever manner."""
    chances = {manner: prior + sum(log_evidence(chain, manner) for chain in solved) for manner, prior in MANNERS.items()}
    best = max(chances, key=chances.__getitem__)
    return best if math.isfinite(chances[best]) else STEADY


def log_evidence(solved: Solved, manner: Manner) -> float:
    """Logarithm of the chance of a chain's readings, up to a constant; -inf where it can't be told."""
    parts, total = [], 0.0
    for tie, own, (value, slope) in zip(solved.ties, solved.sigmas, solved.parts):
        if own is not None:
            sigmas = replace(tie, manner=manner).sigmas()
            scale = own / sigmas
            value, slope = scale * value, scale[:, None] * slope
            total -= float(np.log(sigmas).sum()) + _unevenness(tie, manner)
        parts.append((value, slope))
    equations = Equations.of(parts, solved.coasts, solved.burns)
    try:
        factored = BlockChain(equations.diagonal, equations.lower)
    except np.linalg.LinAlgError:
        return -math.inf
    step = factored.solve(equations.right)
    cost = equations.cost - sum(float(part @ moved) for part, moved in zip(equations.right, step))
    return total - cost / 2 - factored.log_determinant() / 2


def _unevenness(tie: BurnTie, manner: Manner) -> float:
    """Half the deviance of throttle readings of one burn that differ from each other."""
    if len(tie.throttles) < 2:
        return 0.0
    sigma = math.hypot(tie.throttle[1], manner.drift * tie.throttle[0], 1e-6)
    return float(np.sum((np.array(tie.throttles) - tie.throttle[0]) ** 2) / (2 * sigma**2) + (len(tie.throttles) - 1) * math.log(sigma))


__all__ = ["likeliest", "log_evidence"]
