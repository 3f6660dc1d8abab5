"""Orbits fitted to sets of rows, remembered: what they cost, whether two are one, and how other rows agree with them."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analyser.fitting.conic import propagate_jacobian
from analyser.fitting.constancy import ROW_CAP, VALUE_CAP
from analyser.fitting.observations import CHANNELS, Observations, observe, predict
from analyser.fitting.orbit import CoastFit, fit_coast
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.segments import BREAK_COST, Stretch
from analyser.fitting.slips import explain
from analyser.flight import World

AGREES = 4.0  # sigmas within which a row's value belongs to an orbit


class CoastFits:
    """Fits of row sets, remembered."""

    def __init__(self, table: pd.DataFrame, rows: PanelRows, world: World):
        self.table, self.rows, self.world = table, rows, world
        self._robust: dict[tuple[int, ...], CoastFit | None] = {}
        self._seen: dict[str, tuple[Observations, np.ndarray]] = {}

    def robust(self, stretch: Stretch) -> CoastFit | None:
        """The robust fit, or None where the rows hold no motion at all."""
        if stretch.rows not in self._robust:
            seen = observe(self.table, self.world[stretch.body], stretch.rows)
            self._robust[stretch.rows] = fit_coast(seen) if len(seen) and seen.present.any() else None
        return self._robust[stretch.rows]

    def cost(self, stretch: Stretch) -> float:
        """Chi-square of the robust fit with gross errors capped; 0 where nothing can be fitted."""
        fit = self.robust(stretch)
        if fit is None:
            return 0.0
        if not np.all(np.isfinite(fit.state)):
            return math.inf
        # by the gauges' own sigmas, not the widened ones; what was set aside costs as much as a gross error may, a row no more than a row may
        price = np.where(fit.used, np.minimum(np.square(np.nan_to_num(fit.residuals)), VALUE_CAP), 0.0).sum(axis=1)
        place = {int(position): k for k, position in enumerate(fit.observations.positions)}
        for item in fit.set_aside:
            price[place[item.position]] += VALUE_CAP
        return float(np.minimum(price, ROW_CAP).sum())

    def disagreement(self, fit: CoastFit, rows) -> np.ndarray:
        """|reading - prediction| of some rows' values in sigmas, the orbit's own uncertainty included."""
        seen, *_, off = self._against(fit, rows)
        return off[seen.present] if len(seen) else np.empty(0)

    def agree(self, first: Stretch, second: Stretch) -> bool:
        """Whether the orbits of two coasts are the same within what is known of them: a burn that changes less can't be told from none, however many readings there are.

        The digits of neighbouring readings err alike, which two fits follow more closely than one does; the doubt of an orbit knows of that, the sum of squares does not.
        """
        fits = [self.robust(stretch) for stretch in (first, second)]
        if any(fit is None or not fit.determined or not np.all(np.isfinite(fit.covariance)) for fit in fits):
            return False
        between = (self.rows.met[first.rows[-1]] + self.rows.met[second.rows[0]]) / 2
        states, spreads = [], []
        for fit in fits:
            state, slope, _ = propagate_jacobian(fit.body.mu, fit.state, np.array([between - fit.epoch]))
            states.append(state[0])
            spreads.append(slope[0] @ fit.covariance @ slope[0].T)
        apart, spread = states[1] - states[0], spreads[0] + spreads[1]
        scale = np.sqrt(np.diag(spread))
        return bool((apart / scale) @ np.linalg.solve(spread / np.outer(scale, scale), apart / scale) < BREAK_COST)

    def slipped(self, fit: CoastFit, row: int) -> bool:
        """Whether all values of a row but one agree with an orbit, and one simple slip explains that one."""
        seen, values, spread, off = self._against(fit, (row,))
        wrong = np.flatnonzero(off[0] >= AGREES) if len(seen) else ()
        if len(wrong) != 1 or seen.present.sum() < 3:
            return False
        column, k = CHANNELS[wrong[0]], wrong[0]
        previous = float(self.rows.value[column][row - 1]) if row else math.nan
        read, sigma, said, unsure = (float(part[0, k]) for part in (seen.values, seen.sigmas, values, spread))
        return explain(column, read, sigma, said, unsure, previous=previous) is not None

    def _against(self, fit: CoastFit, rows) -> tuple[Observations, np.ndarray, np.ndarray, np.ndarray]:
        """Some rows' readings, what the orbit says of them, its sigma, and the difference in sigmas, each (n, 6)."""
        if fit.body.name not in self._seen:
            every = observe(self.table, fit.body)
            place = np.full(len(self.rows), -1)
            place[every.positions] = np.arange(len(every))
            self._seen[fit.body.name] = every, place
        every, place = self._seen[fit.body.name]
        picked = place[list(rows)]
        seen = every.rows(picked[picked >= 0])
        states, to_state, rates = propagate_jacobian(fit.body.mu, fit.state, seen.met - fit.epoch)
        values, to_values = predict(seen, states)
        to_values = np.nan_to_num(to_values)
        slope = to_values @ to_state
        clock = seen.met_sigma[:, None] * np.einsum("njk,nk->nj", to_values, rates)
        spread = np.sqrt(clock**2 + np.einsum("nij,jk,nik->ni", slope, fit.covariance, slope))
        with np.errstate(invalid="ignore"):
            off = np.abs(seen.values - values) / np.hypot(seen.sigmas, spread)
        return seen, values, spread, off
