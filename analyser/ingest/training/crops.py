"""Draws crops of read-outs as screenshots show them, with their texts: what the recogniser is trained and judged on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from analyser.ingest.recogniser import UNREADABLE
from analyser.ingest.training.fonts import Face
from analyser.ingest.training.glyphs import DIGIT_HEIGHT, DotFace, FontFace, MatrixFace, SegmentFace
from analyser.ingest.training.segments import FourteenFace
from analyser.ingest.training.texts import random_text


@dataclass(frozen=True)
class Severity:
    """How bad a screenshot may be; each range is drawn from uniformly."""

    height: tuple[float, float]  # digit height in the screenshot, pixels (drawn from uniformly in its logarithm)
    blur: tuple[float, float]  # standard deviation, part of the digit height
    noise: tuple[float, float]  # standard deviation, grey levels of 255
    quality: tuple[int, int]  # JPEG
    contrast: tuple[float, float]  # difference of text and ground, grey levels
    wobble: float  # corners' error, part of the crop height
    turn: float  # degrees
    glare: float  # how often
    cover: float = 0.0  # how often something hides characters
    cut: float = 0.0  # how often the crop's edge cuts the text
    off: float = 0.0  # how far the crop may lie too high or too low, part of its height
    moved: tuple[float, float] = (0.08, 0.14)  # how often the view moved during the shot, and how far at most, part of the digit height


MILD = Severity((18, 60), (0.0, 0.03), (0, 4), (80, 96), (90, 220), 0.012, 0.6, 0.05)
HARD = Severity((13, 45), (0.01, 0.06), (2, 10), (50, 90), (45, 200), 0.03, 2.0, 0.3)
EXTREME = Severity((9, 20), (0.02, 0.10), (4, 18), (25, 60), (18, 120), 0.05, 3.0, 0.5)
TRAIN = (
    (0.30, Severity((16, 60), (0.0, 0.04), (0, 6), (70, 96), (60, 230), 0.02, 1.0, 0.1, 0.05, 0.05)),
    (0.34, Severity((11, 48), (0.0, 0.08), (1, 14), (35, 92), (30, 210), 0.04, 2.5, 0.3, 0.05, 0.05, 0.04)),
    (0.36, Severity((7.5, 20), (0.01, 0.11), (1, 13), (18, 70), (18, 170), 0.055, 3.5, 0.5, 0.04, 0.04, 0.10, (0.15, 0.3))),
)


@lru_cache(maxsize=600)
def _font(path) -> FontFace:
    return FontFace(path)


class Drawer:
    """Draws crops with the fonts it is given.

    Parameters
    ----------
    faces : list of Face
    drawn : float
        How often one of the displays drawn here (segments, dots) is used instead of a font.
    restyled : float
        How often a line is made wider or narrower, bolder or lighter than its font.
    """

    def __init__(self, faces: list[Face], drawn: float = 0.2, restyled: float = 0.0):
        self.families: dict[str, list[Face]] = {}
        for face in faces:
            self.families.setdefault(face.family, []).append(face)
        self.names = sorted(self.families)
        self.plain = sorted({face.family for face in faces if face.segments})
        self.drawn, self.restyled = drawn, restyled

    def face(self, dice: np.random.Generator):
        """(face, whether it shows segments)."""
        kind = dice.random()
        if kind < self.drawn:
            which = dice.random()
            if which < 0.36:
                return SegmentFace(dice), True
            if which < 0.52:
                return FourteenFace(dice), False
            return (DotFace(dice), False) if which < 0.62 else (MatrixFace(dice, self.other(dice)), False)
        if self.plain and kind < self.drawn + 0.10:
            return _font(self._member(dice, self.plain[dice.integers(len(self.plain))]).path), True
        face = self._member(dice, self.names[dice.integers(len(self.names))])
        return _font(face.path), face.segments

    def _member(self, dice, family: str) -> Face:
        members = self.families[family]
        return members[dice.integers(len(members))]

    def other(self, dice: np.random.Generator) -> FontFace:
        """A font for the unit and for what the first font lacks."""
        while True:
            face = self._member(dice, self.names[dice.integers(len(self.names))])
            if not face.segments:
                return _font(face.path)

    def draw(self, dice: np.random.Generator, severity: Severity, text: str | None = None) -> tuple[np.ndarray, str]:
        """One crop, (height, width) uint8, and its text ("?" for characters that can't be made out)."""
        face, plain = self.face(dice)
        if text is None:
            text = "" if dice.random() < 0.025 else random_text(dice, plain)
        swapped = {}
        if self.restyled and not plain and dice.random() < 0.12:  # one digit as another font has it, since fonts have odd ones
            swapped = {str(dice.integers(10)): self.other(dice)}
        line = _Line(dice, text, face, self.other(dice), plain, swapped)
        if self.restyled and dice.random() < self.restyled:
            line.restyle(dice)
        return _photograph(dice, line, severity, self)


class _Line:
    """A line of text as a mask with the boxes of its characters (DIGIT_HEIGHT high digits)."""

    def __init__(self, dice, text: str, face, other: FontFace, plain: bool, swapped: dict[str, FontFace] = {}):  # noqa: B006
        letters_from = len(text)
        while letters_from and not text[letters_from - 1].isdigit():
            letters_from -= 1
        unit_elsewhere = dice.random() < (1.0 if plain else 0.25)
        unit_scale = dice.uniform(0.5, 1.0) if unit_elsewhere else 1.0
        spacing = DIGIT_HEIGHT * (dice.uniform(-0.03, 0.12) if dice.random() < 0.6 else 0.0)
        even = dice.random() < 0.3  # digits of one width in a proportional font
        pieces = []
        pen = 0.0
        widest = max((face.glyph(digit).advance for digit in "0123456789"), default=20)
        for index, character in enumerate(text):
            use, scale = swapped.get(character, face), 1.0
            if (unit_elsewhere and index >= letters_from) or character not in use.known:
                use = other
                scale = unit_scale if index >= letters_from else 1.0
                if character not in use.known:
                    use = face
            if character not in use.known:
                pieces.append(None)
                continue
            glyph = use.glyph(character)
            mask, left, top, advance = glyph.mask, glyph.left, glyph.top, glyph.advance
            if character == " ":
                advance = max(advance, 0.22 * DIGIT_HEIGHT)
            if even and character.isdigit() and use is face:
                left += (widest - advance) / 2
                advance = widest
            if scale != 1.0 and mask.size > 1:
                size = (max(1, round(mask.shape[1] * scale)), max(1, round(mask.shape[0] * scale)))
                mask = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
                left, advance = left * scale, advance * scale
                top = round(DIGIT_HEIGHT - (DIGIT_HEIGHT - top) * scale)
            pieces.append((character, mask, pen + left, top, advance))
            pen += advance + spacing
        self.text = "".join(piece[0] for piece in pieces if piece)
        pieces = [piece for piece in pieces if piece]
        margin = DIGIT_HEIGHT  # room around for descenders and slant
        self.mask = np.zeros((3 * DIGIT_HEIGHT, int(max(pen, 1)) + 2 * margin), np.uint8)
        self.ghost = None
        self.boxes = []
        ghosts = (plain or isinstance(face, FourteenFace)) and dice.random() < 0.5
        if ghosts:
            self.ghost = np.zeros_like(self.mask)
        dim = dice.uniform(0.4, 1.0) if (plain or isinstance(face, FourteenFace)) and dice.random() < 0.3 else None  # points light less than bars
        for character, mask, x, top, advance in pieces:
            if dim and character in ".,:":
                mask = (mask * dim).astype(np.uint8)
            self._paste(self.mask, mask, x + margin, top + margin)
            if ghosts and character in "0123456789":
                eight = face.glyph(face.ghost())
                self._paste(self.ghost, eight.mask, x - face.glyph(character).left + eight.left + margin, eight.top + margin)
            self.boxes.append((x + margin, x + margin + mask.shape[1]))
        inked = [(box, piece[0]) for box, piece in zip(self.boxes, pieces) if piece[0] != " "]
        self.left = min((box[0] for box, _ in inked), default=margin)
        self.right = max((box[1] for box, _ in inked), default=margin + 10)
        self.top, self.bottom = margin, margin + DIGIT_HEIGHT

    def restyle(self, dice) -> None:
        """Wider or narrower, then bolder or lighter, as far as its strokes bear it."""
        wider = dice.uniform(0.78, 1.25)
        size = (max(4, round(self.mask.shape[1] * wider)), self.mask.shape[0])
        self.mask = cv2.resize(self.mask, size, interpolation=cv2.INTER_AREA if wider < 1 else cv2.INTER_LINEAR)
        self.ghost = None if self.ghost is None else cv2.resize(self.ghost, size, interpolation=cv2.INTER_AREA)
        self.boxes = [(left * wider, right * wider) for left, right in self.boxes]
        self.left, self.right = self.left * wider, self.right * wider
        brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
        kind = dice.random()
        if kind < 0.35:
            self.mask = cv2.dilate(self.mask, brush)
        elif kind < 0.7:
            lighter = cv2.erode(self.mask, brush)
            if lighter.sum(dtype=np.int64) > 0.45 * self.mask.sum(dtype=np.int64):
                self.mask = lighter

    @staticmethod
    def _paste(canvas, mask, x, y):
        x, y = int(round(x)), int(round(y))
        x0, y0 = max(x, 0), max(y, 0)
        x1, y1 = min(x + mask.shape[1], canvas.shape[1]), min(y + mask.shape[0], canvas.shape[0])
        if x1 > x0 and y1 > y0:
            part = canvas[y0:y1, x0:x1]
            np.maximum(part, mask[y0 - y : y1 - y, x0 - x : x1 - x], out=part)


def _photograph(dice, line: _Line, severity: Severity, drawer: Drawer) -> tuple[np.ndarray, str]:
    # the crop's frame about the text, in the line's pixels
    share = dice.uniform(0.42, 0.92)
    tall = DIGIT_HEIGHT / share
    rest = tall - DIGIT_HEIGHT
    y0 = line.top - rest * dice.beta(3, 3) + dice.uniform(-severity.off, severity.off) * tall
    long = line.right - line.left
    pads = dice.uniform(0.05, 0.5, 2) * tall
    if dice.random() < 0.4:
        pads[dice.integers(2)] += dice.uniform(0, 1.3) * max(long, 2 * tall)
    x0, x1 = line.left - pads[0], line.right + pads[1]
    text = list(line.text)
    if text and dice.random() < severity.cut:
        by = dice.uniform(0, min(long, 2.5 * DIGIT_HEIGHT))
        if dice.random() < 0.5:
            x0 = line.left + by
        else:
            x1 = line.right - by
    if x1 - x0 < 0.5 * tall:
        x1 = x0 + 0.5 * tall
    for index, (left, right) in enumerate(line.boxes):
        seen = (min(right, x1) - max(left, x0)) / max(right - left, 1)
        if text[index] != " " and seen < 0.85:
            text[index] = UNREADABLE if seen > 0.12 else ""
    # how large the screenshot shows it, and the map from there to the line
    low, high = severity.height
    digit = float(np.exp(dice.uniform(np.log(low), np.log(high))))
    scale = digit / DIGIT_HEIGHT
    height, width = max(8, round(tall * scale)), max(8, round((x1 - x0) * scale))
    if width > 1100:
        width = 1100
    wobble = severity.wobble * tall
    corners = np.array([[x0, y0], [x1, y0], [x1, y0 + tall], [x0, y0 + tall]]) + np.clip(dice.normal(0, wobble, (4, 2)), -2 * wobble, 2 * wobble)
    turn = np.radians(dice.normal(0, severity.turn / 2))
    turn = np.clip(turn, -0.35 * tall / (x1 - x0), 0.35 * tall / (x1 - x0))
    middle = corners.mean(axis=0)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = (corners - middle) @ spin.T + middle
    flat = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    view = cv2.getPerspectiveTransform(corners.astype(np.float32), flat)

    def seen(mask):
        if scale < 0.9:
            mask = cv2.GaussianBlur(mask, (0, 0), 0.42 / scale)
        return cv2.warpPerspective(mask, view, (width, height), flags=cv2.INTER_LINEAR).astype(np.float32) / 255

    ink = seen(line.mask)
    contrast = dice.uniform(*severity.contrast)
    light_text = dice.random() < 0.65
    ground = dice.uniform(0, 255 - contrast)
    if light_text and dice.random() < 0.5:
        ground *= dice.random() ** 2
    level_ground, level_text = (ground, ground + contrast) if light_text else (ground + contrast, ground)
    picture = np.full((height, width), level_ground, np.float32)
    if dice.random() < 0.4:
        gradient = np.linspace(-1, 1, width)[None] * dice.normal() + np.linspace(-1, 1, height)[:, None] * dice.normal()
        picture += gradient * contrast * 0.15
    if dice.random() < 0.15:
        cells = dice.normal(0, contrast * 0.12, (max(2, height // 8), max(2, width // 8))).astype(np.float32)
        picture += cv2.resize(cells, (width, height), interpolation=cv2.INTER_CUBIC)
    if line.ghost is not None:
        picture += seen(line.ghost) * (level_text - level_ground) * dice.uniform(0.03, 0.22)
    _frame(dice, picture, contrast, level_ground)
    if dice.random() < 0.12:
        _neighbour(dice, picture, drawer, level_text, digit)
    if dice.random() < 0.2:
        halo = cv2.GaussianBlur(ink, (0, 0), max(0.5, digit * dice.uniform(0.05, 0.2)))
        picture += halo * (level_text - level_ground) * dice.uniform(0.2, 0.6)
    strength = dice.uniform(0.8, 1.0)
    picture = picture * (1 - ink * strength) + level_text * ink * strength
    if line.boxes and dice.random() < severity.cover:
        _cover(dice, picture, line, text, view, level_ground, contrast)
    if dice.random() < 0.08:
        picture[:: dice.integers(2, 4)] *= dice.uniform(0.6, 0.95)
    if dice.random() < severity.glare:
        _glare(dice, picture, contrast)
    sigma = dice.uniform(*severity.blur) * digit
    if sigma > 0.2:
        picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    if dice.random() < severity.moved[0] * (severity.wobble > 0.015):
        length = max(2, int(digit * dice.uniform(0.04, severity.moved[1])))
        kernel = np.full((1, length), 1 / length, np.float32)
        picture = cv2.filter2D(picture, -1, kernel if dice.random() < 0.6 else kernel.T)
    picture += dice.normal(0, dice.uniform(*severity.noise), picture.shape).astype(np.float32)
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    if dice.random() < 0.7:
        quality = int(dice.integers(severity.quality[0], severity.quality[1] + 1))
        picture = cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)
    return picture, "".join(text).strip()


def _frame(dice, picture, contrast, level) -> None:
    """A bezel's edge along some of the crop's sides."""
    if dice.random() > 0.35:
        return
    height, width = picture.shape
    tone = np.clip(level + dice.normal(0, contrast * 0.6), 0, 255)
    thick = lambda: int(dice.integers(0, max(2, height // 12)))  # noqa: E731
    top, bottom, left, right = thick(), thick(), thick(), thick()
    if top:
        picture[:top] = tone
    if bottom:
        picture[-bottom:] = tone
    if left:
        picture[:, :left] = tone
    if right:
        picture[:, -right:] = tone


def _neighbour(dice, picture, drawer, level, digit) -> None:
    """The edge of a label above or below that reaches into the crop."""
    height, width = picture.shape
    other = _Line(dice, random_text(dice), drawer.other(dice), drawer.other(dice), False)
    scale = digit / DIGIT_HEIGHT * dice.uniform(0.4, 0.9)
    size = (max(1, round(other.mask.shape[1] * scale)), max(1, round(other.mask.shape[0] * scale)))
    mask = cv2.resize(other.mask, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    reach = max(1, int(height * dice.uniform(0.03, 0.12)))
    x = int(dice.integers(-size[0] // 2, width))
    top = round(other.top * scale) if dice.random() < 0.5 else None
    bottom = round(other.bottom * scale)
    part = mask[top : top + reach] if top is not None else mask[max(0, bottom - reach) : bottom]
    rows = slice(height - part.shape[0], height) if top is not None else slice(0, part.shape[0])
    x0, x1 = max(x, 0), min(x + size[0], width)
    if x1 > x0 and part.shape[0]:
        piece = part[:, x0 - x : x1 - x]
        area = picture[rows, x0:x1]
        picture[rows, x0:x1] = area * (1 - piece) + level * piece


def _cover(dice, picture, line, text, view, level, contrast) -> None:
    """Something in front hides some characters, wholly or from above or below; where nothing shows that it does, they count as absent."""
    first = int(dice.integers(len(line.boxes)))
    last = min(len(line.boxes) - 1, first + int(dice.integers(0, 3)))
    left, right = line.boxes[first][0], line.boxes[last][1]
    reach = dice.uniform(-0.3, 0.3, 2) * DIGIT_HEIGHT
    left, right = left + min(reach[0], 0), right + max(reach[1], 0)
    top, bottom = line.top - 60, line.bottom + 60
    kind = dice.random()
    if kind < 0.35:  # from above or from below, a good part of their height
        edge = line.top + DIGIT_HEIGHT * dice.uniform(0.3, 0.7)
        top, bottom = (edge, bottom) if dice.random() < 0.5 else (top, edge)
    apart = dice.normal(0, contrast * 0.7)
    shows = kind < 0.35 or abs(apart) > max(12.0, 0.3 * contrast)
    for index, (a, b) in enumerate(line.boxes):
        hidden = (min(b, right) - max(a, left)) / max(b - a, 1)
        if text[index] and text[index] != " " and hidden > 0.3:
            text[index] = UNREADABLE
    if not shows:
        for order in (range(len(text)), range(len(text) - 1, -1, -1)):  # at either end
            for index in order:
                if text[index] not in (UNREADABLE, "", " "):
                    break
                text[index] = ""
    quad = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float32)
    quad[0, :, 0] += dice.normal(0, 2, 4)
    quad[0, :, 1] += dice.normal(0, 1, 4)
    seen = np.round(cv2.perspectiveTransform(quad, view)).astype(np.int32)
    tone = float(np.clip(level + apart, 0, 255))
    if dice.random() < 0.6:
        cv2.fillPoly(picture, seen, tone)
        return
    where = np.zeros(picture.shape, np.float32)  # uneven, with a soft edge
    cv2.fillPoly(where, seen, 1.0)
    where = cv2.GaussianBlur(where, (0, 0), max(0.5, 0.02 * picture.shape[0]))
    cells = dice.normal(0, abs(apart) * 0.3, (3, max(2, picture.shape[1] // 12))).astype(np.float32)
    picture += where * (tone + cv2.resize(cells, picture.shape[::-1], interpolation=cv2.INTER_CUBIC) - picture)


def _glare(dice, picture, contrast) -> None:
    """A bright spot or band, added over everything and clipped."""
    height, width = picture.shape
    x, y = dice.uniform(0, width), dice.uniform(0, height)
    across, down = dice.uniform(0.3, 3) * height, dice.uniform(0.2, 1.5) * height
    columns, rows = np.arange(width)[None] - x, np.arange(height)[:, None] - y
    lean = dice.normal(0, 0.7)
    distance = ((columns + lean * rows) / across) ** 2 + (rows / down) ** 2
    picture += np.exp(-distance if dice.random() < 0.6 else -(((columns + lean * rows) / (0.4 * height)) ** 2)) * dice.uniform(0.1, 0.9) * contrast


def training_crop(dice: np.random.Generator, drawer: Drawer) -> tuple[np.ndarray, str]:
    """A crop as the network is trained on: every severity, mixed."""
    choice = dice.random()
    for share, severity in TRAIN:
        if choice < share:
            break
        choice -= share
    return drawer.draw(dice, severity)
