"""Pictures: every format that is read, and every way in which a file can be none."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image

from analyser.errors import ImageError
from analyser.ingest.images import MAX_SIDE, crop_png, open_image


def picture(width: int = 64, height: int = 40) -> np.ndarray:
    rows, columns = np.mgrid[0:height, 0:width]
    return np.dstack([columns * 3, rows * 5, (rows + columns) * 2]).astype(np.uint8)


def encoded(kind: str) -> bytes:
    """A picture file of a kind; "png16" and "pnga" are PNG of 16 bits and with alpha."""
    pixels = picture()
    if kind == "png16":
        pixels = pixels.astype(np.uint16) * 257
    if kind == "pnga":
        pixels = np.dstack([pixels, np.full(pixels.shape[:2], 255, np.uint8)])
    return cv2.imencode("." + kind.rstrip("16a"), pixels)[1].tobytes()


@pytest.mark.parametrize(("kind", "tolerance"), [("png", 0), ("bmp", 0), ("png16", 0), ("pnga", 0), ("jpg", 12), ("webp", 12)])
def test_every_format_gives_the_picture(tmp_path, kind, tolerance):
    path = tmp_path / "a picture.bin"  # the name says nothing
    path.write_bytes(encoded(kind))
    seen = open_image(path)
    assert seen.shape == (40, 64, 3) and seen.dtype == np.uint8
    assert np.abs(seen.astype(int) - picture()).max() <= tolerance


def test_half_transparent_pixels_lie_over_black(tmp_path):
    pixels = np.dstack([np.full((40, 40, 3), 200, np.uint8), np.full((40, 40), 128, np.uint8)])
    cv2.imwrite(str(tmp_path / "a.png"), pixels)
    assert abs(int(open_image(tmp_path / "a.png")[5, 5, 0]) - 100) <= 1


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_on_its_side_is_turned_as_exif_says(tmp_path, kind, orientation):
    """Pillow's exif_transpose is the second opinion."""
    from PIL import ImageOps

    exif = Image.Exif()
    exif[0x0112] = orientation
    image = Image.fromarray(np.kron(picture(8, 5), np.ones((8, 8, 1), np.uint8)))
    image.save(tmp_path / "side", kind, exif=exif, quality=95)
    wanted = np.asarray(ImageOps.exif_transpose(Image.open(tmp_path / "side")).convert("RGB"))[:, :, ::-1]
    seen = open_image(tmp_path / "side")
    assert seen.shape == wanted.shape
    assert np.abs(seen.astype(int) - wanted).mean() < 3


@pytest.mark.parametrize("kind", ["png", "jpg", "webp", "bmp"])
@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.9, 0.99])
def test_a_file_cut_short_is_refused(tmp_path, kind, share):
    data = encoded(kind)
    path = tmp_path / f"cut.{kind}"
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(ImageError) as caught:
        open_image(path)
    assert caught.value.path == path and "\n" not in str(caught.value)


def huge_png(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")


def test_a_huge_picture_is_refused_by_its_header(tmp_path):
    (tmp_path / "huge.png").write_bytes(huge_png(20_000, 20_000))
    with pytest.raises(ImageError, match="20000 x 20000"):
        open_image(tmp_path / "huge.png")
    (tmp_path / "long.png").write_bytes(huge_png(MAX_SIDE + 1, 20))
    with pytest.raises(ImageError, match="scale it down"):
        open_image(tmp_path / "long.png")


def test_the_widest_screens_are_read(tmp_path):
    (tmp_path / "wide.png").write_bytes(cv2.imencode(".png", np.full((4320, 10_240), 90, np.uint8))[1].tobytes())
    assert open_image(tmp_path / "wide.png").shape == (4320, 10_240, 3)


def test_text_named_png_is_refused(tmp_path):
    (tmp_path / "notes.png").write_text("met, altitude\n1, 2\n")
    with pytest.raises(ImageError, match="not a picture"):
        open_image(tmp_path / "notes.png")
    with pytest.raises(ImageError, match="no such picture"):
        open_image(tmp_path / "missing.png")


def test_damaged_pictures_never_end_in_anything_but_a_picture_or_an_image_error(tmp_path):
    dice = np.random.default_rng(3)
    path = tmp_path / "damaged"
    refused = 0
    for index in range(240):
        data = bytearray(encoded(("png", "jpg", "webp", "bmp")[index % 4]))
        for _ in range(dice.integers(1, 6)):
            data[dice.integers(len(data))] = dice.integers(256)
        path.write_bytes(bytes(data))
        try:
            assert open_image(path).dtype == np.uint8
        except ImageError:
            refused += 1
    assert refused > 60  # PNG checks its sums: about all of those must be refused


def test_a_crop_is_a_png_of_the_box(tmp_path):
    cv2.imwrite(str(tmp_path / "a.png"), picture())
    crop = np.asarray(Image.open(io.BytesIO(crop_png(tmp_path / "a.png", (10, 5, 30, 20)))))[:, :, ::-1]
    assert np.array_equal(crop, picture()[5:20, 10:30])
    beyond = Image.open(io.BytesIO(crop_png(tmp_path / "a.png", (-10, -5, 900, 900))))
    assert beyond.size == (64, 40)
