"""A coin's tilt from both its rims, on drawn coins whose pose is exact."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from identify.geometry import rings, walls
from identify.geometry.camera import to_camera
from identify.model import Ellipse
from identify.reference.rims import find_rims

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

DIAMETER_MM, THICKNESS_MM = 24.25, 2.38


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(20, 70), (20, 200), (30, 0), (40, 90)])
def test_the_true_tilt_beats_its_mirror_and_other_tilts(tilt_deg, turn_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg, turn_deg=turn_deg)
    place = (20.0, -15.0)
    photo = scenes.drawn_coins(camera, pose, [(*place, DIAMETER_MM, THICKNESS_MM)], seed=tilt_deg)
    (rim,) = find_rims(photo)
    seen = walls.surroundings(photo.rgb, rim.ellipse)
    towards = walls.sight(rim.ellipse, camera)
    true = walls.tilt_vectors(pose.rotation[:, 2][None], towards[None])
    turned = true @ [[0.0, 1.0], [-1.0, 0.0]]
    trials = np.vstack([true, -true, 0.4 * true, 1.8 * true, turned])
    judged = walls.judge(seen, camera, trials, radius_mm=DIAMETER_MM / 2, thickness_mm=THICKNESS_MM)
    assert np.all(judged.log_likelihood[0] > judged.log_likelihood[1:] + 3)
    centre = to_camera(pose, np.array([[*place, THICKNESS_MM]]))[0]
    assert judged.normals[0] == pytest.approx(pose.rotation[:, 2], abs=1e-6)
    assert judged.centres_mm[0, :2] == pytest.approx(centre[:2], abs=0.1)
    assert judged.centres_mm[0, 2] == pytest.approx(centre[2], rel=0.004)


def test_tilt_vectors_and_normals_are_each_others_inverse():
    camera, _ = scenes.camera_over_bench(tilt_deg=0)
    rim = Ellipse(1200.0, 300.0, 50.0, 48.0, 0.3)
    towards = walls.sight(rim, camera)
    tilts, area = walls.coarse_tilts_rad()
    seen = walls.Surroundings(rim, rim, np.zeros((2, rings.SPOKES, len(rings.SCALES))))
    judged = walls.judge(seen, camera, tilts[24:], radius_mm=12.0, thickness_mm=2.0)
    assert walls.tilt_vectors(judged.normals, towards[None]) == pytest.approx(tilts[24:], abs=1e-9)
    assert np.linalg.norm(judged.normals, axis=1) == pytest.approx(np.ones(len(tilts) - 24))
    # the areas of the rings make up the whole disc, but for the half step beyond the last ring
    assert area.sum() == pytest.approx(math.pi * math.radians(walls.WIDEST_DEG) ** 2, rel=0.15)


def test_a_blank_picture_has_no_edges_to_judge_by():
    assert walls.surroundings(np.full((400, 400, 3), 128, np.uint8), Ellipse(200.0, 200.0, 60.0, 58.0, 0.0)) is None
