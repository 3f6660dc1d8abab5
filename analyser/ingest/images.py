"""Pictures are opened defensively: size limits from the header before anything is decoded, no trust in names or metadata.

Read: PNG, JPEG, WebP and BMP, 8 or 16 bit, with or without alpha, turned as their EXIF orientation says.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.errors import AnalyserError, ImageError

if TYPE_CHECKING:
    import numpy as np

MAX_SIDE = 12_000  # pixels; the largest screens and tripled views stay well below
MAX_PIXELS = 45_000_000  # 10,240 x 4,320, the widest screens there are; 135 MB decoded
MAX_FILE = 200_000_000  # bytes
MIN_SIDE = 16
SUFFIXES = (".png", ".jpg", ".jpeg", ".webp", ".bmp")


def load_opencv():
    """The module ``cv2``, single-threaded; the only place that imports it.

    Raises
    ------
    AnalyserError
        With the line to type where OpenCV or a library that it needs is missing.
    """
    try:
        import cv2
    except ImportError as error:
        if "libGL" in str(error) or "libglib" in str(error) or "libgthread" in str(error):
            raise AnalyserError(
                f"pictures can't be read: OpenCV needs a system library that is missing here ({error}); type: "
                "apt-get install -y libgl1 libglib2.0-0"
            ) from error
        raise AnalyserError(
            f"pictures can't be read: OpenCV can't be loaded ({error}); type: python -m pip install opencv-python"
        ) from error
    if hasattr(cv2, "setLogLevel"):
        cv2.setLogLevel(0)  # decoders would print to the terminal what ImageError says better
    return cv2


@dataclass(frozen=True)
class Header:
    """What a picture says of itself: format, size in pixels as stored, EXIF orientation (1 to 8)."""

    format: str
    width: int
    height: int
    orientation: int = 1


def read_header(data: bytes, path: str | Path) -> Header:
    """Format and size from the first bytes, without decoding; checks that the file is complete.

    Raises
    ------
    ImageError
        Not a picture of a kind that is read, truncated, or broken.
    """
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png_header(data, path)
    if data[:2] == b"\xff\xd8":
        return _jpeg_header(data, path)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _webp_header(data, path)
    if data[:2] == b"BM" and len(data) >= 30:
        return _bmp_header(data, path)
    found = "an empty file" if not data else f"a file that begins with {data[:8]!r}"
    raise ImageError(f"found {found}, not a picture; PNG, JPEG, WebP and BMP are read, whatever the file's name", path)


def _truncated(path, kind: str) -> ImageError:
    return ImageError(f"the {kind} picture is cut short or damaged; copy it again, or leave it out", path)


def _png_header(data: bytes, path) -> Header:
    place, header, orientation = 8, None, 1
    while place + 12 <= len(data):
        length, kind = struct.unpack(">I4s", data[place : place + 8])
        body = data[place + 8 : place + 8 + length]
        if len(body) < length or place + 12 + length > len(data):
            break
        if header is None:
            if kind != b"IHDR" or length != 13:
                break
            header = struct.unpack(">II", body[:8])
        if kind == b"eXIf":
            orientation = _exif_orientation(body)
        if kind in (b"IHDR", b"IDAT", b"PLTE"):
            (stored,) = struct.unpack(">I", data[place + 8 + length : place + 12 + length])
            if zlib.crc32(kind + body) != stored and header is not None:
                _check_size(*header, path)
                break
        if kind == b"IEND":
            return Header("PNG", *header, orientation)
        place += 12 + length
    if header is not None:
        _check_size(*header, path)
    raise _truncated(path, "PNG")


def _jpeg_header(data: bytes, path) -> Header:
    place, orientation = 2, 1
    while place + 4 <= len(data):
        if data[place] != 0xFF:
            break
        marker = data[place + 1]
        if marker == 0xFF:
            place += 1
            continue
        (length,) = struct.unpack(">H", data[place + 2 : place + 4])
        if marker == 0xE1 and data[place + 4 : place + 10] == b"Exif\0\0":
            orientation = _exif_orientation(data[place + 10 : place + 2 + length])
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            if place + 9 > len(data):
                break
            height, width = struct.unpack(">HH", data[place + 5 : place + 9])
            _check_size(width, height, path)
            if data.rfind(b"\xff\xd9") < place:
                break
            return Header("JPEG", width, height, orientation)
        place += 2 + length
    raise _truncated(path, "JPEG")


def _webp_header(data: bytes, path) -> Header:
    if len(data) < 30 or struct.unpack("<I", data[4:8])[0] + 8 > len(data):
        raise _truncated(path, "WebP")
    orientation = 1
    kind = data[12:16]
    if kind == b"VP8X":
        width = 1 + int.from_bytes(data[24:27], "little")
        height = 1 + int.from_bytes(data[27:30], "little")
        place = 12
        while place + 8 <= len(data):
            name, length = struct.unpack("<4sI", data[place : place + 8])
            if name == b"EXIF":
                body = data[place + 8 : place + 8 + length]
                orientation = _exif_orientation(body[6:] if body[:6] == b"Exif\0\0" else body)
            if name in (b"ANIM", b"ANMF"):
                raise ImageError("this is a moving picture; save one frame as PNG", path)
            place += 8 + length + length % 2
    elif kind == b"VP8L":
        bits = int.from_bytes(data[21:25], "little")
        width, height = 1 + (bits & 0x3FFF), 1 + ((bits >> 14) & 0x3FFF)
    elif kind == b"VP8 ":
        width, height = (value & 0x3FFF for value in struct.unpack("<HH", data[26:30]))
    else:
        raise _truncated(path, "WebP")
    return Header("WebP", width, height, orientation)


def _bmp_header(data: bytes, path) -> Header:
    offset, size, width, height = struct.unpack("<IIii", data[10:26])
    (depth,) = struct.unpack("<H", data[28:30])
    height = abs(height)  # negative: stored from the top down
    if width <= 0 or size < 40 or depth not in (1, 4, 8, 16, 24, 32):
        raise _truncated(path, "BMP")
    _check_size(width, height, path)
    compression = struct.unpack("<I", data[30:34])[0] if len(data) >= 34 else 0
    if compression in (0, 3) and offset + (width * depth + 31) // 32 * 4 * height > len(data):
        raise _truncated(path, "BMP")
    return Header("BMP", width, height)


def _exif_orientation(tiff: bytes) -> int:
    """Orientation tag (0x0112) of an EXIF block; 1 where absent or odd."""
    if len(tiff) < 14 or tiff[:2] not in (b"II", b"MM"):
        return 1
    order = "<" if tiff[:2] == b"II" else ">"
    (place,) = struct.unpack(order + "I", tiff[4:8])
    if place + 2 > len(tiff):
        return 1
    (count,) = struct.unpack(order + "H", tiff[place : place + 2])
    for index in range(min(count, 200)):
        entry = tiff[place + 2 + 12 * index : place + 14 + 12 * index]
        if len(entry) < 12:
            break
        tag, kind, _ = struct.unpack(order + "HHI", entry[:8])
        if tag == 0x0112 and kind == 3:
            (value,) = struct.unpack(order + "H", entry[8:10])
            return value if 1 <= value <= 8 else 1
    return 1


def _check_size(width: int, height: int, path) -> None:
    if width > MAX_SIDE or height > MAX_SIDE or width * height > MAX_PIXELS:
        raise ImageError(
            f"the picture says it is {width} x {height} pixels, more than the {MAX_SIDE} a side and "
            f"{MAX_PIXELS // 1_000_000} million in all that are read; scale it down first",
            path,
        )
    if width < MIN_SIDE or height < MIN_SIDE:
        raise ImageError(f"the picture is {width} x {height} pixels, too small to show a panel", path)


def read_file(path: str | Path) -> bytes:
    """The bytes of a picture file, at most MAX_FILE of them."""
    path = Path(path)
    try:
        if not path.is_file():
            raise ImageError("there is no such picture file; check the name", path)
        if path.stat().st_size > MAX_FILE:
            raise ImageError(f"the file is larger than {MAX_FILE // 1_000_000} MB; save it as PNG or JPEG", path)
        return path.read_bytes()
    except OSError as error:
        raise ImageError(f"the file can't be read ({error.strerror})", path) from error


def open_image(path: str | Path) -> "np.ndarray":
    """A picture as 8-bit colour.

    Parameters
    ----------
    path : path-like
        PNG, JPEG, WebP or BMP; told by its content, not its name.

    Returns
    -------
    ndarray, (height, width, 3), uint8
        Blue, green, red; alpha laid over black; turned as EXIF says.

    Raises
    ------
    ImageError
        Missing, no picture, cut short, or larger than MAX_SIDE and MAX_PIXELS allow.
    """
    import numpy as np

    cv2 = load_opencv()
    data = read_file(path)
    header = read_header(data, path)
    _check_size(header.width, header.height, path)
    try:
        flags = cv2.IMREAD_UNCHANGED  # EXIF orientation is applied here below, once for all formats
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except (cv2.error, MemoryError) as error:
        raise _truncated(path, header.format) from error
    if pixels is None or pixels.shape[:2] != (header.height, header.width):
        raise _truncated(path, header.format)
    return np.ascontiguousarray(_turn(_as_colour(pixels), header.orientation))


def grey_of(pixels: "np.ndarray") -> "np.ndarray":
    """A picture in colour as grey, (height, width), uint8; one that is grey already as it is."""
    cv2 = load_opencv()
    return pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)


def _as_colour(pixels: "np.ndarray") -> "np.ndarray":
    import numpy as np

    if pixels.dtype == np.uint16:
        pixels = (pixels // 257).astype(np.uint8)
    if pixels.ndim == 2:
        pixels = pixels[:, :, None]
    if pixels.shape[2] in (2, 4):
        alpha = pixels[:, :, -1:]
        pixels = pixels[:, :, :-1]
        if alpha.min() < 255:
            pixels = (pixels.astype(np.uint16) * alpha // 255).astype(np.uint8)
    return np.repeat(pixels, 3, axis=2) if pixels.shape[2] == 1 else pixels


def _turn(pixels: "np.ndarray", orientation: int) -> "np.ndarray":
    """Upright pixels from an EXIF orientation (CIPA DC-008, tag 0x0112)."""
    import numpy as np

    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.asarray(pixels)


def crop_png(image_path: str | Path, box: tuple[int, int, int, int]) -> bytes:
    """The part of a picture within ``box`` (left, top, right, bottom; pixels) as the bytes of a PNG file."""
    cv2 = load_opencv()
    pixels = open_image(image_path)
    height, width = pixels.shape[:2]
    left, top = max(0, min(int(box[0]), width - 1)), max(0, min(int(box[1]), height - 1))
    right, bottom = max(left + 1, min(int(box[2]), width)), max(top + 1, min(int(box[3]), height))
    done, encoded = cv2.imencode(".png", pixels[top:bottom, left:right])
    if not done:
        raise ImageError("its crop can't be written as PNG", image_path)
    return encoded.tobytes()
