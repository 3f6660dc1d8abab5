"""Several needles on one dial: a slow and a fast one that together show one value, or one for each of several quantities.

What the needles look like is learnt from the pictures, the reference picture among them (``needle_shapes``); then all of them are sought
together (``needle_search``): for every value that the dial can show, each needle must be where the value puts it. So one needle over
another, a counterweight or a rim pointer does not mislead, and of a needle that is hidden the others tell.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.grammar import UNIFORM
from analyser.ingest.needle_ink import ANGLES as ROWS
from analyser.ingest.needle_ink import clearness, coarse, ink, inks_of
from analyser.ingest.needle_search import Search
from analyser.ingest.needle_settings import Column, Found
from analyser.ingest.needle_shapes import area, bare, is_needle, learnt, line, often_bare
from analyser.ingest.readout import Candidate, GaugeReading, Seen
from analyser.ingest.unrolled import ANGLES, INNER, OUTER, RADII, between_pi, difference_from_face, likeness

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.dial_keys import Needle
    from analyser.ingest.panel import Gauge

MOST_VALUES = 400_000  # that are tried
LEARNT_FROM, CLEAR = 6, 0.5  # pictures at most, each at least this part as clear as the clearest
SURE = 8.0  # how much likelier a value must be than any other, natural logarithm: to learn from the picture
MUCH = 50.0  # clearer than this is clear enough
TELLING = 10.0  # and to be believed
SHOWN = 0.6, 0.7  # part of a needle that must be seen where nothing hides it: of a slow one, of the fast one
THINNEST, ALL = 0.1, (0.6, 0.4)  # of each quarter of what is seen of it; and of all and of each quarter, to learn from the picture
HEAVY = 12.0  # a needle that would speak less for itself (natural logarithm) is hidden
POOR, SPLIT = 0.18, 12  # noise of ink, parts of a needle's, above which two needles fewer degrees apart can't be told from one
BESIDE = math.radians(18)  # a needle nearer than this draws another's middle aside
DARK = 0.04  # least strength of the needles, parts of that on the reference picture
UNTAUGHT = "the reference picture does not tell this dial's needles apart; take one on which they lie apart"


def see_needles(gauge: "Gauge", rings: list["np.ndarray"], sigmas: list[float], size: float) -> list[tuple[Seen, ...]]:
    """Read a dial with several needles in many pictures.

    Parameters
    ----------
    gauge : Gauge
    rings : list of ndarray
        The dial unrolled about the hub in each picture, the reference picture's last.
    sigmas : list of float
        Standard deviation of an angle in each but the last, rad.
    size : float
        The dial's radius, pixels.
    """
    import numpy as np

    pictures = [coarse(ring) for ring in rings]
    unmix, which = inks_of(gauge.needles, pictures[-1])
    layers = [ink(picture, unmix) for picture in pictures]
    columns = [_column(gauge, column) for column in gauge.reads]
    weight = np.broadcast_to(area(size), layers[0].shape)
    search = _taught(gauge.needles, layers, which, columns, weight)
    if search is None:
        return [tuple(Seen(reading=GaugeReading(doubt=UNTAUGHT)) for _ in columns) for _ in sigmas]
    return [
        tuple(Seen(reading=_reading(gauge, column, place, found, ring, sigma)) for place, column in enumerate(columns))
        for ring, found, sigma in zip(rings, map(search.find, layers), sigmas)
    ]  # fmt: skip


def _column(gauge: "Gauge", name: str) -> Column:
    which = tuple(place for place, needle in enumerate(gauge.needles) if needle.column == name)
    values = _values(gauge, [gauge.needles[place] for place in which])
    return Column(which, values, [_angles(gauge.needles[place], values) for place in which])


def _taught(needles: "tuple[Needle, ...]", layers: list["np.ndarray"], which: list[int], columns: list[Column], weight: "np.ndarray") -> Search | None:
    """What finds these needles, taught by the clearest pictures; None where not even the clearest shows them apart."""
    clear = [clearness(layer[0]) for layer in layers]
    last = len(layers) - 1  # the reference picture
    order = sorted(range(last), key=lambda place: -clear[place])[: LEARNT_FROM - 1]
    places = [last, *(place for place in order if clear[place] > CLEAR * max(clear))]
    unknown = weight * often_bare()
    search = Search([line(needle.length) for needle in needles], which, columns, unknown, lines=True)
    looks = [search.find(layers[place]) for place in places]
    best = 0.0
    chosen: tuple[Search, Found] | None = None
    for _ in range(2):
        sure = [pair for pair in zip(places, looks) if _teaches(pair[1])]
        if not sure:
            break
        shapes = []
        for needle, own in enumerate(which):
            seen, strong = [layers[place][own] for place, _ in sure], [look.strength for _, look in sure]
            shapes.append(learnt(needles[needle].length, seen, [look.rows[needle] for _, look in sure], strong))
        search = Search(shapes, which, columns, unknown)
        looks = [search.find(layers[place]) for place in places]
        clearer = sum(min(*look.margins, MUCH) for look in looks)
        if clearer > best and min(looks[0].margins) > SURE and all(map(is_needle, shapes, (needle.length for needle in needles))):
            best, chosen = clearer, (search, looks[0])
    if chosen is None:
        return None
    search, known = chosen
    printed = [bare(*each, known.strength) for each in zip(layers[-1], search.covered(known.rows))]
    return search.weighing(weight * printed)


def _teaches(look: Found) -> bool:
    """Whether shapes can be learnt from a picture: it is clear how its needles stand, and they are there."""
    seen = zip(look.shown, look.thinnest, look.weights)
    return min(look.margins) > SURE and all(weight < HEAVY or (shown > ALL[0] and least > ALL[1]) for shown, least, weight in seen)


def _values(gauge: "Gauge", group: list["Needle"]) -> "np.ndarray":
    """Every value to be tried, a degree of the fastest needle apart."""
    import numpy as np

    slow, fast = group[0], group[-1]
    if slow.scale:
        low, high = (min(value for _, value in slow.scale), max(value for _, value in slow.scale))
    else:
        low, high = 0.0, abs(slow.per_turn)
    low, high = max(low, gauge.low), min(high, gauge.high)
    if not slow.scale and gauge.high < math.inf:
        low, high = (gauge.low if gauge.low > -math.inf else 0.0), gauge.high
    step = abs(fast.per_turn) / ROWS if not fast.scale else (high - low) / ROWS
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


def _reading(gauge: "Gauge", column: Column, place: int, found: Found, ring: "np.ndarray", sigma: float) -> GaugeReading:
    differs = difference_from_face(ring)
    if differs is None or found.strength < DARK:
        return GaugeReading(doubt="the dial is too dark or blank to see a needle")
    group = [gauge.needles[needle] for needle in column.which]
    value = found.values[place]
    value = _refined_value(differs, ring, group, value, [float(_angles(needle, value)) for needle in group])
    noise = abs(_slope(group[-1], value)) * sigma
    value, doubt = _within(group[0], value, noise)
    doubt = _doubt(group, column, place, found) or doubt
    raw = "needles at " + ", ".join(f"{math.degrees(float(_angles(needle, value))) % 360:.1f}" for needle in group) + " deg"
    return GaugeReading((Candidate(raw, value, noise / UNIFORM, 0.9 if doubt else 0.999),), doubt, raw)


def _within(slowest: "Needle", value: float, noise: float) -> tuple[float, str]:
    """The value as a dial that begins anew after a whole turn of its slowest needle shows it, and whether it could be from before its beginning."""
    if slowest.scale or value >= -noise:
        return value, ""
    round_again = value + abs(slowest.per_turn)
    return (round_again, "") if value < -4 * noise else (value, f"its needles could as well show {round_again:.6g} (SI)")


def _doubt(group: list["Needle"], column: Column, place: int, found: Found) -> str:
    """Why a column's value may be wrong, or ""."""
    for needle, number in zip(group, column.which):
        fast = number == column.which[-1]
        name = "its needle" if len(group) == 1 else f"the needle whose tip is at {needle.length:g} of the radius"
        if fast and found.weights[number] < HEAVY:
            return f"{name} lies under another or is too faint"
        if found.weights[number] > HEAVY and (found.shown[number] < SHOWN[fast] or found.thinnest[number] < THINNEST):
            return f"{name} does not stand out"
    fast = column.which[-1]
    near = [abs((row - found.rows[fast] + ROWS // 2) % ROWS - ROWS // 2) for other, row in enumerate(found.rows) if other != fast]
    if found.noise > POOR and min(near, default=ROWS) < SPLIT:
        return "in so poor a picture one needle beside another may be but the other's edge"
    if found.margins[place] < TELLING:
        return f"its needles could as well show {found.others[place]:.6g} (SI)"
    return ""


def _refined_value(differs, ring, group, value: float, stands: list[float]) -> float:
    """The value by the fast needle's middle, where no other needle is near enough to draw it aside."""
    import numpy as np

    if any(abs(between_pi(angle - stands[-1])) < BESIDE for angle in stands[:-1]):
        return value
    fast = group[-1]
    start = round(stands[-1] / (2 * math.pi) * ANGLES) % ANGLES
    along = np.linspace(INNER, OUTER, RADII) < 0.92 * fast.length
    angle = refined(differs * likeness(ring, fast.colour), start, along)
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


def refined(differs: "np.ndarray", best: int, along: "np.ndarray") -> float:
    """The angle to a fraction of a step: a straight line through the needle's middle at each radius, which need not
    pass exactly through the dial's centre."""
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
        normal = (design * trust[:, None]).T @ design + np.diag([0, 20.0])  # the hub is where it should be but for a trifle
        answer = np.linalg.solve(normal, (design * trust[:, None]).T @ across)
        misfit = np.abs(across - design @ answer)
        scale = max(1.4826 * float(np.median(misfit)), 1e-4)
        trust = 1 / (1 + (misfit / (2 * scale)) ** 2)
    return between_pi(math.radians(best * 360 / ANGLES) + float(answer[0]))
