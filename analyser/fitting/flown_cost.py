"""What several burns of a flight spent together, and the leg they belong to: launches and landings take more than one."""

from __future__ import annotations

import math

from analyser.findings import Estimate, LegAudit
from analyser.fitting.burns import AuditedBurn


def spent_together(burns, audited: list[AuditedBurn]) -> Estimate:
    """The delta-v that burns (numbers) spent, m/s; unknown where that of one of them is."""
    spent = [audited[number].burn.spent for number in burns]
    total = math.fsum(one.value for one in spent)
    if not math.isfinite(total):
        return Estimate.unknown("m/s", "what was spent is unknown")
    return Estimate.of(total, math.sqrt(math.fsum(one.sigma**2 for one in spent)), "m/s")


def leg_of(number: int, legs) -> LegAudit | None:
    """The leg that a burn belongs to; None where it belongs to none."""
    return next((leg for leg in legs if number in leg.burns), None)
