"""Characters of a read-out as patches of its strip: where each of a text stands, and how alike two of them are.

Alike: one less the correlation of two patches, so far as they are the character's own and not its neighbours', at the best of some
small shifts. 0 is the same picture up to brightness and contrast; 1 is no likeness at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from analyser.ingest.beam import ALPHABET
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    import numpy as np

TOP, BOTTOM = 2, 30  # rows of a strip that are compared: the outermost may show a bezel
REACH = 12  # columns of a patch to either side of its middle
ASIDE, UP = 3, 1  # shifts tried, pixels
NARROW = 4  # columns that belong to a character to either side at the least
EDGE = 0.7  # columns over which a character's own part fades out
FIGURE, LEAST_FIGURE = 18, 8  # pixels: height of figures when two are compared, and the least that is believed
ROUGH = 1.5  # pixels by which a strip's rows may be misjudged
PLAIN = 0.99  # share from which a column is blank for every text
INKED = 0.4  # part of the full contrast from which a column is inked


@dataclass(frozen=True)
class Glyph:
    """One character of a text in a strip: ``centre``, pixels from the left; ``half``, pixels to either side that are its own; ``doubt``: the
    share of its best column that the network gives to something else."""

    character: str
    centre: int
    half: int
    doubt: float


def placed(shares: "np.ndarray", text: str) -> tuple[Glyph, ...]:
    """Where the characters of ``text`` stand, spaces left out; () where the columns are too few, or the network knows some character not.

    Parameters
    ----------
    shares : ndarray, (columns, CLASSES)
        Class probabilities of a network, two pixels a column.
    text : str
        What the strip shows, or may show.

    Notes
    -----
    The likeliest path that spells the text (Viterbi's algorithm over the states of connectionist temporal classification).
    """
    import numpy as np

    text = text.strip()
    if not text or len(shares) < len(text) or not set(text) <= set(ALPHABET):
        return ()
    plain = shares[:, 0] > PLAIN
    columns_of = np.flatnonzero(~(plain & np.roll(plain, 1)))  # of columns plainly blank side by side one is enough
    shares = shares[columns_of]
    classes = np.zeros(2 * len(text) + 1, int)
    classes[1::2] = [ALPHABET.index(letter) + 1 for letter in text]
    states, columns = len(classes), len(shares)
    if columns < len(text):
        return ()
    logs = np.log(np.maximum(shares[:, classes], 1e-9))
    barred = np.full(states, -np.inf)  # a blank may be left out between two characters that differ
    barred[3::2] = np.where(classes[3::2] != classes[1:-2:2], 0.0, -np.inf)
    best = np.full(states + 2, -np.inf)
    best[2:4] = logs[0, :2]
    ways = np.empty((3, states))
    came = np.zeros((columns, states), np.int8)
    for column in range(1, columns):
        ways[0], ways[1] = best[2:], best[1:-1]
        np.add(best[:-2], barred, out=ways[2])
        came[column] = ways.argmax(axis=0)
        best[2:] = ways.max(axis=0) + logs[column]
    if not np.isfinite(best[-2:]).any():
        return ()
    state = states - 1 if best[-1] > best[-2] else states - 2
    path = np.empty(columns, int)
    for column in range(columns - 1, -1, -1):
        path[column] = state
        state -= came[column, state]
    found = []
    for place, letter in enumerate(text):
        if letter != " ":
            run = np.flatnonzero(path == 2 * place + 1)
            weights = shares[run, classes[2 * place + 1]] + 1e-6
            found.append((letter, round(2 * float(columns_of[run] @ weights / weights.sum()) + 1), 1 - float(weights.max())))
    return _spaced(found)


def _spaced(found: list[tuple[str, int, float]]) -> tuple[Glyph, ...]:
    glyphs = []
    for place, (letter, centre, doubt) in enumerate(found):
        beside = [abs(centre - other[1]) for other in found[max(0, place - 1) : place] + found[place + 1 : place + 2]]
        half = min([REACH, *(gap // 2 + 1 for gap in beside)])
        glyphs.append(Glyph(letter, centre, max(half, NARROW), max(doubt, 0.0)))
    return tuple(glyphs)


@dataclass(frozen=True)
class Rows:
    """The rows of a strip between which its figures stand, pixels from the top."""

    top: float
    bottom: float

    @property
    def scale(self) -> float:
        """By how much the strip must grow for figures of FIGURE pixels."""
        return FIGURE / (self.bottom - self.top)

    def near(self, other: Rows) -> bool:
        """Whether both may be the same, as far as a strip shows them."""
        return abs(self.top - other.top) <= ROUGH and abs(self.bottom - other.bottom) <= ROUGH


def rows_of(strip: "np.ndarray", glyphs: Sequence[Glyph]) -> Rows | None:
    """Where the figures among the glyphs stand; None where that does not show."""
    import numpy as np

    parts = [strip[TOP:BOTTOM, max(0, each.centre - each.half + 1) : each.centre + each.half] for each in glyphs if each.character.isdigit()]
    if not parts:
        return None
    apart = np.abs(np.concatenate(parts, axis=1) - np.median(strip[TOP:BOTTOM]))
    inked = apart.max(axis=1) / max(float(np.quantile(apart, 0.98)), 1e-6)
    rows = np.flatnonzero(inked > 0.5)
    if not len(rows) or rows[-1] - rows[0] < LEAST_FIGURE:
        return None
    first, last = int(rows[0]), int(rows[-1])
    before, after = (float(inked[row]) if 0 <= row < len(inked) else 0.0 for row in (first - 1, last + 1))  # edges between two rows
    return Rows(TOP + first - min(before / float(inked[first]), 0.9), TOP + last + 1 + min(after / float(inked[last]), 0.9))


def evened(strip: "np.ndarray", rows: Rows) -> "np.ndarray":
    """The strip with its figures FIGURE pixels high in the middle, as high as before."""
    import numpy as np

    cv2 = load_opencv()
    height, width = strip.shape
    scale = rows.scale
    move = (height - scale * (rows.top + rows.bottom)) / 2 + (scale - 1) / 2  # pixel i reaches from i to i + 1
    view = np.array([[scale, 0, (scale - 1) / 2], [0, scale, move]])
    return cv2.warpAffine(strip, view, (max(1, round(width * scale)), height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def scaled(glyphs: Sequence[Glyph], scale: float) -> tuple[Glyph, ...]:
    """The glyphs where they stand in a strip that grew so."""
    return tuple(
        replace(each, centre=round((each.centre + 0.5) * scale - 0.5), half=min(max(round(each.half * scale), NARROW), REACH)) for each in glyphs
    )  # fmt: skip


def patches(strip: "np.ndarray", centres: Sequence[int]) -> "np.ndarray":
    """Patches about columns of a strip with room for the shifts, (centres, rows, columns)."""
    import numpy as np

    wide = np.pad(strip[TOP - UP : BOTTOM + UP], ((0, 0), (REACH + ASIDE, REACH + ASIDE)), mode="edge")
    inside = (min(max(centre, 0), strip.shape[1] - 1) for centre in centres)
    return np.stack([wide[:, centre : centre + 2 * (REACH + ASIDE) + 1] for centre in inside])


def still(patch: "np.ndarray") -> "np.ndarray":
    """A patch, (..., rows, columns), without the room about it, (..., pixels)."""
    part = patch[..., UP : patch.shape[-2] - UP, ASIDE : patch.shape[-1] - ASIDE]
    return part.reshape(*patch.shape[:-2], -1)


def moved(patch: "np.ndarray") -> "np.ndarray":
    """A patch, (rows, columns), moved by every shift, (shifts, pixels)."""
    import numpy as np

    views = np.lib.stride_tricks.sliding_window_view(patch, (BOTTOM - TOP, 2 * REACH + 1))
    return views.reshape(-1, (BOTTOM - TOP) * (2 * REACH + 1))


@lru_cache(maxsize=REACH)
def _own(half: int) -> "np.ndarray":
    """(pixels,), how much of each pixel of a patch is its character's own."""
    import numpy as np

    columns = 1 / (1 + np.exp((np.abs(np.arange(-REACH, REACH + 1)) - half) / EDGE))
    return np.tile(columns, BOTTOM - TOP).astype(np.float32)


def levelled(parts: "np.ndarray", half: int) -> "np.ndarray":
    """Patches, (..., pixels), such that the product of two is their correlation over the columns within ``half`` of the middle."""
    import numpy as np

    own = _own(half)
    flat = parts - (parts @ own / own.sum())[..., None]
    flat *= np.sqrt(own)
    flat /= np.sqrt((flat * flat).sum(axis=-1, keepdims=True)) + 1e-3
    return flat


def loose_ink(strip: "np.ndarray", glyphs: Sequence[Glyph], widths: Mapping[str, int]) -> int:
    """Greatest number of inked columns side by side that belong to none of the glyphs; the ends, where a bezel may reach in, left out.

    ``widths``: how far a character reaches to either side, where that is known.
    """
    import numpy as np

    inner = strip[TOP + 2 : BOTTOM - 2]
    apart = np.abs(inner - np.median(inner))
    inked = apart.max(axis=0) > INKED * np.quantile(apart, 0.98)
    inked[:4] = inked[-4:] = False
    for glyph in glyphs:
        reach = min(glyph.half, widths.get(glyph.character, glyph.half)) + 1
        inked[max(0, glyph.centre - reach) : glyph.centre + reach + 1] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inked, [False]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))
