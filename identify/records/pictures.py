"""Photos without what they tell of people: place, time, device, owner, previews and trailing files are left out.

A JPEG keeps its picture bit by bit and loses every block that is not needed to decode it; other kinds become JPEG.
Only the turn, the 35 mm equivalent of the focal length and the size as taken are kept (Exif 3.0, CIPA DC-008).
"""

from __future__ import annotations

import hashlib
import io
import struct
import threading
import warnings

import numpy as np
from PIL import Image, ImageOps

from identify import heic
from identify.errors import PhotoError

QUALITY = 95
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF", "AVIF")
_ORIENTATION, _EXIF_IFD, _KEPT = 0x0112, 0x8769, (0xA405, 0xA002, 0xA003)
_SOI, _EOI, _SOS, _EXIF_HEAD = b"\xff\xd8", 0xD9, 0xDA, b"Exif\x00\x00"
_JFIF = b"\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"  # no thumbnail
_ADOBE, _ADOBE_LENGTH = 0xEE, 14
_TO_DECODE = {*range(0xC0, 0xD0), 0xDA, 0xDB, 0xDC, 0xDD}  # frames, tables, scans, restarts (ITU-T T.81, table B.1)
# What Pillow's readers raise on damaged bytes.
_DAMAGE: tuple[type[Exception], ...] = (
    OSError, ValueError, SyntaxError, TypeError, KeyError, IndexError, AttributeError, struct.error,
    ArithmeticError, EOFError, RuntimeError, MemoryError, Image.DecompressionBombError,
)  # fmt: skip
_ONE_AT_A_TIME = threading.Lock()  # Python's warning filters are global


def sha256(data: bytes) -> str:
    """The name under which a photo is kept: the hash of its original bytes."""
    return hashlib.sha256(data).hexdigest()


def cleaned(data: bytes) -> bytes:
    """A JPEG of the photo that says nothing of place, time, device or owner.

    Raises
    ------
    PhotoError
        The bytes are no photo that can be read.
    """
    try:
        with _ONE_AT_A_TIME, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _cleaned(heic.as_tiff(data, "The photo") if heic.is_heic(data) else data)
    except PhotoError:
        raise
    except _DAMAGE as why:
        raise PhotoError("The photo can't be read, so it is not kept; save it as a JPEG and try that.") from why


def _cleaned(data: bytes) -> bytes:
    with Image.open(io.BytesIO(data), formats=FORMATS) as image:
        if image.width * image.height > heic.MAX_PIXELS:
            raise PhotoError(f"The photo has more than {heic.MAX_PIXELS / 1e6:.0f} MP; shrink it first.")
        exif = _kept_exif(image)
        if image.format in ("JPEG", "MPO"):
            try:
                bare = _stripped(data, exif.tobytes() if len(exif) or exif.get_ifd(_EXIF_IFD) else b"")
                with Image.open(io.BytesIO(bare), formats=["JPEG"]) as again:
                    same = again.size == image.size
                    again.draft(None, (1, 1))  # an eighth of the size: all of the scans is read, and little computed
                    again.load()
                    if same:
                        return bare
            except _DAMAGE:
                pass  # not laid out as the standard says: decoded and coded again
        return _coded_again(image, exif)


def _kept_exif(image: Image.Image) -> Image.Exif:
    told = image.getexif()
    turn, taken = _whole(told.get(_ORIENTATION)), told.get_ifd(_EXIF_IFD)
    kept = Image.Exif()
    if 2 <= turn <= 8:
        kept[_ORIENTATION] = turn
    for tag in _KEPT:
        value = _whole(taken.get(tag))
        if 0 < value < 65536:
            kept.get_ifd(_EXIF_IFD)[tag] = value
    return kept


def _whole(value: object) -> int:
    try:
        return round(float(value))  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError, ZeroDivisionError):
        return 0


def _stripped(data: bytes, exif: bytes) -> bytes:
    """The blocks of a JPEG that decoding needs, up to its end marker; what follows it (a second picture) is left."""
    if data[:2] != _SOI:
        raise ValueError("no JPEG")
    kept: list[bytes] = []
    jfif, at = b"", 2
    while True:
        at, marker = _marker(data, at)
        if marker == _EOI:
            break
        (length,) = struct.unpack_from(">H", data, at)
        block = data[at : at + length]
        if marker == 0xE0 and block[2:7] == b"JFIF\x00":
            jfif = _JFIF
        elif marker == _ADOBE and block[2:7] == b"Adobe" and length >= _ADOBE_LENGTH:
            kept.append(b"\xff\xee" + struct.pack(">H", _ADOBE_LENGTH) + block[2:_ADOBE_LENGTH])
        elif marker in _TO_DECODE:
            kept.append(bytes([0xFF, marker]) + block)
        at += length
        if marker == _SOS:
            end = _scan_end(data, at)
            kept.append(data[at:end])
            at = end
    head = b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif if exif else b""
    return b"".join([_SOI, jfif, head, *kept, b"\xff\xd9"])


def _marker(data: bytes, at: int) -> tuple[int, int]:
    """Place behind the next marker, and the marker; fill bytes before it are passed over."""
    if data[at] != 0xFF:
        raise ValueError("no marker")
    while data[at] == 0xFF:
        at += 1
    return at + 1, data[at]


def _scan_end(data: bytes, at: int) -> int:
    """Where coded data end: at a marker that is neither a stuffed byte nor a restart."""
    while True:
        at = data.index(b"\xff", at)
        following = data[at + 1]
        if following != 0x00 and not 0xD0 <= following <= 0xD7:
            return at
        at += 2


def _coded_again(image: Image.Image, exif: Image.Exif) -> bytes:
    image.seek(0)
    upright = ImageOps.exif_transpose(image)
    if _ORIENTATION in exif:
        del exif[_ORIENTATION]
    out = io.BytesIO()
    block = exif.tobytes() if exif.get_ifd(_EXIF_IFD) else b""
    bare = _rgb(upright)
    bare.info.clear()  # else comments and blocks of the original are written again
    bare.save(out, "JPEG", quality=QUALITY, subsampling=0, exif=block)
    return out.getvalue()


def _rgb(image: Image.Image) -> Image.Image:
    """Any of Pillow's modes as RGB: 16 bits by their share, transparency on white."""
    if image.mode.startswith("I"):
        deep = np.asarray(image).astype(np.int64)
        grey = deep if image.mode == "I" and deep.max() <= 255 else (deep + 128) // 257
        return Image.fromarray(np.clip(grey, 0, 255).astype(np.uint8)).convert("RGB")
    if image.mode in ("RGBA", "RGBa", "LA", "La", "PA") or "transparency" in image.info:
        clear = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", clear.size, "white"), clear)
    return image.convert("RGB")
