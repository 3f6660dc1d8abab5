"""Which unit an altimeter shows, told by the vertical speed: figures that change by 4.2 in three minutes of climbing at 23 m/s are kilometres.

The figures of two screenshots and the rate between them are read apart from the unit on the glass, so that this is evidence of its own. It
says nothing of the figures themselves: what is sure of them stays as sure as it was.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from analyser.ingest.readout import Candidate, figures_in, in_every_unit
from analyser.ingest.settling import settled

if TYPE_CHECKING:
    from analyser.ingest.screenshots import Value

RATE_OF = {"altitude": "vertical_speed", "radar_altitude": "vertical_speed"}
SURPRISE = 0.15  # share of moments at which a quantity does not do what its rate or its neighbours say
TIMES = 300.0  # one neighbour never makes a unit likelier than by this, in odds
CHANGE, BEND = 0.05, 0.25  # standard deviation of a change told by the rates at both ends: part of the change itself, and of what the rates differ by
STRANGE = 1e-3  # probability that a unit which is read for certain is another all the same
FIGURES = 0.9  # probability of a neighbour's figures from which they count


def weigh_units(values: Sequence["Value"], times: Mapping[int, float]) -> list["Value"]:
    """Values whose unit on the glass is not sure, after the rates were asked; those which are sure and go against them become doubtful.

    Parameters
    ----------
    values : sequence of Value
    times : mapping of int to float
        What the clock says for certain, by screenshot, s.
    """
    values = list(values)
    rates = _rates(values, times)
    places: dict[str, list[int]] = defaultdict(list)
    for index, value in enumerate(values):
        if value.gauge.kind == "readout" and value.gauge.grammar.figures and value.reading.best and value.row in rates.get(RATE_OF.get(value.column, ""), ()):
            places[value.gauge.name].append(index)
    for indices in places.values():
        shown = RATE_OF[values[indices[0]].column]
        indices.sort(key=lambda index: times[values[index].row])
        told = [values[index] for index in indices if _figures(values[index]) >= FIGURES]
        clock = [times[value.row] for value in told]
        for index in indices:
            values[index] = _weighed(values[index], _beside(told, clock, times[values[index].row]), times, rates[shown])
    return values


def _rates(values, times) -> dict[str, dict[int, float]]:
    """Certain rates by column and screenshot."""
    found: dict[str, dict[int, float]] = {name: {} for name in set(RATE_OF.values())}
    for value in values:
        if value.column in found and value.row in times and value.status in ("read", "recovered") and not math.isnan(value.value):
            found[value.column][value.row] = value.value
    return found


def _figures(value: "Value") -> float:
    """How sure the figures of the likeliest candidate are, whatever the unit."""
    figures = figures_in(value.reading.best.text)
    return sum(each.probability for each in value.reading.candidates if figures_in(each.text) == figures)


def _beside(told: list["Value"], clock: list[float], time: float) -> list["Value"]:
    """The nearest before and after, at another time; at an end of the flight the nearest two. ``clock``: the times of ``told``, rising."""
    before, after = bisect_left(clock, time), bisect_right(clock, time)
    if before and after < len(told):
        return [told[before - 1], told[after]]
    return [*told[max(0, before - 2) : before], *told[after : after + 2]]


def _weighed(value: "Value", beside: list["Value"], times, rates) -> "Value":
    same = [each for each in value.reading.candidates if figures_in(each.text) == figures_in(value.reading.best.text)]
    if not beside or not value.reading.best.value:
        return value
    sure = value.status != "doubtful"
    units = in_every_unit(value.gauge.grammar, same) if sure else same
    odds = [math.prod(_likelier(value, each, other, times, rates, sure) for other in beside) for each in units]
    if sure:
        likeliest = max(range(len(units)), key=lambda index: max(units[index].probability, STRANGE) * odds[index])
        return value if likeliest == 0 or len(beside) < 2 else _doubted(value, units[likeliest])
    whole = sum(each.probability for each in same)
    share = whole / sum(each.probability * odd for each, odd in zip(same, odds))
    weighed = [replace(each, probability=each.probability * odd * share) for each, odd in zip(same, odds)]
    others = [each for each in value.reading.candidates if each not in same]
    candidates = sorted([*weighed, *others], key=lambda each: -each.probability)
    return settled(value, tuple(candidates), "its unit is borne out by the vertical speed")


def _likelier(value: "Value", mine: Candidate, other: "Value", times, rates, alike: bool) -> float:
    """How much likelier a unit makes what two screenshots show, than if they had nothing to do with each other; ``alike``: both in the same unit, whatever is
    sure of the other's."""
    if other.status != "doubtful" and not alike:
        theirs = other.reading.best
    else:
        grammar = value.gauge.grammar
        theirs = next((each for each in in_every_unit(grammar, [other.reading.best]) if grammar.factor_of(each.unit) == grammar.factor_of(mine.unit)), None)
    if theirs is None:
        return SURPRISE  # nought is nought in every unit
    length = times[value.row] - times[other.row]
    here, there = rates[value.row], rates[other.row]
    change = 0.5 * (here + there) * length
    scale = math.hypot(mine.step, theirs.step, CHANGE * change, BEND * (here - there) * length)
    z = (mine.value - theirs.value - change) / scale
    width = 2 * max(abs(mine.value), abs(theirs.value), scale)
    return min((1 - SURPRISE) * width / (math.pi * scale * (1 + z * z)) + SURPRISE, TIMES)


def _doubted(value: "Value", better: Candidate) -> "Value":
    """What was sure, doubtful, and its unit as likely as the other: what it is is for its neighbours to say."""
    first = value.reading.best
    half = 0.5 * first.probability
    candidates = (replace(first, probability=half), replace(better, probability=half))
    reason = f"{first.text!r} does not change as the vertical speed says, {better.text!r} would"
    return replace(value, reading=replace(value.reading, candidates=candidates, doubt=reason), status="doubtful", probability=half, reason=reason)
