"""No place, time, device or owner gets into the records, and the picture loses nothing."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageOps, PngImagePlugin

from identify import heic, photo
from identify.errors import PhotoError
from identify.records import pictures

PERSONAL = (b"Jane", b"Maker", b"Model", b"SERIAL", b"2026:05", b"http://ns.adobe.com", b"GPS", b"Picture 2")


def pixels(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("RGB"))


def told(data: bytes) -> dict[str, object]:
    """All Exif tags of a file, its inner blocks too."""
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        blocks = [0x8769, 0x8825] + [0xA005] * (0xA005 in exif.get_ifd(0x8769))  # the last one lies in the first
        inner = {f"{block:x}/{tag:x}": value for block in blocks for tag, value in exif.get_ifd(block).items()}
        return {f"{tag:x}": value for tag, value in exif.items() if tag != 0x8769} | inner


def with_blocks(data: bytes) -> bytes:
    """The same JPEG with XMP, a maker's block, a comment and a second picture behind its end, as phones write them."""

    def block(marker: int, body: bytes) -> bytes:
        return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body

    more = block(0xE1, b"http://ns.adobe.com/xap/1.0/\0<x>Jane</x>") + block(0xED, b"Photoshop 3.0\0Jane")
    more += block(0xE2, b"XYZ\0Jane") + block(0xE0, b"JFXX\0\x10Jane") + block(0xFE, b"Jane")
    return data[:2] + more + data[2:] + b"\xff\xd8 Picture 2 Jane \xff\xd9"


def test_a_phones_jpeg_keeps_its_picture_bit_by_bit_and_its_focal_length_only(jpeg):
    original = with_blocks(jpeg())
    assert sum(word in original for word in PERSONAL) >= 6
    assert told(original)["8825/2"]
    bare = pictures.cleaned(original)
    assert [word for word in PERSONAL if word in bare] == []
    assert told(bare) == {"112": 6, "8769/a405": 26}
    assert np.array_equal(pixels(bare), pixels(original))
    before, after = (photo.load(data) for data in (original, bare))
    assert (before.focal35_mm, before.rgb.shape) == (after.focal35_mm, after.rgb.shape) == (26.0, (320, 240, 3))
    assert np.array_equal(before.rgb, after.rgb)
    assert pictures.cleaned(bare) == bare


def test_a_phones_second_picture_is_left_behind(jpeg):
    out = io.BytesIO()
    with Image.open(io.BytesIO(jpeg())) as first, Image.open(io.BytesIO(jpeg(1))) as second:
        first.save(out, "MPO", save_all=True, append_images=[second], exif=first.getexif().tobytes(), quality=90)
        with Image.open(io.BytesIO(out.getvalue())) as both:
            assert (both.format, both.n_frames) == ("MPO", 2)
    bare = pictures.cleaned(out.getvalue())
    assert [word for word in PERSONAL if word in bare] == []
    assert bare.count(b"\xff\xd8\xff") == 1
    assert np.array_equal(pixels(bare), pixels(out.getvalue()))


@pytest.mark.parametrize(
    "how",
    [
        {"progressive": True},
        {"subsampling": 0, "optimize": True},
        {"restart_marker_blocks": 3},
        {"mode": "L"},
        {"mode": "CMYK"},
        {"quality": 100},
    ],
)
def test_every_kind_of_jpeg_keeps_its_picture(how):
    rng = np.random.default_rng(1)
    image = Image.fromarray(rng.integers(0, 255, (240, 320, 3), np.uint8)).convert(how.pop("mode", "RGB"))
    out = io.BytesIO()
    image.save(out, "JPEG", **how)
    bare = pictures.cleaned(with_blocks(out.getvalue()))
    assert b"Jane" not in bare
    assert np.array_equal(pixels(bare), pixels(out.getvalue()))


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "AVIF"])
def test_other_kinds_become_a_bare_jpeg_of_the_upright_picture(kind, jpeg):
    with Image.open(io.BytesIO(jpeg())) as source:
        exif = source.getexif()
        out = io.BytesIO()
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", "Jane")
        more = {"pnginfo": text} if kind == "PNG" else {}
        source.save(out, kind, exif=exif.tobytes(), **more)
    bare = pictures.cleaned(out.getvalue())
    assert [word for word in PERSONAL if word in bare] == []
    assert told(bare) in ({"8769/a405": 26}, {})
    off = np.abs(pixels(bare).astype(int) - pixels(out.getvalue()))
    assert pixels(bare).shape == (320, 240, 3)
    assert off.mean() < 2


def test_a_heic_photo_becomes_a_bare_jpeg(jpeg, monkeypatch):
    """The decoder itself has its own tests; here it hands over what it promises, a TIFF with the focal length."""
    with Image.open(io.BytesIO(jpeg())) as source:
        out = io.BytesIO()
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = 26
        ImageOps.exif_transpose(source).save(out, "TIFF", exif=exif.tobytes())
    monkeypatch.setattr(heic, "as_tiff", lambda data, called: out.getvalue())
    bare = pictures.cleaned(b"\0\0\0\x18ftypheic Jane")
    assert told(bare) == {"8769/a405": 26}
    assert pixels(bare).shape == (320, 240, 3)


@pytest.mark.parametrize("deep", [np.full((240, 320), 143 * 257, np.uint16), np.full((240, 320), 143, np.uint8)])
def test_deep_and_grey_pictures_keep_their_brightness(deep):
    out = io.BytesIO()
    Image.fromarray(deep).save(out, "PNG")
    assert pixels(pictures.cleaned(out.getvalue())).mean() == pytest.approx(143, abs=1)


def test_a_jpeg_not_laid_out_as_the_standard_says_is_coded_again(jpeg):
    original = jpeg()
    end = 4 + struct.unpack_from(">H", original, 4)[0]
    bare = pictures.cleaned(original[:end] + b"\0\0" + original[end:])  # stray bytes between two blocks
    assert [word for word in PERSONAL if word in bare] == []
    assert told(bare) == {"8769/a405": 26}
    assert np.abs(pixels(bare).astype(int) - pixels(original)).mean() < 2


@pytest.mark.parametrize("data", [b"", b"\xff\xd8", b"GIF89a", b"\xff\xd8\xff\xe0\xff\xff" + b"x" * 40])
def test_what_is_no_photo_is_one_sentence(data):
    with pytest.raises(PhotoError, match=r"can't be read, so it is not kept; save it as a JPEG"):
        pictures.cleaned(data)


def test_a_cut_off_photo_is_one_sentence(jpeg):
    with pytest.raises(PhotoError, match="not kept"):
        pictures.cleaned(jpeg(size=(1600, 1200))[:-4000])
