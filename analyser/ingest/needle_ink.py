"""Where on a dial something of the needles' colour lies: the picture unrolled about the hub, less its face and less light that changes slowly.

Arrays are (ANGLES, RADII) on a grid of their own, coarser than that of an unrolled dial: whole degrees clockwise from up, and radii as parts
of the dial's radius. "Ink" is nought on the face and 1 on a needle in the reference picture's light.
"""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

from analyser.ingest import unrolled
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.dial_keys import Needle

ANGLES, RADII = unrolled.ANGLES // 2, unrolled.RADII // 2
HUB = (0.18, 0.30)  # part of the radius where the needles take up much of the way round
BARE = (0.30, 0.60)  # where little is printed
MESH = 5  # stretches of the smooth light from one side of the dial to the other, less 1
PIECES = 12  # in which many products are summed
ROUNDS = 5  # times that the light is fitted anew without what is no face


@functools.cache
def radii() -> "np.ndarray":
    """The radii of the grid."""
    import numpy as np

    return np.linspace(unrolled.INNER, unrolled.OUTER, unrolled.RADII).reshape(RADII, 2).mean(axis=1).astype(np.float32)


def coarse(ring: "np.ndarray") -> "np.ndarray":
    """An unrolled dial on the coarser grid, (ANGLES, RADII, 3)."""
    import numpy as np

    rays = 0.5 * ring[::2] + 0.25 * (ring[1::2] + np.roll(ring, 1, axis=0)[::2])
    return 0.5 * (rays[:, ::2] + rays[:, 1::2])


def inks_of(needles: "tuple[Needle, ...]", reference: "np.ndarray") -> "tuple[np.ndarray, list[int]]":
    """How to take inks apart, and each needle's ink.

    Returns
    -------
    (unmix, which) : ndarray, (inks, 3), and list of int
        ``unmix @ (colour - face)`` is how much of each ink is there (Lab); needles whose colours the panel file gives apart have inks of
        their own, all others share one, which is what stands out most about the reference picture's hub.
    """
    import numpy as np

    away = reference - _face(reference)
    codes = list(dict.fromkeys(needle.colour for needle in needles))
    ways = []
    for code in codes:
        if code is None:
            near = away[:, radii() < 0.42]
            size = np.linalg.norm(near, axis=2)
            strong = size > 0.5 * np.percentile(size, 99)
            ways.append(near[strong].mean(axis=0) if strong.any() else np.zeros(3))
        else:
            lab = load_opencv().cvtColor(np.array([[code]], np.uint8), load_opencv().COLOR_BGR2LAB)[0, 0]
            ways.append(lab.astype(np.float32) - np.median(_face(reference)[radii() < BARE[1]], axis=0))
    return np.linalg.pinv(np.array(ways).T), [codes.index(needle.colour) for needle in needles]


def ink(picture: "np.ndarray", unmix: "np.ndarray") -> "np.ndarray":
    """How much of each ink lies where, (inks, ANGLES, RADII)."""
    import numpy as np

    layers = np.moveaxis((picture - _face(picture)) @ unmix.T.astype(np.float32), 2, 0)
    return np.stack([layer - _light(layer) for layer in layers])


def strength(layer: "np.ndarray") -> float:
    """How much ink a needle has in this picture's light, by what lies about the hub."""
    import numpy as np

    return max(float(np.percentile(layer[:, (radii() > HUB[0]) & (radii() < HUB[1])], 93)), 1e-3)


def clearness(layer: "np.ndarray") -> float:
    """How many times stronger a needle is than the noise of the bare face."""
    import numpy as np

    return strength(layer) / max(1.4826 * float(np.median(np.abs(layer[:, (radii() > BARE[0]) & (radii() < BARE[1])]))), 0.02)


def _face(picture: "np.ndarray") -> "np.ndarray":
    """The usual colour at each radius, (RADII, 3)."""
    import numpy as np

    return np.median(picture[::3], axis=0)


def _light(layer: "np.ndarray") -> "np.ndarray":
    """Light that changes slowly over the dial (glare, shade): a smooth surface through most of the face, robustly fitted."""
    import numpy as np

    surface, picked, places, least = _surface()
    seen = layer.ravel()[places]
    size = np.tile(radii()[::3], len(places) // len(radii()[::3]))
    trust = size
    for _ in range(ROUNDS):
        weighted = picked * trust[:, None]
        # in pieces, for which one core is enough: waking another would take longer than the sum
        squares = (weighted.reshape(PIECES, -1, picked.shape[1]).transpose(0, 2, 1) @ picked.reshape(PIECES, -1, picked.shape[1])).sum(axis=0)
        answer = np.linalg.solve(squares + least, weighted.T @ seen)
        misfit = seen - picked @ answer
        trust = size / (1 + (misfit / max(2.97 * float(np.median(np.abs(misfit))), 1e-3)) ** 2) ** 2
    return surface @ answer.astype(np.float32)


@functools.cache
def _surface() -> "tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]":
    """Cubic B-splines over the dial at every place, at some of them, which these are, and a little stiffness."""
    import numpy as np

    turn = np.arange(ANGLES) * (2 * math.pi / ANGLES)
    across, up = (_splines((wave[:, None] * radii()[None]).ravel()) for wave in (np.sin(turn), np.cos(turn)))
    surface = (across[:, :, None] * up[:, None, :]).reshape(len(across), -1)
    surface = np.ascontiguousarray(surface[:, surface.max(axis=0) > 0.02])
    places = (np.arange(0, ANGLES, 4)[:, None] * RADII + np.arange(0, RADII, 3)[None]).ravel()
    least = np.eye(surface.shape[1]) * (1e-3 + 1e-3 * len(places) / surface.shape[1])
    return surface.reshape(ANGLES, RADII, -1), np.ascontiguousarray(surface[places]), places, least


def _splines(places: "np.ndarray") -> "np.ndarray":
    """Uniform cubic B-splines over -1 to 1 (de Boor, A Practical Guide to Splines, chapter IX), (places, MESH + 2)."""
    import numpy as np

    count = MESH + 2
    step = 2 / (count - 3)
    apart = np.abs((places[:, None] + 1) / step - (np.arange(count) - 1))
    return np.where(apart < 1, (4 - 6 * apart**2 + 3 * apart**3) / 6, np.where(apart < 2, (2 - apart) ** 3 / 6, 0)).astype(np.float32)
