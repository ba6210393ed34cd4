"""The bench's tilt and bow from the shapes of rims, on exact projections of circles."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from identify.geometry import ellipse as ellipses
from identify.geometry import tilts
from identify.geometry.camera import pixels, to_camera
from identify.model import Camera

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


def middle_normal(rims, camera):
    return tilts.normals(tilts.bench(rims, camera).numbers, np.zeros((1, 2)))[0]


def apart_deg(one, two):
    return math.degrees(math.acos(min(1.0, float(one @ two))))


@pytest.mark.parametrize(("tilt_deg", "turn_deg"), [(0, 0), (3, 40), (12, 200), (30, 90)])
def test_rims_of_unknown_size_tell_the_tilt(tilt_deg, turn_deg):
    camera, pose = scenes.camera_over_bench(tilt_deg=tilt_deg, turn_deg=turn_deg)
    assert apart_deg(middle_normal(rims_of(camera, pose), camera), pose.rotation[:, 2]) < 0.4
    noisy = rims_of(camera, pose, noise=np.random.default_rng(tilt_deg))
    assert apart_deg(middle_normal(noisy, camera), pose.rotation[:, 2]) < 0.8


def test_a_rim_that_leans_does_not_pull():
    camera, pose = scenes.camera_over_bench(tilt_deg=10, turn_deg=60)
    rims = rims_of(camera, pose)
    odd = rims[0]
    rims[0] = type(odd)(odd.x_px, odd.y_px, odd.major_px, 0.7 * odd.minor_px, odd.angle_rad + 1)
    assert apart_deg(middle_normal(rims, camera), pose.rotation[:, 2]) < 0.5


def on_a_ball(camera: Camera, radius_mm: float, distance_mm: float):
    """Rims of coins lying on a large ball below the camera, and directions and depths of their middles."""
    rims, ways, depths = [], [], []
    for x in np.linspace(-0.3, 0.3, 6):
        for y in np.linspace(-0.22, 0.22, 5):
            way = np.array([x, y, 1.0])
            middle = np.array([0, 0, distance_mm + radius_mm])
            half = way @ middle / (way @ way)
            depth = half - math.sqrt(half**2 - (middle @ middle - radius_mm**2) / (way @ way))
            place = depth * way
            normal = (place - middle) / radius_mm
            first = np.cross(normal, [0.0, 1.0, 0.0])
            first /= np.linalg.norm(first)
            turn = 2 * np.pi * np.arange(90) / 90
            ring = place + 11 * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * np.cross(normal, first))
            rims.append(ellipses.fit(pixels(camera, ring)).ellipse)
            ways.append((x, y))
            depths.append(depth)
    return rims, np.array(ways), np.array(depths)


def test_coins_on_a_ball_tell_its_bow():
    # a sphere: its depth in any direction follows from a quadratic equation, nothing of the method's own
    camera, _ = scenes.camera_over_bench(tilt_deg=0)
    rims, ways, depths = on_a_ball(camera, 600.0, 300.0)
    found = tilts.bench(rims, camera)
    told = tilts.log_depth(found.numbers, ways)
    true = np.log(depths)
    missed = (told - told.mean()) - (true - true.mean())
    assert np.ptp(true) > 0.03
    assert np.abs(missed).max() < 0.003


def test_circles_come_back_with_their_places_and_sizes():
    camera, pose = scenes.camera_over_bench(tilt_deg=25, turn_deg=30)
    normal = pose.rotation[:, 2]
    places, radii, _ = tilts.circles(normal, *tilts.of(rims_of(camera, pose), camera))
    true = to_camera(pose, np.array([[*place, 0.0] for place in PLACES]))
    assert places * true[:, 2:] == pytest.approx(true, abs=0.02)
    assert 2 * radii * true[:, 2] == pytest.approx([SIZES[n % 4] for n in range(len(PLACES))], rel=3e-4)


@pytest.mark.parametrize("lean_deg", [-5, 5])
def test_a_coin_that_rocks_keeps_its_size(lean_deg):
    # exact projection of a circle of 11 mm at 300 mm, 17 degrees off the middle, leaning along its line of sight
    camera, _ = scenes.camera_over_bench(tilt_deg=0)
    lean, flat = math.radians(lean_deg), np.array([0.0, 0.0, -1.0])
    normal = np.array([math.sin(lean), 0.0, -math.cos(lean)])
    first, second = np.array([math.cos(lean), 0.0, math.sin(lean)]), np.array([0.0, 1.0, 0.0])
    turn = 2 * np.pi * np.arange(90) / 90
    assert abs(first @ normal) < 1e-12
    ring = np.array([90.0, 0.0, 300.0]) + 11 * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second)
    image = tilts.of([ellipses.fit(pixels(camera, ring)).ellipse], camera)
    _, radii, _ = tilts.circles(flat, *image)
    naive = 300 * radii[0] / 11 - 1
    mended = 300 * tilts.unrocked(radii, 0.1, flat[None], *image)[0] / 11 - 1
    assert abs(naive) > 0.01
    assert abs(mended) < 0.0035
    assert tilts.unrocked(radii, 0.0, flat[None], *image)[0] == radii[0]
