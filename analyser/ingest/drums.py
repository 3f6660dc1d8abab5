"""Drum counters: rolling digits, the last wheel anywhere between two, the others moving only while the one after them passes from 9 to 0.

Every wheel's picture is compared with a strip of digits in every position that the wheel can have. Of the styles of digits on the sheet in
``weights`` (see ``training/digit_styles``) the one is used that suits this counter best, judged by all its pictures together with that of the
reference. Then all wheels of a picture are weighed at once: where the last wheel stands says whether those before it may be on the move.

Not modelled: signs, wheels geared to move all the time, blank places before the first digit, white hatching instead of a leading 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError
from analyser.ingest.grammar import UNIFORM
from analyser.ingest.images import load_opencv
from analyser.ingest.readout import Candidate, GaugeReading, Seen
from analyser.ingest.recogniser import score

if TYPE_CHECKING:
    import numpy as np

    from analyser.ingest.panel import Gauge

SHEET = Path(__file__).parent / "weights" / "drum_digits.png"
BOX = (20, 28)  # width and height of a digit on the sheet
WIDE, HIGH = 20, 32  # a wheel as it is compared
SHADE = 9.0  # pixels: standard deviation of what is taken for shade
STEPS = 20  # positions compared from one digit to the next
TALL = (0.5, 0.6, 0.7, 0.8, 0.9)  # heights of a digit tried, parts of the window
BROAD = (0.45, 0.6, 0.75, 0.9)  # widths of the widest digit tried, parts of a wheel
PITCHES = (0.8, 0.9, 1.0, 1.1, 1.2)  # digit to digit, parts of the window
TRIED = 3  # styles of digits tried to the end
JUDGES = 8  # pictures by which the make is judged
OFFSETS = range(-3, 4)  # steps by which the whole counter may lie too high or low
OFFSET_SIGMA = 1.5  # steps
WORTH = 30.0  # pixels of a wheel that count as independent
TRUST = 2e-3  # chance given to every digit whatever the recogniser says
OWN = math.log(0.95)  # the recogniser's word for a digit by which it is taken as a pattern
SURE = 0.999  # probability, as reckoned here, below which a reading is doubtful
LEAST_FIT = 0.5  # correlation below which a wheel is not made out
CONTRADICTS = 9.0  # log likelihood that the wheels lose by having to fit together
FLOOR = 0.03  # least standard deviation, steps of the last wheel: wheels have slack


@dataclass(frozen=True)
class Make:
    """How a counter is made: style of digits (row of the sheet), their height and width and the distance to the next (parts of the window's
    height, of a wheel's width, of the window's height), +1 where the next digit comes from below, -1 from above; how far the
    digits stand below the window's middle (parts of its height); whether they are darker than the wheel."""

    style: int
    tall: float
    broad: float
    pitch: float = 1.0
    roll: int = 1
    low: float = 0.0
    dark: bool = False


def see_drums(gauge: "Gauge", crops: list["np.ndarray"], reference: "np.ndarray") -> list[tuple[Seen, ...]]:
    """Read one counter in many screenshots.

    Parameters
    ----------
    gauge : Gauge
        Of kind "drum"; its options give ``digits``, the number of wheels, and may give ``last``, what one step of the last wheel is worth (SI).
    crops : list of ndarray, (height, width), uint8
    reference : ndarray, (height, width), uint8
        Its crop from the reference picture.
    """
    digits = int(gauge.options["digits"])
    if not crops:
        return []
    pictures = [reference, *crops]
    wheels = [_wheels(crop, digits) for crop in pictures]
    judges = wheels[:JUDGES]
    make = _finest(judges, max(_makes(judges), key=lambda each: _suits(judges, each)))
    models = _strip(make, _sheet()[make.style], _places())
    hints = _recognised(pictures, [_weighed(each, models) for each in wheels], make)
    own = _own_style(pictures, [_weighed(each, models, hint) for each, hint in zip(wheels, hints)], hints, make)
    models = _strip(make, own, _places())
    hints = _recognised(crops, [_weighed(each, models, hint) for each, hint in zip(wheels[1:], hints[1:])], make)
    return [(Seen(reading=_reading(gauge, _weighed(each, models, hint))),) for each, hint in zip(wheels[1:], hints)]


def _places() -> "np.ndarray":
    import numpy as np

    return np.arange(10 * STEPS) / STEPS


def _suits(wheels: list["np.ndarray"], make: Make) -> float:
    """How well a make explains all pictures: log likelihood."""
    models = _strip(make, _sheet()[make.style], _places())
    return sum(_fitted(each, models)[0].max() for each in wheels)


def _finest(wheels: list["np.ndarray"], make: Make) -> Make:
    """A make with its measures a little changed, one after the other, where that suits better."""
    best = _suits(wheels, make)
    for name, change in (("tall", 0.05), ("broad", 0.07), ("pitch", 0.05), ("low", 0.03)):
        for each in (change, -change):
            trial = replace(make, **{name: getattr(make, name) + each})
            if trial.pitch > trial.tall and (found := _suits(wheels, trial)) > best:
                make, best = trial, found
                break
    return make


def _own_style(pictures: list["np.ndarray"], readings: list[Weighed], hints: list["np.ndarray"], make: Make) -> "np.ndarray":
    """The style of digits, (10, height, width), with this counter's own in it where two ways of reading a wheel agree on one that is hardly cut off."""
    import numpy as np

    cv2 = load_opencv()
    style = _sheet()[make.style]
    total, count = style.copy(), np.ones(10)
    width, height = BOX
    across = (((np.arange(width) + 0.5) / width - 0.5) * make.broad + 0.5).astype(np.float32)
    for crop, reading, hint in zip(pictures, readings, hints):
        for wheel, (spot, log) in enumerate(zip(reading.spots, hint)):
            aside = spot - round(spot)
            digit = round(spot) % 10
            if abs(aside) > 0.2 or log[digit] < OWN or log.argmax() != digit:
                continue
            down = (((np.arange(height) + 0.5) / height - 0.5) * make.tall + 0.5 + make.low - make.roll * aside * make.pitch).astype(np.float32)
            x = (wheel + across) * crop.shape[1] / len(hint) - 0.5
            y = down * crop.shape[0] - 0.5
            picture = cv2.remap(crop, np.tile(x, (height, 1)), np.tile(y[:, None], (1, width)), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            low, high = np.percentile(picture, (10, 90))
            one = np.clip((picture - low) / max(high - low, 4.0), 0, 1).astype(np.float32)
            total[digit] += 1 - one if make.dark else one
            count[digit] += 1
    return total / count[:, None, None]


@lru_cache(maxsize=1)
def _sheet() -> "np.ndarray":
    """The styles of digits, (styles, 10, height, width), 0 to 1."""
    import numpy as np

    cv2 = load_opencv()
    try:
        picture = cv2.imdecode(np.frombuffer(SHEET.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    except OSError as error:
        raise AnalyserError(f"{SHEET}: the sheet of digits is missing; install the analyser again") from error
    width, height = BOX
    return picture.reshape(-1, height, 10, width).transpose(0, 2, 1, 3).astype(np.float32) / 255


@lru_cache(maxsize=1)
def _weight() -> "np.ndarray":
    """How much each pixel of a wheel counts: less towards its edges, where frames and shade are."""
    import numpy as np

    across = np.clip((np.minimum(np.arange(WIDE), np.arange(WIDE)[::-1]) + 0.5) / 2.5, 0, 1)
    down = np.clip((np.minimum(np.arange(HIGH), np.arange(HIGH)[::-1]) + 1.5) / 4, 0, 1)
    return (down[:, None] * across[None, :]).astype(np.float32)


@lru_cache(maxsize=2)
def _smoothing(size: int) -> "np.ndarray":
    """The matrix that smooths a line of pixels as far as shade and glare reach, (size, size)."""
    import numpy as np

    cv2 = load_opencv()
    return cv2.GaussianBlur(np.eye(size, dtype=np.float32), (1, 0), sigmaX=0.1, sigmaY=SHADE, borderType=cv2.BORDER_REPLICATE)


def _comparable(pictures: "np.ndarray") -> "np.ndarray":
    """Pictures of wheels, (n, HIGH, WIDE), without shade, weighted, mean 0 and norm 1, (n, HIGH WIDE)."""
    import numpy as np

    down, across = _smoothing(HIGH), _smoothing(WIDE)
    weight = _weight()
    flat = (pictures - down @ pictures @ across.T) * weight
    flat -= weight * (flat.sum(axis=(1, 2)) / weight.sum())[:, None, None]
    flat = flat.reshape(len(flat), -1)
    return flat / (np.linalg.norm(flat, axis=1, keepdims=True) + 1e-3)


def _wheels(crop: "np.ndarray", digits: int) -> "np.ndarray":
    """The wheels of a counter, (digits, HIGH WIDE), as they are compared."""
    import numpy as np

    cv2 = load_opencv()
    enlarge = crop.shape[1] < WIDE * digits
    flat = cv2.resize(crop, (WIDE * digits, HIGH), interpolation=cv2.INTER_CUBIC if enlarge else cv2.INTER_AREA).astype(np.float32)
    return _comparable(flat.reshape(HIGH, digits, WIDE).transpose(1, 0, 2))


def _strip(make: Make, style: "np.ndarray", places: "np.ndarray") -> "np.ndarray":
    """What a wheel of this make looks like at these places, (places, HIGH WIDE), as it is compared."""
    import numpy as np

    width, height = BOX
    x = (((np.arange(WIDE) + 0.5) / WIDE - 0.5) / make.broad + 0.5) * width - 0.5
    between = np.maximum(0, 1 - np.abs(np.arange(width)[:, None] - x[None, :])).astype(np.float32)  # straight between pixels, nothing beyond them
    columns = style @ between
    columns = np.pad(columns, ((0, 0), (1, 2), (0, 0)))
    down = (np.arange(HIGH) + 0.5) / HIGH - 0.5 - make.low
    along = places[:, None] + make.roll * down[None, :] / make.pitch  # which digit lies on which row
    digit = np.round(along).astype(int)
    row = ((along - digit) * make.roll * make.pitch / make.tall + 0.5) * height + 0.5
    row = np.clip(row, 0, height + 1)
    whole = np.floor(row).astype(int)
    part = (row - whole)[..., None].astype(np.float32)
    pictures = columns[digit % 10, whole] * (1 - part) + columns[digit % 10, whole + 1] * part
    models = _comparable(pictures)
    return -models if make.dark else models


@lru_cache(maxsize=1)
def _still() -> tuple[list[Make], "np.ndarray"]:
    """Makes that are tried first and their ten digits standing still, (makes, 10, HIGH WIDE)."""
    import numpy as np

    makes = [Make(style, tall, broad, low=low) for style in range(len(_sheet())) for tall in TALL for broad in BROAD for low in (-0.06, 0.0, 0.06)]
    return makes, np.array([_strip(make, _sheet()[make.style], np.arange(10.0)) for make in makes], np.float16)


def _makes(wheels: list["np.ndarray"]) -> list[Make]:
    """Makes that may be this counter's, from the wheels that mostly stand still: all but the last."""
    import numpy as np

    standing = np.concatenate([each[:-1] if len(each) > 1 else each for each in wheels])
    makes, digits = _still()
    fits = digits.astype(np.float32).reshape(-1, digits.shape[-1]) @ standing.T
    fits = fits.reshape(len(makes), 10, -1)
    light, dark = fits.max(axis=1).mean(axis=1), (-fits).max(axis=1).mean(axis=1)
    is_dark = dark.max() > light.max()
    order = np.argsort(-(dark if is_dark else light))
    found: list[Make] = []
    for index in order:
        if makes[index].style not in [each.style for each in found]:
            found.append(makes[index])
        if len(found) == TRIED:
            break
    return [
        Make(each.style, each.tall, each.broad, pitch, roll, each.low, bool(is_dark))
        for each in found for pitch in PITCHES if pitch > each.tall for roll in (1, -1)
    ]  # fmt: skip


@dataclass(frozen=True)
class Weighed:
    """One picture's wheels against one make: where the last stands, the digits that the others show (first wheel first), the log likelihood, how
    probably the digits are right, the standard deviation of the last wheel's place, the least correlation of a wheel, what the wheels lose
    by having to fit together, and which of them (0: first) loses most; ``other``: the digits of the next likeliest reading;
    ``spots``: where each wheel stands, its offset with it."""

    place: float
    digits: tuple[int, ...]
    total: float
    probability: float
    sigma: float
    fit: float
    loss: float
    loser: int
    other: tuple[int, ...]
    spots: tuple[float, ...]


def _recognised(crops: list["np.ndarray"], readings: list[Weighed], make: Make) -> list["np.ndarray"]:
    """For each picture and each wheel the log probability of each digit, (wheels, 10), by the recogniser of read-outs, which is shown the
    digit nearest to the window alone, moved to its middle: the more of it is cut off, the less its word counts."""
    import numpy as np

    shown, shares = [], []
    for crop, reading in zip(crops, readings):
        for wheel, spot in enumerate(reading.spots):
            aside = spot - round(spot)
            shown.append(_alone(crop, wheel, len(reading.spots), make, aside))
            shares.append(min(max(1 - (abs(aside) - 0.1) / 0.3, 0.0), 1.0))
    hints = np.array([_digit_chances(logs) for logs in score(shown)]) * np.array(shares)[:, None]
    count = len(readings[0].spots)
    return list(hints.reshape(len(crops), count, 10))


def _alone(crop: "np.ndarray", wheel: int, count: int, make: Make, aside: float) -> "np.ndarray":
    """The digit of a wheel that stands ``aside`` (steps beyond its place) in the middle of a picture with nothing else on it."""
    import numpy as np

    height, width = crop.shape[0], crop.shape[1] / count
    left, right = round((wheel + 0.03) * width), round((wheel + 0.97) * width)
    cell = crop[:, left:right]
    middle = height * (0.5 + make.low - make.roll * aside * make.pitch)
    half = make.tall * height * 0.56
    top, bottom = max(round(middle - half), 0), min(round(middle + half), height)
    if bottom - top < 2:
        top, bottom = 0, height
    size = round(make.tall * height * 1.35)
    alone = np.full((size, cell.shape[1]), np.percentile(cell, 85 if make.dark else 15), np.float64).astype(np.uint8)
    start = round(size / 2 - (middle - top))
    begin, end = max(start, 0), min(start + bottom - top, size)
    alone[begin:end] = cell[top + begin - start : top + end - start]
    return alone


def _digit_chances(logs: "np.ndarray") -> "np.ndarray":
    """Log probabilities that one picture's columns spell each digit and nothing else, among digits."""
    import numpy as np

    blank, digit = logs[:, :1], logs[:, 2:12]  # classes of the digits
    before, within, after = np.zeros((1,)), np.full(10, -np.inf), np.full(10, -np.inf)
    for column in range(len(logs)):
        after = np.logaddexp(after, within) + blank[column]
        within = np.logaddexp(within, before) + digit[column]
        before = before + blank[column]
    chances = np.exp(np.logaddexp(within, after))
    return np.log((chances + TRUST) / (chances.sum() + 10 * TRUST))


def _fitted(wheels: "np.ndarray", models: "np.ndarray", hint: "np.ndarray | None" = None):
    """Log likelihood of all wheels together for each offset of the counter and place of the last wheel, (offsets, places); that of each wheel at each
    place, as it stands and with a little slack, (wheels, places); and how many wheels before the last move with it at each offset and place."""
    import numpy as np

    places = 10 * STEPS
    fits = np.clip(wheels @ models.T, 0.0, 0.999)  # (wheel, place)
    likely = -WORTH / 2 * np.log(1 - fits**2)
    if hint is not None:
        likely = likely + hint[:, np.round(_places()).astype(int) % 10]
    slack = np.maximum(np.maximum(likely, np.roll(likely, 1, axis=1)), np.roll(likely, -1, axis=1))
    count = len(wheels) - 1
    offsets = np.array(OFFSETS)
    total = np.stack([np.roll(likely[-1], -offset) for offset in offsets]) - (offsets[:, None] / OFFSET_SIGMA) ** 2 / 2
    moving = np.zeros(total.shape, int)
    if not count:
        return total, likely, slack, fits, moving
    others = np.stack([np.roll(slack[:-1], -offset, axis=1) for offset in offsets]).reshape(len(offsets), count, 10, STEPS)
    before = np.concatenate([np.zeros((len(offsets), 1)), np.cumsum(others[..., 0].max(axis=2), axis=1)], axis=1)  # of the first wheels, standing
    total[:, : 9 * STEPS + 1] += before[:, count:]
    # backwards from the last: wheels that pass from 9 to 0 with it, then one that moves on to its next digit, then those that stand
    passing = np.zeros((len(offsets), STEPS))
    ways = []
    for wheel in range(count - 1, -1, -1):
        ways.append(passing + others[:, wheel, :9].max(axis=1) + before[:, wheel, None])
        passing = passing + others[:, wheel, 9]
    ways = np.stack([*ways, passing])[..., 1:]
    total[:, 9 * STEPS + 1 : places] += ways.max(axis=0)
    moving[:, 9 * STEPS + 1 : places] = ways.argmax(axis=0) + 1  # count + 1: all of them pass from 9 to 0
    return total, likely, slack, fits, moving


def _weighed(wheels: "np.ndarray", models: "np.ndarray", hint: "np.ndarray | None" = None) -> Weighed:
    """Weigh all wheels of a picture together; ``hint``: log probabilities of the digits of each wheel by other means."""
    import numpy as np

    places, count = 10 * STEPS, len(wheels) - 1
    totals, likely, slack, fits, moving = _fitted(wheels, models, hint)
    which, place = np.unravel_index(int(totals.argmax()), totals.shape)
    offset, total, movers = OFFSETS[which], totals[which], int(moving[which, place])
    spread = np.exp(total - total[place])
    away = (np.arange(places) - place + places // 2) % places - places // 2
    near = np.abs(away) <= 0.4 * STEPS
    sure = float(spread[near].sum() / spread.sum())
    mean = float((spread[near] * away[near]).sum() / spread[near].sum())
    deviation = math.sqrt(float((spread[near] * (away[near] - mean) ** 2).sum() / spread[near].sum()))
    shown, spots, losses, runner_up = [], [], [], (0.0, 0, 0)
    for wheel in range(count):
        depth = count - wheel  # 1: the wheel before the last
        move = int(place) - 9 * STEPS if depth <= movers else 0
        among = np.roll(slack[wheel], -offset - move)[::STEPS]
        possible = among.copy()
        if depth < movers:
            possible[:9] = -math.inf  # it passes from 9 to 0
        elif depth == movers:
            possible[9] = -math.inf
        digit = int(possible.argmax())
        chances = np.exp(among - among.max())
        chances /= chances.sum()
        sure *= float(chances[digit])
        second = int(np.argsort(chances)[-2] if chances.argmax() == digit else chances.argmax())
        runner_up = max(runner_up, (float(chances[second]), wheel, second))
        losses.append(float(slack[wheel].max() - among[digit]))
        shown.append(digit)
        spots.append((digit * STEPS + move + offset) % places)
    spots.append((int(place) + offset) % places)
    losses.append(float(likely[-1].max() - likely[-1, spots[-1]]))
    weakest = min(max(float(fits[wheel, (spot + shift) % places]) for shift in (-1, 0, 1)) for wheel, spot in enumerate(spots))
    other = list(shown)
    if count:
        other[runner_up[1]] = runner_up[2]
    return Weighed((place + mean) / STEPS, tuple(shown), float(total[place]), sure, math.hypot(deviation / STEPS, FLOOR), weakest,
                   sum(losses), int(np.argmax(losses)), tuple(other), tuple(spot / STEPS for spot in spots))  # fmt: skip


def _reading(gauge: "Gauge", one: Weighed) -> GaugeReading:
    """What the wheels mean."""
    step = float(gauge.options.get("last", gauge.factor))
    count = len(one.digits) + 1

    def candidate(digits: tuple[int, ...], probability: float) -> Candidate:
        whole = sum(digit * 10 ** (count - 1 - place) for place, digit in enumerate(digits))
        shown = (whole + one.place) % 10**count  # the place may lie a little before 0, where the others have not quite arrived
        text = f"{round(shown, 1) % 10**count:0{count + 2}.1f}"
        return Candidate(text, shown * step, one.sigma * step / UNIFORM, probability)

    candidates = [candidate(one.digits, min(one.probability, SURE))]
    if one.other != one.digits:
        candidates.append(candidate(one.other, min(1 - one.probability, 0.5)))
    best = candidates[0]
    doubt = ""
    if one.fit < LEAST_FIT:
        doubt = "one of its wheels cannot be made out"
    elif one.loss > CONTRADICTS:
        which = "the last wheel" if one.loser == count - 1 else f"wheel {one.loser + 1} of {count}"
        doubt = f"its wheels contradict each other: {which} stands where it cannot while the others stand as they do"
    elif one.probability < SURE:
        doubt = f"read with a probability of {one.probability:.1%} only"
    elif not gauge.low - best.step <= best.value <= gauge.high + best.step:
        doubt = "beyond the range that this gauge can show"
    return GaugeReading(tuple(candidates), doubt, best.text)
