"""Near pictures are what a near look cuts out of a whole photo, up to the turn of a camera that stays in its place."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="the render extra is not installed")

from data_synthetic import framing, generate, installed, scene
from data_synthetic.camera import View, held, nearer
from data_synthetic.mesh import Part

pytestmark = pytest.mark.render
SIDE = 320


@cache
def part() -> Part:
    return generate.FAMILIES["single-lever-cartridge"](np.random.default_rng(2))


def shot(seed: int) -> View:
    rng = np.random.default_rng(seed)
    return held(rng, np.zeros(3), focal35_mm=26, distance_mm=300, tilt_deg=25, azimuth_deg=40, roll_deg=70,
                width_px=1024, height_px=768)  # fmt: skip


def test_a_camera_that_turns_in_its_place_sees_the_same_up_to_a_homography() -> None:
    # Hartley & Zisserman, Multiple View Geometry (2003), section 8.4.2: pictures from one centre, H = K' R K^-1
    whole, rng = shot(3), np.random.default_rng(0)
    points = rng.uniform(-25, 25, (60, 3)) + np.array([60, 30, 20])  # off the middle, at many depths
    near = nearer(whole, points, share=0.8, side_px=SIDE)
    seen = points @ whole.lens.rotation.T + whole.lens.translation_mm
    before = seen[:, :2] / seen[:, 2:] * whole.lens.focal_px
    matrix, _ = cv2.findHomography(before, near.project(points))
    again = cv2.perspectiveTransform(before[None], matrix)[0]
    assert np.abs(again - near.project(points)).max() < 1e-3
    assert near.lens.rotation @ near.lens.rotation.T == pytest.approx(np.eye(3), abs=1e-9)
    centre = [-view.lens.rotation.T @ view.lens.translation_mm for view in (whole, near)]
    assert centre[0] == pytest.approx(centre[1], abs=1e-9)


@pytest.mark.parametrize("share", [0.45, 0.9])
def test_the_points_fill_their_share_in_the_middle(share: float) -> None:
    points = np.random.default_rng(1).uniform(-20, 20, (200, 3)) + np.array([-70, 10, 20])
    xy = nearer(shot(4), points, share=share, side_px=SIDE).project(points)
    low, high = xy.min(0), xy.max(0)
    assert (low + high) / 2 == pytest.approx((SIDE - 1) / 2, abs=0.02 * SIDE)
    assert (high - low).max() / SIDE == pytest.approx(share, abs=0.03)


def test_what_is_straight_ahead_needs_no_turn() -> None:
    whole = shot(5)
    middle = -whole.lens.rotation.T @ whole.lens.translation_mm + 300 * whole.lens.rotation[2]
    points = middle + 20 * np.concatenate([whole.lens.rotation, -whole.lens.rotation])
    assert nearer(whole, points, share=0.5, side_px=SIDE).lens.rotation == pytest.approx(whole.lens.rotation, abs=1e-6)


@pytest.mark.parametrize("how", ["lying", "standing"])
def test_a_near_picture_of_a_bench_holds_the_whole_part(how: str) -> None:
    made = scene.on_bench(
        part(), np.random.default_rng(6), split="training", width_px=SIDE, height_px=SIDE, natural=False, rest=how,
        near=True,
    )  # fmt: skip
    assert (made.view.width_px, made.view.height_px) == (SIDE, SIDE)
    xy = made.view.project(made.setting.part.vertices_mm)
    fill = (xy.max(0) - xy.min(0)).max() / SIDE
    assert framing.NEAR_SHARES[0] - 0.06 < fill < framing.NEAR_SHARES[1] + 0.03
    assert not made.truth["pose"]["cut_off"]
    ends = np.array(made.truth["pose"]["axis_px"])
    assert ((ends > 0) & (ends < SIDE)).all()
    assert made.truth["camera"]["distance_mm"] >= 180  # the phone is no nearer than for a whole photo


def test_a_near_picture_of_a_tap_holds_it() -> None:
    tap = installed.build("single-lever-cartridge", np.random.default_rng(1))
    made = scene.in_building(
        tap, np.random.default_rng(2), split="training", width_px=SIDE, height_px=SIDE, near=True
    )  # fmt: skip
    xy = made.view.project(made.setting.part.vertices_mm)
    fill = (xy.max(0) - xy.min(0)).max() / SIDE
    assert framing.NEAR_SHARES[0] - 0.06 < fill < framing.NEAR_SHARES[1] + 0.03


def test_near_pictures_are_path_traced_squares(tmp_path) -> None:
    given = ["--out", str(tmp_path), "--count", "1", "--framing", "near"]
    with pytest.raises(SystemExit, match="Near pictures are path-traced squares: not 320x240 path-traced"):
        generate.main([*given, "--size", "320x240"])
    with pytest.raises(SystemExit, match="not 320x320 raster"):
        generate.main([*given, "--size", "320x320", "--renderer", "raster", "--split", "evaluation"])
