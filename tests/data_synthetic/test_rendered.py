"""Small renders: masks against projected geometry, files and resuming."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

pytest.importorskip("mitsuba")
pytest.importorskip("manifold3d")

from data_synthetic import generate, render, scene
from data_synthetic.finish import surface
from data_synthetic.mesh import cylinder

pytestmark = pytest.mark.render
SIDE = 64


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory):
    place = tmp_path_factory.mktemp("pictures")
    job = generate.Job(str(place), SIDE, SIDE, 2, 3, "training", 0.0, False)
    assert generate.generate(job, 2, say=False) == 2
    assert generate.generate(job, 3, say=False) == 1
    return place


def test_resumed_run_has_each_picture_once(folder) -> None:
    lines = [json.loads(line) for line in (folder / "manifest.jsonl").read_text().splitlines()]
    assert sorted(line["file"] for line in lines) == [f"images/{k:06d}.jpg" for k in range(3)]
    for line in lines:
        mask = cv2.imread(str(folder / line["mask"]), cv2.IMREAD_UNCHANGED)
        picture = cv2.imread(str(folder / line["file"]))
        assert mask.shape == (SIDE, SIDE)
        assert picture.shape == (SIDE, SIDE, 3)
        assert int((mask == 1).sum()) == line["part_px"]
        assert picture.std() > 3
        assert set(np.unique(mask)) <= {0, 1, 2}


def test_mask_agrees_with_projected_geometry() -> None:
    job = generate.Job(".", 2 * SIDE, 2 * SIDE, 1, 11, "training", 0.0, False, "single-lever-cartridge")
    made, _ = generate.composed(job, 1)
    view, margin = made.view, made.view.margin_px
    side = 2 * SIDE + 2 * margin
    light, labels = render.render(made.setting, view.lens, width_px=side, height_px=side, spp=1, seed=1)
    assert np.isfinite(light).all()
    assert made.setting.part is not None
    inside = made.setting.part.vertices_mm @ view.lens.rotation.T + view.lens.translation_mm
    xy = inside[:, :2] / inside[:, 2:] * view.lens.focal_px + (side - 1) / 2
    drawn = np.zeros((side, side), np.uint8)
    for triangle in np.round(xy[made.setting.part.faces] * 16).astype(np.int32):
        cv2.fillConvexPoly(drawn, triangle, 1, shift=4)
    mask = labels == render.PART
    assert mask.sum() > 100
    assert not (mask & (drawn == 0)).any()
    sure = cv2.erode(drawn, np.ones((5, 5), np.uint8)) == 1  # drawn triangles are up to a pixel fatter all round
    assert (sure & ~mask).sum() <= 0.01 * mask.sum()


def test_needle_triangles_give_no_nan() -> None:
    needle = surface((cylinder(8.0, 0.0, 400.0, "steel", chamfer_mm=0.01, around=200),), np.random.default_rng(0))
    faces = render.well_ordered(needle.vertices_mm, needle.faces)
    corners = needle.vertices_mm[faces]
    ahead, back = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    sine = np.linalg.norm(np.cross(ahead, back), axis=1) / np.linalg.norm(ahead, axis=1) / np.linalg.norm(back, axis=1)
    assert sine.min() > 2e-3


def test_empty_bench_has_no_part(folder) -> None:
    made = scene.on_bench(None, np.random.default_rng(0), split="training", width_px=SIDE, height_px=SIDE, natural=True)
    assert made.setting.part is None
    assert made.truth["class"] == "none"
    assert made.truth["dimensions_mm"] == {}
