"""HEIC photos, decoded in a child process: the decoder is C code, and a damaged file can crash it.

A process that is itself a child that may crash decodes them by itself, which saves the start of another one and the
packing of the picture.

``python -m identify.heic < photo.heic > photo.tif`` is the child; it keeps no metadata but the focal length and the
size at which the photo was taken.
"""

from __future__ import annotations

import importlib.util
import io
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from identify.errors import PhotoError
from identify.model import Bytes

BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")  # ISO/IEC 23008-12
SECONDS = 60
MAX_PIXELS = 80_000_000
_TOO_LARGE = 3
_HERE = threading.Event()  # set where this process may crash
_EXIF_IFD, _KEPT = 0x8769, (0xA405, 0xA002, 0xA003)  # 35 mm equivalent, width, height


def is_heic(data: bytes) -> bool:
    """Whether the bytes begin as a HEIC file does."""
    return data[4:8] == b"ftyp" and data[8:12] in BRANDS


def as_tiff(data: bytes, called: str) -> bytes:
    """The upright picture of a HEIC file as an uncompressed TIFF.

    Raises
    ------
    PhotoError
        The optional reader is not installed, the file is damaged, or it has too many pixels.
    """
    _check_reader(called)
    code, tiff = _by_a_child(data, called)
    if code == _TOO_LARGE:
        raise _too_large(called)
    if code or not tiff:
        raise _damaged(called)
    return tiff


def decode_here() -> None:
    """Decode in this process from now on: it is one that may crash."""
    _HERE.set()


def decodes_here() -> bool:
    """Whether this process is one that may crash, so that :func:`picture` may be called."""
    return _HERE.is_set()


def picture(data: bytes, called: str, shrink: Callable[[Bytes], Bytes]) -> tuple[Bytes, tuple[int, int], Image.Exif]:
    """The upright picture of a HEIC file, its width and height [px], and the file's metadata.

    A damaged file can end this process.

    Parameters
    ----------
    shrink : makes the picture that is wanted of the whole one (H, W, 3).

    Raises
    ------
    PhotoError
        As :func:`as_tiff`.
    """
    _check_reader(called)
    import pi_heif

    exif = Image.Exif()
    try:
        pi_heif.options.DECODE_THREADS = 1  # several such processes share the processors, and threads cost more
        file = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
        if file.size[0] * file.size[1] > MAX_PIXELS:
            raise _too_large(called)
        exif.load(file.info["exif"] or b"")
        pixels = np.asarray(file if file.mode == "RGB" else file.to_pillow().convert("RGB"), np.uint8)
        wanted = shrink(pixels)
        # the decoder's memory is gone with ``file``
        return wanted.copy() if np.shares_memory(wanted, pixels) else wanted, file.size, exif
    except PhotoError:
        raise
    except Exception as why:  # whatever the decoder says of bytes that it can't read
        raise _damaged(called) from why


def _check_reader(called: str) -> None:
    if importlib.util.find_spec("pi_heif") is None:
        raise PhotoError(
            f"{called} is a HEIC photo and this installation reads none; run pip install 'tapwright[heic]', "
            "or set the phone's camera to JPEG."
        )


def _too_large(called: str) -> PhotoError:
    return PhotoError(f"{called} has too many pixels; the limit is {MAX_PIXELS / 1e6:.0f} MP, so shrink it first.")


def _damaged(called: str) -> PhotoError:
    return PhotoError(f"{called} is damaged: its picture breaks off or is corrupt; copy it from the camera again.")


def _by_a_child(data: bytes, called: str) -> tuple[int, bytes]:
    command = [sys.executable, "-m", "identify.heic"]
    here = os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    environment = os.environ | {"PYTHONPATH": here}
    try:
        done = subprocess.run(command, input=data, capture_output=True, timeout=SECONDS, check=False, env=environment)
    except subprocess.TimeoutExpired as why:
        raise PhotoError(f"{called} takes more than {SECONDS} s to decode; save it as a JPEG and try that.") from why
    return done.returncode, done.stdout


def _converted(data: bytes) -> tuple[int, bytes]:
    """0 and a TIFF, or the code of what is wrong."""
    import pi_heif

    pi_heif.register_heif_opener()
    with Image.open(io.BytesIO(data), formats=["HEIF"]) as image:
        if image.width * image.height > MAX_PIXELS:
            return _TOO_LARGE, b""
        taken = image.getexif().get_ifd(_EXIF_IFD)
        kept = Image.Exif()
        kept.get_ifd(_EXIF_IFD).update({tag: taken[tag] for tag in _KEPT if taken.get(tag)})
        out = io.BytesIO()
        image.convert("RGB").save(out, "TIFF", exif=kept.tobytes())  # as bytes, or the inner block is dropped
    return 0, out.getvalue()


def main() -> int:
    """Convert standard input to standard output."""
    code, tiff = _converted(sys.stdin.buffer.read())
    sys.stdout.buffer.write(tiff)
    return code


if __name__ == "__main__":
    sys.exit(main())
