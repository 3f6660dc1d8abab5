"""The losses of legs held against the simulator's truth.

Larger runs:  python tests/fitting/leg_truth.py --flights 200
"""

from __future__ import annotations

import argparse
import collections
import itertools
import math
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "samples"), str(Path(__file__).resolve().parent)]

import numpy as np
from planted_faults import planted
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
        yield seed, *_judged(random_flight(seed, **options), needed)


def judged_detours(seeds, needed=needed_by_theory):
    """The same of flights whose one leg took more than one burn: an overshoot brought back, a push the wrong way first."""
    for number, seed in enumerate(seeds):
        yield seed, *_judged(planted(seed, ("overshoot", "wrong way")[number % 2]), needed)


def _judged(simulated, needed):
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
    return findings, legs


def holds(item, true: dict, name: str, shrink: float = 1.0) -> bool:
    """Whether an interval (``shrink`` times as wide) of a leg, or of the sum of legs, holds the truth; a part in ten million of what was spent is not wrong: the truth's own
    integration is no better, and some losses are 0 by construction."""
    estimate, slack = getattr(item, name), 1e-7 * true["spent"]
    low, high = (estimate.value + shrink * (edge - estimate.value) for edge in (estimate.low, estimate.high))
    return low - slack <= true[name] <= high + slack


def whole(findings, legs) -> dict[str, float] | None:
    """The true losses of a whole flight; None where not every leg flown was judged, or there is only one."""
    flown = sum(leg.flown for leg in findings.legs)
    return {name: math.fsum(true[name] for _, true in legs) for name in LOSSES} if len(legs) == flown > 1 else None


def _match(burn, truth: dict) -> int | None:
    for number, own in enumerate(truth["burns"]):
        middle = (own["ignition"] + own["cutoff"]) / 2
        if burn.ignition.low - 2 <= middle <= burn.cutoff.high + 2:
            return number
    return None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=100)
    parser.add_argument("--detours", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--misses", action="store_true")
    options = parser.parse_args()
    held: dict = collections.defaultdict(list)  # (which, loss): (held, width, width over that of independent legs)
    apart = 0.0
    sources = itertools.chain(
        judged_legs(range(options.first, options.first + options.flights)), judged_detours(range(options.first, options.first + options.detours))
    )
    for seed, findings, legs in sources:
        for leg in findings.legs:
            if leg.flown and leg.waste.known:
                parts = [part.value for part in (leg.burn_loss, leg.placement_loss, leg.correction_loss) if part.known]
                apart = max(apart, abs(math.fsum(parts) - (leg.spent.value - leg.needed.value)))
        for leg, true in legs:
            for name in LOSSES:
                if name == "correction_loss" and len(leg.burns) == 1:
                    continue  # 0, and known to be
                one, inside = getattr(leg, name), holds(leg, true, name)
                held["a leg", name].append((inside, one.high - one.low, math.nan))
                if not inside and options.misses:
                    print(f"seed {seed} {leg.name} {name}: {true[name]:.4f} not in {one.low:.4f} .. {one.high:.4f}")
        total = whole(findings, legs)
        for name in LOSSES if total is not None else ():
            if name == "correction_loss" and all(len(leg.burns) == 1 for leg, _ in legs):
                continue
            one, alone = getattr(findings.sums, name), math.sqrt(math.fsum((getattr(leg, name).high - getattr(leg, name).low) ** 2 for leg, _ in legs))
            held["a flight", name].append((holds(findings.sums, total, name), one.high - one.low, (one.high - one.low) / alone if alone else math.nan))
    print(f"{options.flights} flights and {options.detours} with detours; the three losses add to spent - needed within {apart:.1e} m/s")
    for (which, name), found in held.items():
        inside, width, ratio = np.array(found, float).T
        told = f", {np.nanmedian(ratio):.2f} of that of independent legs" if np.isfinite(ratio).any() else ""
        print(f"  {which:9s} {name:16s} {inside.mean():7.1%} of {len(inside)}, median interval {np.median(width):.4f} m/s{told}")


if __name__ == "__main__":
    main()
