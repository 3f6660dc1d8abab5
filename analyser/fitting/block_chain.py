"""Least squares along a chain: unknowns in blocks, each block tied to its neighbours only. Every cost is linear in the number of blocks."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cholesky, solve_triangular


class BlockChain:
    """Normal equations that are block-tridiagonal, factored.

    Parameters
    ----------
    diagonal : list of arrays, shapes (n_i, n_i)
    lower : list of arrays, shapes (n_{i+1}, n_i)
        Block (i + 1, i).

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the equations are not positive definite.
    """

    def __init__(self, diagonal: list[np.ndarray], lower: list[np.ndarray]):
        self.factor: list[np.ndarray] = []
        self.link: list[np.ndarray] = []
        for k, block in enumerate(diagonal):
            if k:
                self.link.append(solve_triangular(self.factor[-1], lower[k - 1].T, lower=True).T)
                block = block - self.link[-1] @ self.link[-1].T
            self.factor.append(cholesky(block, lower=True))

    def solve(self, right: list[np.ndarray]) -> list[np.ndarray]:
        """Unknowns for a right-hand side, blocks of shape (n_i,) or (n_i, K)."""
        forward: list[np.ndarray] = []
        for k, part in enumerate(right):
            if k:
                part = part - self.link[k - 1] @ forward[-1]
            forward.append(solve_triangular(self.factor[k], part, lower=True))
        return self.spread(forward)

    def spread(self, normals: list[np.ndarray]) -> list[np.ndarray]:
        """Blocks with the covariance of the solution, from blocks of independent standard normals."""
        found: list[np.ndarray] = [np.empty(0)] * len(normals)
        for k in range(len(normals) - 1, -1, -1):
            part = normals[k]
            if k + 1 < len(normals):
                part = part - self.link[k].T @ found[k + 1]
            found[k] = solve_triangular(self.factor[k], part, lower=True, trans="T")
        return found

    def covariances(self) -> list[np.ndarray]:
        """Covariance of each block."""
        found: list[np.ndarray] = [np.empty(0)] * len(self.factor)
        for k in range(len(self.factor) - 1, -1, -1):
            inside = np.eye(len(self.factor[k]))
            if k + 1 < len(self.factor):
                inside = inside + self.link[k].T @ found[k + 1] @ self.link[k]
            half = solve_triangular(self.factor[k], inside, lower=True, trans="T")
            found[k] = solve_triangular(self.factor[k], half.T, lower=True, trans="T")
            found[k] = (found[k] + found[k].T) / 2
        return found


__all__ = ["BlockChain"]
