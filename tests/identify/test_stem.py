"""Stems seen end-on: drawn faces with teeth of known number, and shapes that have none."""

import math

import cv2
import numpy as np
import pytest

from identify import dimensions
from identify.dimensions import standing, stem
from identify.geometry.camera import focal_px_from_35mm, project
from identify.model import Camera, NotMeasured, Outline, Photo, Plane, Pose

WIDTH_PX, HEIGHT_PX = 4000, 3000
END_MM = 66.0
FINER = 4  # drawn this much larger, then averaged


def regular_xy(corners: int, across_flats_mm: float) -> np.ndarray:
    turn = 2 * np.pi * np.arange(corners) / corners + 0.2
    reach = across_flats_mm / 2 / math.cos(math.pi / corners)
    return reach * np.column_stack([np.cos(turn), np.sin(turn)])


def splined_xy(teeth: int, diameter_mm: float) -> np.ndarray:
    """Trapezoid teeth (ISO 14's straight sides, not its sizes), as high as they are wide but 0.6 mm at most."""
    high = min(0.6, 0.45 * np.pi * diameter_mm / teeth)
    turn = 2 * np.pi * (np.arange(teeth)[:, None] + np.array([0.0, 0.3, 0.5, 0.8])).ravel() / teeth
    radius = diameter_mm / 2 - np.tile([0.0, 0.0, high, high], teeth)
    return radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def over_the_bench(tilt_deg: float, distance_mm: float) -> tuple[Camera, Pose]:
    tilt = math.radians(tilt_deg)
    turned = np.array([[1, 0, 0], [0, -math.cos(tilt), math.sin(tilt)], [0, -math.sin(tilt), -math.cos(tilt)]])
    focal_px = focal_px_from_35mm(26.0, WIDTH_PX, HEIGHT_PX)
    camera = Camera(focal_px, ((WIDTH_PX - 1) / 2, (HEIGHT_PX - 1) / 2), 0.02, "EXIF")
    return camera, Pose(turned, np.array([0.0, 0.0, distance_mm]), np.eye(7) * 1e-8)


def drawn(
    section_xy: np.ndarray, camera: Camera, pose: Pose, *, seed: int, bored: bool, blur_px: float, noise: float
) -> Photo:
    """A stem of one section, 14 mm of its sides, on a round body: light face, darker sides, grey body."""
    rng = np.random.default_rng(seed)
    middle = project(camera, pose, np.array([[0.0, 0.0, END_MM]]))[0]
    corner = np.round(middle - 320).astype(int)
    patch = np.full((640 * FINER, 640 * FINER), 0.35, np.float32)

    def fill(xy: np.ndarray, height_mm: float, value: float) -> None:
        at = project(camera, pose, np.column_stack([xy, np.full(len(xy), height_mm)])) - corner
        cv2.fillPoly(patch, [np.round(((at + 0.5) * FINER - 0.5) * 16).astype(np.int32)], value, shift=4)

    fill(regular_xy(200, 22.0), END_MM - 14, 0.25)
    for down in np.arange(14.0, 0.2, -0.25):
        fill(section_xy, END_MM - down, 0.12 + 0.004 * down)
    fill(section_xy, END_MM, 0.55)
    if bored:
        fill(regular_xy(60, 4.0), END_MM, 0.08)
    small = cv2.resize(patch, None, fx=1 / FINER, fy=1 / FINER, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur_px)
    small *= np.linspace(0.8, 1.2, 640, dtype=np.float32)[None, :]  # light from one side
    coded = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.maximum(small, 1e-6) ** (1 / 2.4) - 0.055)
    coded += rng.normal(0, noise, small.shape)
    rgb = np.full((HEIGHT_PX, WIDTH_PX, 3), 160, np.uint8)
    rgb[corner[1] : corner[1] + 640, corner[0] : corner[0] + 640] = np.clip(coded * 255, 0, 255)[..., None]
    return Photo("drawn", "0" * 64, rgb, WIDTH_PX, HEIGHT_PX, 26.0)


def read(section_xy: np.ndarray, seed: int, distance_mm: float, *, blur_px: float = 1.0, noise: float = 0.012):
    rng = np.random.default_rng([9, seed])
    camera, pose = over_the_bench(float(rng.uniform(0, 12)), distance_mm)
    photo = drawn(section_xy, camera, pose, seed=seed, bored=seed % 2 == 0, blur_px=blur_px, noise=noise)
    return stem.read(photo, camera, pose, rng.normal(0, 0.5, 2), u_size_rel=0.001)


@pytest.mark.parametrize(
    ("teeth", "diameter_mm"), [(8, 8.0), (12, 7.5), (18, 8.0), (20, 7.5), (21, 9.0), (24, 8.5), (28, 9.0), (36, 9.5)]
)
def test_teeth_are_counted_and_measured(teeth: int, diameter_mm: float) -> None:
    found = read(splined_xy(teeth, diameter_mm), teeth, 260.0)
    assert not isinstance(found, NotMeasured), found
    assert found[stem.COUNT].estimate.value == teeth
    over = found[stem.DIAMETER].estimate
    assert abs(over.value - diameter_mm) < 2 * over.u


@pytest.mark.parametrize("corners", [4, 6, 8, 12, 200])
@pytest.mark.parametrize("seed", [1, 2])
def test_flats_and_rounds_are_no_teeth(corners: int, seed: int) -> None:
    found = read(regular_xy(corners, 8.0), 100 * corners + seed, 260.0)
    assert isinstance(found, NotMeasured)
    assert found.reason
    assert found.advice


def test_teeth_under_four_pixels_are_not_counted() -> None:
    found = read(splined_xy(44, 7.0), 3, 640.0, blur_px=0.6)
    assert isinstance(found, NotMeasured)
    assert found.reason
    assert found.advice


def test_a_smeared_face_is_not_guessed() -> None:
    found = read(splined_xy(36, 8.0), 4, 300.0, blur_px=5.0)
    assert isinstance(found, NotMeasured)
    assert "ring of teeth" in found.reason


WANTED = (stem.COUNT, stem.DIAMETER)


def measured(section_xy: np.ndarray, *, view: str = "standing"):
    camera, pose = over_the_bench(8.0, 260.0)
    photo = drawn(section_xy, camera, pose, seed=5, bored=True, blur_px=1.0, noise=0.012)
    body_px = standing.silhouette(np.array([0.0, 0.0, 11.0, END_MM - 14]), camera, pose)
    ring = np.vstack([body_px, body_px[:1]])
    along = np.linspace(0, len(body_px), 720, endpoint=False)
    body_px = np.column_stack([np.interp(along, np.arange(len(ring)), column) for column in ring.T])
    outline = Outline(body_px, np.ones((4, 4), bool), 1000, 0.2, False, "drawn")
    plane = Plane(camera, (pose,), 8.0, 260.0)
    return dimensions.measure(
        photo, outline, plane, reference=None, view=view, answer="quarter-turn-ceramic", wanted=WANTED
    )


def test_a_standing_head_gives_its_splines() -> None:
    found, missed = measured(splined_xy(20, 8.0))
    assert not missed
    assert [one.quantity for one in found] == list(WANTED)
    assert (found[0].value, found[0].unit) == (20, "1")
    assert abs(found[1].value - 8.0) <= found[1].u95 < 1.6


@pytest.mark.parametrize(("section_xy", "view"), [(regular_xy(4, 8.0), "standing"), (splined_xy(20, 8.0), "lying")])
def test_a_head_whose_splines_are_not_seen_says_what_helps(section_xy: np.ndarray, view: str) -> None:
    found, missed = measured(section_xy, view=view)
    assert not found
    assert [one.quantity for one in missed] == list(WANTED)
    assert all(one.reason and one.advice for one in missed)
