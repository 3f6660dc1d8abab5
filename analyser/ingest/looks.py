"""Several looks at what one look leaves doubtful: the same strip seen otherwise, and how probable each text is in all of them.

How probable a network holds a text to be hangs by details of how the strip was cut and lit. The mean over a few strips that differ in nothing
that matters is right more often and sure of less that is wrong. What is averaged is the probability of whole texts: where a character stands
may differ from look to look by a column, which would blur columns' means.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyser.ingest.beam import ALPHABET, Spelling, glances
from analyser.ingest.images import load_opencv

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from analyser.ingest.automaton import Automaton

ENOUGH = 0.9  # probability of one text, whatever its spaces, at which one look is enough
TALLER = 1.05  # the other looks see the text this much taller,
LIFT, SHIFT = 1.25, 1.0  # one of them so many pixels higher and further right, the other lower and further left,
LEAN = 0.06  # leaning to the left (as a part of the height) and to the right,
TONES = (1.0, -1.0)  # the other with light and dark exchanged
BLANK = 0.999  # probability above which a column is taken for blank


def doubtful(spellings: "Sequence[Spelling]") -> bool:
    """Whether one look found texts and none of them for sure."""
    sums: dict[str, float] = {}
    for each in spellings:
        plain = each.text.replace(" ", "")
        sums[plain] = sums.get(plain, 0.0) + math.exp(each.weight)
    return bool(sums) and max(sums.values()) < ENOUGH


def otherwise(strip: "np.ndarray") -> list["np.ndarray"]:
    """The strip, (height, width), seen in each of the other ways; same shape, the columns as good as the same."""
    import numpy as np

    cv2 = load_opencv()
    height, width = strip.shape
    looks = []
    for tone in TONES:
        lean = -LEAN * tone
        place = np.array([[1, lean, -lean * (height - 1) / 2 - SHIFT * tone], [0, 1 / TALLER, (height - 1) / 2 * (1 - 1 / TALLER) + LIFT * tone]], np.float32)
        seen = cv2.warpAffine(strip, place, (width, height), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
        looks.append(seen * np.float32(tone))
    return looks


def joined(looks: "Sequence[np.ndarray]", first: "Sequence[Spelling]", automaton: "Automaton") -> tuple[Spelling, ...]:
    """Texts of the grammar by their mean probability over all looks.

    Parameters
    ----------
    looks : sequence of ndarray, (columns, CLASSES)
        Class probabilities of each look at one strip.
    first : sequence of Spelling
        What the search found in the first look; what the others hold for likeliest counts as well, where the grammar has it.
    automaton : Automaton
    """
    import numpy as np

    texts = list(dict.fromkeys([each.text for each in first] + [text for text, _ in glances(looks) if automaton.accepts(text)]))
    chances = probabilities(np.stack(looks), texts).mean(axis=0)
    found = [Spelling(text, math.log(chance)) for text, chance in zip(texts, chances.tolist()) if chance > 0]
    return tuple(sorted(found, key=lambda each: -each.weight))


def probabilities(looks: "np.ndarray", texts: "Sequence[str]") -> "np.ndarray":
    """How probable each text is in each look, all its paths added up (the forward sums of Graves et al. 2006, section 4.1).

    Parameters
    ----------
    looks : ndarray, (looks, columns, CLASSES)
        Class probabilities.
    texts : sequence of str
        Over ALPHABET, none of them empty.

    Returns
    -------
    ndarray, (looks, texts)
    """
    import numpy as np

    looks = looks.astype(float)
    blank = looks[:, :, 0]
    idle = (blank > BLANK).all(axis=0)
    idle[1:] &= idle[:-1].copy()  # of columns that are blank for sure the first of a run says it all
    idle[0] = False
    rest = blank[:, idle].prod(axis=1)
    classes = np.zeros((len(texts), 2 * max(map(len, texts)) + 1), int)  # a blank before, between and after the characters
    for row, text in zip(classes, texts):
        row[1 : 2 * len(text) : 2] = [ALPHABET.index(character) + 1 for character in text]
    leap = np.zeros(classes.shape)  # from one character straight to the next, where they differ
    leap[:, 2:] = (classes[:, 2:] > 0) & (classes[:, 2:] != classes[:, :-2])
    steps = looks[:, ~idle][:, :, classes].swapaxes(0, 1)  # (columns, looks, texts, places)
    sums = np.zeros(steps.shape[1:])
    sums[:, :, :2] = steps[0, :, :, :2]
    for step in steps[1:]:
        before = sums.copy()
        before[:, :, 1:] += sums[:, :, :-1]
        before[:, :, 2:] += sums[:, :, :-2] * leap[:, 2:]
        sums = before * step
    ends = np.array([2 * len(text) for text in texts])
    each = np.arange(len(texts))
    return (sums[:, each, ends] + sums[:, each, ends - 1]) * rest[:, None]
