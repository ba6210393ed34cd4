"""The bench's tilt from the shapes of rims, on exact projections of circles."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from identify.geometry import ellipse as ellipses
from identify.geometry import tilts
from identify.geometry.camera import to_camera

_SPEC = importlib.util.spec_from_file_location("scenes", Path(__file__).parents[1] / "scenes.py")
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)

PLACES = [(x, y) for x in (-90.0, -30.0, 30.0, 90.0) for y in (-60.0, 0.0, 60.0)]
SIZES = [19.75, 22.25, 24.25, 25.75]  # 10, 20, 50 cents, 2 euros: Council Regulation (EC) No 975/98


def rims_of(camera, pose, *, noise=None):
    found = []
    for n, place in enumerate(PLACES):
        points = scenes.circle_px(camera, pose, place, SIZES[n % 4], 0.0)
        points = points if noise is None else points + noise.normal(0, 0.3, points.shape)
        found.append(ellipses.fit(points).ellipse)
    return found


def apart_deg(one, two):
    return math.degrees(math.acos(min(1.0, float(one @ two))))


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(0, 0), (3, 40), (12, 200), (30, 90)])
def test_rims_of_unknown_size_tell_the_tilt(tilt_deg, turn_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg, turn_deg=turn_deg)
    assert apart_deg(tilts.likeliest(rims_of(camera, pose), camera), pose.rotation[:, 2]) < 0.4
    noisy = rims_of(camera, pose, noise=np.random.default_rng(tilt_deg))
    assert apart_deg(tilts.likeliest(noisy, camera), pose.rotation[:, 2]) < 0.8


def test_a_rim_that_leans_does_not_pull():
    camera, pose = scenes.camera_over_bench(tilt_deg=10, turn_deg=60)
    rims = rims_of(camera, pose)
    odd = rims[0]
    rims[0] = type(odd)(odd.x_px, odd.y_px, odd.major_px, 0.7 * odd.minor_px, odd.angle_rad + 1)
    assert apart_deg(tilts.likeliest(rims, camera), pose.rotation[:, 2]) < 0.5


def test_circles_come_back_with_their_places_and_sizes():
    camera, pose = scenes.camera_over_bench(tilt_deg=25, turn_deg=30)
    normal = pose.rotation[:, 2]
    places, radii, _ = tilts.circles(normal, *tilts.of(rims_of(camera, pose), camera))
    true = to_camera(pose, np.array([[*place, 0.0] for place in PLACES]))
    assert places * true[:, 2:] == pytest.approx(true, abs=0.02)
    assert 2 * radii * true[:, 2] == pytest.approx([SIZES[n % 4] for n in range(len(PLACES))], rel=3e-4)


def test_expected_keeps_place_and_area():
    camera, pose = scenes.camera_over_bench(tilt_deg=25, turn_deg=30)
    for rim in rims_of(camera, pose):
        blunt = type(rim)(rim.x_px, rim.y_px, rim.major_px * 1.05, rim.minor_px / 1.05, rim.angle_rad)
        found = tilts.expected(blunt, pose.rotation[:, 2], camera)
        assert (found.x_px, found.y_px) == (rim.x_px, rim.y_px)
        assert (found.major_px, found.minor_px) == pytest.approx((rim.major_px, rim.minor_px), rel=2e-3)


def test_tilts_and_normals_are_each_others_inverse():
    flat = np.array([[0.0, 0.0], [0.3, -0.2], [-0.9, 0.4]])
    assert tilts.tilts_of(tilts.normals_of(flat)) == pytest.approx(flat, abs=1e-9)
