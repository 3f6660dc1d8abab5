"""Random cockpit panels and what a camera sees of them: layouts, palettes and fonts that no part of the analyser was
tuned on, with the truth of every gauge and of the view."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 1280, 720
BOARD = (40, 70, 1240, 690)  # left, top, right, bottom of the board within the reference picture
FINE = 2  # everything is drawn this much larger


@dataclass(frozen=True)
class View:
    """How a screenshot may look; ranges are drawn from uniformly."""

    turn: float  # degrees about both axes, at most
    zoom: tuple[float, float]
    shift: float  # part of the width
    blur: tuple[float, float]  # pixels
    noise: tuple[float, float]
    quality: tuple[int, int]
    light: tuple[float, float]
    glare: float


LEVELS = {
    "mild": View(4, (0.92, 1.04), 0.015, (0.0, 0.5), (1, 4), (80, 95), (0.85, 1.1), 0.1),
    "hard": View(25, (0.78, 1.0), 0.03, (0.3, 0.9), (3, 8), (50, 80), (0.55, 1.1), 0.6),
    "extreme": View(25, (0.42, 0.55), 0.08, (0.3, 0.8), (2, 6), (25, 40), (0.15, 0.45), 0.6),
}

#: name: (column, kind, lines of panel.toml)
SHOWN = {
    "clock": ("met", "readout", ""),
    "height": ("altitude", "readout", 'units = ["m", "km", "Mm"]'),
    "ground": ("radar_altitude", "readout", 'unit = "m"'),
    "pace": ("speed", "readout", 'unit = "m/s"'),
    "rise": ("vertical_speed", "readout", 'unit = "m/s"'),
    "store": ("propellant", "readout", 'unit = "kg"'),
    "lever": ("throttle", "readout", 'unit = "%"'),
    "spot": ("latitude", "readout", 'unit = "deg"'),
    "felt": ("acceleration", "dial", ""),
    "ball": ("pitch", "attitude", ""),
}


@dataclass(frozen=True)
class Style:
    """How a panel writes: its clock, decimal mark, what stands between thousands, and latitudes."""

    clock: str = "{h:02d}:{m:02d}:{s:02d}"
    mark: str = "."
    thousands: str = ""
    place: str = "{:+.2f}"

    def number(self, value: float, decimals: int) -> str:
        """A number as this panel writes it."""
        return f"{value:,.{decimals}f}".replace(",", "#").replace(".", self.mark).replace("#", self.thousands)

    def side(self, degrees: float) -> str:
        """A latitude."""
        text = self.place.format(abs(degrees) if self.place.count("{") == 2 else degrees, "N" if degrees >= 0 else "S")
        return text.replace(".", self.mark)


@lru_cache(maxsize=200)
def _characters(path: Path) -> frozenset[str]:
    from fontTools.ttLib import TTFont

    with TTFont(str(path), lazy=True) as font:
        return frozenset(chr(code) for code in font.getBestCmap())


@dataclass
class Cockpit:
    """A panel of random make. ``places``: gauge to (left, top, right, bottom) on the reference picture; ``varied``: it may write clocks with
    days, decimal commas, thousands separators and letters for the side, else all panels write alike."""

    seed: int
    fonts: list[Path]
    varied: bool = True
    places: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)

    def __post_init__(self):
        dice = np.random.default_rng([17, self.seed])
        self.font = self.fonts[dice.integers(len(self.fonts))]
        self.label_font = self.fonts[dice.integers(len(self.fonts))]
        for _ in range(50):  # labels need letters
            if not self.label_font.name.startswith(("DSEG", "dseg")):
                break
            self.label_font = self.fonts[dice.integers(len(self.fonts))]
        self.dark_glass = dice.random() < 0.65
        tone = dice.uniform(40, 190)
        self.board_colour = tuple(np.clip(tone + dice.normal(0, 22, 3), 20, 215).astype(int))
        if self.dark_glass:
            self.glass = tuple(dice.integers(0, 32, 3))
            self.ink = tuple(np.clip(dice.uniform(120, 255, 3), 0, 255).astype(int))
            self.ink = tuple(int(v * 230 / max(self.ink)) for v in self.ink)
        else:
            self.glass = tuple(dice.integers(180, 245, 3))
            self.ink = tuple(dice.integers(0, 60, 3))
        self.sky = tuple(dice.integers(110, 235, 3)) if dice.random() < 0.5 else tuple(dice.integers([40, 110, 160], [110, 190, 250]))
        self.earth = tuple(dice.integers(20, 90, 3)) if dice.random() < 0.5 else tuple(dice.integers([90, 50, 20], [150, 90, 50]))
        self.needle = tuple(int(v) for v in dice.permutation([230, 60, 30])) if dice.random() < 0.5 else self.ink
        self.low, self.high = (0.0, float(dice.choice([8, 12, 20, 30])))
        self.sweep = float(dice.choice([110, 135, 150]))
        cells = [(c, r) for c in range(4) for r in range(3)]
        order = dice.permutation(len(cells))
        width, height = (BOARD[2] - BOARD[0]) / 4, (BOARD[3] - BOARD[1]) / 3
        for index, name in enumerate(SHOWN):
            column, row = cells[order[index]]
            x, y = BOARD[0] + column * width + width / 2, BOARD[1] + row * height + height / 2 + 10
            if name in ("felt", "ball"):
                half = float(dice.uniform(72, 88))
                self.places[name] = (x - half, y - half, x + half, y + half)
            else:
                wide, tall = float(dice.uniform(210, 270)), float(dice.uniform(38, 60))
                self.places[name] = (x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2)
        self._dice_seed = int(dice.integers(1 << 30))
        segments = self.font.name.startswith(("DSEG", "dseg"))
        self.style = Style(
            str(dice.choice(["{h:02d}:{m:02d}:{s:02d}", "T+{h:02d}:{m:02d}:{s:02d}", "{d} {r:02d}:{m:02d}:{s:02d}", "{d}d {r:02d}:{m:02d}:{s:02d}"], p=[0.4, 0.2, 0.2, 0.2])),
            "." if segments or dice.random() < 0.75 else ",", "" if segments or dice.random() < 0.5 else str(dice.choice([" ", "'"])),
            "{:.2f}" if segments else str(dice.choice(["{:+.2f}", "{:.2f} {}", "{:.2f}° {}"])),
        )  # fmt: skip
        if not self.varied:
            self.style = Style(place="{:.2f}" if segments else "{:+.2f}")

    def _font(self, path: Path, size: float):
        return ImageFont.truetype(str(path), max(6, int(size)))

    @cached_property
    def board(self) -> Image.Image:
        """The board without what its gauges show."""
        dice = np.random.default_rng(self._dice_seed)
        size = (WIDTH * FINE, HEIGHT * FINE)
        image = Image.new("RGB", size, (0, 0, 0))
        pen = ImageDraw.Draw(image)
        left, top, right, bottom = (v * FINE for v in BOARD)
        pen.rectangle([left, top, right, bottom], fill=self.board_colour)
        for _ in range(dice.integers(15, 50)):
            x, y = dice.uniform(left, right), dice.uniform(top, bottom)
            r = dice.uniform(4, 9) * FINE
            shade = tuple(int(np.clip(v + dice.normal(0, 50), 0, 255)) for v in self.board_colour)
            pen.ellipse([x - r, y - r, x + r, y + r], fill=shade, outline=(15, 15, 15))
            pen.line([x - r, y - r / 2, x + r, y + r / 2], fill=(20, 20, 20), width=FINE)
        for _ in range(dice.integers(6, 20)):
            x, y = dice.uniform(left, right - 100), dice.uniform(top, bottom - 50)
            shade = tuple(int(np.clip(v + dice.normal(0, 22), 0, 255)) for v in self.board_colour)
            pen.rectangle([x, y, min(x + dice.uniform(20, 240) * FINE, right), min(y + dice.uniform(8, 80) * FINE, bottom)], outline=shade, width=FINE)
        grain = dice.normal(0, 3, (HEIGHT, WIDTH)).astype(np.float32)
        grain = cv2.resize(grain, size, interpolation=cv2.INTER_CUBIC)[..., None]
        image = Image.fromarray(np.clip(np.asarray(image, np.float32) + grain, 0, 255).astype(np.uint8))
        pen = ImageDraw.Draw(image)
        words = dice.permutation(["ELAPSED", "HEIGHT", "ECHO", "PACE", "RISE", "TANK", "LEVER", "FELT", "BALL", "MAIN", "AUX", "BUS 2", "PUMP", "VENT"])
        text = (235, 235, 225) if sum(self.board_colour) < 330 else (20, 20, 25)
        for (x0, y0, x1, y1), word in zip(self.places.values(), words):
            pen.text((x0 * FINE, (y0 - 30) * FINE), str(word), font=self._font(self.label_font, 17 * FINE), fill=text)
        for name, (x0, y0, x1, y1) in self.places.items():
            box = [(x0 - 6) * FINE, (y0 - 6) * FINE, (x1 + 6) * FINE, (y1 + 6) * FINE]
            edge = tuple(int(v * 0.4) for v in self.board_colour)
            if name in ("felt", "ball"):
                pen.ellipse(box, fill=edge)
            else:
                pen.rectangle(box, fill=edge)
        return image

    def draw(self, shown: dict) -> np.ndarray:
        """The panel straight on, (HEIGHT, WIDTH, 3), blue green red. ``shown``: gauge to text, or values for dial and ball."""
        image = self.board.copy()
        pen = ImageDraw.Draw(image)
        for name, (x0, y0, x1, y1) in self.places.items():
            if name == "felt":
                self._dial(pen, (x0 + x1) / 2 * FINE, (y0 + y1) / 2 * FINE, (x1 - x0) / 2 * FINE, shown["felt"])
            elif name == "ball":
                self._ball(image, x0, y0, x1 - x0, *shown["ball"])
                pen = ImageDraw.Draw(image)
            else:
                pen.rectangle([x0 * FINE, y0 * FINE, x1 * FINE, y1 * FINE], fill=self.glass)
                self._text(pen, name, shown[name], x0 * FINE, y0 * FINE, x1 * FINE, y1 * FINE)
        big = np.asarray(image)[:, :, ::-1]
        return cv2.resize(big, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)

    def _text(self, pen, name, text, x0, y0, x1, y1):
        tall = (y1 - y0) * 0.62
        probe = self._font(self.font, 100)
        box = probe.getbbox("8")
        size = 100 * tall / max(box[3] - box[1], 30)
        segments = self.font.name.startswith(("DSEG", "dseg"))
        head, unit = (text.split(" ")[0], " ".join(text.split(" ")[1:])) if segments and text[-1:].isalpha() else (text, "")
        unit_font = self._font(self.label_font, tall * 0.7)
        known = _characters(self.font)

        def parts(size: float) -> list:
            """(text, its font), what the font lacks in the label's."""
            font, spare = self._font(self.font, size), self._font(self.label_font, size * 0.9)
            return [(letter, font if letter in known else spare) for letter in head]

        def length(pieces: list) -> float:
            whole = len({id(each) for _, each in pieces}) == 1
            return (pieces[0][1].getlength(head) if whole else sum(each.getlength(letter) for letter, each in pieces)) + after

        after = unit_font.getlength(" " + unit) if unit else 0
        pieces = parts(size)
        if length(pieces) > 0.92 * (x1 - x0):
            pieces = parts(size * 0.92 * (x1 - x0) / length(pieces))
        font = next((each for letter, each in pieces if letter in known), pieces[0][1])
        top = font.getbbox("8")
        y = (y0 + y1) / 2 - (top[1] + top[3]) / 2
        x = x1 - 0.04 * (x1 - x0) - length(pieces)
        if all(each is font for _, each in pieces):
            pen.text((x, y), head, font=font, fill=self.ink)
            x += font.getlength(head)
        else:
            for letter, each in pieces:
                box = each.getbbox("8")
                pen.text((x, y if each is font else (y0 + y1) / 2 - (box[1] + box[3]) / 2), letter, font=each, fill=self.ink)
                x += each.getlength(letter)
        if unit:
            box = unit_font.getbbox("k")
            pen.text((x, (y0 + y1) / 2 + tall / 2 - box[3]), " " + unit, font=unit_font, fill=self.ink)

    def angle(self, value: float) -> float:
        """Needle angle in degrees clockwise from up."""
        return -self.sweep + 2 * self.sweep * (value - self.low) / (self.high - self.low)

    def _dial(self, pen, x, y, r, value):
        pen.ellipse([x - r, y - r, x + r, y + r], fill=self.glass)
        for step in range(21):
            a = math.radians(-self.sweep + step * self.sweep / 10)
            s, c = math.sin(a), -math.cos(a)
            inner = 0.78 if step % 5 == 0 else 0.86
            pen.line([x + s * r * inner, y + c * r * inner, x + s * r * 0.95, y + c * r * 0.95], fill=self.ink, width=2 * FINE)
            if step % 5 == 0:
                number = f"{self.low + step / 20 * (self.high - self.low):g}"
                pen.text((x + s * r * 0.62, y + c * r * 0.62), number, font=self._font(self.label_font, 13 * FINE), fill=self.ink, anchor="mm")
        a = math.radians(self.angle(value))
        s, c = math.sin(a), -math.cos(a)
        w = 0.035 * r
        colour = self.needle if sum(abs(p - q) for p, q in zip(self.needle, self.glass)) > 150 else self.ink
        pen.polygon([(x + s * r * 0.8, y + c * r * 0.8), (x - c * w, y + s * w), (x - s * r * 0.2, y - c * r * 0.2), (x + c * w, y - s * w)], fill=colour)
        pen.ellipse([x - 0.08 * r, y - 0.08 * r, x + 0.08 * r, y + 0.08 * r], fill=colour)

    def _ball(self, image, x0, y0, size, pitch, roll):
        side = int(size * FINE)
        grid = (np.arange(side) + 0.5) / side * 2 - 1
        x, y = np.meshgrid(grid, -grid)
        inside = x**2 + y**2 <= 1
        z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
        up = -x * math.sin(roll) + y * math.cos(roll)
        side_way = x * math.cos(roll) + y * math.sin(roll)
        high = up * math.cos(pitch) + z * math.sin(pitch)
        latitude = np.degrees(np.arcsin(np.clip(high, -1, 1)))
        colour = np.where((latitude >= 0)[..., None], np.array(self.sky, float), np.array(self.earth, float))
        bars = (np.abs(latitude - 15 * np.round(latitude / 15)) < 0.7) & (np.abs(side_way) < 0.25) & (np.abs(latitude) > 5)
        colour[bars | (np.abs(latitude) < 0.5)] = 240
        colour *= (0.7 + 0.3 * z)[..., None]
        patch = Image.fromarray(colour.clip(0, 255).astype(np.uint8))
        image.paste(patch, (int(x0 * FINE), int(y0 * FINE)), Image.fromarray((inside * 255).astype(np.uint8)))
        pen = ImageDraw.Draw(image)
        cx, cy = (x0 + size / 2) * FINE, (y0 + size / 2) * FINE
        pen.line([cx - size * 0.5, cy, cx - size * 0.2, cy], fill=(250, 180, 20), width=3 * FINE)
        pen.line([cx + size * 0.2, cy, cx + size * 0.5, cy], fill=(250, 180, 20), width=3 * FINE)

    def write(self, folder: Path, shown: dict) -> Path:
        """``panel.toml`` and its reference picture."""
        folder.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(folder / "reference.png"), self.draw(shown))
        lines = ['reference = "reference.png"', f'decimal = "{self.style.mark}"']
        for name, (x0, y0, x1, y1) in self.places.items():
            column, kind, more = SHOWN[name]
            reads = '["pitch", "roll"]' if kind == "attitude" else f'"{column}"'
            corners = [[round(x0, 1), round(y0, 1)], [round(x1, 1), round(y0, 1)], [round(x1, 1), round(y1, 1)], [round(x0, 1), round(y1, 1)]]
            lines += [f"[gauges.{name}]", f'kind = "{kind}"', f"reads = {reads}", f"corners = {corners}", more]
            if kind == "dial":
                lines += ['unit = "m/s^2"', f"scale = [[{-self.sweep}, {self.low}], [{self.sweep}, {self.high}]]"]
        (folder / "panel.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
        return folder / "panel.toml"


def moments(dice: np.random.Generator, count: int, high: float, style: Style = Style()) -> list[dict]:
    """What a flight's gauges show at ``count`` moments, as values and texts."""
    time = float(dice.integers(100, 90000))
    base, swing, slow = dice.uniform(2e3, 4e5), dice.uniform(0.1, 0.9), dice.uniform(1200, 9000)
    phase = dice.uniform(0, 6.28)
    tank = float(dice.integers(800, 9500))
    made = []
    for _ in range(count):
        time += float(dice.integers(3, 240))
        burning = dice.random() < 0.25
        if burning:
            tank = max(0.0, tank - float(dice.integers(2, 160)))
        altitude = base * (1 + swing * math.sin(time / slow + phase))
        rise = base * swing / slow * math.cos(time / slow + phase)
        pace = 900 + 600 * math.cos(time / slow)
        lever = int(dice.integers(10, 101)) if burning else 0
        felt = float(dice.uniform(0.05, 0.98)) * high if burning else 0.0
        pitch, roll = float(np.clip(dice.normal(0, 0.4), -1.1, 1.1)), float(dice.normal(0, 0.35))
        whole = int(time)
        number = style.number
        texts = {
            "clock": style.clock.format(d=whole // 86400, r=whole // 3600 % 24, h=whole // 3600, m=whole // 60 % 60, s=whole % 60),
            "height": f"{number(altitude, 0)} m" if altitude < 1e5 and style.thousands else f"{number(altitude, 0)} m" if altitude < 1e4
            else f"{number(altitude / 1e3, 2)} km" if altitude < 1e6 else f"{number(altitude / 1e6, 4)} Mm",
            "ground": number(altitude - 312, 1) if altitude < 2e4 else "----",
            "pace": number(pace, 1), "rise": number(rise, 1), "store": number(tank, 0), "lever": f"{lever}",
            "spot": style.side(51.6 * math.sin(time / 900 + phase)),
        }  # fmt: skip
        made.append({**texts, "felt": felt, "ball": (pitch, roll)})
    return made


def look(picture: np.ndarray, view: View, dice: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A screenshot of the panel and the homography from reference to screenshot pixels."""
    yaw, tilt = np.radians(dice.uniform(-view.turn, view.turn, 2))
    spin = np.radians(dice.normal(0, min(view.turn, 8) / 4))
    focal = 1.1 * WIDTH
    rx = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])
    ry = np.array([[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]])
    rz = np.array([[math.cos(spin), -math.sin(spin), 0], [math.sin(spin), math.cos(spin), 0], [0, 0, 1]])
    turn = rz @ ry @ rx
    zoom = dice.uniform(*view.zoom)
    away = np.array([0, 0, focal / zoom])
    plane = np.column_stack([turn[:, 0], turn[:, 1], turn @ np.array([0, 0, 0]) + away])
    middle = np.array([[1, 0, -WIDTH / 2], [0, 1, -HEIGHT / 2], [0, 0, 1]])
    lens = np.array([[focal, 0, WIDTH / 2], [0, focal, HEIGHT / 2], [0, 0, 1]])
    homography = lens @ plane @ middle
    shift = dice.uniform(-view.shift, view.shift, 2) * WIDTH
    homography = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]]) @ homography
    homography /= homography[2, 2]
    outside = cv2.resize(dice.integers(0, 90, (9, 16, 3)).astype(np.uint8), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    board = np.zeros((HEIGHT, WIDTH), np.uint8)
    board[BOARD[1] : BOARD[3], BOARD[0] : BOARD[2]] = 255
    scale = zoom
    source = cv2.GaussianBlur(picture, (0, 0), 0.45 / scale) if scale < 0.9 else picture
    seen = cv2.warpPerspective(source, homography, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    mask = cv2.warpPerspective(board, homography, (WIDTH, HEIGHT))[..., None] / 255.0
    image = seen * mask + outside * (1 - mask)
    image = image * dice.uniform(*view.light)
    if dice.random() < view.glare:
        x, y, wide = dice.uniform(0, WIDTH), dice.uniform(0, HEIGHT), dice.uniform(60, 260)
        rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
        image = image + (np.exp(-(((columns - x) / wide) ** 2 + ((rows - y) / (0.6 * wide)) ** 2)) * dice.uniform(20, 110))[..., None]
    sigma = dice.uniform(*view.blur)
    if sigma > 0.15:
        image = cv2.GaussianBlur(image, (0, 0), sigma)
    image = np.clip(image + dice.normal(0, dice.uniform(*view.noise), image.shape), 0, 255).astype(np.uint8)
    quality = int(dice.integers(view.quality[0], view.quality[1] + 1))
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR), homography
