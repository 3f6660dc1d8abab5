"""A dial's face laid on that of the reference picture: how far it is twisted and its hub beside its place, as its ticks and figures show.

A dial is cut out by the panel's plane; a corner that is a pixel off twists a small dial by a degree. What is printed round its edge does not move.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.images import load_opencv
from analyser.ingest.unrolled import ANGLES, INNER, OUTER, RADII

if TYPE_CHECKING:
    import numpy as np

EDGE = (0.62, 0.92)  # part of the radius between which figures and ticks are compared
SECTORS = 8
REACH = 10  # steps of angle by which a sector may be turned either way
ALIKE = 0.5  # least correlation of a sector's print with that of the reference
ENOUGH = 5  # sectors


def face_shift(ring: "np.ndarray", reference: "np.ndarray") -> tuple[float, float, float]:
    """How a dial differs from the reference picture's.

    Parameters
    ----------
    ring, reference : ndarray, (ANGLES, RADII, 3), float32
        Both unrolled.

    Returns
    -------
    (twist, right, down)
        Twist clockwise, rad; the hub beside where it was taken to be, parts of the radius. Zeros where too little print says so.
    """
    import numpy as np

    radii = np.linspace(INNER, OUTER, RADII)
    edge = (radii > EDGE[0]) & (radii < EDGE[1])
    now, known = (_print(each[:, edge]) for each in (ring, reference))
    size = ANGLES // SECTORS
    design, turned = [], []
    for sector in range(SECTORS):
        rows = (sector * size + np.arange(-size // 4, size + size // 4)) % ANGLES
        found = _turn(now, known, rows)
        if found is not None:
            middle = (sector + 0.5) * size * 2 * math.pi / ANGLES
            design.append((1.0, math.cos(middle), math.sin(middle)))
            turned.append(found * 2 * math.pi / ANGLES)
    if len(turned) < ENOUGH:
        return 0.0, 0.0, 0.0
    matrix, values = np.array(design), np.array(turned)
    trust = np.ones(len(values))
    for _ in range(4):  # a needle over a sector's print misleads it
        weighted = matrix * trust[:, None]
        answer = np.linalg.solve(weighted.T @ matrix + np.diag([0.0, 0.05, 0.05]), weighted.T @ values)
        misfit = np.abs(values - matrix @ answer)
        trust = 1 / (1 + (misfit / max(float(np.median(misfit)) * 1.5, 1e-3)) ** 2)
    middle = (EDGE[0] + EDGE[1]) / 2
    return float(answer[0]), float(answer[1] * middle), float(answer[2] * middle)


def _print(ring: "np.ndarray") -> "np.ndarray":
    """Ticks and figures without light and shade, (ANGLES, radii)."""
    import numpy as np

    light = np.ascontiguousarray(ring[..., 0])
    wrapped = np.concatenate([light[-40:], light, light[:40]])
    return (light - load_opencv().blur(wrapped, (1, 41))[40:-40]).astype(np.float32)


def _turn(now: "np.ndarray", known: "np.ndarray", rows: "np.ndarray") -> float | None:
    """By how many steps of angle a sector is turned, None where nothing fits."""
    import numpy as np

    cv2 = load_opencv()
    around = np.arange(rows[0] - REACH, rows[0] + len(rows) + REACH) % ANGLES
    fits = np.nan_to_num(cv2.matchTemplate(now[around], known[rows], cv2.TM_CCOEFF_NORMED)[:, 0])
    best = int(fits.argmax())
    if fits[best] < ALIKE or best in (0, 2 * REACH):
        return None
    low, middle, high = (float(fit) for fit in fits[best - 1 : best + 2])
    bend = low - 2 * middle + high
    return best - REACH + (0.5 * (low - high) / bend if bend < 0 else 0.0)
