"""The chain of coasts and burns at its best: Gauss-Newton steps at a cost linear in its links."""

from __future__ import annotations

import numpy as np

from analyser.fitting.block_chain import BlockChain
from analyser.fitting.joint_burn import BurnTie

_STEP = 0.1  # of a standard unit, for differences
_TURNS = 20


class Solved:
    """The chain at its best: unknowns of coasts and burns, residuals, chi-square of each tie (coasts' share included), covariances of
    the blocks (coast, burn after it)."""

    def __init__(self, ties, coasts, burns, residuals, factored, cost):
        self.ties, self.coasts, self.burns, self.residuals, self.factored = ties, coasts, burns, residuals, factored
        self.covariances = factored.covariances()
        share = [float(np.sum(u**2)) for u in coasts]
        self.chi2 = [float(np.sum(part**2)) + (share[k] + share[k + 1]) for k, part in enumerate(residuals)]
        self.cost = cost

    @classmethod
    def of(cls, ties: list[BurnTie]) -> Solved | None:
        coasts = [np.zeros(tie.before.size) for tie in ties] + [np.zeros(ties[-1].after.size)]
        burns = [tie.begin for tie in ties]
        state = linearise(ties, coasts, burns)
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
                trial = linearise(ties, trial_coasts, trial_burns)
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


def linearise(ties: list[BurnTie], coasts, burns):
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


__all__ = ["Solved", "linearise"]
