"""Round dials: the angle of the needle, and through the scale the value.

Round the middle, at every radius, most of what one meets is the dial's face; the needle is what differs from it in one
unbroken line outwards from the hub. Ticks, figures and a pointer on the rim don't reach the hub; a counterweight does
but ends sooner than the needle.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.grammar import UNIFORM
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

ANGLES = 720  # steps round the dial: half a degree
RADII = 96
INNER, OUTER = 0.14, 0.92  # part of the radius within which the needle is looked for
LEAST_LENGTH = 0.42  # part of the radius that a needle must reach
TAIL = 25.0  # degrees about the needle's back where a second line is its tail
CLEAR = 1.35  # how many times better than the next the needle must be
SIGMA = math.radians(0.5)  # standard deviation of an angle read
BEYOND = math.radians(4)  # a needle may rest this far outside its scale


def see_dials(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one dial in many screenshots. ``crops`` are in colour, straight on.

    In a second look each needle is sought against the dial's face as the other pictures show it where their needles
    are elsewhere, so that a figure or a tick beneath the needle does not pull it.
    """
    import numpy as np

    rings = [_unrolled(crop) for crop in [*crops, reference]]
    first = [_needle(_difference_from_face(ring)) for ring in rings]
    angles = np.array([angle for angle, _ in first])
    stack = np.stack(rings)
    readings = []
    for index in range(len(crops)):
        angle, doubt = first[index]
        face = _face_without(stack, angles, index)
        if face is not None:
            angle, doubt = _needle(_difference_from(rings[index], face), (angle, doubt))
        readings.append((Seen(reading=_reading(gauge, angle, doubt)),))
    return readings


def _face_without(stack: "np.ndarray", angles: "np.ndarray", index: int) -> "np.ndarray | None":
    """The face near picture ``index``'s needle, from pictures whose needles are elsewhere; None where none is."""
    import numpy as np

    if math.isnan(angles[index]):
        return None
    apart = np.abs((angles - angles[index] + math.pi) % (2 * math.pi) - math.pi)
    usable = np.flatnonzero((apart > math.radians(28)) & (apart < math.radians(152)))  # neither needle nor its tail
    if not len(usable):
        return None
    usable = usable[np.argsort(np.abs(stack[usable].mean(axis=(1, 2, 3)) - stack[index].mean()), kind="stable")][:9]
    near = np.median(stack[usable], axis=0)
    rays = np.arange(ANGLES) * (2 * math.pi / ANGLES)
    beside = np.abs((rays - angles[index] + math.pi) % (2 * math.pi) - math.pi) < math.radians(20)
    own = stack[index].copy()
    own[beside] = near[beside] + np.median(own - near, axis=0)
    return own


def _reading(gauge: "Gauge", angle: float, doubt: str) -> GaugeReading:
    if math.isnan(angle):
        return GaugeReading(doubt=doubt)
    low, high = gauge.scale[0][0], gauge.scale[-1][0]
    turned = [angle + turn * 2 * math.pi for turn in (-1, 0, 1)]
    inside = [each for each in turned if low - BEYOND <= each <= high + BEYOND]
    raw = f"{math.degrees(angle):.1f} deg"
    if not inside:
        return GaugeReading(doubt=f"the needle points to {raw}, off the scale", raw=raw)
    angle = min(inside, key=lambda each: max(low - each, each - high, 0.0))
    value, slope = value_at(gauge, angle)
    candidate = Candidate(raw, value, abs(slope) * SIGMA / UNIFORM, 0.9 if doubt else 0.999)
    return GaugeReading((candidate,), doubt, raw)


def value_at(gauge: "Gauge", angle: float) -> tuple[float, float]:
    """Value at a needle angle (rad), and how fast it changes with the angle; straight between the scale's marks."""
    import numpy as np

    angles, values = zip(*gauge.scale)
    value = float(np.interp(angle, angles, values))
    place = min(max(int(np.searchsorted(angles, angle)) - 1, 0), len(angles) - 2)
    return value, (values[place + 1] - values[place]) / (angles[place + 1] - angles[place])


def needle_angle(crop: "np.ndarray") -> tuple[float, str]:
    """Angle of the needle clockwise from up, rad (nan: none), and why it is doubtful or "".

    Parameters
    ----------
    crop : ndarray, (height, width, 3), uint8
        The dial straight on, its hub in the middle.
    """
    return _needle(_difference_from_face(_unrolled(crop)))


def _needle(differs: "np.ndarray | None", first: tuple[float, str] | None = None) -> tuple[float, str]:
    """The needle in what differs from the face; a second look only refines what the ``first`` found."""
    import numpy as np

    if differs is None:
        return first or (math.nan, "the dial is too dark or blank to see a needle")
    # an unbroken line from the hub: at each angle the least difference so far (smoothed a little), summed outwards
    near = np.maximum.reduce([np.roll(differs, shift, axis=0) for shift in range(-2, 3)])  # a needle may be a bit off centre
    smooth = (near + np.roll(near, 1, axis=1) + np.roll(near, 2, axis=1)) / 3
    smooth[:, :2] = near[:, :2]
    floor = np.minimum.accumulate(smooth, axis=1)
    merit = floor.sum(axis=1)
    best = int(merit.argmax())
    if first is not None and abs(_wrapped(best * 2 * math.pi / ANGLES - first[0])) > math.radians(8):
        return first
    strength = floor[best, int(0.25 * RADII)]
    if strength < 1.5:
        return first or (math.nan, "no needle stands out from the dial's face")
    reach = INNER + (OUTER - INNER) * float((floor[best] > 0.4 * strength).sum()) / RADII
    angle = _refined(differs, best, floor[best] > 0.4 * strength)
    if first is not None:
        return angle, first[1]
    return angle, _doubt(merit, best, reach)


def _doubt(merit: "np.ndarray", best: int, reach: float) -> str:
    """Why the clearest line may not be the needle, or ""."""
    import numpy as np

    step = 360 / ANGLES
    away = np.abs((np.arange(ANGLES) - best) * step)
    away = np.minimum(away, 360 - away)
    rest, back = merit.copy(), merit.copy()
    rest[(away < 14) | (away > 180 - TAIL)] = 0
    back[away < 180 - TAIL] = 0
    if reach < LEAST_LENGTH:
        return f"what stands out reaches only {reach:.0%} of the radius"
    if merit[best] < CLEAR * rest.max():
        return "a second line from the hub is nearly as clear as the needle"
    if merit[best] < 1.15 * back.max():
        return "both ends of the needle are nearly alike"
    return ""


def _unrolled(crop: "np.ndarray") -> "np.ndarray":
    """The dial by angle (clockwise from up) and radius, in Lab; (ANGLES, RADII, 3) float32."""
    import numpy as np

    cv2 = load_opencv()
    height, width = crop.shape[:2]
    radius = min(width, height) / 2
    lab = cv2.cvtColor(crop, cv2.COLOR_BGR2LAB).astype(np.float32)
    angles = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    radii = radius * np.linspace(INNER, OUTER, RADII)
    x = ((width - 1) / 2 + radii[None] * np.sin(angles)[:, None]).astype(np.float32)
    y = ((height - 1) / 2 - radii[None] * np.cos(angles)[:, None]).astype(np.float32)
    return cv2.remap(cv2.GaussianBlur(lab, (0, 0), max(0.5, radius / 120)), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _difference_from_face(polar: "np.ndarray") -> "np.ndarray | None":
    """How much each (angle, radius) differs from what the dial shows at that radius elsewhere, in units of the face's
    own spread; None where nothing does."""
    import numpy as np

    cv2 = load_opencv()
    face = np.median(polar, axis=0)
    # a lamp's glow or shading changes slowly round the dial: follow it with a wide median over angles
    coarse = cv2.resize(polar - face, (RADII, 24), interpolation=cv2.INTER_AREA)
    shade = np.median(np.stack([np.roll(coarse, shift, axis=0) for shift in range(-3, 4)]), axis=0)
    wrapped = np.concatenate([shade[-1:], shade, shade[:1]])
    slow = cv2.resize(wrapped, (RADII, ANGLES * 26 // 24), interpolation=cv2.INTER_LINEAR)[ANGLES // 24 : ANGLES // 24 + ANGLES]
    return _difference_from(polar, face + slow)


def _difference_from(polar: "np.ndarray", face: "np.ndarray") -> "np.ndarray | None":
    import numpy as np

    distance = np.sqrt(((polar - face) ** 2).sum(axis=2))
    if float(np.percentile(distance, 99.5)) < 6:
        return None
    return np.minimum(distance / max(float(np.median(distance)) * 1.5, 3.0), 30.0)


def _refined(differs: "np.ndarray", best: int, along: "np.ndarray") -> float:
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
    peak = np.array([np.convolve(weights[:, i], np.ones(5), "same").argmax() - half for i in range(RADII)])
    close = np.abs(offset - peak[None]) <= int(3.5 / (360 / ANGLES))
    weights = weights * close
    total = weights.sum(axis=0)
    good = use & (total > 1e-6)
    if good.sum() < 4:
        return _wrapped(math.radians(best * 360 / ANGLES))
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
    return _wrapped(math.radians(best * 360 / ANGLES) + float(answer[0]))


def _wrapped(angle: float) -> float:
    """Between -pi and pi."""
    return (angle + math.pi) % (2 * math.pi) - math.pi
