"""Several needles on one dial: a slow and a fast one that together show one value, or one for each of several quantities.

Needles of one value are sought together: for every value that the dial can show, each needle must be where the value puts it, as
far from the hub as its tip and no further. So one needle over another, or a rim pointer, does not mislead.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.grammar import UNIFORM
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen
from analyser.ingest.unrolled import ANGLES, INNER, OUTER, RADII, between_pi, difference_from_face, likeness

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.dial_keys import Needle
    from analyser.ingest.panel import Gauge

MOST_VALUES = 400_000  # that are tried
BEYOND = 0.45  # how much a line that goes on beyond a needle's tip speaks against it
LEAST = 0.45  # least support of a needle
UNEXPLAINED = 0.8  # how much a line from the hub that no needle explains speaks against a value
COVERED = math.radians(7)  # within this of a longer needle a shorter one can't be seen to end
HIDDEN = 0.3  # how much it speaks against a value that a needle of it is hidden by another: that is seldom so, and is not seen
TRIALS, NEXT = 24, math.radians(10)  # values compared in full, and how far apart the fast needle must be in two of them
CLEAR = 0.18, 0.08  # by how much the next best value must have less support: for any dial, and more a needle
APART = math.radians(9)  # how far the fast needle may be from where the slow ones say, besides their own errors


def see_needles(gauge: "Gauge", rings: list["np.ndarray"], sigmas: list[float]) -> list[tuple[Seen, ...]]:
    """Read a dial with several needles in many pictures, each unrolled about the hub; ``sigmas``: of an angle in each, rad."""
    groups = [[needle for needle in gauge.needles if needle.column == column] for column in gauge.reads]
    tried = [_values(gauge, group) for group in groups]
    looks = []
    for ring, sigma in zip(rings, sigmas):
        differs = _flattened(difference_from_face(ring))
        looks.append(tuple(
            Seen(reading=_reading(group, _find(differs, ring, group, values), sigma)) for group, values in zip(groups, tried)
        ))  # fmt: skip
    return looks


def _flattened(differs: "np.ndarray | None") -> "np.ndarray | None":
    """What differs from the face, less what differs for a wide way round (a reflection), which is no needle."""
    import numpy as np

    if differs is None:
        return None
    blocks = np.percentile(differs.reshape(24, ANGLES // 24, RADII), 25, axis=1)
    lowest = np.minimum.reduce([np.roll(blocks, shift, axis=0) for shift in (-3, -2, -1, 0, 1, 2, 3)])
    wrapped = np.concatenate([lowest[-1:], lowest, lowest[:1]])
    smooth = load_opencv().resize(wrapped, (RADII, ANGLES * 26 // 24), interpolation=1)[ANGLES // 24 : ANGLES // 24 + ANGLES]
    return np.maximum(differs - smooth, 0)


def _values(gauge: "Gauge", group: list["Needle"]) -> "np.ndarray":
    """Every value to be tried, half a degree of the fastest needle apart."""
    import numpy as np

    slow, fast = group[0], group[-1]
    if slow.scale:
        low, high = (min(value for _, value in slow.scale), max(value for _, value in slow.scale))
    else:
        low, high = 0.0, abs(slow.per_turn)
    low, high = max(low, gauge.low), min(high, gauge.high)
    if not slow.scale and gauge.high < math.inf:
        low, high = (gauge.low if gauge.low > -math.inf else 0.0), gauge.high
    step = abs(fast.per_turn) / ANGLES if not fast.scale else (high - low) / ANGLES
    count = int(min(MOST_VALUES, max(2, math.ceil((high - low) / step) + 1)))
    return np.linspace(low, high, count, endpoint=not math.isclose(high - low, abs(slow.per_turn)))


def _angles(needle: "Needle", values):
    """Where a needle stands at ``values``, rad."""
    import numpy as np

    if not needle.scale:
        return needle.zero + np.asarray(values) / needle.per_turn * 2 * np.pi
    places, shown = zip(*needle.scale)
    order = np.argsort(shown)
    return np.interp(values, np.array(shown)[order], np.array(places)[order])


def _find(differs, ring, group: list["Needle"], values) -> tuple[float, list[float], str]:
    """(value, angle of each needle, why it is doubtful)."""
    import numpy as np

    if differs is None:
        return math.nan, [math.nan] * len(group), "the dial is too dark or blank to see a needle"
    lines = [_support(differs * likeness(ring, needle.colour), needle.length) for needle in group]
    angles = [_angles(needle, values) for needle in group]
    rows = [np.round(each / (2 * np.pi) * ANGLES).astype(int) % ANGLES for each in angles]
    each, hidden = [], np.zeros(len(values))
    for place, (found, beyond, _) in enumerate(lines):
        longer = [other for other, needle in enumerate(group) if needle.length > 1.05 * group[place].length]
        under = np.zeros(len(values), bool)  # another needle goes on over its tip: that does not speak against it
        for other in longer:
            under |= np.abs((angles[other] - angles[place] + np.pi) % (2 * np.pi) - np.pi) < COVERED
        hidden += under
        each.append((found[rows[place]] - BEYOND * np.where(under, 0, beyond[rows[place]])) / max(float(found.max()), LEAST))
    total = np.sum(each, axis=0) - HIDDEN * hidden
    trials = _peaks(total, angles[-1])
    shortest = min(lines, key=lambda line: -float(line[2].sum()))[2]
    left = [_unexplained(shortest, [float(angle[trial]) for angle in angles]) for trial in trials]
    merits = [float(total[trial]) - UNEXPLAINED * rest for trial, rest in zip(trials, left)]
    order = np.argsort(merits)[::-1]
    best = trials[order[0]]
    value = float(values[best])
    stands = [float(angle[best]) for angle in angles]
    fine = _refined_value(differs, ring, group, value, stands)
    doubt = ""
    for needle, (found, *_), place in zip(group, lines, rows):
        if found[place[best]] < LEAST:
            doubt = f"{'its needle' if len(group) == 1 else f'the needle whose tip is at {needle.length:g} of the radius'} does not stand out"
    if len(order) > 1 and merits[order[1]] > merits[order[0]] - CLEAR[0] - CLEAR[1] * len(group):
        doubt = doubt or f"its needles could as well show {values[trials[order[1]]]:.6g} (SI)"
    if len(group) > 2 and hidden[best] and not doubt:
        doubt = "one of its needles would lie under another, where a tail or a figure may be taken for it"
    if len(group) > 1 and not doubt:
        doubt = _disagreement(differs, ring, group, fine)
    return fine, [between_pi(float(_angles(needle, fine))) for needle in group], doubt


def _support(differs: "np.ndarray", length: float) -> "tuple[np.ndarray, np.ndarray, np.ndarray]":
    """For each angle, how much a line from the hub to ``length`` of the radius stands out, how much it goes on beyond, and how much it
    reaches the tip at all (which a tail does not); about 0 to 1."""
    import numpy as np

    near = np.maximum.reduce([np.roll(differs, shift, axis=0) for shift in (-1, 0, 1)])
    strong = np.clip((near - 1.0) / 5.0, 0, 1)
    radii = np.linspace(INNER, OUTER, RADII)
    inside, outside = radii < 0.94 * length, (radii > 1.07 * length) & (radii < 1.07 * length + 0.22)
    smooth = (strong + np.roll(strong, 1, axis=1) + np.roll(strong, 2, axis=1)) / 3
    smooth[:, :2] = strong[:, :2]
    unbroken = np.minimum.accumulate(smooth[:, inside], axis=1).mean(axis=1)
    found = 0.5 * unbroken + 0.5 * strong[:, inside].mean(axis=1)
    beyond = np.minimum.accumulate(strong[:, outside], axis=1).mean(axis=1) if outside.sum() >= 4 else np.zeros(ANGLES)
    tip = (radii > 0.75 * length) & inside
    tips = np.minimum.accumulate(smooth[:, radii < 0.94 * length], axis=1)[:, tip[radii < 0.94 * length]].mean(axis=1)
    return found, beyond, tips


def _peaks(total: "np.ndarray", fast: "np.ndarray") -> list[int]:
    """The likeliest values, no two of them next to each other."""
    import numpy as np

    left, found = total.copy(), []
    while len(found) < TRIALS:
        best = int(left.argmax())
        if left[best] == -np.inf:
            break
        found.append(best)
        left[np.abs(fast - fast[best]) < NEXT] = -np.inf
    return found


def _unexplained(tips: "np.ndarray", stands: list[float]) -> float:
    """The clearest line from the hub that is neither one of the needles nor its tail."""
    import numpy as np

    rays = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    rest = tips.copy()
    for angle in stands:
        for line, half in ((angle, math.radians(9)), (angle + math.pi, math.radians(12))):
            rest[np.abs((rays - line + np.pi) % (2 * np.pi) - np.pi) < half] = 0
    return float(rest.max())


def _refined_value(differs, ring, group, value: float, stands: list[float]) -> float:
    """The value by the fast needle's middle, where no other needle lies over it."""
    import numpy as np

    fast = group[-1]
    hidden = [
        needle.length for needle, angle in zip(group[:-1], stands[:-1]) if abs(between_pi(angle - stands[-1])) < math.radians(18)
    ]
    radii = np.linspace(INNER, OUTER, RADII)
    along = (radii < 0.92 * fast.length) & (radii > max([0.0, *(1.06 * length for length in hidden if length < fast.length)]))
    if along.sum() < 8:
        return value
    start = round(stands[-1] / (2 * math.pi) * ANGLES) % ANGLES
    angle = refined(differs * likeness(ring, fast.colour), start, along, 2000.0 if hidden else 20.0)  # far from the hub alone no line shows where it is
    return value + between_pi(angle - stands[-1]) * _slope(fast, value)


def _slope(needle: "Needle", value: float) -> float:
    """SI value a radian of needle."""
    if not needle.scale:
        return needle.per_turn / (2 * math.pi)
    pairs = sorted((shown, place) for place, shown in needle.scale)
    for (low, start), (high, end) in zip(pairs, pairs[1:]):
        if value <= high:
            break
    return (high - low) / (end - start) if end != start else 0.0


def _disagreement(differs, ring, group, value: float) -> str:
    """Why the slow needles don't bear out the fast one's value, or ""."""
    import numpy as np

    radii = np.linspace(INNER, OUTER, RADII)
    fast_angle = float(_angles(group[-1], value))
    for slow, faster in zip(group, group[1:]):
        stands = float(_angles(slow, value))
        if abs(between_pi(stands - fast_angle)) < math.radians(12):
            continue  # one over the other: nothing to measure
        angle = refined(differs * likeness(ring, slow.colour), round(stands / (2 * math.pi) * ANGLES) % ANGLES, radii < 0.9 * slow.length)
        ratio = abs(_slope(slow, value) / _slope(faster, value))
        if abs(between_pi(angle - stands)) > (math.radians(120) + APART) / max(ratio, 1.0) + math.radians(2):
            return "its needles disagree"
    return ""


def _reading(group, found: tuple[float, list[float], str], sigma: float) -> GaugeReading:
    value, angles, doubt = found
    if math.isnan(value):
        return GaugeReading(doubt=doubt)
    raw = "needles at " + ", ".join(f"{math.degrees(angle) % 360:.1f}" for angle in angles) + " deg"
    step = abs(_slope(group[-1], value)) * sigma / UNIFORM
    return GaugeReading((Candidate(raw, value, step, 0.9 if doubt else 0.999),), doubt, raw)


def refined(differs: "np.ndarray", best: int, along: "np.ndarray", hub: float = 20.0) -> float:
    """The angle to a fraction of a step: a straight line through the needle's middle at each radius, which need not
    pass exactly through the dial's centre; the larger ``hub``, the nearer it must."""
    import numpy as np

    half = int(5.5 / (360 / ANGLES))
    rows = (best + np.arange(-half, half + 1)) % ANGLES
    window = differs[rows]
    radii = np.linspace(INNER, OUTER, RADII)
    use = along.copy()
    use[: int(0.1 * RADII)] = False
    if use.sum() < 8:
        use = along
    weights = np.maximum(window - np.median(window, axis=0), 0) ** 2
    offset = np.arange(-half, half + 1)[:, None]
    padded = np.pad(weights, ((2, 2), (0, 0)))
    peak = sum(padded[shift : shift + len(rows)] for shift in range(5)).argmax(axis=0) - half
    close = np.abs(offset - peak[None]) <= int(3.5 / (360 / ANGLES))
    weights = weights * close
    total = weights.sum(axis=0)
    good = use & (total > 1e-6)
    if good.sum() < 4:
        return between_pi(math.radians(best * 360 / ANGLES))
    middle = (weights * offset).sum(axis=0)[good] / total[good] * (2 * np.pi / ANGLES)
    across = middle * radii[good]  # how far the needle's middle lies beside the ray, in radii
    design = np.c_[radii[good], np.ones(good.sum())]
    start = np.median(middle[radii[good] > 0.3]) if (radii[good] > 0.3).any() else 0.0
    misfit = np.abs(across - start * radii[good])  # figures and ticks beside the needle must not draw the first line
    trust = 1 / (1 + (misfit / 0.01) ** 2)
    answer = np.zeros(2)
    for _ in range(6):
        normal = (design * trust[:, None]).T @ design + np.diag([0, hub])  # the hub is where it should be but for a trifle
        answer = np.linalg.solve(normal, (design * trust[:, None]).T @ across)
        misfit = np.abs(across - design @ answer)
        scale = max(1.4826 * float(np.median(misfit)), 1e-4)
        trust = 1 / (1 + (misfit / (2 * scale)) ** 2)
    return between_pi(math.radians(best * 360 / ANGLES) + float(answer[0]))
