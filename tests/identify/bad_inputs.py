"""Thirty files that are no usable photo, made by code: what a drop folder, a phone or an attacker may hand over."""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

SIZE = (640, 480)


def picture(size: tuple[int, int] = SIZE, mode: str = "RGB") -> Image.Image:
    """A smooth scene with texture, so that compressed data is spread over the whole file."""
    rng = np.random.default_rng(7)
    small = Image.fromarray(rng.integers(30, 220, (30, 40, 3), np.uint8))
    return small.resize(size, Image.Resampling.BICUBIC).convert(mode)


def encoded(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png_header(width: int, height: int, body: bytes = b"") -> bytes:
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + _chunk(b"IDAT", zlib.compress(body)) + _chunk(b"IEND", b"")


def _flipped(data: bytes, where: float, count: int) -> bytes:
    """The bytes with ``count`` of them inverted from the fraction ``where`` on."""
    start = int(len(data) * where)
    return data[:start] + bytes(255 - byte for byte in data[start : start + count]) + data[start + count :]


def _jpeg_of_false_size(width: int, height: int) -> bytes:
    """A good JPEG whose header claims another size."""
    data = bytearray(encoded(picture()))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def _tiff_of_false_strips() -> bytes:
    data = bytearray(encoded(picture(), "TIFF"))
    return bytes(data[: len(data) // 2])


BYTES: dict[str, Callable[[], bytes]] = {
    "empty.jpg": lambda: b"",
    "one-byte.jpg": lambda: b"\xff",
    "only-magic.jpg": lambda: b"\xff\xd8\xff\xe0",
    "text.jpg": lambda: b"This is a letter, not a photo.\n" * 50,
    "page.jpg": lambda: b"<!doctype html><html><body>404 not found</body></html>",
    "noise.jpg": lambda: np.random.default_rng(1).bytes(50_000),
    "zeros.png": lambda: bytes(10_000),
    "archive.jpg": lambda: b"PK\x03\x04" + bytes(500),
    "drawing.svg": lambda: b'<svg xmlns="http://www.w3.org/2000/svg" width="900" height="900"/>',
    "document.pdf": lambda: b"%PDF-1.7\n1 0 obj<<>>endobj\ntrailer<<>>\n%%EOF",
    "half.jpg": lambda: encoded(picture())[: len(encoded(picture())) // 2],
    "nearly-whole.jpg": lambda: encoded(picture(), quality=92)[:-400],
    "half-progressive.jpg": lambda: encoded(picture(), progressive=True)[: len(encoded(picture())) // 2],
    "hole.jpg": lambda: _flipped(encoded(picture(), quality=92), 0.5, 300),
    "half.png": lambda: encoded(picture(), "PNG")[:30_000],
    "bad-checksum.png": lambda: _flipped(encoded(picture(), "PNG"), 0.5, 8),
    "half.webp": lambda: encoded(picture(), "WEBP")[:2_000],
    "half.tif": _tiff_of_false_strips,
    "half.gif": lambda: encoded(picture(mode="P"), "GIF")[:20_000],
    "half.bmp": lambda: encoded(picture(), "BMP")[:100_000],
    "bomb.png": lambda: _png_header(60_000, 60_000),
    "large.png": lambda: _png_header(12_000, 9_000),
    "no-pixels.png": lambda: _png_header(640, 480),
    "false-size.jpg": lambda: _jpeg_of_false_size(3_200, 2_400),
    "tiny.jpg": lambda: encoded(picture((120, 90))),
    "one-pixel.png": lambda: encoded(picture((1, 1)), "PNG"),
    "strip.png": lambda: encoded(picture((4_000, 220)), "PNG"),
    "heavy.jpg": lambda: encoded(picture()) + bytes(41_000_000),
    "float.tif": lambda: encoded(Image.fromarray(np.full((480, 640), 0.5, np.float32)), "TIFF"),
    "deep.tif": lambda: encoded(Image.fromarray(np.full((480, 640), 1_000_000, np.int32)), "TIFF"),
    "half.heic": lambda: b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(400),
}
PLACES = ("missing.jpg", "folder.jpg", "pipe.jpg")
NAMES = (*BYTES, *PLACES)


def make(folder: Path, name: str) -> Path:
    """Put one of the bad inputs into ``folder`` and return its path."""
    path = folder / name
    if name in BYTES:
        path.write_bytes(BYTES[name]())
    elif name == "folder.jpg":
        path.mkdir()
    elif name == "pipe.jpg":
        os.mkfifo(path)
    return path
