"""How steadily a pilot flies: one manner for all burns of a flight, as loose as the readings demand and no looser.

A throttle that wanders between two looks at it, and a nose that swings about the steady turn which each burn is allowed anyway, displace a craft and waste what it spends.
How far they do is no one's to know beforehand, but a flight's own burns show it together: lengths that do not go with the propellant used, orbits that miss what was spent,
pitch read off the line. The likeliest of a few manners is taken; a steady hand is thought likelier to begin with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product


@dataclass(frozen=True)
class Manner:
    """``drift``: part by which the throttle wanders in a burn; ``wobble``: how far the nose swings, rad. Both standard deviations."""

    drift: float
    wobble: float

    @property
    def uneven(self) -> float:
        """Part of delta-v times length by which the course of the throttle displaces the craft along its thrust: that of a throttle that moves evenly by so much."""
        return self.drift / 6

    @property
    def aside(self) -> float:
        """Likewise across the thrust, by one swing of the nose during the burn."""
        return self.wobble / (2 * math.pi)

    @property
    def lost(self) -> float:
        """Part of delta-v that points elsewhere."""
        return self.wobble**2 / 2


_DRIFTS = (0.001, 0.005, 0.01, 0.02, 0.05)
_WOBBLES = tuple(map(math.radians, (0.1, 0.3, 1.0, 3.0)))
_RARER = 0.75  # each step looser is thought so much as likely as the one before (a choice, no source)
#: Every manner that is weighed, with the logarithm of its prior chance.
MANNERS = {Manner(drift, wobble): (n + m) * math.log(_RARER) for (n, drift), (m, wobble) in product(enumerate(_DRIFTS), enumerate(_WOBBLES))}
STEADY = Manner(_DRIFTS[0], _WOBBLES[0])
#: That of pilots about whom nothing is known yet: what a burn is tried with, before others speak of it.
OPEN = Manner(0.02, math.radians(1.0))


__all__ = ["MANNERS", "OPEN", "STEADY", "Manner"]
