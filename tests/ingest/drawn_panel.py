"""A small cockpit panel drawn for tests, and screenshots of it from other view points."""

from __future__ import annotations

import random
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 1280, 720
GAUGES = {
    "clock": (100, 100, 300, 44, "met", ""),
    "altimeter": (500, 120, 220, 40, "altitude", 'units = ["m", "km", "Mm"]'),
    "airspeed": (500, 220, 220, 40, "speed", 'unit = "m/s"'),
    "climb": (800, 220, 220, 40, "vertical_speed", 'unit = "m/s"'),
    "tank": (100, 300, 160, 36, "propellant", 'unit = "kg"'),
    "body": (800, 120, 180, 36, "body", 'words = ["Ardent", "Lull"]'),
}


def font(name: str, size: int):
    """A font that comes with matplotlib."""
    import matplotlib

    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"), size)


def draw_panel(texts: dict[str, str], face: str = "DejaVuSansMono") -> np.ndarray:
    """The panel straight on, showing ``texts``; blue, green, red."""
    dice = random.Random(5)
    image = Image.new("RGB", (WIDTH, HEIGHT), (58, 62, 66))
    pen = ImageDraw.Draw(image)
    for _ in range(60):
        x, y = dice.randrange(WIDTH), dice.randrange(420, HEIGHT)
        colour = tuple(dice.randrange(30, 160) for _ in range(3))
        pen.rectangle([x, y, x + dice.randrange(10, 80), y + dice.randrange(5, 40)], fill=colour)
    for _ in range(25):
        x, y = dice.randrange(WIDTH), dice.randrange(HEIGHT)
        pen.ellipse([x, y, x + 12, y + 12], fill=(90, 90, 85), outline=(20, 20, 20))
    for name, (x, y, width, height, _, _) in GAUGES.items():
        pen.rectangle([x - 5, y - 5, x + width + 5, y + height + 5], fill=(30, 30, 30), outline=(150, 150, 150))
        pen.rectangle([x, y, x + width, y + height], fill=(8, 14, 10))
        pen.text((x, y - 28), name.upper(), font=font("DejaVuSans", 18), fill=(220, 220, 210))
        pen.text((x + 8, y + 4), texts[name], font=font(face, int(height * 0.65)), fill=(120, 255, 160))
    return np.asarray(image)[:, :, ::-1].copy()


def texts_at(step: int) -> dict[str, str]:
    """What the panel shows at moment ``step`` of a made-up coast."""
    met = 760 + 37 * step
    return {
        "clock": f"T+{met // 3600:02d}:{met // 60 % 60:02d}:{met % 60:02d}",
        "altimeter": f"{61.94 + 0.9 * step:.2f} km",
        "airspeed": f"{992.5 + 3.3 * step:.1f}",
        "climb": f"{-12 + 5 * step:.1f}",
        "tank": f"{1744 - 13 * step}",
        "body": "Lull",
    }


def seen_from(picture: np.ndarray, seed: int, shift: float = 15.0, noise: float = 3.0) -> np.ndarray:
    """The picture shifted, scaled and turned by a little, with sensor noise."""
    dice = np.random.default_rng(seed)
    scale, turn = 1 + dice.normal() * 0.03, dice.normal() * 0.015
    move = np.array(
        [
            [scale * np.cos(turn), -scale * np.sin(turn), dice.normal() * shift],
            [scale * np.sin(turn), scale * np.cos(turn), dice.normal() * shift],
        ]
    )
    moved = cv2.warpAffine(picture, move, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    return np.clip(moved + dice.normal(0, noise, moved.shape), 0, 255).astype(np.uint8)


def write_panel(folder: Path) -> Path:
    """``panel.toml`` and ``reference.png`` in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(folder / "reference.png"), draw_panel(texts_at(0)))
    lines = ['reference = "reference.png"']
    for name, (x, y, width, height, column, more) in GAUGES.items():
        corners = [[x, y], [x + width, y], [x + width, y + height], [x, y + height]]
        lines += [f"[gauges.{name}]", 'kind = "readout"', f'reads = "{column}"', f"corners = {corners}", more]
    (folder / "panel.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "panel.toml"
