"""The tilt of a bench from its own texture, on drawn ones: projection of known planes is the truth."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from identify.geometry import normals
from identify.geometry.textures import STEP_DEG, WIDEST_DEG, look

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

SIZE_WH = (1024, 768)
FINE = 3  # times as fine as the picture is the one that it is averaged from
MIRROR = np.array([-1.0, -1.0, 1.0])
NOWHERE = np.array([[-9.0, -9], [-5, -9], [-5, -5]])


def photo_of(texture, camera, pose, mm_per_px=0.5):
    """A square texture (N, N), its middle at the bench's origin, as the camera sees it: (H, W, 3) uint8."""
    centre = [(SIZE_WH[0] * FINE - 1) / 2, (SIZE_WH[1] * FINE - 1) / 2]
    inner = np.array([[camera.focal_px * FINE, 0, centre[0]], [0, camera.focal_px * FINE, centre[1]], [0, 0, 1.0]])
    outer = np.column_stack([pose.rotation[:, 0], pose.rotation[:, 1], pose.translation_mm])
    half = len(texture) / 2
    to_mm = np.array([[mm_per_px, 0, -half * mm_per_px], [0, mm_per_px, -half * mm_per_px], [0, 0, 1.0]])
    size = (SIZE_WH[0] * FINE, SIZE_WH[1] * FINE)
    flags = cv2.INTER_LINEAR
    seen = cv2.warpPerspective(texture, inner @ outer @ to_mm, size, flags=flags, borderMode=cv2.BORDER_REFLECT)
    grey = np.clip(cv2.resize(seen, SIZE_WH, interpolation=cv2.INTER_AREA), 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def speckle(grain_mm, *, stretch=1.0, seed=5):
    """Blurred noise (2400, 2400), coarser along y by ``stretch``, half a millimetre a pixel."""
    noise = np.random.default_rng(seed).normal(0, 1, (2400, 2400)).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), sigmaX=2 * grain_mm, sigmaY=2 * grain_mm * stretch)
    return 128 + 35 * soft / soft.std()


def seen_by(tilt_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg)
    return replace(camera, centre_xy_px=((SIZE_WH[0] - 1) / 2, (SIZE_WH[1] - 1) / 2), focal_px=770.0), pose


@pytest.mark.parametrize(("tilt_deg", "grain_mm", "stretch"), [(15, 1.2, 1.0), (25, 0.8, 1.0), (25, 0.8, 2.5)])
def test_speckle_tells_the_tilt_from_its_mirror(tilt_deg, grain_mm, stretch):
    camera, pose = seen_by(tilt_deg)
    (found,) = look(photo_of(speckle(grain_mm, stretch=stretch), camera, pose), [camera])
    truth = pose.rotation[:, 2]
    near, mirrored = found.likelihood(np.stack([truth, truth * MIRROR]))
    assert near > 2
    assert near > 4 * mirrored
    place = np.unravel_index(np.argmax(found.log_likelihood), found.log_likelihood.shape)
    best = np.array(place) * STEP_DEG - WIDEST_DEG
    angle = tilt_deg / max(np.hypot(*truth[:2]), 1e-9) * truth[:2]
    assert np.hypot(*(best[::-1] - angle)) < 12


def test_a_plain_bench_says_nothing():
    camera, pose = seen_by(25)
    plain = 128 + np.random.default_rng(2).normal(0, 0.5, (2400, 2400)).astype(np.float32)
    assert look(photo_of(plain, camera, pose), [camera]) is None


def test_two_benches_in_one_picture_say_little():
    camera, pose = seen_by(0)
    texture = speckle(0.8)
    texture[:, :1200] = speckle(2.0, seed=6)[:, :1200]
    (found,) = look(photo_of(texture, camera, pose), [camera])
    level = found.likelihood(np.array([[0.0, 0.0, -1.0]]))
    assert level > 0.15  # a bench of two kinds looks like a tilted one: no tilt may be ruled out


def test_texture_counts_beside_how_cameras_are_held():
    camera, pose = seen_by(-25)  # towards the viewer: the unusual way
    prior = normals.likely(photo_of(speckle(0.8), camera, pose), replace(camera, focal_source="EXIF"), NOWHERE)
    truth = pose.rotation[:, 2]
    ways = np.stack([truth, truth * MIRROR])
    usual, told = normals.up_is_away(ways), prior(ways, 0.0)
    assert told[0] / told[1] > 4 * usual[0] / usual[1]
