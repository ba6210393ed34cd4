"""One photo from untrusted bytes: limits first, then an upright RGB picture and its focal length.

Nothing else of the file's metadata is read or kept: no place, no time, no owner.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import stat
import struct
import threading
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import (
    AvifImagePlugin,
    BmpImagePlugin,
    GifImagePlugin,
    Image,
    JpegImagePlugin,
    MpoImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from identify import heic
from identify.errors import PhotoError
from identify.model import Bytes, Photo

MAX_BYTES = 40_000_000
MAX_PIXELS = heic.MAX_PIXELS
MIN_SIDE_PX = 200
MAX_SIDES_RATIO = 4.0
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF", "AVIF")
# Importing a reader is what makes Pillow know its format.
_READERS = [AvifImagePlugin, BmpImagePlugin, GifImagePlugin, JpegImagePlugin]
_READERS += [MpoImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin]
SAID = "JPEG, PNG, WebP, TIFF, BMP, GIF or HEIC"

# Exif 3.0 (CIPA DC-008) tag numbers
_ORIENTATION, _EXIF_IFD, _FOCAL35, _EXIF_WIDTH, _EXIF_HEIGHT = 0x0112, 0x8769, 0xA405, 0xA002, 0xA003
_TURNS: dict[int, tuple[int | None, int | None]] = {  # orientation: (flip code, rotation), applied in this order
    2: (1, None),
    3: (None, cv2.ROTATE_180),
    4: (0, None),
    5: (1, cv2.ROTATE_90_COUNTERCLOCKWISE),
    6: (None, cv2.ROTATE_90_CLOCKWISE),
    7: (1, cv2.ROTATE_90_CLOCKWISE),
    8: (None, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
# What Pillow's readers raise on damaged bytes (its EXIF and PNG readers let the parser's own errors through).
_DAMAGE: tuple[type[Exception], ...] = (
    OSError, ValueError, SyntaxError, TypeError, KeyError, IndexError, AttributeError, EOFError, ArithmeticError,
    RuntimeError, MemoryError, struct.error, Image.DecompressionBombError, cv2.error,
)  # fmt: skip
# Decoders write to the process's standard error and Python's warning filters are global: one photo at a time.
_ONE_AT_A_TIME = threading.Lock()


def load(source: str | Path | bytes, *, name: str | None = None, reduced: int = 1, least_px: int = 0) -> Photo:
    """Read, check and decode one photo.

    Parameters
    ----------
    source : a path, or the bytes of the file.
    name : what to call the photo in results; the path where not given.
    reduced : 1, 2 or 4: decode to this fraction of the size (much faster for JPEG).
    least_px : decode less reduced where the picture's long side would become shorter than this [px].

    Raises
    ------
    PhotoError
        The file can't be read, is no picture of a known format, is damaged, or is too small, too large or too long.
    """
    if reduced not in (1, 2, 4):
        raise ValueError(f"reduced is {reduced}; it must be 1, 2 or 4.")
    named = name or ("photo" if isinstance(source, bytes) else str(source))
    called = named if named.isprintable() else ascii(named)  # no line break or escape code of a file name gets out
    data = _checked_bytes(source, called)
    digest = hashlib.sha256(data).hexdigest()
    if heic.is_heic(data):
        if heic.decodes_here():
            return _of_heic(data, called, (named, digest), reduced, least_px)
        data = heic.as_tiff(data, called)
    with _ONE_AT_A_TIME, warnings.catch_warnings(), _silenced() as said:
        warnings.simplefilter("ignore")
        with _opened(data, called) as image:
            width_px, height_px = image.size
            _check_size(width_px, height_px, called)
            turn = _turn(image)
            reduced = _reduction(reduced, max(image.size), least_px)
            focal35_mm, remarks = _focal35_mm(image.getexif, image.size)
            remarks += _first_frame_remark(image)
            rgb = _decoded(image, data, called, reduced, said)
            if image.format == "TIFF":  # turned while it was decoded
                width_px, height_px = image.size
    rgb = _upright(rgb, turn)
    if turn >= 5:
        width_px, height_px = height_px, width_px
    if reduced == 1:
        height_px, width_px = rgb.shape[:2]
    return Photo(named, digest, rgb, width_px, height_px, focal35_mm, reduced, remarks)


def _of_heic(data: bytes, called: str, known: tuple[str, str], reduced: int, least_px: int) -> Photo:
    """A HEIC photo decoded in this process; ``known`` are the name and the hash of the file."""

    def shrink(rgb: Bytes) -> Bytes:
        _check_size(rgb.shape[1], rgb.shape[0], called)
        return _shrunk(rgb, _reduction(reduced, max(rgb.shape[:2]), least_px))

    with _ONE_AT_A_TIME, warnings.catch_warnings(), _silenced():
        warnings.simplefilter("ignore")
        rgb, size_wh, exif = heic.picture(data, called, shrink)
    focal35_mm, remarks = _focal35_mm(lambda: exif, size_wh)
    return Photo(*known, rgb, *size_wh, focal35_mm, _reduction(reduced, max(size_wh), least_px), remarks)


def _reduction(reduced: int, long_side_px: int, least_px: int) -> int:
    while reduced > 1 and long_side_px < reduced * least_px:
        reduced //= 2
    return reduced


def _checked_bytes(source: str | Path | bytes, called: str) -> bytes:
    data = source if isinstance(source, bytes) else _file_bytes(Path(source), called)
    if len(data) > MAX_BYTES:
        raise PhotoError(f"{called} is larger than {MAX_BYTES / 1e6:.0f} MB; save it as a JPEG and try that.")
    if not data:
        raise PhotoError(f"{called} is empty (0 bytes); copy it from the camera again.")
    return data


def _file_bytes(path: Path, called: str) -> bytes:
    try:
        kind = path.stat().st_mode
        if stat.S_ISREG(kind):
            with path.open("rb") as file:
                return file.read(MAX_BYTES + 1)
    except FileNotFoundError as why:
        raise PhotoError(f"{called} does not exist; check the spelling and the folder.") from why
    except OSError as why:
        raise PhotoError(f"{called} can't be opened ({why.strerror}); check its permissions.") from why
    except ValueError as why:
        raise PhotoError(f"{called!r} is not a file name ({why}); check the spelling.") from why
    if stat.S_ISDIR(kind):
        raise PhotoError(f"{called} is a folder; name the photos in it, for example {path / '*.jpg'}.")
    raise PhotoError(f"{called} is not an ordinary file; save the photo as a file first.")


@contextlib.contextmanager
def _silenced() -> Iterator[Callable[[], bytes]]:
    """Keep the C decoders' complaints off the terminal; call what is yielded to read what they said so far.

    What another thread writes to standard error meanwhile is lost.
    """
    try:
        kept = os.dup(2)
    except OSError:  # no standard error at all: nothing to silence
        yield lambda: b""
        return
    heard, spoken = os.pipe()
    os.set_blocking(heard, False)
    os.set_blocking(spoken, False)  # a full pipe drops the rest instead of stopping the decoder
    os.dup2(spoken, 2)
    os.close(spoken)

    def said() -> bytes:
        with contextlib.suppress(BlockingIOError):
            return os.read(heard, 65536)
        return b""

    try:
        yield said
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(heard)


@contextlib.contextmanager
def _opened(data: bytes, called: str) -> Iterator[Image.Image]:
    """The picture behind the bytes, its header read and nothing decoded yet."""
    try:
        image = Image.open(io.BytesIO(data), formats=FORMATS)
    except Image.DecompressionBombError as why:
        raise PhotoError(f"{called} has too many pixels for a photo; the limit is {MAX_PIXELS / 1e6:.0f} MP.") from why
    except _DAMAGE as why:
        raise PhotoError(f"{called} is not a photo that can be read; save it as {SAID}.") from why
    with image:
        yield image


def _check_size(width: int, height: int, called: str) -> None:
    """Raise PhotoError where a picture of so many pixels is no photo of a part."""
    said = f"{called} is {width} × {height} px"
    if width * height > MAX_PIXELS:
        raise PhotoError(f"{said}; the limit is {MAX_PIXELS / 1e6:.0f} MP, so shrink it first.")
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"{said}, too small to see a part; each side must have {MIN_SIDE_PX} px, so send the original."
        )
    if max(width, height) > MAX_SIDES_RATIO * min(width, height):
        raise PhotoError(
            f"{said}, a strip more than {MAX_SIDES_RATIO:.0f} times as long as wide; take an ordinary photo."
        )


def _turn(image: Image.Image) -> int:
    """The Exif orientation still to be applied (1 = upright)."""
    try:
        turn = int(image.getexif().get(_ORIENTATION, 1))
    except _DAMAGE:
        turn = 1
    if image.format == "TIFF":  # Pillow turns TIFF by itself
        turn = 1
    return turn if turn in _TURNS else 1


def _focal35_mm(read: Callable[[], Image.Exif], size_wh: tuple[int, int]) -> tuple[float | None, tuple[str, ...]]:
    """The 35 mm equivalent focal length [mm] (Exif: 0 = unknown), not believed where the photo was cropped."""
    try:
        exif = read().get_ifd(_EXIF_IFD)
        focal = float(exif.get(_FOCAL35) or 0)
        shot = sorted((float(exif.get(_EXIF_WIDTH) or 0), float(exif.get(_EXIF_HEIGHT) or 0)))
    except _DAMAGE:
        return None, ()
    if not 5.0 <= focal <= 1000.0:
        return None, ()
    short, long = sorted(size_wh)
    if shot[0] > 0 and abs(shot[1] / shot[0] / (long / short) - 1) > 0.03:
        return None, ("The photo was cropped after it was taken, so its focal length no longer holds.",)
    return focal, ()


def _first_frame_remark(image: Image.Image) -> tuple[str, ...]:
    if image.format == "MPO":  # a phone's JPEG with a preview or depth map behind it
        return ()
    try:
        frames = getattr(image, "n_frames", 1)
    except _DAMAGE:
        frames = 1
    return (f"The file holds {frames} pictures; only the first one was used.",) if frames > 1 else ()


def _decoded(image: Image.Image, data: bytes, called: str, reduced: int, said: Callable[[], bytes]) -> Bytes:
    """RGB (H, W, 3) uint8 as stored, not turned yet."""
    try:
        if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
            rgb = _jpeg(data, reduced)
        else:
            if image.format == "PNG":
                Image.open(io.BytesIO(data)).verify()  # its checksums, which decoding skips
            rgb = _shrunk(_as_rgb(image, called), reduced)
    except PhotoError:
        raise
    except _DAMAGE:
        rgb = None
    if rgb is None or _is_corrupt(said()):
        raise PhotoError(f"{called} is damaged: its picture breaks off or is corrupt; copy it from the camera again.")
    return rgb


def _is_corrupt(complaints: bytes) -> bool:
    """Whether libjpeg lost its place; a few spare bytes before the end marker are a habit of some cameras."""
    spare = re.search(rb"(\d+) extraneous bytes before marker 0xd9", complaints)
    if spare:
        return int(spare[1]) >= 16
    return b"Corrupt JPEG" in complaints or b"Premature" in complaints


def _jpeg(data: bytes, reduced: int) -> Bytes | None:
    flags = {1: cv2.IMREAD_COLOR_RGB, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}[reduced]
    flags |= cv2.IMREAD_IGNORE_ORIENTATION
    if reduced == 1 and (whole := _jpeg_in_place(data, flags)) is not None:
        return whole
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if picture is None:
        return None
    if reduced > 1:
        picture = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
    return np.asarray(picture, np.uint8)


def _jpeg_in_place(data: bytes, flags: int) -> Bytes | None:
    """The picture decoded into an array of its own; None where the system has no files in memory.

    ``cv2.imdecode`` copies the picture into the array: for 12 megapixels half as much time again, and memory twice.
    """
    if not hasattr(os, "memfd_create"):
        return None
    with contextlib.suppress(OSError), os.fdopen(os.memfd_create("photo"), "wb") as file:
        file.write(data)
        file.flush()
        picture = cv2.imread(f"/proc/self/fd/{file.fileno()}", None, flags)
        return None if picture is None else np.asarray(picture, np.uint8)
    return None


def _shrunk(rgb: Bytes, reduced: int) -> Bytes:
    """Means of ``reduced`` × ``reduced`` pixels, the last row and column repeated where they don't fill up."""
    if reduced == 1:
        return rgb
    height, width = rgb.shape[:2]
    spare = (-height % reduced, -width % reduced)
    filled = np.pad(rgb, ((0, spare[0]), (0, spare[1]), (0, 0)), mode="edge") if any(spare) else rgb
    size = (filled.shape[1] // reduced, filled.shape[0] // reduced)
    return np.asarray(cv2.resize(filled, size, interpolation=cv2.INTER_AREA), np.uint8)


def _as_rgb(image: Image.Image, called: str) -> Bytes:
    """Any of Pillow's modes to RGB uint8: 16-bit by its high byte's share, transparency on white."""
    if image.mode.startswith("I"):
        deep = np.asarray(image).astype(np.int64)
        if deep.min() < 0 or deep.max() > 65535:
            raise PhotoError(f"{called} holds {image.mode} pixels beyond 16 bits; save it as an 8-bit picture.")
        grey = deep if image.mode == "I" and deep.max() <= 255 else (deep + 128) // 257
        return np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)
    if image.mode == "F":
        raise PhotoError(f"{called} holds floating-point pixels; save it as an 8-bit picture.")
    if image.mode in ("RGBA", "RGBa", "LA", "La", "PA") or "transparency" in image.info:
        clear = image.convert("RGBA")
        image = Image.alpha_composite(Image.new("RGBA", clear.size, "white"), clear)
    return np.array(image.convert("RGB"), np.uint8)


def _upright(rgb: Bytes, turn: int) -> Bytes:
    flip, rotation = _TURNS.get(turn, (None, None))
    if flip is not None:
        rgb = np.asarray(cv2.flip(rgb, flip), np.uint8)
    if rotation is not None:
        rgb = np.asarray(cv2.rotate(rgb, rotation), np.uint8)
    return rgb
