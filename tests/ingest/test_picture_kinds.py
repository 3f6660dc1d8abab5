"""Screenshots of every kind of file, upright and on their side, through every way in: one panel reads the same from all of them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_panel import draw_panel, seen_from, texts_at, write_panel
from PIL import Image

from analyser.cli import main
from analyser.ingest.screenshots import read_screenshots
from analyser.ingest.video import Recording
from analyser.watching import FolderTail, News

TURNS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}  # how a camera stores what each orientation sets upright


def saved(folder: Path, kind: str, pixels: np.ndarray, orientation: int = 1) -> Path:
    """A real file of a kind, stored on its side where an orientation says so."""
    exif = Image.Exif()
    if orientation != 1:
        pixels = cv2.rotate(pixels, TURNS[orientation])
        exif[0x0112] = orientation
    image, path = Image.fromarray(pixels[:, :, ::-1]), folder / f"shot-{kind}-{orientation}.bin"
    if kind == "png of 16 bits":
        path.write_bytes(cv2.imencode(".png", pixels.astype(np.uint16) * 257)[1].tobytes())
    elif kind == "png with alpha":
        image.putalpha(255)
        image.save(path, "PNG", exif=exif)
    elif kind == "webp with alpha":
        image.putalpha(255)
        image.save(path, "WEBP", quality=92, exif=exif)
    elif kind == "bmp":
        image.save(path, "BMP")
    elif kind == "bmp with alpha":
        image.putalpha(255)
        image.save(path, "BMP")
    elif kind == "progressive jpeg":
        image.save(path, "JPEG", quality=92, progressive=True, exif=exif)
    else:
        image.save(path, kind.upper(), quality=92, exif=exif)
    return path


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    return write_panel(tmp_path_factory.mktemp("panel"))


def values(panel: Path, path: Path) -> dict[str, float]:
    detail = read_screenshots(panel, [path]).detail
    return {value.column: value.value for value in detail.itertuples() if value.status == "read" and value.column != "body"}


KINDS = pytest.mark.parametrize(("kind", "orientation"), [
    ("png", 1), ("png of 16 bits", 1), ("png with alpha", 1), ("webp", 1), ("webp with alpha", 1), ("bmp", 1), ("bmp with alpha", 1), ("progressive jpeg", 1),
    ("jpeg", 3), ("jpeg", 6), ("jpeg", 8), ("png", 6), ("webp", 8), ("png with alpha", 3),
])  # fmt: skip
SHOWN = {"altitude": 63740.0, "speed": 999.1, "vertical_speed": -2.0, "propellant": 1718.0}  # at 834 s


@KINDS
def test_every_kind_of_file_reads_the_same(tmp_path, panel, kind, orientation):
    said = values(panel, saved(tmp_path, kind, seen_from(draw_panel(texts_at(2)), 5), orientation))
    assert said == pytest.approx({"met": 834.0, **SHOWN})


@KINDS
def test_a_watched_folder_takes_every_kind_as_soon_as_it_is_whole(tmp_path, panel, kind, orientation):
    made = saved(tmp_path, kind, seen_from(draw_panel(texts_at(2)), 5), orientation)
    shots = tmp_path / "shots"
    shots.mkdir()
    suffix = next(name for name in ("png", "webp", "bmp", "jpeg") if name in kind)
    tail, shot, content = FolderTail(shots, panel), shots / f"shot.{suffix}", made.read_bytes()
    shot.write_bytes(content[: len(content) // 2])
    assert tail.poll() == News()  # half written
    shot.write_bytes(content)
    news = tail.poll()
    assert news.notes == ()
    (moment,) = news.moments
    assert moment.met == pytest.approx(834.0) and moment.body == "Lull"
    assert {column: value for column, (value, _) in moment.values.items()} == pytest.approx(SHOWN)


def test_a_panel_is_proposed_upright_from_a_picture_on_its_side(tmp_path, capsys):
    upright = draw_panel(texts_at(0))
    shots = [saved(tmp_path, "jpeg", upright, orientation) for orientation in (1, 6)]
    for number, shot in enumerate(shots):
        assert main(["panel", "new", str(shot), "--out", str(tmp_path / f"board-{number}")]) == 1
    first, second = ((tmp_path / f"board-{number}" / "panel.toml").read_text("utf-8") for number in (0, 1))
    assert cv2.imread(str(tmp_path / "board-1" / "reference.png")).shape == upright.shape
    for column in ("met", "altitude", "speed", "vertical_speed", "propellant", "body"):
        assert f'reads = "{column}"' in first and f'reads = "{column}"' in second


def film(path: Path, quarter: bool) -> None:
    """Three frames with a light upper left corner; ``quarter``: the file says that it is to be shown a quarter turn clockwise."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 5, (320, 180))
    for _ in range(3):
        frame = np.full((180, 320, 3), 40, np.uint8)
        frame[:60, :80] = 220
        writer.write(frame)
    writer.release()
    if quarter:
        data, one = bytearray(path.read_bytes()), (1 << 16).to_bytes(4, "big")
        plain = one + bytes(12) + one + bytes(12) + (1 << 30).to_bytes(4, "big")
        place = data.index(plain, data.index(b"tkhd"))  # the matrix of the track's header (ISO/IEC 14496-12, section 8.3.2)
        data[place : place + 36] = bytes(4) + one + bytes(4) + (0xFFFF0000).to_bytes(4, "big") + bytes(16) + (1 << 30).to_bytes(4, "big")
        path.write_bytes(bytes(data))


def test_a_recording_on_its_side_is_turned(tmp_path):
    for quarter, shape in ((False, (180, 320)), (True, (320, 180))):
        film(tmp_path / "film.mp4", quarter)
        with Recording(tmp_path / "film.mp4") as recording:
            frames = [sample.frame for sample in recording.samples(0.2)]
        assert len(frames) == 3 and frames[0].shape[:2] == shape
        light = frames[0][:, :, 0] > 130
        rows, columns = np.nonzero(light)
        assert rows.mean() < shape[0] / 2 and (columns.mean() > shape[1] / 2) == quarter  # upper left becomes upper right
