"""A round dial unrolled about its hub, and how it differs from the dial's face."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

ANGLES = 720  # steps round the dial: half a degree
RADII = 96
INNER, OUTER = 0.14, 0.92  # part of the radius within which needles are looked for
FEW = 6  # every so many angles are enough where only the face's usual colour or spread is wanted
NEAR_COLOUR = 30.0  # distance (Lab, lightness counted at 0.4) at which a colour is half the needle's


def unrolled(crop: "np.ndarray", hub: tuple[float, float] = (0.5, 0.5), twist: float = 0.0) -> "np.ndarray":
    """The dial by angle (clockwise from up) and radius, in Lab; (ANGLES, RADII, 3) float32.

    ``hub``: where it is, parts of the crop's width and height; ``twist``: by how much it is turned clockwise, rad.
    """
    import numpy as np

    cv2 = load_opencv()
    height, width = crop.shape[:2]
    radius = min(width, height) / 2
    lab = cv2.cvtColor(crop, cv2.COLOR_BGR2LAB)
    angles = np.arange(ANGLES) * (2 * np.pi / ANGLES) + twist
    radii = radius * np.linspace(INNER, OUTER, RADII)
    x = (width * hub[0] - 0.5 + radii[None] * np.sin(angles)[:, None]).astype(np.float32)
    y = (height * hub[1] - 0.5 - radii[None] * np.cos(angles)[:, None]).astype(np.float32)
    smoothed = cv2.GaussianBlur(lab, (0, 0), max(0.5, radius / 120)).astype(np.float32)
    return cv2.remap(smoothed, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def difference_from_face(polar: "np.ndarray") -> "np.ndarray | None":
    """How much each (angle, radius) differs from what the dial shows at that radius elsewhere, in units of the face's
    own spread; None where nothing does."""
    import numpy as np

    cv2 = load_opencv()
    face = _along(polar[::FEW])
    # a lamp's glow or shading changes slowly round the dial: follow it with a wide median over angles
    coarse = cv2.resize(polar - face, (RADII, 24), interpolation=cv2.INTER_AREA)
    shade = middle_of([np.roll(coarse, shift, axis=0) for shift in range(-3, 4)])
    wrapped = np.concatenate([shade[-1:], shade, shade[:1]])
    slow = cv2.resize(wrapped, (RADII, ANGLES * 26 // 24), interpolation=cv2.INTER_LINEAR)[ANGLES // 24 : ANGLES // 24 + ANGLES]
    return difference_from(polar, face + slow)


def difference_from(polar: "np.ndarray", face: "np.ndarray") -> "np.ndarray | None":
    """How much each (angle, radius) differs from ``face`` there, in units of its own spread; None where nothing does."""
    import numpy as np

    away = polar - face
    distance = np.sqrt(np.einsum("arc,arc->ar", away, away))
    few = distance[::FEW]
    if float(np.percentile(few, 99.5)) < 6:
        return None
    return np.minimum(distance / max(float(np.median(few)) * 1.5, 3.0), 30.0)


def likeness(polar: "np.ndarray", colour: tuple[int, int, int] | None) -> "np.ndarray | float":
    """How much each place has the needle's colour, 0 to 1; 1 everywhere where no colour is given."""
    import numpy as np

    if colour is None:
        return 1.0
    cv2 = load_opencv()
    wanted = cv2.cvtColor(np.array([[colour]], np.uint8), cv2.COLOR_BGR2LAB)[0, 0].astype(np.float32)
    away = (polar - wanted) * np.array([0.4, 1.0, 1.0], np.float32)
    return np.exp(-math.log(2) * np.einsum("arc,arc->ar", away, away) / NEAR_COLOUR**2)


def middle_of(pictures: "Sequence[np.ndarray]") -> "np.ndarray":
    """The median of a few arrays of like shape, place by place: sorted against each other whole, which is far quicker than place by place."""
    import numpy as np

    rows = list(pictures)
    for turn in range(len(rows)):  # odd-even transposition (Knuth, volume 3, section 5.3.4)
        for first in range(turn % 2, len(rows) - 1, 2):
            rows[first], rows[first + 1] = np.minimum(rows[first], rows[first + 1]), np.maximum(rows[first], rows[first + 1])
    half = len(rows) // 2
    return rows[half] if len(rows) % 2 else (rows[half - 1] + rows[half]) / 2


def _along(polar: "np.ndarray") -> "np.ndarray":
    """The median over angles, (RADII, 3); the angles are laid side by side first, as memory likes it."""
    import numpy as np

    return np.median(np.ascontiguousarray(polar.reshape(len(polar), -1).T), axis=1).reshape(polar.shape[1:])


def lights(stack: "np.ndarray") -> "np.ndarray":
    """How light each unrolled picture is, (pictures,)."""
    return stack[:, ::16, ::4].mean(axis=(1, 2, 3))


def face_beside(stack: "np.ndarray", light: "np.ndarray", needles: "list[list[float]]", index: int, angle: float) -> "np.ndarray | None":
    """Picture ``index`` with its own needle at ``angle`` replaced by the face, from pictures in which no needle is near.

    Parameters
    ----------
    stack : ndarray, (pictures, ANGLES, RADII, 3)
    light : ndarray, (pictures,)
        As :func:`lights` gives it.
    needles : list of list of float
        The angles (rad) of the needles in each picture.
    index, angle
        Which picture and which of its needles; None comes back where no other picture shows the face there.
    """
    import numpy as np

    if math.isnan(angle):
        return None

    def apart(other: float) -> float:
        return abs((other - angle + math.pi) % (2 * math.pi) - math.pi)

    # neither needle nor its tail; a picture whose needle is not known shows nothing for certain
    usable = [
        place for place, others in enumerate(needles)
        if all(not math.isnan(other) and math.radians(28) < apart(other) < math.radians(152) for other in others)
    ]  # fmt: skip
    if not usable:
        return None
    usable = sorted(usable, key=lambda place: abs(light[place] - light[index]))[:9]
    rays = np.arange(ANGLES) * (2 * math.pi / ANGLES)
    beside = np.abs((rays - angle + math.pi) % (2 * math.pi) - math.pi) < math.radians(20)
    far = np.flatnonzero(~beside)[::8]
    offset = _along(stack[index][far] - middle_of([stack[place][far] for place in usable]))
    own = stack[index].copy()
    own[beside] = middle_of([stack[place][beside] for place in usable]) + offset
    return own


def angle_sigma(crop: "np.ndarray") -> float:
    """Standard deviation of an angle read off a dial of this size, rad: what a third of a pixel makes at two thirds of its radius, and 0.3 degrees."""
    return math.hypot(math.radians(0.3), 0.35 / (0.3 * min(crop.shape[:2])))


def between_pi(angle: float) -> float:
    """Between -pi and pi."""
    return (angle + math.pi) % (2 * math.pi) - math.pi
