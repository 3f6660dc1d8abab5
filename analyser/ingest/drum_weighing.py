"""The wheels of a drum counter weighed together: where the last one stands says whether those before it may be on the move."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.drum_models import STEPS

if TYPE_CHECKING:
    import numpy as np

OFFSETS = range(-3, 4)  # steps by which the whole counter may lie too high or low
OFFSET_SIGMA = 1.5  # steps
WORTH = 20.0  # pixels of a wheel that count as independent
FLOOR = 0.03  # least standard deviation, steps of the last wheel: wheels have slack


@dataclass(frozen=True)
class Weighed:
    """One picture's wheels against one make: where the last stands, the digits that the others show (first wheel first), the log likelihood, how
    probably the digits are right, the standard deviation of the last wheel's place, the least correlation of a wheel, what the wheels lose
    by having to fit together, and which of them (0: first) loses most; ``other``: the digits of the next likeliest reading;
    ``spots``: where each wheel stands, its offset with it."""

    place: float
    digits: tuple[int, ...]
    total: float
    probability: float
    sigma: float
    fit: float
    loss: float
    loser: int
    other: tuple[int, ...]
    spots: tuple[float, ...]


def fitted(wheels: "np.ndarray", models: "np.ndarray", hint: "np.ndarray | None" = None):
    """Log likelihood of all wheels together for each offset of the counter and place of the last wheel, (offsets, places); that of each wheel at each
    place, as it stands and with a little slack, (wheels, places); and how many wheels before the last move with it at each offset and place."""
    import numpy as np

    places = 10 * STEPS
    fits = np.clip(wheels @ models.T, 0.0, 0.999)  # (wheel, place)
    likely = -WORTH / 2 * np.log(1 - fits**2)
    if hint is not None:
        likely = likely + hint
    slack = np.maximum(np.maximum(likely, np.roll(likely, 1, axis=1)), np.roll(likely, -1, axis=1))
    count = len(wheels) - 1
    offsets = np.array(OFFSETS)
    total = np.stack([np.roll(likely[-1], -offset) for offset in offsets]) - (offsets[:, None] / OFFSET_SIGMA) ** 2 / 2
    moving = np.zeros(total.shape, int)
    if not count:
        return total, likely, slack, fits, moving
    others = np.stack([np.roll(slack[:-1], -offset, axis=1) for offset in offsets]).reshape(len(offsets), count, 10, STEPS)
    before = np.concatenate([np.zeros((len(offsets), 1)), np.cumsum(others[..., 0].max(axis=2), axis=1)], axis=1)  # of the first wheels, standing
    total[:, : 9 * STEPS + 1] += before[:, count:]
    # backwards from the last: wheels that pass from 9 to 0 with it, then one that moves on to its next digit, then those that stand
    passing = np.zeros((len(offsets), STEPS))
    ways = []
    for wheel in range(count - 1, -1, -1):
        ways.append(passing + others[:, wheel, :9].max(axis=1) + before[:, wheel, None])
        passing = passing + others[:, wheel, 9]
    ways = np.stack([*ways, passing])[..., 1:]
    total[:, 9 * STEPS + 1 : places] += ways.max(axis=0)
    moving[:, 9 * STEPS + 1 : places] = ways.argmax(axis=0) + 1  # count + 1: all of them pass from 9 to 0
    return total, likely, slack, fits, moving


def weighed(wheels: "np.ndarray", models: "np.ndarray", hint: "np.ndarray | None" = None) -> Weighed:
    """Weigh all wheels of a picture together; ``hint``: how likely each wheel is at each place by other means, logarithms, (wheels, places)."""
    import numpy as np

    places, count = 10 * STEPS, len(wheels) - 1
    totals, likely, slack, fits, moving = fitted(wheels, models, hint)
    which, place = np.unravel_index(int(totals.argmax()), totals.shape)
    offset, total, movers = OFFSETS[which], totals[which], int(moving[which, place])
    spread = np.exp(total - total[place])
    away = (np.arange(places) - place + places // 2) % places - places // 2
    near = np.abs(away) <= 0.4 * STEPS
    sure = float(spread[near].sum() / spread.sum())
    mean = float((spread[near] * away[near]).sum() / spread[near].sum())
    deviation = math.sqrt(float((spread[near] * (away[near] - mean) ** 2).sum() / spread[near].sum()))
    shown, spots, losses, runner_up = [], [], [], (0.0, 0, 0)
    for wheel in range(count):
        depth = count - wheel  # 1: the wheel before the last
        move = int(place) - 9 * STEPS if depth <= movers else 0
        among = np.roll(slack[wheel], -offset - move)[::STEPS]
        possible = among.copy()
        if depth < movers:
            possible[:9] = -math.inf  # it passes from 9 to 0
        elif depth == movers:
            possible[9] = -math.inf
        digit = int(possible.argmax())
        chances = np.exp(among - among.max())
        chances /= chances.sum()
        sure *= float(chances[digit])
        second = int(np.argsort(chances)[-2] if chances.argmax() == digit else chances.argmax())
        runner_up = max(runner_up, (float(chances[second]), wheel, second))
        losses.append(float(slack[wheel].max() - among[digit]))
        shown.append(digit)
        spots.append((digit * STEPS + move + offset) % places)
    spots.append((int(place) + offset) % places)
    losses.append(float(likely[-1].max() - likely[-1, spots[-1]]))
    weakest = min(max(float(fits[wheel, (spot + shift) % places]) for shift in (-1, 0, 1)) for wheel, spot in enumerate(spots))
    other = list(shown)
    if count:
        other[runner_up[1]] = runner_up[2]
    return Weighed((place + mean) / STEPS, tuple(shown), float(total[place]), sure, math.hypot(deviation / STEPS, FLOOR), weakest,
                   sum(losses), int(np.argmax(losses)), tuple(other), tuple(spot / STEPS for spot in spots))  # fmt: skip
