"""Photos to time a survey with: rendered pictures saved again in a phone's sizes and formats, no two files the same.

Each file is one of a few pictures with a remark of its own behind its head, so that its hash is new to the survey
although its pixels are not.
"""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

PICTURES = Path(__file__).resolve().parents[1] / "tests" / "evaluation" / "images"
QUALITY = 88
ROOM = 8  # photos a room
KINDS = 10  # the mix repeats after so many photos


@dataclass(frozen=True, slots=True)
class Kind:
    """A size and a format, and how many of ten photos are of it."""

    name: str
    size_wh: tuple[int, int]
    ending: str
    of_ten: int


MIX = (
    Kind("12 MP JPEG", (4032, 3024), ".jpg", 4),
    Kind("7 MP JPEG", (3000, 2250), ".jpg", 2),
    Kind("2 MP JPEG", (1600, 1200), ".jpg", 2),
    Kind("0.8 MP JPEG", (1024, 768), ".jpg", 1),
    Kind("12 MP HEIC", (4032, 3024), ".heic", 1),
)
WALL = Kind("12 MP JPEG of a wall", (4032, 3024), ".jpg", 0)


def base(kind: Kind, pictures: int) -> list[bytes]:
    """Files of so many pictures; none where this machine can't write the format (HEIC: Debian's libheif-examples)."""
    if kind is WALL:
        return [_jpeg(Image.new("RGB", kind.size_wh, (200, 196, 188)))]
    images = [
        Image.open(path).convert("RGB").resize(kind.size_wh) for path in sorted(PICTURES.glob("*.jpg"))[:pictures]
    ]
    return [_jpeg(image) for image in images] if kind.ending == ".jpg" else list(_heic(images[: max(1, pictures // 4)]))


def _jpeg(image: Image.Image) -> bytes:
    file = io.BytesIO()
    image.save(file, "JPEG", quality=QUALITY)
    return file.getvalue()


def _heic(images: list[Image.Image]) -> Iterator[bytes]:
    encoder = shutil.which("heif-enc")
    if encoder is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        for image in images:
            drawn, made = Path(folder) / "p.jpg", Path(folder) / "p.heic"
            drawn.write_bytes(_jpeg(image))
            subprocess.run([encoder, "-q", "50", "-o", str(made), str(drawn)], check=True, capture_output=True)
            yield made.read_bytes()


def remarked(data: bytes, remark: str) -> bytes:
    """The same picture in another file: a JPEG comment (ITU-T T.81, B.2.4.5), or a free box (ISO/IEC 14496-12, 8.1.2).

    Examples
    --------
    >>> remarked(bytes.fromhex("ffd8ffdb"), "no. 1").hex(" ")
    'ff d8 ff fe 00 07 6e 6f 2e 20 31 ff db'
    """
    text = remark.encode("ascii")
    if data.startswith(b"\xff\xd8"):
        return data[:2] + b"\xff\xfe" + struct.pack(">H", len(text) + 2) + text + data[2:]
    return data + struct.pack(">I4s", len(text) + 8, b"free") + text


def lay_out(folder: Path, count: int, bases: dict[Kind, list[bytes]], first: int = 0) -> None:
    """Write ``count`` photos of the mix in rooms; a kind that has no files is left to the first kind."""
    order = [kind for kind in bases for _ in range(kind.of_ten)] or list(bases)
    for number in range(first, first + count):
        kind = order[number * 7 % len(order)]  # the kinds take turns instead of coming in runs
        files = bases[kind] or bases[next(iter(bases))]
        ending = kind.ending if bases[kind] else next(iter(bases)).ending
        room = folder / str(number // 200) / str(number // ROOM)
        room.mkdir(parents=True, exist_ok=True)
        data = files[number // len(order) % len(files)]
        (room / f"{number:06d}{ending}").write_bytes(remarked(data, f"photo {number}"))
