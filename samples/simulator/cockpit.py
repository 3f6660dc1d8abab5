"""Heron's instrument board, drawn: aubergine enamel, parchment windows with ink figures, a felt-acceleration dial and an
attitude ball. Every shot is taken by hand, so it is a little shifted, nearer or farther, lit differently and grainy.

Lengths are pixels of the 1280 x 720 reference view. Needs Pillow, and matplotlib for its DejaVu fonts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from .instruments import clock_text

SIZE = (1280, 720)
SILL = 226  # where the board's upper edge meets the pane
FINE = 2  # drawn this much larger, then reduced
BOARD, EDGE, LETTERS = (58, 38, 56), (30, 18, 30), (214, 196, 170)
WINDOW, INK, RIM = (226, 214, 184), (34, 28, 40), (150, 122, 84)
LIGHT_HALF, DARK_HALF, NEEDLE = (218, 208, 182), (92, 84, 104), (150, 44, 40)


@dataclass(frozen=True)
class Window:
    """A read-out: its box (left, top, right, bottom), what it reads, its engraved name, the figures' size."""

    box: tuple[int, int, int, int]
    reads: str
    label: str
    size: int
    unit: str = ""


#: The board's read-outs. Where ``unit`` is empty the unit stands on the glass (or there is none).
WINDOWS = {
    "clock": Window((70, 300, 290, 350), "met", "ELAPSED", 36),
    "altimeter": Window((70, 408, 290, 458), "altitude", "HEIGHT", 36),
    "near_ground": Window((70, 516, 290, 566), "radar_altitude", "ECHO HEIGHT   m", 36, "m"),
    "speed": Window((990, 300, 1210, 350), "speed", "SPEED   m/s", 36, "m/s"),
    "climb": Window((990, 408, 1210, 458), "vertical_speed", "RISE   m/s", 36, "m/s"),
    "tank": Window((990, 516, 1106, 566), "propellant", "TANK   kg", 32, "kg"),
    "lever": Window((1122, 516, 1210, 566), "throttle", "LEVER   %", 32, "%"),
}
DIAL = {"centre": (430, 500), "radius": 92, "low": 0.0, "high": 12.0, "reach": 135.0}
BALL = {"centre": (730, 440), "radius": 150}
NAME_PLATE = (590, 630, 870, 674)


@lru_cache(maxsize=32)
def _font(kind: str, size: int) -> ImageFont.FreeTypeFont:
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / f"{kind}.ttf"), size * FINE)


def glass_altitude(value: float) -> str:
    """Four figures and a unit that changes by itself."""
    if value < 9999.5:
        return f"{value:.0f} m"
    for limit, scale, decimals, unit in ((99995.0, 1e3, 2, "km"), (999950.0, 1e3, 1, "km"), (9.9995e6, 1e6, 3, "Mm")):
        if value < limit:
            return f"{value / scale:.{decimals}f} {unit}"
    return f"{value / 1e6:.2f} Mm"


def glass(shown: dict, met: float) -> dict[str, str]:
    """What stands in each window."""
    echo = shown["radar_altitude"]
    rise = f"{shown['vertical_speed']:.1f}"
    return {
        "clock": clock_text(met, "hms"),
        "altimeter": glass_altitude(shown["altitude"]),
        "near_ground": "----" if echo is None else f"{echo:.1f}" if echo < 99.95 else f"{echo:.0f}",
        "speed": f"{shown['speed']:.1f}",
        "climb": "0.0" if float(rise) == 0.0 else rise,
        "tank": f"{shown['propellant']:.0f}",
        "lever": f"{100 * shown['throttle']:.0f}",
    }


def _fine(*numbers: float) -> tuple[int, ...]:
    return tuple(round(n * FINE) for n in numbers)


@lru_cache(maxsize=1)
def _board() -> Image.Image:
    """All that never moves."""
    picture = Image.new("RGB", _fine(*SIZE), (6, 6, 12))
    draw = ImageDraw.Draw(picture)
    draw.rectangle(_fine(0, SILL, *SIZE), fill=BOARD)
    draw.rectangle(_fine(0, SILL, SIZE[0], SILL + 9), fill=RIM)
    for x in range(20, SIZE[0], 62):  # stitches of the sill's padding
        draw.line(_fine(x, SILL + 5, x + 26, SILL + 5), fill=EDGE, width=2 * FINE)
    for x in (28, 330, 950, 1252):
        for y in (284, 690):
            draw.ellipse(_fine(x - 7, y - 7, x + 7, y + 7), fill=RIM, outline=EDGE, width=FINE)
            draw.line(_fine(x - 4, y - 3, x + 4, y + 3), fill=EDGE, width=2 * FINE)
    for window in WINDOWS.values():
        left, top, right, bottom = window.box
        draw.rounded_rectangle(_fine(left - 7, top - 7, right + 7, bottom + 7), 8 * FINE, fill=EDGE, outline=RIM, width=2 * FINE)
        draw.rectangle(_fine(left, top, right, bottom), fill=WINDOW)
        draw.text(_fine(left, top - 30), window.label, font=_font("DejaVuSans", 15), fill=LETTERS)
    _dial_face(draw)
    left, top, right, bottom = NAME_PLATE
    draw.rounded_rectangle(_fine(*NAME_PLATE), 6 * FINE, fill=RIM)
    draw.text(_fine((left + right) / 2, (top + bottom) / 2), "H E R O N", font=_font("DejaVuSerif-Bold", 22), fill=EDGE, anchor="mm")
    for i, name in enumerate(("ECHO", "LEGS", "LAMP")):
        x = 364 + 66 * i
        draw.rounded_rectangle(_fine(x - 18, 300, x + 18, 344), 5 * FINE, fill=EDGE, outline=RIM, width=2 * FINE)
        draw.rounded_rectangle(_fine(x - 8, 304 + 18 * (i % 2), x + 8, 322 + 18 * (i % 2)), 3 * FINE, fill=LETTERS)
        draw.text(_fine(x, 358), name, font=_font("DejaVuSans", 12), fill=LETTERS, anchor="mm")
    return picture


def _dial_face(draw: ImageDraw.ImageDraw) -> None:
    (x, y), radius = DIAL["centre"], DIAL["radius"]
    draw.ellipse(_fine(x - radius - 8, y - radius - 8, x + radius + 8, y + radius + 8), fill=EDGE, outline=RIM, width=3 * FINE)
    draw.ellipse(_fine(x - radius, y - radius, x + radius, y + radius), fill=WINDOW)
    for step in range(25):
        value = 0.5 * step
        angle = math.radians(-DIAL["reach"] + 2 * DIAL["reach"] * value / DIAL["high"])
        s, c = math.sin(angle), -math.cos(angle)
        long = step % 4 == 0
        inner = radius - (18 if long else 10)
        draw.line(_fine(x + s * inner, y + c * inner, x + s * (radius - 4), y + c * (radius - 4)), fill=INK, width=(3 if long else 2) * FINE)
        if long:
            draw.text(_fine(x + s * (radius - 32), y + c * (radius - 32)), f"{value:.0f}", font=_font("DejaVuSans", 14), fill=INK, anchor="mm")
    draw.text(_fine(x, y + 44), "FELT", font=_font("DejaVuSans", 12), fill=INK, anchor="mm")
    draw.text(_fine(x, y + 60), "m/s²", font=_font("DejaVuSans", 12), fill=INK, anchor="mm")


def _needle(draw: ImageDraw.ImageDraw, value: float) -> None:
    (x, y), radius = DIAL["centre"], DIAL["radius"]
    angle = math.radians(-DIAL["reach"] + 2 * DIAL["reach"] * min(max(value, DIAL["low"]), DIAL["high"]) / DIAL["high"])
    s, c = math.sin(angle), -math.cos(angle)
    draw.polygon([_fine(x + s * (radius - 14), y + c * (radius - 14)), _fine(x + 5 * c, y - 5 * s), _fine(x - 16 * s, y - 16 * c),
                  _fine(x - 5 * c, y + 5 * s)], fill=NEEDLE)
    draw.ellipse(_fine(x - 7, y - 7, x + 7, y + 7), fill=INK)


def _ball(picture: Image.Image, pitch: float, roll: float) -> None:
    """A ball whose light half is up; a bar across every ten degrees, each thirty with its figure. Roll is positive with the
    right side of the craft down: the ball then turns to the left."""
    roll = -roll
    (cx, cy), radius = BALL["centre"], BALL["radius"]
    draw = ImageDraw.Draw(picture)
    draw.ellipse(_fine(cx - radius - 12, cy - radius - 12, cx + radius + 12, cy + radius + 12), fill=EDGE, outline=RIM, width=4 * FINE)
    side = 2 * radius * FINE
    grid = (np.arange(side) + 0.5) / (radius * FINE) - 1.0
    right, down = np.meshgrid(grid, grid)
    inside = right**2 + down**2 <= 1.0
    near = np.sqrt(np.clip(1.0 - right**2 - down**2, 0.0, None))
    # undo the roll, then the pitch: the height of each visible point over the ball's own horizon
    c, s = math.cos(roll), math.sin(roll)
    down_level = -s * right + c * down
    right_level = c * right + s * down
    high = -down_level * math.cos(pitch) + near * math.sin(pitch)
    forward = near * math.cos(pitch) + down_level * math.sin(pitch)
    latitude = np.degrees(np.arcsin(np.clip(high, -1, 1)))
    turned = np.degrees(np.arctan2(right_level, forward))
    shade = (0.55 + 0.45 * near)[..., None]
    colour = np.where((latitude >= 0)[..., None], np.array(LIGHT_HALF, float), np.array(DARK_HALF, float))
    away = np.abs(latitude - 10 * np.round(latitude / 10))
    rung = np.abs(np.round(latitude / 10).astype(int)) % 3 == 0
    reach = np.where(rung, 26.0, 13.0)
    bars = (away < 0.55) & (np.abs(turned) * np.cos(np.radians(latitude)) < reach)
    line = (np.abs(latitude) < 0.9) | bars
    ink = np.where((latitude >= 0)[..., None], np.array(INK, float), np.array(LIGHT_HALF, float))
    colour = np.where(line[..., None], ink, colour) * shade
    patch = Image.fromarray(colour.clip(0, 255).astype(np.uint8))
    picture.paste(patch, _fine(cx - radius, cy - radius), Image.fromarray((inside * 255).astype(np.uint8)))
    draw = ImageDraw.Draw(picture)
    for mark in (-60, -30, 30, 60):
        if abs(mark - math.degrees(pitch)) < 62:
            high = math.sin(math.radians(mark) - pitch) * radius
            x, y = c * 58 + s * high, s * 58 - c * high
            draw.text(_fine(cx + x, cy + y), f"{abs(mark)}", font=_font("DejaVuSans-Bold", 13), fill=INK if mark > 0 else LIGHT_HALF, anchor="mm")
    # the fixed mark: a hollow diamond with two feet
    draw.polygon([_fine(cx, cy - 11), _fine(cx + 11, cy), _fine(cx, cy + 11), _fine(cx - 11, cy)], outline=NEEDLE, width=4 * FINE)
    for sign in (-1, 1):
        draw.line([_fine(cx + sign * 40, cy), _fine(cx + sign * 84, cy)], fill=NEEDLE, width=5 * FINE)


def _outside(picture: Image.Image, shown: dict, rng: np.random.Generator) -> None:
    """Stars and the limb of the body through the pane above the board."""
    draw = ImageDraw.Draw(picture)
    sky = np.random.default_rng(7)
    for _ in range(120):
        x, y, glow = sky.uniform(0, 1280), sky.uniform(0, 222), int(sky.uniform(60, 210))
        draw.ellipse(_fine(x - 0.8, y - 0.8, x + 0.8, y + 0.8), fill=(glow, glow, glow))
    radius = shown["radius"]
    half = math.asin(min(1.0, radius / (radius + max(shown["altitude"], 1.0))))
    reach = 700.0 * math.tan(min(half, 1.45)) if half < 1.4 else 6000.0
    colour = (112, 108, 100) if shown["air"] is False else (84, 116, 122)
    top = SILL - min(reach * 0.35, 190.0)
    for step in range(14):  # darker towards the limb
        inset = 0.012 * step * (14 - step) ** 0.3
        tone = tuple(round(c * (0.55 + 0.45 * step / 13)) for c in colour)
        r = reach * (1 - inset)
        draw.ellipse(_fine(640 - r, top + reach - r, 640 + r, top + reach + r), fill=tone)


def draw_view(shown: dict, texts: dict[str, str], rng: np.random.Generator) -> Image.Image:
    """The view at twice the size, still clean. ``shown`` needs pitch (rad), roll, acceleration, altitude, radius, air."""
    picture = Image.new("RGB", _fine(*SIZE), (6, 6, 12))
    _outside(picture, shown, rng)
    board = _board()
    strip = SILL * FINE
    picture.paste(board.crop((0, strip, *board.size)), (0, strip))
    draw = ImageDraw.Draw(picture)
    for name, window in WINDOWS.items():
        left, top, right, bottom = window.box
        draw.text(_fine(right - 12, (top + bottom) / 2), texts[name], font=_font("DejaVuSansMono-Bold", window.size), fill=INK, anchor="rm")
    _needle(draw, shown["acceleration"])
    _ball(picture, shown["pitch"], shown["roll"])
    return picture


def photograph(view: Image.Image, rng: np.random.Generator, shift: tuple[float, float], zoom: float, light: float = 1.0,
               slope: tuple[float, float] = (0.0, 0.0), noise: float = 0.0, blur: float = 0.0) -> Image.Image:
    """A shot of the view: point p of the reference appears at ``centre + zoom (p - centre) + shift``."""
    cx, cy = SIZE[0] / 2, SIZE[1] / 2
    k = FINE / zoom
    # Pillow asks where each pixel of the result comes from; pixel centres count
    a = (k, 0.0, FINE * cx - k * (cx + shift[0]), 0.0, k, FINE * cy - k * (cy + shift[1]))
    soft = view.filter(ImageFilter.GaussianBlur(0.55 * FINE + blur * FINE))
    picture = soft.transform(SIZE, Image.Transform.AFFINE, a, resample=Image.Resampling.BICUBIC, fillcolor=(8, 7, 12))
    pixels = np.asarray(picture, float)
    if light != 1.0 or slope != (0.0, 0.0):
        x = np.linspace(-1, 1, SIZE[0])[None, :]
        y = np.linspace(-1, 1, SIZE[1])[:, None]
        pixels = pixels * (light * (1.0 + slope[0] * x + slope[1] * y))[..., None]
    if noise:
        grain = rng.standard_normal((SIZE[1], SIZE[0], 1)) * noise + rng.standard_normal((SIZE[1], SIZE[0], 3)) * 0.4 * noise
        pixels = pixels + grain
    return Image.fromarray(pixels.clip(0, 255).round().astype(np.uint8))


def panel_toml() -> str:
    """The description of the board's gauges on the reference shot."""
    def corners(box) -> str:
        left, top, right, bottom = box
        return f"[[{left}, {top}], [{right}, {top}], [{right}, {bottom}], [{left}, {bottom}]]"

    lines = ["# Heron's board. Corners are pixels of the reference shot, clockwise from the top left.", 'reference = "reference.png"']
    for name, window in WINDOWS.items():
        lines += ["", f"[gauges.{name}]", 'kind = "readout"', f'reads = "{window.reads}"', f"corners = {corners(window.box)}"]
        if name == "altimeter":
            lines.append('units = ["m", "km", "Mm"]')
        elif window.unit:
            lines.append(f'unit = "{window.unit}"')
    (x, y), r = DIAL["centre"], DIAL["radius"]
    lines += ["", "[gauges.felt]", 'kind = "dial"', 'reads = "acceleration"', 'unit = "m/s^2"', f"corners = {corners((x - r, y - r, x + r, y + r))}",
              f"scale = [[-{DIAL['reach']:.0f}, {DIAL['low']:.0f}], [{DIAL['reach']:.0f}, {DIAL['high']:.0f}]]"]
    (x, y), r = BALL["centre"], BALL["radius"]
    lines += ["", "[gauges.ball]", 'kind = "attitude"', 'reads = ["pitch", "roll"]', f"corners = {corners((x - r, y - r, x + r, y + r))}"]
    return "\n".join(lines) + "\n"
