"""The losses of legs held against the simulator's truth.

Larger runs:  python tests/fitting/leg_truth.py --flights 200
"""

from __future__ import annotations

import argparse
import collections
import math
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

from reconstruction import reconstruct
from simulator.random_flights import random_flight
from simulator.second_opinion import least_delta_v_by_search

from analyser.fitting.transfer import least_delta_v

LOSSES = ("spent", "needed", "burn_loss", "placement_loss", "correction_loss", "waste")


def needed_by_theory(body, first: tuple[float, float], second: tuple[float, float]) -> float:
    """With the analyser's own transfers: exact, but no independent check."""
    return float(least_delta_v(body.mu, *first, *second, radius_min=body.radius, radius_max=body.soi))


def needed_by_search(body, first: tuple[float, float], second: tuple[float, float]) -> float:
    """By the simulator's blind search, which knows no theory (and no ground: for orbits whose transfers stay above it)."""
    return least_delta_v_by_search(body.mu, first, second, body.soi if math.isfinite(body.soi) else 100 * body.radius)


def _orbit(arc: dict) -> tuple[float, float]:
    return arc["energy"], arc["angular_momentum"]


def true_losses(sim, truth: dict, burns: list[int], needed=needed_by_theory) -> dict[str, float] | None:
    """The losses of burns (numbers in the truth) that make a leg about one body; None where one of them has no net impulse."""
    own = [truth["burns"][k] for k in burns]
    if any(burn["net"] is None for burn in own) or len({burn["body"] for burn in own}) > 1:
        return None
    body = sim.world[own[0]["body"]]
    coasts = [arc for arc in truth["arcs"] if arc["kind"] == "coast"]
    edges = [
        (next(arc for arc in reversed(coasts) if arc["end"] <= burn["ignition"] + 1e-6), next(arc for arc in coasts if arc["start"] >= burn["cutoff"] - 1e-6))
        for burn in own
    ]
    each = [needed(body, _orbit(before), _orbit(after)) for before, after in edges]
    whole = needed(body, _orbit(edges[0][0]), _orbit(edges[-1][1]))
    spent = sum(burn["spent"] for burn in own)
    return {
        "spent": spent, "needed": whole, "burn_loss": sum(burn["spent"] - burn["net"] for burn in own),
        "placement_loss": sum(burn["net"] - part for burn, part in zip(own, each)), "correction_loss": sum(each) - whole, "waste": spent - whole,
    }  # fmt: skip


def judged_legs(seeds, needed=needed_by_theory, **options):
    """(seed, findings, [(leg, its true losses)]) of each flight; only legs whose every burn is found and fairly pictured by one impulse."""
    for seed in seeds:
        simulated = random_flight(seed, **options)
        findings = reconstruct(simulated)
        legs = []
        for leg in findings.legs:
            if not leg.flown or not leg.burns:
                continue
            matched = [_match(findings.burns[k], simulated.truth) for k in leg.burns]
            if None in matched or any(not findings.burns[k].net.known or findings.burns[k].spent_from == "orbits" for k in leg.burns):
                continue
            true = true_losses(simulated.sim, simulated.truth, matched, needed)
            if true is not None:
                legs.append((leg, true))
        yield seed, findings, legs


def holds(leg, true: dict, name: str, shrink: float = 1.0) -> bool:
    """Whether an interval (``shrink`` times as wide) holds the truth; within a millimetre a second it is not wrong: some losses are 0 by construction."""
    estimate = getattr(leg, name)
    low, high = (estimate.value + shrink * (edge - estimate.value) for edge in (estimate.low, estimate.high))
    return low - 1e-3 <= true[name] <= high + 1e-3


def _match(burn, truth: dict) -> int | None:
    for number, own in enumerate(truth["burns"]):
        middle = (own["ignition"] + own["cutoff"]) / 2
        if burn.ignition.low - 2 <= middle <= burn.cutoff.high + 2:
            return number
    return None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--misses", action="store_true")
    options = parser.parse_args()
    held: dict = collections.defaultdict(lambda: [0, 0])
    apart = 0.0
    for seed, findings, legs in judged_legs(range(options.first, options.first + options.flights)):
        for leg in findings.legs:
            if leg.flown and leg.waste.known:
                parts = [part.value for part in (leg.burn_loss, leg.placement_loss, leg.correction_loss) if part.known]
                apart = max(apart, abs(math.fsum(parts) - (leg.spent.value - leg.needed.value)))
        for leg, true in legs:
            for name in LOSSES:
                inside = holds(leg, true, name)
                held[name][0] += inside
                held[name][1] += 1
                if not inside and options.misses:
                    print(f"seed {seed} {leg.name} {name}: {true[name]:.3f} not in {getattr(leg, name).low:.3f} .. {getattr(leg, name).high:.3f}")
    print(f"legs of {options.flights} flights; the three losses add to spent - needed within {apart:.1e} m/s")
    for name, (inside, given) in held.items():
        print(f"  {name:16s} {inside / given:7.1%} of {given}")


if __name__ == "__main__":
    main()
