"""A doubtful value whose candidates were weighed anew."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from analyser.ingest.grammar import sigma_of
from analyser.ingest.readout import ACCEPT

if TYPE_CHECKING:
    from analyser.ingest.panel import Gauge
    from analyser.ingest.readout import Candidate
    from analyser.ingest.screenshots import Value


def shown_sigma(gauge: "Gauge", step: float) -> float:
    """Standard deviation of a value shown to ``step``, SI: the panel file's where it says one, else that of the last digit."""
    return gauge.sigma if math.isfinite(gauge.sigma) else sigma_of(step)


def settled(value: "Value", candidates: tuple["Candidate", ...], why: str) -> "Value":
    """The value with these candidates, likeliest first: read where its first is certain now, recovered where another is, else as doubtful as before; ``why`` goes
    into the reason."""
    best, first = candidates[0], value.reading.candidates[0]
    reading = replace(value.reading, candidates=candidates)
    if best.probability < ACCEPT:
        return replace(value, reading=reading, value=best.value, probability=best.probability)
    status = "read" if best.value == first.value else "recovered"
    reason = f"by itself {first.probability:.1%} sure; {why}"
    return replace(value, reading=reading, status=status, value=best.value, sigma=shown_sigma(value.gauge, best.step), probability=best.probability, reason=reason)
