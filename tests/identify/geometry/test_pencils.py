"""Shared directions of lines, on drawn scenes of uprights and of lines in the bench."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from identify.geometry.pencils import leaning

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

CARD_PX = np.array([[700.0, 900], [900, 900], [900, 1050], [700, 1050]])


def uprights(x_mm):
    return [([x, y, 0.0], [x, y, 60.0]) for x in x_mm for y in (60.0, 110.0)]


def joints():
    along = [([x, -80.0, 0.0], [x, 150.0, 0.0]) for x in range(-120, 121, 30)]
    return along + [([-130.0, y, 0.0], [130.0, y, 0.0]) for y in range(-60, 121, 30)]


def test_a_card_that_leans_among_uprights_is_noticed():
    camera, pose = scenes.camera_over_bench(tilt_deg=60)
    picture = scenes.ruled(uprights(range(-140, 141, 28)), camera, pose)
    leant = scenes.camera_over_bench(tilt_deg=20)[1].rotation[:, 2]
    found = leaning(picture, camera, leant, CARD_PX)
    assert found is not None
    assert found.angle_deg == pytest.approx(40, abs=6)


@pytest.mark.parametrize(
    "segments", [uprights(range(-140, 141, 28)), joints(), uprights(range(-140, 141, 28)) + joints(), []]
)
@pytest.mark.parametrize("tilt_deg", [15, 45])
def test_a_card_on_the_bench_is_left_in_peace(segments, tilt_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg)
    assert leaning(scenes.ruled(segments, camera, pose), camera, pose.rotation[:, 2], CARD_PX) is None


def test_the_edges_of_one_object_prove_nothing():
    camera, pose = scenes.camera_over_bench(tilt_deg=60)
    picture = scenes.ruled(uprights(range(-20, 21, 4)), camera, pose)
    leant = scenes.camera_over_bench(tilt_deg=20)[1].rotation[:, 2]
    assert leaning(picture, camera, leant, CARD_PX) is None
