"""The chain of coasts and burns at its best: Gauss-Newton steps at a cost linear in its links."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.block_chain import BlockChain
from analyser.fitting.joint_burn import BurnTie

_STEP = 0.1  # of a standard unit, for differences
_TURNS = 20


class Solved:
    """The chain at its best: unknowns of coasts and burns, residuals, their derivatives and (of burns) standard deviations, chi-square of each tie (coasts' share included), covariances of
    the blocks (coast, burn after it)."""

    def __init__(self, ties, coasts, burns, parts, factored):
        self.ties, self.coasts, self.burns, self.parts, self.factored = ties, coasts, burns, parts, factored
        self.residuals = [value for value, _ in parts]
        self.sigmas = [tie.sigmas() if isinstance(tie, BurnTie) else None for tie in ties]  # in the manner it was solved in
        self.covariances = factored.covariances()
        share = [float(np.sum(u**2)) for u in coasts]
        self.chi2 = [float(np.sum(part**2)) + (share[k] + share[k + 1]) for k, part in enumerate(self.residuals)]

    @classmethod
    def of(cls, ties: list[BurnTie], coasts: list[np.ndarray] | None = None) -> Solved | None:
        """From where each tie says to begin; ``coasts``: from their unknowns, else from the coasts' own best. None where no steps lead to a solution."""
        coasts = [np.zeros(tie.before.size) for tie in ties] + [np.zeros(ties[-1].after.size)] if coasts is None else coasts
        burns = [tie.begin for tie in ties]
        parts = differentiate(ties, coasts, burns)
        if parts is None:
            return None
        settled = False
        for _ in range(_TURNS):
            equations = Equations.of(parts, coasts, burns)
            try:
                factored = BlockChain(equations.diagonal, equations.lower)
            except np.linalg.LinAlgError:
                return None
            step = factored.solve(equations.right)
            if settled:
                break
            length = 1.0
            while True:
                trial_coasts = [u + length * s[: len(u)] for u, s in zip(coasts, step)]
                trial_burns = [b + length * s[len(u) :] for u, b, s in zip(coasts, burns, step)]
                trial = differentiate(ties, trial_coasts, trial_burns)
                cost = _cost(trial, trial_coasts) if trial is not None else np.inf
                if cost <= equations.cost + 1e-6:
                    break
                length /= 3
                if length < 0.01:
                    trial = None
                    break
            if trial is None:
                settled = float(max(np.abs(s).max() for s in step)) < 0.2
                break
            coasts, burns, parts = trial_coasts, trial_burns, trial
            settled = length * max(float(np.abs(s).max()) for s in step) < 0.02 or (equations.cost - cost < 0.01 and length == 1.0)
        return cls(ties, coasts, burns, parts, factored) if settled else None


def _cost(parts, coasts) -> float:
    return float(sum(value @ value for value, _ in parts) + sum(u @ u for u in coasts))


def differentiate(ties: list[BurnTie], coasts, burns) -> list[tuple[np.ndarray, np.ndarray]] | None:
    """Residuals of each tie and their derivatives by its unknowns; None out of bounds."""
    found = []
    for k, tie in enumerate(ties):
        z = np.concatenate([coasts[k], burns[k], coasts[k + 1]])
        size = len(z)
        columns = z[:, None] + np.concatenate([np.zeros((size, 1)), _STEP * np.eye(size), -_STEP * np.eye(size)], axis=1)
        with np.errstate(all="ignore"):
            seen = tie.residuals(columns, tie.whitening(z))
        if not np.isfinite(seen).all():
            return None
        found.append((seen[:, 0], (seen[:, 1 : size + 1] - seen[:, size + 1 :]) / (2 * _STEP)))
    return found


@dataclass(frozen=True)
class Equations:
    """Cost and block-tridiagonal normal equations of a chain whose ties are straightened (:func:`differentiate`)."""

    cost: float
    diagonal: list[np.ndarray]
    lower: list[np.ndarray]
    right: list[np.ndarray]

    @classmethod
    def of(cls, parts: list[tuple[np.ndarray, np.ndarray]], coasts: list[np.ndarray], burns: list[np.ndarray]) -> Equations:
        """At unknowns of coasts and burns."""
        sizes = [len(u) + (len(burns[k]) if k < len(burns) else 0) for k, u in enumerate(coasts)]
        diagonal = [np.zeros((size, size)) for size in sizes]
        right = [np.zeros(size) for size in sizes]
        lower = []
        cost = 0.0
        for k, u in enumerate(coasts):
            place = np.arange(len(u))
            diagonal[k][place, place] += 1.0
            right[k][place] -= u
            cost += float(u @ u)
        for k, (value, slope) in enumerate(parts):
            head, tail = slope[:, : sizes[k]], slope[:, sizes[k] :]
            far = len(coasts[k + 1])
            diagonal[k] += head.T @ head
            diagonal[k + 1][:far, :far] += tail.T @ tail
            right[k] -= head.T @ value
            right[k + 1][:far] -= tail.T @ value
            block = np.zeros((sizes[k + 1], sizes[k]))
            block[:far] = tail.T @ head
            lower.append(block)
            cost += float(value @ value)
        return cls(cost, diagonal, lower, right)


__all__ = ["Equations", "Solved", "differentiate"]
