"""Whether one coast can lead from each row to the next: the clock's part in finding arcs.

Energy and angular momentum do not tell a burn that only turns the apse line. Moving a row's state on to the next row's time does.
"""

from __future__ import annotations

import numpy as np

from analyser.fitting import conic
from analyser.fitting.panel_rows import PanelRows
from analyser.flight import World


def pair_misfit(rows: PanelRows, world: World) -> np.ndarray:
    """Chi-square (3 degrees of freedom) of each row against the row before it moved on by the clock, shape (n - 1,).

    0 where a row lacks altitude, speed or vertical speed, where the reference body changes, or where so much time lies between that
    the first row's digits no longer say where the craft is. Linearised in the digits' errors, clocks included.
    """
    count = len(rows)
    found = np.zeros(max(count - 1, 0))
    climb_sigma = rows.sigma["vertical_speed"]
    level = np.sqrt(np.clip(rows.speed**2 - rows.vertical**2, 0, None))
    # speeds that the panel showed itself; derived ones carry more than their own digits
    whole = np.isfinite(rows.radius + rows.value["speed"] + rows.value["vertical_speed"] + rows.sigma["speed"] + climb_sigma)
    whole &= level > 5 * np.hypot(rows.sigma["speed"], climb_sigma)
    whole &= ~rows.standing & ~rows.in_air
    pairs = np.flatnonzero(whole[:-1] & whole[1:] & (rows.body[:-1] == rows.body[1:]))
    if not len(pairs):
        return found
    mu = np.array([world[name].mu for name in rows.body[pairs]])
    first, second = pairs, pairs + 1
    elapsed = rows.met[second] - rows.met[first]
    clock = np.hypot(rows.met_sigma[first], rows.met_sigma[second])
    read = np.stack([rows.radius, rows.speed, rows.vertical])
    sigma = np.stack([rows.sigma["altitude"], rows.sigma["speed"], climb_sigma])

    def moved(values, dt):
        radius, speed, climb = values
        r, vr, vt = conic.propagate(mu, radius, climb, np.sqrt(np.clip(speed**2 - climb**2, 1e-12, None)), dt)
        return np.stack([r, np.hypot(vr, vt), vr])

    start = read[:, first]
    best = moved(start, elapsed)
    columns = []
    for channel in range(3):
        step = np.zeros((3, 1))
        step[channel] = 1.0
        reach = step * sigma[channel, first]
        columns.append((moved(start + reach, elapsed) - moved(start - reach, elapsed)) / 2)
    late = (moved(start, elapsed + 0.5) - moved(start, elapsed - 0.5)) * clock
    columns.append(late)
    spread = np.stack(columns, axis=-1)  # (3, pairs, 4)
    covariance = np.einsum("ipk,jpk->pij", spread, spread)
    covariance[:, range(3), range(3)] += (sigma[:, second] ** 2).T
    miss = (read[:, second] - best).T
    scale = np.sqrt(covariance[:, range(3), range(3)])
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = covariance / (scale[:, :, None] * scale[:, None, :])
        usable = np.isfinite(correlation).all(axis=(1, 2)) & np.isfinite(miss).all(axis=1) & (scale[:, 0] < 0.02 * best[0])
    correlation[~usable] = np.eye(3)
    # a little of each own variance keeps nearly singular pairs from shouting over rounding
    correlation[:, range(3), range(3)] += 1e-6
    whitened = np.where(usable[:, None], miss / scale, 0.0)
    found[pairs] = np.einsum("pi,pi->p", whitened, np.linalg.solve(correlation, whitened[:, :, None])[:, :, 0])
    return found
