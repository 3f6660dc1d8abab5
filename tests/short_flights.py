"""Folders of short flights, each a coast about Lull and one burn, to debrief by the dozen; and the command line, run and read."""

from __future__ import annotations

import math
from pathlib import Path

from analyser.cli import main
from analyser.fitting import scalar_conic as conic

ROOT = Path(__file__).resolve().parent.parent
WORLD = ROOT / "samples" / "worlds" / "ardent.toml"
MU, RADIUS = 2.1e11, 310e3  # of Lull, as the sample world has it


def short_flight(folder: Path, number: int = 0, rows: int = 5, **keys: str) -> Path:
    """A flight folder: one orbit about Lull, a little higher the higher its number."""
    folder.mkdir(parents=True)
    about = {"name": f"Short hop {number}", "pilot": "P-01", "date": f"2031-04-{number % 28 + 1:02d}", "world": str(WORLD), **keys}
    (folder / "flight.toml").write_text("".join(f'{key} = "{value}"\n' for key, value in about.items()))
    lines = ["met, body, altitude [km], speed [m/s], vertical_speed [m/s]"]
    for index in range(rows):
        radius, climb, across = conic.after(MU, RADIUS + 40e3 + 100 * number, 5.0, 780.0, 120.0 * index)
        lines.append(f"{120 * index}, Lull, {(radius - RADIUS) / 1e3:.2f}, {math.hypot(climb, across):.1f}, {climb:.1f}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n")
    return folder


def archive(folder: Path, count: int) -> list[Path]:
    """So many flights in folders of five."""
    return [short_flight(folder / f"{number // 5}" / f"hop-{number:03d}", number) for number in range(count)]


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    """Exit code, output and errors of a command line."""
    code = main([str(word) for word in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err
