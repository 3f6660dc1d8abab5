"""Direct collocation on Radau points (CasADi, IPOPT): the frame that second opinions on optimal thrust share. What flies stands in the tests."""

from __future__ import annotations

import numpy as np
import pytest


class Collocation:
    """Unknowns, rules and the points of one problem, gathered as it is written down. Skips the test where CasADi is not installed."""

    def __init__(self, degree: int):
        self.ca = pytest.importorskip("casadi", reason="casadi is not installed: the optimum is not checked against collocation")
        self.degree = degree
        self.tau = [0.0, *self.ca.collocation_points(degree, "radau")]
        # slopes at the points of the polynomials that are 1 at one of them and 0 at the others
        self.slopes = np.zeros((degree + 1, degree + 1))
        for j in range(degree + 1):
            p = np.poly1d([1.0])
            for k in range(degree + 1):
                if k != j:
                    p *= np.poly1d([1, -self.tau[k]]) / (self.tau[j] - self.tau[k])
            self.slopes[j] = [np.polyder(p)(t) for t in self.tau]
        self._unknowns, self._first, self._low, self._high = [], [], [], []
        self._rules, self._least, self._most = [], [], []

    def unknown(self, name: str, guess, low, high):
        """As many unknowns as ``guess`` has numbers; bounds alike or each."""
        made = self.ca.MX.sym(name, len(guess))
        self._unknowns.append(made)
        for kept, given in ((self._first, guess), (self._low, low), (self._high, high)):
            kept.extend(np.broadcast_to(np.asarray(given, float), len(guess)))
        return made

    def rule(self, value, low, high) -> None:
        """Hold an expression between bounds."""
        self._rules.append(value)
        self._least.extend(np.atleast_1d(low))
        self._most.extend(np.atleast_1d(high))

    def follow(self, points, length, rates) -> None:
        """The polynomial through ``points`` over an interval obeys the motion: ``rates(j)`` at point j."""
        for j in range(1, self.degree + 1):
            change = sum(self.slopes[i, j] * points[i] for i in range(self.degree + 1))
            self.rule(change - length * rates(j), [0] * 4, [0] * 4)

    def least(self, cost, max_iter: int) -> float:
        """Solve, and fail the test where that does not converge."""
        problem = {"x": self.ca.vertcat(*self._unknowns), "f": cost, "g": self.ca.vertcat(*self._rules)}
        options = {"print_time": 0, "ipopt.print_level": 0, "ipopt.sb": "yes", "ipopt.max_iter": max_iter, "ipopt.tol": 1e-7}
        solver = self.ca.nlpsol("solver", "ipopt", problem, options)
        answer = solver(x0=self._first, lbx=self._low, ubx=self._high, lbg=self._least, ubg=self._most)
        assert solver.stats()["success"], solver.stats()["return_status"]
        return float(answer["f"])
