"""Damaged and odd pictures and panel files through the whole reader: what comes of each is readings, "not found" or one clear error. As a program:

    python tests/ingest/mutations.py [--count 1000] [--seed 1] [--keep FILE]

prints a table of what came of them, the slowest and the most memory; it ends with 1 where anything crashed, hung or was too large. With ``--keep``
each outcome is written to a file at once, and a run that was stopped goes on behind the last one there.
"""

from __future__ import annotations

import argparse
import json
import resource
import struct
import sys
import time
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from drawn_panel import draw_panel, texts_at, write_panel
from PIL import Image

from analyser.errors import AnalyserError
from analyser.ingest.screenshots import read_screenshots

MOST_SECONDS = 2.0  # of processor time
MOST_MEMORY = 1_000_000_000  # bytes


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def huge_png(width: int, height: int, rows: int = 4) -> bytes:
    """A PNG that says it is larger than what it holds."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * min(rows * (width * 3 + 1), 1_000_000))) + chunk(b"IEND", b"")


def bomb_png(side: int) -> bytes:
    """A small file that decodes into a large picture of one colour."""
    packer = zlib.compressobj(9)
    body = b"".join(packer.compress(b"\0" * (side * 3 + 1)) for _ in range(side)) + packer.flush()
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def seeds(folder: Path) -> dict[str, bytes]:
    """Whole pictures of the panel in every form that is read, and in some that are not."""
    picture = cv2.resize(draw_panel(texts_at(2)), (960, 540), interpolation=cv2.INTER_AREA)
    colour = Image.fromarray(picture[:, :, ::-1])
    made = {}
    for name, image, options in (
        ("plain.png", colour, {}), ("grey.png", colour.convert("L"), {}), ("grey-alpha.png", colour.convert("LA"), {}),
        ("palette.png", colour.convert("P"), {}), ("one-bit.png", colour.convert("1"), {}), ("rgba.png", colour.convert("RGBA"), {}),
        ("plain.jpg", colour, {"quality": 80}), ("grey.jpg", colour.convert("L"), {"quality": 80}), ("cmyk.jpg", colour.convert("CMYK"), {"quality": 80}),
        ("progressive.jpg", colour, {"quality": 60, "progressive": True}), ("plain.webp", colour, {"quality": 80}),
        ("exact.webp", colour, {"lossless": True}), ("plain.bmp", colour, {}), ("palette.bmp", colour.convert("P"), {}),
        ("moving.gif", colour, {"save_all": True, "append_images": [colour.rotate(90)]}), ("plain.tiff", colour, {}),
        ("moving.webp", colour, {"save_all": True, "append_images": [colour.rotate(90)]}),
        ("moving.png", colour, {"save_all": True, "append_images": [colour.rotate(90)]}), ("tiny.png", colour.resize((20, 17)), {}),
    ):  # fmt: skip
        image.save(folder / name, **options)
        made[name] = (folder / name).read_bytes()
    for orientation in (3, 6, 8):
        exif = Image.Exif()
        exif[0x0112] = orientation
        colour.save(folder / "turned.jpg", quality=80, exif=exif)
        made[f"turned-{orientation}.jpg"] = (folder / "turned.jpg").read_bytes()
    made["deep.png"] = cv2.imencode(".png", picture.astype(np.uint16) * 257)[1].tobytes()
    made["empty.png"] = b""
    return made


def damaged(data: bytes, dice: np.random.Generator) -> tuple[str, bytes]:
    """One kind of damage at random, and its name."""
    kind = str(dice.choice(["bits", "many bits", "cut", "hole", "doubled", "zeros", "header", "none"], p=[0.3, 0.15, 0.15, 0.1, 0.05, 0.05, 0.15, 0.05]))
    found = bytearray(data)
    if not found or kind == "none":
        return "none", bytes(found)
    if kind in ("bits", "many bits"):
        for _ in range(int(dice.integers(1, 6)) if kind == "bits" else int(dice.integers(20, 400))):
            found[int(dice.integers(len(found)))] ^= 1 << int(dice.integers(8))
    elif kind == "cut":
        del found[int(dice.integers(len(found))) :]
    elif kind == "hole":
        start = int(dice.integers(len(found)))
        del found[start : start + int(dice.integers(1, 2000))]
    elif kind == "doubled":
        start = int(dice.integers(len(found)))
        found[start:start] = found[start : start + 3000]
    elif kind == "zeros":
        start = int(dice.integers(len(found)))
        found[start : start + 500] = bytes(min(500, len(found) - start))
    else:  # within the first bytes, where sizes stand; a PNG's checksum made right again, so that the size is believed
        for _ in range(int(dice.integers(1, 4))):
            found[int(dice.integers(4, min(64, len(found))))] = int(dice.integers(256))
        if data[:4] == b"\x89PNG" and len(found) > 33:
            found[:16] = data[:16]
            found[29:33] = struct.pack(">I", zlib.crc32(bytes(found[12:29])))
    return kind, bytes(found)


def damaged_panel(text: str, dice: np.random.Generator) -> tuple[str, str | bytes]:
    """A panel file with one thing wrong."""
    lines = text.splitlines()
    kind = str(dice.choice(["line gone", "bits", "cut", "number", "twice", "word", "reference"]))
    if kind == "line gone":
        del lines[int(dice.integers(len(lines)))]
    elif kind in ("bits", "cut"):
        return f"panel {kind}", damaged(text.encode(), np.random.default_rng(int(dice.integers(1 << 30))))[1]
    elif kind == "number":
        digits = [index for index, letter in enumerate(text) if letter.isdigit()]
        place = digits[int(dice.integers(len(digits)))]
        new = str(dice.choice(["-7", "1e308", "nan", "99999999999999999999", "[]", "1e-300", "inf"]))
        return f"panel {kind}", text[:place] + new + text[place + 1 :]
    elif kind == "twice":
        lines.insert(int(dice.integers(len(lines))), lines[int(dice.integers(len(lines)))])
    elif kind == "word":
        words = ["readout", "dial", "altitude", "kind", "corners", "units", "met"]
        return f"panel {kind}", text.replace(str(dice.choice(words)), str(dice.choice(["", "dial", "tape", "lamp", "attitude", "x", "scale"])), 1)
    else:
        return f"panel {kind}", text.replace("reference.png", str(dice.choice(["", "panel.toml", "../../etc/passwd", "no.png", "/dev/zero", "."])), 1)
    return f"panel {kind}", "\n".join(lines)


@dataclass(frozen=True)
class Outcome:
    """What came of one case: ``what`` is read, not found, error or CRASH; ``told`` is the error's text."""

    kind: str
    what: str
    told: str
    seconds: float
    memory: int = 0  # most that the process had held so far, bytes


def try_case(kind: str, panel: Path, picture: Path) -> Outcome:
    begun = time.process_time()
    told = ""
    try:
        readings = read_screenshots(panel, [picture])
        found = "panel was not found" not in " ".join(readings.detail["reason"])
        what = "read" if found else "not found"
    except AnalyserError as error:
        what, told = "error", str(error)
    except Exception as error:  # anything else is what this is here to find
        what, told = "CRASH", f"{type(error).__name__}: {error}"
    return Outcome(kind, what, told, time.process_time() - begun, peak_memory())


def cases(folder: Path, count: int, seed: int, start: int = 0):
    """(kind, panel file, picture) of ``count`` cases without the first ``start``; every fifth with a damaged panel file, all the seeds and the huge ones among them."""
    panel = write_panel(folder / "panel")
    text = panel.read_text("utf-8")
    whole = seeds(folder)
    huge = {"huge.png": huge_png(60_000, 60_000), "long.png": huge_png(2**31 - 1, 20), "wide.png": huge_png(11_000, 4_500), "none.png": huge_png(0, 0),
            "bomb.png": bomb_png(6_700), "zip.png": b"PK\x03\x04" + bytes(500), "text.png": b"no picture\n" * 40}  # fmt: skip
    fixed = [("huge: " + name, data, name) for name, data in huge.items()] + [("whole: " + name, data, name) for name, data in whole.items()]
    names = sorted(whole)
    for index in range(start, count):
        dice = np.random.default_rng([seed, index])
        if index < len(fixed):
            kind, data, name = fixed[index]
        elif index % 5 == 0:
            kind, damage = damaged_panel(text, dice)
            broken = folder / "broken.toml"
            broken.write_bytes(damage if isinstance(damage, bytes) else damage.encode())
            (folder / "reference.png").write_bytes((folder / "panel" / "reference.png").read_bytes())
            yield kind, broken, folder / "plain.png"
            continue
        else:
            name = names[int(dice.integers(len(names)))]
            kind, data = damaged(whole[name], dice)
        picture = folder / f"case-{name}"
        picture.write_bytes(data)
        yield kind, panel, picture


def run(folder: Path, count: int, seed: int, keep: Path | None = None) -> list[Outcome]:
    """What comes of every case; those that ``keep`` holds are not tried again."""
    done = [Outcome(**json.loads(line)) for line in keep.read_text("utf-8").splitlines()] if keep and keep.exists() else []
    for case in cases(folder, count, seed, len(done)):
        done.append(try_case(*case))
        if keep:
            with keep.open("a", encoding="utf-8") as file:
                file.write(json.dumps(vars(done[-1])) + "\n")
    return done[:count]


def peak_memory() -> int:
    """Most memory this process has held, bytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> int:
    import tempfile

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file that keeps the outcomes, so that a run can be stopped and go on")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        outcomes = run(Path(name), options.count, options.seed, options.keep)
    kinds: dict[str, Counter] = {}
    for each in outcomes:
        kinds.setdefault(each.kind.split(":")[0], Counter())[each.what] += 1
    print("| | read | not found | error | crash | slowest, s |\n| --- | --- | --- | --- | --- | --- |")
    for kind in sorted(kinds):
        slowest = max(each.seconds for each in outcomes if each.kind.split(":")[0] == kind)
        print(f"| {kind} | {' | '.join(str(kinds[kind][what]) for what in ('read', 'not found', 'error', 'CRASH'))} | {slowest:.2f} |")
    bad = [each for each in outcomes if each.what == "CRASH" or each.seconds > MOST_SECONDS]
    for each in bad:
        print("bad:", each)
    most = max(each.memory for each in outcomes)
    print(f"{len(outcomes)} cases, {len(bad)} bad, most memory {most / 1e6:.0f} MB")
    return 1 if bad or most > MOST_MEMORY else 0


if __name__ == "__main__":
    sys.exit(main())
