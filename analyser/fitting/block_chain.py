"""Least squares along a chain: unknowns in blocks, each block tied to its neighbours only. Every cost is linear in the number of blocks."""

from __future__ import annotations

import numpy as np


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
        self.root: list[np.ndarray] = []  # inverses of the lower triangular factors: the blocks are small, and every use is then a product
        self.link: list[np.ndarray] = []
        for k, block in enumerate(diagonal):
            if k:
                self.link.append(lower[k - 1] @ self.root[-1].T)
                block = block - self.link[-1] @ self.link[-1].T
            self.root.append(np.linalg.inv(np.linalg.cholesky(block)))

    def solve(self, right: list[np.ndarray]) -> list[np.ndarray]:
        """Unknowns for a right-hand side, blocks of shape (n_i,) or (n_i, K)."""
        forward: list[np.ndarray] = []
        for k, part in enumerate(right):
            if k:
                part = part - self.link[k - 1] @ forward[-1]
            forward.append(self.root[k] @ part)
        return self.spread(forward)

    def spread(self, normals: list[np.ndarray]) -> list[np.ndarray]:
        """Blocks with the covariance of the solution, from blocks of independent standard normals."""
        found: list[np.ndarray] = [np.empty(0)] * len(normals)
        for k in range(len(normals) - 1, -1, -1):
            part = normals[k]
            if k + 1 < len(normals):
                part = part - self.link[k].T @ found[k + 1]
            found[k] = self.root[k].T @ part
        return found

    def log_determinant(self) -> float:
        """Logarithm of the determinant of the equations."""
        return -2 * sum(float(np.log(np.diag(root)).sum()) for root in self.root)

    def covariances(self) -> list[np.ndarray]:
        """Covariance of each block."""
        found: list[np.ndarray] = [np.empty(0)] * len(self.root)
        for k in range(len(self.root) - 1, -1, -1):
            inside = np.eye(len(self.root[k]))
            if k + 1 < len(self.root):
                inside = inside + self.link[k].T @ found[k + 1] @ self.link[k]
            found[k] = self.root[k].T @ inside @ self.root[k]
            found[k] = (found[k] + found[k].T) / 2
        return found


__all__ = ["BlockChain"]
