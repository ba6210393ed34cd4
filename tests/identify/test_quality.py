"""Remarks about photos drawn by the test, where the fault and its size are known."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from identify import quality
from identify.model import Camera, Photo, Plane, Pose, Reference, Remark

SIZE = (1200, 900)


def scene(
    *,
    blur_px: float = 0.8,
    light: float = 1.0,
    shake_px: int = 0,
    part: tuple[int, int, int, int] = (420, 300, 360, 240),
) -> tuple[Photo, np.ndarray]:
    """A ribbed part on a grained bench, and the part's mask at a quarter of the size."""
    rng = np.random.default_rng(5)
    grey = rng.normal(165, 6, (SIZE[1], SIZE[0]))
    left, top, wide, high = part
    mask = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    cv2.rectangle(mask, (left, top), (left + wide, top + high), 1, -1)
    ribs = np.where(np.arange(SIZE[0]) // 12 % 2, 90.0, 60.0)
    rings = np.where(np.arange(SIZE[1]) // 12 % 2, 0.0, 45.0)
    grey = np.where(mask, ribs[None, :] + rings[:, None], grey)
    grey = cv2.GaussianBlur(grey * light, (0, 0), blur_px)
    if shake_px:
        grey = cv2.filter2D(grey, -1, np.full((1, shake_px), 1 / shake_px))
    rgb = np.repeat(np.clip(grey + rng.normal(0, 1.5, grey.shape), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo("drawn", "0" * 64, rgb, *SIZE, 26.0), mask[::4, ::4].astype(bool)


def kinds(remarks: tuple[Remark, ...]) -> set[str]:
    for remark in remarks:
        assert remark.text.endswith(".")
        assert remark.advice.endswith(".")
    return {remark.kind for remark in remarks}


def plane(*, tilt_deg: float = 5.0, distance_mm: float = 320.0, source: str = "EXIF") -> Plane:
    camera = Camera(900.0, (599.5, 449.5), 0.02, source)
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0, 0, distance_mm]), np.eye(7) * 1e-6)
    return Plane(camera, (pose,), tilt_deg, distance_mm)


def reference(left: float, top: float) -> Reference:
    square = np.array([[0, 0], [100, 0], [100, 60], [0, 60]], float)
    return Reference("card", "card", square + np.array([left, top]), 0.1)


def test_a_good_photo_gets_no_remark():
    photo, mask = scene()
    assert quality.assess(photo, part_mask=mask, reference=reference(50, 50), plane=plane()) == ()
    assert quality.assess(photo) == ()


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        ({"blur_px": 3.5}, "blur"),
        ({"blur_px": 6.0}, "blur"),
        ({"shake_px": 21}, "blur"),
        ({"light": 0.15}, "dark"),
        ({"light": 4.0}, "bright"),
        ({"part": (420, 300, 150, 120)}, "resolution"),
        ({"part": (-20, 300, 360, 240)}, "cut off"),
        ({"part": (900, 300, 360, 240)}, "cut off"),
    ],
)
def test_faults_of_the_part(fault, kind):
    photo, mask = scene(**fault)
    assert kind in kinds(quality.assess(photo, part_mask=mask))


def test_glare_is_the_share_of_white():
    photo, mask = scene()
    rgb = photo.rgb.copy()
    rgb[300:360, 420:780] = 255
    assert kinds(quality.assess(replace(photo, rgb=rgb), part_mask=mask)) == {"glare"}


def test_white_paper_around_the_part_is_no_glare():
    photo, mask = scene()
    full = cv2.resize(mask.astype(np.uint8), SIZE, interpolation=cv2.INTER_NEAREST).astype(bool)
    rgb = np.where(full[..., None], photo.rgb, 255).astype(np.uint8)
    assert kinds(quality.assess(replace(photo, rgb=rgb), part_mask=mask)) == set()


@pytest.mark.parametrize("sigma", [1.5, 2.0, 3.0, 4.0])
def test_edge_width_of_a_gaussian_blur(sigma):
    # A step blurred by a Gaussian has its steepest slope 1 / (sqrt(2 pi) s): elementary calculus.
    step = np.where(np.arange(400) < 200, 40.0, 200.0)[None].repeat(300, axis=0)
    blurred = cv2.GaussianBlur(step, (0, 0), sigma)
    width = quality.edge_width_px(np.repeat(np.round(blurred).astype(np.uint8)[..., None], 3, axis=2))
    want = math.sqrt(2 * math.pi * (sigma**2 + 0.6**2 + 0.5))  # the measuring blur and the Sobel filter add a little
    assert width == pytest.approx(want, rel=0.06)


def test_an_empty_picture_has_no_edge():
    assert quality.edge_width_px(np.full((300, 400, 3), 128, np.uint8)) is None


@pytest.mark.parametrize(
    ("seen", "kind"),
    [
        ({"tilt_deg": 34.0}, "tilt"),
        ({"distance_mm": 150.0}, "distance"),
        ({"distance_mm": 900.0}, "distance"),
        ({"source": "prior"}, "focal length"),
    ],
)
def test_faults_of_the_place_of_the_camera(seen, kind):
    photo, mask = scene()
    assert kinds(quality.assess(photo, part_mask=mask, plane=plane(**seen))) == {kind}


@pytest.mark.parametrize(("left", "top"), [(-3, 100), (100, -3), (1105, 100), (100, 845)])
def test_reference_that_runs_out_of_the_picture(left, top):
    photo, mask = scene()
    assert kinds(quality.assess(photo, part_mask=mask, reference=reference(left, top))) == {"cut off"}


def test_remarks_of_reference_and_plane_are_passed_on():
    photo, mask = scene()
    told = Remark("coin", "Several coins are in view.", "Take the others away.")
    seen = quality.assess(
        photo,
        part_mask=mask,
        reference=replace(reference(50, 50), remarks=(told,)),
        plane=replace(plane(), remarks=(Remark("sign", "The tilt is open.", "Shoot straight down."),)),
    )
    assert [remark.kind for remark in seen] == ["coin", "sign"]


def test_a_reduced_photo_is_judged_in_full_pixels():
    photo, mask = scene(part=(420, 300, 220, 140))
    half = replace(photo, rgb=photo.rgb[::2, ::2].copy(), reduced=2)
    wide = replace(half, width_px=2400, height_px=1800, rgb=photo.rgb)
    assert "resolution" in kinds(quality.assess(half, part_mask=mask))
    assert "resolution" not in kinds(quality.assess(wide, part_mask=mask))
