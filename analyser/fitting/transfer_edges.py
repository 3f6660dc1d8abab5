"""Transfers from one limit of the radius to another, any directions: two speeds to choose (rings about the speed before, then Newton's steps), many pairs at once."""

from __future__ import annotations

import numpy as np

_SETTLED = 1e-14  # of the delta-v: steps that promise less end the search


class EdgePair:
    """Delta-v of transfers from one radius to another as a function of the radial and transverse speed (x, y) after the first impulse."""

    def __init__(self, mu, r1, r2, u1, w1, u2, w2):
        self.ratio, self.fall = r1 / r2, 2 * mu * (1 / r2 - 1 / r1)
        self.before, self.after = (u1, w1), (u2, w2)

    def cost(self, x, y):
        square = x**2 + y**2 * (1 - self.ratio**2) + self.fall
        there = np.hypot(np.sqrt(np.clip(square, 0, None)) - self.after[0], y * self.ratio - self.after[1])
        return np.where((square >= 0) & (x >= 0), np.hypot(x - self.before[0], y - self.before[1]) + there, np.inf)

    def grid(self, size, sense):
        """Best of rings about the speed before the impulse, out to ``size``, among those of one sense of flight."""
        best = [np.full(size.shape, np.nan), np.full(size.shape, np.nan), np.full(size.shape, np.inf)]
        turn, everyone = np.arange(36)[:, None] * (np.pi / 18), np.arange(size.size)
        # all rings at once for a few pairs, one by one for many
        for rings in np.array_split((np.arange(1, 17) / 16) ** 2, min(16, 1 + size.size // 8)):
            ring = np.repeat(rings, 36)[:, None] * size
            around = np.tile(turn, (len(rings), 1))
            x, y = np.abs(self.before[0] + ring * np.cos(around)), self.before[1] + ring * np.sin(around)
            value = np.where(sense * y > 0, self.cost(x, y), np.inf)
            at = (np.argmin(value, axis=0), everyone)
            better = value[at] < best[2]
            best = [np.where(better, new[at], old) for new, old in zip((x, y, value), best)]
        return best

    def descend(self, x, y, value, steps: int = 60):
        """Damped Newton steps; only steps downhill are taken."""
        damping = np.full(x.shape, 1e-3)
        flat = 1 - self.ratio**2
        with np.errstate(all="ignore"):
            for _ in range(steps):
                root = np.sqrt(np.clip(x**2 + y**2 * flat + self.fall, 1e-12, None))
                n1 = np.hypot(x - self.before[0], y - self.before[1])
                a, b = (x - self.before[0]) / n1, (y - self.before[1]) / n1
                n2 = np.hypot(root - self.after[0], y * self.ratio - self.after[1])
                c, d = (root - self.after[0]) / n2, (y * self.ratio - self.after[1]) / n2
                jx, jy, k = x / root, y * flat / root, self.ratio
                gx, gy = a + c * jx, b + c * jy + d * k
                # the change of the second impulse across its own direction, squared over its size, is its curvature
                across_x, across_y = -d * jx, -d * jy + c * k
                hxx = b * b / n1 + across_x**2 / n2 + c * (1 - jx**2) / root
                hxy = -a * b / n1 + across_x * across_y / n2 - c * jx * jy / root
                hyy = a * a / n1 + across_y**2 / n2 + c * (flat - jy**2) / root
                middle, spread = (hxx + hyy) / 2, np.hypot((hxx - hyy) / 2, hxy)
                lift = np.maximum(0, spread - middle) * 1.001 + damping * (np.abs(middle) + spread)
                hxx, hyy = hxx + lift, hyy + lift
                size = hxx * hyy - hxy**2
                new_x = np.abs(x - (hyy * gx - hxy * gy) / size)
                new_y = y - (hxx * gy - hxy * gx) / size
                trial = self.cost(new_x, new_y)
                better = trial < value
                promised = (hyy * gx**2 - 2 * hxy * gx * gy + hxx * gy**2) / size
                x, y, value = np.where(better, new_x, x), np.where(better, new_y, y), np.where(better, trial, value)
                damping = np.clip(np.where(better, damping / 8, damping * 4), 1e-9, 1e6)
                if not (promised > _SETTLED * value).any():
                    break
        return x, y, value
