"""The model of a coast's readings straightened about a state, each row at the time at which its readings fit best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.fitting.conic import propagate_jacobian
from analyser.fitting.observations import Observations, Whitening, predict

_BEND = 0.02  # sigmas
_LONG = 1e9  # s: stands for a clock that says nothing


@dataclass(frozen=True)
class Linear:
    """Predictions for n rows.

    ``values`` (n, 6) are for the written times, drawn straight from the times at which the readings were most likely taken
    (``delays`` after the written ones, s): a clock that is out by half a second on a gauge that shows the change of a hundredth of one
    bends the model too much to be straightened anywhere else. ``jacobian`` (n, 6, 3) with respect to the state, ``rates`` (n, 6) with respect to time; channels
    that no row reads may be 0.
    """

    values: np.ndarray
    jacobian: np.ndarray
    rates: np.ndarray
    delays: np.ndarray


def straighten(
    observations: Observations, epoch: float, state: np.ndarray, used: np.ndarray, delays: np.ndarray | None = None, turns: int = 4
) -> Linear:
    """The model about ``state`` (3,) at ``epoch``.

    A row's likeliest delay under its own readings and its clock is ``s_t (e.z) / (1 + |e|^2)`` in the notation of :class:`Whitening`. It is
    looked for from ``delays`` on in at most ``turns`` evaluations, until moving it further would bend the model by less than a fiftieth of a sigma.
    """
    mu, timed = observations.body.mu, turns > 1 and observations.timed
    delays = np.zeros(len(observations)) if delays is None else delays
    for turn in range(turns):
        states, to_state, motion = propagate_jacobian(mu, state, observations.met - epoch + delays)
        values, to_values = predict(observations, states)
        rates = np.einsum("ijk,ik->ij", to_values, motion)
        straight = values - rates * delays[:, None]
        if not timed or turn == turns - 1:
            break
        whitening = Whitening.of(observations, rates, used)
        weight = np.einsum("ij,ij->i", whitening.shared, whitening.shared)
        z = np.where(used, observations.values - straight, 0.0) * whitening.inverse_sigmas
        clock = np.where(np.isinf(observations.met_sigma), _LONG, observations.met_sigma)
        found = clock * np.einsum("ij,ij->i", whitening.shared, z) / (1.0 + weight)
        # A wild state asks for wild times.
        reach = np.where(np.isinf(observations.met_sigma), 0.1 * (np.ptp(observations.met) + 10.0), 4.0 * clock)
        found = np.clip(found, -reach, reach)
        # Rates change by about their (v / r)-th part a second.
        steepest = np.where(used, np.abs(rates), 0.0) * whitening.inverse_sigmas
        quickness = np.hypot(states[:, 1], states[:, 2]) / states[:, 0]
        if (steepest.max(axis=1) * quickness * (found - delays) ** 2 < _BEND).all():
            break
        delays = found
    return Linear(straight, to_values @ to_state, rates, delays)
