"""When a burn began and ended, from the rows around it, the propellant's flow and the two coasts it joins."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.arcs import FittedArc
from analyser.fitting.panel_rows import PanelRows
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.sampling import SAMPLES, standard_normals

_GRID = 121
_NEAR_MARK = 5.0  # s: how long before ignition or after cutoff a pilot writes the mark (common practice, no source)


@dataclass(frozen=True)
class BurnTimes:
    """Ignition, cutoff and the middle of a burn, MET s, as estimates and as samples (K,)."""

    ignition: Estimate
    cutoff: Estimate
    middle: float
    ignition_samples: np.ndarray
    cutoff_samples: np.ndarray
    remark: str = ""

    @property
    def duration(self) -> float:
        """Cutoff less ignition, s."""
        return self.cutoff.value - self.ignition.value


def burn_times(
    before: FittedArc, after: FittedArc, inside: tuple[int, ...], rows: PanelRows, duration: tuple[float, float], kick: float, flow: "Flow"
) -> BurnTimes:
    """Where in its gap a burn lies.

    Every time that the rows allow is weighed by how well the two coasts meet there (position is continuous over a burn) and, where the
    flow is known, by the duration that the propellant used asks for.

    Parameters
    ----------
    before, after : FittedArc
    inside : rows taken during the burn.
    duration : (value, sigma)
        Seconds of burning as propellant and flow say; nan where unknown.
    kick : float
        Size of the change of velocity, m/s: how fast the coasts part.
    flow : Flow
        What propellant read during the burn says of its ends.
    """
    mark = Marks(before, after, inside, rows)
    clock = mark.clock_sigma
    length, length_sigma = duration
    latest_ignition, earliest_cutoff = mark.latest_ignition, mark.earliest_cutoff
    ignition = np.linspace(mark.earliest_ignition, max(latest_ignition, mark.earliest_ignition), _GRID if latest_ignition > mark.earliest_ignition else 1)
    cutoff = np.linspace(earliest_cutoff, max(mark.latest_cutoff, earliest_cutoff), _GRID if mark.latest_cutoff > earliest_cutoff else 1)
    start, end = (grid.ravel() for grid in np.meshgrid(ignition, cutoff, indexing="ij"))
    weight = np.where(end >= start, 0.0, -np.inf)
    if math.isfinite(length):
        spread = math.sqrt(length_sigma**2 + (0.05 * length) ** 2 + 2 * clock**2 + ((ignition[-1] - ignition[0]) / _GRID) ** 2)
        weight = weight - 0.5 * ((end - start - length) / spread) ** 2
    weight = weight + flow.log_likelihood(start, end) + mark.log_likelihood(start, end)
    weight = weight + _meeting(before, after, (start + end) / 2, end - start, kick)
    remark = ""
    if not np.isfinite(weight.max()) or weight.max() < -40:
        remark = "the coasts before and after do not meet within the gap; times are the gap's own"
        weight = np.where(end >= start, 0.0, -1e9)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    pick = np.searchsorted(np.cumsum(weight), (np.arange(SAMPLES) + 0.5) / SAMPLES)
    pick = np.minimum(pick, len(start) - 1)[np.random.default_rng(17).permutation(SAMPLES)]
    jitter = clock * standard_normals(2, 900 + before.index)
    cell = [(grid[-1] - grid[0]) / max(len(grid) - 1, 1) for grid in (ignition, cutoff)]
    spread = np.random.default_rng(23).uniform(-0.5, 0.5, (SAMPLES, 2)) * cell
    ignition_samples = np.clip(start[pick] + spread[:, 0], ignition[0], ignition[-1]) + jitter[:, 0]
    cutoff_samples = np.clip(end[pick] + spread[:, 1], cutoff[0], cutoff[-1]) + jitter[:, 1]
    return BurnTimes(
        _times(ignition_samples), _times(cutoff_samples), float(np.sum(weight * (start + end) / 2)),
        ignition_samples, cutoff_samples, remark,
    )  # fmt: skip


def times_of(learnt) -> BurnTimes:
    """Times as the joint estimate (:class:`analyser.fitting.joint.JointBurn`) tells them."""
    ignition, cutoff = _times(learnt.ignition_samples), _times(learnt.cutoff_samples)
    return BurnTimes(ignition, cutoff, learnt.middle, learnt.ignition_samples, learnt.cutoff_samples)


@dataclass(frozen=True)
class Flow:
    """Ends of a burn as propellant read inside it, at the throttle read beside it, points to: (MET, sigma) or nan."""

    ignition: tuple[float, float] = (math.nan, math.nan)
    cutoff: tuple[float, float] = (math.nan, math.nan)

    def log_likelihood(self, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """Of ignition and cutoff times."""
        total = np.zeros_like(start)
        for times, (met, sigma) in ((start, self.ignition), (end, self.cutoff)):
            if math.isfinite(met):
                total = total - 0.5 * ((times - met) / sigma) ** 2
        return total


def flow_of(inside, rows: PanelRows, propellant: PropellantHistory, edges, landing: bool = False) -> Flow:
    """Reckon back from the first reading in the burn to ignition, and (but for a landing, whose throttle moves) on from the last one to cutoff."""
    found = {}
    firing = [row for row in inside if rows.value["throttle"][row] > 0.005 and math.isfinite(propellant.propellant[row])]
    for name, row, edge, sign in (("ignition", firing[0], edges[0], -1), ("cutoff", firing[-1], edges[1], 1)) if firing else ():
        stage = propellant.firing(row)
        if (landing and name == "cutoff") or edge is None or stage is None or not math.isfinite(stage.mass_flow) or propellant.stage[row] != propellant.stage[edge]:
            continue
        flow = stage.mass_flow * rows.value["throttle"][row]
        used = abs(propellant.propellant[row] - propellant.propellant[edge])
        spread = math.hypot(propellant.sigma[row], propellant.sigma[edge]) / flow
        throttle = rows.sigma["throttle"][row] / rows.value["throttle"][row]
        # the throttle may have moved in between: the longer ago, the less is known
        sigma = math.sqrt(spread**2 + (used / flow * math.hypot(0.03, throttle if math.isfinite(throttle) else 0.0)) ** 2 + rows.met_sigma[row] ** 2 + 0.01)
        found[name] = (float(rows.met[row] + sign * used / flow), float(sigma))
    return Flow(**found)


class Marks:
    """The bounds that the rows put on ignition and cutoff."""

    def __init__(self, before: FittedArc, after: FittedArc, inside: tuple[int, ...], rows: PanelRows):
        last, first = before.clocked[-1], after.clocked[0]
        throttle = rows.value["throttle"]
        firing = [row for row in inside if not throttle[row] <= 0.005]
        self.clock_sigma = float(np.nanmax(rows.met_sigma[[last, first, *inside]]))
        self.earliest_ignition, self.latest_cutoff = before.end, after.start
        self.latest_ignition = float(rows.met[firing[0]]) if firing else self.latest_cutoff
        self.earliest_cutoff = float(rows.met[firing[-1]]) if firing else self.earliest_ignition
        # a mark on a row that coasts is written a little before ignition, or a little after cutoff; on a row already under thrust, or
        # already moving after a lift-off, it only says that the burn had begun
        self.ignition_follows = rows.says(last, "ignition", "liftoff", "lift-off")
        self.cutoff_precedes = rows.says(first, "cutoff")
        if rows.says(first, "touchdown", "landed"):
            self.earliest_cutoff = self.latest_cutoff
        for row in inside:
            if rows.says(row, "cutoff") or (rows.says(row, "touchdown", "landed") and row == inside[-1]):
                self.earliest_cutoff = self.latest_cutoff = float(rows.met[row])
        self.earliest_cutoff = max(self.earliest_cutoff, self.earliest_ignition)
        self.latest_cutoff = max(self.latest_cutoff, self.earliest_cutoff)
        self.latest_ignition = min(self.latest_ignition, self.latest_cutoff)

    def log_likelihood(self, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """Of ignition and cutoff, given marks written near them."""
        total = np.zeros_like(start)
        if self.ignition_follows:
            total = total - (start - self.earliest_ignition) / _NEAR_MARK
        if self.cutoff_precedes:
            total = total - (self.latest_cutoff - end) / _NEAR_MARK
        return total


def _meeting(before: FittedArc, after: FittedArc, middle: np.ndarray, length: np.ndarray, kick: float) -> np.ndarray:
    """Log-likelihood that the coasts meet at the middle of the burn."""
    if before.kind == "landed" or after.kind == "landed" or before.body.name != after.body.name:
        return np.zeros_like(middle)
    times, inverse = np.unique(np.round(middle, 6), return_inverse=True)
    if len(times) > 400:  # the curves are smooth: read between points
        coarse = np.linspace(times[0], times[-1], 200)
        gap = np.interp(times, coarse, before.at(coarse)[0] - after.at(coarse)[0])
        spread = np.interp(times, coarse, _spread(before, after, coarse))
    else:
        gap, spread = before.at(times)[0] - after.at(times)[0], _spread(before, after, times)
    gap, spread = gap[inverse], spread[inverse]
    # one impulse pictures a burn of this length to second order only
    slop = np.hypot(spread, 0.05 * kick * length + 1.0)
    return -0.5 * (gap / slop) ** 2 - np.log(slop)


def _spread(before: FittedArc, after: FittedArc, times: np.ndarray) -> np.ndarray:
    return np.hypot(*(np.std(arc.sampled_radii(times), axis=0) for arc in (before, after)))


def _times(samples: np.ndarray) -> Estimate:
    low, high = np.quantile(samples, [0.025, 0.975])
    return Estimate(float(np.mean(samples)), float(np.std(samples)), float(low), float(high), "s")
