"""From the networks' scores to honest probabilities, fitted to how often they are right (``training/calibrate.py``)."""

from __future__ import annotations

import json
import math
import re
from functools import lru_cache
from pathlib import Path

from analyser.ingest.beam import UNREADABLE

CALIBRATION = Path(__file__).parent / "weights" / "recogniser.json"
LETTER = re.compile(r"[A-Za-z°%²/?.,]")  # what may be set right without a doubt of the digits
SURE = 0.995  # probability at which a glance is enough: at this a value is believed
MARKS = frozenset(".,:")  # what most read-outs show somewhere
BORNE = 5.0  # being the only text that the grammar has says little where all its texts together are unlikely: no more than this above their odds
LEAST, LEAST_DEEP, LEAST_QUICK = 1e-6, 1e-5, 1e-4  # beyond these a network's own certainty says no more


@lru_cache(maxsize=1)
def calibration() -> dict:
    """``quick``, ``deep``: weights of the evidence; ``most``: the highest probability that the evidence has ever borne out."""
    return json.loads(CALIBRATION.read_text(encoding="utf-8"))


def after_a_glance(risk: float, text: str) -> float:
    """Probability that what a quick look found is right; ``text`` and ``risk`` as from :func:`analyser.ingest.beam.glance`."""
    return _bounded(sum(weight * value for weight, value in zip(calibration()["quick"], glance_evidence(risk, text))))


def glance_evidence(risk: float, text: str) -> tuple[float, ...]:
    """What the probability of a glance is reckoned from. A text without any mark may have lost one, of which nothing is left to be unsure of."""
    return 1.0, log_odds(1 - risk), float(not MARKS & set(text))


def after_a_look(share: float, mass: float, text: str, raw: str, glanced: str, risk: float) -> float:
    """Probability that the likeliest value is right, after the deep look.

    Parameters
    ----------
    share : float
        Its part of the probability of all texts of the grammar.
    mass : float
        Probability of all texts of the grammar.
    text, raw : str
        The likeliest text of the grammar, and of all; where they differ, or where ``raw`` holds characters that can't be made out,
        that counts against the value.
    glanced, risk : str, float
        What the quick look made of the same crop.
    """
    values = evidence(share, mass, text, raw, glanced, risk)
    return _bounded(sum(weight * value for weight, value in zip(calibration()["deep"], values)))


def evidence(share: float, mass: float, text: str, raw: str, glanced: str, risk: float) -> tuple[float, ...]:
    """What the probability of a value is reckoned from."""
    plain, seen, first_seen = (each.replace(" ", "").replace(",", ".") for each in (text, raw, glanced))  # which mark it is counts in ``share``
    same, agree = plain == seen, plain == first_seen
    lettered = not same and LETTER.sub("", plain) == LETTER.sub("", seen)  # a unit or a mark that the grammar had to set right, the digits as seen
    odd = not same and not lettered
    whole, first = log_odds(share * mass, LEAST_DEEP), log_odds(1 - risk, LEAST_QUICK)
    part = min(log_odds(share, LEAST_DEEP), max(0.0, BORNE + log_odds(mass, LEAST_DEEP)))
    return (
        1.0,
        whole if same else 0.0,
        part if same else 0.0,
        float(lettered),
        part if lettered else 0.0,
        float(odd),
        whole if odd else 0.0,  # where the grammar had to choose another text than the likeliest
        min(part, 4.0) if odd else 0.0,
        float(UNREADABLE in raw),
        float(agree),
        max(0.0, first) if agree else 0.0,
        min(0.0, first) if agree else 0.0,
        0.0 if agree else max(0.0, first),
    )


def log_odds(share: float, least: float = LEAST) -> float:
    """Of a probability, kept ``least`` away from 0 and 1: no network knows better."""
    share = min(max(share, least), 1 - least)
    return math.log(share / (1 - share))


def _bounded(score: float) -> float:
    return min(1 / (1 + math.exp(-max(-40.0, min(40.0, score)))), calibration()["most"])
