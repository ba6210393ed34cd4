"""Reading photos. Orientation against Pillow's own exif_transpose; 16-bit and CMYK values by hand."""

from __future__ import annotations

import base64
import importlib.util
import os
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from identify import heic, photo
from identify.errors import PhotoError


def _neighbour(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


bad_inputs = _neighbour("bad_inputs")
encoded, picture = bad_inputs.encoded, bad_inputs.picture


def exif(**tags: object) -> Image.Exif:
    """Metadata as a phone writes it, with a place and an owner."""
    data = Image.Exif()
    data[0x0112] = tags.get("orientation", 1)
    data[0x013B] = "Jane Owner"
    inner = data.get_ifd(0x8769)
    if "focal35" in tags:
        inner[0xA405] = tags["focal35"]
    if "shot" in tags:
        inner[0xA002], inner[0xA003] = tags["shot"]
    data.get_ifd(0x8825).update({1: "S", 2: (33.0, 55.0, 31.2), 3: "E", 4: (18.0, 25.0, 26.4)})
    return data


@pytest.mark.parametrize("name", bad_inputs.NAMES)
def test_bad_input_is_one_sentence(name, tmp_path, capfd):
    path = bad_inputs.make(tmp_path, name)
    with pytest.raises(PhotoError) as caught:
        photo.load(path)
    said = str(caught.value)
    assert said.startswith(str(path))
    assert said.endswith(".")
    assert "\n" not in said
    assert capfd.readouterr() == ("", "")


def test_there_are_thirty_bad_inputs():
    assert len(bad_inputs.NAMES) >= 30


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_once(kind, orientation):
    options = {"lossless": True} if kind == "WEBP" else {}
    data = encoded(picture(), kind, exif=exif(orientation=orientation), **options)
    with Image.open(bad_inputs.io.BytesIO(data)) as image:
        want = np.asarray(ImageOps.exif_transpose(image).convert("RGB"), int)
    got = photo.load(data)
    assert got.rgb.shape == want.shape
    assert (got.width_px, got.height_px) == (want.shape[1], want.shape[0])
    assert np.abs(got.rgb - want).mean() < 0.5


@pytest.mark.parametrize("reduced", [2, 4])
@pytest.mark.parametrize(("kind", "orientation"), [("JPEG", 1), ("JPEG", 6), ("PNG", 1), ("PNG", 8)])
def test_reduced_picture_agrees_with_the_area_mean(kind, orientation, reduced):
    data = encoded(
        picture((642, 486) if orientation == 1 else (640, 480)), kind, quality=95, exif=exif(orientation=orientation)
    )
    full, less = photo.load(data), photo.load(data, reduced=reduced)
    assert (less.width_px, less.height_px) == (full.width_px, full.height_px)
    assert less.rgb.shape[0] == -(-full.height_px // reduced)
    whole = full.rgb[: 480 // reduced * reduced, :480].astype(float)
    blocks = whole.reshape(len(whole) // reduced, reduced, 480 // reduced, reduced, 3).mean(axis=(1, 3))
    inner = less.rgb[: blocks.shape[0], : blocks.shape[1]]
    assert np.abs(inner - blocks)[4:-4, 4:-4].mean() < 1.0


@pytest.mark.parametrize(("least_px", "factor"), [(0, 4), (160, 4), (161, 2), (320, 2), (321, 1), (5000, 1)])
def test_a_picture_is_not_reduced_below_what_is_needed(least_px, factor):
    data = encoded(picture((640, 480)), "JPEG", exif=exif(orientation=6))
    less = photo.load(data, reduced=4, least_px=least_px)
    assert (less.reduced, max(less.rgb.shape)) == (factor, 640 // factor)
    assert (less.width_px, less.height_px) == (480, 640)


@pytest.mark.parametrize(
    ("make", "want"),
    [
        (lambda: encoded(Image.fromarray(np.full((300, 400), 257 * 143, np.uint16)), "PNG"), (143, 143, 143)),
        (lambda: encoded(Image.fromarray(np.full((300, 400), 257 * 143, np.uint16)), "TIFF"), (143, 143, 143)),
        (lambda: encoded(Image.new("RGBA", (400, 300), (0, 0, 0, 51)), "PNG"), (204, 204, 204)),
        (lambda: encoded(Image.new("LA", (400, 300), (0, 0)), "PNG"), (255, 255, 255)),
        (lambda: encoded(Image.new("1", (400, 300), 1), "PNG"), (255, 255, 255)),
        (lambda: encoded(Image.new("L", (400, 300), 90), "PNG"), (90, 90, 90)),
        (lambda: encoded(Image.new("L", (400, 300), 90), "JPEG"), (90, 90, 90)),
        (lambda: encoded(Image.new("RGB", (400, 300), (200, 90, 10)).convert("P"), "PNG"), (200, 90, 10)),
        (lambda: encoded(Image.new("CMYK", (400, 300), (0, 0, 0, 155)), "JPEG"), (100, 100, 100)),
        (lambda: encoded(Image.new("RGB", (400, 300), (200, 90, 10)), "BMP"), (200, 90, 10)),
        (lambda: encoded(Image.new("RGB", (400, 300), (200, 90, 10)), "AVIF", quality=95), (200, 90, 10)),
    ],
    ids=["16-bit-png", "16-bit-tiff", "rgba", "la", "1-bit", "grey-png", "grey-jpeg", "palette", "cmyk", "bmp", "avif"],
)
def test_colour_modes(make, want):
    got = photo.load(make())
    assert got.rgb.dtype == np.uint8
    assert got.rgb.reshape(-1, 3).mean(axis=0) == pytest.approx(want, abs=8 if want == (200, 90, 10) else 1.5)


@pytest.mark.parametrize(
    ("tags", "focal"),
    [
        ({"focal35": 26}, 26.0),
        ({"focal35": 0}, None),  # Exif 3.0: 0 means unknown
        ({"focal35": 60000}, None),
        ({}, None),
        ({"focal35": 26, "shot": (4000, 3000)}, 26.0),
        ({"focal35": 26, "shot": (3000, 4000)}, 26.0),
        ({"focal35": 26, "shot": (4000, 2250)}, None),
    ],
)
def test_focal_length(tags, focal):
    got = photo.load(encoded(picture(), exif=exif(**tags)))
    assert got.focal35_mm == focal
    assert bool(got.remarks) == (tags.get("shot") == (4000, 2250))


def test_broken_metadata_does_not_stop_a_good_picture():
    data = encoded(picture(), exif=exif(focal35=26))
    at = data.index(b"Exif\0\0") + 10
    got = photo.load(data[:at] + b"\xff" * 40 + data[at + 40 :])
    assert got.rgb.shape == (480, 640, 3)


def test_no_place_or_person_is_kept():
    got = photo.load(encoded(picture(), exif=exif(focal35=26)), name="a.jpg")
    said = " ".join(str(getattr(got, key)) for key in ("file", "sha256", "focal35_mm", "remarks"))
    assert "Jane" not in said
    assert "33.0" not in said
    assert not hasattr(got, "exif")


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP"])
def test_animation_gives_its_first_frame_and_a_remark(kind):
    first, second = Image.new("RGB", (400, 300), "red"), Image.new("RGB", (400, 300), "blue")
    got = photo.load(encoded(first, kind, save_all=True, append_images=[second]))
    assert got.rgb[..., 0].mean() > 240
    assert got.rgb[..., 2].mean() < 15
    assert got.remarks == ("The file holds 2 pictures; only the first one was used.",)


def test_phone_jpeg_with_a_second_picture_behind_it_is_ordinary():
    data = encoded(picture(), "MPO", save_all=True, append_images=[picture((320, 240))])
    got = photo.load(data)
    assert got.rgb.shape == (480, 640, 3)
    assert got.remarks == ()


def test_bytes_behind_the_end_do_no_harm(capfd):
    data = encoded(picture())
    assert photo.load(data + b"trailing rubbish").rgb.shape == (480, 640, 3)
    assert photo.load(data[:-2] + bytes(9) + data[-2:]).rgb.shape == (480, 640, 3)
    assert capfd.readouterr().err == ""


# 320 x 240 px, left half blue, right half orange, made by the test's author; its container (irot) and its Exif both
# ask for a quarter turn clockwise, as phones write it: ISO/IEC 23008-12 says that the container's turn is the one.
HEIC = """
AAAAHGZ0eXBoZWljAAAAAG1pZjFoZWljbWlhZgAAAaFtZXRhAAAAAAAAACFoZGxyAAAAAAAAAABwaWN0AAAAAAAAAAAAAAAAAAAA
ADRpbG9jAAAAAERAAAIAAQAAAAABxQABAAAAAAAAAEkAAgAAAAACDgABAAAAAAAAAEIAAAA4aWluZgAAAAAAAgAAABVpbmZlAgAA
AAABAABodmMxAAAAABVpbmZlAgAAAQACAABFeGlmAAAAAA5waXRtAAAAAAABAAAA4GlwcnAAAADAaXBjbwAAAHhodmNDAQNwAAAA
kAAAAAAAPPAA/P34+AAADwNgAAEAGEABDAH//wNwAAADAJAAAAMAAAMAPLoCQGEAAQArQgEBA3AAAAMAkAAAAwAAAwA8oAoIDxZb
qSSmubgIaDAgAAADAyAAAAMAIWIAAQAHRAHBcrBiQAAAABNjb2xybmNseAABAA0ABoAAAAAUaXNwZQAAAAAAAAFAAAAA8AAAABBw
aXhpAAAAAAMICAgAAAAJaXJvdAMAAAAYaXBtYQAAAAAAAAABAAEFgQIDBIUAAAAaaXJlZgAAAAAAAAAOY2RzYwACAAEAAQAAAJNt
ZGF0AAAARSgBrwtIaEke+sbB1//7oyt8OVH3je0yxRUilr5HrxY/wHq7z6b5sBoBmahvxUF+fn5WQMCTCkMWc4AkIIcAABmxIAAV
cAAAAAZFeGlmAABNTQAqAAAACAACARIAAwAAAAEABgAAh2kABAAAAAEAAAAmAAAAAAABpAUAAwAAAAEAGgAAAAAAAA==
"""


def test_heic_is_turned_once_and_keeps_its_focal_length():
    pytest.importorskip("pi_heif", reason="the heic extra is not installed")
    got = photo.load(base64.b64decode(HEIC))
    assert (got.width_px, got.height_px, got.focal35_mm) == (240, 320, 26.0)
    assert got.rgb[40, 120].astype(int) == pytest.approx((20, 60, 200), abs=6)
    assert got.rgb[280, 120].astype(int) == pytest.approx((200, 90, 10), abs=6)
    assert photo.load(base64.b64decode(HEIC), reduced=2).rgb.shape == (160, 120, 3)


def test_heic_decoded_here_or_by_a_child_is_one_photo(monkeypatch):
    pytest.importorskip("pi_heif", reason="the heic extra is not installed")
    data = base64.b64decode(HEIC)
    for reduced in (1, 2):
        by_a_child = photo.load(data, reduced=reduced)
        monkeypatch.setattr(heic, "decodes_here", lambda: True)
        here = photo.load(data, reduced=reduced)
        monkeypatch.undo()
        assert (here.rgb == by_a_child.rgb).all()
        for name in ("file", "sha256", "width_px", "height_px", "focal35_mm", "reduced", "remarks"):
            assert getattr(here, name) == getattr(by_a_child, name)
    monkeypatch.setattr(heic, "decodes_here", lambda: True)
    with pytest.raises(PhotoError, match=r"a\.heic is damaged"):
        photo.load(data[:-40], name="a.heic")
    monkeypatch.setattr(heic, "MAX_PIXELS", 1000)
    with pytest.raises(PhotoError, match="too many pixels"):
        photo.load(data, name="a.heic")


def test_a_heic_file_that_crashes_its_decoder_is_one_sentence(capfd):
    # an item type that is no text: the reader's C code (libheif 1.23.0, pi_heif 1.4.0) dies of it
    pytest.importorskip("pi_heif", reason="the heic extra is not installed")
    data = bytearray(base64.b64decode(HEIC))
    data[data.index(b"Exif")] = 0xE6
    with pytest.raises(PhotoError, match=r"a\.heic is damaged"):
        photo.load(bytes(data), name="a.heic")
    assert capfd.readouterr() == ("", "")


def test_heic_without_its_reader_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pi_heif", None)
    with pytest.raises(PhotoError, match=r"pip install 'tapwright\[heic\]'"):
        photo.load(base64.b64decode(HEIC), name="a.heic")


def test_one_photo_may_be_read_by_several_threads(capfd):
    good, bad = encoded(picture()), bad_inputs.BYTES["hole.jpg"]()
    seen: list[str] = []

    def read(data: bytes) -> None:
        for _ in range(10):
            try:
                photo.load(data)
                seen.append("good")
            except PhotoError:
                seen.append("bad")

    threads = [threading.Thread(target=read, args=(data,)) for data in (good, bad, good, bad)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(seen) == ["bad"] * 20 + ["good"] * 20
    assert capfd.readouterr().err == ""


def test_same_bytes_same_hash():
    data = encoded(picture())
    assert photo.load(data).sha256 == photo.load(data).sha256
    assert len(photo.load(data).sha256) == 64
    with pytest.raises(ValueError, match="reduced is 3"):
        photo.load(data, reduced=3)


@pytest.mark.parametrize("name", ["two\nlines.jpg", "red\x1b[31m.jpg", "cut\udcff.jpg"])
def test_an_odd_file_name_stays_on_its_line(name):
    with pytest.raises(PhotoError) as caught:
        photo.load(b"", name=name)
    assert str(caught.value).isprintable()
    assert photo.load(encoded(picture()), name=name).file == name


PHOTOS = Path(os.environ.get("TAPWRIGHT_PHOTOS", Path(__file__).parents[3] / "shared" / "photos"))


@pytest.mark.parametrize("name", ["coins_full/1e_IMG_4199.jpg", "coins_full/mixed_test_1.jpg", "chessboard/left01.jpg"])
@pytest.mark.parametrize("reduced", [1, 4])
def test_real_photos_agree_with_another_decoder(name, reduced):
    path = PHOTOS / name
    if not path.is_file():
        pytest.skip(f"{name} is not at hand; set TAPWRIGHT_PHOTOS to the folder of real photos")
    got = photo.load(path, reduced=reduced)
    with Image.open(path) as image:
        want = ImageOps.exif_transpose(image).convert("RGB")
    assert (got.width_px, got.height_px) == want.size
    small = want.resize(got.rgb.shape[1::-1], Image.Resampling.BOX)
    assert np.abs(got.rgb.astype(int) - np.asarray(small, int)).mean() < 1.5
