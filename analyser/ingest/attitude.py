"""The attitude ball: pitch and roll from where its two halves meet, heading from the marks along that line.

The ball is a sphere seen from afar (orthographic), or a flat card (``projection = "flat"``, with ``pitch_at_edge``).
Sky and ground are told apart by the colours that they have on the reference picture, where up is taken as sky unless
the panel file says otherwise; light and shade on the ball only change how the two differ, which the fit allows.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from analyser.ingest.ball_heading import read_heading
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

RIM = 0.90  # part of the radius that is looked at
STEPS, MOST_STEP = 12, math.radians(5)  # of the last steps
COARSE, FINE = 32, 112  # pixels across for the search and for the last steps
SOFT = 0.07  # the model passes from sky to ground over this on either side: wider than a horizon line drawn in ink
FIT = 0.68  # least correlation of model and picture
APART = 0.08  # least difference of sky and ground, part of that on the reference picture
LIT = 56  # pixels across at which a horizon is told from light and shade
CLEAR, CLEAR_STEP = 0.6, 0.5  # the same on the reference picture, where the sky is known to be up
LEAST_HALF = 0.01  # of the ball that either half must cover on the reference picture
STEP = 0.6  # least correlation of model and picture once everything that changes smoothly over the ball is taken from both
SIGMA = math.radians(1.0)


def see_attitude(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one ball in many screenshots; ``reference`` is its crop from the reference picture."""
    flat = gauge.options.get("projection") == "flat"
    edge = _edge(gauge) if flat else 0.0
    sky, ground, clear = halves(reference, edge)
    readings = []
    for crop in crops:
        pitch, roll, fit = horizon(crop, sky, ground, edge)
        doubt = "" if fit >= FIT else f"the horizon fits only by {max(fit, 0):.0%}"
        if not clear:
            doubt = "the reference picture does not show clearly which half of the ball is which; take one with a horizon well in sight, the sky up"
        elif not doubt and not _is_step(crop, sky, ground, pitch, roll, edge):
            doubt = "no horizon is in sight: the ball is of one colour, in uneven light"
        raw = f"pitch {math.degrees(pitch):.1f}, roll {math.degrees(roll):.1f} deg"
        roll_sigma = SIGMA / max(math.cos(pitch), 0.1)
        values = {"pitch": (pitch, SIGMA), "roll": (roll, roll_sigma)}
        looks = []
        for column in gauge.reads:
            if column == "heading":
                looks.append(Seen(reading=_heading(gauge, crop, pitch, roll, doubt)))
                continue
            value, sigma = values[column]
            trouble = doubt or ("straight up or down, where roll means nothing" if column == "roll" and abs(pitch) > math.radians(82) else "")
            candidate = Candidate(raw, value, sigma / UNIFORM, 0.999 if not trouble else 0.6)
            looks.append(Seen(reading=GaugeReading((candidate,), trouble, raw)))
        readings.append(tuple(looks))
    return readings


def _heading(gauge: "Gauge", crop: "np.ndarray", pitch: float, roll: float, doubt: str) -> GaugeReading:
    """Heading from the marks along the horizon: missing with the reason where they cannot be read, never guessed."""
    marks = gauge.options.get("headings", ())
    if not marks:
        return GaugeReading(doubt='the panel file does not say what is written along the horizon; add headings = ["N", "30", "60", ...]')
    if gauge.options.get("projection") == "flat":
        return GaugeReading(doubt="heading is read from a ball, not from a flat card")
    if doubt:
        return GaugeReading(doubt=doubt)
    found = read_heading(load_opencv().cvtColor(crop, load_opencv().COLOR_BGR2GRAY), pitch, roll, marks)
    if found.trouble:
        return GaugeReading(doubt=found.trouble)
    raw = f"heading {math.degrees(found.value):.1f} deg, by " + ", ".join(found.seen)
    return GaugeReading((Candidate(raw, found.value, found.sigma / UNIFORM, 0.999),), "", raw)


def _edge(gauge: "Gauge") -> float:
    from analyser.units import parse_quantity

    return parse_quantity(gauge.options.get("pitch_at_edge", "90 deg"), "angle")


def halves(reference: "np.ndarray", edge: float = 0.0) -> tuple["np.ndarray", "np.ndarray", bool]:
    """Colours (Lab) of sky and ground on the reference picture, and whether it shows both: of all horizons with the sky up the one that tells most of the ball's colours,
    its shade towards the rim taken from them.

    ``edge`` as for :func:`horizon`.
    """
    import numpy as np

    cv2 = load_opencv()
    small = cv2.cvtColor(cv2.resize(reference, (COARSE, COARSE), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2LAB).astype(np.float32)
    inside, x, y = _disc(COARSE)
    colours = small[inside]
    depth = np.sqrt(1 - x**2 - y**2)
    shade = np.linalg.qr(np.stack([np.ones_like(x), depth, depth**2], axis=1))[0]
    plain = colours - shade @ (shade.T @ colours)
    pitches, rolls, models = _templates(COARSE, edge)
    upright = np.abs(rolls) <= math.pi / 2
    models = models[upright] - (models[upright] @ shade) @ shade.T
    told = ((models @ plain) ** 2).sum(axis=1) / (models**2).sum(axis=1).clip(1e-3)
    best = int(told.argmax())
    model = _model(x, y, float(pitches[upright][best]), float(rolls[upright][best]), edge)
    if min((model > 0).sum(), (model < 0).sum()) < LEAST_HALF * model.size:
        return colours.mean(axis=0), colours.mean(axis=0), False
    sky, ground = (np.median(colours[half], axis=0) for half in (model > 0, model < 0))
    pitch, roll, fit = horizon(reference, sky, ground, edge)
    return sky, ground, fit >= CLEAR and abs(roll) < math.pi / 2 and _sharpness(reference, sky, ground, pitch, roll, edge) > CLEAR_STEP


def horizon(crop: "np.ndarray", sky: "np.ndarray", ground: "np.ndarray", edge: float = 0.0) -> tuple[float, float, float]:
    """Pitch and roll (rad; nose up and right side down positive) and the correlation of model and picture.

    ``edge``: on a flat card the pitch between centre and edge, rad; 0 for a sphere.
    """
    import numpy as np

    coarse = _skyness(crop, sky, ground, COARSE)
    pitches, rolls, models = _templates(COARSE, edge)
    fits = models @ coarse
    best = int(fits.argmax())
    pitch, roll, fit = pitches[best], rolls[best], float(fits[best])
    fine = _skyness(crop, sky, ground, FINE)
    _, x, y = _disc(FINE)
    limit = edge * 1.5 if edge else math.pi / 2

    def correlation(p: float, r: float) -> tuple[float, "np.ndarray"]:
        model = _model(x, y, p, r, edge)
        model -= model.mean()
        model /= np.linalg.norm(model) + 1e-9
        return float(model @ fine), model

    # Gauss and Newton: the unit model that lies nearest to the unit picture; a step that makes it worse is halved
    fit, model = correlation(pitch, roll)
    nudge = math.radians(0.5)
    for _ in range(STEPS):
        aside = nudge / max(math.cos(pitch), 0.15)
        slopes = np.stack([(correlation(pitch + nudge, roll)[1] - correlation(pitch - nudge, roll)[1]) / (2 * nudge),
                           (correlation(pitch, roll + aside)[1] - correlation(pitch, roll - aside)[1]) / (2 * aside)])  # fmt: skip
        normal = slopes @ slopes.T
        if np.trace(normal) < 1e-9:
            break  # all of one colour: there is no horizon to move
        step = np.linalg.solve(normal + 1e-3 * np.trace(normal) * np.eye(2), slopes @ (fine - model))
        step = np.clip(step, -MOST_STEP, MOST_STEP)
        for _ in range(4):
            there = min(max(pitch + step[0], -limit), limit), roll + step[1]
            trial, at_trial = correlation(*there)
            if trial > fit:
                break
            step = step / 2
        if trial <= fit:
            break
        (pitch, roll), fit, model = there, trial, at_trial
        if float(np.abs(step).max()) < math.radians(0.02):
            break
    return pitch, (roll + math.pi) % (2 * math.pi) - math.pi, fit


def _is_step(crop, sky, ground, pitch: float, roll: float, edge: float) -> bool:
    """Whether the ball changes its colour at the horizon found, not only little by little from one side to the other as glare and shade do."""
    return _sharpness(crop, sky, ground, pitch, roll, edge) > STEP


def _sharpness(crop, sky, ground, pitch: float, roll: float, edge: float) -> float:
    """Correlation of the horizon's model and the picture, a smooth surface of second order taken from both."""
    import numpy as np

    cv2 = load_opencv()
    lab = cv2.cvtColor(cv2.resize(crop, (LIT, LIT), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2LAB).astype(np.float32)
    inside, x, y = _disc(LIT)
    values = lab[inside] @ (sky - ground)
    model = _model(x, y, pitch, roll, edge)
    surface = _smooth_surface()
    left, right = (each - surface @ (surface.T @ each) for each in (values, model))
    return float(left @ right / (np.linalg.norm(left) * np.linalg.norm(right) + 1e-9))


@lru_cache(maxsize=1)
def _smooth_surface() -> "np.ndarray":
    """Orthonormal columns that span the surfaces of second order over the ball at LIT pixels across."""
    import numpy as np

    _, x, y = _disc(LIT)
    return np.linalg.qr(np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1))[0]


@lru_cache(maxsize=8)
def _disc(size: int):
    """Which pixels of a picture ``size`` across lie within the ball's rim, and where these are in radii, x to the right and y up."""
    import numpy as np

    steps = (np.arange(size) + 0.5) / size * 2 - 1
    x, y = np.meshgrid(steps, -steps)
    inside = x**2 + y**2 < RIM**2
    return inside, x[inside], y[inside]


def _model(x, y, pitch: float, roll: float, edge: float):
    """Sky (+1) and ground (-1) at places on the ball."""
    import numpy as np

    up = -x * math.sin(roll) + y * math.cos(roll)
    if edge:
        height = up + pitch / edge
    else:
        depth = np.sqrt(np.maximum(0.0, 1 - x**2 - y**2))
        height = up * math.cos(pitch) + depth * math.sin(pitch)
    return np.clip(height / SOFT, -1, 1)


@lru_cache(maxsize=4)
def _templates(size: int, edge: float):
    import numpy as np

    _, x, y = _disc(size)
    limit = edge if edge else math.radians(88)
    pairs = [(p, r) for p in np.linspace(-limit, limit, 25) for r in np.arange(-180, 180, 8) * (math.pi / 180)]
    models = np.array([_model(x, y, p, r, edge) for p, r in pairs], np.float32)
    models -= models.mean(axis=1, keepdims=True)
    models /= np.linalg.norm(models, axis=1, keepdims=True) + 1e-9
    pitches, rolls = (np.array(column) for column in zip(*pairs))
    return pitches, rolls, models


def _skyness(crop, sky, ground, size: int):
    """How much each pixel within the rim looks like sky rather than ground, mean 0 and norm 1."""
    import numpy as np

    cv2 = load_opencv()
    small = cv2.cvtColor(cv2.resize(crop, (size, size), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2LAB).astype(np.float32)
    inside, _, _ = _disc(size)
    axis = sky - ground
    values = (small[inside] - (sky + ground) / 2) @ axis / max(float(axis @ axis), 1.0)
    low, high = np.percentile(values, (5, 95))  # then the middles of what is nearer to each: sky and ground in this light
    for _ in range(8):
        nearer = values < (low + high) / 2
        if nearer.all() or not nearer.any():
            break
        low, high = float(np.median(values[nearer])), float(np.median(values[~nearer]))
    if high - low < APART:
        return np.zeros(values.size)
    values = np.clip((values - (low + high) / 2) / ((high - low) / 2) * 1.6, -1, 1)  # marks and glare count as full at most
    values = values - values.mean()
    return values / (np.linalg.norm(values) + 1e-9)
